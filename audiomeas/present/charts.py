"""Draw a chart from its description: curves in the axes; title, legend and conditions outside, to cover nothing.

All furniture is placed in points from the corners of the axes, by the measured width of its text; `margins` says how
much room it takes, so that whoever lays out a page can leave it.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.views import ChartView, LimitBand, Series
from audiomeas.present import style
from audiomeas.present.letters import letters_of
from audiomeas.present.style import Stroke
from audiomeas.present.text import clean_text, headed, width_pt, wrap
from audiomeas.present.ticks import set_ticks

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.transforms import Transform
    from numpy.typing import NDArray

SIMULATED = "SIMULATED"
#: Layout in points.
_LEFT_PT = 58.0
_RIGHT_PT = 20.0
_EDGE_PT = 10.0
_AXIS_TEXTS_PT = 36.0  # tick labels and axis label below the axes
_TITLE_LINE_PT = 14.0
_MOST_TITLE_LINES = 2
_LEGEND_LINE_PT = 13.0
_CAPTION_LINE_PT = 10.5
_SAMPLE_PT = 28.0
_BADGE_PT = 86.0
_BAR_PT = 5.0
_OUTLINE_PT = 1.0
#: Where the text at a point may stand above it: the next row where one is taken, then with a thin line down to it.
_LABEL_ROWS_PT = (5.0, 15.0, 25.0)
_SAME_PLACE_PT = 3.0
_MARK_PT = 4.0
_FEW_POINTS = 600
#: Of an axis: a part of its numbers, and a ratio, below which its ticks would all read alike.
_LEAST_PART, _LEAST_RATIO = 1e-6, 1.0 + 1e-6
#: No axis is longer: what a forged result holds beyond it is no value, and would overflow on its way to the paper.
_LARGEST = 1e30


@dataclass(frozen=True)
class Margins:
    """Room in points around the axes."""

    left: float
    right: float
    top: float
    bottom: float


@dataclass(frozen=True)
class _Entry:
    """One entry of the legend: its place from the top left corner of the axes, its text, and what it stands for."""

    x_pt: float
    row: int
    lines: tuple[str, ...]
    stroke: Stroke | None
    role: str


# ---------------------------------------------------------------- layout


def margins(view: ChartView, width: float) -> Margins:
    """Return the room that a chart needs around axes of this width (points). Call it inside `style.look()`."""
    _, rows = _legend(view, width)
    titles = len(_title_lines(view, width))
    top = _EDGE_PT + max(titles * _TITLE_LINE_PT, 16.0 if view.simulated else 0.0)
    top += rows * _LEGEND_LINE_PT + (6.0 if rows else 2.0)
    captions = len(wrap(view.caption, width, style.SMALL_PT))
    bottom = _AXIS_TEXTS_PT + _EDGE_PT * 0.6 + captions * _CAPTION_LINE_PT
    return Margins(left=_LEFT_PT, right=_RIGHT_PT, top=top, bottom=bottom)


def chart_figure(
    view: ChartView, *, size_pt: tuple[float, float] = style.A5_LANDSCAPE_PT, figure: Figure | None = None
) -> Figure:
    """Return a figure that holds one chart with all of its furniture; higher than asked where long texts need it.

    figure : an empty one to draw in, such as that of a window; it gets its size.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with letters_of(view), style.look():
        width, height = size_pt
        across = width - _LEFT_PT - _RIGHT_PT
        room = margins(view, across)
        # The curves keep at least a third of the height that was asked for.
        high = max(height - room.top - room.bottom, height / 3.0)
        height = high + room.top + room.bottom
        if figure is None:
            figure = Figure()
            FigureCanvasAgg(figure)
        figure.set_size_inches(width / 72.0, height / 72.0)
        ax = figure.add_axes((room.left / width, room.bottom / height, across / width, high / height))
        draw_chart(view, ax=ax)
    return figure


