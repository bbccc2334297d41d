"""Judge results: result × limit × uncertainty → pass, fail, undecided. Pure: nothing is read, written or printed.

The guard band is the 95 % half-width of the value (JCGM 106:2012, 8.3, decision rules with guard bands; w = U):
pass only when the whole interval value ± U is inside the limit, fail only when the whole of it is outside. What is
missing, what the bench itself limits and what has no known uncertainty is undecided, and the reason is said.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.budget import difference_half_width
from audiomeas.measurement.curves import CurvePoint
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.result import WHOLE_UNIT
from audiomeas.plan.answers import NOT_ENTERED
from audiomeas.plan.steps import Instruction, Reading, Step
from audiomeas.record.mask import Held, MaskRow, hold
from audiomeas.record.verdict_row import Verdict, decide, decided, overall
from audiomeas.shown_digits import AT_LEAST, AT_MOST
from audiomeas.shown_units import shown_in

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result
    from audiomeas.plan.former import Former
    from audiomeas.plan.mask import MaskLimit
    from audiomeas.plan.steps import Limit, PlanStep

__all__ = ["Verdict", "decide", "judge", "judge_mask", "judge_step", "overall"]

_BENCH_LIMITED = "bench-limited: what it is made of is only known as a bound"
_NO_CHANGE, _NO_DIFFERENCE = "the change can't be told", "the difference can't be told"


@dataclass(frozen=True, kw_only=True)
class _Reading:
    """What a limit is held against: a value with its uncertainty, or the reason why there is none."""

    value: float | None = None
    uncertainty: float | None = None
    bound: str = ""
    reason: str = ""
    answer: str = ""


def judge_step(
    step: PlanStep, result: Result | None, *, reason: str = "", former: Former | None = None
) -> tuple[Verdict, ...]:
    """Return the rows of all limits and masks of a step.

    reason : why there is no result (None).   former : earlier visits of the unit, for limits on a change.
    """
    return (
        *(row for limit in step.limits for row in judge(limit, result, step=step, reason=reason, former=former)),
        *(row for mask in step.masks for row in judge_mask(mask, result, step=step, reason=reason)),
    )


def judge(
    limit: Limit, result: Result | None, *, step: PlanStep, reason: str = "", former: Former | None = None
) -> tuple[Verdict, ...]:
    """Return one row a channel (one row for a difference between channels).

    A channel that was asked for and isn't there gets a row too: missing, and so undecided.
    """
    if limit.difference_at_most is not None:
        return (_row(limit, step, None, _difference(limit, result, step, reason)),)
    if limit.change_at_most is not None:
        if former is not None and not former.has_passed(limit.since):
            return ()  # nothing can have changed since a stage that this visit belongs to, or comes before
        return tuple(
            _row(limit, step, channel, _change(limit, result, step, channel, reason, former))
            for channel in _channels(limit, result, step)
        )
    return tuple(
        _row(limit, step, channel, _reading(limit, result, step, channel, reason))
        for channel in _channels(limit, result, step)
    )


def judge_mask(limit: MaskLimit, result: Result | None, *, step: PlanStep, reason: str = "") -> tuple[Verdict, ...]:
    """Return one row a channel: the margin of its curve in the mask where it is least, and at which frequency."""
    return tuple(_mask_row(limit, result, step, channel, reason) for channel in _channels(limit, result, step))


def _mask_row(limit: MaskLimit, result: Result | None, step: PlanStep, channel: int | None, reason: str) -> Verdict:
    points: Sequence[CurvePoint] = ()
    missing = _absent(step, result, channel, reason)
    if not missing and result is not None and channel is not None:
        points = limit.curve.points(result, result.channel(channel))
    curve = limit.curve_of(points)
    held = hold(limit.mask, curve)
    undecided = Verdict(
        step=step.name,
        quantity=limit.curve.key,
        unit=limit.curve.unit,
        words=limit.words,
        channel=channel,
        value=held.margin,
        uncertainty=held.uncertainty,
        bound="",
        at_least=0.0,
        at_most=None,
        difference_at_most=None,
        source=limit.source,
        verdict="undecided",
        mask=MaskRow(mask=limit.mask, curve=curve, held=held),
    )
    row = replace(undecided, verdict=decided(undecided))
    return replace(row, reason=_with_not_stated(step, missing or _why_of_mask(row, held)))


def _why_of_mask(row: Verdict, held: Held) -> str:
    """Return where the curve has its least margin, and why that did not decide; for a pass the former alone."""
    gaps = "; ".join(held.gaps)
    if held.worst_hz is None:
        return f"missing: {gaps}"
    at = f"at {hertz(held.worst_hz)}, from the {held.edge} edge"
    if row.verdict == "fail":
        return f"furthest outside {at}"
    if held.margin is not None and held.uncertainty is not None and held.margin < held.uncertainty:
        return "; ".join(filter(None, (f"the edge lies inside the uncertainty {at}", gaps)))
    return f"{gaps}; elsewhere least {at}" if gaps else f"least {at}"


def _absent(step: PlanStep, result: Result | None, channel: int | None, reason: str) -> str:
    """Return why there is nothing of a channel to judge; '' when there is."""
    if result is None:
        return f"missing: {reason}" if reason else "missing: not measured"
    if all(each.channel != channel for each in result.channels):
        return f"missing: channel {channel} was {NOT_ENTERED if isinstance(step, Reading) else 'not measured'}"
    return ""


def _channels(limit: Limit | MaskLimit, result: Result | None, step: PlanStep) -> Sequence[int | None]:
    if limit.channel is not None:
        return (limit.channel,)
    if step.channels is not None:
        return step.channels or (WHOLE_UNIT,)
    if isinstance(step, Instruction):
        return (WHOLE_UNIT,)
    return [found.channel for found in result.channels] if result is not None and result.channels else (None,)


def _reading(limit: Limit, result: Result | None, step: PlanStep, channel: int | None, reason: str) -> _Reading:
    if missing := _absent(step, result, channel, reason):
        return _Reading(reason=missing)
    assert result is not None
    assert channel is not None
    return _reading_of(result.channel(channel), limit.quantity)


def _change(
    limit: Limit,
    result: Result | None,
    step: PlanStep,
    channel: int | None,
    reason: str,
    former: Former | None,
) -> _Reading:
    """Return by how much a figure changed since a visit before, or why that can't be told."""
    now = _reading(limit, result, step, channel, reason)
    if now.value is None or result is None or channel is None:
        return now
    if former is None:
        return _Reading(reason="missing: no earlier visit was looked for")
    then = former.of(limit.since, step, result, channel)
    if isinstance(then, str):
        return _Reading(reason=f"missing: {then}")
    before = _reading_of(then.channel, limit.quantity)
    if before.value is None:
        return _Reading(reason="missing: it was not known at that visit")
    half = then.half_width(result.channel(channel), limit.quantity)
    return _less(now, before, half, _NO_CHANGE)


