"""Tones whose frequencies are known: their amplitudes by least squares, and what is left without them.

IEEE Std 1057 (clause on the three-parameter sine fit): with the frequency known, the fit is linear and needs no start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class KnownTones:
    """amplitudes : complex peak values, one per frequency, phase from the first frame.  residual : what is left."""

    amplitudes: tuple[complex, ...]
    residual: FloatArray

    def standard_uncertainty(self) -> float:
        """Return that of each amplitude (peak), by the residual as white noise: σ·√(2/N)."""
        return float(np.sqrt(2.0 * np.mean(np.square(self.residual)) / len(self.residual)))


def fit_known_tones(signal: FloatArray, sample_rate_hz: float, frequencies_hz: tuple[float, ...]) -> KnownTones:
    """Fit a constant and tones of known frequencies.

    signal : (frames,), any unit; more frames than twice the tones.  Raises ValueError when shorter.
    """
    if len(signal) <= 2 * len(frequencies_hz) + 1:
        raise ValueError(f"{len(signal)} frames are too few for {len(frequencies_hz)} tones")
    turn = 2.0 * np.pi / sample_rate_hz * np.arange(len(signal))
    columns = [np.ones(len(signal))]
    for frequency_hz in frequencies_hz:
        columns += [np.cos(turn * frequency_hz), np.sin(turn * frequency_hz)]
    matrix = np.stack(columns, axis=1)
    # Tones more than a few periods apart in the window are nearly orthogonal: the normal equations lose nothing.
    found = np.linalg.solve(matrix.T @ matrix, matrix.T @ signal)
    amplitudes = tuple(complex(found[1 + 2 * n], -found[2 + 2 * n]) for n in range(len(frequencies_hz)))
    return KnownTones(amplitudes=amplitudes, residual=signal - matrix @ found)


def band_rms(signal: FloatArray, sample_rate_hz: float, *, low_hz: float, high_hz: float) -> float:
    """Return the r.m.s. of a signal, (frames,), within a band, by a Hann-windowed transform (power kept for noise)."""
    window = np.hanning(len(signal))
    spectrum = np.fft.rfft(signal * window)
    frequency_hz = np.fft.rfftfreq(len(signal), 1.0 / sample_rate_hz)
    within = (frequency_hz >= low_hz) & (frequency_hz <= min(high_hz, 0.4999 * sample_rate_hz))
    power = 2.0 * float(np.sum(np.abs(spectrum[within]) ** 2)) / (len(signal) * float(np.sum(window**2)))
    return float(np.sqrt(power))


def strongest_hz(signal: FloatArray, sample_rate_hz: float, *, low_hz: float, high_hz: float) -> float:
    """Return where the spectrum of a signal, (frames,), is largest within a band, to one bin."""
    spectrum = np.abs(np.fft.rfft(signal * np.hanning(len(signal))))
    frequency_hz = np.fft.rfftfreq(len(signal), 1.0 / sample_rate_hz)
    spectrum[(frequency_hz < low_hz) | (frequency_hz > high_hz)] = 0.0
    return float(frequency_hz[int(np.argmax(spectrum))])
