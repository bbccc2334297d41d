"""A unit's logbook in words: its entries, what of earlier results no longer holds, and what a page says of that."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby
from typing import TYPE_CHECKING

from audiomeas.present.outcome import folded
from audiomeas.present.stepnames import listed_steps
from audiomeas.present.text import clean_text
from audiomeas.record.entry import Attachment, Correction, Listening, Work

if TYPE_CHECKING:
    from audiomeas.record.entry import Entry
    from audiomeas.record.unit import Unit
    from audiomeas.record.visit import Visit
    from audiomeas.record.void import Later, Standing, VoidStep

_INDENT = 4


def logbook_text(unit: Unit, entries: Iterable[Entry], standing: Standing, *, width: int = 80) -> str:
    """Return a logbook as lines of at most `width` columns: its entries, then what no longer holds."""
    lines = folded("", f"{unit.name}: logbook", 0, width)
    shown = [line for entry in entries for line in entry_lines(entry, width=width)]
    return "\n".join([*lines, "", *(shown or ["nothing was written yet"]), "", *standing_lines(standing, width=width)])


def entry_lines(entry: Entry, *, width: int = 80) -> list[str]:
    """Return an entry as lines: its number, day, kind and words."""
    by = f"; by {entry.by}" if entry.by else ""
    return folded(f"{entry.number}  ", f"{_day(entry)}, {entry.kind}: {_words(entry)}{by}", _INDENT, width)


def standing_lines(standing: Standing, *, width: int = 80) -> list[str]:
    """Return which results no longer hold since which work, and what to measure again."""
    if not standing.void:
        return ["no result is void"]
    lines: list[str] = []
    for _, group in groupby(standing.void, key=lambda each: (each.visit, each.since.number)):
        steps = list(group)
        text = f"void since the {_work_words(steps[0].since)}, in {steps[0].visit.name}: {_names(steps)}"
        lines += folded("", text, _INDENT, width)
    again = listed_steps(standing.measure_again) if standing.measure_again else "nothing, it was done already"
    return [*lines, *folded("", f"measure again: {again}", _INDENT, width)]


def later_lines(visit: Visit, later: Later) -> Iterator[str]:
    """Yield what a visit's page must say of what came after it, a sentence each."""
    measured = sum(step.result is not None for step in visit.steps)
    for _, group in groupby(sorted(later.void, key=lambda each: each.since.number), key=lambda each: each.since.number):
        steps = list(group)
        what = "all values" if len(steps) == measured else _names(steps)
        yield f"Void since the {_work_words(steps[0].since)}: {what}. To know how the unit is now, measure again."
    for entry in later.corrections:
        yield f"Corrected on {_day(entry)}: {_words(entry)}."
    if later.problem:
        yield f"Whether later work voids these values is not known: {later.problem}."


def _day(entry: Entry) -> str:
    return f"{entry.at:%Y-%m-%d}"


def _work_words(entry: Entry) -> str:
    """Return 'repair of 2026-11-26 (output transistor, Q7)'."""
    assert isinstance(entry.content, Work)
    return f"{entry.kind} of {_day(entry)} ({_part(entry.content)})"


def _part(work: Work) -> str:
    return ", ".join(filter(None, map(clean_text, (work.part, work.position))))


def _names(steps: Iterable[VoidStep]) -> str:
    return listed_steps([each.step for each in steps])


def _words(entry: Entry) -> str:
    content = entry.content
    if isinstance(content, Work):
        parts = [_part(content), content.reason, _change(content), _minutes(content.minutes), _voids(content)]
    elif isinstance(content, Listening):
        parts = [content.text, _minutes(content.minutes)]
    elif isinstance(content, Attachment):
        parts = [content.caption, content.name, content.file]
    else:
        parts = [_corrected(content), content.reason]
    return clean_text("; ".join(filter(None, parts)))


def _change(work: Work) -> str:
    before, after = f"before {work.before}" if work.before else "", f"after {work.after}" if work.after else ""
    return ", ".join(filter(None, (before, after)))


def _minutes(minutes: float | None) -> str:
    return "" if minutes is None else f"{minutes:g} min"


def _voids(work: Work) -> str:
    if work.voids is None:
        return ""
    return f"voids {', '.join(work.voids)}" if work.voids else "voids nothing"


def _corrected(correction: Correction) -> str:
    channel = "" if correction.channel is None else f"channel {correction.channel}"
    where = ", ".join(filter(None, (correction.step, correction.quantity, channel)))
    return f"{where}: {correction.to}" + (f" instead of {correction.stood}" if correction.stood else "")
