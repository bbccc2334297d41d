"""Weighting and bands of wow and flutter, exact functions of the modulation's frequency.

The weighting is a table in the standards, not a network: here it passes through all of its points, by the cubic that
does not overshoot (Fritsch and Carlson, SIAM J. Numer. Anal. 17, 1980) over log frequency, and goes on straight beyond
its ends. The table gives no phase: the weighting has the minimum phase of its gain, as every meter's network (by the
cepstrum; A. Oppenheim and R. Schafer, Discrete-Time Signal Processing, 1989, chapter 12).
Source of the table: IEC 60386 (1972, Amendment 1 1988) = AES6-2008 = DIN 45507, from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq
from scipy.interpolate import PchipInterpolator

FloatArray = NDArray[np.float64]
#: A shaped course: 24 bits of each deviation's own size are plenty.
FineArray = NDArray[np.float32]
ComplexArray = NDArray[np.complex128]

#: Frequency of the modulation in Hz, and weight in dB.
_TABLE = (
    (0.1, -48.0), (0.2, -30.6), (0.315, -19.7), (0.4, -15.0), (0.63, -8.4), (0.8, -6.0), (1.0, -4.2), (1.6, -1.8),
    (2.0, -0.9), (4.0, 0.0), (6.3, -0.9), (10.0, -2.1), (20.0, -5.9), (40.0, -10.4), (63.0, -14.2), (100.0, -17.3),
    (200.0, -23.0),
)  # fmt: skip
#: Beyond its ends: that of the high-pass of third order and the low-pass of first that it looks like.
_SLOPES_DB_PER_DECADE = (60.0, -20.0)
#: Ends of the bands in Hz: of all modulation, of NAB's, and where wow and flutter part (common practice).
LOW_HZ, NAB_LOW_HZ, PARTING_HZ, HIGH_HZ = 0.1, 0.5, 6.0, 200.0
#: Where each end falls, from nothing to all: outside of what is to be flat, and half the power at the parting.
_FALLS_HZ = {LOW_HZ: (0.035, 0.07), NAB_LOW_HZ: (0.25, 0.5), PARTING_HZ: (5.7, 6.3), HIGH_HZ: (200.0, 220.0)}
#: Nothing is wanted of a course above.
WANTED_HZ = _FALLS_HZ[HIGH_HZ][1]
#: A course goes on beyond its ends for so long, mirrored, so that the filters find no step there.
_MIRRORED_S = 30.0
#: A shaped course has so many times the moments: 200 Hz then meets all phases closely enough for peaks and quantiles.
FINER = 8
#: Silence behind that, in which the weighting's answer dies.
_TAIL_S = 20.0
#: Least gain that the logarithm of the cepstrum takes.
_LEAST_GAIN = 1e-12


def weight_db(frequency_hz: FloatArray) -> FloatArray:
    """Return the weighting in dB re 4 Hz, any shape. frequency_hz : above 0."""
    place = np.log10(np.asarray(frequency_hz, dtype=np.float64))
    knots = np.log10([hz for hz, _ in _TABLE])
    within = _curve()(np.clip(place, knots[0], knots[-1]))
    low, high = _SLOPES_DB_PER_DECADE
    below, above = np.minimum(place - knots[0], 0.0), np.maximum(place - knots[-1], 0.0)
    return np.asarray(within + low * below + high * above)


@lru_cache(maxsize=1)
def _curve() -> PchipInterpolator:
    return PchipInterpolator(np.log10([hz for hz, _ in _TABLE]), [db for _, db in _TABLE])


def band_gain(frequency_hz: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """Return the gain of a band, any shape: 1 inside, cosine edges. low_hz, high_hz : two of the ends above.

    The ends of the whole range pass in full and fall outside; at the parting, wow and flutter have half the power each.
    """
    hz = np.asarray(frequency_hz, dtype=np.float64)
    low, high = _FALLS_HZ[low_hz], _FALLS_HZ[high_hz]
    return np.asarray(_risen(hz, *low) * np.sqrt(1.0 - _risen(hz, *high) ** 2))


def _risen(hz: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """Return a quarter sine from 0 to 1: with the other half of a parting, powers add up to 1."""
    part = np.clip((hz - low_hz) / (high_hz - low_hz), 0.0, 1.0)
    return np.asarray(np.sin(0.5 * np.pi * part))


class Shaped:
    """A course of deviations whose parts by frequency are wanted several times: one transform serves all."""

    def __init__(self, deviation: FloatArray, rate_hz: float, undo: Callable[[FloatArray], FloatArray]) -> None:
        """Take a course.

        deviation : (moments,).  undo : frequency in Hz → gain that the course has passed already, and that is divided
        out (up to the end of all bands, where it is not small).
        """
        self._moments, mirrored = len(deviation), min(len(deviation) - 1, round(_MIRRORED_S * rate_hz))
        self._before = mirrored
        fade = _risen(np.arange(mirrored, dtype=np.float64), 0.0, 0.5 * max(mirrored, 1)) ** 2
        before, behind = deviation[mirrored:0:-1] * fade, deviation[-2 : -mirrored - 2 : -1] * fade[::-1]
        joined = np.concatenate([before, deviation, behind])
        self._size = next_fast_len(len(joined) + round(_TAIL_S * rate_hz), real=True)
        self._hz = rfftfreq(self._size, 1.0 / rate_hz)
        self._spectrum: ComplexArray = np.asarray(rfft(joined, self._size), dtype=np.complex128)
        kept = self._hz <= WANTED_HZ
        self._spectrum[~kept] = 0.0
        self._spectrum[kept] /= undo(self._hz[kept])

    def band(self, low_hz: float, high_hz: float) -> FineArray:
        """Return the course in a band, (FINER · moments,), without delay."""
        return self._cut(self._spectrum * band_gain(self._hz, low_hz, high_hz))

    def weighted(self) -> FineArray:
        """Return the weighted course, (FINER · moments,)."""
        hz = self._hz.copy()
        hz[0] = 0.5 * hz[1]
        return self._cut(self._spectrum * minimum_phase(10.0 ** (weight_db(hz) / 20.0), self._size))

    def plain(self) -> FloatArray:
        """Return the whole band's course as it came, (moments,)."""
        made = irfft(self._spectrum * band_gain(self._hz, LOW_HZ, HIGH_HZ), self._size)
        return np.asarray(made[self._before : self._before + self._moments], dtype=np.float64)

    def _cut(self, spectrum: ComplexArray) -> FineArray:
        # One shift after the other, kept in half the memory: a whole side in one transform would take a gigabyte.
        fine = np.empty((self._moments, FINER), dtype=np.float32)
        step = np.exp(2j * np.pi / (FINER * self._size) * np.arange(len(spectrum)))
        shifted = spectrum.copy()
        for part in range(FINER):
            fine[:, part] = irfft(shifted, self._size)[self._before : self._before + self._moments]
            shifted *= step
        return fine.ravel()


def minimum_phase(gain: FloatArray, size: int) -> ComplexArray:
    """Return a gain with the phase that the causal filter of least delay has. gain : (size//2 + 1,), above 0."""
    log_gain = np.log(np.maximum(gain, _LEAST_GAIN))
    cepstrum = irfft(log_gain, size)
    half = (size + 1) // 2
    cepstrum[1:half] *= 2.0
    cepstrum[size // 2 + 1 :] = 0.0
    return np.asarray(np.exp(rfft(cepstrum, size)))
