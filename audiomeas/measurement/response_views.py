"""Tables and charts of a response, made from the result alone (also from one that was read back from JSON)."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import takewhile
from typing import Any

from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.measurement.views import ChartView, Column, Limited, Passed, Series, TableView

#: Nominal third-octave frequencies of ISO 266; they repeat in each decade.
_NOMINAL = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
#: A flat response shall look flat: at least this much stands on the axis.
_SMALLEST_SPAN_DB = 6.0
#: Curves that are so close at the reference have one zero: no more than a line is thick.
_SAME_ZERO_DB = 0.1

#: Nominal octaves of ISO 266.
_OCTAVES = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
#: A harmonic is heard at three times the r.m.s. value of its complex noise, of whose two parts one moves its size.
_OF_HEARD_95 = 1.96 / math.sqrt(2.0) / 3.0
_HARMONIC_NAMES = {2: "2nd", 3: "3rd"}
#: A curve of fewer points than this is no curve.
_FEWEST_POINTS = 5


def tables(result: Result, *, gains: TableView | None = None) -> tuple[TableView, ...]:
    """Return the figures of each channel, gain at the standard frequencies and, where heard, harmonics at octaves.

    gains : stands in place of the gain at the standard frequencies.
    """
    return (_figures(result), gains or _standard_gains(result), *_ends(result), *_standard_harmonics(result))


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the charts: response, then phase, balance, harmonics, group delay and impulse where they are known."""
    views = (
        _response_chart(result),
        _phase_chart(result),
        _balance_chart(result),
        _harmonics_chart(result),
        _group_delay_chart(result),
        _impulse_chart(result),
    )
    return tuple(view for view in views if view is not None)


def _known(result: Result) -> list[ChannelResult]:
    return [channel for channel in result.channels if channel.values["frequency_hz"]]


def _reference_hz(result: Result) -> float:
    return float(result.conditions["reference_hz"])


def hertz(frequency_hz: float) -> str:
    """Return a frequency as the trade writes it: '20 Hz', '1 kHz', '31.5 Hz'."""
    return f"{frequency_hz / 1000.0:.4g} kHz" if frequency_hz >= 1000.0 else f"{frequency_hz:.4g} Hz"


def limited_at(key: str, frequency_hz: float) -> Limited:
    """Return a figure that is a curve's value at one frequency alone: its limit is drawn a third of an octave wide."""
    wide = 2.0 ** (1.0 / 6.0)
    return Limited(key=key, span=(frequency_hz / wide, frequency_hz * wide), words=f"at {hertz(frequency_hz)}")


def nominal_frequencies(low_hz: float, high_hz: float) -> list[float]:
    """Return the nominal third-octave frequencies from low_hz to high_hz."""
    first, last = math.floor(math.log10(low_hz)), math.floor(math.log10(high_hz))
    every = [round(step * 10.0**decade, 6) for decade in range(first, last + 1) for step in _NOMINAL]
    return [hz for hz in every if low_hz <= hz <= high_hz]


def at_frequency(frequency_hz: Sequence[float], values: Sequence[float | None], wanted_hz: float) -> float | None:
    """Return a curve's value at a frequency, straight over log frequency; None outside the curve or beside a gap."""
    if not frequency_hz or not frequency_hz[0] <= wanted_hz <= frequency_hz[-1]:
        return None
    right = max(1, bisect_left(frequency_hz, wanted_hz))
    left_hz, right_hz = frequency_hz[right - 1], frequency_hz[right]
    part = math.log(wanted_hz / left_hz) / math.log(right_hz / left_hz)
    left, there = values[right - 1], values[right]
    return None if left is None or there is None else left + part * (there - left)


