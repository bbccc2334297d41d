"""Which figures of one result stand out from those of like results: the same measurement of several units.

Each figure is compared with the same figure of the same channel of the others. Volts, watts, ohms and percentages
spread by factors, so they are compared by their ratio (in decibels); decibels, degrees and times as they are.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from audiomeas.analysis.outliers import FEWEST, spread_of
from audiomeas.measurement import registry
from audiomeas.measurement.base import Figure
from audiomeas.measurement.result import Result
from audiomeas.units import amplitude_ratio_to_db, db_to_amplitude_ratio

__all__ = ["FEWEST", "FigureOut", "figures_out"]

#: Figures that can't be negative, and spread by factors: keys that end so.
_BY_RATIO = ("_v_rms", "_v", "_w", "_percent", "_ohm")


@dataclass(frozen=True, kw_only=True)
class FigureOut:
    """A figure that stands out. place : of its result among those compared, from 0.  value : its own.

    median : of all, in the figure's unit.   results : how many were compared.
    """

    place: int
    channel: int
    figure: Figure
    value: float
    median: float
    results: int


@dataclass(frozen=True, kw_only=True)
class _Seen:
    """One figure of one result. uncertainty : 95 % half-width; 0 where not known."""

    place: int
    figure: Figure
    value: float
    uncertainty: float
    bound: str


def figures_out(results: Sequence[Result]) -> tuple[FigureOut, ...]:
    """Return what stands out, by channel and figure. results : of one measurement at the same conditions.

    Nothing can stand out of fewer than `FEWEST` known values (`audiomeas.analysis.outliers`). A bound is no value: it
    is what others are compared with, but never stands out itself.
    """
    found: dict[tuple[int, str], list[_Seen]] = {}
    for place, result in enumerate(results):
        for channel, seen in _seen(place, result):
            found.setdefault((channel, seen.figure.key), []).append(seen)
    return tuple(one for (channel, _), group in found.items() for one in _out(channel, group))


def _seen(place: int, result: Result) -> Iterator[tuple[int, _Seen]]:
    for row in result.channels:
        for figure in registry.find(result.measurement).figures:
            value = row.values.get(figure.key)
            if isinstance(value, (int, float)) and not isinstance(value, bool):
                yield (
                    row.channel,
                    _Seen(
                        place=place,
                        figure=figure,
                        value=float(value),
                        uncertainty=row.uncertainty.get(figure.key) or 0.0,
                        bound=row.bound.get(figure.key, ""),
                    ),
                )


def _out(channel: int, group: Sequence[_Seen]) -> Iterator[FigureOut]:
    by_ratio = group[0].figure.key.endswith(_BY_RATIO) and all(seen.value > 0.0 for seen in group)
    compared = [_compared(seen, by_ratio) for seen in group]
    spread = spread_of([value for value, _ in compared], [half for _, half in compared])
    if spread is None:
        return
    median = db_to_amplitude_ratio(spread.median) if by_ratio else spread.median
    for seen, out in zip(group, spread.out, strict=True):
        if out and not seen.bound:
            yield FigureOut(
                place=seen.place,
                channel=channel,
                figure=seen.figure,
                value=seen.value,
                median=median,
                results=len(group),
            )


def _compared(seen: _Seen, by_ratio: bool) -> tuple[float, float]:
    """Return value and half-width in decibels, or as they are."""
    if not by_ratio:
        return seen.value, seen.uncertainty
    # To first order; where it is as large as the value nothing can stand out by it.
    half_db = 20.0 / math.log(10.0) * seen.uncertainty / seen.value
    return amplitude_ratio_to_db(seen.value), half_db
