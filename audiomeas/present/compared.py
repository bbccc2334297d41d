"""A comparison of two visits in lines for the terminal: what changed in each step, and what can't be compared."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.result import SIMULATED_NOTE
from audiomeas.present.digits import bound_digits, with_uncertainty
from audiomeas.present.outcome import folded
from audiomeas.shown_units import shown_in

if TYPE_CHECKING:
    from audiomeas.record.change import ChangeWord, Side
    from audiomeas.record.compare import Compared, Comparison
    from audiomeas.record.visit import Visit

#: Behind 'before:', and behind the longest word of a row.
_SIDE, _COLUMN = len("before: "), len("  can't tell  ")
_UNCHANGED: ChangeWord = "unchanged"
_CHANGED: ChangeWord = "changed"
_NO_COMPARISON = "can't be compared"
_SHARED = (
    "Both rest on the same calibration: its error is in both and cancels in a difference; noise, fit, method, load and "
    "what else the bench adds count of both."
)
_NOT_SHARED = "The calibrations are not the same (or there is none): all of both uncertainties counts in a difference."
_LEAST = (
    "Changed: by more than {levels_db:g} dB (levels, gains, times, frequencies) or {residuals_db:g} dB (noise, "
    "distortion, leakage) beyond the uncertainty: a unit that is only connected again moves by so much. Unchanged: by "
    "less, uncertainty included. Of a curve: where it moved most, by what all of its points together stay inside."
)


def comparison_text(comparison: Comparison, *, everything: bool = False, width: int = 80) -> str:
    """Return a comparison as lines of at most `width` columns (a path is never broken).

    everything : figures that are unchanged with their values too, not by name alone.
    """
    lines = folded("", SIMULATED_NOTE, 0, width) if comparison.simulated else []
    for when, visit in (("before", comparison.before), ("after", comparison.after)):
        lines += _visit_lines(when, visit, width)
    steps = (*(row.step for row in comparison.rows), *(other.step for other in comparison.answers))
    for step in dict.fromkeys(steps):
        rows = [row for row in comparison.rows if row.step == step]
        lines += ["", *folded("", step, 0, width), *_step_lines(rows, everything, width)]
        for other in (each for each in comparison.answers if each.step == step):
            text = f"answer: {other.before!r}, then {other.after!r}"
            lines += folded(f"  {_CHANGED}".ljust(_COLUMN), text, _COLUMN, width)
    if comparison.not_compared:
        lines += ["", _NO_COMPARISON]
    for left in comparison.not_compared:
        lines += folded("  ", ": ".join(filter(None, (left.step, left.what, left.reason))), 4, width)
    return "\n".join([*lines, "", *_ending(comparison, width)])


def _visit_lines(when: str, visit: Visit, width: int) -> list[str]:
    whose = f"{visit.unit.name}, {visit.stage} {visit.opened_at:%Y-%m-%d %H:%M} UTC"
    return [*folded(f"{when}:".ljust(_SIDE), whose, _SIDE, width), f"{' ' * _SIDE}{visit.path}"]


def _step_lines(rows: Sequence[Compared], everything: bool, width: int) -> Iterator[str]:
    told = [row for row in rows if everything or row.change.word != _UNCHANGED]
    for row in told:
        yield from folded(f"  {row.change.word}".ljust(_COLUMN), _row_text(row), _COLUMN, width)
    quiet: dict[str, list[str]] = {}
    for row in rows:
        if row not in told:
            quiet.setdefault(_whose(row), []).append(row.words)
    for whose, words in quiet.items():
        text = f"{whose}: {', '.join(words)}" if whose else ", ".join(words)
        yield from folded(f"  {_UNCHANGED}".ljust(_COLUMN), text, _COLUMN, width)


def _whose(row: Compared) -> str:
    return f"channel {row.channel}" if row.channel else ""


def _row_text(row: Compared) -> str:
    """Return 'channel 1, gain: 26.8 ± 0.1 dB, then 26.2 ± 0.1 dB: −0.62 ± 0.01 dB'."""
    at = "" if row.frequency_hz is None else f", most at {hertz(row.frequency_hz)}"
    words = ", ".join(filter(None, (_whose(row), row.words))) + at
    parts = (
        f"{words}: {amount_of(row.before, row.unit)}, then {amount_of(row.after, row.unit)}",
        _difference(row),
        row.change.reason,
    )
    return ": ".join(filter(None, parts[:2])) + (f"; {parts[2]}" if parts[2] else "")


def _difference(row: Compared) -> str:
    """Return '+0.12 ± 0.03 dB'; nothing between bounds."""
    change = row.change
    if change.difference is None:
        return ""
    # Two levels below full scale differ by decibels, which have no full scale.
    unit, factor = shown_in("dB" if row.unit == "dBFS" else row.unit, change.difference)
    half = None if change.uncertainty is None else change.uncertainty * factor
    text = with_uncertainty(change.difference * factor, half)
    return f"{'+' if change.difference > 0.0 else ''}{text} {unit}".rstrip()


def amount_of(side: Side, unit: str) -> str:
    """Return '2.83 ± 0.04 V', or 'at most 0.96 %'."""
    shown, factor = shown_in(unit, side.value)
    half = None if side.uncertainty is None else side.uncertainty * factor
    if side.bound:
        return f"{side.bound} {bound_digits(side.value * factor, half, side.bound)} {shown}".rstrip()
    return f"{with_uncertainty(side.value * factor, half)} {shown}".rstrip()


def _ending(comparison: Comparison, width: int) -> Iterator[str]:
    counts = ", ".join(f"{number} {word}" for word, number in comparison.counts().items())
    answered = [f"{len(comparison.answers)} answered otherwise"] if comparison.answers else []
    practice = comparison.practice
    for text in (
        ", ".join((counts, *answered, f"{len(comparison.not_compared)} {_NO_COMPARISON}")),
        *comparison.notes,
        _SHARED if comparison.shared_calibration else _NOT_SHARED,
        _LEAST.format(levels_db=practice.levels_db, residuals_db=practice.residuals_db),
    ):
        yield from folded("", text, 0, width)
