"""Tables and charts of impedances, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from audiomeas.measurement.bounded_series import frequency_chart
from audiomeas.measurement.figure_table import figures_table, frequency_table
from audiomeas.measurement.response_views import hertz, limited_at
from audiomeas.measurement.views import ChartView, Limited, TableView

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
    of_all: Mapping[str, str] | None = None,
) -> tuple[Tables, Charts]:
    """Return what makes the tables and the charts of an impedance.

    quantities : of the first table.   columns : of the table of steps.   drawn : key, name, title and y axis of charts.
    of_all : key that is drawn → figure that is the largest or least of all its steps.
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

    def limited(key: str, reference_hz: float) -> tuple[Limited, ...]:
        return limited_at(key, reference_hz), *(Limited(key=each) for own, each in (of_all or {}).items() if own == key)

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
                limited=limited(key, float(result.conditions["reference_hz"])),
            )
            for key, name, heading, y_label in drawn
        )
        return tuple(view for view in views if view is not None)

    return tables, charts
