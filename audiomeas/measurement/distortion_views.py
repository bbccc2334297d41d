"""Tables and charts of a distortion result, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.figure_table import figures_table, told_cell
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.views import ChartView, Column, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: key, words, unit: quantities down, channels across.
_QUANTITIES = (
    ("frequency_hz", "frequency", "Hz"),
    ("level_v_rms", "level of the fundamental", "V"),
    ("level_w", "power into the load", "W"),
    ("level_dbfs", "level of the fundamental", "dBFS"),
    ("gain_db", "gain", "dB"),
    ("thd_percent", "THD (of the fundamental)", "%"),
    ("thd_db", "THD (of the fundamental)", "dB"),
    ("thd_n_percent", "THD+N (of the total)", "%"),
    ("thd_n_db", "THD+N (of the total)", "dB"),
    ("thd_n_notch_db", "THD+N, notch form", "dB"),
    ("sinad_db", "SINAD", "dB"),
    ("noise_db", "noise alone (of the total)", "dB"),
    ("dc_v", "DC", "V"),
)
#: Always told, even when not known; the others only where some channel knows them.
_ALWAYS = {"level_v_rms", "thd_percent", "thd_n_percent"}
#: Orders in the harmonics' table and bars.
_HIGHEST_ORDER = 12
_NAMES = {2: "2nd", 3: "3rd"}
#: So many harmonics at most are named beyond these orders, the strongest.
_MOST_NAMED = 12
#: Above the median of what is drawn around it. Noise exceeds its median power tenfold once in 1,000 lines (2^-10).
_STANDS_OUT_DB = 10.0
#: The charts' floor below the lowest thing worth seeing.
_LOWEST_DB = -200.0
#: The spectrum is drawn from here, or from half the tone's frequency.
_FROM_HZ = 10.0


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, the harmonics and, where there are any, the mains lines."""
    views = [figures_table(result, _QUANTITIES, title="Distortion", always=_ALWAYS, notes=(_caption(result),))]
    if any(channel.values.get("harmonics") for channel in result.channels):
        views.append(_harmonics(result))
    if any(channel.values.get("mains") for channel in result.channels):
        views.append(_mains(result))
    return tuple(views)


def _harmonics(result: Result) -> TableView:
    by_channel = [_by_order(channel) for channel in result.channels]
    orders = sorted({order for rows in by_channel for order in rows if order <= _HIGHEST_ORDER})
    rows, widths = [], []
    for order in orders:
        found = [harmonics.get(order) for harmonics in by_channel]
        frequency = next(float(row["frequency_hz"]) for row in found if row is not None)
        rows.append((order_name(order), frequency, *(_level_cell(row) for row in found)))
        widths.append((None, None, *(None if row is None else row.get("uncertainty_db") for row in found)))
    return TableView(
        title="Harmonics, dB relative to the fundamental",
        columns=(
            Column(heading="harmonic"),
            Column(heading="frequency", unit="Hz", decimals=1),
            *(Column(heading=f"channel {channel.channel}", unit="dB", decimals=2) for channel in result.channels),
        ),
        rows=tuple(rows),
        uncertainties=tuple(widths),
    )


def _by_order(channel: ChannelResult) -> dict[int, Mapping[str, Any]]:
    return {int(row["order"]): row for row in channel.values.get("harmonics") or ()}


def _level_cell(row: Mapping[str, Any] | None) -> str | float | None:
    return None if row is None else told_cell(row["level_db"], row.get("bound"))


def order_name(order: int) -> str:
    """Return how a harmonic is called: 2nd, 3rd, 11th, 21st."""
    return _NAMES.get(order, f"{order}th" if order % 10 not in (1, 2, 3) or 10 < order % 100 < 14 else _ordinal(order))


def _ordinal(order: int) -> str:
    return f"{order}{('st', 'nd', 'rd')[order % 10 - 1]}"


