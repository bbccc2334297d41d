"""A steady tone, and silence after it: what a unit leaves beside a quiet tone, and what when it is idle."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar, Self

from audiomeas.stimulus.base import FloatArray, JsonFacts, Window, joined
from audiomeas.stimulus.sines import Sine
from audiomeas.units import SQRT2

#: Silence between the tone's ramp and what is looked at: the unit comes to rest.
REST_S = 0.4


@dataclass(frozen=True, kw_only=True)
class ToneAndSilence(JsonFacts):
    """A sine as `Sine` plays it, then silence: REST_S, and idle_s that are looked at.

    frequency_hz, level_v_rms, window_s : of the tone, as for `Sine`.   fall_db : how far the tone lies below the
    largest level of the unit.
    """

    kind: ClassVar[str] = "tone-and-silence"

    frequency_hz: float
    level_v_rms: float
    sample_rate_hz: float
    window_s: float = 2.0
    idle_s: float = 2.0
    fall_db: float = 60.0
    driven_channels: tuple[int, ...] = (1, 2)

    def __post_init__(self) -> None:
        _ = self._tone  # refuses what is no tone
        if not (math.isfinite(self.idle_s) and self._idle_frames > 0):
            raise ValueError("the silence after a tone must last longer than nothing")
        if not math.isfinite(self.fall_db):
            raise ValueError("how far a tone lies below the largest level must be a number")

    @classmethod
    def bin_centred(cls, *, frequency_hz: float, sample_rate_hz: float, window_s: float, **rest: Any) -> Self:
        """Make one whose tone has whole periods in its window (see `Sine.bin_centred`). Raises ValueError."""
        tone = Sine.bin_centred(
            frequency_hz=frequency_hz,
            sample_rate_hz=sample_rate_hz,
            window_s=window_s,
            level_v_rms=rest["level_v_rms"],
        )
        return cls(frequency_hz=tone.frequency_hz, sample_rate_hz=sample_rate_hz, window_s=window_s, **rest)

    @property
    def _tone(self) -> Sine:
        return Sine(
            frequency_hz=self.frequency_hz,
            level_v_rms=self.level_v_rms,
            sample_rate_hz=self.sample_rate_hz,
            window_s=self.window_s,
        )

    @property
    def _idle_frames(self) -> int:
        return round(self.idle_s * self.sample_rate_hz)

    @property
    def frames(self) -> int:
        """Length, ramps and silence included."""
        return self._tone.frames + round(REST_S * self.sample_rate_hz) + self._idle_frames

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        return self.level_v_rms * SQRT2

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return one channel's samples, (frames,), in volts; of a span of them alone where one is asked for."""
        tone = self._tone
        return joined([(0, tone.frames, tone.samples_v)], range(self.frames) if span is None else span)

    def windows(self) -> tuple[Window, ...]:
        """Return the steady part of the tone, and the silence."""
        return (*self._tone.windows(), Window(start=self.frames - self._idle_frames, stop=self.frames))
