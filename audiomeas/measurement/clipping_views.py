"""Tables and charts of clipping, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.clipping_values import percent_name
from audiomeas.measurement.distortion_steps_views import UNITS_OF_LEVEL
from audiomeas.measurement.figure_table import figures_table, times, told_cell
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.views import ChartView, Column, Limited, Passed, Series, TableView
from audiomeas.shown_units import shown_in

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

Row = Mapping[str, Any]

#: key, words, unit: quantities down, channels across.
_QUANTITIES = (
    ("onset_w", "onset, power into the load", "W"),
    ("onset_v_rms", "onset, output", "V"),
    ("onset_dbfs", "onset, capture", "dBFS"),
    ("onset_input_v_rms", "onset, input", "V"),
    ("criterion_percent", "THD at the onset", "%"),
    ("minimum_thd_percent", "least THD over level", "%"),
    ("onset_h2_db", "2nd harmonic at the onset", "dB"),
    ("onset_h3_db", "3rd harmonic at the onset", "dB"),
    ("gain_db", "gain far below clipping", "dB"),
    ("compression_db", "change of gain at the highest THD told", "dB"),
    ("asymmetry_db", "one half clips earlier by", "dB"),
    ("sag_db", "change by driving all channels", "dB"),
    ("sag_w", "change by driving all channels", "W"),
    ("recovery_s", "recovery after the loudest burst", "s"),
)
#: Always told, even when not known.
_ALWAYS = {"onset_v_rms"}
#: key, heading, unit: of a level, and of a burst.
_LEVEL_COLUMNS = (
    ("level_w", "Power", "W"),
    ("level_v_rms", "Output", "V"),
    ("level_dbfs", "Capture", "dBFS"),
    ("input_v_rms", "Input", "V"),
    ("compression_db", "Gain change", "dB"),
    ("h2_db", "2nd", "dB"),
    ("h3_db", "3rd", "dB"),
)
_BURST_COLUMNS = (
    ("input_v_rms", "Input", "V"),
    ("level_v_rms", "Output", "V"),
    ("level_w", "Power", "W"),
    ("level_dbfs", "Capture", "dBFS"),
    ("thd_percent", "THD", "%"),
    ("thd_n_percent", "THD+N", "%"),
)
#: What is left without the fundamental is raised so that it stands this high beside the wave, by 1, 2, 5, 10 …
_REST_BESIDE = 0.5
#: Near the knee: so far below the loudest burst, in dB; and by what a decade of the axis is in dB.
_KNEE_DB = 3.0
_PER_DECADE = {"level_w": 10.0, "level_v_rms": 20.0}
_DBFS_LABEL = "Level of the capture (dBFS)"


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, and for each channel its levels and its bursts."""
    views = [figures_table(result, _figures(result), title="Clipping", always=_ALWAYS, notes=tuple(_notes(result)))]
    for channel in result.channels:
        if channel.values["levels"]:
            views.append(_levels(channel))
        if channel.values["curve"]:
            views.append(_bursts(result, channel))
    return tuple(views)


def _figures(result: Result) -> Sequence[tuple[str, str, str]]:
    """Return the quantities to be shown: dBFS only where there are no volts."""
    in_volts = any(channel.values.get("onset_v_rms") is not None for channel in result.channels)
    return [one for one in _QUANTITIES if not (one[2] == "dBFS" and in_volts)]


def _notes(result: Result) -> Iterator[str]:
    for channel in result.channels:
        if channel.values.get("first_half") is not None:
            yield f"Channel {channel.channel}: the {channel.values['first_half']} half of the wave clips first."
    yield _definitions(result)


def _levels(channel: ChannelResult) -> TableView:
    rows = [("onset", _onset_row(channel)), *((f"{row['percent']:g} %", row) for row in channel.values["levels"])]
    return _table(
        f"Levels at which distortion begins and passes given percentages, channel {channel.channel}",
        Column(heading="THD"),
        rows,
        _LEVEL_COLUMNS,
    )


def _onset_row(channel: ChannelResult) -> Row:
    """Return the onset as a row like those of the levels."""
    names = {f"onset_{unit}": f"level_{unit}" for unit in ("v_rms", "w", "dbfs")}
    names |= {"onset_input_v_rms": "input_v_rms", "onset_h2_db": "h2_db", "onset_h3_db": "h3_db"}
    return {
        **{name: channel.values.get(key) for key, name in names.items()},
        "uncertainty": {name: channel.uncertainty.get(key) for key, name in names.items()},
        "bound": {name: channel.bound.get(key) for key, name in names.items()},
    }


def _bursts(result: Result, channel: ChannelResult) -> TableView:
    named = "Bursts" if "burst_s" in result.conditions else "Where its level was read"
    rows = [(str(number), row) for number, row in enumerate(channel.values["curve"], start=1)]
    return _table(f"{named}, rising, channel {channel.channel}", Column(heading="No."), rows, _BURST_COLUMNS)


