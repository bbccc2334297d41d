"""Tables and charts of an intermodulation result, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.views import ChartView, Column, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

_TITLES = {
    "modulation": "Modulation distortion",
    "modulation-din": "Modulation distortion",
    "difference": "Difference-frequency distortion",
    "transient": "Transient intermodulation",
    "pair": "Intermodulation of two tones",
}
#: key, words, unit: quantities down, channels across.
_QUANTITIES = (
    ("imd_percent", "intermodulation, total", "%"),
    ("imd_db", "intermodulation, total", "dB"),
    ("imd_rss_percent", "all sidebands, r.s.s.", "%"),
    ("imd_rss_db", "all sidebands, r.s.s.", "dB"),
    ("d2_percent", "second order", "%"),
    ("d3_percent", "third order", "%"),
    ("low_frequency_hz", "low tone", "Hz"),
    ("low_level_v_rms", "level of the low tone", "V"),
    ("low_level_dbfs", "level of the low tone", "dBFS"),
    ("high_frequency_hz", "high tone", "Hz"),
    ("high_level_v_rms", "level of the high tone", "V"),
    ("high_level_dbfs", "level of the high tone", "dBFS"),
    ("tone_ratio", "amplitude ratio of the tones", ""),
)
#: Always told, even when not known; the others only where some channel knows them.
_ALWAYS = {"imd_percent", "imd_db"}
#: The charts' floor below the lowest thing worth seeing.
_LOWEST_DB = -200.0
#: A line whose level is known better than this stands out of the noise.
_CLEAR_DB = 3.0
#: Products named in the chart, the strongest.
_NAMED = 12


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, and the products that count or that stand out of the noise."""
    views = [
        figures_table(
            result,
            _QUANTITIES,
            title=_TITLES[result.conditions["method"]],
            always=_ALWAYS,
            notes=(f"Total: {result.conditions['imd_definition']}.", _caption(result)),
        )
    ]
    if any(channel.values.get("products") for channel in result.channels):
        views.append(_products(result))
    return tuple(views)


def _products(result: Result) -> TableView:
    by_channel = [{row["term"]: row for row in channel.values.get("products") or ()} for channel in result.channels]
    listed: dict[str, Mapping[str, Any]] = {}
    for rows in by_channel:
        for term, row in rows.items():
            if row["counted"] or _stands_out(row):
                listed.setdefault(term, row)
    cells, widths = [], []
    for term, row in sorted(listed.items(), key=lambda item: (item[1]["order"], item[1]["frequency_hz"])):
        found = [rows.get(term) for rows in by_channel]
        counted = "yes" if row["counted"] else "no"
        cells.append((term, row["order"], float(row["frequency_hz"]), *map(_level_cell, found), counted))
        half = [None if one is None else one.get("uncertainty_db") for one in found]
        widths.append((None, None, None, *half, None))
    return TableView(
        title=f"Products, dB relative to {result.conditions['level_db_reference']}",
        columns=(
            Column(heading="product"),
            Column(heading="order", decimals=0),
            Column(heading="frequency", unit="Hz", decimals=1),
            *(Column(heading=f"channel {channel.channel}", unit="dB", decimals=2) for channel in result.channels),
            Column(heading="counted"),
        ),
        rows=tuple(cells),
        uncertainties=tuple(widths),
    )


def _stands_out(row: Mapping[str, Any]) -> bool:
    """Return whether a line is clearly there, not only just told from noise."""
    if row.get("bound") or row["level_db"] is None:
        return False
    return (row.get("uncertainty_db") or 0.0) < _CLEAR_DB


def _level_cell(row: Mapping[str, Any] | None) -> str | float | None:
    if row is None or row["level_db"] is None:
        return None
    return f"{row['bound']} {row['level_db']:.1f}" if row.get("bound") else float(row["level_db"])


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the spectrum with the products named at their tips; no chart where nothing is known."""
    series: list[Series] = []
    for channel in result.channels:
        spectrum = channel.values.get("spectrum")
        if not spectrum or not spectrum["frequency_hz"]:
            continue
        levels = [_LOWEST_DB if level is None else max(level, _LOWEST_DB) for level in spectrum["level_db"]]
        label = f"channel {channel.channel}"
        series.append(Series(label=label, x=spectrum["frequency_hz"], y=levels, channel=channel.channel))
        series += _named_points(channel)
    if not series:
        return ()
    lines = [one.x for one in series if one.role == "line"]
    return (
        ChartView(
            name="spectrum",
            title=f"{_TITLES[result.conditions['method']]}: spectrum of the output",
            x_label="Frequency (Hz)",
            y_label="Level of lines (dB re the stronger tone)",
            series=tuple(series),
            x_scale="linear",
            x_range=(min(x[0] for x in lines), max(x[-1] for x in lines)),
            caption=_caption(result),
            simulated=result.simulated,
        ),
    )


def _named_points(channel: ChannelResult) -> list[Series]:
    rows = [row for row in channel.values.get("products") or () if _stands_out(row)]
    rows = sorted(rows, key=lambda row: (not row["counted"], -row["level_db"]))[:_NAMED]
    if not rows:
        return []
    shift_db = _reference_over_stronger_db(channel)
    rows.sort(key=lambda row: row["frequency_hz"])
    return [
        Series(
            label=f"products, channel {channel.channel}",
            x=[float(row["frequency_hz"]) for row in rows],
            y=[max(float(row["level_db"]) + shift_db, _LOWEST_DB) for row in rows],
            role="points",
            channel=channel.channel,
            labels=tuple(str(row["term"]) for row in rows),
        )
    ]


def _reference_over_stronger_db(channel: ChannelResult) -> float:
    """Return the level of what products are relative to, in dB re the stronger tone (the spectrum's 0 dB)."""
    ratio = float(channel.values["tone_ratio"])
    low, high = ratio / max(ratio, 1.0), 1.0 / max(ratio, 1.0)
    method = channel.values["method"]
    if method == "difference":
        return 20.0 * math.log10(low + high)
    return 20.0 * math.log10(math.hypot(low, high) if method == "pair" else high)


def _caption(result: Result) -> str:
    conditions = result.conditions
    low_hz, high_hz = conditions["products_from_to_hz"]
    channel = next((one for one in result.channels if one.values.get("low_frequency_hz")), None)
    parts = []
    if channel is not None:
        low, high = channel.values["low_frequency_hz"], channel.values["high_frequency_hz"]
        parts.append(f"{low:.6g} Hz and {high:.6g} Hz, amplitude ratio {channel.values['tone_ratio']:.3g}")
    if conditions.get("square_low_pass_hz"):
        parts.append(f"square through a low-pass of {conditions['square_low_pass_hz'] / 1000:g} kHz")
    order = conditions.get("highest_order")
    parts.append(f"products {'' if order is None else f'up to order {order} '}from {low_hz:g} Hz to {high_hz:g} Hz")
    parts.append(f"{conditions['analysed_s']:.3g} s analysed")
    return "; ".join(parts) + "."