def _figures(result: Result) -> TableView:
    columns = (
        Column(heading="Channel"),
        Column(heading=f"Gain at {hertz(_reference_hz(result))}", unit="dB"),
        Column(heading="Deviation", unit="dB"),
        Column(heading="Lower corner", unit="Hz"),
        Column(heading="Upper corner", unit="Hz"),
        Column(heading="Balance", unit="dB"),
        Column(heading="Delay", unit="ms"),
        Column(heading="Polarity"),
    )
    keys = (
        "gain_at_reference_db",
        "deviation_db",
        "corner_low_hz",
        "corner_high_hz",
        "balance_db",
    )
    rows = tuple(
        (f"{one.channel}", *(_cell(one, key) for key in keys[:-1]), _balance(one), _milliseconds(one), _polarity(one))
        for one in result.channels
    )
    uncertainties = tuple((None, *(one.uncertainty.get(key) for key in keys), None, None) for one in result.channels)
    low_hz, high_hz = result.conditions["deviation_band_hz"]
    return TableView(
        title="Response",
        columns=columns,
        rows=rows,
        uncertainties=uncertainties,
        notes=(
            f"Deviation from {hertz(_reference_hz(result))} within {hertz(low_hz)} to {hertz(high_hz)}.",
            "Corners: 3.01 dB (half the power) below the gain at the reference.",
            *_largest_imbalances(result),
        ),
    )


def _cell(one: ChannelResult, key: str) -> str | float | None:
    value: float | None = one.values.get(key)
    note: str | None = one.values.get(key.replace("_hz", "_note")) if key.endswith("_hz") else None
    return value if note is None else note


def _balance(one: ChannelResult) -> str | float | None:
    """Return the balance; in words for the channel that others are compared with."""
    return "reference" if _is_reference(one) else _cell(one, "balance_db")


def _is_reference(one: ChannelResult) -> bool:
    return one.uncertainty.get("balance_db") == 0.0


def _largest_imbalances(result: Result) -> list[str]:
    """Return a line for each channel that is compared with another."""
    return [
        f"Largest imbalance of channel {one.channel} in this band: {one.values['balance_largest_db']:.3f}"
        f"{_half_width(one, 'balance_largest_db')} dB, at {hertz(one.values['balance_largest_hz'])}."
        for one in result.channels
        if one.values.get("balance_largest_db") is not None and not _is_reference(one)
    ]


def _half_width(one: ChannelResult, key: str) -> str:
    return f" ± {one.uncertainty[key]:.2g}" if key in one.uncertainty else ""


_END_ROWS = (
    ("−0.5 dB, low", "corner_low_0_5_db_hz"),
    ("−1 dB, low", "corner_low_1_db_hz"),
    ("−3.01 dB, low", "corner_low_hz"),
    ("first-order high-pass", "first_order_low_hz"),
    ("−0.5 dB, high", "corner_high_0_5_db_hz"),
    ("−1 dB, high", "corner_high_1_db_hz"),
    ("−3.01 dB, high", "corner_high_hz"),
    ("first-order low-pass", "first_order_high_hz"),
)


def _ends(result: Result) -> tuple[TableView, ...]:
    """Return the corners at each drop and the first-order filters that explain the ends, where a result has them."""
    if not any("corner_low_1_db_hz" in one.values for one in result.channels):
        return ()
    return (
        TableView(
            title="Where the response ends",
            columns=(
                Column(heading="Below the reference"),
                *(Column(heading=f"Channel {one.channel}", unit="Hz") for one in result.channels),
            ),
            rows=tuple((words, *(_cell(one, key) for one in result.channels)) for words, key in _END_ROWS),
            uncertainties=tuple((None, *(one.uncertainty.get(key) for one in result.channels)) for _, key in _END_ROWS),
            notes=(
                "First order: corner of the one filter that explains this end; outside the sweep it is extrapolated, "
                "and several filters there may look like one.",
                *_time_constants(result),
            ),
        ),
    )


def _time_constants(result: Result) -> list[str]:
    """Return a line for each channel whose ends have time constants."""
    lines = []
    for one in result.channels:
        found = [
            f"{_seconds(one.values[key], one.uncertainty.get(key, 0.0))} {words}"
            for key, words in (("time_constant_low_s", "high-pass"), ("time_constant_high_s", "low-pass"))
            if one.values.get(key) is not None
        ]
        if found:
            lines.append(f"Time constants of channel {one.channel}: {', '.join(found)}.")
    return lines


