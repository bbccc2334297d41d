"""Values of a result against frequency that a limit mask can hold. Plain data: no numpy.

A measurement lists its curves beside its figures; the plan's masks name them by their key.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import COVERED, NORMAL_95

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result


@dataclass(frozen=True, kw_only=True)
class CurvePoint:
    """A value at a frequency.

    value : None where it is not known.  uncertainty : 95 % half-width of the value as it is.
    shape_uncertainty : of its difference from other points of the curve, where less is known to be common (a
    calibration's uncertainty cancels there); None: as `uncertainty`.   bound : 'at most', 'at least', or ''.
    """

    frequency_hz: float
    value: float | None
    uncertainty: float | None = None
    shape_uncertainty: float | None = None
    bound: str = ""


Points = Sequence[CurvePoint]


@dataclass(frozen=True, kw_only=True)
class Curve:
    """A curve of a result.

    key : its name, which ends in its unit ('gain_db').   unit : as it is printed.   words : what it is, in plain words.
    points : of a channel; in rising order of frequency (several at one frequency all count).
    """

    key: str
    unit: str
    words: str
    points: Callable[[Result, ChannelResult], Points]

    @property
    def unit_word(self) -> str:
        """The unit as names end in it: 'db', 'percent', 'deg', 's'."""
        return self.key.rsplit("_", 1)[1]


def list_curve(
    key: str,
    *,
    unit: str,
    words: str,
    uncertainty_key: str,
    shape_uncertainty_key: str | None = None,
    frequency_key: str = "frequency_hz",
    bound_key: str | None = None,
    absolute: Callable[[Result], bool] = lambda _: True,
) -> Curve:
    """Return a curve whose channel values are lists of one length.

    uncertainty_key : its list of 95 % half-widths.  shape_uncertainty_key : of the shape alone, where there is one.
    bound_key : its list of 'at most', 'at least' or null.   absolute : whether a result knows more than the shape;
    where it does not, the value as it is has no known uncertainty.
    """

    def points(result: Result, channel: ChannelResult) -> Points:
        frequencies = channel.values.get(frequency_key) or []
        columns = [
            _column(channel, name, len(frequencies))
            for name in (key, uncertainty_key, shape_uncertainty_key, bound_key)
        ]
        return [
            CurvePoint(
                frequency_hz=float(hz),
                value=number(value),
                uncertainty=number(wide) if absolute(result) else None,
                shape_uncertainty=number(wide if shape is None else shape),
                bound=bound or "",
            )
            for hz, value, wide, shape, bound in zip(frequencies, *columns, strict=True)
        ]

    return Curve(key=key, unit=unit, words=words, points=points)


def row_curve(key: str, *, unit: str, words: str, rows: str = "steps") -> Curve:
    """Return a curve whose channel has a list of rows, each with its frequency, values, uncertainties and bounds."""

    def points(_: Result, channel: ChannelResult) -> Points:
        found = [
            CurvePoint(
                frequency_hz=float(row["frequency_hz"]),
                value=number(row.get(key)),
                uncertainty=number(row.get("uncertainty", {}).get(key)),
                bound=str(row.get("bound", {}).get(key, "")),
            )
            for row in channel.values.get(rows) or []
        ]
        return sorted(found, key=lambda point: point.frequency_hz)

    return Curve(key=key, unit=unit, words=words, points=points)


def _column(channel: ChannelResult, name: str | None, length: int) -> Sequence[Any]:
    values = None if name is None else channel.values.get(name)
    return values if isinstance(values, (list, tuple)) and len(values) == length else [None] * length


def number(value: Any) -> float | None:
    """Return a finite number, or None for everything else."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    return float(value)


def wider_for_many(points: int) -> float:
    """Return by how much wider the half-width of one point becomes that all of so many stay inside with 95 %.

    Bonferroni's inequality: safe whatever they have in common.
    """
    from statistics import NormalDist

    return NormalDist().inv_cdf(1.0 - (1.0 - COVERED) / 2.0 / points) / NORMAL_95


def independent_half_width(one: float, other: float) -> float:
    """Return a half-width that holds 95 % of the difference of two independent errors, whatever their shapes are.

    one, other : their 95 % half-widths. Two equal rectangular errors leave the widest sum beside the root of the sum of
    squares: a triangle, of which 95 % lie within 2 (1 - √0.05) of one's limits.
    """
    outside = 1.0 - COVERED
    return 2.0 * (1.0 - math.sqrt(outside)) / (math.sqrt(2.0) * COVERED) * math.hypot(one, other)
