"""Where a unit clips, from bursts of a sine at several levels: onset, levels of given distortion, knee, asymmetry, sag.

Onset is where the distortion (noise removed) is twice its minimum over level. Between bursts the levels are found with
the knee that the bursts show (`clipping_knee`), scaled to the two bursts beside.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audiomeas.analysis.clipping_burst import BurstReading
from audiomeas.analysis.clipping_curve import AT_LEAST, AT_MOST, Crossing, DistortionCurve
from audiomeas.analysis.clipping_search import NO_KNEE_DB, PERCENT_LIMITS, USUAL_PERCENTAGES
from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.errors import SignalError

#: Below this the halves clip together (dB); the knee tells them apart no finer, whatever noise lets it.
_SYMMETRICAL_DB = 0.02
#: Above this one half clips clearly first (common practice, dB).
ASYMMETRICAL_DB = 0.5


@dataclass(frozen=True, kw_only=True)
class DistortionLevel:
    """The level at which THD (noise removed) is `percent`.

    level_v_rms : at the unit's output, fundamental and harmonics.   input_v_rms : None when no input level is known.
    uncertainty_db : 95 % half-width of the level, from noise and from reading between bursts.
    bound : None, 'at least' (not reached: the highest level that was played) or 'at most' (reached at the lowest
    already, or the minimum can't be told from noise).
    compression_db : gain there over the gain where THD is least; None where no input level is known, or for a bound.
    h2_db, h3_db : relative to the fundamental, at that level, or their limit where noise hides them; None for a bound
    'at least'.
    """

    percent: float
    level_v_rms: float
    input_v_rms: float | None
    uncertainty_db: float
    bound: str | None
    compression_db: float | None
    h2_db: float | None
    h3_db: float | None


@dataclass(frozen=True, kw_only=True)
class CurvePoint:
    """One burst of the curve. thd_at_most : the harmonics can't be told from noise, the ratio is their upper limit."""

    input_v_rms: float | None
    level_v_rms: float
    thd_ratio: float
    thd_at_most: bool
    thd_n_ratio: float


@dataclass(frozen=True, kw_only=True)
class Clipping:
    """Where one channel clips.

    onset : level at which THD is twice its minimum (`percent` is that THD).   levels : at given percentages, rising.
    minimum_thd_ratio : the least THD over level; an upper limit where `minimum_at_most`.   minimum_v_rms : where.
    asymmetry_db : by how much lower the half that clips first does so, ≥ 0, with its 95 % half-width and its bound ('at
    least': the other half has not clipped yet); first_half : 'positive', 'negative' or None when the bursts don't show
    it (too symmetrical, or not clipped).
    gain_db : where THD is least; None when no input level is known.   curve : every burst, level rising.
    notes : sentences for the person.
    """

    onset: DistortionLevel
    levels: tuple[DistortionLevel, ...]
    minimum_thd_ratio: float
    minimum_at_most: bool
    minimum_v_rms: float
    asymmetry_db: float | None
    asymmetry_uncertainty_db: float | None
    asymmetry_bound: str | None
    first_half: str | None
    gain_db: float | None
    curve: tuple[CurvePoint, ...]
    notes: tuple[str, ...]


def levels_of(
    readings: Sequence[BurstReading],
    input_v_rms: Sequence[float] | None = None,
    *,
    percentages: Sequence[float] = USUAL_PERCENTAGES,
) -> Clipping:
    """Return where one channel clips, from bursts at two levels and more, in any order.

    readings : of one channel, all at one frequency.   input_v_rms : the input level of each; None: not known.
    percentages : of THD, whose levels are told.
    Raises SignalError: fewer than two levels, readings of different frequencies, percentages out of range.
    """
    _check(percentages)
    curve = DistortionCurve(readings, input_v_rms)
    least_db, least = curve.minimum()
    onset, onset_ratio = curve.onset()
    minimum_at_most = not curve.is_minimum_told
    levels = tuple(_level(curve, curve.crossing(percent / 100.0), percent) for percent in sorted(percentages))
    at_onset = _level(curve, onset, 100.0 * onset_ratio)
    asymmetry = _asymmetry(curve)
    return Clipping(
        onset=at_onset,
        levels=levels,
        minimum_thd_ratio=least,
        minimum_at_most=minimum_at_most,
        minimum_v_rms=curve.level_v_rms(least_db),
        asymmetry_db=asymmetry.db,
        asymmetry_uncertainty_db=asymmetry.half_width_db,
        asymmetry_bound=asymmetry.bound,
        first_half=asymmetry.first_half,
        gain_db=None if curve.input_v_rms is None else _gain_db(curve),
        curve=_points(curve),
        notes=_notes(at_onset, levels, least, minimum_at_most, asymmetry),
    )


def sag_db(alone: DistortionLevel, together: DistortionLevel) -> float | None:
    """Return how much lower a level is with both channels driven than alone, dB (negative: lower); None for bounds.

    As power into the same load it is the same number of dB.
    """
    if alone.bound is not None or together.bound is not None:
        return None
    return 20.0 * math.log10(together.level_v_rms / alone.level_v_rms)


def _check(percentages: Sequence[float]) -> None:
    low, high = PERCENT_LIMITS
    wrong = [one for one in percentages if not low <= one <= high]
    if wrong:
        raise SignalError(f"a THD of {wrong[0]:g} % is outside {low:g} to {high:g} %")


def _gain_db(curve: DistortionCurve) -> float:
    """Return the gain where distortion is least."""
    assert curve.input_v_rms is not None
    reading = curve.readings[curve.lowest]
    return 20.0 * math.log10(reading.fundamental_v_rms / float(curve.input_v_rms[curve.lowest]))


def _level(curve: DistortionCurve, at: Crossing, percent: float) -> DistortionLevel:
    level_v_rms = curve.level_v_rms(at.drive_db)
    input_v_rms, compression_db = None, None
    if curve.input_v_rms is not None:
        input_v_rms = 10.0 ** ((at.drive_db - _gain_db(curve)) / 20.0) / math.sqrt(2.0)
        if at.bound is None:
            compression_db = 20.0 * math.log10(curve.fundamental_v_rms(at.drive_db) / input_v_rms) - _gain_db(curve)
    h2_db, h3_db = (None, None) if at.bound == AT_LEAST else (_harmonic_db(curve, at.drive_db, n) for n in (2, 3))
    return DistortionLevel(
        percent=percent,
        level_v_rms=level_v_rms,
        input_v_rms=input_v_rms,
        uncertainty_db=at.half_width_db,
        bound=at.bound,
        compression_db=compression_db,
        h2_db=h2_db,
        h3_db=h3_db,
    )


def _harmonic_db(curve: DistortionCurve, drive_db: float, order: int) -> float:
    """Return a harmonic relative to the fundamental, between the bursts beside; where noise hides it, its limit."""
    level_db = [float(one.harmonics.level_db[order - 2]) for one in curve.readings]
    return float(np.interp(drive_db, curve.drive_db, level_db))


@dataclass(frozen=True)
class _Asymmetry:
    """As `Clipping` has it; all None where nothing clips."""

    db: float | None = None
    half_width_db: float | None = None
    bound: str | None = None
    first_half: str | None = None


def _asymmetry(curve: DistortionCurve) -> _Asymmetry:
    """Return by how much one half clips before the other, and which does."""
    knee = curve.knee
    if knee is None:
        return _Asymmetry()
    top_db, found_db = curve.top_drive_db(), abs(knee.asymmetry_db)
    half_width_db = math.hypot(TWO_SIDED_95 * knee.asymmetry_spread_db, _SYMMETRICAL_DB)
    half = "positive" if knee.asymmetry_db < 0.0 else "negative"
    if not knee.shows_both(top_db):
        least_db = max(min(found_db, knee.over_db(top_db)), 0.0)
        return _Asymmetry(least_db, None, AT_LEAST, half if least_db > 0.0 else None)
    return _Asymmetry(found_db, half_width_db, None, half if found_db > half_width_db else None)


def _points(curve: DistortionCurve) -> tuple[CurvePoint, ...]:
    inputs = [None] * len(curve.readings) if curve.input_v_rms is None else curve.input_v_rms.tolist()
    return tuple(
        CurvePoint(
            input_v_rms=level,
            level_v_rms=one.level_v_rms,
            thd_ratio=one.thd_ratio,
            thd_at_most=one.thd_at_most,
            thd_n_ratio=one.thd_n_ratio,
        )
        for level, one in zip(inputs, curve.readings, strict=True)
    )


def _notes(
    onset: DistortionLevel,
    levels: Sequence[DistortionLevel],
    least: float,
    minimum_at_most: bool,
    asymmetry: _Asymmetry,
) -> tuple[str, ...]:
    notes = []
    if minimum_at_most:
        notes.append(
            f"the least THD can't be told from noise (at most {100.0 * least:.3g} %): onset may lie lower; "
            "longer bursts or a quieter range tell more"
        )
    never = [one for one in levels if one.bound == AT_MOST]
    if never:
        notes.append(f"THD is {100.0 * least:.3g} % at least, so that {never[-1].percent:g} % has no level")
    reached = [one for one in levels if one.bound is None]
    if reached and 20.0 * math.log10(reached[-1].level_v_rms / onset.level_v_rms) > NO_KNEE_DB:
        notes.append(
            f"THD grows with level from far below {reached[-1].percent:g} % on: no knee, onset says little; "
            "compare levels of equal THD"
        )
    if asymmetry.first_half is not None and asymmetry.db is not None and asymmetry.db > ASYMMETRICAL_DB:
        bound = "" if asymmetry.bound is None else f"{asymmetry.bound} "
        notes.append(
            f"the {asymmetry.first_half} half clips {bound}{asymmetry.db:.2g} dB before the other: check bias, offset, "
            "and the rail of that half"
        )
    return tuple(notes)
