"""A unit's history in lines for the terminal: its visits and its logbook in the order of time, stay by stay."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from audiomeas.measurement.result import SIMULATED_NOTE
from audiomeas.present.logbook import entry_lines, standing_lines
from audiomeas.present.outcome import folded
from audiomeas.record.archive import counts_of

if TYPE_CHECKING:
    from audiomeas.record.archive import History
    from audiomeas.record.verdict_row import Word
    from audiomeas.record.visit import Visit

_INDENT = 4


def history_text(history: History, *, width: int = 80) -> str:
    """Return a history as lines of at most `width` columns (a path is never broken)."""
    kinds = dict.fromkeys(visit.unit.kind for visit in history.visits if visit.unit.kind)
    head = f"{history.unit.name} ({', '.join(kinds)})" if kinds else history.unit.name
    lines = [*folded("", head, 0, width), str(history.path)]
    if any(visit.simulated for visit in history.visits):
        lines += folded("", SIMULATED_NOTE, 0, width)
    stay = 0
    for its_stay, block in _blocks(history, width):
        if its_stay != stay and max(history.stays, default=1) > 1:
            lines += ["", f"stay {its_stay}"]
        stay = its_stay
        lines += ["", *block]
    if not (history.visits or history.entries or history.unreadable):
        lines += ["", "nothing was measured or written yet"]
    for problem in history.unreadable:
        lines += ["", *folded("can't be read: ", problem, _INDENT, width)]
    if history.entries:
        lines += ["", *standing_lines(history.standing, width=width)]
    return "\n".join(lines)


def _blocks(history: History, width: int) -> list[tuple[int, list[str]]]:
    """Return visits and entries of the logbook in the order of time, each with its stay."""
    found: list[tuple[datetime, int, list[str]]] = []
    for visit, stay, verdict in zip(history.visits, history.stays, history.verdicts, strict=True):
        found.append((visit.opened_at, stay, _visit_lines(visit, verdict, width)))
    for entry in history.entries:
        before = [
            stay for visit, stay in zip(history.visits, history.stays, strict=True) if visit.opened_at <= entry.at
        ]
        stay = before[-1] if before else min(history.stays, default=1)
        found.append((entry.at, stay, entry_lines(entry, width=width)))
    return [(stay, lines) for _, stay, lines in sorted(found, key=lambda each: each[0])]


def _visit_lines(visit: Visit, verdict: Word | None, width: int) -> list[str]:
    counts = ", ".join(f"{number} {word}" for word, number in counts_of(visit).items() if number)
    judged = (f"{verdict} ({counts})" if counts else verdict) if verdict else "no limits"
    text = f"{visit.opened_at:%Y-%m-%d %H:%M} UTC, {visit.stage}: {judged}; {visit.plan_title}"
    lines = [*folded("", text, _INDENT, width), f"{' ' * _INDENT}{visit.path.name}"]
    if not visit.finished:
        lines += folded(" " * _INDENT, "not closed: broken off, sealed, or still going on", _INDENT, width)
    if visit.damage:
        lines += folded(" " * _INDENT, visit.damage, _INDENT, width)
    return lines
