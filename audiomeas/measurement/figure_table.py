"""The table that most measurements begin with: quantities down, channels across, in the order that a module gives."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.measurement.views import Column, TableView
from audiomeas.shown_digits import finite, outward_digits
from audiomeas.shown_units import shown_in

#: A bound has so many, where nothing else is said.
BOUND_DIGITS = 2


def row_cell(row: Mapping[str, Any], key: str) -> str | float | None:
    """Return a value of a row of values, with the bound that the row has of it, as a cell."""
    return told_cell(row[key], row["bound"].get(key))


def figures_table(
    result: Result,
    quantities: Sequence[tuple[str, str, str]],
    *,
    title: str,
    always: Collection[str] = (),
    notes: tuple[str, ...] = (),
    bound_digits: int = BOUND_DIGITS,
) -> TableView:
    """Return the table of a result's figures, volts with the prefix that suits each row.

    quantities : (key, words, unit).  always : keys with a row even where no channel has a value.
    bound_digits : of a value that is a bound.
    """
    rows, widths, keys = [], [], []
    for key, words, unit in quantities:
        if key not in always and all(channel.values.get(key) is None for channel in result.channels):
            continue
        shown, factor = shown_in(unit, *(channel.values.get(key) for channel in result.channels))
        keys.append(key)
        rows.append((words, shown, *(cell(channel, key, factor, digits=bound_digits) for channel in result.channels)))
        widths.append((None, None, *(times(channel.uncertainty.get(key), factor) for channel in result.channels)))
    return TableView(
        title=title,
        columns=(Column(heading="quantity"), Column(heading="unit"), *channel_columns(result)),
        leading=2,
        rows=tuple(rows),
        uncertainties=tuple(widths),
        notes=notes,
        keys=tuple(keys),
    )


def frequency_table(
    rows: Sequence[Mapping[str, Any]],
    columns: Sequence[tuple[str, str, str]],
    *,
    title: str,
    notes: tuple[str, ...] = (),
    told: Callable[[Mapping[str, Any], str], str | float | None] = row_cell,
) -> TableView:
    """Return the table of a channel's rows at frequencies, each with its values, uncertainty, bound and note.

    columns : (key, heading, unit); those that no row knows are left out, and so are notes where there are none.
    told : a row and a key → the cell, where the row's bound is not all there is to say.
    """
    shown = [one for one in columns if any(row[one[0]] is not None for row in rows)]
    below, beside = _notes_once(rows)
    noted = any(beside)
    cells = [[told(row, key) for key, _, _ in shown] for row in rows]
    widths = [
        [
            None if isinstance(cell, str) else row["uncertainty"].get(key)
            for cell, (key, _, _) in zip(own, shown, strict=True)
        ]
        for own, row in zip(cells, rows, strict=True)
    ]
    return TableView(
        title=title,
        columns=(
            Column(heading="Frequency", unit="Hz"),
            *(Column(heading=heading, unit=unit) for _, heading, unit in shown),
            *((Column(heading="Note"),) if noted else ()),
        ),
        rows=tuple(
            (float(row["frequency_hz"]), *own, *((note,) if noted else ()))
            for row, own, note in zip(rows, cells, beside, strict=True)
        ),
        uncertainties=tuple((None, *own, *((None,) if noted else ())) for own in widths),
        notes=(*notes, *below),
    )


def _notes_once(rows: Sequence[Mapping[str, Any]]) -> tuple[list[str], list[str]]:
    """Return what is to be said below a table, as several rows have it, and what stands beside each row."""
    at_hz: dict[str, list[float]] = {}
    for row in rows:
        if row["note"]:
            at_hz.setdefault(row["note"], []).append(float(row["frequency_hz"]))
    several = {note: found for note, found in at_hz.items() if len(found) > 1}
    below = [
        f"{note[0].upper()}{note[1:]}" + ("." if len(found) == len(rows) else f" (at {_listed_hz(found)}).")
        for note, found in several.items()
    ]
    return below, ["" if row["note"] in several else row["note"] or "" for row in rows]


def _listed_hz(frequencies_hz: Sequence[float]) -> str:
    return f"{', '.join(f'{hz:.4g}' for hz in frequencies_hz)} Hz"


def channel_columns(result: Result) -> tuple[Column, ...]:
    """Return one column a channel."""
    return tuple(Column(heading=f"channel {channel.channel}") for channel in result.channels)


def cell(channel: ChannelResult, key: str, factor: float = 1.0, *, digits: int = BOUND_DIGITS) -> str | float | None:
    """Return a value times a factor as a cell: a number, a bound in words to so many digits, or None."""
    return told_cell(times(channel.values.get(key), factor), channel.bound.get(key), digits=digits)


def times(value: float | None, factor: float) -> float | None:
    """Return a value times a factor; what is not known stays so."""
    return None if value is None else value * factor


def told_cell(value: float | None, bound: str | None, *, digits: int = BOUND_DIGITS) -> str | float | None:
    """Return a value with its bound, where it has one, as a cell. digits : of a bound."""
    if value is None:
        return None
    return bounded(bound, float(value), digits=digits) if bound else float(value)


def bounded(bound: str, value: float, *, digits: int = BOUND_DIGITS) -> str:
    """Return a bound as a table says it, rounded outward: 'at most 0.0012'.

    digits : so many, and a decimal where more stand before.
    """
    before = finite(value).adjusted() + 1
    return f"{bound} {outward_digits(value, digits if before < digits else before + 1, bound)}"
