"""Draw the masks of a step around the curves that they hold: the band as it was placed when it was judged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.views import ChartView, LimitBand, Series

if TYPE_CHECKING:
    from audiomeas.record.mask import Mask, MaskRow
    from audiomeas.record.verdict_row import Verdict


def with_masks(views: Sequence[ChartView], rows: Sequence[Verdict]) -> tuple[ChartView, ...]:
    """Return the charts of a step's result, with the masks that its verdicts hold drawn in."""
    return tuple(_with_masks(view, [row for row in rows if row.mask is not None]) for view in views)


def _with_masks(view: ChartView, rows: Sequence[Verdict]) -> ChartView:
    own = [(row, row.mask) for row in rows if row.mask is not None and row.quantity == view.curve_key]
    if not own:
        return view
    # One axis has one zero: of masks that are placed in several ways, those like the first are drawn.
    first = own[0][1].mask
    alike = [(row, found) for row, found in own if _placed_as(found.mask, first)]
    bands = {found.mask.name: _band(found.mask) for _, found in alike}
    masked = replace(view, bands=(*view.bands, *bands.values()))
    channels = [one.channel for one in view.series]
    if len(set(channels)) < len(channels):
        # More than the curve of each channel is drawn, as it was measured: only an absolute mask stands there.
        return masked if first.placement == "absolute" else view
    placed = {row.channel: found for row, found in alike if found.held.margin is not None}
    if first.placement == "absolute" and all(_drawn_as_it_is(one, placed) for one in view.series):
        return masked
    series = tuple(_placed(one, placed[one.channel]) for one in view.series if one.channel in placed)
    if not series:
        return view
    y_label = _label(view, first, alike[0][0].unit)
    return replace(masked, series=series, y_label=y_label, caption=_caption(view, first))


def _drawn_as_it_is(series: Series, placed: Mapping[int | None, MaskRow]) -> bool:
    """Return whether a series shows the very values that its mask was held against."""
    if series.channel not in placed:
        return True
    curve = placed[series.channel].curve
    values = dict(zip(curve.frequency_hz, curve.values, strict=True))
    return all(values.get(x) == y for x, y in zip(series.x, series.y, strict=True) if y is not None)


def _placed_as(mask: Mask, other: Mask) -> bool:
    return (mask.placement, mask.reference_hz) == (other.placement, other.reference_hz)


def _band(mask: Mask) -> LimitBand:
    return LimitBand(label=f"outside the mask “{mask.name}”", x=mask.frequency_hz, low=mask.lower, high=mask.upper)


def _placed(series: Series, row: MaskRow) -> Series:
    known = [
        (hz, value) for hz, value in zip(row.curve.frequency_hz, row.curve.values, strict=True) if value is not None
    ]
    return replace(
        series, x=[hz for hz, _ in known], y=[value - row.held.offset for _, value in known], labels=(), hollow=False
    )


def _label(view: ChartView, mask: Mask, unit: str) -> str:
    what = view.y_label.partition(" (")[0]
    zero = {"absolute": "", "best fit": " by best fit"}.get(mask.placement, f" re {hertz(mask.reference_hz or 0.0)}")
    return f"{what} ({unit}{zero})"


def _caption(view: ChartView, mask: Mask) -> str:
    at = f"Each channel relative to its own value at {hertz(mask.reference_hz or 0.0)}."
    how = {"absolute": "", "best fit": "Each channel placed in the mask by best fit."}.get(mask.placement, at)
    return f"{view.caption} {how}".strip()
