"""The same sweep several times, for captures that are averaged: what does not repeat falls by 10·lg(n) dB in power."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import ClassVar, Self

import numpy as np

from audiomeas.stimulus.base import FloatArray, JsonFacts, Window
from audiomeas.stimulus.sweep import Sweep

#: Silence between the sweeps: twice what the sweep analysis takes on either side.
GAP_S = 0.2
#: All of them together last no longer: a capture must fit into memory.
LONGEST_S = 600.0


@dataclass(frozen=True, kw_only=True)
class RepeatedSweeps(JsonFacts):
    """A synchronized sweep (see `Sweep`, whose facts these are) `count` times, gap_s apart, on all driven channels."""

    kind: ClassVar[str] = "repeated-sweeps"

    count: int
    start_hz: float
    stop_hz: float
    level_v_rms: float
    sample_rate_hz: float
    duration_s: float
    fade_in_s: float
    fade_out_s: float
    gap_s: float = GAP_S
    driven_channels: tuple[int, ...] = (1, 2)

    def __post_init__(self) -> None:
        if not (isinstance(self.count, int) and self.count >= 2):
            raise ValueError(f"repeated sweeps are at least two, not {self.count}")
        if not (math.isfinite(self.gap_s) and self.gap_s >= GAP_S):
            raise ValueError(f"repeated sweeps need at least {GAP_S:g} s between them")
        if self.frames > LONGEST_S * self.sample_rate_hz:
            raise ValueError(
                f"{self.count} sweeps of {self.duration_s:g} s last longer than {LONGEST_S:g} s: take fewer averages, "
                "or a shorter sweep"
            )

    @classmethod
    def of(cls, sweep: Sweep, count: int) -> Self:
        """Return a sweep repeated. Raises ValueError: fewer than two, or together longer than 10 minutes."""
        facts = {field.name: getattr(sweep, field.name) for field in dataclasses.fields(Sweep)}
        return cls(count=count, **facts)

    @property
    def sweep(self) -> Sweep:
        """The sweep that is repeated."""
        return Sweep(**{field.name: getattr(self, field.name) for field in dataclasses.fields(Sweep)})

    @property
    def period_frames(self) -> int:
        """Frames from the beginning of one sweep to that of the next."""
        return self.sweep.frames + round(self.gap_s * self.sample_rate_hz)

    @property
    def frames(self) -> int:
        """Length, gaps included."""
        return (self.count - 1) * self.period_frames + self.sweep.frames

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        return self.sweep.peak_v

    def samples_v(self) -> FloatArray:
        """Return one channel's samples, (frames,), in volts."""
        one = self.sweep.samples_v()
        samples = np.zeros(self.frames)
        for number in range(self.count):
            samples[number * self.period_frames :][: len(one)] = one
        return samples

    def windows(self) -> tuple[Window, ...]:
        """Return the sweeps, in order."""
        starts = range(0, self.count * self.period_frames, self.period_frames)
        length = self.sweep.frames
        return tuple(Window(start=start, stop=start + length, level_v_rms=self.level_v_rms) for start in starts)
