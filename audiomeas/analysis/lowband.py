"""The lowest part of a capture at a low rate, from blocks: what hum needs of it, in little memory."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, kaiser_beta, kaiserord, upfirdn

FloatArray = NDArray[np.float64]

#: Hz up to which nothing is lost, and the least rate that holds them with room for the filter's slope.
PASS_HZ, _LEAST_RATE_HZ = 1250.0, 3000.0
#: What would fold into the pass band is this much down, and the pass band is as flat: ±0.0001 dB.
_REJECTION_DB = 100.0


class LowBand:
    """Filters with a linear-phase FIR (Kaiser window) and keeps every n-th frame; the first and last few are lost.

    The output doesn't depend on how the capture is cut into blocks.
    """

    def __init__(self, sample_rate_hz: float, channels: int) -> None:
        """Begin a capture of `channels` at a rate in Hz."""
        self._every = max(1, math.floor(sample_rate_hz / _LEAST_RATE_HZ))
        self.rate_hz = sample_rate_hz / self._every
        self._taps = _taps(sample_rate_hz, self.rate_hz) if self._every > 1 else np.ones(1)
        self._held = np.empty((0, channels))

    def take(self, block: FloatArray) -> FloatArray:
        """Take (frames, channels); return what is complete at the low rate, (frames, channels)."""
        joined = np.concatenate([self._held, block])
        whole = (len(joined) - len(self._taps)) // self._every + 1
        if whole <= 0:
            self._held = joined
            return np.empty((0, joined.shape[1]))
        used = joined[: (whole - 1) * self._every + len(self._taps)]
        self._held = joined[whole * self._every :].copy()
        if self._every == 1:
            return used.copy()
        return self._filtered(used, whole)

    def _filtered(self, used: FloatArray, whole: int) -> FloatArray:
        # Zeros before the capture so that full overlap falls on a frame that is kept.
        lead = -(len(self._taps) - 1) % self._every
        padded = np.concatenate([np.zeros((used.shape[1], lead)), used.T], axis=1)
        first = (len(self._taps) - 1 + lead) // self._every
        kept = upfirdn(self._taps, padded, down=self._every, axis=-1)[:, first : first + whole]
        return np.ascontiguousarray(kept.T)


def _taps(sample_rate_hz: float, low_rate_hz: float) -> FloatArray:
    # Images of the stop band fall back above the pass band: it begins where they would reach into it.
    stop_hz = low_rate_hz - PASS_HZ
    count, _ = kaiserord(_REJECTION_DB, (stop_hz - PASS_HZ) / (sample_rate_hz / 2))
    window = ("kaiser", kaiser_beta(_REJECTION_DB))
    return np.asarray(firwin(count | 1, (stop_hz + PASS_HZ) / 2, window=window, fs=sample_rate_hz))