def _size_pt(ax: Axes) -> tuple[float, float]:
    box = ax.get_position()
    across, high = ax.get_figure(root=True).get_size_inches()  # type: ignore[union-attr]
    return float(box.width * across * 72.0), float(box.height * high * 72.0)


def _title_lines(view: ChartView, width: float) -> list[str]:
    room = width - (_BADGE_PT if view.simulated else 0.0)
    return headed(view.title, room, style.TITLE_PT, most=_MOST_TITLE_LINES)


def _strokes(series: Sequence[Series]) -> list[Stroke]:
    """Return a stroke per series: by channel; the second curve of a channel differs from its first.

    The bounds of a channel (hollow) look like its values but for that. A curve that is known at its points only has
    marks, in the legend too.
    """
    seen: Counter[int | None] = Counter()
    strokes = []
    for one in series:
        stroke = style.stroke(one.channel, repeat=0 if one.hollow else seen[one.channel])
        strokes.append(replace(stroke, marker=stroke.marker or stroke.point) if one.each_point else stroke)
        seen[one.channel] += not one.hollow
    return strokes


def _sample_pt(role: str) -> float:
    return 10.0 if role in ("bars", "points", "hollow") else _SAMPLE_PT


def _legend(view: ChartView, width: float) -> tuple[list[_Entry], int]:
    """Return the legend's entries, flowing in rows as words do in a text, and how many rows they take."""
    wanted: list[tuple[str, Stroke | None, str]] = [
        (clean_text(one.label), stroke, "hollow" if one.hollow else one.role)
        for one, stroke in zip(view.series, _strokes(view.series), strict=True)
    ]
    wanted += [(clean_text(band.words), None, "band") for band in view.bands]
    entries: list[_Entry] = []
    x, row, deepest = 0.0, 0, 1
    for label, stroke, role in wanted:
        if not label:
            continue
        lines = wrap(label, width - _SAMPLE_PT - 6.0, style.TICK_PT)
        needs = _sample_pt(role) + 5.0 + max(width_pt(line, style.TICK_PT) for line in lines)
        if x > 0.0 and x + needs > width:
            x, row, deepest = 0.0, row + deepest, 1
        entries.append(_Entry(x, row, tuple(lines), stroke, role))
        deepest = max(deepest, len(lines))
        x += needs + 16.0
    return entries, (row + deepest if entries else 0)


# ---------------------------------------------------------------- drawing


def draw_chart(view: ChartView, *, ax: Axes) -> Axes:
    """Draw a chart on an axes: curves, limits and scales; title, legend, SIMULATED mark and caption around it.

    The axes stands where it shall stay (its size sets how texts are wrapped); `margins` tells the room that is needed.
    Values that are None, NaN or infinite, or not positive on a logarithmic scale, are gaps. Returns the axes.
    """
    with style.look():
        drawn = [
            (one, stroke, *_points(view, one)) for one, stroke in zip(view.series, _strokes(view.series), strict=True)
        ]
        _set_scales(view, ax, [x for _, _, x, _ in drawn], [y for _, _, _, y in drawn])
        for band in view.bands:
            _draw_band(view, band, ax)
        # Bars of several channels stand side by side around their frequency; values and bounds of one share a place.
        bars = list(dict.fromkeys(_bar_of(one) for one in view.series if one.role == "bars"))
        thick = _bar_width([x for one, _, x, _ in drawn if one.role == "bars"], len(bars), ax)
        for one, stroke, x, y in drawn:
            place = (bars.index(_bar_of(one)) - (len(bars) - 1) / 2.0) * thick * 1.25 if one.role == "bars" else 0.0
            _draw_series(one, stroke, x, y, ax, place=place, thick=thick)
        _draw_point_labels([(one, x, y) for one, _, x, y in drawn], ax)
        _draw_furniture(view, ax)
    return ax


