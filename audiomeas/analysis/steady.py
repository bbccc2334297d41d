"""Where a tone is steady: what of a capture made elsewhere can be analysed, silence and ramps at its ends left out."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

FloatArray = NDArray[np.float64]

#: A block must hold this many periods and this many seconds, so that its level is the tone's and not its phase.
_BLOCK_PERIODS = 4
#: Of a low tone that is short, half as many: the block's window has its first zero at the second harmonic then.
_LEAST_PERIODS = 2
_BLOCK_S = 0.002
#: A block belongs to the steady part when its level lies this near to the median (relative) …
_WITHIN = 0.01
#: … or, in noise, within this many standard deviations (by the median of absolute deviations).
_DEVIATIONS = 6.0
#: Fewer blocks than this leave nothing to compare.
_LEAST_BLOCKS = 8


def steady_span(signal: FloatArray, sample_rate_hz: float) -> tuple[int, int]:
    """Return (start, stop) of the part in which the strongest tone keeps its level; the whole when there is none.

    signal : (frames,), one channel.  Only the ends are cut: what happens in the middle is the capture's own.
    """
    whole = (0, len(signal))
    if len(signal) < 64 or not np.all(np.isfinite(signal)):
        return whole
    spectrum = np.abs(rfft(signal))
    top = 1 + int(np.argmax(spectrum[1:]))
    for periods in (_BLOCK_PERIODS, _LEAST_PERIODS):
        width = max(math.ceil(periods * len(signal) / top), math.ceil(_BLOCK_S * sample_rate_hz), 16)
        if len(signal) // width >= _LEAST_BLOCKS:
            break
    else:
        return whole
    level = _levels(signal, width, top / len(signal))
    steady = _near_plateau(level)
    if not np.any(steady):
        return whole
    first, last = int(np.argmax(steady)), len(steady) - 1 - int(np.argmax(steady[::-1]))
    # One block more, where the ramp still is; at the very ends of the capture there is none.
    start = 0 if first == 0 else (first + 1) * width
    stop = len(signal) if last == len(steady) - 1 else last * width
    return (start, stop) if stop - start >= _LEAST_BLOCKS * width // 2 else whole


def _levels(signal: FloatArray, width: int, cycles: float) -> FloatArray:
    """Return the tone's level in each block; the last block ends with the capture and may overlap the one before."""
    inside = np.arange(float(width))
    window = np.hanning(width)
    turning = window * np.exp(-2j * np.pi * np.remainder(cycles * inside, 1.0))
    columns = np.stack([turning.real, turning.imag], axis=1)
    blocks = len(signal) // width
    sums = signal[: blocks * width].reshape(blocks, width) @ columns
    sums = np.concatenate([sums, (signal[-width:] @ columns)[None, :]])
    return np.asarray(np.hypot(sums[:, 0], sums[:, 1]), dtype=np.float64)


def _near_plateau(level: FloatArray) -> NDArray[np.bool_]:
    loud = level[level > 0.5 * float(np.max(level))]
    plateau = float(np.median(loud))
    spread = 1.4826 * float(np.median(np.abs(loud - plateau)))
    # Silence and ramps at the ends must not widen what counts as near: at most a tenth.
    allowed = min(max(_WITHIN * plateau, _DEVIATIONS * spread), 0.1 * plateau)
    return np.asarray(np.abs(level - plateau) <= allowed, dtype=np.bool_)
