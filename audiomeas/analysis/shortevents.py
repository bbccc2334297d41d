"""Clicks in a steady tone: what sticks out of the rest in few samples, and does not come with every period."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Blocks hold whole periods and at least this many frames, so that distortion peaks alike in each.
_BLOCK_FRAMES = 256
_LEAST_BLOCKS = 8
#: An event exceeds the usual peak of a block by this much: 12 times the r.m.s. of noise, which never peaks so high.
_TIMES_USUAL = 4.0
#: More blocks than this part are no events, but what the signal is like.
_AT_MOST_PART = 0.25


@dataclass(frozen=True, kw_only=True)
class ShortEvents:
    """Events in a capture. frame, peak : of the largest, in the unit of the signal.   count : blocks that hold one."""

    count: int
    frame: int
    peak: float


def short_events(rest: FloatArray, cycles: float, *, least: float) -> ShortEvents | None:
    """Return the events in what a tone's fundamental leaves, or None.

    rest : (frames,).   cycles : of the tone, per frame.   least : smaller peaks are none.
    """
    width = round(math.ceil(_BLOCK_FRAMES * cycles) / cycles)
    blocks = len(rest) // width
    if blocks < _LEAST_BLOCKS:
        return None
    cut = rest[: blocks * width].reshape(blocks, width)
    peaks = np.maximum(np.max(cut, axis=1), -np.min(cut, axis=1))
    found = peaks > max(_TIMES_USUAL * float(np.median(peaks)), least)
    count = int(np.count_nonzero(found))
    if count == 0 or count > _AT_MOST_PART * blocks:
        return None
    at = int(np.argmax(peaks))
    return ShortEvents(count=count, frame=at * width + int(np.argmax(np.abs(cut[at]))), peak=float(peaks[at]))