def _seconds(value_s: float, uncertainty_s: float) -> str:
    factor, unit = (1e3, "ms") if value_s >= 1e-3 else (1e6, "µs")
    return f"{factor * value_s:.4g} ± {factor * uncertainty_s:.1g} {unit}"


def _milliseconds(one: ChannelResult) -> float | None:
    delay_s: float | None = one.values["delay_s"]
    return None if delay_s is None else 1000.0 * delay_s


def _polarity(one: ChannelResult) -> str | None:
    return {1: "as played", -1: "inverted"}.get(one.values["polarity"] or 0)


def gain_words(result: Result) -> str:
    """Return what the gain of a result is relative to: 'Gain' alone where it is absolute."""
    if result.conditions["gain_reference"] == "absolute":
        return "Gain"
    return f"Gain re {hertz(_reference_hz(result))}"


def _standard_gains(result: Result) -> TableView:
    known = _known(result)
    low_hz = min((one.values["frequency_hz"][0] for one in known), default=20.0)
    high_hz = max((one.values["frequency_hz"][-1] for one in known), default=20_000.0)
    standard = nominal_frequencies(low_hz, high_hz)

    def column(key: str) -> list[list[float | None]]:
        return [
            [at_frequency(one.values["frequency_hz"], one.values[key], hz) for one in result.channels]
            for hz in standard
        ]

    return TableView(
        title=f"{gain_words(result)} at the standard frequencies",
        columns=(
            Column(heading="Frequency", unit="Hz"),
            *(Column(heading=f"Channel {one.channel}", unit="dB") for one in result.channels),
        ),
        rows=tuple((hz, *row) for hz, row in zip(standard, column("gain_db"), strict=True)),
        uncertainties=tuple((None, *row) for row in column("gain_uncertainty_db")),
    )


def _standard_harmonics(result: Result) -> tuple[TableView, ...]:
    """Return the second and third harmonic at the standard octaves; nothing where none was heard."""
    curves = [
        (one.channel, harmonic)
        for one in result.channels
        for harmonic in one.values["harmonics"]
        if harmonic["order"] in _HARMONIC_NAMES and _heard(harmonic)
    ]
    if not curves:
        return ()
    low_hz, high_hz = _span(curves)
    octaves = [hz for hz in nominal_frequencies(low_hz, high_hz) if hz in _OCTAVES]
    return (
        TableView(
            title=f"Harmonic distortion from the {'sweep' if 'sweep_s' in result.conditions else 'steps'}",
            columns=(
                Column(heading="Frequency", unit="Hz"),
                *(Column(heading=f"Channel {n}, {_HARMONIC_NAMES[one['order']]}", unit="%") for n, one in curves),
            ),
            rows=tuple((hz, *(_heard_at(one, hz) for _, one in curves)) for hz in octaves),
            uncertainties=tuple((None, *(_noise_at(one, hz) for _, one in curves)) for hz in octaves),
            notes=("Of the fundamental, at the fundamental's frequency. Not known: not heard over the noise.",),
        ),
    )


def _span(curves: Sequence[tuple[int, dict[str, Any]]]) -> tuple[float, float]:
    every = [hz for _, harmonic in curves for hz, _ in _heard(harmonic)]
    return min(every), max(every)


def _heard_at(harmonic: dict[str, Any], wanted_hz: float) -> float | None:
    """Return the distortion at a frequency, from the two points around it; None where either was not heard."""
    frequency_hz, percent = harmonic["frequency_hz"], harmonic["distortion_percent"]
    if not frequency_hz[0] <= wanted_hz <= frequency_hz[-1]:
        return None
    right = max(1, bisect_left(frequency_hz, wanted_hz))
    around = slice(right - 1, right + 1)
    if frequency_hz[right] == wanted_hz:
        around = slice(right, right + 1)
    if None in percent[around]:
        return None
    return percent[right] if frequency_hz[right] == wanted_hz else at_frequency(frequency_hz, percent, wanted_hz)


def _noise_at(harmonic: dict[str, Any], wanted_hz: float) -> float | None:
    """Return the 95 % half-width there, from the noise that a harmonic must exceed to be heard."""
    noise = at_frequency(harmonic["frequency_hz"], harmonic["noise_percent"], wanted_hz)
    return None if noise is None else _OF_HEARD_95 * noise


