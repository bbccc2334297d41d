"""Records that were analysed again, in lines for the terminal: what is not as it stands, and how many are."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import TYPE_CHECKING, Any

from audiomeas import __version__
from audiomeas.present.outcome import folded

if TYPE_CHECKING:
    from audiomeas.record.reanalyze import Reanalysis, StepAgain

#: Outcomes that nobody has to look at.
_QUIET = ("the same", "the same within rounding", "not from a capture")
_LONGEST_VALUE = 60


def reanalysis_text(found: Reanalysis, *, width: int = 80) -> str:
    """Return it as lines of at most `width` columns (a path is never broken)."""
    lines: list[str] = []
    told = [step for step in found.steps if step.outcome not in _QUIET]
    for visit, steps in groupby(told, key=lambda step: step.visit):
        lines.append(visit)
        for step in steps:
            lines += _step_lines(step, width)
        lines.append("")
    if any(step.outcome == "other" and step.version == __version__ for step in told):
        remark = "other, with the same version: these records or this program were changed (`audiomeas record verify`)"
        lines += folded("", remark, 0, width)
    counts = ", ".join(f"{number} {outcome}" for outcome, number in sorted(found.counts.items()))
    left = f"; {len(found.left_out)} records left out" if found.left_out else ""
    return "\n".join([*lines, *folded("", f"{counts or 'no results'}{left}", 0, width)])


def _step_lines(step: StepAgain, width: int) -> Iterator[str]:
    if step.reason:
        yield from folded("  ", f"{step.step}: {step.outcome}: {step.reason}", 4, width)
        return
    number = "1 difference" if step.differences == 1 else f"{step.differences} differences"
    text = f"{step.step}: {step.outcome}: {number} (then audiomeas {step.version}, now {__version__})"
    yield from folded("  ", text, 4, width)
    for moved in step.moved:
        yield from folded("    ", f"{moved.where}: {_shown(moved.before)}, now {_shown(moved.after)}", 6, width)
    if step.differences > len(step.moved):
        yield f"    … and {step.differences - len(step.moved)} more"


def _shown(value: Any) -> str:
    if value is None:
        return "not known"
    text = f"{value:.12g}" if isinstance(value, float) else str(value)
    return text if len(text) <= _LONGEST_VALUE else f"{text[: _LONGEST_VALUE - 1]}…"
