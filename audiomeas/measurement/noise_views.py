"""Tables and charts of a noise result, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.curves import Curve, CurvePoint
from audiomeas.measurement.figure_table import figures_table, times, told_cell
from audiomeas.measurement.noise_bench import level_keys
from audiomeas.measurement.noise_options import INPUT, OUTPUT
from audiomeas.measurement.noise_references import AT_OUTPUT
from audiomeas.measurement.views import ChartView, Column, Series, TableView
from audiomeas.shown_units import shown_in

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

_QUANTITIES = (
    ("unweighted_v_rms", "unweighted", "V"),
    ("unweighted_dbfs", "unweighted", "dBFS"),
    ("a_weighted_v_rms", "A-weighted", "V"),
    ("a_weighted_dbfs", "A-weighted", "dBFS"),
    ("c_weighted_v_rms", "C-weighted", "V"),
    ("c_weighted_dbfs", "C-weighted", "dBFS"),
    ("itu_r_468_quasi_peak_v", "ITU-R 468, quasi-peak", "V"),
    ("itu_r_468_quasi_peak_dbfs", "ITU-R 468, quasi-peak", "dBFS"),
    ("itu_r_468_v_rms", "ITU-R 468, r.m.s.", "V"),
    ("itu_r_468_dbfs", "ITU-R 468, r.m.s.", "dBFS"),
    ("itu_r_arm_v", "ITU-R ARM", "V"),
    ("itu_r_arm_dbfs", "ITU-R ARM", "dBFS"),
    ("aes17_dbfs", "AES17 weighted (0 dB at 2 kHz), r.m.s.", "dBFS"),
    ("filtered_v_rms", "under the filter", "V"),
    ("filtered_dbfs", "under the filter", "dBFS"),
    ("unweighted_input_v_rms", "unweighted, at the input", "V"),
    ("a_weighted_input_v_rms", "A-weighted, at the input", "V"),
    ("hum_v_rms", "hum, all lines", "V"),
    ("hum_dbfs", "hum, all lines", "dBFS"),
    ("mains_hz", "mains frequency", "Hz"),
    ("flicker_corner_hz", "noise rises below", "Hz"),
    ("clicks_per_minute", "clicks and pops per minute", "1/min"),
    ("bench_v_rms", "noise of the bench itself", "V"),
    ("bench_share_percent", "the bench's share of the power", "%"),
    ("dc_v", "DC", "V"),
    ("gain_db", "gain at 1 kHz used", "dB"),
)
#: Volts stand alone where they are known; these are told either way.
_ALWAYS = ("unweighted_dbfs", "a_weighted_dbfs", "itu_r_468_quasi_peak_dbfs", "itu_r_arm_dbfs")
#: Behind the two rows of the unweighted level.
_BANDS_AFTER = 2
_FILTERED = ("filtered_v_rms", "filtered_dbfs")
_MOST_ROWS = 20
#: The A curve is drawn down to here: its far ends would only stretch the axis.
_LEAST_WEIGHT_DB = -26.0


def tables(result: Result) -> tuple[TableView, ...]:
    """Return levels, ratios by reference, hum, single lines and events, each where there is something to tell."""
    return (
        figures_table(result, _quantities(result), title="Noise", always=_ALWAYS, notes=(_caption(result),)),
        *_ratios(result),
        *_hum(result),
        *_lines(result),
        *_events(result),
    )


def _quantities(result: Result) -> tuple[tuple[str, str, str], ...]:
    """Return the quantities, those of the stated bands behind the unweighted level, and the filter's name."""
    under = f"under the filter: {result.conditions.get('filter')}"
    bands = [
        (key, words, unit)
        for name, words in result.conditions.get("bands", {}).items()
        for key, unit in zip(level_keys(name), ("V", "dBFS"), strict=True)
    ]
    return (
        *_QUANTITIES[:_BANDS_AFTER],
        *bands,
        *((key, under if key in _FILTERED else words, unit) for key, words, unit in _QUANTITIES[_BANDS_AFTER:]),
    )


def _caption(result: Result) -> str:
    conditions = result.conditions
    low, high = conditions["band_hz"]
    gained = f"; filter: {conditions['filter']}" if conditions.get("filter") else ""
    return (
        f"r.m.s. levels from {low:g} Hz to {high:g} Hz (brick wall), {conditions['duration_s']:.3g} s listened; "
        f"0 dBFS is a full-scale sine{gained}"
    )


