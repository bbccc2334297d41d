"""The same sweep several times, for captures that are averaged: what does not repeat falls by 10·lg(n) dB in power."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from audiomeas.stimulus.base import FloatArray, Window, joined
from audiomeas.stimulus.sweep_series import SweepSeries

#: All of them together last no longer: a capture must fit into memory.
LONGEST_S = 600.0


@dataclass(frozen=True, kw_only=True)
class RepeatedSweeps(SweepSeries):
    """A sweep `count` times on all driven channels."""

    kind: ClassVar[str] = "repeated-sweeps"

    count: int

    def __post_init__(self) -> None:
        if not (isinstance(self.count, int) and self.count >= 2):
            raise ValueError(f"repeated sweeps are at least two, not {self.count}")
        super().__post_init__()
        if self.frames > LONGEST_S * self.sample_rate_hz:
            raise ValueError(
                f"{self.count} sweeps of {self.duration_s:g} s last longer than {LONGEST_S:g} s: take fewer averages, "
                "or a shorter sweep"
            )

    @property
    def frames(self) -> int:
        """Length, gaps included."""
        return (self.count - 1) * self.period_frames + self.sweep.frames

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return one channel's samples, (frames,), in volts; of a span of them alone where one is asked for."""
        one = self.sweep
        sweeps = ((number * self.period_frames, one.frames, one.samples_v) for number in range(self.count))
        return joined(sweeps, range(self.frames) if span is None else span)

    def windows(self) -> tuple[Window, ...]:
        """Return the sweeps, in order."""
        starts = range(0, self.count * self.period_frames, self.period_frames)
        length = self.sweep.frames
        return tuple(Window(start=start, stop=start + length, level_v_rms=self.level_v_rms) for start in starts)
