"""What the bench itself adds, from the calibration's loopback: the one place where it enters an uncertainty.

Nothing is taken off a ratio. Harmonics of the bench and of the unit add as vectors, so that a true ratio lies within
|measured − true| ≤ bench (the triangle inequality; trade notes, 'residual rule'). In a loop output and input work at
one level; with a unit between them the one may work harder than the other. Unless they cancel each other in the loop,
the louder one adds at most what the loop does at its level, and noise counts at the input: of the figures at both
levels the larger one is taken.

A loop's response is that of output and input together. It is known, and so taken off (JCGM 100:2008, 3.2.3: a known
systematic effect is corrected, as no half-width around a wrong value covers the true one): all of it off the gain of a
tone, and off a level what the input may have of it. `response --loopback` divides it out of a curve; without it the
curve is as captured, and uncertain by it. Where no loop has shown the response, nothing is taken off, and the limits in
the conditions stay open (`bench.response_limit`).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

from audiomeas.bench.parts import COVERED, Part, of_limits
from audiomeas.bench.response_limit import COMMON, RESPONSE_LIMIT
from audiomeas.measurement.budget import BENCH_DISTORTION, Told
from audiomeas.measurement.steady import DB_PER_NEPER, of_channel

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from audiomeas.analysis.stepped_response import SteppedResponse
    from audiomeas.analysis.sweep import SweepResponse
    from audiomeas.recording import Recording

Response = TypeVar("Response", "SweepResponse", "SteppedResponse")

#: A figure within this of what the bench adds by itself says nothing more than 'at most'.
MARGIN_DB = 10.0
#: Component: what of a level away from the calibration frequency the loop's response leaves open.
BENCH_RESPONSE = "response of the bench"
#: The same where no loop has shown it.
RESPONSE_NOT_MEASURED = "response of the bench, not measured"
_RESPONSE_NOT_HELD = "not the response of the bench away from where it was calibrated"
#: Conditions (see `bench.calibration.bench_own_conditions`).
_RESIDUAL, _RESPONSE, _OUTPUT_FULL_SCALE = "bench_residual_db", "bench_response_db", "bench_output_v_rms"
#: Above the highest level that a loop was measured at, a third-order curve rises by 2 dB a dB (¼·a₃·A³ over A).
_RISE_ABOVE = 2.0
#: Names of ratios → which column of a row tells the bench's own.
_THD, _THD_N = 2, 3


def residual_known(recording: Recording) -> bool:
    """Return whether the bench's own distortion is known at all."""
    return bool(recording.conditions.get(_RESIDUAL))


def bound_ratios(
    told: Told,
    recording: Recording,
    channel: int,
    frequency_hz: float,
    names: Sequence[str],
    *,
    input_v_rms: float | None,
) -> dict[str, float]:
    """Make bounds of ratios near to the bench's own; let it widen the others. Return by what the bounds were raised.

    input_v_rms : at the unit's input; None: not known.
    A bound is what was measured and what the bench may have taken from it. Farther off the bench's harmonics may add to
    the unit's or cancel them, at worst in phase: a rectangular part.
    """
    from audiomeas.units import amplitude_ratio_to_db

    limited: dict[str, float] = {}
    levels_dbfs = _levels_dbfs(recording, channel, told.values["level_dbfs"], input_v_rms)
    for name in names:
        percent, decibels = f"{name}_percent", f"{name}_db"
        value_db = told.values[decibels]
        if value_db is None or told.bound.get(decibels):
            continue
        column = _THD if name == "thd" else _THD_N
        bench_db = _residual_db(recording, channel, frequency_hz, levels_dbfs, column)
        if bench_db is None:
            continue
        limit = 10.0 ** ((bench_db - value_db) / 20.0)
        if value_db <= bench_db + MARGIN_DB:
            # The bench may have taken away as much as it can add, and noise its part: at most that is missing.
            limited[name] = 1.0 + limit + told.uncertainty.get(percent, 0.0) / told.values[percent]
            told.values[percent] *= limited[name]
            told.values[decibels] = value_db + amplitude_ratio_to_db(limited[name])
            told.at_most(percent, decibels)
            continue
        told.widen(percent, of_limits(BENCH_DISTORTION, limit * told.values[percent]))
        told.widen(decibels, of_limits(BENCH_DISTORTION, limit * DB_PER_NEPER))
    return limited