def _points(view: ChartView, series: Series) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return x and y as arrays with NaN where nothing can be drawn."""
    x, y = _numbers(series.x), _numbers(series.y)
    if len(x) != len(y):
        raise ValueError(f"series {series.label!r} has {len(x)} x values and {len(y)} y values")
    if view.x_scale == "log":
        x[~(x >= 1.0 / _LARGEST)] = math.nan
    if view.y_scale == "log":
        y[~(y >= 1.0 / _LARGEST)] = math.nan
    return x, y


def _numbers(values: Iterable[float | None]) -> NDArray[np.float64]:
    import numpy as np

    numbers = np.fromiter(values, dtype=np.float64)  # None becomes NaN
    numbers[~(np.abs(numbers) <= _LARGEST)] = math.nan
    return numbers


def _set_scales(view: ChartView, ax: Axes, xs: list[NDArray[np.float64]], ys: list[NDArray[np.float64]]) -> None:
    import numpy as np

    across, high = _size_pt(ax)
    band_x = [_numbers(band.x) for band in view.bands] if not xs else []
    band_y = [edge for band in view.bands for edges in _edges(band) for edge in edges]
    ax.set_xscale(view.x_scale)
    ax.set_yscale(view.y_scale)
    bars = any(one.role == "bars" for one in view.series)
    ax.set_xlim(
        *(_range(view.x_range, view.x_scale) or _span([*xs, *band_x], view.x_scale, pad=0.08 if bars else 0.02))
    )
    pad = 0.12 if any(one.labels for one in view.series) else 0.06
    y_range = _range(view.y_range, view.y_scale)
    ax.set_ylim(*(y_range or _span([*ys, *band_y], view.y_scale, pad=pad, smallest=view.y_smallest_span)))
    counted = bars and all(bool((x[np.isfinite(x)] % 1.0 == 0.0).all()) for x in xs)
    set_ticks(ax, "x", scale=view.x_scale, is_frequency=_in_hertz(view.x_label), room_pt=across, whole=counted)
    set_ticks(ax, "y", scale=view.y_scale, is_frequency=_in_hertz(view.y_label), room_pt=high)
    ax.grid(True, which="major", color=style.GRID, linewidth=0.6)
    ax.grid(True, which="minor", color=style.FINE_GRID, linewidth=0.4)
    ax.set_axisbelow(True)
    ax.tick_params(which="both", length=0.0, pad=5.0, labelsize=style.TICK_PT)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)


def _range(asked: tuple[float, float] | None, scale: str) -> tuple[float, float] | None:
    """Return the range that was asked for; None where it is none: a result of one point, or a forged one."""
    if asked is None or not -_LARGEST <= asked[0] < asked[1] <= _LARGEST:
        return None
    if scale == "log":
        return asked if asked[0] >= 1.0 / _LARGEST and asked[1] > asked[0] * _LEAST_RATIO else None
    return asked if asked[1] - asked[0] > _LEAST_PART * max(abs(asked[0]), abs(asked[1])) else None


def _in_hertz(label: str) -> bool:
    """Return whether an axis is in Hz ('frequency (Hz)'), not only relative to a frequency ('dB re 1 kHz')."""
    return re.search(r"(^|[\s(,])Hz\b", label) is not None


def _span(
    arrays: list[NDArray[np.float64]], scale: str, *, pad: float, smallest: float | None = None
) -> tuple[float, float]:
    """Return limits that hold all finite values with some air, never empty and never of zero width."""
    import numpy as np

    values = np.concatenate([*arrays, np.empty(0)])
    values = values[np.isfinite(values)]
    if scale == "log":
        values = np.log10(values[values >= 1.0 / _LARGEST])
    if values.size == 0:
        low, high = (0.0, 3.0) if scale == "log" else (0.0, 1.0)
    else:
        low, high = float(values.min()), float(values.max())
    air = (high - low) * pad
    low, high = low - air, high + air
    least = (smallest or 0.0) if scale == "linear" else 0.0
    # A single point, or a line so flat that its ticks would all read alike, still gets a scale.
    part = 1e-3 * max(abs(low), abs(high))
    least = max(least, 0.3 if scale == "log" else part if part >= 1.0 / _LARGEST else 1.0)
    if high - low < least:
        middle = (low + high) / 2.0
        if smallest:  # a round middle: a response of nearly 0 dB stands in the middle of ±3 dB
            middle = round(12.0 * middle / smallest) * smallest / 12.0
        low, high = min(low, middle - least / 2.0), max(high, middle + least / 2.0)
    return (10.0**low, 10.0**high) if scale == "log" else (low, high)


def _draw_band(view: ChartView, band: LimitBand, ax: Axes) -> None:
    """Shade what lies outside a limit, with a thin edge at the limit itself."""
    left, right = ax.get_xlim()
    x = _numbers({-math.inf: left, math.inf: right}.get(place, place) for place in band.x)
    bottom, top = ax.get_ylim()
    lows, highs = _edges(band)
    shade: dict[str, Any] = {"color": style.BAND, "linewidth": 0.0, "zorder": 0.3}
    if lows:
        ax.fill_between(x, lows[0], bottom, **shade)
    if highs:
        ax.fill_between(x, highs[-1], top, **shade)
    for low, high in zip(lows[1:], highs, strict=False):  # between the bands of two zeros
        ax.fill_between(x, high, low, where=low > high, **shade)
    for edge in (*lows, *highs):
        ax.plot(x, edge, color=style.BAND_EDGE, linewidth=0.9, zorder=1.6, scalex=False, scaley=False)


def _edges(band: LimitBand) -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]]]:
    """Return a limit's lower and its upper edges, one a zero, rising; none where it is open."""
    lows, highs = (
        [] if edge is None else [_numbers(edge) + zero for zero in sorted(band.zeros)] for edge in (band.low, band.high)
    )
    return lows, highs