def _table(
    title: str, first: Column, rows: Sequence[tuple[str, Row]], columns: Sequence[tuple[str, str, str]]
) -> TableView:
    """Return a table of rows with their values, uncertainties and bounds; columns that no row knows are left out."""
    in_volts = any(row.get("level_v_rms") is not None for _, row in rows)
    shown = [
        one
        for one in columns
        if any(row.get(one[0]) is not None for _, row in rows) and not (one[2] == "dBFS" and in_volts)
    ]
    units = [shown_in(unit, *(row.get(key) for _, row in rows)) for key, _, unit in shown]
    return TableView(
        title=title,
        columns=(
            first,
            *(
                Column(heading=heading, unit=unit, decimals=_decimals(key))
                for (key, heading, _), (unit, _) in zip(shown, units, strict=True)
            ),
        ),
        rows=tuple(
            (
                name,
                *(
                    told_cell(times(row.get(key), factor), row.get("bound", {}).get(key))
                    for (key, _, _), (_, factor) in zip(shown, units, strict=True)
                ),
            )
            for name, row in rows
        ),
        uncertainties=tuple(
            (
                None,
                *(
                    times(row.get("uncertainty", {}).get(key), factor)
                    for (key, _, _), (_, factor) in zip(shown, units, strict=True)
                ),
            )
            for _, row in rows
        ),
    )


def _decimals(key: str) -> int | None:
    return {"h2_db": 1, "h3_db": 1, "compression_db": 2}.get(key)


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return distortion against level with the onset and the levels marked, and the waves at the onset and loudest."""
    views = [_against_level(result, near_knee=False), _against_level(result, near_knee=True)]
    for of, name, words in (
        ("onset", "waveform-onset", "at the onset"),
        ("loudest", "waveform", "in the loudest burst"),
    ):
        views.append(_waves(result, of, name, words))
    return tuple(view for view in views if view is not None)


def _level_key(result: Result) -> str:
    """Return what levels are told in: watts where every channel knows them, else volts, else dBFS."""
    rows = [row for channel in result.channels for row in channel.values["curve"]]
    known = (key for key, _ in UNITS_OF_LEVEL if rows and all(row[key] is not None for row in rows))
    return next(known, "level_dbfs")


def _against_level(result: Result, *, near_knee: bool) -> ChartView | None:
    """Return distortion against level. near_knee : only the last of it, drawn wide."""
    key = _level_key(result)
    label = dict(UNITS_OF_LEVEL).get(key, _DBFS_LABEL)
    series = [one for channel in result.channels for one in _curves(channel, key)]
    if not series:
        return None
    what = {"level_w": "power", "level_v_rms": "voltage"}.get(key, "level")
    x_range = None
    if near_knee:
        highest = max(x for one in series for x in one.x)
        # The knee of the channel that clips first shall be seen too.
        curves = [channel.values["curve"] for channel in result.channels if channel.values["curve"]]
        first = min(max(float(row[key]) for row in curve) for curve in curves)
        lowest = first - _KNEE_DB if key == "level_dbfs" else first * 10.0 ** (-_KNEE_DB / _PER_DECADE[key])
        series = [_from(one, lowest) for one in series]
        x_range = (lowest, highest + 0.02 * (highest - lowest))
    return ChartView(
        name="clipping-knee" if near_knee else "clipping",
        title=f"Distortion near clipping against {what}" if near_knee else f"Distortion against {what}, up to clipping",
        x_label=label,
        y_label="Distortion (%)",
        series=tuple(series),
        x_scale="linear" if near_knee or key == "level_dbfs" else "log",
        y_scale="log",
        x_range=x_range,
        caption=_definitions(result),
        simulated=result.simulated,
        limited=tuple(_limited(result, key)),
    )


def _limited(result: Result, key: str) -> Iterator[Limited]:
    """Yield the levels at which distortion may not have passed a percentage yet; the onset's is each channel's own."""
    unit = key.removeprefix("level_")

    def told(name: str, percent: float, words: str, **how: Any) -> Limited:
        passed = Passed(height=percent, edge="high", sense="at least")
        return Limited(key=f"{name}_{unit}", words=words, passed=passed, **how)

    percentages = {float(row["percent"]) for channel in result.channels for row in channel.values["levels"]}
    for percent in sorted(percentages):
        yield told(f"at_{percent_name(percent)}", percent, f"for {percent:g} %")
    if result.conditions.get("rated_percent"):
        rated_percent = float(result.conditions["rated_percent"])
        yield told("at_rated", rated_percent, f"for {rated_percent:g} %")
    for channel in result.channels:
        known = [row for row in channel.values["curve"] if row["thd_percent"] is not None]
        if known and channel.values["criterion_percent"] is not None:
            # The onset is sought from the least distortion upwards: below it noise may hide more.
            least = min(known, key=lambda row: float(row["thd_percent"]))
            yield told(
                "onset",
                float(channel.values["criterion_percent"]),
                "for the onset",
                channels=(channel.channel,),
                span=(float(least[key]), math.inf),
            )


def _from(series: Series, lowest: float) -> Series:
    """Return what of a series stands from a level on."""
    kept = [place for place, x in enumerate(series.x) if x >= lowest]
    labels = tuple(series.labels[place] for place in kept) if series.labels else ()
    return replace(series, x=[series.x[n] for n in kept], y=[series.y[n] for n in kept], labels=labels)


def _curves(channel: ChannelResult, key: str) -> Iterator[Series]:
    """Yield THD and THD+N of a channel, THD of it alone, and the marks of onset and levels."""
    name = f"channel {channel.channel}"
    rows = channel.values["curve"]
    if not rows:
        return
    yield _curve(f"{name}, THD", rows, key, "thd_percent", channel.channel)
    yield _curve(f"{name}, THD+N", rows, key, "thd_n_percent", channel.channel)
    alone = channel.values.get("alone")
    if alone:
        yield _curve(f"{name} alone, THD", alone["curve"], key, "thd_percent", channel.channel)
    marks = [
        (row[key], row["percent"], f"{row['percent']:g} %") for row in channel.values["levels"] if _known(row, key)
    ]
    onset = _onset_row(channel)
    if channel.values["criterion_percent"] is not None and _known(onset, key):
        marks.insert(0, (onset[key], channel.values["criterion_percent"], "onset"))
    if marks:
        yield Series(
            label=f"{name}, onset and levels",
            x=[x for x, _, _ in marks],
            y=[y for _, y, _ in marks],
            role="points",
            channel=channel.channel,
            labels=tuple(text for _, _, text in marks),
        )


def _known(row: Row, key: str) -> bool:
    """Return whether a level stands in a row as a value: a bound is no place on the curve."""
    return row[key] is not None and not row["bound"].get(key)


def _curve(label: str, rows: Sequence[Row], x_key: str, y_key: str, channel: int) -> Series:
    """Return a curve that is known at the bursts; where there is only a bound it has a gap."""
    return Series(
        label=label,
        x=[row[x_key] for row in rows],
        y=[math.nan if row["bound"].get(y_key) else row[y_key] for row in rows],
        channel=channel,
        each_point=y_key == "thd_percent",
    )


def _waves(result: Result, of: str, name: str, words: str) -> ChartView | None:
    """Return two periods of each channel's wave, and beside it what is left without its fundamental, raised."""
    found = [(channel, wave) for channel in result.channels for wave in channel.values["waveforms"] if wave["of"] == of]
    if not found:
        return None
    factor = _raise_by([wave for _, wave in found])
    series = []
    for channel, wave in found:
        time_ms = [1000.0 * time_s for time_s in wave["time_s"]]
        label = f"channel {channel.channel}"
        series.append(Series(label=label, x=time_ms, y=wave["level"], channel=channel.channel))
        rest = [factor * value for value in wave["rest"]]
        series.append(
            Series(label=f"{label} without its sine, {factor:g} times", x=time_ms, y=rest, channel=channel.channel)
        )
    in_volts = all(wave["in_volts"] for _, wave in found)
    thd = ", ".join(f"channel {channel.channel}: {wave['thd_percent']:.2g} %" for channel, wave in found)
    return ChartView(
        name=name,
        title=f"Waveform {words}",
        x_label="Time (ms)",
        y_label="Output voltage (V)" if in_volts else "Capture (of full scale)",
        series=tuple(series),
        x_scale="linear",
        caption=f"THD, {thd}. {_definitions(result)}",
        simulated=result.simulated,
    )


