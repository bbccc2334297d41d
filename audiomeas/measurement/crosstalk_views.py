"""Tables and charts of crosstalk, made from the result alone; those of the responses are the response's own."""

from __future__ import annotations

import dataclasses

from audiomeas.measurement import response_views
from audiomeas.measurement.figure_table import bounded, figures_table
from audiomeas.measurement.response_views import limited_at, nominal_frequencies
from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.measurement.views import ChartView, Column, Limited, Series, TableView

_QUANTITIES = (
    ("driven_channel", "from channel", ""),
    ("crosstalk_at_1khz_db", "crosstalk at 1 kHz", "dB"),
    ("crosstalk_at_10khz_db", "crosstalk at 10 kHz", "dB"),
    ("worst_crosstalk_db", "largest crosstalk in the band", "dB"),
    ("worst_crosstalk_hz", "  at", "Hz"),
    ("crosstalk_slope_db_per_octave", "rise with frequency", "dB/octave"),
    ("coupling_phase_deg", "phase against the driven output", "degrees"),
)
_ALWAYS = {"crosstalk_at_1khz_db", "worst_crosstalk_db"}
#: Crosstalk that hardly varies shall not look wild.
_SMALLEST_SPAN_DB = 40.0
#: A table's frequency is read from the nearest point within this ratio; points stand 1/24 octave apart as a rule.
_NEAR = 2.0 ** (1.0 / 6.0)


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, crosstalk at the standard frequencies, and the responses' tables."""
    return (_figures(result), *_standard(result), *response_views.tables(_with_response(result)))


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return crosstalk and its phase, where known, and the responses' charts."""
    views = (_crosstalk_chart(result), _phase_chart(result), *response_views.charts(_with_response(result)))
    return tuple(view for view in views if view is not None)


def _with_response(result: Result) -> Result:
    """Return the result with the channels that have a response of their own."""
    own = tuple(one for one in result.channels if any(gain is not None for gain in one.values["gain_db"]))
    return dataclasses.replace(result, channels=own)


def _told(result: Result) -> list[ChannelResult]:
    return [one for one in result.channels if any(level is not None for level in one.values["crosstalk_db"])]


def _figures(result: Result) -> TableView:
    low_hz, high_hz = result.conditions["deviation_band_hz"]
    couplings = tuple(
        f"From channel {one.values['driven_channel']} into channel {one.channel}: {one.values['coupling']}."
        for one in result.channels
        if one.values["coupling"]
    )
    return figures_table(
        result,
        _QUANTITIES,
        title="Crosstalk into each channel",
        always=_ALWAYS,
        notes=(
            f"Relative to {result.conditions['crosstalk_reference']}; means over 1/12 octave.",
            f"Band: {response_views.hertz(low_hz)} to {response_views.hertz(high_hz)}.",
            f"Form: {result.conditions['crosstalk_form']}.",
            *couplings,
        ),
    )


def _standard(result: Result) -> tuple[TableView, ...]:
    told = _told(result)
    if not told:
        return ()
    frequency_hz = told[0].values["frequency_hz"]
    standard = nominal_frequencies(frequency_hz[0], frequency_hz[-1])
    places = [min(range(len(frequency_hz)), key=lambda at: abs(frequency_hz[at] / hz - 1.0)) for hz in standard]
    kept = [(hz, at) for hz, at in zip(standard, places, strict=True) if hz / _NEAR < frequency_hz[at] < hz * _NEAR]
    half_db = [one.values["crosstalk_uncertainty_db"] for one in told]
    return (
        TableView(
            title="Crosstalk at the standard frequencies",
            columns=(
                Column(heading="Frequency", unit="Hz"),
                *(Column(heading=_direction(one), unit="dB", decimals=1) for one in told),
            ),
            rows=tuple((hz, *(_cell(one, at) for one in told)) for hz, at in kept),
            uncertainties=tuple((None, *(half[at] for half in half_db)) for _, at in kept),
        ),
    )


