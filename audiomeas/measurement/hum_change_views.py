"""Tables and charts of a change of hum, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audiomeas.measurement.figure_table import figures_table, frequency_table
from audiomeas.measurement.views import ChartView, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: Key, words, unit: the rows of the first table, and the figures that limits can hold.
QUANTITIES = (
    ("hum_change_db", "hum before the change, over that after it", "dB"),
    ("hum_first_v_rms", "hum before", "V"),
    ("hum_second_v_rms", "hum after", "V"),
    ("hum_first_dbfs", "hum before", "dBFS"),
    ("hum_second_dbfs", "hum after", "dBFS"),
    ("mains_hz", "mains", "Hz"),
)
_ALWAYS = ("hum_change_db",)


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, and by channel each line before and after."""
    return (
        figures_table(result, QUANTITIES, title="Change of hum", always=_ALWAYS, notes=(f"{_caption(result)}.",)),
        *(_lines(channel) for channel in result.channels if channel.values["lines"]),
    )


def _caption(result: Result) -> str:
    conditions = result.conditions
    return f"Before: {conditions['first']}; after: {conditions['second']}"


def _lines(channel: ChannelResult) -> TableView:
    return frequency_table(
        channel.values["lines"],
        (
            ("first_v_rms", "Before", "V"),
            ("second_v_rms", "After", "V"),
            ("first_dbfs", "Before", "dBFS"),
            ("second_dbfs", "After", "dBFS"),
            ("change_db", "Before over after", "dB"),
        ),
        title=f"Lines of the hum, channel {channel.channel}",
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the lines before and after, as points."""
    return (
        ChartView(
            name="hum-change",
            title="Hum before and after",
            x_label="Frequency (Hz)",
            y_label="Level (dBFS)",
            series=tuple(
                Series(
                    label=f"{words}, channel {channel.channel}",
                    x=[row["frequency_hz"] for row in channel.values["lines"]],
                    y=[row[f"{part}_dbfs"] for row in channel.values["lines"]],
                    role="points",
                    channel=channel.channel,
                    hollow=part == "second",
                )
                for channel in result.channels
                for part, words in (("first", "before"), ("second", "after (hollow)"))
                if channel.values["lines"]
            ),
            caption=_caption(result),
            simulated=result.simulated,
        ),
    )
