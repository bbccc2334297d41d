"""Descriptions of tables and charts, as plain data. A measurement makes them from its result; `present` draws them.

No numpy and no plotting here: a view can be compared in a test and kept in JSON.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, kw_only=True)
class Column:
    """A column of a table. unit : '' for text.  decimals : None lets the uncertainty or the size decide."""

    heading: str
    unit: str = ""
    decimals: int | None = None


@dataclass(frozen=True, kw_only=True)
class TableView:
    """A table of a result. Cells are texts, numbers, or None ('not known').

    uncertainties : 95 % half-widths beside the rows (same shape), where known; they set the digits printed.
    leading : so many first columns tell rows apart, and are repeated where a table is parted.
    keys : of the figures that the rows tell, one each, where they do: words and unit stand in the first two columns.
    """

    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str | float | None, ...], ...]
    uncertainties: tuple[tuple[float | None, ...], ...] = ()
    notes: tuple[str, ...] = ()
    leading: int = 1
    keys: tuple[str, ...] = ()


Role = Literal["line", "bars", "points"]


@dataclass(frozen=True, kw_only=True)
class Series:
    """One curve, set of bars or set of points. channel : chooses colour and line style; None: neither left nor right.

    y : None makes a gap.  labels : texts at the points, where given (same length as x).  hollow : points that are
    bounds, not values.  each_point : of a line, marked: the curve is known there, and straight between for the eye.
    """

    label: str
    x: Sequence[float]
    y: Sequence[float | None]
    role: Role = "line"
    channel: int | None = None
    labels: tuple[str, ...] = ()
    hollow: bool = False
    each_point: bool = False


@dataclass(frozen=True, kw_only=True)
class LimitBand:
    """A limit drawn as a shaded area: what lies outside low … high is shaded. None: open on that side.

    x : an infinite end reaches as far as the axis.   zeros : where low … high is counted from, on the y axis: of
    several, what lies outside of all is shaded.   source : whose limit it is, in words.   where : of the curves it
    holds, where not all of them: 'at 1 kHz on channel 2'.
    """

    label: str
    x: Sequence[float]
    low: Sequence[float] | None = None
    high: Sequence[float] | None = None
    zeros: tuple[float, ...] = (0.0,)
    source: str = ""
    where: str = ""

    @property
    def words(self) -> str:
        """All that is said of it: 'outside “at most 0.5 dB” (the workshop's limit) at 1 kHz'."""
        return " ".join(filter(None, (self.label, f"({self.source})" if self.source else "", self.where)))


@dataclass(frozen=True, kw_only=True)
class Passed:
    """A height that curves pass at the place on the x axis that a figure tells: where clipping reaches 1 %.

    edge : how the height bounds what is allowed: 'high', curves stay below it; 'low', above it.   sense : of a limit
    that keeps a part of the x axis free so; one in the other sense says nothing of the curve.
    """

    height: float
    edge: Literal["low", "high"]
    sense: Literal["at least", "at most"]


@dataclass(frozen=True, kw_only=True)
class Limited:
    """A figure whose limit is one of a chart's curves as well, so that it can be drawn there.

    key : of the figure, in the unit of the axis.   span : between which x values it is told; infinite: as far as the
    axis goes.   both_ways : the figure has no sign and the curve has one: at most 1 is −1 to 1.
    channels : whose figure it is; None: that of all.   zeros : channel and where its own zero stands on the y axis, for
    those that are drawn from the zero of another.   words : what of the curve it is, where that is not plain: 'at
    1 kHz'.   passed : of a figure of the x axis.
    """

    key: str
    span: tuple[float, float] = (-math.inf, math.inf)
    both_ways: bool = False
    channels: tuple[int, ...] | None = None
    zeros: tuple[tuple[int, float], ...] = ()
    words: str = ""
    passed: Passed | None = None


@dataclass(frozen=True, kw_only=True)
class ChartView:
    """A chart. Axis labels carry unit and reference. caption : the conditions."""

    name: str
    title: str
    x_label: str
    y_label: str
    series: tuple[Series, ...]
    x_scale: Literal["log", "linear"] = "log"
    y_scale: Literal["log", "linear"] = "linear"
    bands: tuple[LimitBand, ...] = ()
    caption: str = ""
    x_range: tuple[float, float] | None = None
    y_range: tuple[float, float] | None = None
    #: At least this much is shown on the y axis, so that a flat response looks flat.
    y_smallest_span: float | None = None
    simulated: bool = False
    #: The curve (of the measurement's `curves`) that is drawn, so that a visit can draw its masks around it.
    curve_key: str = ""
    #: The figures whose limits are limits of its curves, so that a visit can shade what lies outside.
    limited: tuple[Limited, ...] = ()
