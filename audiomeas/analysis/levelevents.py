"""Short departures and sudden changes in the level of a tone that a person turns: crackle, and jumps.

A hand is slow: what stands before and behind a moment brackets the level between. Crackle (a wiper that loses its
contact) leaves that bracket for some milliseconds; at a jump (a worn track, a step of a stepped control) the bracket
itself is wide.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from audiomeas.analysis.factors import DB_PER_NEPER

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Blocks before and behind whose median is the bracket, and the nearest ones that are left out: they overlap.
AROUND, BESIDE = 6, 2
#: Crackle leaves the bracket by more than this, in dB; a jump makes it wider than this …
CRACKLE_DB, JUMP_DB = 1.0, 3.0
#: … and by this many times what the hand does around it, in so many blocks.
_TIMES_USUAL, _USUAL_BLOCKS = 4.0, 51
#: Noise reaches this many of its standard deviations in none of 10,000 blocks (normal law: 6 in 5e8).
_SIGMAS = 6.0
#: The level is told from noise where it stands above it by this much (20 dB): below, noise itself crackles.
_CLEAR = 10.0
#: Blocks that stand no further apart are one event.
_ONE_EVENT = 12


def level_events(level_rms: FloatArray, noise_rms: FloatArray) -> tuple[list[int], list[int]]:
    """Return the blocks (middle of each event) of crackle and of jumps in a channel's level.

    level_rms, noise_rms : (blocks,), the level in short blocks that overlap by half, and the noise in it.
    """
    reach = AROUND + BESIDE
    if len(level_rms) <= 2 * reach:
        return [], []
    medians = np.median(sliding_window_view(level_rms, AROUND), axis=1)
    inside = slice(reach, len(level_rms) - reach)
    before, behind = medians[: -(reach + BESIDE + 1)], medians[reach + BESIDE + 1 :]
    own, noise = level_rms[inside], noise_rms[inside]
    low, high = np.minimum(before, behind), np.maximum(before, behind)
    clear = low > _CLEAR * noise
    safe_low = np.where(clear, low, 1.0)
    guard_db = _SIGMAS * DB_PER_NEPER * noise / (np.sqrt(2.0) * safe_low)
    wide_db = np.where(clear, 20.0 * np.log10(np.where(clear, high, 1.0) / safe_low), 0.0)
    away = 10.0 ** (np.maximum(CRACKLE_DB, guard_db) / 20.0)
    crackle = clear & ((own * away < low) | (own > high * away))
    usual_db = median_filter(wide_db, _USUAL_BLOCKS, mode="nearest")
    jump = clear & (wide_db > np.maximum(JUMP_DB, _TIMES_USUAL * usual_db) + guard_db)
    return _grouped(crackle, reach), _grouped(jump & ~_near(crackle), reach)


def _near(found: BoolArray) -> BoolArray:
    """Return where an event's own blocks spoil the bracket."""
    return np.convolve(found, np.ones(2 * (AROUND + BESIDE) + 1), mode="same") > 0.5


def _grouped(found: BoolArray, shift: int) -> list[int]:
    places = np.flatnonzero(found)
    if len(places) == 0:
        return []
    groups = np.split(places, np.flatnonzero(np.diff(places) > _ONE_EVENT) + 1)
    return [int(group[len(group) // 2]) + shift for group in groups]
