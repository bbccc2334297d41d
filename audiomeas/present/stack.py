"""A stack in lines for the terminal: each unit with its verdict and what kept it from passing, and what stands out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from audiomeas.measurement.result import SIMULATED_NOTE, WHOLE_UNIT
from audiomeas.measurement.views import Column, TableView
from audiomeas.present.digits import plain
from audiomeas.present.tables import render_table, wrapped
from audiomeas.record.standing_out import FEWEST, StandingOut, standing_out
from audiomeas.record.visit import Visit
from audiomeas.shown_units import shown_in

_NO_LIMITS = "no limits"


@dataclass(frozen=True, kw_only=True)
class StackLine:
    """One unit of a stack. outcome : done, failed, skipped.  reason : why it failed or was skipped; '' where done."""

    number: int
    name: str
    stage: str
    outcome: str
    reason: str
    visit: Visit | None


def stack_text(title: str, lines: Sequence[StackLine], *, width: int = 80, colour: bool = False) -> str:
    """Return a stack as text of at most `width` columns."""
    visits = [line.visit for line in lines if line.visit is not None]
    one_stage = len({line.stage for line in lines}) == 1
    stage = () if one_stage else (Column(heading="stage"),)
    table = TableView(
        title=f"{title}, {lines[0].stage}" if one_stage else title,
        columns=(Column(heading="unit", decimals=0), Column(heading="name"), *stage, Column(heading="verdict")),
        rows=tuple(
            (float(line.number), line.name, *(() if one_stage else (line.stage,)), _verdict(line)) for line in lines
        ),
    )
    note = [SIMULATED_NOTE, ""] if any(visit.simulated for visit in visits) else []
    text = render_table(table, width=width, colour=colour)
    return "\n".join([*note, text, *_missed(lines, width), *_outliers(visits, width)])


def _missed(lines: Sequence[StackLine], width: int) -> list[str]:
    """Return what kept units from passing, a paragraph each, and an empty line."""
    told = [f"unit {line.number}, {line.name}: {why}" for line in lines if (why := _why(line))]
    if not told:
        return []
    return ["Not passed:", *(piece for one in told for piece in _item(one, width)), ""]


def _verdict(line: StackLine) -> str:
    if line.visit is None or line.outcome != "done":
        return line.outcome
    return line.visit.verdict or _NO_LIMITS


def _why(line: StackLine) -> str:
    """Return the rows that are not passed, or the reason why nothing was measured."""
    if line.reason or line.visit is None:
        return line.reason
    missed = [f"{row.step} ({row.verdict})" for row in line.visit.verdicts if row.verdict != "pass"]
    without = [f"{step.name} ({step.status})" for step in line.visit.steps if step.result is None]
    return "; ".join(dict.fromkeys([*missed, *without]))


def _outliers(visits: Sequence[Visit], width: int) -> list[str]:
    if len(visits) < FEWEST:
        return wrapped(f"What stands out is told from {FEWEST} units on; these are {len(visits)}.", width)
    found = standing_out(visits)
    if not found:
        return ["No figure of a unit stands out from those of the others."]
    lines = ["Standing out from the others (by median and median absolute deviation):"]
    whose: dict[tuple[str, int], list[StandingOut]] = {}
    for one in found:
        whose.setdefault((one.visit.unit.name, one.found.channel), []).append(one)
    for (name, channel), figures in whose.items():
        lines += wrapped(name if channel == WHOLE_UNIT else f"{name}, channel {channel}:", width)
        lines += [
            line for one in _told_once(figures) for line in _item(f"{standing_out_words(one)}", width)
        ]  # fmt: skip
    return lines


def _told_once(figures: Sequence[StandingOut]) -> list[StandingOut]:
    """Return figures without those that say in decibels what stands there in percent."""
    keys = {(one.step, one.found.figure.key) for one in figures}
    return [one for one in figures if (one.step, f"{one.found.figure.key.removesuffix('_db')}_percent") not in keys]


def _item(text: str, width: int) -> list[str]:
    """Return a text as an item of a list, its further lines set in."""
    return [f"{'- ' if number == 0 else '  '}{line}" for number, line in enumerate(wrapped(text, width - 2))]


def standing_out_words(one: StandingOut) -> str:
    """Return 'Distortion at 1 W: harmonic distortion 1.23 %, median of 5 units 0.012 %'."""
    found = one.found
    value, median = (_amount(number, found.figure.unit) for number in (found.value, found.median))
    return f"{one.step}: {found.figure.words} {value}, median of {found.results} units {median}"


def _amount(value: float, unit: str) -> str:
    shown, factor = shown_in(unit, value)
    return f"{plain(value * factor)} {shown}".rstrip()
