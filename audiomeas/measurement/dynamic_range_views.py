"""Tables and charts of dynamic range, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.views import ChartView, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import Result

#: The weightings, the standard's first.
WEIGHTINGS = ("ccir", "a", "unweighted")
_WORDS = {"ccir": "CCIR-RMS", "a": "A-weighted", "unweighted": "unweighted"}
_QUANTITIES = (
    ("dynamic_range_db", "dynamic range, CCIR-RMS", "dB"),
    ("dynamic_range_a_db", "dynamic range, A-weighted", "dB"),
    ("dynamic_range_unweighted_db", "dynamic range, unweighted", "dB"),
    ("idle_ccir_below_db", "idle noise below the largest level, CCIR-RMS", "dB"),
    ("idle_a_below_db", "idle noise below the largest level, A-weighted", "dB"),
    ("reference_v_rms", "largest level", "V"),
    ("reference_dbfs", "largest level", "dBFS"),
    ("tone_v_rms", "tone", "V"),
    ("tone_dbfs", "tone", "dBFS"),
    ("bench_share_percent", "part of the bench in the noise", "%"),
)
#: The spectrum is drawn from here.
_FROM_HZ = 10.0
_LOWEST_DB = -200.0


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the ranges, and the noise levels that they are made of."""
    return (
        figures_table(
            result,
            _QUANTITIES,
            title="Dynamic range",
            always=("dynamic_range_db",),
            notes=(f"Reference: {result.conditions['reference']}.",),
        ),
        figures_table(
            result,
            [
                (f"{what}_{name}_{key}", f"{words}, {_WORDS[name]}", unit)
                for what, words in (("residual", "beside the tone"), ("idle", "idle"))
                for name in WEIGHTINGS
                for key, unit in (("v_rms", "V"), ("dbfs", "dBFS"))
            ],
            title="Noise",
            notes=(_band(result),),
        ),
    )


def _band(result: Result) -> str:
    low_hz, high_hz = result.conditions["band_hz"]
    return (
        f"{hertz(low_hz)} to {hertz(high_hz)}, r.m.s.; CCIR-RMS: shape of ITU-R BS.468-4, 0 dB at 2 kHz; dBFS: of the "
        "capture."
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the spectrum with the quiet tone, relative to the largest level."""
    series = []
    for channel in result.channels:
        spectrum = channel.values.get("spectrum")
        if not spectrum or not spectrum["frequency_hz"]:
            continue
        points = [
            (hz, _LOWEST_DB if level is None else max(level, _LOWEST_DB))
            for hz, level in zip(spectrum["frequency_hz"], spectrum["level_db"], strict=True)
            if hz >= _FROM_HZ
        ]
        series.append(
            Series(
                label=f"channel {channel.channel}",
                x=[hz for hz, _ in points],
                y=[level for _, level in points],
                channel=channel.channel,
            )
        )
    if not series:
        return ()
    return (
        ChartView(
            name="dynamic-range",
            title="Beside a quiet tone",
            x_label="Frequency (Hz)",
            y_label="Level of lines (dB re the largest level)",
            series=tuple(series),
            caption=f"{_ranges(result)}Reference: {result.conditions['reference']}. {_band(result)}",
            simulated=result.simulated,
        ),
    )


def _ranges(result: Result) -> str:
    told = []
    for channel in result.channels:
        value, bound = channel.values["dynamic_range_db"], channel.bound.get("dynamic_range_db")
        if value is not None:
            told.append(f"channel {channel.channel} {f'{bound} ' if bound else ''}{value:.1f} dB")
    return f"Dynamic range, CCIR-RMS: {', '.join(told)}. " if told else ""
