"""Which figures of one unit stand out from those of the other units of a stack: step by step, over their visits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from audiomeas.measurement.result import Result
from audiomeas.measurement.standing_out import FEWEST, FigureOut, figures_out
from audiomeas.record.visit import Visit

__all__ = ["FEWEST", "StandingOut", "standing_out"]


@dataclass(frozen=True, kw_only=True)
class StandingOut:
    """A figure that stands out. visit : whose; step : in which.  found : the figure, its value and the others'."""

    visit: Visit
    step: str
    found: FigureOut


def standing_out(visits: Sequence[Visit]) -> tuple[StandingOut, ...]:
    """Return what stands out, in the order of steps, channels and figures; nothing of fewer than `FEWEST` visits."""
    alike: dict[tuple[str, str], list[tuple[Visit, Result]]] = {}
    for visit in visits:
        for step in visit.steps:
            if step.result is not None:
                alike.setdefault((step.name, step.measurement), []).append((visit, step.result))
    return tuple(
        StandingOut(visit=group[one.place][0], step=step, found=one)
        for (step, _), group in alike.items()
        for one in figures_out([result for _, result in group])
    )