def limited_words(names: Iterable[str]) -> str:
    """Return what is said of ratios that are bounds because of the bench, with the way out. names : at least one."""
    words = {"thd": "THD", "thd_n": "THD+N", "thd_n_notch": "THD+N with a notch"}
    return (
        f"bench-limited: {', '.join(words[name] for name in names)} within {MARGIN_DB:g} dB of what the bench adds by "
        "itself, so that it is told as 'at most'; use a range nearer to the level, or a better card"
    )


def _levels_dbfs(
    recording: Recording, channel: int, captured_dbfs: float | None, input_v_rms: float | None
) -> tuple[float, ...]:
    """Return the levels that the bench works at: as captured and, where known, as played."""
    from audiomeas.units import amplitude_ratio_to_db

    if captured_dbfs is None:
        return ()
    full_scale_v_rms = of_channel(recording.conditions.get(_OUTPUT_FULL_SCALE), channel)
    if not full_scale_v_rms or not input_v_rms:
        return (captured_dbfs,)
    return (captured_dbfs, amplitude_ratio_to_db(input_v_rms / full_scale_v_rms))


def _residual_db(
    recording: Recording, channel: int, frequency_hz: float, levels_dbfs: Sequence[float], column: int
) -> float | None:
    """Return what the bench adds to a tone, relative to it; None where it is not known.

    Straight over log frequency between the rows' frequencies, and as at their ends beyond.
    """
    import numpy as np

    known = recording.conditions.get(_RESIDUAL)
    stated = known.get(str(channel)) if isinstance(known, Mapping) else known
    if stated is None or not isinstance(stated, Sequence):
        return None if stated is None else float(stated)
    if not levels_dbfs:
        return None
    rows = [[float(value) for value in row] for row in stated]
    places = sorted({row[0] for row in rows})
    at_levels = [
        [_at_level([row for row in rows if row[0] == hz], level_dbfs, column) for hz in places]
        for level_dbfs in levels_dbfs
    ]
    return max(float(np.interp(math.log(frequency_hz), np.log(places), at_level)) for at_level in at_levels)


def _at_level(rows: Sequence[Sequence[float]], level_dbfs: float, column: int) -> float:
    """Return what is added at a level: straight in dB over dB, as noise (which stays the same in volts) and powers are.

    Beyond the rows: below them as noise, above them as a third-order curve.
    """
    import numpy as np

    ordered = sorted(rows, key=lambda row: row[1])
    levels = [row[1] for row in ordered]
    inside = float(np.interp(level_dbfs, levels, [row[column] for row in ordered]))
    return inside + max(levels[0] - level_dbfs, 0.0) + _RISE_ABOVE * max(level_dbfs - levels[-1], 0.0)


def loop_gain(recording: Recording, column: int, frequency_hz: float) -> tuple[float, tuple[Part, ...]]:
    """Return what is taken off the gain of a tone, in dB, and the relative part that is then left; 0 if not known."""
    channel = recording.channels[column]
    rows = recording.conditions.get(_RESPONSE, {}).get(str(channel))
    if rows is None:
        limit_db = _limit_db(recording, channel, frequency_hz)
        return 0.0, (of_limits(RESPONSE_NOT_MEASURED, limit_db / DB_PER_NEPER),) if limit_db else ()
    gain_db, half_db = _response_at(rows, frequency_hz)
    return gain_db, (Part(BENCH_RESPONSE, half_db / DB_PER_NEPER, "rectangular"),)


