"""The floor under the lines of an averaged power spectrum: medians of pieces, wide where the spectrum is wide."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

#: A piece is this part of its frequency wide, so that a slope matters little …
_PART = 0.25
#: … but has at least, and at most, this many bins.
_FEWEST, _MOST = 8, 512
#: Bins at 0 that belong to DC.
_FIRST = 2
#: Towards 0 noise rises with 1/f² at most (a random walk); a steeper slope of the first pieces is a line's skirt.
_STEEPEST = -2.0


def piece_edges(size: int) -> IntArray:
    """Return where the pieces begin, and behind the last, where it ends: from bin 2 to `size`."""
    edges = [_FIRST]
    while edges[-1] < size:
        width = int(min(max(_FEWEST, _PART * edges[-1]), _MOST))
        edges.append(size if size - edges[-1] < 2 * width else edges[-1] + width)
    return np.asarray(edges, dtype=np.intp)


def piece_medians(power: FloatArray, edges: IntArray) -> FloatArray:
    """Return the median of each piece, (pieces,): the upper one of two, which is quick."""
    medians = np.empty(len(edges) - 1)
    at = 0
    # Neighbours of one width are sorted out together: most pieces are of the largest.
    for width, group in itertools.groupby(np.diff(edges).tolist()):
        count = len(list(group))
        pieces = power[edges[at] : edges[at + count]].reshape(count, width)
        medians[at : at + count] = np.partition(pieces, width // 2, axis=1)[:, width // 2]
        at += count
    return medians


def piece_centres(edges: IntArray) -> FloatArray:
    """Return the middle of each piece, in bins."""
    return np.asarray((edges[:-1] + edges[1:] - 1) / 2.0)


def median_of_average(averages: float) -> float:
    """Return the median of a mean of so many exponential values of mean 1 (a gamma law)."""
    return float(gammaincinv(averages, 0.5)) / averages


def floor_under(power: FloatArray, averages: float) -> FloatArray:
    """Return the mean that noise has around each bin, (bins,), lines left out.

    power : (bins,), not negative.   averages : of the spectrum; tells how far its median lies below its mean.
    """
    edges = piece_edges(len(power))
    level = piece_medians(power, edges) / median_of_average(averages)
    bins, centres = np.arange(len(power)), piece_centres(edges)
    if not bool(np.all(level > 0)):
        return np.asarray(np.interp(bins, centres, level))
    # Straight in log-log: where noise rises towards 0 (1/f), so does its floor; beyond the outer centres the slope
    # of the first two goes on, as far as it is one of noise.
    places, values = np.log(centres), np.log(level)
    slope = max((values[1] - values[0]) / (places[1] - places[0]), _STEEPEST) if len(values) > 1 else 0.0
    x = np.log(np.maximum(bins, 1))
    inside = np.interp(x, places, values)
    return np.asarray(np.exp(np.where(x < places[0], values[0] + slope * (x - places[0]), inside)))
