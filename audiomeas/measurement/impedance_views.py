"""Tables and charts of impedances, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from audiomeas.measurement.bounded_series import frequency_chart
from audiomeas.measurement.figure_table import figures_table, frequency_table
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.views import ChartView, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import Result

#: key, words or heading, unit.
Quantities = Sequence[tuple[str, str, str]]
Tables = Callable[["Result"], tuple[TableView, ...]]
Charts = Callable[["Result"], tuple[ChartView, ...]]


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
        at_each = (
            frequency_table(channel.values["steps"], columns, title=f"{title} at each step, channel {channel.channel}")
            for channel in result.channels
            if channel.values["steps"]
        )
        return (first, *at_each)

    def charts(result: Result) -> tuple[ChartView, ...]:
        method = result.conditions["method"]
        views = (
            frequency_chart(
                result,
                "steps",
                key,
                name=name,
                title=heading,
                y_label=y_label,
                caption=f"{method[0].upper()}{method[1:]}.",
            )
            for key, name, heading, y_label in drawn
        )
        return tuple(view for view in views if view is not None)

    return tables, charts
