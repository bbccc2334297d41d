"""Several tones at once: two sines, a square with a sine, and a low-crest set of tones on each channel.

Levels are set by the peak, as the standards on intermodulation do: `level_v_rms` is the r.m.s. of the sine whose peak
equals the peak of the sum (IEC 60268-3; from memory). So a unit that passes a sine of that level passes these too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar, Self

import numpy as np

from audiomeas.stimulus.base import FloatArray, JsonFacts, Window, apply_ramps, checked_tone, turned_rad
from audiomeas.stimulus.sines import bin_centred_hz
from audiomeas.units import SQRT2

#: The square's harmonics end here (part of the sample rate): where converters still pass them.
SQUARE_EDGE = 0.46
#: Steps of one period at which the peak of the low-passed square is looked for.
_PEAK_STEPS = 1 << 14
#: So many harmonics are added at once: all of them, at a high rate, would fill the memory.
_LINES_AT_ONCE = 256
#: Of a square, its harmonics are the odd ones: a lower square takes minutes to make, and no ear hears it.
_MOST_HARMONICS = 1024


@dataclass(frozen=True, kw_only=True)
class Steady(JsonFacts):
    """What the stimuli of several tones share: ramp, settling, one window that is analysed, ramp."""

    level_v_rms: float
    sample_rate_hz: float
    window_s: float = 1.0
    settle_s: float = 0.2
    ramp_s: float = 0.02
    driven_channels: tuple[int, ...] = (1, 2)

    @property
    def window_frames(self) -> int:
        """Frames of the window that is analysed."""
        return round(self.window_s * self.sample_rate_hz)

    @property
    def _ramp_frames(self) -> int:
        return round(self.ramp_s * self.sample_rate_hz)

    @property
    def _lead_frames(self) -> int:
        return self._ramp_frames + round(self.settle_s * self.sample_rate_hz)

    @property
    def frames(self) -> int:
        """Length, ramps included."""
        return self._lead_frames + self.window_frames + self._ramp_frames

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        return self.level_v_rms * SQRT2

    def windows(self) -> tuple[Window, ...]:
        """Return the one steady part."""
        start = self._lead_frames
        return (Window(start=start, stop=start + self.window_frames, level_v_rms=self.level_v_rms),)

    def _turned_rad(self, frequency_hz: float, span: range) -> FloatArray:
        return turned_rad(frequency_hz, len(span), self.sample_rate_hz, from_frame=span.start)

    def _check_length(self) -> None:
        if self.window_frames < 64:
            raise ValueError("several tones need a longer window")


@dataclass(frozen=True, kw_only=True)
class TwinTone(Steady):
    """Two steady sines.

    low_hz, high_hz : as played (see `bin_centred`).  ratio : amplitude of the low one over that of the high one.
    level_v_rms : r.m.s. of the sine whose peak equals the peak of the sum, at the unit's input.
    """

    kind: ClassVar[str] = "twin-tone"

    low_hz: float
    high_hz: float
    ratio: float = 1.0

    def __post_init__(self) -> None:
        for frequency_hz in (self.low_hz, self.high_hz):
            checked_tone(frequency_hz, self.level_v_rms, self.sample_rate_hz)
        if not self.low_hz < self.high_hz:
            raise ValueError(f"the low tone ({self.low_hz:g} Hz) must lie below the high one ({self.high_hz:g} Hz)")
        if not (math.isfinite(self.ratio) and 0.01 <= self.ratio <= 100.0):
            raise ValueError(f"an amplitude ratio of {self.ratio:g} is not possible: use 0.01 to 100")
        self._check_length()

    @classmethod
    def bin_centred(
        cls, *, low_hz: float, high_hz: float, sample_rate_hz: float, window_s: float = 1.0, **rest: Any
    ) -> Self:
        """Make two sines whose frequencies are the nearest with whole periods in the window."""
        for frequency_hz in (low_hz, high_hz):
            checked_tone(frequency_hz, 1.0, sample_rate_hz)
        frames = round(window_s * sample_rate_hz)
        return cls(
            low_hz=bin_centred_hz(low_hz, frames, sample_rate_hz),
            high_hz=bin_centred_hz(high_hz, frames, sample_rate_hz),
            sample_rate_hz=sample_rate_hz,
            window_s=window_s,
            **rest,
        )

    @property
    def peaks_v(self) -> tuple[float, float]:
        """Peak of the low and of the high sine; their sum is `peak_v`."""
        return self.peak_v * self.ratio / (1.0 + self.ratio), self.peak_v / (1.0 + self.ratio)

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return one channel's samples, (frames,), in volts; of a span of them alone where one is asked for."""
        span = range(self.frames) if span is None else span
        low_v, high_v = self.peaks_v
        both = low_v * np.sin(self._turned_rad(self.low_hz, span))
        both += high_v * np.sin(self._turned_rad(self.high_hz, span))
        return apply_ramps(both, self._ramp_frames, span=span, frames=self.frames)


