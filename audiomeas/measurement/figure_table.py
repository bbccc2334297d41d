"""The table that most measurements begin with: quantities down, channels across, in the order that a module gives."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.measurement.views import Column, TableView
from audiomeas.shown_units import shown_in


def figures_table(
    result: Result,
    quantities: Sequence[tuple[str, str, str]],
    *,
    title: str,
    always: Collection[str] = (),
    notes: tuple[str, ...] = (),
) -> TableView:
    """Return the table of a result's figures, volts with the prefix that suits each row.

    quantities : (key, words, unit).  always : keys with a row even where no channel has a value.
    """
    rows, widths = [], []
    for key, words, unit in quantities:
        if key not in always and all(channel.values.get(key) is None for channel in result.channels):
            continue
        shown, factor = shown_in(unit, *(channel.values.get(key) for channel in result.channels))
        rows.append((words, shown, *(cell(channel, key, factor) for channel in result.channels)))
        widths.append((None, None, *(times(channel.uncertainty.get(key), factor) for channel in result.channels)))
    return TableView(
        title=title,
        columns=(Column(heading="quantity"), Column(heading="unit"), *channel_columns(result)),
        leading=2,
        rows=tuple(rows),
        uncertainties=tuple(widths),
        notes=notes,
    )


def channel_columns(result: Result) -> tuple[Column, ...]:
    """Return one column a channel."""
    return tuple(Column(heading=f"channel {channel.channel}") for channel in result.channels)


def cell(channel: ChannelResult, key: str, factor: float = 1.0) -> str | float | None:
    """Return a value times a factor as a cell: a number, a bound in words, or None."""
    return told_cell(times(channel.values.get(key), factor), channel.bound.get(key))


def times(value: float | None, factor: float) -> float | None:
    """Return a value times a factor; what is not known stays so."""
    return None if value is None else value * factor


def told_cell(value: float | None, bound: str | None) -> str | float | None:
    """Return a value with its bound, where it has one, as a cell."""
    if value is None:
        return None
    return bounded(bound, float(value)) if bound else float(value)


def bounded(bound: str, value: float) -> str:
    """Return a bound as a table says it: 'at most 0.0012'."""
    digits = f"{value:.2g}" if abs(value) < 10 else f"{value:.1f}"
    return f"{bound} {digits.replace('-', '−')}"
