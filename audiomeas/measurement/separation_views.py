"""Tables and charts of separation, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.figure_table import figures_table, frequency_table, row_cell
from audiomeas.measurement.views import ChartView, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: Key, words, unit: the rows of the first table, and the figures that limits can hold.
QUANTITIES = (
    ("frequency_hz", "tone", "Hz"),
    ("separation_db", "separation", "dB"),
    ("lowest_separation_db", "lowest separation, 250 Hz to 10 kHz", "dB"),
    ("lowest_separation_at_hz", "  at", "Hz"),
    ("balance_db", "balance, channel 2 over channel 1", "dB"),
    ("level_v_rms", "level", "V"),
    ("level_dbfs", "level", "dBFS"),
)
_ALWAYS = ("separation_db", "balance_db")
_SMALLEST_SPAN_DB = 20.0
#: Told in words.
_POLARITY = "polarity"


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures at the reference frequency, and separation and balance by frequency."""
    return (
        figures_table(
            result, QUANTITIES, title="Separation of each channel, played alone", always=_ALWAYS, notes=_notes(result)
        ),
        *(_bands(channel) for channel in result.channels if channel.values["bands"]),
    )


def _notes(result: Result) -> tuple[str, ...]:
    conditions = result.conditions
    return (
        f"Near {conditions['reference_hz']:g} Hz where nothing else is said. Separation: {conditions['separation']}.",
        "The separation of the test record, tape or generator is in all figures.",
    )


def _bands(channel: ChannelResult) -> TableView:
    return frequency_table(
        channel.values["bands"],
        (
            ("separation_db", "Separation", "dB"),
            ("balance_db", "Balance", "dB"),
            ("level_v_rms", "Level", "V"),
            ("level_dbfs", "Level", "dBFS"),
            (_POLARITY, "Polarity", ""),
        ),
        title=f"By frequency, channel {channel.channel}",
        told=_cell,
    )


def _cell(row: Mapping[str, Any], key: str) -> str | float | None:
    return row[key] or "" if key == _POLARITY else row_cell(row, key)


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return separation and balance against frequency; bounds as hollow points."""
    views = (_chart(result, "separation_db", "Separation", "Separation (dB)"), _balance(result))
    return tuple(view for view in views if view is not None)


def _balance(result: Result) -> ChartView | None:
    title = "Balance of the channels"
    return _chart(result, "balance_db", title, "Channel 2 over channel 1 (dB)", channels=result.channels[1:])


def _chart(
    result: Result, key: str, title: str, y_label: str, channels: tuple[ChannelResult, ...] | None = None
) -> ChartView | None:
    series = [
        curve
        for channel in (result.channels if channels is None else channels)
        for curve in _curves(channel, key)
        if curve.x
    ]
    if not series:
        return None
    return ChartView(
        name=key.removesuffix("_db"),
        title=title,
        x_label="Frequency (Hz)",
        y_label=y_label,
        series=tuple(series),
        caption="Tones that the unit played; narrow around each",
        simulated=result.simulated,
        y_smallest_span=_SMALLEST_SPAN_DB,
        curve_key=key,
    )


def _curves(channel: ChannelResult, key: str) -> tuple[Series, Series]:
    """Return what is told of a channel, and what is a bound."""
    rows: list[dict[str, Any]] = [row for row in channel.values["bands"] if row[key] is not None]
    told, bounds = ([row for row in rows if bool(row["bound"].get(key)) is bound] for bound in (False, True))
    return (
        Series(
            label=f"channel {channel.channel}",
            x=[row["frequency_hz"] for row in told],
            y=[row[key] for row in told],
            channel=channel.channel,
            each_point=True,
        ),
        Series(
            label=f"channel {channel.channel}, at least",
            x=[row["frequency_hz"] for row in bounds],
            y=[row[key] for row in bounds],
            role="points",
            channel=channel.channel,
            hollow=True,
        ),
    )
