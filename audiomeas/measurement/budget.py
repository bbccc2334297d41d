"""Where an uncertainty comes from: the parts of a figure's 95 % half-width, kept in results and shown as a table."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.views import Column, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import Result

#: key of a figure → words and unit, in the order of the table.
_FIGURES = {
    "level_v_rms": ("level", "V"),
    "level_dbfs": ("level in dBFS", "dB"),
    "gain_db": ("gain", "dB"),
    "level_w": ("power", "W"),
}

#: One part: what it comes from, and its 95 % half-width.
Part = tuple[str, float]


def combined(parts: Sequence[Part]) -> float:
    """Return the half-width of independent parts: the root of the sum of their squares (JCGM 100:2008, 5.1.2)."""
    return math.hypot(*(half for _, half in parts))


def scaled(parts: Sequence[Part], factor: float) -> tuple[Part, ...]:
    """Return parts times a sensitivity; parts of nothing are left out."""
    return tuple((name, factor * half) for name, half in parts if half > 0.0)


def budget_facts(budget: Mapping[str, Sequence[Part]]) -> dict[str, Any]:
    """Return a budget as JSON."""
    return {
        key: [{"component": name, "half_width": half} for name, half in parts] for key, parts in budget.items() if parts
    }


def budget_from(facts: Mapping[str, Any]) -> dict[str, tuple[Part, ...]]:
    """Return what `budget_facts` made. Raises KeyError, TypeError or ValueError on wrong facts."""
    return {
        key: tuple((str(row["component"]), float(row["half_width"])) for row in rows) for key, rows in facts.items()
    }


def budget_table(result: Result) -> TableView:
    """Return the table of all budgets of a result: each part, its half-width, its share of the sum of squares."""
    rows: list[tuple[str | float | None, ...]] = []
    for key, (words, unit) in _FIGURES.items():
        for channel in result.channels:
            parts = channel.budget.get(key)
            if not parts:
                continue
            whole = combined(parts)
            head = (words, str(channel.channel))
            for name, half in sorted(parts, key=lambda part: -part[1]):
                rows.append((*head, name, f"{half:.3g}", unit, _share(half / whole)))
            rows.append((*head, "all together", f"{whole:.3g}", unit, "100.0"))
    return TableView(
        title="Uncertainty: where it comes from",
        columns=(
            Column(heading="figure"),
            Column(heading="channel"),
            Column(heading="component"),
            Column(heading="half-width (95 %)"),
            Column(heading="unit"),
            Column(heading="share in %"),
        ),
        leading=3,
        rows=tuple(rows),
        notes=_notes(rows),
    )


def _share(part: float) -> str:
    percent = 100.0 * part**2
    return f"{percent:.1f}" if percent >= 0.05 else "< 0.1"


def _notes(rows: Sequence[Any]) -> tuple[str, ...]:
    if not rows:
        return ("No uncertainty of a level is claimed here: the capture has none, or its calibration does not hold.",)
    return (
        "Together: the root of the sum of squares (JCGM 100:2008, 5.1.2); shares are of that sum.",
        "Half-widths of calibration and load are those that their files state for 95 %.",
    )
