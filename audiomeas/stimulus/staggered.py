"""The same sweep on one channel after the other, so that one capture holds both responses and both ways of crosstalk.

One after the other, not interleaved: while one channel plays, the other's capture holds nothing of its own, and so no
harmonic of it, of whatever order, can stand where leakage is looked for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar, Self

import numpy as np

from audiomeas.stimulus.base import FloatArray, JsonFacts, Window
from audiomeas.stimulus.sweep import Sweep

#: Silence between the sweeps: twice what the sweep analysis takes on either side, with room for the unit's delay.
GAP_S = 0.2


@dataclass(frozen=True, kw_only=True)
class StaggeredSweeps(JsonFacts):
    """A synchronized sweep (see `Sweep`, whose facts these are) on each driven channel in turn, gap_s apart."""

    kind: ClassVar[str] = "staggered-sweeps"

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
        if not 1 <= len(self.driven_channels) <= 2 or len(set(self.driven_channels)) < len(self.driven_channels):
            raise ValueError(f"staggered sweeps drive one or two channels, not {self.driven_channels}")
        if not (math.isfinite(self.gap_s) and self.gap_s >= GAP_S):
            raise ValueError(f"staggered sweeps need at least {GAP_S:g} s between them")
        _ = self.sweep

    @classmethod
    def covering(
        cls,
        *,
        from_hz: float,
        to_hz: float,
        sample_rate_hz: float,
        duration_s: float,
        level_v_rms: float,
        driven_channels: tuple[int, ...] = (1, 2),
        gap_s: float = GAP_S,
    ) -> Self:
        """Make sweeps of full level from from_hz to to_hz (see `Sweep.covering`), each of duration_s."""
        one = Sweep.covering(
            from_hz=from_hz,
            to_hz=to_hz,
            sample_rate_hz=sample_rate_hz,
            duration_s=duration_s,
            level_v_rms=level_v_rms,
        )
        return cls(
            start_hz=one.start_hz,
            stop_hz=one.stop_hz,
            level_v_rms=one.level_v_rms,
            sample_rate_hz=one.sample_rate_hz,
            duration_s=one.duration_s,
            fade_in_s=one.fade_in_s,
            fade_out_s=one.fade_out_s,
            gap_s=gap_s,
            driven_channels=driven_channels,
        )

    @property
    def sweep(self) -> Sweep:
        """The sweep that each channel plays."""
        return Sweep(
            start_hz=self.start_hz,
            stop_hz=self.stop_hz,
            level_v_rms=self.level_v_rms,
            sample_rate_hz=self.sample_rate_hz,
            duration_s=self.duration_s,
            fade_in_s=self.fade_in_s,
            fade_out_s=self.fade_out_s,
            driven_channels=self.driven_channels,
        )

    @property
    def stagger_frames(self) -> int:
        """Frames from the beginning of one sweep to that of the next."""
        return self.sweep.frames + round(self.gap_s * self.sample_rate_hz)

    @property
    def frames(self) -> int:
        """Length, gap included."""
        return self.offset_frames(self.driven_channels[-1]) + self.sweep.frames

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        return self.sweep.peak_v

    def offset_frames(self, channel: int) -> int:
        """Return the frame at which a driven channel's sweep begins. Raises ValueError for any other channel."""
        if channel not in self.driven_channels:
            raise ValueError(f"channel {channel} is not driven by these sweeps")
        return self.driven_channels.index(channel) * self.stagger_frames

    def samples_v(self) -> FloatArray:
        """Return the samples of the first driven channel, (frames,), in volts."""
        return self.channel_samples_v(self.driven_channels[0])

    def channel_samples_v(self, channel: int) -> FloatArray:
        """Return the samples of one driven channel, (frames,), in volts. Raises ValueError for any other."""
        samples = np.zeros(self.frames)
        first = self.offset_frames(channel)
        one = self.sweep
        samples[first : first + one.frames] = one.samples_v()
        return samples

    def windows(self) -> tuple[Window, ...]:
        """Return each sweep as a part without a level: on the other channel there is silence."""
        starts = [self.offset_frames(channel) for channel in self.driven_channels]
        return tuple(Window(start=start, stop=start + self.sweep.frames) for start in starts)
