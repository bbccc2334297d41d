"""What the bench itself adds, from the calibration's loopback: the one place where it enters an uncertainty.

Nothing is taken off a result. Harmonics of the bench and of the unit add as vectors, so that a true ratio lies within
|measured − true| ≤ bench (the triangle inequality; trade notes, 'residual rule'). A loop's response is that of output
and input together: how much of it belongs to a level at the unit's output is not known, so that all of it counts as a
limit; `response --loopback` divides it out where only the two together count.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import Part, of_limits
from audiomeas.measurement.budget import BENCH_DISTORTION, Told
from audiomeas.measurement.steady import DB_PER_NEPER

if TYPE_CHECKING:
    from audiomeas.recording import Recording

#: A figure within this of what the bench adds by itself says nothing more than 'at most'.
MARGIN_DB = 10.0
#: Component: what of a level away from the calibration frequency the loop's response leaves open.
BENCH_RESPONSE = "response of the bench"
#: Conditions (see `bench.calibration.bench_own_conditions`).
_RESIDUAL, _RESPONSE = "bench_residual_db", "bench_response_db"
#: Above the highest level that a loop was measured at, a third-order curve rises by 2 dB a dB (¼·a₃·A³ over A).
_RISE_ABOVE = 2.0
#: Names of ratios → which column of a row tells the bench's own.
_THD, _THD_N = 2, 3


def residual_known(recording: Recording) -> bool:
    """Return whether the bench's own distortion is known at all."""
    return bool(recording.conditions.get(_RESIDUAL))


def bound_ratios(
    told: Told, recording: Recording, channel: int, frequency_hz: float, names: Sequence[str]
) -> list[str]:
    """Make bounds of ratios near to the bench's own; let it widen the others. Return the names of the bounds.

    The bench's harmonics may add to the unit's or cancel them, at worst in phase: a rectangular part.
    """
    limited = []
    for name in names:
        percent, decibels = f"{name}_percent", f"{name}_db"
        value_db = told.values[decibels]
        if value_db is None or told.bound.get(decibels):
            continue
        column = _THD if name == "thd" else _THD_N
        bench_db = _residual_db(recording, channel, frequency_hz, told.values["level_dbfs"], column)
        if bench_db is None:
            continue
        if value_db <= bench_db + MARGIN_DB:
            told.at_most(percent, decibels)
            limited.append(name)
            continue
        limit = 10.0 ** ((bench_db - value_db) / 20.0)
        told.widen(percent, of_limits(BENCH_DISTORTION, limit * told.values[percent]))
        told.widen(decibels, of_limits(BENCH_DISTORTION, limit * DB_PER_NEPER))
    return limited


def limited_words(names: Sequence[str]) -> str:
    """Return what is said of ratios that are bounds because of the bench, with the way out. names : at least one."""
    words = {"thd": "THD", "thd_n": "THD+N", "thd_n_notch": "THD+N with a notch"}
    return (
        f"bench-limited: {', '.join(words[name] for name in names)} within {MARGIN_DB:g} dB of what the bench adds by "
        "itself, so that it is told as 'at most'; use a range nearer to the level, or a better card"
    )


def _residual_db(
    recording: Recording, channel: int, frequency_hz: float, level_dbfs: float | None, column: int
) -> float | None:
    """Return what the bench adds to a tone, relative to it; None where it is not known."""
    known = recording.conditions.get(_RESIDUAL)
    stated = known.get(str(channel)) if isinstance(known, Mapping) else known
    if stated is None or not isinstance(stated, Sequence):
        return None if stated is None else float(stated)
    if level_dbfs is None:
        return None
    rows = [[float(value) for value in row] for row in stated]
    beside = _neighbours(sorted({row[0] for row in rows}), frequency_hz)
    return max(_at_level([row for row in rows if row[0] == hz], level_dbfs, column) for hz in beside)


def _at_level(rows: Sequence[Sequence[float]], level_dbfs: float, column: int) -> float:
    """Return the worst of the rows at the levels below and above; beyond them what noise and a bent curve would do."""
    levels = sorted({row[1] for row in rows})
    lowest, highest = levels[0], levels[-1]
    near = _neighbours(levels, level_dbfs)
    worst = max(row[column] for row in rows if row[1] in near)
    # Below the lowest level what is added stays the same in volts: noise, or a limit that noise has set.
    return worst + max(lowest - level_dbfs, 0.0) + _RISE_ABOVE * max(level_dbfs - highest, 0.0)


def _neighbours(places: Sequence[float], at: float) -> tuple[float, ...]:
    """Return the nearest of sorted places below (or at) and above; one of them at the ends."""
    below = [place for place in places if place <= at]
    above = [place for place in places if place >= at]
    return tuple({found for side in (below[-1:], above[:1]) for found in side})


def level_parts(recording: Recording, column: int, frequency_hz: float) -> tuple[Part, ...]:
    """Return the relative part that the loop's response leaves in a level or gain at a frequency; none if not known."""
    off_db = response_off_db(recording, recording.channels[column], [frequency_hz])
    return () if off_db is None else (of_limits(BENCH_RESPONSE, off_db[0] / DB_PER_NEPER),)


def response_off_db(
    recording: Recording, channel: int, frequencies_hz: Sequence[float], reference_hz: float | None = None
) -> list[float] | None:
    """Return by how much at most the bench's response moves a gain at each frequency, in dB, 0 or more.

    reference_hz : where the gain is taken as right; None: at the calibration frequency. None where it is not known.
    Between the rows it runs straight over log frequency; beyond them it is taken to fall on as steeply as at the end.
    """
    rows = recording.conditions.get(_RESPONSE, {}).get(str(channel))
    if rows is None:
        return None
    base_db = 0.0 if reference_hz is None else _response_at(rows, reference_hz)[0]
    found = []
    for hz in frequencies_hz:
        gain_db, half_db = _response_at(rows, hz)
        found.append(abs(gain_db - base_db) + half_db)
    return found


def _response_at(rows: Sequence[Sequence[Any]], frequency_hz: float) -> tuple[float, float]:
    """Return the loop's gain and its half-width, both in dB, at a frequency."""
    places = [math.log(row[0]) for row in rows]
    at = math.log(frequency_hz)
    if len(rows) == 1:
        return float(rows[0][1]), float(rows[0][2])
    right = min(max(next((n for n, place in enumerate(places) if place >= at), len(rows) - 1), 1), len(rows) - 1)
    part = (at - places[right - 1]) / (places[right] - places[right - 1])
    (_, low_db, low_half), (_, high_db, high_half) = rows[right - 1], rows[right]
    return low_db + part * (high_db - low_db), max(low_half, high_half)