def _reading_of(found: ChannelResult, quantity: str) -> _Reading:
    value = _number(found.values, quantity)
    if value is None:
        return _Reading(reason="missing: it could not be measured under these conditions")
    uncertainty = _number(found.uncertainty, quantity)
    if uncertainty is not None and uncertainty < 0.0:
        uncertainty = None
    return _Reading(
        value=value,
        uncertainty=uncertainty,
        bound=str(found.bound.get(quantity, "")),
        answer=str(found.values.get("answer", "")),
    )


def _number(values: Mapping[str, Any], key: str) -> float | None:
    value = values.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    return float(value)


def _difference(limit: Limit, result: Result | None, step: PlanStep, reason: str) -> _Reading:
    """Return the largest difference between channels, with what the uncertainties of these two leave of it."""
    channels = list(_channels(limit, result, step))
    readings = [_reading(limit, result, step, channel, reason) for channel in channels]
    values = [reading.value for reading in readings if reading.value is not None]
    if len(values) < len(readings):
        return next(reading for reading in readings if reading.value is None)
    if len(values) < 2:
        return _Reading(reason="missing: a difference needs two channels")
    assert result is not None
    lowest, highest = (pick(range(len(values)), key=values.__getitem__) for pick in (min, max))
    both = [result.channel(number) for number in (channels[highest], channels[lowest]) if number is not None]
    known = all(readings[place].uncertainty is not None for place in (lowest, highest))
    half = difference_half_width(both[0], both[1], limit.quantity) if known else None
    told = _less(readings[highest], readings[lowest], half, _NO_DIFFERENCE)
    others = [reading for place, reading in enumerate(readings) if place not in (lowest, highest)]
    if told.bound == AT_MOST or any(reading.bound for reading in others):
        return _Reading(reason=f"{_BENCH_LIMITED}, and {_NO_DIFFERENCE}")  # nobody knows which of them is the highest
    return told


