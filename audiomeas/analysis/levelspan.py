"""Where a signal of several tones keeps its level: what of a capture made elsewhere can be analysed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Blocks of this length, so that the beats of tones 50 Hz apart and more average out under the block's window.
BLOCK_S = 0.1
#: A block belongs to the steady part when its level lies this near to the median (relative) …
_WITHIN = 0.02
#: … or within this many standard deviations of the blocks (by the median of absolute deviations) …
_DEVIATIONS = 6.0
#: … but never further away than this: what falls to half is a fade.
_AT_MOST = 0.5
_LEAST_BLOCKS = 4


def level_span(signal: FloatArray, sample_rate_hz: float, *, block_s: float = BLOCK_S) -> tuple[int, int]:
    """Return (start, stop) of the part in which a signal keeps its r.m.s. level; the whole when it is too short.

    signal : (frames,), one channel.  Only the ends are cut (silence, ramps, fades), and one block more at each.
    """
    width = round(block_s * sample_rate_hz)
    blocks = len(signal) // max(width, 1)
    if blocks < 2 * _LEAST_BLOCKS or not np.all(np.isfinite(signal)):
        return 0, len(signal)
    level = np.sqrt(np.square(signal[: blocks * width]).reshape(blocks, width) @ np.hanning(width))
    if not float(np.max(level)) > 0.0:
        return 0, len(signal)
    loud = level[level > 0.5 * float(np.max(level))]
    plateau = float(np.median(loud))
    spread = 1.4826 * float(np.median(np.abs(loud - plateau)))
    allowed = min(max(_WITHIN * plateau, _DEVIATIONS * spread), _AT_MOST * plateau)
    steady = np.flatnonzero(np.abs(level - plateau) <= allowed)
    if len(steady) < _LEAST_BLOCKS:
        return 0, len(signal)
    first, last = int(steady[0]), int(steady[-1])
    start = 0 if first == 0 else (first + 1) * width
    # The rest behind the last whole block may hold anything: it is not looked at.
    stop = blocks * width if last == blocks - 1 else last * width
    return (start, stop) if stop - start >= _LEAST_BLOCKS * width // 2 else (0, len(signal))
