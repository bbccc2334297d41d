"""Two visits side by side: each figure of each step as it was and as it is, with what lies between them.

A figure is compared where both visits measured it in the same step under the same conditions; every row that can't be
is named, with the reason.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError
from audiomeas.measurement import registry
from audiomeas.record.change import (
    Change,
    ChangeWord,
    Practice,
    Side,
    as_side,
    change_half_width,
    counted,
    judged,
    most_changed,
    same_calibrations,
)

if TYPE_CHECKING:
    from audiomeas.measurement.base import Figure, Measurement
    from audiomeas.measurement.curves import Curve
    from audiomeas.measurement.result import ChannelResult, Result
    from audiomeas.record.visit import StepRecord, Visit

#: Conditions of a result without which its numbers mean something else. What a capture finds by itself is none of them.
_CONDITIONS = (
    "sample_rate_hz", "driven_channels", "driving", "load_ohm", "loudspeakers", "band_hz", "band_edges", "weighting",
    "detector", "filter", "level_of", "averages", "averaging", "criterion", "thd_reference", "thd_n_reference",
    "harmonic_limit_hz", "gain_reference", "reference_hz", "what", "unit", "waived",
)  # fmt: skip
#: Loads this close (relative) are alike: one that is measured again, or is warm, is no other load.
_ALIKE_LOADS = 0.02
#: Other numbers this close are one: a sweep's points are not round.
_ALIKE = 1e-3


@dataclass(frozen=True, kw_only=True)
class Compared:
    """One figure of one channel at both visits. frequency_hz : of a curve, where it changed most; else None."""

    step: str
    measurement: str
    quantity: str
    unit: str
    words: str
    channel: int
    before: Side
    after: Side
    change: Change
    frequency_hz: float | None = None


@dataclass(frozen=True, kw_only=True)
class NotCompared:
    """What can't be compared, and why. what : '' for a whole step, else channel and figure in words."""

    step: str
    what: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class OtherAnswer:
    """A question that was answered otherwise: it is no number, and has no uncertainty."""

    step: str
    before: str
    after: str


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Two visits side by side. shared_calibration : their errors of calibration are the same, and cancel.

    answers : those that are other ones; `counts` are of the rows alone.
    notes : what else the two visits have not in common, a line each.
    """

    before: Visit
    after: Visit
    rows: tuple[Compared, ...]
    not_compared: tuple[NotCompared, ...]
    shared_calibration: bool
    practice: Practice
    answers: tuple[OtherAnswer, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def simulated(self) -> bool:
        """One of the two was made on the simulated bench."""
        return self.before.simulated or self.after.simulated

    def counts(self) -> dict[ChangeWord, int]:
        """Return how many rows changed, did not, and can't be told."""
        return counted(row.change for row in self.rows)

    def as_json(self) -> dict[str, Any]:
        """Return the comparison as one JSON object."""
        return {
            "simulated": self.simulated,
            "before": _visit_facts(self.before),
            "after": _visit_facts(self.after),
            "shared_calibration": self.shared_calibration,
            "least_change": asdict(self.practice),
            "counts": self.counts(),
            "rows": [asdict(row) for row in self.rows],
            "answers": [asdict(row) for row in self.answers],
            "not_compared": [asdict(row) for row in self.not_compared],
            "notes": list(self.notes),
        }


def _visit_facts(visit: Visit) -> dict[str, Any]:
    return {
        "record": str(visit.path),
        "unit": visit.unit.as_json(),
        "stage": visit.stage,
        "opened_at": visit.facts["opened_at"],
        "plan": visit.plan_title,
        "audiomeas": visit.version,
        "simulated": visit.simulated,
    }


