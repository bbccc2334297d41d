"""Records as plain rows: one row a value, with whose it is, when and under which step it was found, and its unit.

Tables of an archive are made from these rows alone. A record that was changed since it was closed gives none: what it
says proves nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.measurement import registry
from audiomeas.measurement.budget import unit_of
from audiomeas.measurement.curves import number
from audiomeas.record.archive import corrects
from audiomeas.record.entry import Correction
from audiomeas.record.stage import stay_in
from audiomeas.record.void import Later, later_of, verdict_since

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result
    from audiomeas.record.verdict_row import Verdict
    from audiomeas.record.visit import StepRecord, Visit

Cell = str | float | int | bool | None
Row = Mapping[str, Cell]

#: Whose, when, where: the columns that every table begins with.
VISIT_COLUMNS = (
    "maker", "model", "serial", "tag", "kind", "stage", "stay", "opened_at_utc", "simulated", "audiomeas", "plan",
    "closed", "record",
)  # fmt: skip
STEP_COLUMNS = ("step_number", "step", "step_status", "measurement")
#: One row a value, or a text in its place (an answer, a remark). 'void': work on the unit came after it;
#: 'corrected_to': what the logbook says is right.
VALUE_COLUMNS = (
    *VISIT_COLUMNS, *STEP_COLUMNS, "channel", "quantity", "words", "value", "unit", "uncertainty_95", "bound", "text",
    "void", "corrected_to",
)  # fmt: skip
#: One row a limit of a channel.
LIMIT_COLUMNS = (
    *VISIT_COLUMNS, *STEP_COLUMNS, "channel", "quantity", "words", "value", "unit", "uncertainty_95", "bound",
    "limit_at_least", "limit_at_most", "limit_difference_at_most", "limit", "limit_source", "verdict", "reason", "void",
    "corrected_to",
)  # fmt: skip
#: One row a visit.
SUMMARY_COLUMNS = (*VISIT_COLUMNS, "verdict", "pass", "fail", "undecided", "steps", "steps_with_result")


def value_rows(visit: Visit, later: Later | None = None) -> Iterator[dict[str, Cell]]:
    """Yield a row for each number and text of each step. later : what the logbook says of the visit; None: it is read.

    A step without a result has one row without a value, so that what is missing is seen. Raises FileProblem.
    """
    since = later_of(visit) if later is None else later
    for step in visit.verified().steps:
        head = _step_facts(visit, step, since)
        if step.result is None:
            yield head
            continue
        words = _words(step.result)
        for channel in step.result.channels:
            for key, value in channel.values.items():
                known, text = number(value), value if isinstance(value, str) else ""
                if known is None and not text and not (value is None and key in words):
                    continue
                yield {
                    **head,
                    "channel": channel.channel or None,
                    "quantity": key,
                    "words": words[key][0] if key in words else "",
                    "value": known,
                    "unit": words[key][1] if key in words else unit_of(key),
                    "uncertainty_95": number(channel.uncertainty.get(key)),
                    "bound": str(channel.bound.get(key, "")),
                    "text": text,
                    "corrected_to": _corrected(since, step.name, key, channel.channel),
                }


def limit_rows(visit: Visit, later: Later | None = None) -> Iterator[dict[str, Cell]]:
    """Yield a row for each limit of each channel, with its verdict as it was given. Raises FileProblem."""
    since = later_of(visit) if later is None else later
    for step in visit.verified().steps:
        for row in step.verdicts:
            yield {**_step_facts(visit, step, since), **_limit_facts(row, since)}


def _limit_facts(row: Verdict, since: Later) -> dict[str, Cell]:
    return {
        "channel": row.channel or None,
        "quantity": row.quantity,
        "words": row.words,
        "value": row.value,
        "unit": row.unit,
        "uncertainty_95": row.uncertainty,
        "bound": row.bound,
        "limit_at_least": row.at_least,
        "limit_at_most": row.at_most,
        "limit_difference_at_most": row.difference_at_most,
        "limit": row.limit_text(),
        "limit_source": row.source,
        "verdict": row.verdict,
        "reason": row.reason,
        "corrected_to": _corrected(since, row.step, row.quantity, row.channel),
    }


def summary_row(visit: Visit, later: Later | None = None) -> dict[str, Cell]:
    """Return one row of a whole visit, its verdict as it stands now. Raises FileProblem."""
    words = [row.verdict for row in visit.verified().verdicts]
    return {
        **visit_facts(visit),
        "verdict": verdict_since(visit, later_of(visit) if later is None else later),
        **{word: words.count(word) for word in ("pass", "fail", "undecided")},
        "steps": len(visit.planned_steps),
        "steps_with_result": sum(step.result is not None for step in visit.steps),
    }


def point_rows(visit: Visit) -> Iterator[dict[str, Cell]]:
    """Yield a row for each point of each list of a result: 'frequency_hz', and what stands beside it.

    Lists of one length that a channel has are one table; rows of a list (harmonics, steps) another, named by it.
    Raises FileProblem.
    """
    for step in visit.verified().steps:
        if step.result is None:
            continue
        head = _step_facts(visit, step, None)
        for channel in step.result.channels:
            for name, points in _tables(channel):
                for point in points:
                    yield {**head, "channel": channel.channel or None, "list": name, **point}


def _tables(channel: ChannelResult) -> Iterator[tuple[str, Sequence[Mapping[str, Cell]]]]:
    by_length: dict[int, dict[str, Sequence[Any]]] = {}
    for key, value in channel.values.items():
        if isinstance(value, Mapping):  # a spectrum, an impulse: lists of their own
            yield from _columns_of(key, {name: item for name, item in value.items() if _is_list(item)})
        elif _is_list(value) and value and isinstance(value[0], Mapping):
            yield key, [_flat(row) for row in value]
        elif _is_list(value) and value:
            by_length.setdefault(len(value), {})[key] = value
    for lists in by_length.values():
        yield from _columns_of("curve", lists)


def _columns_of(name: str, lists: Mapping[str, Sequence[Any]]) -> Iterator[tuple[str, Sequence[Mapping[str, Cell]]]]:
    lengths = {len(one) for one in lists.values()}
    for length in sorted(lengths):
        alike = {key: one for key, one in lists.items() if len(one) == length}
        yield (
            name,
            [
                {key: _cell(value) for key, value in zip(alike, row, strict=True)}
                for row in zip(*alike.values(), strict=True)
            ],
        )


def _flat(row: Mapping[str, Any]) -> dict[str, Cell]:
    """Return a row without what is nested in it, uncertainties by their key."""
    plain = {key: _cell(value) for key, value in row.items() if not isinstance(value, (Mapping, list, tuple))}
    halves, bounds = row.get("uncertainty"), row.get("bound")
    if isinstance(halves, Mapping):
        plain.update({f"{key}_uncertainty_95": number(half) for key, half in halves.items()})
    if isinstance(bounds, Mapping):
        plain.update({f"{key}_bound": str(word) for key, word in bounds.items()})
    return plain


def _cell(value: Any) -> Cell:
    return value if value is None or isinstance(value, (str, bool, int)) else number(value)


def _is_list(value: Any) -> bool:
    return isinstance(value, (list, tuple))


def visit_facts(visit: Visit) -> dict[str, Cell]:
    """Return whose, when and where a visit was."""
    unit = visit.unit
    return {
        "maker": unit.maker,
        "model": unit.model,
        "serial": unit.serial,
        "tag": unit.tag,
        "kind": unit.kind,
        "stage": visit.stage,
        "stay": stay_in(visit.facts),
        "opened_at_utc": f"{visit.opened_at:%Y-%m-%dT%H:%M:%SZ}",
        "simulated": visit.simulated,
        "audiomeas": visit.version,
        "plan": visit.plan_title,
        "closed": visit.finished,
        "record": visit.path.as_posix(),
    }


def _step_facts(visit: Visit, step: StepRecord, since: Later | None) -> dict[str, Cell]:
    void = since is not None and any(each.step == step.name for each in since.void)
    return {
        **visit_facts(visit),
        "step_number": step.number,
        "step": step.name,
        "step_status": step.status,
        "measurement": step.measurement,
        **({} if since is None else {"void": void}),
    }


def _words(result: Result) -> dict[str, tuple[str, str]]:
    """Return the words and the unit of each figure."""
    return {
        figure.key: (figure.words, figure.unit) for figure in registry.find(result.measurement).told_figures(result)
    }


def _corrected(since: Later, step: str, quantity: str, channel: int | None) -> str:
    found = [
        each.content.to
        for each in since.corrections
        if isinstance(each.content, Correction) and corrects(each.content, step, quantity, channel or 0)
    ]
    return found[-1] if found else ""