def own_words(
    recording: Recording,
    *,
    taken_off: str = "gain and level",
    response: bool = True,
    distortion: bool | None = None,
) -> str:
    """Return whether half-widths hold what the bench itself adds: the one sentence that every word prints.

    taken_off : what is freed of a response that a loop has shown; '' where the figures stay as captured.
    response : False where the half-widths don't hold it.   distortion : None where there is none to be told.
    """
    words = [_response_words(recording, taken_off) if response else _RESPONSE_NOT_HELD]
    if distortion is not None:
        words.append(f"{'' if distortion else 'not '}the distortion of the bench itself")
    return "; ".join(words)


def _response_words(recording: Recording, taken_off: str) -> str:
    limits = recording.conditions.get(RESPONSE_LIMIT, {})
    if any(one["from"] == COMMON for one in limits.values()):
        return "the response of the bench, which no loopback tells, within limits that are common practice"
    if limits:
        return "the response of the bench, within what its calibration states"
    if not recording.conditions.get(_RESPONSE):
        return _RESPONSE_NOT_HELD
    return f"the response of the bench, {f'which is taken off {taken_off}' if taken_off else 'as a loopback shows it'}"


def input_gain(recording: Recording, column: int, frequency_hz: float) -> tuple[float, tuple[Part, ...]]:
    """Return what is taken off a level for the input's own response, in dB, and the relative parts that are then left.

    Output and input turn the same way (coupling capacitors, filters), so that the input has between nothing and all of
    the loop's response: half of it is taken, and the other half stays open either way.
    """
    loop_db, left = loop_gain(recording, column, frequency_hz)
    return 0.5 * loop_db, (*left, *([of_limits(BENCH_RESPONSE, 0.5 * abs(loop_db) / DB_PER_NEPER)] if loop_db else []))


def freed_level(
    recording: Recording, column: int, frequency_hz: float, level_v_rms: float
) -> tuple[float, tuple[Part, ...]]:
    """Return a tone's level without what `input_gain` takes off, and the relative parts that are then left."""
    from audiomeas.units import db_to_amplitude_ratio

    input_db, left = input_gain(recording, column, frequency_hz)
    return level_v_rms * db_to_amplitude_ratio(-input_db), left


def with_response(response: Response, recording: Recording, channel: int) -> Response:
    """Return a response whose gain is as uncertain as the bench's own leaves it; as it is where nothing tells that.

    For a curve that no loopback was divided out of: it stays as captured, and the limit is all that the loop is off.
    """
    import numpy as np

    limit = open_response(recording, channel, response.frequency_hz)
    return dataclasses.replace(response, gain_uncertainty=np.hypot(response.gain_uncertainty, COVERED * limit))


def open_response(recording: Recording, channel: int, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return by how much at most (relative) the bench's own response moves what nothing is taken off.

    frequency_hz : (points,). Returns (points,): zero where nothing tells it.
    """
    import numpy as np

    rows = recording.conditions.get(_RESPONSE, {}).get(str(channel))
    if rows is None:
        return np.array([_limit_db(recording, channel, float(hz)) for hz in frequency_hz]) / DB_PER_NEPER
    loop = [_response_at(rows, float(hz)) for hz in frequency_hz]
    return np.array([abs(gain_db) + half_db for gain_db, half_db in loop]) / DB_PER_NEPER


def _limit_db(recording: Recording, channel: int, frequency_hz: float) -> float:
    """Return the limit of a response that no loop has shown: straight over log frequency, beyond its ends as there."""
    import numpy as np

    known = recording.conditions.get(RESPONSE_LIMIT, {}).get(str(channel))
    if known is None:
        return 0.0
    places_hz, limits_db = np.array(known["limit_db"], dtype=np.float64).T
    return float(np.interp(math.log(frequency_hz), np.log(places_hz), limits_db))


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
