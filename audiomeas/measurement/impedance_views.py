"""Tables and charts of impedances, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from audiomeas.measurement.bounded_series import with_bounds
from audiomeas.measurement.figure_table import figures_table, told_cell
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.views import ChartView, Column, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: key, words or heading, unit.
Quantities = Sequence[tuple[str, str, str]]
Tables = Callable[["Result"], tuple[TableView, ...]]
Charts = Callable[["Result"], tuple[ChartView, ...]]

#: From this many points on, a curve is drawn.
_FEWEST_POINTS = 2


def views_of(
    *,
    title: str,
    note: str,
    quantities: Quantities,
    columns: Quantities,
    drawn: Sequence[tuple[str, str, str, str]],
) -> tuple[Tables, Charts]:
    """Return what makes the tables and the charts of an impedance.

    quantities : of the first table.   columns : of the table of steps.   drawn : key, name, title and y axis of charts.
    """

    def tables(result: Result) -> tuple[TableView, ...]:
        at = f"At {hertz(float(result.conditions['reference_hz']))}. {note}"
        first = figures_table(result, quantities, title=title, always={quantities[0][0]}, notes=(at,))
        return (first, *(_steps(channel, title, columns) for channel in result.channels if channel.values["steps"]))

    def charts(result: Result) -> tuple[ChartView, ...]:
        views = (_chart(result, *one) for one in drawn)
        return tuple(view for view in views if view is not None)

    return tables, charts


def _steps(channel: ChannelResult, title: str, columns: Quantities) -> TableView:
    rows, widths = [], []
    shown = [one for one in columns if any(row[one[0]] is not None for row in channel.values["steps"])]
    noted = any(row["note"] for row in channel.values["steps"])
    for row in channel.values["steps"]:
        cells = (told_cell(row[key], row["bound"].get(key)) for key, _, _ in shown)
        rows.append((float(row["frequency_hz"]), *cells, *((row["note"] or "",) if noted else ())))
        own = (row["uncertainty"].get(key) for key, _, _ in shown)
        widths.append((None, *own, *((None,) if noted else ())))
    return TableView(
        title=f"{title} at each step, channel {channel.channel}",
        columns=(
            Column(heading="Frequency", unit="Hz"),
            *(Column(heading=heading, unit=unit) for _, heading, unit in shown),
            *((Column(heading="Note"),) if noted else ()),
        ),
        rows=tuple(rows),
        uncertainties=tuple(widths),
    )


def _chart(result: Result, key: str, name: str, title: str, y_label: str) -> ChartView | None:
    series = [
        one
        for channel in result.channels
        for one in with_bounds(
            channel.channel,
            [
                (float(row["frequency_hz"]), float(row[key]), row["bound"].get(key, ""))
                for row in channel.values["steps"]
                if row[key]
            ],
        )
    ]
    if len({x for one in series for x in one.x}) < _FEWEST_POINTS:
        return None
    return ChartView(
        name=name,
        title=title,
        x_label="Frequency (Hz)",
        y_label=y_label,
        series=tuple(series),
        y_scale="log",
        caption=f"{result.conditions['method'][0].upper()}{result.conditions['method'][1:]}.",
        simulated=result.simulated,
        curve_key=key,
    )