def _played_words(conditions: Mapping[str, Any]) -> str:
    if "sweep_s" in conditions:
        return f"Sweep of {conditions['sweep_s']:.3g} s"
    return f"Sines in {conditions['steps']} steps"


def _emphasis_words(conditions: Mapping[str, Any]) -> str:
    if conditions.get("pre_emphasis") is None:
        return ""
    return f" at {hertz(conditions['input_level_at_hz'])}, with pre-emphasis"


def _caption(result: Result) -> str:
    conditions = result.conditions
    level_v_rms = conditions.get("input_level_v_rms")
    parts = [
        _played_words(conditions)
        + ("" if level_v_rms is None else f" at {1000.0 * level_v_rms:.4g} mV r.m.s. input")
        + _emphasis_words(conditions),
        "driven: " + " and ".join(f"channel {channel}" for channel in conditions["channels_driven"]),
        f"{hertz(result.sample_rate_hz)} sample rate",
    ]
    return "; ".join(parts) + "."


def charted(result: Result, name: str, title: str, y_label: str, series: list[Series], **how: Any) -> ChartView | None:
    """Return a chart against frequency with the caption of a response; None when there is nothing to draw."""
    drawn = tuple(one for one in series if len(one.x))
    if not drawn:
        return None
    return ChartView(
        name=name,
        title=title,
        x_label="Frequency (Hz)",
        y_label=y_label,
        series=drawn,
        caption=_caption(result),
        x_range=(min(one.x[0] for one in drawn), max(one.x[-1] for one in drawn)),
        simulated=result.simulated,
        **how,
    )


def _curve(one: ChannelResult, values: Sequence[float | None], label: str | None = None) -> Series:
    """Return a series of the points that are known, with gaps between them."""
    points = _first_to_last(one.values["frequency_hz"], values)
    x, y = zip(*points, strict=True) if points else ((), ())
    return Series(label=label or f"channel {one.channel}", x=list(x), y=list(y), channel=one.channel)


def _first_to_last(frequency_hz: Sequence[float], values: Sequence[float | None]) -> list[tuple[float, float | None]]:
    """Return the points from the first to the last that is known: what is unknown between them stays a gap."""
    before = _gaps_before(values)
    return list(zip(frequency_hz, values, strict=True))[before : len(values) - _gaps_before(reversed(values))]


def _gaps_before(values: Iterable[float | None]) -> int:
    """Return how many values stand before the first that is known; all of them where none is."""
    return sum(1 for _ in takewhile(lambda value: value is None, values))


def _response_chart(result: Result) -> ChartView | None:
    known = _known(result)
    if not known:
        return None
    # One reference for all channels, so that an imbalance between them is seen.
    base = known[0]
    base_db = at_frequency(base.values["frequency_hz"], base.values["gain_db"], _reference_hz(result)) or 0.0
    series = [_curve(one, [gain_db - base_db for gain_db in one.values["gain_db"]]) for one in known]
    absolute = result.conditions["gain_reference"] == "absolute"
    of = f" of channel {base.channel}" if absolute and len(known) > 1 else ""
    zeros = [(one.channel, _zero_db(curve, result)) for one, curve in zip(known, series, strict=True)]
    y_label = f"Gain (dB re {hertz(_reference_hz(result))}{of})"
    return charted(
        result,
        "response",
        "Frequency response",
        y_label,
        series,
        y_smallest_span=_SMALLEST_SPAN_DB,
        curve_key="gain_db",
        limited=tuple(_limited(result, tuple((channel, zero_db) for channel, zero_db in zeros if zero_db))),
    )


def _zero_db(curve: Series, result: Result) -> float:
    """Return where a curve's own value at the reference stands, as far as an eye can tell it from the chart's zero."""
    level_db = at_frequency(curve.x, curve.y, _reference_hz(result)) or 0.0
    return level_db if abs(level_db) > _SAME_ZERO_DB else 0.0


