"""The same stepped sines twice, with a silence between in which a hand changes what is connected to the unit."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from audiomeas.stimulus.base import FloatArray, JsonFacts, Window
from audiomeas.stimulus.sines import SteppedSines


@dataclass(frozen=True, kw_only=True)
class SteppedTwice(JsonFacts):
    """Two takes of the same steps, in one capture, so that one alignment serves both: their phases can be compared.

    pause_s : of the silence between.   The rest is that of `SteppedSines`.
    """

    kind: ClassVar[str] = "steps-twice"

    steps: tuple[tuple[float, float], ...]
    sample_rate_hz: float
    window_s: float = 0.5
    settle_s: float = 0.1
    settle_periods: float = 10.0
    window_periods: int = 0
    ramp_s: float = 0.02
    pause_s: float = 30.0
    driven_channels: tuple[int, ...] = (1, 2)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.pause_s) and self.pause_s > 0.0):
            raise ValueError(f"a pause lasts longer than nothing, not {self.pause_s:g} s")
        _ = self.take

    @property
    def take(self) -> SteppedSines:
        """The steps, as they are played in either take."""
        return SteppedSines(
            steps=self.steps,
            sample_rate_hz=self.sample_rate_hz,
            window_s=self.window_s,
            settle_s=self.settle_s,
            settle_periods=self.settle_periods,
            window_periods=self.window_periods,
            ramp_s=self.ramp_s,
            driven_channels=self.driven_channels,
        )

    @property
    def second_start(self) -> int:
        """First frame of the second take, counted from the stimulus' first."""
        return self.take.frames + round(self.pause_s * self.sample_rate_hz)

    @property
    def frames(self) -> int:
        """Length of both takes and the silence."""
        return self.second_start + self.take.frames

    @property
    def level_v_rms(self) -> float:
        """Largest r.m.s. voltage of any step."""
        return self.take.level_v_rms

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        return self.take.peak_v

    def samples_v(self) -> FloatArray:
        """Return one channel's samples, (frames,), in volts."""
        once = self.take.samples_v()
        return np.concatenate([once, np.zeros(self.second_start - len(once)), once])

    def windows(self) -> tuple[Window, ...]:
        """Return the steady part of each step of both takes, in order."""
        once, later = self.take.windows(), self.second_start
        return (*once, *(replace(one, start=one.start + later, stop=one.stop + later) for one in once))
