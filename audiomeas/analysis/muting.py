"""When a circuit that mutes closes: the course of noise in silence, against the noise that it does not mute."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: The course is read in parts of so many seconds: 50 values of noise in 500 Hz and more.
_PART_S = 0.05
#: Noise that has not fallen to this part was not muted.
_CLOSED = 0.7


def falls_after_s(signal: FloatArray, sample_rate_hz: float, open_rms: float) -> float | None:
    """Return after how many seconds noise falls for good below half of what it was, in dB; to 0.05 s.

    signal : (frames,), one channel in silence, DC and all.   open_rms : of the noise before the mute closes, in the
    same unit.   Returns 0 when it lies below from the first, None when it does not fall.
    """
    frames = max(round(_PART_S * sample_rate_hz), 2)
    parts = signal[: len(signal) // frames * frames].reshape(-1, frames)
    if len(parts) < 2:
        return None
    levels = np.std(parts, axis=1)
    closed = float(np.median(levels[len(levels) // 2 :]))
    if closed > _CLOSED * open_rms:
        return None
    between = math.sqrt(max(closed, open_rms * 1e-6) * open_rms)
    (above,) = np.nonzero(levels > between)
    if not len(above):
        return 0.0
    return None if above[-1] == len(levels) - 1 else float((above[-1] + 1) * frames / sample_rate_hz)
