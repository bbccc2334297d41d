"""Tables and charts of switching, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.views import ChartView, Column, Limited, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

_QUANTITIES = (
    ("turn_off_peak_v", "highest thump, switched off", "V"),
    ("turn_off_peak_fs", "  in parts of full scale", ""),
    ("turn_off_dc_v", "  shift of DC seen behind it", "V"),
    ("turn_on_peak_v", "highest thump, switched on", "V"),
    ("turn_on_peak_fs", "  in parts of full scale", ""),
    ("turn_on_dc_v", "  shift of DC seen behind it", "V"),
    ("relay_delay_s", "from switching on to the relay", "s"),
    ("relay_to_signal_s", "from the relay to what it lets through", "s"),
    ("noise_on_v_rms", "noise and hum, on", "V"),
    ("noise_off_v_rms", "noise and hum, off", "V"),
)


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, and all thumps in order."""
    notes = (
        f"Shift of DC: {result.conditions['dc_shift']}.",
        f"Thumps are told as far as the band reaches; times count from {result.conditions['times_count_from']}.",
    )
    figures = figures_table(result, _QUANTITIES, title="Switching", always=("relay_delay_s",), notes=notes)
    return (figures, *(_thumps(channel) for channel in result.channels if channel.values["thumps"]))


def _thumps(channel: ChannelResult) -> TableView:
    rows = channel.values["thumps"]
    in_volts = rows[0]["peak_v"] is not None
    return TableView(
        title=f"Thumps of channel {channel.channel}",
        columns=(
            Column(heading="at", unit="s", decimals=3),
            Column(heading="peak", unit="V" if in_volts else "full scale", decimals=4),
            Column(heading="stands out for", unit="ms", decimals=1),
        ),
        rows=tuple((row["time_s"], row["peak_v" if in_volts else "peak_fs"], 1e3 * row["duration_s"]) for row in rows),
    )


def _limited(result: Result) -> Iterator[Limited]:
    """Yield the thumps of the part before the unit is switched on, and of the part from there on."""
    on_s = result.conditions["on_from_s"]
    yield Limited(
        key="turn_off_peak_v", span=(-math.inf, math.inf if on_s is None else on_s), words="when switched off"
    )
    yield Limited(key="turn_on_peak_v", span=(-math.inf if on_s is None else on_s, math.inf), words="when switched on")


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the peaks over time, thumps marked."""
    shown = [channel for channel in result.channels if channel.values["course"]]
    if not shown:
        return ()
    in_volts = all(channel.values["noise_on_v_rms"] is not None for channel in shown)
    key = "peak_v" if in_volts else "peak_fs"
    series = []
    for channel in shown:
        values, number = channel.values, channel.channel
        series.append(Series(label=f"channel {number}", x=values["course_s"], y=values["course"], channel=number))
        if values["thumps"]:
            series.append(
                Series(
                    label=f"thumps of channel {number}",
                    x=[row["time_s"] for row in values["thumps"]],
                    y=[abs(row[key]) for row in values["thumps"]],
                    role="points",
                    channel=number,
                )
            )
    return (
        ChartView(
            name="switching",
            title="What comes out while the unit is switched",
            x_label="Time in the capture (s)",
            y_label="Peak (V)" if in_volts else "Peak (re full scale)",
            series=tuple(series),
            x_scale="linear",
            y_scale="log",
            caption="Highest voltage of each moment, without the mean of all, unweighted, up to "
            f"{result.conditions['band_hz'][1]:g} Hz.",
            simulated=result.simulated,
            limited=tuple(_limited(result)) if in_volts else (),
        ),
    )