@dataclass(frozen=True, kw_only=True)
class SquarePlusSine(Steady):
    """A square wave through a first-order low-pass, plus a sine: for transient intermodulation.

    The square is its Fourier series up to `SQUARE_EDGE` of the sample rate, so that nothing folds back; each of its
    harmonics has the amplitude and the phase that the low-pass gives it.
    square_hz, sine_hz : as played.  low_pass_hz : corner.  ratio : peak-to-peak of the square (before the low-pass)
    over that of the sine.  level_v_rms : r.m.s. of the sine whose peak equals the peak of the sum.
    Source: IEC 60268-3 (from memory); E. Leinonen, M. Otala, J. Curl, J. Audio Eng. Soc. 25 (1977).
    """

    kind: ClassVar[str] = "square-and-sine"

    square_hz: float = 3150.0
    sine_hz: float = 15_000.0
    low_pass_hz: float = 30_000.0
    ratio: float = 4.0

    def __post_init__(self) -> None:
        for frequency_hz in (self.square_hz, self.sine_hz):
            checked_tone(frequency_hz, self.level_v_rms, self.sample_rate_hz)
        if not self.square_hz < self.sine_hz:
            raise ValueError("the square must lie below the sine")
        lowest_hz = SQUARE_EDGE * self.sample_rate_hz / (2.0 * _MOST_HARMONICS)
        if self.square_hz < lowest_hz:
            raise ValueError(
                f"a square wave of {self.square_hz:g} Hz has too many harmonics at {self.sample_rate_hz:g} Hz sample "
                f"rate: use {math.ceil(lowest_hz)} Hz or more"
            )
        if len(self._orders) < 2:
            raise ValueError(
                f"a square wave of {self.square_hz:g} Hz has no harmonics at {self.sample_rate_hz:g} Hz sample rate"
            )
        if not (math.isfinite(self.low_pass_hz) and self.low_pass_hz > 0):
            raise ValueError("a low-pass needs a corner above zero")
        if not (math.isfinite(self.ratio) and 0.01 <= self.ratio <= 100.0):
            raise ValueError(f"a ratio of {self.ratio:g} is not possible: use 0.01 to 100")
        self._check_length()

    @classmethod
    def bin_centred(
        cls,
        *,
        sample_rate_hz: float,
        square_hz: float = 3150.0,
        sine_hz: float = 15_000.0,
        window_s: float = 1.0,
        **rest: Any,
    ) -> Self:
        """Make square and sine of the nearest frequencies with whole periods in the window."""
        for frequency_hz in (square_hz, sine_hz):
            checked_tone(frequency_hz, 1.0, sample_rate_hz)
        frames = round(window_s * sample_rate_hz)
        return cls(
            square_hz=bin_centred_hz(square_hz, frames, sample_rate_hz),
            sine_hz=bin_centred_hz(sine_hz, frames, sample_rate_hz),
            sample_rate_hz=sample_rate_hz,
            window_s=window_s,
            **rest,
        )

    @property
    def _orders(self) -> FloatArray:
        return np.arange(1.0, SQUARE_EDGE * self.sample_rate_hz / self.square_hz, 2.0)

    @property
    def highest_hz(self) -> float:
        """Frequency of the square's highest harmonic."""
        return float(self._orders[-1]) * self.square_hz

    def square_lines(self) -> tuple[FloatArray, FloatArray]:
        """Return orders and complex amplitudes of the low-passed series (as of sines) of a square of ±1."""
        gain = 1.0 / (1.0 + 1j * self._orders * self.square_hz / self.low_pass_hz)
        return self._orders, np.asarray(4.0 / (np.pi * self._orders) * gain)

    def peaks_v(self) -> tuple[float, float]:
        """Return half the peak-to-peak of the square before the low-pass, and the peak of the sine."""
        return self._found_peaks_v

    @cached_property
    def _found_peaks_v(self) -> tuple[float, float]:
        orders, lines = self.square_lines()
        steps, square = np.arange(_PEAK_STEPS) / _PEAK_STEPS, np.zeros(_PEAK_STEPS)
        for first in range(0, len(orders), _LINES_AT_ONCE):
            part = slice(first, first + _LINES_AT_ONCE)
            turns = np.remainder(np.outer(steps, orders[part]), 1.0)
            square += np.imag(np.exp(2j * np.pi * turns) @ lines[part])
        square_peak = float(np.max(np.abs(square)))
        sine_v = self.peak_v / (self.ratio * square_peak + 1.0)
        return self.ratio * sine_v, sine_v

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return one channel's samples, (frames,), in volts; of a span of them alone where one is asked for."""
        span = range(self.frames) if span is None else span
        square_v, sine_v = self.peaks_v()
        samples = sine_v * np.sin(self._turned_rad(self.sine_hz, span))
        for order, line in zip(*self.square_lines(), strict=True):
            turned = self._turned_rad(order * self.square_hz, span)
            samples += square_v * abs(line) * np.sin(turned + np.angle(line))
        return apply_ramps(samples, self._ramp_frames, span=span, frames=self.frames)