def _limited(result: Result, zeros: tuple[tuple[int, float], ...]) -> Iterator[Limited]:
    """Yield the deviation from flat and the corners, each channel from its own zero."""
    from audiomeas.measurement.response_ends import DROPS_DB, ENDS

    yield Limited(key="deviation_db", span=_band_hz(result), both_ways=True, zeros=zeros)
    for end in ENDS:
        is_high = end == "high"
        span = (_reference_hz(result), math.inf) if is_high else (-math.inf, _reference_hz(result))
        for drop, drop_db in DROPS_DB.items():
            passed = Passed(height=drop_db, edge="low", sense="at least" if is_high else "at most")
            words = f"for −{-drop_db:.2g} dB"
            yield Limited(key=f"corner_{end}_{drop}hz", span=span, zeros=zeros, words=words, passed=passed)


def _band_hz(result: Result) -> tuple[float, float]:
    low_hz, high_hz = result.conditions["deviation_band_hz"]
    return float(low_hz), float(high_hz)


def _phase_chart(result: Result) -> ChartView | None:
    series = [_curve(one, one.values["phase_deg"]) for one in _known(result)]
    return charted(
        result, "phase", "Phase after removing each channel's delay", "Phase (degrees)", series, y_smallest_span=30.0
    )


def _group_delay_chart(result: Result) -> ChartView | None:
    series = [
        _curve(one, [None if value is None else 1000.0 * value for value in one.values.get("group_delay_s") or []])
        for one in _known(result)
        if one.values.get("group_delay_s")
    ]
    title = "Group delay after removing each channel's delay"
    return charted(result, "group-delay", title, "Group delay (ms)", series, y_smallest_span=0.2)


def _impulse_chart(result: Result) -> ChartView | None:
    series = tuple(
        Series(
            label=f"channel {one.channel}",
            x=[1000.0 * time_s for time_s in one.values["impulse"]["time_s"]],
            y=one.values["impulse"]["relative"],
            channel=one.channel,
        )
        for one in _known(result)
        if one.values.get("impulse")
    )
    if not series:
        return None
    return ChartView(
        name="impulse",
        title="Impulse response",
        x_label="Time after the peak (ms)",
        y_label="Relative to the largest",
        series=series,
        x_scale="linear",
        y_range=(-1.1, 1.1),
        caption=_caption(result) + " Band-limited to the sweep, whose ends make it ring.",
        simulated=result.simulated,
    )


def _balance_chart(result: Result) -> ChartView | None:
    known = _known(result)
    if len(known) < 2 or result.conditions["gain_reference"] != "absolute":
        return None
    base = known[0]
    series = [
        _curve(
            one,
            [gain_db - base_db for gain_db, base_db in zip(one.values["gain_db"], base.values["gain_db"], strict=True)],
            f"channel {one.channel} − channel {base.channel}",
        )
        for one in known[1:]
    ]
    limited = (
        Limited(key="balance_largest_db", span=_band_hz(result), both_ways=True),
        limited_at("balance_db", _reference_hz(result)),
    )
    return charted(
        result,
        "balance",
        "Balance of the channels",
        "Difference of gain (dB)",
        series,
        y_smallest_span=2.0,
        limited=limited,
    )


def _harmonics_chart(result: Result) -> ChartView | None:
    series = [
        Series(
            label=f"channel {one.channel}, {_HARMONIC_NAMES[harmonic['order']]} harmonic",
            x=[hz for hz, _ in _heard(harmonic)],
            y=[value for _, value in _heard(harmonic)],
            channel=one.channel,
        )
        for one in _known(result)
        for harmonic in one.values["harmonics"]
        if harmonic["order"] in _HARMONIC_NAMES
        and sum(value is not None for _, value in _heard(harmonic)) >= _FEWEST_POINTS
    ]
    return charted(
        result, "harmonics", "Harmonic distortion", "Distortion (% of the fundamental)", series, y_scale="log"
    )


def _heard(harmonic: dict[str, Any]) -> list[tuple[float, float | None]]:
    return _first_to_last(harmonic["frequency_hz"], harmonic["distortion_percent"])
