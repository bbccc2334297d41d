"""Which figures of one unit stand out from those of the other units of a stack, and which of its steps have none.

Each figure is compared with the same figure of the same channel in the same step of the others. Volts, watts, ohms and
percentages spread by factors, so they are compared by their ratio (in decibels); decibels, degrees and times as they
are.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from audiomeas.analysis.outliers import FEWEST, spread_of
from audiomeas.measurement import registry
from audiomeas.measurement.base import Figure
from audiomeas.record.visit import StepRecord, Visit
from audiomeas.units import amplitude_ratio_to_db, db_to_amplitude_ratio

__all__ = ["FEWEST", "StandingOut", "standing_out"]

#: Figures that can't be negative, and spread by factors: keys that end so.
_BY_RATIO = ("_v_rms", "_v", "_w", "_percent", "_ohm")
#: A bound is no value: it can be what the others are compared with, but never stand out itself.
_UNBOUNDED = ""


@dataclass(frozen=True, kw_only=True)
class StandingOut:
    """A figure that stands out. visit : whose.  value : its own.  median : of all units, in the figure's unit.

    units : how many were compared.
    """

    visit: Visit
    step: str
    channel: int
    figure: Figure
    value: float
    median: float
    units: int


@dataclass(frozen=True, kw_only=True)
class _Seen:
    """One figure of one visit. uncertainty : 95 % half-width; 0 where not known."""

    visit: Visit
    figure: Figure
    value: float
    uncertainty: float
    bound: str


def standing_out(visits: Sequence[Visit]) -> tuple[StandingOut, ...]:
    """Return what stands out, in the order of steps, channels and figures.

    Nothing can stand out of fewer than `FEWEST` units (`audiomeas.analysis.outliers`).
    """
    found: dict[tuple[str, str, int, str], list[_Seen]] = {}
    for visit in visits:
        for step in visit.steps:
            for channel, seen in _seen(visit, step):
                found.setdefault((step.name, step.measurement, channel, seen.figure.key), []).append(seen)
    return tuple(
        one
        for (step, _, channel, _), group in found.items()
        if len(group) >= FEWEST
        for one in _out(step, channel, group)
    )


def _seen(visit: Visit, step: StepRecord) -> Iterator[tuple[int, _Seen]]:
    if step.result is None:
        return
    figures = registry.find(step.measurement).figures
    for row in step.result.channels:
        for figure in figures:
            value = row.values.get(figure.key)
            if isinstance(value, (int, float)) and not isinstance(value, bool):
                yield (
                    row.channel,
                    _Seen(
                        visit=visit,
                        figure=figure,
                        value=float(value),
                        uncertainty=row.uncertainty.get(figure.key) or 0.0,
                        bound=row.bound.get(figure.key, _UNBOUNDED),
                    ),
                )


def _out(step: str, channel: int, group: Sequence[_Seen]) -> Iterator[StandingOut]:
    by_ratio = group[0].figure.key.endswith(_BY_RATIO) and all(seen.value > 0.0 for seen in group)
    compared = [_compared(seen, by_ratio) for seen in group]
    spread = spread_of([value for value, _ in compared], [half for _, half in compared])
    if spread is None:
        return
    median = db_to_amplitude_ratio(spread.median) if by_ratio else spread.median
    for seen, out in zip(group, spread.out, strict=True):
        if out and seen.bound == _UNBOUNDED:
            yield StandingOut(
                visit=seen.visit, step=step, channel=channel, figure=seen.figure, value=seen.value,
                median=median, units=len(group),
            )  # fmt: skip


def _compared(seen: _Seen, by_ratio: bool) -> tuple[float, float]:
    """Return value and half-width in decibels, or as they are."""
    if not by_ratio:
        return seen.value, seen.uncertainty
    # To first order; where it is as large as the value nothing can stand out by it.
    half_db = 20.0 / math.log(10.0) * seen.uncertainty / seen.value
    return amplitude_ratio_to_db(seen.value), half_db