def compare_visits(before: Visit, after: Visit, *, practice: Practice | None = None) -> Comparison:
    """Compare two visits, the earlier one first. practice : the least changes that count; None: what is usual.

    Raises RequestError: it is one visit twice, or one was made on the simulated bench; FileProblem: one was changed
    since it was closed.
    """
    before.verified()
    after.verified()
    if before.path.resolve() == after.path.resolve():
        raise RequestError(f"{before.path} can't be compared with itself: give two visits")
    if before.simulated != after.simulated:
        simulated, real = (before, after) if before.simulated else (after, before)
        raise RequestError(f"{simulated.path} is SIMULATED and {real.path} is not: they have nothing in common")
    shared = same_calibrations(before, after)
    going = _Walk(shared, practice or Practice())
    then, now = ({step.name: step for step in visit.steps} for visit in (before, after))
    for name in dict.fromkeys([*then, *before.planned_steps, *now, *after.planned_steps]):
        going.step(name, then.get(name), now.get(name))
    return Comparison(
        before=before,
        after=after,
        rows=tuple(going.rows),
        not_compared=tuple(going.left_out),
        shared_calibration=shared,
        practice=going.practice,
        answers=tuple(going.answers),
        notes=tuple(_notes(before, after)),
    )


def _notes(before: Visit, after: Visit) -> Iterator[str]:
    if before.unit.name != after.unit.name:
        yield f"these are two units: {before.unit.name}, and {after.unit.name}"
    if before.version != after.version:
        yield f"measured by audiomeas {before.version} and {after.version}: `audiomeas reanalyze` tells what that moves"
    if before.opened_at > after.opened_at:
        yield "the visit named first is the later one"
    for visit in (before, after):
        if not visit.finished:
            yield f"{visit.path} was not closed: it was broken off, or is still going on"


class _Walk:
    """A comparison under way through the steps."""

    def __init__(self, shared: bool, practice: Practice) -> None:
        self._shared = shared
        self.practice = practice
        self.rows: list[Compared] = []
        self.left_out: list[NotCompared] = []
        self.answers: list[OtherAnswer] = []

    def step(self, name: str, then: StepRecord | None, now: StepRecord | None) -> None:
        """Compare one step, or say why it can't be."""
        reason = _unlike(then, now)
        if reason or then is None or now is None or then.result is None or now.result is None:
            self.left_out.append(NotCompared(step=name, what="", reason=reason))
            return
        measurement = registry.find(then.measurement)
        for channel in then.result.channels:
            other = next((one for one in now.result.channels if one.channel == channel.channel), None)
            if other is None:
                self._leave_out(name, channel, "", "was not measured after")
                continue
            for figure in _said_once(measurement.told_figures(then.result)):
                self._figure(name, then.measurement, figure, channel, other)
            for curve in measurement.curves:
                self._curve(name, measurement, curve, (then.result, channel), (now.result, other))
            self._answer(name, channel, other)
        known = {channel.channel for channel in then.result.channels}
        for channel in now.result.channels:
            if channel.channel not in known:
                self._leave_out(name, channel, "", "was not measured before")

    def _figure(self, step: str, word: str, figure: Figure, then: ChannelResult, now: ChannelResult) -> None:
        before, after = as_side(then, figure.key), as_side(now, figure.key)
        if before is None and after is None:
            return
        if before is None or after is None:
            when = "before" if before is None else "after"
            self._leave_out(step, then, figure.words, f"could not be measured {when}")
            return
        half = change_half_width(then, now, figure.key, shared=self._shared)
        least = self.practice.least(figure.key, figure.unit, before.value)
        self.rows.append(
            Compared(
                step=step,
                measurement=word,
                quantity=figure.key,
                unit=figure.unit,
                words=figure.words,
                channel=then.channel,
                before=before,
                after=after,
                change=judged(before, after, half, least),
            )
        )

    def _curve(
        self,
        step: str,
        measurement: Measurement,
        curve: Curve,
        then: tuple[Result, ChannelResult],
        now: tuple[Result, ChannelResult],
    ) -> None:
        before, after = curve.points(*then), curve.points(*now)
        if all(point.value is None for point in (*before, *after)):
            return
        words = f"{curve.words} against frequency"
        same = len(before) == len(after) and all(
            math.isclose(one.frequency_hz, other.frequency_hz, rel_tol=_ALIKE)
            for one, other in zip(before, after, strict=True)
        )
        if not same:
            self._leave_out(step, then[1], words, "was measured at other frequencies")
            return
        worst = most_changed(before, after, key=curve.key, unit=curve.unit, shared=self._shared, practice=self.practice)
        if worst is None:
            self._leave_out(step, then[1], words, "has no point that is a value, and no bound, both times")
            return
        frequency_hz, side, other, change = worst
        self.rows.append(
            Compared(
                step=step,
                measurement=measurement.word,
                quantity=curve.key,
                unit=curve.unit,
                words=words,
                channel=then[1].channel,
                before=side,
                after=other,
                change=change,
                frequency_hz=frequency_hz,
            )
        )

    def _answer(self, step: str, then: ChannelResult, now: ChannelResult) -> None:
        """Keep an answer that is another one."""
        before, after = (str(channel.values.get("answer", "")) for channel in (then, now))
        if before != after:
            self.answers.append(OtherAnswer(step=step, before=before, after=after))

    def _leave_out(self, step: str, channel: ChannelResult, words: str, reason: str) -> None:
        where = f"channel {channel.channel}" if channel.channel else ""
        self.left_out.append(NotCompared(step=step, what=", ".join(filter(None, (where, words))), reason=reason))


