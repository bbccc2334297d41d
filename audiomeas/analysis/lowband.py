"""The lowest part of a capture at a low rate, from blocks: what hum needs of it, in little memory."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, kaiser_beta, kaiserord

FloatArray = NDArray[np.float64]

#: Hz up to which nothing is lost, and the least rate that holds them with room for the filter's slope.
PASS_HZ, _LEAST_RATE_HZ = 1250.0, 3000.0
#: What would fold into the pass band is this much down, and the pass band is as flat: ±0.0001 dB.
_REJECTION_DB = 100.0


class LowBand:
    """Filters with a linear-phase FIR (Kaiser window) and keeps every n-th frame; the first and last few are lost.

    The output doesn't depend on how the capture is cut into blocks, but for rounding.
    """

    def __init__(self, sample_rate_hz: float, channels: int) -> None:
        """Begin a capture of `channels` at a rate in Hz."""
        self._every = max(1, math.floor(sample_rate_hz / _LEAST_RATE_HZ))
        self.rate_hz = sample_rate_hz / self._every
        taps = _taps(sample_rate_hz, self.rate_hz) if self._every > 1 else np.ones(1)
        self._length = len(taps)
        self._parts = np.pad(taps, (0, -len(taps) % self._every)).reshape(-1, self._every).T
        self._held = np.empty((channels, 0))

    def take(self, block: FloatArray) -> FloatArray:
        """Take (frames, channels); return what is complete at the low rate, (frames, channels)."""
        joined = np.concatenate([self._held, block.T], axis=1)
        whole = (joined.shape[1] - self._length) // self._every + 1
        if whole <= 0:
            self._held = joined
            return np.empty((0, len(joined)))
        self._held = joined[:, whole * self._every :].copy()
        if self._every == 1:
            return joined.T
        return np.stack([self._filtered(channel, whole) for channel in joined], axis=1)

    def _filtered(self, samples: FloatArray, whole: int) -> FloatArray:
        """Return the frames that are kept of one channel, (whole,).

        One matrix product takes every stretch between two kept frames through every part of the taps that may meet
        it: many times as quick as a filter's loop.
        """
        parts = self._parts.shape[1]
        rows = whole + parts - 1
        missing = max(0, rows * self._every - len(samples))  # these meet the zeros behind the last tap
        used = np.pad(samples, (0, missing)) if missing else samples[: rows * self._every]
        products = used.reshape(rows, self._every) @ self._parts
        kept = products[:whole, 0].copy()
        for part in range(1, parts):
            kept += products[part : part + whole, part]
        return kept


def _taps(sample_rate_hz: float, low_rate_hz: float) -> FloatArray:
    # Images of the stop band fall back above the pass band: it begins where they would reach into it.
    stop_hz = low_rate_hz - PASS_HZ
    count, _ = kaiserord(_REJECTION_DB, (stop_hz - PASS_HZ) / (sample_rate_hz / 2))
    window = ("kaiser", kaiser_beta(_REJECTION_DB))
    return np.asarray(firwin(count | 1, (stop_hz + PASS_HZ) / 2, window=window, fs=sample_rate_hz))
