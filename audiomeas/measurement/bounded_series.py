"""Curves of which some points are bounds: what is known as a line, the bounds as hollow points of their own."""

from __future__ import annotations

import math
from collections.abc import Sequence

from audiomeas.measurement.views import Series

#: x, y, and 'at most', 'at least' or '' for a value.
Point = tuple[float, float, str]


def with_bounds(channel: int, points: Sequence[Point], *, through: bool = False) -> list[Series]:
    """Return the series of a channel. through : the line runs on through the bounds, where they were reached."""
    label, x = f"channel {channel}", [at for at, _, _ in points]
    line = [math.nan if bound and not through else y for _, y, bound in points]
    series = []
    if not all(map(math.isnan, line)):
        series.append(Series(label=label, x=x, y=line, channel=channel, each_point=True))
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
