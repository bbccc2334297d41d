"""Tables and charts of rumble, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.figure_table import figures_table, frequency_table, row_cell
from audiomeas.measurement.views import ChartView, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: Key, words, unit: the rows of the first table, and the figures that limits can hold.
QUANTITIES = (
    ("unweighted_db", "rumble, unweighted", "dB"),
    ("weighted_db", "rumble, weighted", "dB"),
    ("lateral_unweighted_db", "lateral rumble, unweighted", "dB"),
    ("lateral_weighted_db", "lateral rumble, weighted", "dB"),
    ("vertical_unweighted_db", "vertical rumble, unweighted", "dB"),
    ("vertical_weighted_db", "vertical rumble, weighted", "dB"),
    ("unweighted_v_rms", "level, unweighted", "V"),
    ("weighted_v_rms", "level, weighted", "V"),
    ("unweighted_dbfs", "level, unweighted", "dBFS"),
    ("weighted_dbfs", "level, weighted", "dBFS"),
    ("reference_v_rms", "level of the reference", "V"),
)
_ALWAYS = ("unweighted_db", "weighted_db")
#: Told in words.
_WORDS = ("mostly", "consistent_with")


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, and by channel the lines of the rumble."""
    return (
        figures_table(result, QUANTITIES, title="Rumble", always=_ALWAYS, notes=_notes(result)),
        *(_lines(channel) for channel in result.channels if channel.values["lines"]),
    )


def _notes(result: Result) -> tuple[str, ...]:
    conditions = result.conditions
    note = conditions["weighting_note"]
    return (
        f"{_caption(result)}.",
        f"Weightings: {conditions['weightings']['weighted']}; {note}.",
        f"Directions: {conditions['directions']}.",
    )


def _caption(result: Result) -> str:
    begin_s, end_s = result.conditions["silent_s"]
    reference = result.conditions["reference"]
    return f"Silent groove, {begin_s:.1f} to {end_s:.1f} s; 0 dB: {reference or 'not known'}"


def _lines(channel: ChannelResult) -> TableView:
    return frequency_table(
        channel.values["lines"],
        (
            ("level_db", "Level, unweighted", "dB"),
            (_WORDS[0], "Mostly", ""),
            (_WORDS[1], "Consistent with", ""),
        ),
        title=f"Lines of the rumble, channel {channel.channel}",
        told=_cell,
    )


def _cell(row: Mapping[str, Any], key: str) -> str | float | None:
    return row[key] or "" if key in _WORDS else row_cell(row, key)


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the spectrum of the silent groove, with its lines."""
    drawn = [channel for channel in result.channels if channel.values["spectrum"]["level_db_in_1_hz"]]
    curves = tuple(
        Series(
            label=f"channel {channel.channel}",
            x=channel.values["spectrum"]["frequency_hz"],
            y=channel.values["spectrum"]["level_db_in_1_hz"],
            channel=channel.channel,
        )
        for channel in drawn
    )
    return (
        ChartView(
            name="rumble-spectrum",
            title="Spectrum of rumble, unweighted",
            x_label="Frequency (Hz)",
            y_label=f"Level in 1 Hz (dB re {result.conditions['zero_db']})",
            series=curves,
            caption=f"{_caption(result)}. The strongest in each hundredth of a decade",
            simulated=result.simulated,
        ),
    )