def _channels(result: Result, unit: str, decimals: int | None = None) -> tuple[Column, ...]:
    return tuple(Column(heading=f"channel {c.channel}", unit=unit, decimals=decimals) for c in result.channels)


def _ratios(result: Result) -> tuple[TableView, ...]:
    """Return the S/N under each convention: references down, channels across."""
    keys: dict[tuple[str, str], None] = {}
    for channel in result.channels:
        for row in channel.values["snr"]:
            keys.setdefault((row["reference"], row["weighting"]))
    if not keys:
        return ()
    rows, widths = [], []
    for reference, weighting in keys:
        found = [_ratio_of(channel, reference, weighting) for channel in result.channels]
        cells = [None if row is None else told_cell(row["db"], row.get("bound")) for row in found]
        rows.append((f"re {reference}", weighting, *cells))
        widths.append((None, None, *(None if row is None else row.get("uncertainty_db") for row in found)))
    return (
        TableView(
            title="Signal-to-noise ratio",
            columns=(Column(heading="reference"), Column(heading="weighting"), *_channels(result, "dB", 1)),
            leading=2,
            rows=tuple(rows),
            uncertainties=tuple(widths),
            notes=("One noise: only what it is compared with, and how it is weighted, differ.", *_ends(keys)),
        ),
    )


