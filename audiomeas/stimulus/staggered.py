"""The same sweep on one channel after the other, so that one capture holds both responses and both ways of crosstalk.

One after the other, not interleaved: while one channel plays, the other's capture holds nothing of its own, and so no
harmonic of it, of whatever order, can stand where leakage is looked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Self

from audiomeas.stimulus.base import FloatArray, Window, joined
from audiomeas.stimulus.sweep import Sweep
from audiomeas.stimulus.sweep_series import GAP_S, SweepSeries


@dataclass(frozen=True, kw_only=True)
class StaggeredSweeps(SweepSeries):
    """A sweep on each driven channel in turn."""

    kind: ClassVar[str] = "staggered-sweeps"

    def __post_init__(self) -> None:
        if not 1 <= len(set(self.driven_channels)) == len(self.driven_channels):
            raise ValueError(f"staggered sweeps drive each channel once, not {self.driven_channels}")
        super().__post_init__()

    @classmethod
    def covering(cls, *, gap_s: float = GAP_S, **sweep: Any) -> Self:
        """Make sweeps of full level from from_hz to to_hz (`sweep`: the arguments of `Sweep.covering`)."""
        return cls.of(Sweep.covering(**sweep), gap_s=gap_s)

    @property
    def frames(self) -> int:
        """Length, gap included."""
        return self.offset_frames(self.driven_channels[-1]) + self.sweep.frames

    def offset_frames(self, channel: int) -> int:
        """Return the frame at which a driven channel's sweep begins. Raises ValueError for any other channel."""
        if channel not in self.driven_channels:
            raise ValueError(f"channel {channel} is not driven by these sweeps")
        return self.driven_channels.index(channel) * self.period_frames

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return the samples of the first driven channel, (frames,), in volts; of a span where one is asked for."""
        return self.channel_samples_v(self.driven_channels[0], span)

    def channel_samples_v(self, channel: int, span: range | None = None) -> FloatArray:
        """Return the samples of one driven channel, (frames,), in volts. Raises ValueError for any other."""
        one = (self.offset_frames(channel), self.sweep.frames, self.sweep.samples_v)
        return joined([one], range(self.frames) if span is None else span)

    def windows(self) -> tuple[Window, ...]:
        """Return each sweep as a part without a level: on the other channel there is silence."""
        starts = [self.offset_frames(channel) for channel in self.driven_channels]
        return tuple(Window(start=start, stop=start + self.sweep.frames) for start in starts)
