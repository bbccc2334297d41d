"""How far a figure of one visit lies from the same figure of another one, and whether that is a change.

Two visits on one calibration share its error, which cancels in their difference: what names its source in the budgets
does (`bench.parts`), everything else counts twice. On other calibrations, or where a result has no budget, all of both
uncertainties counts, as if nothing were common (the careful side: what is common can only make the difference truer);
a half-width without a budget counts as rectangular, which leaves the widest sum.

A difference is judged as a limit is (`verdict_row.decide`): against the least change that counts, because the same unit
never reads twice alike once it was unplugged: its contacts, mains and warmth are others.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from audiomeas.measurement.budget import difference_half_width
from audiomeas.measurement.curves import independent_half_width, number, wider_for_many
from audiomeas.record.verdict_row import Word, decide
from audiomeas.shown_digits import AT_MOST
from audiomeas.units import db_to_amplitude_ratio

if TYPE_CHECKING:
    from audiomeas.measurement.curves import CurvePoint
    from audiomeas.measurement.result import ChannelResult
    from audiomeas.record.visit import Visit

ChangeWord = Literal["changed", "unchanged", "can't tell"]
_WORDS: dict[Word, ChangeWord] = {"fail": "changed", "pass": "unchanged", "undecided": "can't tell"}

#: What levels and gains, and what noise, distortion and leakage, differ by from one connection to the next (common
#: practice; DEVELOPERS.md says where it is set). In dB.
LEVELS_WITHIN_DB, RESIDUALS_WITHIN_DB = 0.1, 1.0
#: Parts of the keys of what is left beside the signal.
_RESIDUALS = (
    "thd", "imd", "d2_", "d3_", "sinad", "distortion", "noise", "snr", "hum_", "weighted", "itu_r", "aes17", "filtered",
    "third_octave", "dynamic_range", "idle_", "residual_", "crosstalk", "tail_",
)  # fmt: skip
#: Units in which a change is a ratio of amplitudes; watts are one of powers.
_RATIOS = {"V", "mV", "µV", "A", "mA", "Hz", "s", "ms", "µs", "Ω", "pF", "V/µs"}


@dataclass(frozen=True, kw_only=True)
class Practice:
    """The least change that counts. levels_db : of levels, gains, times and frequencies; residuals_db : of the rest."""

    levels_db: float = LEVELS_WITHIN_DB
    residuals_db: float = RESIDUALS_WITHIN_DB

    def least(self, key: str, unit: str, value: float) -> float:
        """Return the least change of a figure that counts, in its unit, at this value; 0 where no practice is known."""
        residual = any(part in key for part in _RESIDUALS)
        within_db = self.residuals_db if residual else self.levels_db
        if unit in ("dB", "dBFS"):
            return within_db
        if unit == "W":
            return abs(value) * (db_to_amplitude_ratio(within_db) ** 2 - 1.0)
        if unit in _RATIOS or (residual and unit == "%"):
            return abs(value) * (db_to_amplitude_ratio(within_db) - 1.0)
        return 0.0


@dataclass(frozen=True, kw_only=True)
class Side:
    """A figure at one visit. uncertainty : 95 % half-width; None: not known.  bound : 'at most', 'at least' or ''."""

    value: float
    uncertainty: float | None = None
    bound: str = ""


@dataclass(frozen=True, kw_only=True)
class Change:
    """What lies between two values of a figure. difference : after less before; None between bounds.

    uncertainty : its 95 % half-width; None: not known.  least : the least change that counts.  reason : why it is so,
    where the numbers alone don't say it.
    """

    word: ChangeWord
    difference: float | None
    uncertainty: float | None
    least: float
    reason: str = ""


def same_calibrations(before: Visit, after: Visit) -> bool:
    """Return whether two visits rest on the same calibration files, by their SHA-256."""
    used = [set(visit.hashes.values()) - {visit.bench.get("sha256")} for visit in (before, after)]
    return bool(used[0]) and used[0] == used[1]


def change_half_width(before: ChannelResult, after: ChannelResult, key: str, *, shared: bool) -> float | None:
    """Return the 95 % half-width of a figure's change; None: not known.

    shared : both rest on the same calibrations (`same_calibrations`): then their errors cancel.
    """
    return difference_half_width(after, before, key, in_common=shared)


def judged(before: Side, after: Side, half_width: float | None, least: float) -> Change:
    """Return what lies between two values.

    half_width : of their difference, where both are values.  A bound is where a value may begin: a change is told when
    all that either may be lies apart by more than the least that counts.
    """
    if before.bound or after.bound:
        return _between_bounds(before, after, least)
    difference = after.value - before.value
    if half_width is None:
        return Change(word="can't tell", difference=difference, uncertainty=None, least=least, reason=_NOT_KNOWN)
    word = _WORDS[decide(difference, half_width, at_least=-least, at_most=least)]
    reason = ""
    if word == "can't tell":
        reason = "the uncertainty reaches over the least change that counts" if least else _NO_PRACTICE
    return Change(word=word, difference=difference, uncertainty=half_width, least=least, reason=reason)


_NOT_KNOWN = "its uncertainty is not known"
_NO_PRACTICE = "no larger than its uncertainty, and for such a figure no least change that counts is known"


def _between_bounds(before: Side, after: Side, least: float) -> Change:
    (low, high), (low_after, high_after) = _span(before), _span(after)
    apart = max(low_after - high, low - high_after)
    unknown = Change(word="can't tell", difference=None, uncertainty=None, least=least)
    if math.isnan(apart):
        return dataclasses.replace(unknown, reason=_NOT_KNOWN)
    if apart > least:
        way = "more" if low_after > high else "less"
        return dataclasses.replace(unknown, word="changed", reason=f"at least {apart:.3g} {way}, by the bound")
    if before.bound and after.bound:
        return dataclasses.replace(unknown, reason="both are bounds, and they may be alike")
    return dataclasses.replace(unknown, reason="one is a bound, and they may be alike")


def _span(side: Side) -> tuple[float, float]:
    """Return from where to where a value may lie; NaN: its uncertainty is not known."""
    if side.bound:
        return (-math.inf, side.value) if side.bound == AT_MOST else (side.value, math.inf)
    half = math.nan if side.uncertainty is None else side.uncertainty
    return side.value - half, side.value + half


def most_changed(
    before: Sequence[CurvePoint], after: Sequence[CurvePoint], *, key: str, unit: str, shared: bool, practice: Practice
) -> tuple[float, Side, Side, Change] | None:
    """Return where a curve changed most (Hz), its two values there, and what that is; None: no point to compare.

    The largest of many differences is large by chance alone: its half-width is that which all of them stay inside with
    95 % (Bonferroni). A curve is unchanged where each of its points is.
    """
    pairs = [(one, other) for one, other in zip(before, after, strict=True) if _known(one, other)]
    if not pairs:
        return None
    wider = wider_for_many(len(pairs))
    found = [_point(one, other, key, unit, shared, practice, wider) for one, other in pairs]
    return max(found, key=lambda point: (_RANK[point[3].word], _beyond(point[3])))


_RANK: dict[ChangeWord, int] = {"unchanged": 0, "can't tell": 1, "changed": 2}


def _known(one: CurvePoint, other: CurvePoint) -> bool:
    return one.value is not None and other.value is not None and not (one.bound or other.bound)


def _point(
    one: CurvePoint, other: CurvePoint, key: str, unit: str, shared: bool, practice: Practice, wider: float
) -> tuple[float, Side, Side, Change]:
    assert one.value is not None
    assert other.value is not None
    half = _half_width_of(one, other, shared)
    half = None if half is None else wider * half
    sides = Side(value=one.value, uncertainty=one.uncertainty), Side(value=other.value, uncertainty=other.uncertainty)
    return one.frequency_hz, *sides, judged(*sides, half, practice.least(key, unit, one.value))


def _half_width_of(one: CurvePoint, other: CurvePoint, shared: bool) -> float | None:
    """Return the half-width of the difference of two points: of their shapes, which noise makes, where all else is
    common.
    """
    if shared and one.shape_uncertainty is not None and other.shape_uncertainty is not None:
        return math.hypot(one.shape_uncertainty, other.shape_uncertainty)
    if one.uncertainty is None or other.uncertainty is None:
        return None
    return independent_half_width(one.uncertainty, other.uncertainty)


def _beyond(change: Change) -> float:
    """Return by how much a difference exceeds what it may be by chance and habit."""
    return abs(change.difference or 0.0) - (change.uncertainty or 0.0) - change.least


def as_side(channel: ChannelResult, key: str) -> Side | None:
    """Return a figure of a channel; None where it was not measured."""
    value = number(channel.values.get(key))
    if value is None:
        return None
    half = number(channel.uncertainty.get(key))
    known = half if half is not None and half >= 0.0 else None
    return Side(value=value, uncertainty=known, bound=str(channel.bound.get(key, "")))


def counted(changes: Iterable[Change]) -> dict[ChangeWord, int]:
    """Return how many changes there are of each word."""
    words = [change.word for change in changes]
    return {word: words.count(word) for word in ("changed", "unchanged", "can't tell")}
