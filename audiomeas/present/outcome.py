"""A visit in lines for the terminal: whose, each value with its limit, the verdict, and where the record is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from audiomeas.measurement.result import SIMULATED_NOTE
from audiomeas.present.amounts import amount
from audiomeas.present.content import finding_of, findings_of, with_basis
from audiomeas.present.entries import later_lines
from audiomeas.present.small_words import before_value
from audiomeas.present.tables import wrapped
from audiomeas.present.text import BREAK, clean_text
from audiomeas.record.void import Later, verdict_since

if TYPE_CHECKING:
    from audiomeas.measurement.result import Result
    from audiomeas.present.content import Finding
    from audiomeas.record.verdict_row import Verdict
    from audiomeas.record.visit import StepRecord, Visit

#: What says nothing without what it refers to, or over which band it holds.
_OVER = ("snr_", "least_power_")
#: Of a step without limits so many figures are told: a search has thirty.
_MOST_FIGURES = 6
#: Behind the longest verdict word.
_COLUMN = len("  undecided  ")


def visit_text(visit: Visit, *, later: Later | None = None, width: int = 80) -> str:
    """Return a visit as lines of at most `width` columns (a word that is longer alone is broken; a path never is).

    later : what came into the unit's logbook since.
    """
    since = later or Later()
    lines = folded("", SIMULATED_NOTE, 0, width) if visit.simulated else []
    lines += folded("", f"{visit.unit.name}, {visit.stage}: {visit.plan_title}", 0, width)
    for step in visit.steps:
        lines += ["", *folded("", step.name, 0, width), *_step_lines(step, width)]
    measured = {step.name for step in visit.steps}
    for name in visit.planned_steps:
        if name not in measured:
            lines += ["", *folded("", name, 0, width), "  not run"]
    noted = [line for text in later_lines(visit, since) for line in folded("", text, 2, width)]
    lines += ["", *noted] if noted else []
    return "\n".join([*lines, "", f"verdict: {_verdict_words(visit, since)}", f"record: {visit.path}"])


def _verdict_words(visit: Visit, later: Later) -> str:
    if verdict_since(visit, later) != visit.verdict:
        return f"{verdict_since(visit, later)} (what no longer holds is never a pass)"
    if visit.verdict == "undecided" and not visit.complete:
        return "undecided (what is missing is never a pass)"
    return visit.verdict or "none, this plan has no limits"


def _step_lines(step: StepRecord, width: int) -> Iterator[str]:
    if step.result is None:
        yield from folded("  ", f"{step.status}: {step.reason}" if step.reason else step.status, 4, width)
    for number, text in enumerate(_unlimited_texts(step)):
        yield from folded(("" if number else "  no limit").ljust(_COLUMN), text, _COLUMN, width)
    for row in step.verdicts:
        yield from folded(f"  {row.verdict}".ljust(_COLUMN), row_text(row, step.result), _COLUMN, width)
    if step.result is not None and any(row.value is None for row in step.verdicts):
        for text in step.result.warnings:  # of a row that only says that its figure is missing: why, and the way out
            yield from folded("  note".ljust(_COLUMN), text, _COLUMN, width)


def _unlimited_texts(step: StepRecord) -> Iterator[str]:
    """Yield what was measured or entered where no limit is held against it: its heading would stand empty."""
    if step.result is None or step.verdicts:
        return
    found: dict[str, list[str]] = {}
    for finding in findings_of(step):
        on = "" if finding.channel is None else f" on channel {finding.channel}"
        found.setdefault(finding.words, []).append(f"{amount(finding, in_full=True)}{on}")
    yield from (f"{words}: {', '.join(values)}" for words, values in list(found.items())[:_MOST_FIGURES])
    if len(found) > _MOST_FIGURES:
        yield f"{len(found) - _MOST_FIGURES} more figures are in the record"
    if not found:
        yield "no figure of it is known"


def _named(finding: Finding) -> str:
    return finding.words if finding.channel is None else f"channel {finding.channel}, {finding.words}"


def row_text(row: Verdict, result: Result | None) -> str:
    """Return 'channel 1, distortion: 0.512 ± 0.012 %; at most 0.1 % (house); outside the limit by more than …'."""
    finding = with_basis(finding_of(row), result)
    words = _named(finding)
    if row.quantity.startswith(_OVER) and finding.basis:
        words = f"{words} {finding.basis}"
    text = f"{before_value(words)} {amount(finding, in_full=True)}; {finding.limit} ({finding.source})"
    return f"{text}; {row.reason}" if row.reason else text


def folded(lead: str, text: str, indent: int, width: int) -> list[str]:
    """Return a text behind its lead, its further lines set in."""
    # Between a number and its unit no line ends: such a space is kept as a NUL, which clean text never holds.
    whole = " ".join(piece.replace(" ", "\0") for piece in BREAK.split(clean_text(text)))
    lines = [line.replace("\0", " ") for line in wrapped(whole, max(width - max(indent, len(lead)), 20))] or [""]
    return [f"{lead if number == 0 else ' ' * indent}{line}".rstrip() for number, line in enumerate(lines)]
