"""Tables and chart of an equalization, made from the result alone."""

from __future__ import annotations

import math

from audiomeas.measurement.figure_table import channel_columns
from audiomeas.measurement.response_views import at_frequency, charted, hertz, nominal_frequencies
from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.measurement.views import ChartView, Column, Limited, Series, TableView

#: A deviation of a good unit shall look small: at least this much stands on the axis.
_SMALLEST_SPAN_DB = 2.0
_FIGURES = (
    ("equalization_largest_db", "largest deviation, without its sign", "dB"),
    ("equalization_largest_hz", "where", "Hz"),
    ("equalization_low_db", "lowest deviation", "dB"),
    ("equalization_high_db", "highest deviation", "dB"),
    ("equalization_rms_db", "deviation, r.m.s.", "dB"),
    ("equalization_better", "curve that fits better", ""),
    ("equalization_better_by_db", "by, r.m.s.", "dB"),
)


def equalization_tables(result: Result) -> tuple[TableView, ...]:
    """Return figures, deviation at the standard frequencies, and time constants; nothing without an equalization."""
    if not _known(result):
        return ()
    tables = (_figures(result), _standard(result), _time_constants(result))
    return tuple(table for table in tables if table is not None)


def equalization_charts(result: Result) -> tuple[ChartView, ...]:
    """Return the chart of the deviation; nothing without an equalization."""
    low_hz, high_hz = result.conditions.get("equalization_band_hz", (0.0, 0.0))
    series = []
    for one in _known(result):
        points = [
            (hz, value)
            for hz, value in zip(one.values["frequency_hz"], one.values["equalization_deviation_db"], strict=True)
            if low_hz <= hz <= high_hz
        ]
        series.append(
            Series(
                label=f"channel {one.channel}",
                x=[hz for hz, _ in points],
                y=[value for _, value in points],
                channel=one.channel,
            )
        )
    low_hz, high_hz = result.conditions.get("equalization_band_hz") or (-math.inf, math.inf)
    view = charted(
        result,
        "equalization",
        f"Deviation from {result.conditions.get('equalization_words')}",
        f"Deviation (dB, {result.conditions.get('equalization_placed')})",
        series,
        y_smallest_span=_SMALLEST_SPAN_DB,
        curve_key="equalization_deviation_db",
        limited=tuple(
            Limited(key=f"equalization_{what}_db", span=(low_hz, high_hz), both_ways=what == "largest")
            for what in ("largest", "low", "high")
        ),
    )
    return () if view is None else (view,)


def _known(result: Result) -> list[ChannelResult]:
    return [one for one in result.channels if one.values.get("equalization_deviation_db")]


def _figures(result: Result) -> TableView:
    low_hz, high_hz = result.conditions["equalization_band_hz"]
    keys = [row for row in _FIGURES if any(one.values.get(row[0]) is not None for one in result.channels)]
    return TableView(
        title=f"Equalization: {result.conditions['equalization_words']}",
        columns=(Column(heading="quantity"), Column(heading="unit"), *channel_columns(result)),
        leading=2,
        rows=tuple((words, unit, *(one.values.get(key) for one in result.channels)) for key, words, unit in keys),
        uncertainties=tuple((None, None, *(one.uncertainty.get(key) for one in result.channels)) for key, *_ in keys),
        notes=(
            f"Within {hertz(low_hz)} to {hertz(high_hz)}; {result.conditions['equalization_placed']}.",
            f"Curve: {result.conditions['equalization_source']}.",
        ),
    )


def _standard(result: Result) -> TableView:
    low_hz, high_hz = result.conditions["equalization_band_hz"]
    standard = nominal_frequencies(low_hz, high_hz)

    def rows(key: str) -> list[list[float | None]]:
        return [
            [at_frequency(one.values["frequency_hz"], one.values.get(key) or [], hz) for one in result.channels]
            for hz in standard
        ]

    return TableView(
        title="Deviation from the equalization at the standard frequencies",
        columns=(
            Column(heading="Frequency", unit="Hz"),
            *(Column(heading=f"Channel {one.channel}", unit="dB") for one in result.channels),
        ),
        rows=tuple((hz, *row) for hz, row in zip(standard, rows("equalization_deviation_db"), strict=True)),
        uncertainties=tuple((None, *row) for row in rows("equalization_uncertainty_db")),
    )


def _time_constants(result: Result) -> TableView | None:
    rows, widths = [], []
    for one in _known(result):
        for constant in one.values["equalization_time_constants"]:
            percent = constant["uncertainty_percent"]
            measured_us = constant["measured_us"]
            rows.append((f"{one.channel}", f"{constant['nominal_us']:.4g} µs", measured_us, constant["error_percent"]))
            wide_us = None if percent is None or measured_us is None else 0.01 * percent * measured_us
            widths.append((None, None, wide_us, percent))
    if not rows:
        return None
    return TableView(
        title="Time constants",
        columns=(
            Column(heading="Channel"),
            Column(heading="Nominal"),
            Column(heading="Measured", unit="µs"),
            Column(heading="Error", unit="%"),
        ),
        leading=2,
        rows=tuple(rows),
        uncertainties=tuple(widths),
        notes=("Each is a resistance times a capacitance. Not known: the band holds too little of its corner.",),
    )
