"""Oversampling for the non-linear stages: up, then down, in two linear-phase steps each.

A doubling with a steep filter (flat to 0.45 of the sample rate, more than 140 dB down from half the sample rate on:
nothing folds back, not even next to the band edge), then a wide step by a power of two with a short one. Up and down
together delay by a whole number of frames. Kaiser windows (Kaiser 1974; the length from Oppenheim and Schafer,
Discrete-Time Signal Processing, 7.5.3), designed for 145 dB; both steps both ways ripple by 2e-6 dB.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_ATTENUATION_DB = 145.0
#: Half length of the doubling filter, in frames at its low rate: Kaiser's length for 0.45 … 0.5 at 145 dB.
_STEEP_HALF_FRAMES = 96
#: The same for the wide step, whose transition is half of its low rate.
_WIDE_HALF_FRAMES = 10


def _taps(factor: int, half_frames: int, cutoff: float) -> FloatArray:
    """Return a low-pass at `factor` times the low rate. cutoff : the transition's middle over the low rate."""
    from scipy.signal.windows import kaiser

    beta = 0.1102 * (_ATTENUATION_DB - 8.7)
    length = 2 * factor * half_frames + 1
    positions = np.arange(length) - factor * half_frames
    taps = 2.0 * cutoff * np.sinc(2.0 * cutoff * positions / factor) * kaiser(length, beta)
    return np.asarray(taps / np.sum(taps), dtype=np.float64)


def _steep_taps() -> FloatArray:
    return _taps(2, _STEEP_HALF_FRAMES, 0.475)


def _wide_taps(factor: int) -> FloatArray:
    return _taps(factor, _WIDE_HALF_FRAMES, 0.5)


class _Doubler:
    """Twice the rate, steep filter. One convolution for the even, one for the odd samples."""

    def __init__(self) -> None:
        taps = 2.0 * _steep_taps()
        self._even, self._odd = taps[0::2], np.append(taps[1::2], 0.0)
        self._history: FloatArray = np.zeros(len(self._even) - 1)

    def process(self, samples: FloatArray) -> FloatArray:
        joined = np.concatenate([self._history, samples])
        self._history = joined[len(samples) :]
        doubled = np.empty(2 * len(samples))
        doubled[0::2] = np.convolve(joined, self._even, "valid")
        doubled[1::2] = np.convolve(joined, self._odd, "valid")
        return doubled


class _Halver:
    """Half the rate, steep filter."""

    def __init__(self) -> None:
        taps = _steep_taps()
        self._even, self._odd = taps[0::2], np.append(0.0, taps[1::2])
        self._history: FloatArray = np.zeros(2 * (len(self._even) - 1))

    def process(self, samples: FloatArray) -> FloatArray:
        joined = np.concatenate([self._history, samples])
        self._history = joined[len(samples) :]
        return np.convolve(joined[0::2], self._even, "valid") + np.convolve(joined[1::2], self._odd, "valid")


#: Rows of a matrix product at a time: stays in the cache, and below the size from which BLAS starts threads – which
#: cost more than they bring here.
_ROWS = 512


def _multiply(rows: FloatArray, matrix: FloatArray, product: FloatArray) -> None:
    for start in range(0, len(rows), _ROWS):
        np.dot(rows[start : start + _ROWS], matrix, out=product[start : start + _ROWS])


class _WideUp:
    """`factor` times the rate: each low-rate position times all phases of the filter, as one matrix product."""

    def __init__(self, factor: int) -> None:
        taps = factor * _wide_taps(factor)
        width = 2 * _WIDE_HALF_FRAMES + 1
        phases = np.append(taps, np.zeros(width * factor - len(taps))).reshape(width, factor)
        self._phases = np.ascontiguousarray(phases[::-1])
        self._history: FloatArray = np.zeros(width - 1)

    def process(self, samples: FloatArray) -> FloatArray:
        joined = np.concatenate([self._history, samples])
        self._history = joined[len(samples) :]
        width, factor = self._phases.shape
        step = joined.strides[0]
        windows = as_strided(joined, (len(samples), width), (step, step), writeable=False)
        raised = np.empty((len(samples), factor))
        _multiply(windows, self._phases, raised)
        return raised.reshape(len(samples) * factor)


class _WideDown:
    """1/`factor` of the rate: the transposed of `_WideUp`; the partial products are summed along diagonals."""

    def __init__(self, factor: int) -> None:
        taps = _wide_taps(factor)
        width = 2 * _WIDE_HALF_FRAMES + 1
        # Output n is Σ taps[m] · x[factor·n − m]; sample p of the block k blocks back meets tap m = factor·k − p.
        lags = factor * np.arange(width)[None, :] - np.arange(factor)[:, None]
        self._phases: FloatArray = np.where(lags >= 0, taps[np.maximum(lags, 0)], 0.0)
        self._history: FloatArray = np.zeros((width - 1, width))

    def process(self, samples: FloatArray) -> FloatArray:
        factor, width = self._phases.shape
        frames = len(samples) // factor
        products = np.empty((frames + width - 1, width))
        products[: width - 1] = self._history
        _multiply(samples.reshape(frames, factor), self._phases, products[width - 1 :])
        self._history = products[frames:].copy()
        row, item = products.strides
        diagonals = as_strided(products[width - 1 :], (frames, width), (row, item - row), writeable=False)
        return np.asarray(np.einsum("ij->i", diagonals), dtype=np.float64)


#: Non-linear stages run at no less than this rate.
INTERNAL_RATE_HZ = 1.4e6


def oversampling_factor(sample_rate_hz: float, internal_rate_hz: float = INTERNAL_RATE_HZ) -> int:
    """Return the power of two, at least 4, that lifts a sample rate to the internal rate."""
    factor = 4
    while factor * sample_rate_hz < internal_rate_hz:
        factor *= 2
    return factor


class Oversampler:
    """Up and down for one channel. factor : a power of two, at least 4."""

    #: Of up and down together, in frames at the low rate (the wide step's frames are half as long).
    delay_frames = 2 * _STEEP_HALF_FRAMES + _WIDE_HALF_FRAMES

    def __init__(self, factor: int) -> None:
        self.factor = factor
        self._doubler, self._wide_up = _Doubler(), _WideUp(factor // 2)
        self._wide_down, self._halver = _WideDown(factor // 2), _Halver()

    def up(self, samples: FloatArray) -> FloatArray:
        """Return (frames · factor,) of (frames,)."""
        return self._wide_up.process(self._doubler.process(samples))

    def down(self, samples: FloatArray) -> FloatArray:
        """Return (frames,) of (frames · factor,)."""
        return self._halver.process(self._wide_down.process(samples))
