"""Tables and charts of a square wave, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.views import ChartView, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import Result

_QUANTITIES = (
    ("step_v", "step, peak to peak", "V"),
    ("rise_time_us", "rise time, within the band", "µs"),
    ("fall_time_us", "fall time, within the band", "µs"),
    ("band_rise_time_us", "  the band's own", "µs"),
    ("unit_rise_time_us", "rise time of the unit alone", "µs"),
    ("overshoot_percent", "overshoot", "%"),
    ("ringing_hz", "ringing at", "Hz"),
    ("ringing_q", "  its Q", ""),
    ("ringing_cycles", "  cycles to a tenth", ""),
    ("tilt_percent", "tilt of the tops", "%"),
    ("low_corner_hz", "  low corner that does so", "Hz"),
    ("rise_growth_percent", "growth of the rise time with level", "%"),
    ("compression_db", "compression at the level", "dB"),
    ("slew_v_per_us", "slew rate", "V/µs"),
    ("full_power_hz", "  enough for a full-power sine of", "Hz"),
)
_ALWAYS = ("rise_time_us", "unit_rise_time_us", "overshoot_percent", "tilt_percent", "rise_growth_percent")


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures."""
    conditions = result.conditions
    notes = [
        f"A transition counts from {conditions['transition']}. The band ends at "
        f"{conditions['band_hz'][1]:g} Hz; what was played has a rise time of its own there, and overshoot is what the "
        "unit adds to it.",
        f"Growth and compression: at the level, against {conditions['quiet_below_db']:g} dB below it. Slew rate is at "
        "least what was seen; the band hides what is faster.",
    ]
    if all(channel.values.get("ringing_hz") is None for channel in result.channels):
        notes.append(
            "No ringing was found behind the edges: it is below 1 % of the step, or has too few cycles in half a "
            "period (then use a lower frequency)."
        )
    return (figures_table(result, _QUANTITIES, title="Square wave", always=_ALWAYS, notes=tuple(notes)),)


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the rising edge and one period, each beside the ideal within the band."""
    return (
        *_chart(result, "edge", "The rising edge of a square wave"),
        *_chart(result, "wave", "One period of a square wave"),
    )


def _chart(result: Result, name: str, title: str) -> tuple[ChartView, ...]:
    shown = [channel for channel in result.channels if channel.values.get(name)]
    if not shown:
        return ()
    first = shown[0]
    ideal = Series(
        label=f"ideal, of the step of channel {first.channel}",
        x=first.values[f"{name}_us"],
        y=first.values[f"ideal_{name}"],
    )
    in_volts = all(channel.values.get("step_v") is not None for channel in shown)
    return (
        ChartView(
            name=name,
            title=title,
            x_label="Time from the edge (µs)",
            y_label="Output (V)" if in_volts else "Output (re the peak of a sine at full scale ÷ √2)",
            series=(
                *(
                    Series(
                        label=f"channel {channel.channel}",
                        x=channel.values[f"{name}_us"],
                        y=channel.values[name],
                        channel=channel.channel,
                    )
                    for channel in shown
                ),
                ideal,
            ),
            x_scale="linear",
            caption=_caption(result),
            simulated=result.simulated,
        ),
    )


def _caption(result: Result) -> str:
    conditions = result.conditions
    return (
        f"Square wave of {conditions['frequency_hz']:.6g} Hz, mean of {conditions['averages']} periods, up to "
        f"{conditions['band_hz'][1]:.5g} Hz; smoothed over that band, as the ideal is, so that its end does not ring."
    )
