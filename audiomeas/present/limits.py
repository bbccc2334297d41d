"""Draw the limits of a step in its charts: its masks around their curves, and the limits on its figures as bands.

A limit on a figure is drawn where the axis of a chart is that figure (`ChartView.limited`): the largest distortion of
all steps in distortion against frequency, the power at 1 % in distortion against power.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from audiomeas.measurement.views import ChartView, LimitBand, Limited
from audiomeas.present.masks import with_masks
from audiomeas.present.small_words import on_channel, source_words
from audiomeas.shown_digits import AT_LEAST

if TYPE_CHECKING:
    from audiomeas.record.verdict_row import Verdict
    from audiomeas.record.visit import StepRecord

#: Said where channels are drawn from the zero of one of them.
_OWN_ZEROS = "Limits hold for each channel from its own value at the reference."


def charts_of(step: StepRecord, *, named: str | None = None) -> tuple[tuple[ChartView, ...], str]:
    """Return the charts of a step with its limits, and why there are none of its result; '' where there are.

    named : only those of this name (for many visits at once).
    A result of another version, or one that was made elsewhere, may lack what a chart is drawn of.
    """
    from audiomeas.measurement import registry

    if step.result is None:
        return (), ""
    try:
        views = registry.find(step.result.measurement).charts(step.result)
        return with_limits([view for view in views if named in (None, view.name)], step.verdicts), ""
    except KeyError as error:
        what = f"it lacks {error}"
    except (ArithmeticError, AttributeError, IndexError, TypeError, ValueError) as error:
        what = f"its values don't fit one another: {type(error).__name__}"
    return (), f"{step.name}: its result can't be drawn ({what})"


def with_limits(views: Sequence[ChartView], rows: Sequence[Verdict]) -> tuple[ChartView, ...]:
    """Return the charts of a step's result, with the masks and limits that its verdicts hold drawn in."""
    masked = with_masks(views, rows)
    # A mask may have moved the curves to a zero of its own: there a limit on a figure holds no longer.
    return tuple(
        _with_bands(view, rows) if view.series == before.series else view
        for before, view in zip(views, masked, strict=True)
    )


def _with_bands(view: ChartView, rows: Sequence[Verdict]) -> ChartView:
    """Return a chart with the limits on its figures: each once, for all channels that share it."""
    own = [row for row in rows if _is_drawn(row)]
    shared: dict[LimitBand, list[tuple[Verdict, float]]] = {}
    for limited in view.limited:
        for row in own:
            band = _band(limited, row) if _holds(limited, row) else None
            if band is not None and _is_seen(band, view):
                zero = dict(limited.zeros).get(row.channel or 0, 0.0)
                shared.setdefault(band, []).append((row, zero))
    drawn = {one.channel for one in view.series if one.channel is not None}
    bands = [
        replace(
            band,
            where=f"{band.where}{_of_some([row for row, _ in alike], drawn)}".strip(),
            zeros=tuple(dict.fromkeys(zero for _, zero in alike)),
        )
        for band, alike in shared.items()
    ]
    caption = view.caption
    if any(len(band.zeros) > 1 for band in bands):
        caption = f"{caption} {_OWN_ZEROS}".strip()
    return replace(view, bands=(*view.bands, *bands), caption=caption) if bands else view


def _holds(limited: Limited, row: Verdict) -> bool:
    return row.quantity == limited.key and (limited.channels is None or row.channel in limited.channels)


def _is_seen(band: LimitBand, view: ChartView) -> bool:
    """Return whether a limit reaches into a chart that shows a part of its axis alone."""
    low, high = view.x_range or (-math.inf, math.inf)
    return min(band.x) < high and max(band.x) > low


def _is_drawn(row: Verdict) -> bool:
    """Return whether a row is a limit on the figure itself: not on its change, a difference, an answer or a curve."""
    return row.mask is None and row.difference_at_most is None and not row.since and not row.expected


def _band(limited: Limited, row: Verdict) -> LimitBand | None:
    """Return what a limit shades; None where it says nothing of the curve."""
    (low, high), passed = limited.span, limited.passed
    said = LimitBand(
        label=f"outside “{row.limit_text()}”", source=source_words(row), where=limited.words, x=limited.span
    )
    if passed is not None:
        is_least = passed.sense == AT_LEAST
        place = row.at_least if is_least else row.at_most
        if place is None:
            return None
        height = _level(passed.height)
        return replace(
            said,
            x=(low, place) if is_least else (place, high),
            low=height if passed.edge == "low" else None,
            high=height if passed.edge == "high" else None,
        )
    least = -row.at_most if limited.both_ways and row.at_most is not None else row.at_least
    return replace(said, low=_level(least), high=_level(row.at_most))


def _level(edge: float | None) -> tuple[float, float] | None:
    return None if edge is None else (edge, edge)


def _of_some(rows: Sequence[Verdict], drawn: set[int]) -> str:
    """Return whose limit it is, where it is not that of all channels that are drawn."""
    channels = [row.channel for row in rows]
    return "" if drawn <= set(channels) else ",".join(map(on_channel, channels))
