"""Tables and charts of volume tracking, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.views import ChartView, Column, Limited, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: Ranges of the largest difference, in dB below the loudest position: to a usual setting, and to a quiet one.
RANGES_DB = (40, 60)
_QUANTITIES = (
    ("largest_difference_to_40_db", "largest difference, full to −40 dB", "dB"),
    ("largest_difference_to_40_at_db", "  at", "dB"),
    ("largest_difference_to_60_db", "largest difference, full to −60 dB", "dB"),
    ("largest_difference_to_60_at_db", "  at", "dB"),
    ("balance_db", "balance at full volume", "dB"),
    ("level_v_rms", "level at full volume", "V"),
    ("level_dbfs", "level at full volume", "dBFS"),
    ("lowest_db", "lowest level heard, re full volume", "dB"),
    ("crackles", "crackles", ""),
    ("jumps", "jumps", ""),
)
_ALWAYS = ("largest_difference_to_40_db", "largest_difference_to_60_db", "crackles", "jumps")


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, and the difference at round levels."""
    return (
        figures_table(
            result,
            _QUANTITIES,
            title="Volume tracking",
            always=_ALWAYS,
            notes=(
                f"Difference: {result.conditions['difference']}.",
                "Crackle: the level leaves its course by more than 1 dB for some milliseconds. Jump: by more than 3 dB "
                "at once, for good; a stepped control has steps of its own.",
            ),
        ),
        *(_steps(result, channel) for channel in result.channels if channel.values["steps"]),
    )


def _base(result: Result) -> ChannelResult:
    return result.channels[0]


def _steps(result: Result, channel: ChannelResult) -> TableView:
    rows = channel.values["steps"]
    return TableView(
        title="Difference at round levels",
        columns=(
            Column(heading=f"Channel {_base(result).channel}", unit="dB re full", decimals=0),
            Column(heading=f"Channel {channel.channel} less channel {_base(result).channel}", unit="dB"),
        ),
        rows=tuple((row["relative_level_db"], row["difference_db"]) for row in rows),
        uncertainties=tuple((None, row["uncertainty"].get("difference_db")) for row in rows),
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the difference against the attenuation, and the levels over the time."""
    return (*(_difference(result, channel) for channel in result.channels[1:]), _course(result))


def _difference(result: Result, channel: ChannelResult) -> ChartView:
    points = list(
        zip(
            channel.values["relative_level_db"],
            channel.values["difference_db"],
            channel.values["difference_bound"],
            strict=True,
        )
    )
    known = [(-level, value) for level, value, bound in points if not bound]
    bounds = [(-level, value) for level, value, bound in points if bound]
    label = f"channel {channel.channel} less channel {_base(result).channel}"
    series = [Series(label=label, x=[x for x, _ in known], y=[y for _, y in known], channel=channel.channel)]
    if bounds:
        series.append(
            Series(
                label=f"at most: channel {channel.channel} not heard over the noise",
                x=[x for x, _ in bounds],
                y=[y for _, y in bounds],
                role="points",
                channel=channel.channel,
                hollow=True,
            )
        )
    return ChartView(
        name="tracking",
        title="Volume tracking",
        x_label=f"Attenuation of channel {_base(result).channel} from full volume (dB)",
        y_label="Difference of level (dB)",
        series=tuple(series),
        x_scale="linear",
        caption=_caption(result),
        simulated=result.simulated,
        y_smallest_span=2.0,
        limited=tuple(
            Limited(
                key=f"largest_difference_to_{range_db}_db",
                span=(-math.inf, range_db),
                both_ways=True,
                words=f"down to −{range_db} dB",
            )
            for range_db in RANGES_DB
        ),
    )


def _course(result: Result) -> ChartView:
    series = tuple(
        Series(
            label=f"channel {channel.channel}",
            x=channel.values["course_s"],
            y=[float("nan") if level is None else level for level in channel.values["course_db"]],
            channel=channel.channel,
        )
        for channel in result.channels
    )
    return ChartView(
        name="turning",
        title="Levels while the volume control was turned",
        x_label="Time (s)",
        y_label="Level (dB re full volume)",
        series=series,
        x_scale="linear",
        caption=_caption(result),
        simulated=result.simulated,
    )


def _caption(result: Result) -> str:
    conditions = result.conditions
    level_v_rms = conditions.get("input_level_v_rms")
    played = "" if level_v_rms is None else f" at {1000.0 * level_v_rms:.4g} mV r.m.s. input"
    return (
        f"Tone of {conditions['frequency_hz']:.5g} Hz{played}, {conditions['duration_s']:.3g} s. "
        f"Difference: {conditions['difference']}."
    )