def _raise_by(waves: Sequence[Row]) -> float:
    """Return 1, 2, 5, 10 …: by how much what is left is raised to stand about half as high as the wave."""
    ratio = max(max(map(abs, wave["rest"])) / max(max(map(abs, wave["level"])), 1e-30) for wave in waves)
    if not ratio > 0.0:
        return 1.0
    wanted = max(_REST_BESIDE / ratio, 1.0)
    decade = 10.0 ** math.floor(math.log10(wanted))
    return next(step * decade for step in (5.0, 2.0, 1.0) if step * decade <= wanted * (1.0 + 1e-9))


def _definitions(result: Result) -> str:
    conditions = result.conditions
    low_hz, high_hz = conditions["band_hz"]
    at = "" if conditions.get("frequency_hz") is None else f" of {hertz(conditions['frequency_hz'])}"
    burst_s = conditions.get("burst_s")
    bursts = "The tone as captured" if burst_s is None else f"Bursts{at}, {1000.0 * burst_s:.3g} ms"
    driven = "" if burst_s is None or not conditions.get("driven_channels") else f", {_driven_words(conditions)}"
    return (
        f"{bursts}{driven}. Onset: THD (noise removed) is twice its minimum. THD+N from {hertz(low_hz)} to "
        f"{hertz(high_hz)}, r.m.s., unweighted. Levels: fundamental and harmonics."
    )


def _driven_words(conditions: Mapping[str, Any]) -> str:
    driven = conditions["driven_channels"]
    return "both channels driven" if len(driven) > 1 else f"channel {driven[0]} driven alone"
