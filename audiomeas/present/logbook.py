"""A unit's logbook in lines for the terminal: its entries, and what of earlier results no longer holds."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby
from typing import TYPE_CHECKING

from audiomeas.present.entries import day, names_of, words_of, work_words
from audiomeas.present.outcome import folded
from audiomeas.present.stepnames import listed_steps

if TYPE_CHECKING:
    from audiomeas.record.entry import Entry
    from audiomeas.record.unit import Unit
    from audiomeas.record.void import Standing

_INDENT = 4


def logbook_text(unit: Unit, entries: Iterable[Entry], standing: Standing, *, width: int = 80) -> str:
    """Return a logbook as lines of at most `width` columns: its entries, then what no longer holds."""
    lines = folded("", f"{unit.name}: logbook", 0, width)
    shown = [line for entry in entries for line in entry_lines(entry, width=width)]
    return "\n".join([*lines, "", *(shown or ["nothing was written yet"]), "", *standing_lines(standing, width=width)])


def entry_lines(entry: Entry, *, width: int = 80) -> list[str]:
    """Return an entry as lines: its number, day, kind and words."""
    by = f"; by {entry.by}" if entry.by else ""
    return folded(f"{entry.number}  ", f"{day(entry)}, {entry.kind}: {words_of(entry)}{by}", _INDENT, width)


def standing_lines(standing: Standing, *, width: int = 80) -> list[str]:
    """Return which results no longer hold since which work, and what to measure again."""
    if not standing.void:
        return ["no result is void"]
    lines: list[str] = []
    for _, group in groupby(standing.void, key=lambda each: (each.visit, each.since.number)):
        steps = list(group)
        text = f"void since the {work_words(steps[0].since)}, in {steps[0].visit.name}: {names_of(steps)}"
        lines += folded("", text, _INDENT, width)
    again = listed_steps(standing.measure_again) if standing.measure_again else "nothing, it was done already"
    return [*lines, *folded("", f"measure again: {again}", _INDENT, width)]
