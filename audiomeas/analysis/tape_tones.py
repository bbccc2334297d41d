"""Levels of a tone and of its harmonics as a tape plays them: wow and flutter belong to the tone, noise does not.

Power of all lines near the tone, of spectra that overlap by half (Hann), less what the noise beside it puts there.
Source of the method: P. Welch, IEEE Trans. Audio Electroacoust. AU-15 (1967), 70-73.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft

from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.analysis.flutter_course import half_width_of
from audiomeas.analysis.segments import hann
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: A spectrum is so long, or holds so many periods; so many of them at least are wanted, whatever that makes of it.
_SPECTRUM_S, _PERIODS, _LEAST_SPECTRA = 0.4, 20, 4
#: Lines within this of the tone are its own: flutter of bad machines, and the lobe of the window; as many again beside
#: them tell the noise.
NEAR, _NEAR_BINS = 0.02, 4
#: Median over mean of an average of k exponential powers: 1 - 1/(3k), about (the median of a gamma law).
_MEDIAN_SHARE = 1.0 / 3.0


@dataclass(frozen=True, kw_only=True)
class ToneLevel:
    """A tone's level, in the unit of the samples.

    rms : without noise; 0 where there is nothing but noise.   half_width : of it, 95 %, the same unit.
    noise_rms : of the noise that was among its lines.   most_rms : what it may be at most, with 95 %.
    """

    frequency_hz: float
    rms: float
    half_width: float
    noise_rms: float
    most_rms: float

    @property
    def heard(self) -> bool:
        """Whether the tone stands out of its noise."""
        return self.rms > self.half_width


def tone_levels(
    samples: FloatArray, sample_rate_hz: float, near_hz: float, *, orders: Sequence[int] = (1,)
) -> tuple[ToneLevel, ...]:
    """Return the level of a tone, and of multiples of it. Those beyond the capture's band are left out.

    samples : (frames,).   near_hz : within 2 %.   orders : of the multiples.   Raises SignalError: too short a piece.
    """
    powers, bin_hz = _spectra(samples, sample_rate_hz, near_hz)
    found_hz = _refined(np.mean(powers, axis=0), bin_hz, near_hz)
    told = []
    for order in orders:
        near = _band(found_hz * order, bin_hz)
        if near[1] + (near[1] - near[0]) < powers.shape[1]:
            told.append(_level(powers, near, found_hz * order))
    return tuple(told)


def _spectra(samples: FloatArray, rate_hz: float, near_hz: float) -> tuple[FloatArray, float]:
    """Return the power of each line in each spectrum, (spectra, lines), and the lines' distance."""
    frames = len(samples)
    wished = min(max(_SPECTRUM_S, _PERIODS / near_hz) * rate_hz, 2.0 * frames / (_LEAST_SPECTRA + 1))
    size = next_fast_len(int(wished), real=True)
    size = size if 2 * size <= frames else int(wished)
    if size * near_hz < 2 * _NEAR_BINS * rate_hz:
        raise SignalError(f"{frames / rate_hz:.2f} s of {near_hz:.4g} Hz are too short: play each tone for 2 s or more")
    window = hann(size)
    starts = range(0, frames - size + 1, size // 2)
    # A sine of r.m.s. V puts V²·N·Σw²/2 into its lines (Parseval, one side).
    scale = 2.0 / (size * float(np.sum(window**2)))
    powers = [np.square(np.abs(np.asarray(rfft(samples[start : start + size] * window)))) * scale for start in starts]
    return np.array(powers), rate_hz / size


def _band(hz: float, bin_hz: float) -> tuple[int, int]:
    """Return the first line near a frequency, and the one behind the last."""
    width = max(NEAR * hz / bin_hz, _NEAR_BINS)
    return max(1, math.ceil(hz / bin_hz - width)), math.floor(hz / bin_hz + width) + 1


def _refined(power: FloatArray, bin_hz: float, near_hz: float) -> float:
    """Return the middle of the power near a frequency, twice looked at, so that an edge cuts nothing off."""
    hz = near_hz
    for _ in range(2):
        low, high = _band(hz, bin_hz)
        own = power[low:high]
        whole = float(np.sum(own))
        if not whole > 0.0:
            return hz
        hz = float(np.dot(np.arange(low, low + len(own)), own)) / whole * bin_hz
    return hz


def _level(powers: FloatArray, near: tuple[int, int], hz: float) -> ToneLevel:
    low, high = near
    count = high - low
    beside = np.concatenate([powers[:, max(1, low - count) : low], powers[:, high : high + count]], axis=1)
    mean = np.mean(beside, axis=0)
    spectra = len(powers)
    # Spectra that overlap by half count as about so many that don't (Welch 1967).
    independent = max(1.0, 0.5 * (spectra + 1))
    line = float(np.median(mean)) / (1.0 - _MEDIAN_SHARE / independent)
    noise = line * count
    each = np.sum(powers[:, low:high], axis=1)
    own = float(np.mean(each)) - noise
    chance = TWO_SIDED_95 * line * math.sqrt(2.0 * count / independent)
    half = math.hypot(half_width_of(each[::2]), chance)
    rms = math.sqrt(max(own, 0.0))
    most = math.sqrt(max(own, 0.0) + half)
    return ToneLevel(
        frequency_hz=hz,
        rms=rms,
        half_width=most - rms if own > half else most,
        noise_rms=math.sqrt(noise),
        most_rms=most,
    )
