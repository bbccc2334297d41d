"""Ringing behind an edge: one damped oscillation, by least squares over its later course.

A pole that rings is the same in every part of a wave that repeats, and behind any smoothing that has ended: so its
frequency and its decay are those of the unit, while its size is that within the band.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

FloatArray = NDArray[np.float64]

#: Smaller than this part of the step it is none: what is left of the step's smoothing is 0.2 %.
_LEAST = 0.01
#: … and it swings back by at least this part of that.
_LEAST_BACK = 0.25
#: The oscillation makes at least this part of the power that is looked at; else something else is there.
_LEAST_SHARE = 0.9
#: It has at least so many periods in what is looked at, and dies down by at least this factor's logarithm in it.
_LEAST_PERIODS = 1.5
#: Points that are fitted: more tell no more, since the course is known from its lines.
_POINTS = 200


#: The fit begins at each of these, and the best is taken.
_QUALITIES = (1.0, 4.0, 16.0)
#: A fit that is one is found in fewer rounds.
_MOST_ROUNDS = 40


@dataclass(frozen=True, kw_only=True)
class Ringing:
    """A damped oscillation: exp(−decay_per_s·t)·(cosine·cos(2π·frequency_hz·t) + sine·sin(…)), t from `from_s` on.

    frequency_hz : as it oscillates.  decay_per_s : above zero.  cosine, sine : in parts of the step.  from_s : where
    what was looked at begins, in seconds behind the edge.
    """

    frequency_hz: float
    decay_per_s: float
    cosine: float
    sine: float
    from_s: float

    def at(self, time_s: FloatArray) -> FloatArray:
        """Return its course at times behind the edge, in parts of the step."""
        time_s = time_s - self.from_s
        turn = 2.0 * np.pi * self.frequency_hz * time_s
        return np.asarray(np.exp(-self.decay_per_s * time_s) * (self.cosine * np.cos(turn) + self.sine * np.sin(turn)))

    @property
    def q(self) -> float:
        """Quality of the pair of poles: natural frequency over twice the decay."""
        return math.hypot(2.0 * math.pi * self.frequency_hz, self.decay_per_s) / (2.0 * self.decay_per_s)

    @property
    def cycles(self) -> float:
        """Periods in which it falls to a tenth."""
        return math.log(10.0) * self.frequency_hz / self.decay_per_s


def find_ringing(
    rest: FloatArray, time_s: FloatArray, *, from_s: float, highest_hz: float, near: Ringing | None = None
) -> Ringing | None:
    """Return the oscillation that an edge leaves; None when there is none that can be told.

    rest : (points,), what is left over the top, in parts of the step.   time_s : (points,), evenly from the edge on.
    from_s : before, the edge itself is felt.   highest_hz : the band's edge.   near : what was
    found before, about the same.
    """
    inside = time_s >= from_s
    every = max(1, int(np.count_nonzero(inside)) // _POINTS)
    rest, time_s = rest[inside][::every], time_s[inside][::every]
    if len(rest) < 16 or not _swings(rest):
        return None
    begin_s = float(time_s[0])
    time_s = time_s - begin_s
    start_hz = _strongest_hz(rest, time_s, highest_hz) if near is None else near.frequency_hz
    if start_hz is None:
        return None
    qualities = _QUALITIES if near is None else (near.q,)
    fitted = min((_fitted(rest, time_s, start_hz, quality) for quality in qualities), key=lambda one: one[0])
    left, hz, decay, (cosine, sine) = fitted
    span_s = float(time_s[-1])
    told = left < (1.0 - _LEAST_SHARE) * float(np.sum((rest - rest.mean()) ** 2)) and math.hypot(cosine, sine) >= _LEAST
    if not told or decay <= 0.0 or not _LEAST_PERIODS / span_s < hz < highest_hz:
        return None
    return Ringing(frequency_hz=hz, decay_per_s=decay, cosine=cosine, sine=sine, from_s=begin_s)


def _swings(rest: FloatArray) -> bool:
    """Return whether a course goes to both sides: the tail of a slow edge stays on one."""
    highest, lowest = float(np.max(rest)), -float(np.min(rest))
    return max(highest, lowest) >= _LEAST and min(highest, lowest) >= _LEAST_BACK * _LEAST


def _strongest_hz(rest: FloatArray, time_s: FloatArray, highest_hz: float) -> float | None:
    step_s = float(time_s[1] - time_s[0])
    size = 8 * len(rest)
    spectrum = np.abs(np.fft.rfft(rest - rest.mean(), size))
    frequency_hz = np.fft.rfftfreq(size, step_s)
    spectrum[(frequency_hz < 1.0 / float(time_s[-1])) | (frequency_hz > highest_hz)] = 0.0
    best = int(np.argmax(spectrum))
    return float(frequency_hz[best]) if spectrum[best] > 0.0 else None


def _fitted(
    rest: FloatArray, time_s: FloatArray, start_hz: float, quality: float
) -> tuple[float, float, float, tuple[float, float]]:
    """Return (squares left, frequency, decay, (cosine, sine)) of the best oscillation on a straight line."""

    def columns(place: FloatArray) -> FloatArray:
        hz, decay = start_hz * np.exp(place)
        fading, turn = np.exp(-decay * time_s), 2.0 * np.pi * hz * time_s
        return np.stack([fading * np.cos(turn), fading * np.sin(turn), np.ones(len(time_s)), time_s], axis=1)

    def left(place: FloatArray) -> FloatArray:
        matrix = columns(place)
        return np.asarray(matrix @ np.linalg.lstsq(matrix, rest, rcond=None)[0] - rest)

    # Both in one scale: logarithms of frequency and decay, relative to the frequency that is strongest.
    begin = np.log([1.0, np.pi / quality])
    found = least_squares(left, begin, bounds=(begin - 3.0, begin + 3.0), x_scale=0.1, max_nfev=_MOST_ROUNDS)
    size = np.linalg.lstsq(columns(found.x), rest, rcond=None)[0]
    hz, decay = start_hz * np.exp(found.x)
    return 2.0 * float(found.cost), float(hz), float(decay), (float(size[0]), float(size[1]))