def _cell(one: ChannelResult, at: int) -> str | float | None:
    level_db, bound = one.values["crosstalk_db"][at], one.values["crosstalk_bound"][at]
    if level_db is None:
        return None
    return float(level_db) if bound is None else bounded(bound, float(level_db))


def _direction(one: ChannelResult) -> str:
    return f"Channel {one.values['driven_channel']} into {one.channel}"


def _drawn_direction(one: ChannelResult) -> str:
    """Return the direction as a legend has it: small letters, like those of all charts."""
    return f"channel {one.values['driven_channel']} into {one.channel}"


def _crosstalk_chart(result: Result) -> ChartView | None:
    """Draw what is told as curves, and bounds as hollow points."""
    series: list[Series] = []
    for one in _told(result):
        values = one.values
        levels = [
            None if bound else level
            for level, bound in zip(values["crosstalk_db"], values["crosstalk_bound"], strict=True)
        ]
        series += _curves(one, levels)
        bounds = [
            (hz, level)
            for hz, level, bound in zip(
                values["frequency_hz"], values["crosstalk_db"], values["crosstalk_bound"], strict=True
            )
            if bound
        ]
        if bounds:
            x, y = [hz for hz, _ in bounds], [level for _, level in bounds]
            label = f"{_drawn_direction(one)}, at most"
            series.append(Series(label=label, x=x, y=y, role="points", channel=one.channel, hollow=True))
    if not series:
        return None
    low_hz, high_hz = result.conditions["deviation_band_hz"]
    return ChartView(
        name="crosstalk",
        title="Crosstalk",
        x_label="Frequency (Hz)",
        y_label="Crosstalk (dB re the driven channel's output)",
        series=tuple(series),
        caption=_caption(result),
        x_range=_x_range(result),
        y_smallest_span=_SMALLEST_SPAN_DB,
        simulated=result.simulated,
        curve_key="crosstalk_db",
        limited=(
            Limited(key="worst_crosstalk_db", span=(float(low_hz), float(high_hz))),
            limited_at("crosstalk_at_1khz_db", 1000.0),
            limited_at("crosstalk_at_10khz_db", 10_000.0),
        ),
    )


def _curves(one: ChannelResult, values: list[float | None]) -> list[Series]:
    """Return a curve with gaps where nothing is known; none where nothing is known at all."""
    if all(value is None for value in values):
        return []
    return [Series(label=_drawn_direction(one), x=one.values["frequency_hz"], y=values, channel=one.channel)]


def _x_range(result: Result) -> tuple[float, float]:
    every = [one.values["frequency_hz"] for one in _told(result)]
    return min(one[0] for one in every), max(one[-1] for one in every)


def _phase_chart(result: Result) -> ChartView | None:
    series = [curve for one in _told(result) for curve in _curves(one, one.values["crosstalk_phase_deg"])]
    if not series:
        return None
    return ChartView(
        name="crosstalk-phase",
        title="Phase of the crosstalk",
        x_label="Frequency (Hz)",
        y_label="Phase against the driven channel's output (degrees)",
        series=tuple(series),
        caption=_caption(result),
        x_range=_x_range(result),
        y_range=(-180.0, 180.0),
        simulated=result.simulated,
    )


def _caption(result: Result) -> str:
    conditions = result.conditions
    level_v_rms = conditions.get("input_level_v_rms")
    driven = " then ".join(f"channel {channel}" for channel in conditions["channels_driven"])
    parts = [
        f"Sweep of {conditions['sweep_s']:.3g} s"
        + ("" if level_v_rms is None else f" at {1000.0 * level_v_rms:.4g} mV r.m.s. input"),
        f"driven: {driven}",
        "means over 1/12 octave",
        f"{response_views.hertz(result.sample_rate_hz)} sample rate",
    ]
    return "; ".join(parts) + "."
