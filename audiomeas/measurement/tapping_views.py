"""Tables and charts of a unit that was tapped, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audiomeas.measurement.figure_table import figures_table, told_cell
from audiomeas.measurement.views import ChartView, Column, Series, TableView
from audiomeas.shown_digits import AT_MOST

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: Key, words, unit: the rows of the first table, and the figures that limits can hold.
QUANTITIES = (
    ("taps", "taps", ""),
    ("taps_answered", "taps that something came with", ""),
    ("events_elsewhere", "events that came with no tap", ""),
    ("near_taps_percent", "part of the events that came with taps", "%"),
    ("largest_step_db", "largest step of the level", "dB"),
    ("largest_burst_db", "largest burst beside the tone, over what is usual", "dB"),
    ("longest_s", "longest event", "s"),
    ("level_v_rms", "level", "V"),
    ("level_dbfs", "level", "dBFS"),
)
_ALWAYS = ("taps", "taps_answered", "events_elsewhere")


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, and by channel what happened when."""
    return (
        figures_table(
            result,
            QUANTITIES,
            title="Tapping",
            always=_ALWAYS,
            notes=(f"{_caption(result)}. Events: {result.conditions['event_criteria']}.",),
        ),
        *(_events(channel) for channel in result.channels if channel.values["event_list"]),
    )


def _events(channel: ChannelResult) -> TableView:
    return TableView(
        title=f"What happened, channel {channel.channel}",
        columns=(
            Column(heading="At", unit="s", decimals=2),
            Column(heading="Tap"),
            Column(heading="Step of the level", unit="dB", decimals=2),
            Column(heading="Burst", unit="dB", decimals=1),
            Column(heading="Length", unit="s", decimals=3),
        ),
        rows=tuple(
            (
                row["at_s"],
                "none" if row["tap"] is None else str(row["tap"]),
                told_cell(row["step_db"], AT_MOST if row["gone"] else None),
                row["burst_db"],
                row["length_s"],
            )
            for row in channel.values["event_list"]
        ),
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the level over the time, with the taps that were asked for."""
    courses = tuple(
        Series(
            label=f"channel {channel.channel}",
            x=channel.values["course_s"],
            y=channel.values["course_db"],
            channel=channel.channel,
        )
        for channel in result.channels
    )
    taps_s = result.conditions["taps_s"]
    taps = Series(label="tap asked for", x=taps_s, y=[0.0] * len(taps_s), role="points", hollow=True)
    return (
        ChartView(
            name="tapping",
            title="Level while the unit was tapped",
            x_label="Time (s)",
            y_label="Level against its median (dB)",
            series=(*courses, taps),
            x_scale="linear",
            caption=f"{_caption(result)}.",
            simulated=result.simulated,
            y_smallest_span=2.0,
        ),
    )


def _caption(result: Result) -> str:
    conditions = result.conditions
    return (
        f"Tone of {conditions['frequency_hz']:.5g} Hz; a tap was asked for at "
        f"{', '.join(f'{at_s:g}' for at_s in conditions['taps_s'])} s, and what began within "
        f"{conditions['within_s']:g} s of one came with it"
    )
