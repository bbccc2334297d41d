"""Entries of a logbook in words, and what a visit's page says of those that came after it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import groupby
from typing import TYPE_CHECKING

from audiomeas.present.stepnames import listed_steps
from audiomeas.present.text import clean_text
from audiomeas.record.entry import Attachment, Correction, Listening, Work

if TYPE_CHECKING:
    from audiomeas.record.entry import Entry
    from audiomeas.record.visit import Visit
    from audiomeas.record.void import Later, VoidStep


def later_lines(visit: Visit, later: Later) -> Iterator[str]:
    """Yield what a visit's page must say of what came after it, a sentence each."""
    measured = sum(step.result is not None for step in visit.steps)
    for _, group in groupby(sorted(later.void, key=lambda each: each.since.number), key=lambda each: each.since.number):
        steps = list(group)
        what = "all values" if len(steps) == measured else names_of(steps)
        yield f"Void since the {work_words(steps[0].since)}: {what}. To know how the unit is now, measure again."
    for entry in later.corrections:
        yield f"Corrected on {day(entry)}: {words_of(_in_words(entry, visit))}."
    if later.problem:
        yield f"Whether later work voids these values is not known: {later.problem}."


def _in_words(entry: Entry, visit: Visit) -> Entry:
    """Return a correction with its quantity as the page names it, where a row does."""
    content = entry.content
    assert isinstance(content, Correction)
    named = (row.words for row in visit.verdicts if (row.step, row.quantity) == (content.step, content.quantity))
    return replace(entry, content=replace(content, quantity=next(named, content.quantity)))


def day(entry: Entry) -> str:
    """Return '2026-11-26'."""
    return f"{entry.at:%Y-%m-%d}"


def work_words(entry: Entry) -> str:
    """Return 'repair of 2026-11-26 (output transistor, Q7)'."""
    assert isinstance(entry.content, Work)
    return f"{entry.kind} of {day(entry)} ({_part(entry.content)})"


def _part(work: Work) -> str:
    return ", ".join(filter(None, map(clean_text, (work.part, work.position))))


def names_of(steps: Iterable[VoidStep]) -> str:
    """Return the names of steps in one line."""
    return listed_steps([each.step for each in steps])


def words_of(entry: Entry) -> str:
    """Return what an entry says, without its day and kind."""
    content = entry.content
    if isinstance(content, Work):
        parts = [_part(content), content.reason, _change(content), _minutes(content.minutes), _voids(content)]
    elif isinstance(content, Listening):
        parts = [content.text, _minutes(content.minutes)]
    elif isinstance(content, Attachment):
        parts = [content.caption, content.name, content.file]
    elif isinstance(content, Correction):
        parts = [_corrected(content), content.reason]
    else:
        parts = [f"entry {content.entry} counts no longer", content.reason]
    return clean_text("; ".join(filter(None, parts)))


def done_words(entry: Entry) -> str:
    """Return work as a customer reads it: 'repair: transistor (Q7); reason: shorted; before 0 ohm, after new'."""
    work = entry.content
    assert isinstance(work, Work)
    part = f"{work.part} ({work.position})" if work.position else work.part
    reason = f"reason: {work.reason}" if work.reason else ""
    return clean_text("; ".join(filter(None, (f"{entry.kind}: {part}", reason, _change(work)))))


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