def _less(one: _Reading, other: _Reading, half_width: float | None, unknown: str) -> _Reading:
    """Return a value less another one; of two bounds only those that leave a bound.

    half_width : of the difference.   unknown : what can't be told else.
    """
    assert one.value is not None
    assert other.value is not None
    bounds = {one.bound, _turned(other.bound)} - {""}
    if len(bounds) > 1:
        return _Reading(reason=f"{_BENCH_LIMITED}, and {unknown}")
    return _Reading(value=one.value - other.value, uncertainty=half_width, bound="".join(bounds))


def _turned(bound: str) -> str:
    """Return what a bound is once its value's sign is turned."""
    return bound and (AT_LEAST if bound == AT_MOST else AT_MOST)


def _row(limit: Limit, step: PlanStep, channel: int | None, reading: _Reading) -> Verdict:
    change = limit.change_at_most
    undecided = Verdict(
        step=step.name,
        quantity=limit.quantity,
        unit=limit.unit,
        words=limit.words,
        channel=channel or None,
        value=reading.value,
        uncertainty=reading.uncertainty,
        bound=reading.bound,
        at_least=limit.at_least if change is None else -change,
        at_most=limit.at_most if change is None else change,
        difference_at_most=limit.difference_at_most,
        source=limit.source,
        verdict="undecided",
        since=limit.since,
        expected=step.expected if isinstance(step, Instruction) else "",
        answer=reading.answer,
    )
    row = replace(undecided, verdict=decided(undecided))
    return replace(row, reason=_with_not_stated(step, _why(row, reading.reason)))


def _with_not_stated(step: PlanStep, reason: str) -> str:
    """Return a reason with what the maker's words leave out, also for a pass: it holds for what was taken."""
    left_out = [words.partition(" (taken")[0] for words in step.not_stated] if isinstance(step, Step) else []
    return "; ".join(filter(None, (reason, f"not stated: {', '.join(left_out)}" if left_out else "")))


def _subject(row: Verdict) -> str:
    if row.since:
        return "the change"
    return "the unit's own value" if row.difference_at_most is None else "the difference"


def _why(row: Verdict, missing: str) -> str:
    """Return why a row did not pass."""
    if row.value is None:
        return missing
    if row.bound:
        unit, factor = shown_in(row.unit, row.value)
        own = f"{row.bound} {row.value * factor:.3g} {unit}".rstrip()
        return f"bench-limited: {_subject(row)} is {own}, and no more can be told on this bench"
    if row.uncertainty is None:
        return "its uncertainty is not known"
    if row.expected:
        return "" if row.verdict == "pass" else "another answer than the expected one"
    return {
        "pass": "",
        "fail": "outside the limit by more than its uncertainty",
        "undecided": "the limit lies inside the uncertainty",
    }[row.verdict]