def _said_once(figures: tuple[Figure, ...]) -> list[Figure]:
    """Return figures without those that are another one in decibels: they would tell each change twice."""
    keys = {figure.key for figure in figures}

    def twice(key: str) -> bool:
        in_db, in_dbfs = key.removesuffix("_db"), key.removesuffix("_dbfs")
        return (in_db != key and f"{in_db}_percent" in keys) or (
            in_dbfs != key and bool({f"{in_dbfs}_v_rms", f"{in_dbfs}_v"} & keys)
        )

    return [figure for figure in figures if not twice(figure.key)]


def _unlike(then: StepRecord | None, now: StepRecord | None) -> str:
    """Return why a step can't be compared; '' when it can."""
    for step, when in ((then, "before"), (now, "after")):
        if step is None:
            return f"was not made {when}"
        if step.result is None:
            return f"has no result {when}: {step.reason or step.status}"
    assert then is not None and then.result is not None
    assert now is not None and now.result is not None
    if then.measurement != now.measurement:
        return f"was {then.measurement} before, {now.measurement} after"
    return _other(_asked(then), _asked(now)) or _other(_found(then.result), _found(now.result))


def _asked(step: StepRecord) -> dict[str, Any]:
    """Return what a step asked for, defaults included: one that is written down is no other condition."""
    defaults = {option.name: option.default for option in registry.find(step.measurement).options}
    return {**defaults, **{key: value for key, value in step.conditions.items() if value is not None}}


def _found(result: Result) -> dict[str, Any]:
    facts = {**result.conditions, "sample_rate_hz": result.sample_rate_hz}
    return {key: facts[key] for key in _CONDITIONS if key in facts}


def _other(before: Mapping[str, Any], after: Mapping[str, Any]) -> str:
    """Return the first condition that is another one, in words; '' where all are alike."""
    for key in dict.fromkeys([*before, *after]):
        one, other = before.get(key), after.get(key)
        if not _alike(one, other, _ALIKE_LOADS if key == "load_ohm" else _ALIKE):
            return f"other conditions: {key} was {_shown(one)} before, {_shown(other)} after"
    return ""


def _alike(one: Any, other: Any, within: float) -> bool:
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_alike(one[key], other[key], within) for key in one)
    if isinstance(one, (list, tuple)) and isinstance(other, (list, tuple)):
        return len(one) == len(other) and all(_alike(*pair, within) for pair in zip(one, other, strict=True))
    numbers = [value for value in (one, other) if isinstance(value, (int, float)) and not isinstance(value, bool)]
    return math.isclose(*numbers, rel_tol=within) if len(numbers) == 2 else bool(one == other)


def _shown(value: Any) -> str:
    return "not there" if value is None else str(value)