def _ends(keys: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """Return at which end of the unit volts stand that were given without one, and how to ask for the other."""
    volts = [reference for reference, _ in keys if reference.endswith(f" {AT_OUTPUT}") and " in " not in reference]
    if not volts:
        return ()
    bare = volts[0].removesuffix(f" {AT_OUTPUT}")
    return (f"'{volts[0]}' is a level at the unit's output; one at its input is asked for as '{bare} in'.",)


def _ratio_of(channel: ChannelResult, reference: str, weighting: str) -> dict[str, Any] | None:
    rows = channel.values["snr"]
    return next((r for r in rows if (r["reference"], r["weighting"]) == (reference, weighting)), None)


def _hum(result: Result) -> tuple[TableView, ...]:
    """Return the hum lines by multiple of the mains, and what they are consistent with."""
    rows_of = [row for channel in result.channels for row in channel.values["hum"]]
    multiples = sorted({row["multiple"] for row in rows_of if not row.get("bound")})
    if not multiples:
        return ()
    levels = [row["level_v_rms"] for row in rows_of if row["level_v_rms"] is not None]
    in_volts = bool(levels)
    unit, factor = shown_in("V", *levels) if in_volts else ("dBFS", 1.0)
    key, half = ("level_v_rms", "uncertainty_v_rms") if in_volts else ("level_dbfs", "uncertainty_db")
    rows, widths = [], []
    for multiple in multiples:
        found = [next((r for r in c.values["hum"] if r["multiple"] == multiple), None) for c in result.channels]
        frequency_hz = next(row["frequency_hz"] for row in found if row is not None)
        cells = [None if row is None else told_cell(times(row[key], factor), row.get("bound")) for row in found]
        rows.append((float(multiple), frequency_hz, *cells))
        widths.append((None, None, *(None if row is None else times(row.get(half), factor) for row in found)))
    notes = tuple(
        f"channel {channel.channel}: {100 - channel.values['hum_odd_percent']:.0f} % of the power in even multiples; "
        f"{channel.values['hum_consistent_with']}{_not_attributable(channel)}"
        for channel in result.channels
        if channel.values.get("hum_odd_percent") is not None
    )
    return (
        TableView(
            title="Hum",
            columns=(
                Column(heading="multiple", decimals=0),
                Column(heading="frequency", unit="Hz", decimals=2),
                *_channels(result, unit),
            ),
            leading=2,
            rows=tuple(rows),
            uncertainties=tuple(widths),
            notes=notes,
        ),
    )


def _not_attributable(channel: ChannelResult) -> str:
    """Return which multiples can't be told from the bench's own hum."""
    lost = [str(row["multiple"]) for row in channel.values["hum"] if row.get("attributable") is False]
    return f"; not attributable (the bench has as much by itself): ×{', ×'.join(lost)}" if lost else ""


def _lines(result: Result) -> tuple[TableView, ...]:
    found = [(channel.channel, row) for channel in result.channels for row in channel.values["lines"]]
    if not found:
        return ()
    found.sort(key=lambda item: -item[1]["level_dbfs"])
    return (
        TableView(
            title="Single lines that are no hum",
            columns=(
                Column(heading="channel", decimals=0),
                Column(heading="frequency", unit="Hz", decimals=1),
                Column(heading="level", unit="V"),
                Column(heading="level", unit="dBFS", decimals=1),
            ),
            leading=2,
            rows=tuple(
                (float(number), row["frequency_hz"], row["level_v_rms"], row["level_dbfs"])
                for number, row in found[:_MOST_ROWS]
            ),
            notes=(f"The strongest {_MOST_ROWS} of {len(found)}.",) if len(found) > _MOST_ROWS else (),
        ),
    )


def _events(result: Result) -> tuple[TableView, ...]:
    found = [(channel.channel, row) for channel in result.channels for row in channel.values["events"]]
    if not found:
        return ()
    found.sort(key=lambda item: -(item[1]["peak_dbfs"] or -999.0))
    listed = sorted(found[:_MOST_ROWS], key=lambda item: (item[0], item[1]["time_s"]))
    return (
        TableView(
            title="Clicks and pops",
            columns=(
                Column(heading="channel", decimals=0),
                Column(heading="time", unit="s", decimals=3),
                Column(heading="kind"),
                Column(heading="peak", unit="V"),
                Column(heading="peak", unit="dBFS", decimals=1),
                Column(heading="length", unit="ms", decimals=2),
            ),
            leading=2,
            rows=tuple(
                (
                    float(n),
                    row["time_s"],
                    row["kind"],
                    row["peak_v"],
                    row["peak_dbfs"],
                    1e3 * row["duration_s"],
                )
                for n, row in listed
            ),
            notes=(
                *((f"The strongest {_MOST_ROWS} of {len(found)}.",) if len(found) > _MOST_ROWS else ()),
                *(_rate(channel) for channel in result.channels if channel.values["clicks"]),
            ),
        ),
    )


def _rate(channel: ChannelResult) -> str:
    """Return how well so few events tell their rate: its interval is not even, as the ± in the table of figures is."""
    low, high = channel.values["clicks_per_minute_interval"]
    return (
        f"channel {channel.channel}: {channel.values['clicks']} counted, {channel.values['clicks_per_minute']:.3g} per "
        f"minute; 95 % interval {low:.2g} to {high:.2g} (Poisson law, exact: for clicks that come by chance)"
    )


# -- charts ----------------------------------------------------------------------------------------------------------


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the density with hum marked, each channel under the A curve too, and the third-octave bands."""
    found = [channel for channel in result.channels if channel.values["density"]]
    if not found:
        return ()
    return (_density(result, found), *_third_octaves(result, found))


@dataclass(frozen=True, kw_only=True)
class _Scale:
    """What a density is drawn in. in_volts : else in dB re full scale.   at : end of the unit, of volts."""

    in_volts: bool
    at: str

    def nanovolts(self, v_per_root_hz: float, channel: ChannelResult) -> float:
        """Return a channel's density at the output as it is drawn, in nV/√Hz."""
        gain_db = channel.values["gain_db"] if self.at == INPUT else 0.0
        return 1e9 * v_per_root_hz * math.pow(10.0, -gain_db / 20.0)

    @property
    def y_label(self) -> str:
        """Return the label of the axis."""
        if not self.in_volts:
            return "Noise density (dB re full-scale sine, per √Hz)"
        return f"Noise density at the {self.at} (nV/√Hz)"


def _scale(result: Result, found: list[ChannelResult]) -> _Scale:
    in_volts = all(channel.values["density"]["v_per_root_hz"] for channel in found)
    gains = [channel.values["gain_db"] for channel in found]
    at_input = in_volts and None not in gains and result.conditions.get("density_at") == INPUT
    return _Scale(in_volts=in_volts, at=INPUT if at_input else OUTPUT)


def _density(result: Result, found: list[ChannelResult]) -> ChartView:
    scale = _scale(result, found)
    series = []
    for channel in found:
        label = f"channel {channel.channel}"
        series.append(Series(label=label, x=_frequency(channel), y=_drawn(channel, scale), channel=channel.channel))
    for channel in found:
        series += _hum_points(channel, scale)
    hollow = ". Hollow points: hum, by multiple of the mains" if len(series) > len(found) else ""
    series += _source(found, scale)
    series += [_weighting(channel, scale) for channel in found]
    return ChartView(
        name="density",
        title="Noise density",
        x_label="Frequency (Hz)",
        y_label=scale.y_label,
        y_scale="log" if scale.in_volts else "linear",
        series=tuple(series),
        caption=f"{_caption(result)}. {result.conditions['density']}{hollow}",
        simulated=result.simulated,
    )


def _frequency(channel: ChannelResult) -> list[float]:
    frequency_hz: list[float] = channel.values["density"]["frequency_hz"]
    return frequency_hz


def _drawn(channel: ChannelResult, scale: _Scale) -> list[float | None]:
    """Return the density in nV/√Hz, or in dB re full scale per √Hz."""
    density = channel.values["density"]
    if not scale.in_volts:
        return list(density["dbfs_per_root_hz"])
    return [scale.nanovolts(value, channel) if value else None for value in density["v_per_root_hz"]]


def _hum_points(channel: ChannelResult, scale: _Scale) -> list[Series]:
    """Return the hum lines as points on the density's curve, named by multiple."""
    rows = [row for row in channel.values["hum"] if not row.get("bound")]
    if not rows:
        return []
    drawn, frequency_hz = _drawn(channel, scale), _frequency(channel)
    return [
        Series(
            label=f"hum, channel {channel.channel}",
            x=[row["frequency_hz"] for row in rows],
            y=[_largest_near(frequency_hz, drawn, row["frequency_hz"]) for row in rows],
            role="points",
            channel=channel.channel,
            labels=tuple(f"×{row['multiple']}" for row in rows),
            hollow=True,
        )
    ]


def _largest_near(frequency_hz: list[float], values: list[float | None], wanted_hz: float) -> float | None:
    reach_hz = max(3.0, 0.01 * wanted_hz)
    near = [v for hz, v in zip(frequency_hz, values, strict=True) if abs(hz - wanted_hz) <= reach_hz and v is not None]
    return max(near, default=None)


def _source(found: list[ChannelResult], scale: _Scale) -> list[Series]:
    known = next((channel for channel in found if channel.values["source_v_per_root_hz"] is not None), None)
    if known is None or not scale.in_volts:
        return []
    x, level = _frequency(known), scale.nanovolts(known.values["source_v_per_root_hz"], known)
    return [Series(label=f"source resistance alone, at the {scale.at}", x=[x[0], x[-1]], y=[level, level])]


def _weighting(channel: ChannelResult, scale: _Scale) -> Series:
    """Return a channel's density under the A curve, where that takes no more than 26 dB: elsewhere it hides nothing."""
    weight_db = channel.values["density"]["a_weight_db"]
    drawn = _drawn(channel, scale)
    weighted = [
        None
        if value is None or by_db < _LEAST_WEIGHT_DB
        else (value * 10.0 ** (by_db / 20.0) if scale.in_volts else value + by_db)
        for value, by_db in zip(drawn, weight_db, strict=True)
    ]
    return Series(label=f"channel {channel.channel}, A-weighted", x=_frequency(channel), y=weighted)


def _third_octaves(result: Result, found: list[ChannelResult]) -> tuple[ChartView, ...]:
    in_volts = all(row["level_v_rms"] is not None for c in found for row in c.values["third_octaves"])
    key, factor = ("level_v_rms", 1e6) if in_volts else ("level_dbfs", 1.0)
    series = tuple(
        Series(
            label=f"channel {channel.channel}",
            x=[row["midband_hz"] for row in channel.values["third_octaves"]],
            y=[times(row[key], factor) for row in channel.values["third_octaves"]],
            channel=channel.channel,
            each_point=True,
        )
        for channel in found
        if channel.values["third_octaves"]
    )
    if not series:
        return ()
    return (
        ChartView(
            name="third-octaves",
            title="Noise in third-octave bands",
            x_label="Midband frequency (Hz; IEC 61260-1, base ten)",
            y_label="Level (µV r.m.s.)" if in_volts else "Level (dBFS)",
            y_scale="log" if in_volts else "linear",
            series=series,
            caption=f"{result.conditions['duration_s']:.3g} s listened; each point is the level of a whole band",
            simulated=result.simulated,
            # Masks are in dBFS: in a chart in volts they would stand elsewhere.
            curve_key="" if in_volts else "third_octave_dbfs",
        ),
    )


# -- curves ----------------------------------------------------------------------------------------------------------


def _third_octave_points(result: Result, channel: ChannelResult) -> list[CurvePoint]:
    return [
        CurvePoint(frequency_hz=row["midband_hz"], value=row["level_dbfs"], uncertainty=row["uncertainty_db"])
        for row in channel.values["third_octaves"]
    ]


curves = (
    Curve(
        key="third_octave_dbfs",
        unit="dBFS",
        words="noise in third-octave bands",
        points=_third_octave_points,
    ),
)
