"""A tone burst that repeats: its level period by period, what is left behind it, and what its level alone adds."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.periodic import clear_lines, course, half_widths, rendered
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: A burst's level is told from its second period on, and its fall between these many periods at either end.
_AT_END = 2
#: What is left behind a burst has settled below this part of its level (-40 dB).
SETTLED = 0.01
#: At least this part of what came back is the burst as played.
_LEAST_LIKE = 0.7


@dataclass(frozen=True, kw_only=True)
class Burst:
    """A tone burst at two levels. All but `level` in parts of it; half-widths (95 %, by noise) by the same names.

    level : peak of the tone at the level, from its second period on, in the unit of the signal.
    first : of the first period.   fall : by how much the last periods are lower than the second and third; quiet_fall :
    the same of the quiet burst.   tail : r.m.s. · √2 of the first period behind the burst; own_tail : of the burst that
    was played, ideal within the band.   shift : mean of the last period, less that at the end of the rest, and
    less that of the quiet burst (which the unit's low corner shifts, too).
    added : r.m.s. of what the loud burst has beside the quiet one times the ratio of their levels, of the burst's.
    settled_periods : behind the burst until no period has more than 1 %; None: not within the rest.
    levels : (periods,), r.m.s. · √2 of each period, rest included.
    """

    level: float
    first: float
    fall: float
    quiet_fall: float
    tail: float
    own_tail: float
    shift: float
    added: float
    settled_periods: int | None
    levels: FloatArray
    half_width: dict[str, float]


#: Figures whose scatter is told, in the order of `_figures`.
_NAMES = ("level", "first", "fall", "quiet_fall", "tail", "shift", "added")


def analyze_burst(
    quiet: FloatArray,
    loud: FloatArray,
    *,
    played: ComplexArray,
    tone_periods: int,
    rest_periods: int,
    quiet_ratio: float,
    parts: int,
    periods: int,
    correction: ComplexArray | None = None,
) -> Burst:
    """Return the figures of a tone burst from its two windows.

    quiet, loud : (frames,) of one unit, whole parts each.   played : lines of the series, (highest,), orders from 1 on.
    tone_periods, rest_periods : of the tone.   quiet_ratio : of the levels.   parts, periods : in a window, and bursts
    in each part.   correction : (highest,) by which lines are multiplied first; None: nothing.
    Raises SignalError: noise covers it, or it is another signal.
    """
    lines = [
        clear_lines(signal, parts, periods, len(played), correction=correction, wave="tone burst", window=window)
        for signal, window in ((quiet, "quiet"), (loud, "loud"))
    ]
    turn = _turn(lines[1].mean(axis=0), played, tone_periods + rest_periods)
    # Both windows are turned alike, so that their difference is not of the delay.
    both = np.concatenate([some * turn for some in lines], axis=1)

    def figures(some: ComplexArray) -> FloatArray:
        return _figures(some, tone_periods, rest_periods, quiet_ratio)

    values, widths = half_widths(figures, both)
    named = dict(zip(_NAMES, values.tolist(), strict=True))
    levels = _levels(both.mean(axis=0)[len(played) :], tone_periods + rest_periods)
    own = _levels(played, tone_periods + rest_periods)
    return Burst(
        **named,
        own_tail=float(own[tone_periods] / own[1]),
        settled_periods=_settled(levels / named["level"], tone_periods),
        levels=levels,
        half_width=dict(zip(_NAMES, widths.tolist(), strict=True)),
    )


def _turn(lines: ComplexArray, played: ComplexArray, whole: int) -> ComplexArray:
    """Return the factors that take out what the markers leave of a delay: less than a quarter of the tone's period.

    A burst that grows slowly looks later than it is by whole periods: these are its own.
    Raises SignalError when it is no burst as played.
    """
    likeness = course(lines * np.conj(played))
    near = math.floor(len(likeness) / (4 * whole))
    at = int(np.argmax(np.abs(np.roll(likeness, near)[: 2 * near + 1]))) - near
    # Lines are peak amplitudes: a course of products has twice their sum's half.
    full = float(np.linalg.norm(lines) * np.linalg.norm(played))
    if abs(float(likeness[at])) < _LEAST_LIKE * full:
        raise SignalError("what came back is no burst as it was played: look at the capture")
    return np.asarray(np.exp(2j * np.pi * np.arange(1, len(lines) + 1) * at / len(likeness)))


def _by_period(lines: ComplexArray, whole: int) -> FloatArray:
    """Return one course, (whole, steps): a row for each period of the tone."""
    steps = 1 << math.ceil(math.log2(2.5 * (len(lines) + 1) / whole))
    return rendered(lines, whole * steps).reshape(whole, steps)


def _levels(lines: ComplexArray, whole: int) -> FloatArray:
    return np.asarray(np.sqrt(2.0 * np.mean(_by_period(lines, whole) ** 2, axis=1)))


def _fall(tones: FloatArray) -> float:
    """Return by how much the last periods are lower than the second and third, in parts."""
    return 1.0 - float(np.mean(tones[-_AT_END:]) / np.mean(tones[1 : 1 + _AT_END]))


def _tones(rows: FloatArray) -> FloatArray:
    """Return the peak of the tone itself in each period."""
    steps = rows.shape[1]
    return np.asarray(np.abs(rows @ np.exp(-2j * np.pi * np.arange(steps) / steps)) * (2.0 / steps))


def _figures(both: ComplexArray, tone_periods: int, rest_periods: int, quiet_ratio: float) -> FloatArray:
    whole, half = tone_periods + rest_periods, both.shape[0] // 2
    quiet, loud = both[:half], both[half:]
    rows = _by_period(loud, whole)
    tones = _tones(rows[:tone_periods])
    level = float(np.mean(tones[1:]))
    tail = float(np.sqrt(2.0 * np.mean(rows[tone_periods] ** 2)))
    quiet_rows = _by_period(quiet, whole)
    shift = _shift(rows, tone_periods) - _shift(quiet_rows, tone_periods) / quiet_ratio
    quiet_tones = _tones(quiet_rows[:tone_periods])
    added = float(np.linalg.norm(loud - quiet / quiet_ratio) / np.linalg.norm(loud))
    return np.array(
        [level, tones[0] / level, _fall(tones), _fall(quiet_tones), tail / level, shift / level, added]
    )  # fmt: skip


def _shift(rows: FloatArray, tone_periods: int) -> float:
    return float(np.mean(rows[tone_periods - 1]) - np.mean(rows[-1]))


def _settled(levels: FloatArray, tone_periods: int) -> int | None:
    above = np.nonzero(levels[tone_periods:] > SETTLED)[0]
    settled = 0 if not len(above) else int(above[-1]) + 1
    return settled if settled < len(levels) - tone_periods else None
