"""The synchronized exponential sweep.

Source: A. Novak, P. Lotton, L. Simon, "Synchronized Swept-Sine: Theory, Application, and Implementation", J. Audio
Eng. Soc. 63 (2015), eqs. 47 to 49; after A. Farina, AES 108th Convention (2000). The rate is chosen so that f1·L is a
whole number: then the m-th harmonic is the sweep itself, moved by L·ln m, and harmonic phases come out right.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar, Self

import numpy as np

from audiomeas.stimulus.base import FloatArray, JsonFacts, Window, fall, rise
from audiomeas.units import SQRT2


@dataclass(frozen=True, kw_only=True)
class Sweep(JsonFacts):
    """x(t) = √2·U·sin(2π·f1·L·exp(t/L)) with f1·L a whole number, faded in and out inside its own length.

    start_hz, stop_hz : frequencies at the very ends; the level is full between `full_from_hz` and `full_to_hz`.
    duration_s : wished; the real length is `frames` (L is rounded to the synchronized value).
    fade_in_s, fade_out_s : raised-cosine fades inside the sweep.
    """

    kind: ClassVar[str] = "sweep"

    start_hz: float
    stop_hz: float
    level_v_rms: float
    sample_rate_hz: float
    duration_s: float = 2.0
    fade_in_s: float = 0.02
    fade_out_s: float = 0.005
    driven_channels: tuple[int, ...] = (1, 2)

    def __post_init__(self) -> None:
        if not 0 < self.start_hz < self.stop_hz <= self.sample_rate_hz / 2:
            raise ValueError(
                f"a sweep from {self.start_hz:g} to {self.stop_hz:g} Hz can't be played at {self.sample_rate_hz:g} Hz"
            )
        if not (math.isfinite(self.level_v_rms) and self.level_v_rms > 0):
            raise ValueError("a sweep needs a level above zero")
        if not (math.isfinite(self.duration_s) and self.duration_s * self.start_hz / math.log(self._ratio) >= 0.5):
            raise ValueError(
                f"a sweep from {self.start_hz:g} Hz needs at least {math.log(self._ratio) / self.start_hz:.2g} s"
            )

    @classmethod
    def covering(cls, *, from_hz: float, to_hz: float, sample_rate_hz: float, duration_s: float, **rest: Any) -> Self:
        """Make a sweep whose level is full from from_hz to to_hz, with fades long enough to be exact at both.

        It starts near a quarter of from_hz, where its fade-in is gentle to coupling capacitors and keeps the harmonics'
        impulse responses short; it ends a little above to_hz. Raises ValueError when the rate can't carry to_hz.
        """
        stop_hz = min(1.15 * to_hz, 0.485 * sample_rate_hz)
        wished_hz = from_hz / 4.0
        if not 0 < from_hz < to_hz <= stop_hz / 1.05:
            raise ValueError(
                f"a sweep from {from_hz:g} to {to_hz:g} Hz can't be exact at {sample_rate_hz:g} Hz sample rate"
            )
        whole = max(1, round(wished_hz * duration_s / math.log(stop_hz / wished_hz)))
        start_hz = wished_hz
        for _ in range(50):  # a contraction: the logarithm changes little, and the fiftieth step nothing at all
            start_hz = whole * math.log(stop_hz / start_hz) / duration_s
        if not start_hz < 0.8 * from_hz:
            needed_s = math.log(stop_hz / (0.7 * from_hz)) / (0.7 * from_hz)
            raise ValueError(f"a sweep from {from_hz:g} Hz needs at least {needed_s:.2g} s")
        growth_s = whole / start_hz
        return cls(
            start_hz=start_hz,
            stop_hz=stop_hz,
            sample_rate_hz=sample_rate_hz,
            duration_s=duration_s,
            fade_in_s=growth_s * math.log(0.85 * from_hz / start_hz),
            fade_out_s=growth_s * math.log(stop_hz / (1.01 * to_hz)),
            **rest,
        )

    @property
    def _ratio(self) -> float:
        return self.stop_hz / self.start_hz

    @property
    def growth_s(self) -> float:
        """L, the time in which the frequency grows e-fold, rounded so that start_hz·L is whole (Novak eq. 49)."""
        return max(1, round(self.start_hz * self.duration_s / math.log(self._ratio))) / self.start_hz

    @property
    def frames(self) -> int:
        """Length in frames: L·ln(f2/f1)."""
        return math.floor(self.growth_s * math.log(self._ratio) * self.sample_rate_hz) + 1

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        return self.level_v_rms * SQRT2

    def frequency_at_s(self, time_s: float) -> float:
        """Return the instantaneous frequency at a time from the sweep's first frame."""
        return self.start_hz * math.exp(time_s / self.growth_s)

    def time_of_hz(self, frequency_hz: float) -> float:
        """Return the time from the first frame at which the sweep passes a frequency."""
        return self.growth_s * math.log(frequency_hz / self.start_hz)

    @property
    def full_from_hz(self) -> float:
        """Lowest frequency at full level (the end of the fade-in)."""
        return self.frequency_at_s(self.fade_in_s)

    @property
    def full_to_hz(self) -> float:
        """Highest frequency at full level (the beginning of the fade-out)."""
        return self.frequency_at_s(self.frames / self.sample_rate_hz - self.fade_out_s)

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return one channel's samples, (frames,), in volts; of a span of them alone where one is asked for."""
        span = range(self.frames) if span is None else span
        time_s = np.arange(span.start, span.stop) / self.sample_rate_hz
        periods = self.start_hz * self.growth_s * np.exp(time_s / self.growth_s)
        samples = self.level_v_rms * SQRT2 * np.sin(2.0 * np.pi * np.remainder(periods, 1.0))
        return np.asarray(samples * self.fades(span), dtype=np.float64)

    def fades(self, span: range | None = None) -> FloatArray:
        """Return the fade-in and fade-out, (frames,): 1 between them; of a span alone where one is asked for."""
        span = range(self.frames) if span is None else span
        both = np.ones(len(span))
        rise(both, round(self.fade_in_s * self.sample_rate_hz), span)
        fall(both, round(self.fade_out_s * self.sample_rate_hz), span, self.frames)
        return both

    def windows(self) -> tuple[Window, ...]:
        """Return the whole sweep as one part."""
        return (Window(start=0, stop=self.frames, level_v_rms=self.level_v_rms),)
