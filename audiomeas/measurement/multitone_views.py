"""Tables and charts of a multitone result, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.views import ChartView, Column, Limited, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

_QUANTITIES = (
    ("level_v_rms", "level of all tones", "V"),
    ("level_dbfs", "level of all tones", "dBFS"),
    ("distortion_and_noise_percent", "distortion and noise between the tones", "%"),
    ("distortion_and_noise_db", "distortion and noise between the tones", "dB"),
    ("distortion_and_noise_v_rms", "distortion and noise between the tones", "V"),
    ("worst_crosstalk_db", "largest crosstalk from the other channel", "dB"),
)
_ALWAYS = {"distortion_and_noise_percent", "distortion_and_noise_db"}
#: A flat response looks flat.
_SMALLEST_SPAN_DB = 6.0
_LOWEST_DB = -200.0


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, the gain tone by tone, and the crosstalk into each channel."""
    views = [figures_table(result, _QUANTITIES, title="Many tones at once", always=_ALWAYS, notes=(_caption(result),))]
    for channel in result.channels:
        if channel.values["frequency_hz"]:
            views.append(_gain(result, channel))
        if channel.values["crosstalk_db"]:
            views.append(_crosstalk(channel))
    return tuple(views)


def _gain(result: Result, channel: ChannelResult) -> TableView:
    values = channel.values
    return TableView(
        title=f"{_gain_words(result)}, channel {channel.channel}",
        columns=(Column(heading="frequency", unit="Hz", decimals=1), Column(heading="gain", unit="dB")),
        rows=tuple(zip(values["frequency_hz"], values["gain_db"], strict=True)),
        uncertainties=tuple((None, half) for half in values["gain_uncertainty_db"]),
    )


def _gain_words(result: Result) -> str:
    return "Gain" if result.conditions["gain_reference"] == "absolute" else "Gain re the tone nearest to 1 kHz"


def _crosstalk(channel: ChannelResult) -> TableView:
    values = channel.values
    return TableView(
        title=f"Crosstalk from the other channel into channel {channel.channel}",
        columns=(Column(heading="frequency", unit="Hz", decimals=1), Column(heading="crosstalk", unit="dB")),
        rows=tuple(
            (hz, f"{bound} {level_db:.1f}" if bound else level_db)
            for hz, level_db, bound in zip(
                values["crosstalk_frequency_hz"], values["crosstalk_db"], values["crosstalk_bound"], strict=True
            )
        ),
        uncertainties=tuple((None, half) for half in values["crosstalk_uncertainty_db"]),
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return spectrum, gain and crosstalk over frequency; each only where something is known."""
    return (*_spectrum_chart(result), *_gain_chart(result), *_crosstalk_chart(result))


def _spectrum_chart(result: Result) -> tuple[ChartView, ...]:
    series = []
    for channel in result.channels:
        spectrum = channel.values.get("spectrum")
        if not spectrum or not spectrum["frequency_hz"]:
            continue
        levels = [_LOWEST_DB if level is None else max(level, _LOWEST_DB) for level in spectrum["level_db"]]
        series.append(
            Series(label=f"channel {channel.channel}", x=spectrum["frequency_hz"], y=levels, channel=channel.channel)
        )
    if not series:
        return ()
    low_hz = float(result.conditions["band_hz"][0])
    return (
        ChartView(
            name="spectrum",
            title="Many tones at once: spectrum of the output",
            x_label="Frequency (Hz)",
            y_label="Level of lines (dB re the strongest tone)",
            series=tuple(series),
            x_range=(max(low_hz, 10.0) * 0.7, max(max(one.x) for one in series)),
            caption=_caption(result),
            simulated=result.simulated,
        ),
    )


def _gain_chart(result: Result) -> tuple[ChartView, ...]:
    series = [
        Series(
            label=f"channel {channel.channel}",
            x=channel.values["frequency_hz"],
            y=channel.values["gain_db"],
            channel=channel.channel,
        )
        for channel in result.channels
        if channel.values["frequency_hz"]
    ]
    if not series:
        return ()
    absolute = result.conditions["gain_reference"] == "absolute"
    return (
        ChartView(
            name="gain",
            title="Gain, from many tones at once",
            x_label="Frequency (Hz)",
            y_label="Gain (dB)" if absolute else "Gain (dB re the tone nearest to 1 kHz)",
            series=tuple(series),
            caption=_caption(result),
            y_smallest_span=_SMALLEST_SPAN_DB,
            simulated=result.simulated,
            curve_key="gain_db",
        ),
    )


def _crosstalk_chart(result: Result) -> tuple[ChartView, ...]:
    """Draw known values as a curve with gaps, and limits ('at most') as hollow points of their own."""
    series: list[Series] = []
    for channel in result.channels:
        values = channel.values
        rows = list(
            zip(values["crosstalk_frequency_hz"], values["crosstalk_db"], values["crosstalk_bound"], strict=True)
        )
        known = [(hz, None if bound else level_db) for hz, level_db, bound in rows]
        limits = [(hz, level_db if bound else None) for hz, level_db, bound in rows]
        for label, points, is_line in (
            (f"into channel {channel.channel}", known, True),
            (f"into channel {channel.channel}, at most", limits, False),
        ):
            if any(level_db is not None for _, level_db in points):
                series.append(
                    Series(
                        label=label,
                        x=[hz for hz, _ in points],
                        y=[level_db for _, level_db in points],
                        role="line" if is_line else "points",
                        channel=channel.channel,
                        hollow=not is_line,
                    )
                )
    if not series:
        return ()
    return (
        ChartView(
            name="crosstalk",
            title="Crosstalk from the other channel, from many tones at once",
            x_label="Frequency (Hz)",
            y_label="Crosstalk (dB re the other channel's output)",
            series=tuple(series),
            caption=_caption(result),
            y_smallest_span=20.0,
            simulated=result.simulated,
            curve_key="crosstalk_db",
            limited=(Limited(key="worst_crosstalk_db"),),
        ),
    )


def _caption(result: Result) -> str:
    conditions = result.conditions
    low_hz, high_hz = conditions["band_hz"]
    crests = " and ".join(f"{crest:.2f}" for crest in conditions["crest_factor"].values())
    return (
        f"{conditions['tones_per_channel']} tones on each driven channel, crest factor {crests}; distortion and noise "
        f"from {low_hz:g} Hz to {high_hz:g} Hz, r.m.s., unweighted; {conditions['analysed_s']:.3g} s analysed."
    )