def _mains(result: Result) -> TableView:
    rows = [
        (f"channel {channel.channel}", float(line["frequency_hz"]), line["level_v_rms"], float(line["level_db"]))
        for channel in result.channels
        for line in channel.values.get("mains") or ()
    ]
    return TableView(
        title="Mains lines (in THD+N, not in THD)",
        columns=(
            Column(heading=""),
            Column(heading="frequency", unit="Hz", decimals=2),
            Column(heading="level", unit="V"),
            Column(heading="relative to the tone", unit="dB", decimals=1),
        ),
        rows=tuple(rows),
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the spectrum with its harmonics named, and the harmonics as bars; no chart where nothing is known."""
    return (*_spectrum(result), *_bars(result))


def _spectrum(result: Result) -> tuple[ChartView, ...]:
    series: list[Series] = []
    for channel in result.channels:
        spectrum = channel.values.get("spectrum")
        if not spectrum or not spectrum["frequency_hz"]:
            continue
        label = f"channel {channel.channel}"
        lowest_hz = min(_FROM_HZ, float(channel.values["frequency_hz"]) / 2)
        points = [
            (hz, _LOWEST_DB if level is None else max(level, _LOWEST_DB))
            for hz, level in zip(spectrum["frequency_hz"], spectrum["level_db"], strict=True)
            if hz >= lowest_hz
        ]
        series.append(
            Series(label=label, x=[hz for hz, _ in points], y=[db for _, db in points], channel=channel.channel)
        )
        series += _named_points(channel)
    if not series:
        return ()
    return (
        ChartView(
            name="spectrum",
            title="Spectrum of the output",
            x_label="Frequency (Hz)",
            y_label="Level of lines (dB re fundamental)",
            series=tuple(series),
            caption=_caption(result),
            simulated=result.simulated,
        ),
    )


def _named_points(channel: ChannelResult) -> list[Series]:
    """Return the harmonics that are marked and named: the familiar orders, and of the higher ones the strongest."""
    strongest = sorted(_standing_out(channel), key=lambda row: -float(row["level_db"]))[:_MOST_NAMED]
    familiar = [row for row in _standing_out(channel) if int(row["order"]) <= _HIGHEST_ORDER]
    rows = familiar + [row for row in strongest if int(row["order"]) > _HIGHEST_ORDER]
    if not rows:
        return []
    return [
        Series(
            label=f"harmonics, channel {channel.channel}",
            x=[float(row["frequency_hz"]) for row in rows],
            y=[max(float(row["level_db"]), _LOWEST_DB) for row in rows],
            role="points",
            channel=channel.channel,
            labels=tuple(order_name(int(row["order"])) for row in rows),
        )
    ]


def _standing_out(channel: ChannelResult) -> list[Mapping[str, Any]]:
    """Return the harmonics that are values, not bounds, and are seen above the spectrum that is drawn around them."""
    rows = [row for row in _by_order(channel).values() if not row.get("bound") and row["level_db"] is not None]
    return [row for row in rows if float(row["level_db"]) >= _around_db(channel, row["frequency_hz"]) + _STANDS_OUT_DB]


def _around_db(channel: ChannelResult, frequency_hz: float) -> float:
    """Return the median of the drawn spectrum in the third of an octave around a frequency."""
    spectrum = channel.values["spectrum"]
    levels = [
        _LOWEST_DB if level is None else level
        for hz, level in zip(spectrum["frequency_hz"], spectrum["level_db"], strict=True)
        if abs(math.log2(hz / frequency_hz)) < 1.0 / 6.0
    ]
    return statistics.median(levels) if levels else _LOWEST_DB


def _bars(result: Result) -> tuple[ChartView, ...]:
    series = []
    for channel in result.channels:
        rows = [
            (order, row)
            for order, row in _by_order(channel).items()
            if order <= _HIGHEST_ORDER and row["level_db"] is not None
        ]
        label = f"channel {channel.channel}"
        series += _bars_of(channel.channel, label, [each for each in rows if not each[1].get("bound")])
        series += _bars_of(channel.channel, f"{label}, at most", [each for each in rows if each[1].get("bound")])
    if not series:
        return ()
    drowned = " Hollow: at most so much, drowned in noise." if any(one.hollow for one in series) else ""
    return (
        ChartView(
            name="harmonics",
            title="Harmonics of the tone",
            x_label="Order of the harmonic",
            y_label="Level (dB re fundamental)",
            series=tuple(series),
            x_scale="linear",
            caption=f"{_caption(result)}{drowned}",
            simulated=result.simulated,
        ),
    )


def _bars_of(channel: int, label: str, rows: Sequence[tuple[int, Mapping[str, Any]]]) -> list[Series]:
    if not rows:
        return []
    return [
        Series(
            label=label,
            x=[float(order) for order, _ in rows],
            y=[max(float(row["level_db"]), _LOWEST_DB) for _, row in rows],
            role="bars",
            channel=channel,
            hollow=bool(rows[0][1].get("bound")),
        )
    ]


def _caption(result: Result) -> str:
    conditions = result.conditions
    low, high = conditions["band_hz"]
    limit = conditions.get("harmonic_limit_hz")
    text = f"THD+N and noise from {hertz(low)} to {hertz(high)}, r.m.s., unweighted"
    if limit is not None:
        text += f"; THD with harmonics up to {hertz(limit)}"
    if conditions.get("notch_q") is not None:
        text += f"; notch Q {conditions['notch_q']:g}"
    count = conditions.get("averages", 1)
    if count > 1:
        how = "averaged in time: noise is" if conditions["averaging"] == "coherent" else "averaged as powers: noise is"
        text += f"; {count} windows {how} {conditions['noise_is']}"
    return f"{text}; {conditions['analysed_s']:.3g} s analysed."
