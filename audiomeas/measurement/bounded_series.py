"""Curves of which some points are bounds: what is known as a line, the bounds as hollow points of their own."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.views import ChartView, Limited, Series

if TYPE_CHECKING:
    from audiomeas.measurement.result import Result

#: x, y, and 'at most', 'at least' or '' for a value.
Point = tuple[float, float, str]
#: A row of a result and a key → what bound its value is, '' for none.
Bound = Callable[[Mapping[str, Any], str], str]
#: From this many points on, a curve is drawn.
_FEWEST_POINTS = 2


def row_bound(row: Mapping[str, Any], key: str) -> str:
    """Return what bound a row says that a value of it is; '' for none."""
    return str(row["bound"].get(key, ""))


def row_series(
    result: Result,
    rows: str,
    key: str,
    *,
    x: str = "frequency_hz",
    bound: Bound = row_bound,
    through: bool = False,
) -> list[Series]:
    """Return the series of a value in rows that all channels have. rows : their key.   through : as `with_bounds`.

    What is not known, or zero, which no logarithmic axis has, is left out.
    """
    return [
        one
        for channel in result.channels
        for one in with_bounds(
            channel.channel,
            [(float(row[x]), float(row[key]), bound(row, key)) for row in channel.values[rows] if row[x] and row[key]],
            through=through,
        )
    ]


def frequency_chart(
    result: Result,
    rows: str,
    key: str,
    *,
    name: str,
    title: str,
    y_label: str,
    caption: str,
    bound: Bound = row_bound,
    through: bool = False,
    limited: tuple[Limited, ...] = (),
) -> ChartView | None:
    """Return the chart of a value in rows against their frequency; None for fewer points than a curve has."""
    series = row_series(result, rows, key, bound=bound, through=through)
    if len({x for one in series for x in one.x}) < _FEWEST_POINTS:
        return None
    return ChartView(
        name=name,
        title=title,
        x_label="Frequency (Hz)",
        y_label=y_label,
        series=tuple(series),
        y_scale="log",
        caption=caption,
        simulated=result.simulated,
        curve_key=key,
        limited=limited,
    )


def too_few_frequencies(options: Mapping[str, Any]) -> str:
    """Return why the frequencies asked for give no chart; '' where they may (see `Measurement.no_chart`)."""
    asked = options["frequencies_hz"]
    return "" if asked is None or len(set(asked)) >= _FEWEST_POINTS else "one frequency alone makes no curve"


def with_bounds(channel: int, points: Sequence[Point], *, through: bool = False) -> list[Series]:
    """Return the series of a channel. through : the line runs on through the bounds, where they were reached."""
    label, x = f"channel {channel}", [at for at, _, _ in points]
    line = [math.nan if bound and not through else y for _, y, bound in points]
    series = []
    if not all(map(math.isnan, line)):
        # Where all are bounds the line has no marks of its own, nor has the legend.
        known = any(not bound for _, _, bound in points)
        series.append(Series(label=label, x=x, y=line, channel=channel, each_point=known))
    for word in ("at most", "at least"):
        own = [(at, y) for at, y, bound in points if bound == word]
        if own:
            series.append(
                Series(
                    label=f"{label}, {word}",
                    x=[at for at, _ in own],
                    y=[y for _, y in own],
                    role="points",
                    hollow=True,
                    channel=channel,
                )
            )
    return series
