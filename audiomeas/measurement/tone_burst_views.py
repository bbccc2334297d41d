"""Tables and charts of a tone burst, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.views import ChartView, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import Result

_QUANTITIES = (
    ("level_v_rms", "level of the tone", "V"),
    ("first_period_db", "first period, re that level", "dB"),
    ("fall_db", "fall during the burst", "dB"),
    ("quiet_fall_db", "  the same of the quiet burst", "dB"),
    ("tail_db", "left behind it, first period", "dB"),
    ("settling_ms", "  below 1 % after", "ms"),
    ("dc_shift_percent", "shift of DC, added by the level", "%"),
    ("added_by_level_db", "added by the level alone", "dB"),
)
_ALWAYS = ("fall_db", "tail_db", "added_by_level_db")


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures."""
    conditions = result.conditions
    notes = (
        f"Level: of {conditions['level_of']}; all ratios are relative to it. Added by the level: what the burst has "
        f"beside the one {conditions['quiet_below_db']:g} dB lower, raised by as much.",
    )
    return (figures_table(result, _QUANTITIES, title="Tone burst", always=_ALWAYS, notes=notes),)


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the level of each period."""
    shown = [channel for channel in result.channels if channel.values["levels_db"]]
    if not shown:
        return ()
    conditions = result.conditions
    return (
        ChartView(
            name="burst",
            title="A tone burst and what it leaves, period by period",
            x_label="Time from the beginning of the burst (ms)",
            y_label="Level of each period (dB re the burst)",
            series=tuple(
                Series(
                    label=f"channel {channel.channel}",
                    x=channel.values["periods_ms"],
                    y=channel.values["levels_db"],
                    channel=channel.channel,
                    each_point=True,
                )
                for channel in shown
            ),
            x_scale="linear",
            caption=(
                f"{conditions['tone_periods']} periods of {conditions['frequency_hz']:.6g} Hz and "
                f"{conditions['rest_periods']} of rest, mean of {conditions['averages']} bursts, r.m.s., up to "
                f"{conditions['band_hz'][1]:.5g} Hz."
            ),
            y_smallest_span=20.0,
            simulated=result.simulated,
        ),
    )
