"""Where a known waveform stands in a capture, to a fraction of a frame, and with which sign.

Matched filter: the cross-correlation of a capture with a chirp peaks at the delay; for white noise no linear method
does better (North 1943, reprinted Proc. IEEE 51, 1963, 'An analysis of the factors which determine signal/noise
discrimination in pulsed-carrier systems').
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Found:
    """A waveform found in a capture.

    frame : of its first sample, to a fraction of a frame.  gain : signed ratio of found to sought amplitude.
    similarity : normalised correlation there, 0 to 1 (1: the same waveform and nothing else).
    clarity : the peak against the largest correlation elsewhere.
    """

    frame: float
    gain: float
    similarity: float
    clarity: float

    @property
    def certain(self) -> bool:
        """The waveform is there: it stands clear of everything else, or resembles what was sought."""
        return self.clarity > 2.0 or (self.clarity > 1.3 and self.similarity > 0.5)


def find(signal: FloatArray, wanted: FloatArray) -> Found:
    """Find a waveform in a signal.

    signal : (frames,), at least as long as `wanted`, finite.   wanted : (frames,).
    Returns the best place even when it is a poor one: ask `Found.certain`. Raises ValueError when too short.
    """
    if len(signal) < len(wanted):
        raise ValueError("the signal is shorter than what is sought in it")
    correlation = _correlation(signal, wanted)
    best = int(np.argmax(np.abs(correlation)))
    energy = float(np.dot(wanted, wanted))
    part = signal[best : best + len(wanted)]
    norm = float(np.sqrt(np.dot(part, part) * energy))
    elsewhere = np.abs(correlation).copy()
    # The correlation of a chirp with itself is narrow; a tenth of its length holds the main peak and its skirts, also
    # when the unit disperses it.
    apart = max(8, len(wanted) // 10)
    elsewhere[max(0, best - apart) : best + apart + 1] = 0.0
    rest = float(np.max(elsewhere))
    peak = float(correlation[best])
    return Found(
        frame=best + _between(np.abs(correlation), best),
        gain=peak / energy,
        similarity=abs(peak) / norm if norm > 0 else 0.0,
        clarity=abs(peak) / rest if rest > 0 else (float("inf") if peak else 0.0),
    )


def _correlation(signal: FloatArray, wanted: FloatArray) -> FloatArray:
    """Return Σ signal[n + place]·wanted[n] at every place where `wanted` fits, by transforms that hold both.

    scipy.signal does the same, bit for bit, but loading it takes as long as all the rest of a command.
    """
    points = next_fast_len(len(signal) + len(wanted) - 1, real=True)
    whole = irfft(rfft(signal, points) * rfft(wanted[::-1], points), points)
    return np.asarray(whole[len(wanted) - 1 : len(signal)])


def _between(values: FloatArray, best: int) -> float:
    """Return the offset of a peak between samples, −0.5 … 0.5, by a parabola through three values."""
    if not 0 < best < len(values) - 1:
        return 0.0
    before, at, after = (float(v) for v in values[best - 1 : best + 2])
    curvature = before - 2.0 * at + after
    return 0.0 if curvature >= 0 else float(np.clip(0.5 * (before - after) / curvature, -0.5, 0.5))