def _bar_of(series: Series) -> int | str:
    """Return what tells bars that stand side by side."""
    return series.label if series.channel is None else series.channel


def _bar_width(xs: list[NDArray[np.float64]], beside: int, ax: Axes) -> float:
    """Return the width of bars in points: narrower where neighbours stand close together."""
    import numpy as np

    x = np.unique(np.concatenate([*xs, np.empty(0)]))
    x = x[np.isfinite(x)]
    if x.size < 2:
        return _BAR_PT
    places = ax.transData.transform(np.column_stack([x, np.full_like(x, ax.get_ylim()[0])]))[:, 0]
    closest = float(np.diff(places).min()) * 72.0 / ax.get_figure(root=True).dpi  # type: ignore[union-attr]
    return min(max(closest / (1.25 * beside + 0.8), 1.0), _BAR_PT)


def _draw_series(
    series: Series,
    stroke: Stroke,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    ax: Axes,
    *,
    place: float,
    thick: float,
) -> None:
    import numpy as np

    fill: dict[str, Any] = {}
    look: dict[str, Any] = {"color": stroke.colour, "scalex": False, "scaley": False, "zorder": 3.0}
    # A mark that stands on the edge of the axes isn't cut in half; what lies outside is.
    look["clip_on"] = _leaves(x, ax.get_xlim()) or _leaves(y, ax.get_ylim())
    if series.role == "line":
        style_of_line: Any = (0, stroke.dashes) if stroke.dashes else "-"
        every = 1 if series.each_point else max(1, len(x) // 12)
        marks: dict[str, Any] = {"marker": stroke.marker or None, "markersize": _MARK_PT, "markevery": every}
        # A spectrum of many points is a fine texture: thick lines would make one band of it.
        width = stroke.width_pt if len(x) <= _FEW_POINTS else 0.5 * stroke.width_pt
        ax.plot(x, y, linewidth=width, linestyle=style_of_line, **marks, **look)
        alone = _alone(x, y)
        ax.plot(x[alone], y[alone], linestyle="none", marker=stroke.marker or stroke.point, markersize=4.5, **look)
    elif series.role == "points":
        fill = {"markerfacecolor": "white"} if series.hollow else {}
        ax.plot(x, y, linestyle="none", marker=stroke.point, markersize=5.0, **fill, **look)
    else:
        good = np.isfinite(x) & np.isfinite(y)
        shift = _shifted(ax, place)
        foot = ax.get_ylim()[0]
        ax.vlines(x[good], foot, y[good], colors=stroke.colour, linewidth=thick, transform=shift, zorder=3.0)
        if series.hollow:  # only an outline stays
            fill = {"markerfacecolor": "white"}
            core = max(thick - 2.0 * _OUTLINE_PT, 0.3 * thick)
            ax.vlines(x[good], foot, y[good], colors="white", linewidth=core, transform=shift, zorder=3.0)
        # The mark at the tip tells channels apart in grey, and shows a bar that has no height.
        ax.plot(
            x[good], y[good], linestyle="none", marker=stroke.point, markersize=thick + 0.5, transform=shift, **fill,
            **look,
        )  # fmt: skip


def _leaves(values: NDArray[np.float64], limits: tuple[float, float]) -> bool:
    return bool(((values < min(limits)) | (values > max(limits))).any())


def _shifted(ax: Axes, place_pt: float) -> Transform:
    from matplotlib.transforms import ScaledTranslation

    return ax.transData + ScaledTranslation(place_pt / 72.0, 0.0, ax.get_figure(root=True).dpi_scale_trans)  # type: ignore[union-attr]


def _alone(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which points have no neighbour to draw a line to."""
    import numpy as np

    good = np.isfinite(x) & np.isfinite(y)
    padded = np.concatenate([[False], good, [False]])
    return np.asarray(good & ~padded[:-2] & ~padded[2:], dtype=np.bool_)


def _draw_point_labels(drawn: list[tuple[Series, NDArray[np.float64], NDArray[np.float64]]], ax: Axes) -> None:
    """Write the texts at points, highest first; one that would cover another is left out (the table has them all)."""
    wanted = [
        (float(y[index]), float(x[index]), clean_text(text), 1 if series.hollow else len(_LABEL_ROWS_PT))
        for series, x, y in drawn
        for index, text in enumerate(series.labels[: len(x)])
        if text and math.isfinite(x[index]) and math.isfinite(y[index])
    ]
    taken: list[_Box] = []
    marks = [box for series, x, y in drawn if series.each_point or series.role == "points" for box in _marks(x, y, ax)]
    top = float(ax.transAxes.transform((0.0, 1.0))[1]) * 72.0 / ax.get_figure(root=True).dpi  # type: ignore[union-attr]
    written: list[tuple[str, float]] = []
    for y_value, x_value, text, rows in sorted(wanted, key=lambda item: -item[0]):
        across, up = ax.transData.transform((x_value, y_value)) * 72.0 / ax.get_figure(root=True).dpi  # type: ignore[union-attr]
        if any(text == other and abs(across - place) < _SAME_PLACE_PT for other, place in written):
            continue  # another channel's point of the same name
        free = [row for row in _LABEL_ROWS_PT[:rows] if _is_free(_label_boxes(text, across, up, row), taken)]
        # Where it can inside the axes, a text leaves the marks of curves uncovered too.
        boxes = {row: _label_boxes(text, across, up, row)[:1] for row in free}
        clear = (row for row in free if boxes[row][0][3] <= top and _is_free(boxes[row], marks))
        raised = next(clear, free[0] if free else None)
        if raised is None:
            continue
        taken += _label_boxes(text, across, up, raised)
        written.append((text, across))
        _write_label(text, (x_value, y_value), raised, ax)


def _marks(x: NDArray[np.float64], y: NDArray[np.float64], ax: Axes) -> list[_Box]:
    """Return the places of marks in points."""
    import numpy as np

    good = np.isfinite(x) & np.isfinite(y)
    places = ax.transData.transform(np.column_stack([x[good], y[good]])) * 72.0 / ax.get_figure(root=True).dpi  # type: ignore[union-attr]
    half = _MARK_PT / 2.0
    return [(across - half, up - half, across + half, up + half) for across, up in places.tolist()]


def _write_label(text: str, point: tuple[float, float], raised_pt: float, ax: Axes) -> None:
    place: dict[str, Any] = {"textcoords": "offset points", "annotation_clip": True, "zorder": 4.0}
    # A curve that rises steeply runs through the text above its point: paper behind the letters keeps them readable.
    paper = {"boxstyle": "square,pad=0.05", "facecolor": "white", "edgecolor": "none", "alpha": 0.8}
    ax.annotate(
        text, point, xytext=(0.0, raised_pt), ha="center", va="bottom", fontsize=style.SMALL_PT, bbox=paper, **place
    )
    if raised_pt > _LABEL_ROWS_PT[0]:
        line = {"arrowstyle": "-", "color": style.RULE, "linewidth": 0.6, "shrinkA": 0.0, "shrinkB": 3.0}
        ax.annotate("", point, xytext=(0.0, raised_pt), arrowprops=line, **place)


_Box = tuple[float, float, float, float]


def _label_boxes(text: str, across: float, up: float, raised_pt: float) -> list[_Box]:
    """Return the places in points (left, bottom, right, top) of a text above its point, and of the line down to it."""
    half = width_pt(text, style.SMALL_PT) / 2.0 + 1.0
    boxes = [(across - half, up + raised_pt - 2.0, across + half, up + raised_pt + 9.0)]
    if raised_pt > _LABEL_ROWS_PT[0]:
        boxes.append((across - 0.5, up + 3.0, across + 0.5, up + raised_pt - 2.0))
    return boxes


def _is_free(boxes: Sequence[_Box], taken: Sequence[_Box]) -> bool:
    return not any(_overlap(box, other) for box in boxes for other in taken)


def _overlap(one: _Box, other: _Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


# ---------------------------------------------------------------- furniture


def _points_from(ax: Axes, corner: tuple[float, float]) -> Transform:
    """Return coordinates in points, to the right and up, from a corner of the axes."""
    from matplotlib.transforms import Affine2D, ScaledTranslation

    inches: Any = ax.get_figure(root=True).dpi_scale_trans  # type: ignore[union-attr]
    axes: Any = ax.transAxes
    place: Transform = Affine2D().scale(1.0 / 72.0) + inches + ScaledTranslation(*corner, axes)
    return place


def _draw_furniture(view: ChartView, ax: Axes) -> None:
    across, high = _size_pt(ax)
    top = _points_from(ax, (0.0, 1.0))
    entries, rows = _legend(view, across)
    for entry in entries:
        _draw_entry(entry, (rows - entry.row) * _LEGEND_LINE_PT, ax, top)
    titles = _title_lines(view, across)
    title_foot = rows * _LEGEND_LINE_PT + 6.0
    for index, line in enumerate(titles):
        y = title_foot + (len(titles) - 1 - index) * _TITLE_LINE_PT
        ax.text(0.0, y + 3.0, line, transform=top, fontsize=style.TITLE_PT, fontweight="bold", va="baseline")
    if view.simulated:
        _draw_simulated(ax, title_foot + max(len(titles) - 1, 0) * _TITLE_LINE_PT + 3.0)
    _draw_axis_labels(view, ax, across, high)
    bottom = _points_from(ax, (0.0, 0.0))
    for index, line in enumerate(wrap(view.caption, across, style.SMALL_PT)):
        y = -_AXIS_TEXTS_PT - (index + 0.8) * _CAPTION_LINE_PT
        ax.text(0.0, y, line, transform=bottom, fontsize=style.SMALL_PT, color=style.SOFT_INK, va="baseline")
    if not any(_has_values(view, one) for one in view.series):
        ax.text(0.5, 0.5, "no values to draw", transform=ax.transAxes, ha="center", va="center")


def _has_values(view: ChartView, series: Series) -> bool:
    x, y = _points(view, series)
    return bool(((x == x) & (y == y)).any())


def _draw_axis_labels(view: ChartView, ax: Axes, across: float, high: float) -> None:
    bottom, left = _points_from(ax, (0.5, 0.0)), _points_from(ax, (0.0, 0.5))
    size = style.TEXT_PT
    x_label, y_label = clean_text(view.x_label), clean_text(view.y_label)
    # A label that is longer than its axis is set smaller: it is never cut.
    x_size = min(size, size * across / max(width_pt(x_label, size), 1.0))
    ax.text(0.0, -31.0, x_label, transform=bottom, ha="center", va="baseline", fontsize=x_size)
    for place, line, y_size in _upright(y_label, high):
        ax.text(place, 0.0, line, transform=left, ha="center", va="center", rotation=90.0, fontsize=y_size)


def _upright(label: str, high: float) -> list[tuple[float, str, float]]:
    """Return the y label as (place, text, size): in one line, in two smaller ones, or as small as it takes."""
    if width_pt(label, style.TEXT_PT) <= high:
        return [(-45.0, label, style.TEXT_PT)]
    lines = wrap(label, high, style.SMALL_PT)
    if len(lines) == 2:
        return [(-52.5, lines[0], style.SMALL_PT), (-42.0, lines[1], style.SMALL_PT)]
    return [(-45.0, label, style.TEXT_PT * high / width_pt(label, style.TEXT_PT))]


def _draw_entry(entry: _Entry, y: float, ax: Axes, place: Transform) -> None:
    """Draw one sample with its text; y is the top of its row in points above the axes."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    middle = y - _LEGEND_LINE_PT / 2.0 + 2.0
    left, right = entry.x_pt, entry.x_pt + _sample_pt(entry.role)
    if entry.stroke is None:
        sample: Any = Rectangle(
            (left, middle - 4.0), _SAMPLE_PT, 8.0, facecolor=style.BAND, edgecolor=style.BAND_EDGE, linewidth=0.7
        )
    else:
        stroke, is_line = entry.stroke, entry.role == "line"
        centre = (left + right) / 2.0
        xs = [left, centre, right] if is_line else [centre]
        marker = (stroke.marker or "None") if is_line else stroke.point
        sample = Line2D(
            xs, [middle] * len(xs), marker=marker, markersize=4.5, markevery=[1] if is_line else None,
            color=stroke.colour, linewidth=stroke.width_pt, linestyle=(0, stroke.dashes) if stroke.dashes else "-",
            markerfacecolor="white" if entry.role == "hollow" else stroke.colour,
        )  # fmt: skip
    sample.set_transform(place)
    sample.set_clip_on(False)
    ax.add_artist(sample)
    for index, line in enumerate(entry.lines):
        ax.text(
            right + 5.0, middle - index * _LEGEND_LINE_PT, line, transform=place, fontsize=style.TICK_PT,
            va="center_baseline",
        )  # fmt: skip


def _draw_simulated(ax: Axes, y: float) -> None:
    """Say SIMULATED twice: in a frame beside the title, and large and pale behind the curves."""
    right = _points_from(ax, (1.0, 1.0))
    ax.text(
        -4.0, y, SIMULATED, transform=right, ha="right", va="baseline", fontsize=style.TEXT_PT, fontweight="bold",
        bbox={"boxstyle": "square,pad=0.3", "facecolor": "white", "edgecolor": style.INK, "linewidth": 1.2},
    )  # fmt: skip
    across, high = _size_pt(ax)
    size = min(0.8 * across / 7.2, 0.45 * high, 60.0)
    ax.text(
        0.5, 0.5, SIMULATED, transform=ax.transAxes, ha="center", va="center", fontsize=size, fontweight="bold",
        color=style.WATERMARK, zorder=0.4, gid="watermark", clip_on=True,
    )  # fmt: skip
