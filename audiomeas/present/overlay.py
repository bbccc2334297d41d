"""Charts of several visits over each other: the same chart of the same step, each curve called after its visit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from audiomeas.errors import RequestError
from audiomeas.measurement.views import ChartView, LimitBand, Series

#: Zeros of bands that are alike to so many decimals are one, and a band around more of them is left out.
_ZERO_DECIMALS, _MOST_ZEROS = 1, 6


def laid_over(
    views: Sequence[ChartView], whose: Sequence[str], *, title: str, named: Sequence[bool] | None = None
) -> ChartView:
    """Return one chart with the curves of several, in their order.

    whose : of each chart, what its curves are called: 'as-found'.   title : of the whole.   named : which of them have
    curves of their own; those of the others are drawn as one, in one look. None: all have.
    Of bands the first chart's are drawn, around the zeros of all. Raises RequestError: they have not the same axes.
    """
    first = views[0]
    for view in views[1:]:
        if (view.x_label, view.y_label, view.x_scale, view.y_scale) != (
            first.x_label, first.y_label, first.x_scale, first.y_scale,
        ):  # fmt: skip
            raise RequestError(
                f"{first.title!r} and {view.title!r} have not the same axes ({first.y_label}; {view.y_label}): they "
                "can't be drawn over each other"
            )
    apart = [True] * len(views) if named is None else list(named)
    others = [view for view, own in zip(views, apart, strict=True) if not own]
    own_views = [(view, name) for view, name, own in zip(views, whose, apart, strict=True) if own]
    channels = {one.channel for view in views for one in view.series if one.channel is not None}
    series = [
        _named(one, name, place * max(channels, default=0))
        for place, (view, name) in enumerate(own_views)
        for one in view.series
    ]
    if others:
        series = [_as_one(others, "the other" if own_views else "all"), *series]
    return replace(
        first,
        title=title,
        series=tuple(series),
        bands=tuple(_bands(views)),
        caption=first.caption if all(view.caption == first.caption for view in views) else _captions(views, whose),
        x_range=_widest([view.x_range for view in views]),
        y_range=_widest([view.y_range for view in views]),
        simulated=any(view.simulated for view in views),
    )


def _bands(views: Sequence[ChartView]) -> Iterator[LimitBand]:
    """Yield the first chart's bands, each around the zeros of its like in all; none around too many to see."""
    for band in views[0].bands:
        alike = [other for view in views for other in view.bands if replace(other, zeros=band.zeros) == band]
        zeros = dict.fromkeys(round(zero, _ZERO_DECIMALS) + 0.0 for other in alike for zero in other.zeros)
        if len(zeros) <= _MOST_ZEROS:
            yield replace(band, zeros=tuple(zeros))


def _as_one(views: Sequence[ChartView], which: str) -> Series:
    """Return all curves of charts as one, with a gap between two."""
    x: list[float] = []
    y: list[float | None] = []
    for view in views:
        for one in view.series:
            x += [*one.x, one.x[-1]]
            y += [*one.y, None]
    return Series(label=f"{which} {len(views)}", x=x, y=y)


def _named(series: Series, whose: str, later: int) -> Series:
    """Return a curve with its visit's name. later : so many channels further on, its colour, dashes and mark are found.

    Bars of one channel would stand over each other, and lines of one look be one line.
    """
    label = f"{whose}, {series.label}" if series.label else whose
    return replace(
        series,
        label=label,
        channel=None if series.channel is None else series.channel + later,
        labels=series.labels if later == 0 else (),
    )


def _captions(views: Sequence[ChartView], whose: Sequence[str]) -> str:
    return " ".join(f"{name}: {view.caption}" for view, name in zip(views, whose, strict=True) if view.caption)


def _widest(ranges: Sequence[tuple[float, float] | None]) -> tuple[float, float] | None:
    known = [one for one in ranges if one is not None]
    if len(known) < len(ranges):
        return None
    return min(low for low, _ in known), max(high for _, high in known)
