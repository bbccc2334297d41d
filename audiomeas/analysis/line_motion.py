"""Whether a line of a modulation keeps its rate: a reel turns faster or slower as its tape runs, all else does not.

The line is followed from the middle of the course to both ends, from one short stretch to the next, by the highest
peak of each stretch's spectrum that is near the last one (Hann window, a parabola through the logarithms of three bins:
J. Smith and X. Serra, PARSHL, 1987).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Length of a stretch, and how many there must be.
_STRETCH_S, _LEAST_STRETCHES = 40.0, 4
#: From one stretch to the next a reel's rate changes by less (common practice: it doubles in half an hour).
_NEAR = 0.08
#: A peak has so many times the median power of its surroundings, which reach so far, in parts of its rate.
_OVER_MEDIAN, _AROUND = 30.0, 0.5
#: The window's lobe reaches so many bins to each side.
_LOBE = 2
#: Steady wheels wander by less than this, and peaks of short stretches by less than so many bins.
_LEAST_CHANGE, _LEAST_BINS = 0.02, 0.35


@dataclass(frozen=True, kw_only=True)
class LineMotion:
    """The rate of a line where it was first and last followed, in Hz. moves : farther than any steady wheel's."""

    begin_hz: float
    end_hz: float
    moves: bool


def line_motion(deviation: FloatArray, rate_hz: float, near_hz: float) -> LineMotion | None:
    """Return how a line's rate goes. deviation : (moments,), of a frequency.  near_hz : of the line.

    Returns None where the course is too short, or the line can't be followed.
    """
    count = int(len(deviation) / (_STRETCH_S * rate_hz))
    if count < _LEAST_STRETCHES or near_hz * _STRETCH_S < 4 * _LOBE:
        return None
    stretches = np.array_split(deviation, count)
    middle = count // 2
    start = _peak_hz(stretches[middle], rate_hz, near_hz)
    if start is None:
        return None
    end_hz, begin_hz = (
        _followed(part, rate_hz, start) for part in (stretches[middle + 1 :], stretches[middle - 1 :: -1])
    )
    change_hz = abs(end_hz - begin_hz)
    moves = change_hz > max(_LEAST_CHANGE * start, _LEAST_BINS / _STRETCH_S)
    return LineMotion(begin_hz=begin_hz, end_hz=end_hz, moves=moves)


def _followed(stretches: Iterable[FloatArray], rate_hz: float, from_hz: float) -> float:
    for stretch in stretches:
        found = _peak_hz(stretch, rate_hz, from_hz)
        if found is None:
            break
        from_hz = found
    return from_hz


def _peak_hz(stretch: FloatArray, rate_hz: float, near_hz: float) -> float | None:
    size = len(stretch)
    power = np.square(np.abs(np.fft.rfft((stretch - np.mean(stretch)) * np.hanning(size + 1)[:-1])))
    bin_hz = rate_hz / size
    reach = max(_NEAR * near_hz / bin_hz, 1.0)
    low, high = math.ceil(near_hz / bin_hz - reach), math.floor(near_hz / bin_hz + reach)
    low, high = max(low, 1), min(high, len(power) - 2)
    if high < low:
        return None
    top = low + int(np.argmax(power[low : high + 1]))
    around = np.abs(np.arange(len(power)) * bin_hz - near_hz) <= _AROUND * near_hz
    around[max(0, top - _LOBE) : top + _LOBE + 1] = False
    if not power[top] > _OVER_MEDIAN * float(np.median(power[around])):
        return None
    left, here, right = np.log(np.maximum(power[top - 1 : top + 2], 1e-300))
    bend = left - 2.0 * here + right
    shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    return float((top + np.clip(shift, -0.5, 0.5)) * bin_hz)
