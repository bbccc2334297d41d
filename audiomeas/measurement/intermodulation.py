"""Intermodulation: what a unit makes of two tones that neither of them holds, per channel.

An undriven channel is listed with null values.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER, TWO_SIDED_95
from audiomeas.bench.parts import of_limits
from audiomeas.errors import SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.bench_own import own_words
from audiomeas.measurement.budget import BENCH_DISTORTION, Told, own_parts
from audiomeas.measurement.checks import made, refuse_empty_band
from audiomeas.measurement.intermodulation_views import charts, tables
from audiomeas.measurement.offers import band_options, ratio_figures
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.steady import (
    LEAST_RELATIVE,
    clock_words,
    of_channel,
    over_range_words,
    refuse_gaps,
    samples,
    steady_span,
)
from audiomeas.measurement.sudden import words_beside_lines
from audiomeas.measurement.tone_values import spectrum_values, tell_relative, tell_volts

if TYPE_CHECKING:
    from audiomeas.analysis.intermodulation import Intermodulation, Ratio
    from audiomeas.analysis.twotone import Product
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Stimulus

#: method → (low tone, high tone, amplitude ratio), Hz. Modulation as in SMPTE RP 120 and DIN 45403; difference and
#: transient as in IEC 60268-3 (definitions.md, section 2: from memory of the standards).
_PAIRS: dict[str, tuple[float, float, float]] = {
    "modulation": (60.0, 7_000.0, 4.0),
    "modulation-din": (250.0, 8_000.0, 4.0),
    "difference": (19_000.0, 20_000.0, 1.0),
    "transient": (3_150.0, 15_000.0, 4.0),
}
_METHODS = (*_PAIRS, "pair")
#: What the total is, in words, by the analysis' own method.
_DEFINITIONS = {
    "modulation": "root of the summed squares of d_m2, d_m3 …; d_mk: sum of the voltages of the two sidebands at "
    "f2 ± (k − 1)·f1, over that of f2",
    "difference": "root of the summed squares of d_d2 (f2 − f1) and d_d3 (sum of the voltages at 2·f1 − f2 and "
    "2·f2 − f1), over the sum of the voltages of f1 and f2",
    "transient": "root of the summed squares of the nine lines at |m·f1 − f2|, over the voltage of f2",
    "pair": "root of the summed squares of all products, over the r.m.s. value of the two tones",
}
_REFERENCES = {
    "modulation": "f2",
    "difference": "f1 and f2 added",
    "transient": "f2",
    "pair": "r.m.s. of f1 and f2",
}
_SQUARE_LOW_PASS_HZ = {"30": 30_000.0, "100": 100_000.0}
#: A square that ends below this many times its frequency is no sharp test of slewing.
_SHARP_HZ = 40_000.0
_KEYS = (
    "method",
    "imd_percent",
    "imd_db",
    "imd_rss_percent",
    "imd_rss_db",
    "d2_percent",
    "d2_db",
    "d3_percent",
    "d3_db",
    "low_frequency_hz",
    "low_level_v_rms",
    "low_level_dbfs",
    "high_frequency_hz",
    "high_level_v_rms",
    "high_level_dbfs",
    "tone_ratio",
)
#: Condition: what the bench makes of the two tones by itself, by channel, where something tells it.
_BENCH_OWN = "bench_intermodulation_db"
#: A figure within this of what the bench adds by itself says nothing more than 'at most'.
_BENCH_MARGIN_DB = 10.0


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Stimulus:
    from audiomeas.stimulus import SquarePlusSine, TwinTone

    method = options["method"] or "modulation"
    low_hz, high_hz, ratio = _pair(method, options)
    common: dict[str, Any] = {
        "sample_rate_hz": context.sample_rate_hz,
        "window_s": options["window_s"],
        "level_v_rms": context.input_level_v_rms,
        "driven_channels": context.channels,
    }
    if method == "transient":
        corner_hz = _SQUARE_LOW_PASS_HZ[options["square_low_pass_khz"]]
        return SquarePlusSine.bin_centred(
            square_hz=low_hz, sine_hz=high_hz, low_pass_hz=corner_hz, ratio=ratio, **common
        )
    twin = TwinTone.bin_centred(low_hz=low_hz, high_hz=high_hz, ratio=ratio, **common)
    fitting = _methods_for(twin)
    if method not in fitting:
        raise ValueError(f"the {method} form does not fit {_played_words(twin)}: use {' or '.join(fitting)}")
    return twin


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    made(_stimulus, context, options)
    refuse_empty_band(context, options)


def _pair(method: str, options: Mapping[str, Any]) -> tuple[float, float, float]:
    """Return low and high frequency and amplitude ratio of a method. Raises ValueError when a pair lacks them."""
    low_hz, high_hz, ratio = _PAIRS.get(method, (None, None, 1.0))
    low_hz = options["low_frequency_hz"] or low_hz
    high_hz = options["high_frequency_hz"] or high_hz
    if low_hz is None or high_hz is None:
        raise ValueError("the pair form needs low_frequency_hz and high_frequency_hz")
    return low_hz, high_hz, options.get("ratio") or ratio


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    method = _method(recording, options)
    span = steady_span(recording)
    refuse_gaps(recording, span)
    warnings: list[str] = []
    channels, problems, first = [], [], None
    for column, channel in enumerate(recording.channels):
        reason = _why_not(recording, column, channel)
        if reason is None:
            try:
                found = _analysed(recording, column, span, method, options)
            except SignalError as error:
                reason = f"channel {channel}: {error}"
                problems.append(reason)
            else:
                first = first or found
                notes = (*found.notes, *clock_words(recording, found.scale))
                warnings += [f"channel {channel}: {note}" for note in notes]
                warnings += words_beside_lines(recording, column, span)
                channels.append(_channel(recording, column, channel, found, method))
                continue
        warnings.append(reason)
        channels.append(_nothing(channel, method))
    if first is None and problems:
        raise SignalError("; ".join(dict.fromkeys(problems)))
    return result_of(
        recording,
        "intermodulation",
        conditions=_conditions(recording, options, span, method, first),
        channels=tuple(channels),
        warnings=(*warnings, *_square_words(recording)),
    )


def _method(recording: Recording, options: Mapping[str, Any]) -> str:
    """Return the method asked for, or the one that the stimulus is for. Raises SignalError when they don't fit."""
    asked: str | None = options["method"]
    stimulus = recording.stimulus
    if stimulus is None:
        return asked or "modulation"
    if stimulus.kind not in ("twin-tone", "square-and-sine"):
        raise SignalError(
            f"intermodulation is measured on two tones, and the stimulus of this capture is {stimulus.kind!r}: play "
            "two tones, or use the measurement that the stimulus is for"
        )
    fitting = _methods_for(stimulus)
    if asked is not None and asked not in fitting:
        raise SignalError(
            f"the {asked} form does not fit what was played ({_played_words(stimulus)}): use {' or '.join(fitting)}"
        )
    return asked or fitting[0]


def _methods_for(stimulus: Any) -> tuple[str, ...]:
    """Return the methods that a stimulus can serve, the likeliest first."""
    if stimulus.kind == "square-and-sine":
        return ("transient",)
    if abs(stimulus.ratio - 1.0) < 0.05:
        return ("difference", "pair")
    if stimulus.ratio > 2.0 and stimulus.high_hz > 8.0 * stimulus.low_hz:
        is_din = abs(stimulus.low_hz - _PAIRS["modulation-din"][0]) < 0.02 * stimulus.low_hz
        return ("modulation-din", "modulation", "pair") if is_din else ("modulation", "modulation-din", "pair")
    return ("pair",)


def _played_words(stimulus: Any) -> str:
    if stimulus.kind == "square-and-sine":
        return f"a square of {stimulus.square_hz:g} Hz and a sine of {stimulus.sine_hz:g} Hz"
    return f"{stimulus.low_hz:g} Hz and {stimulus.high_hz:g} Hz, {stimulus.ratio:g}:1"


def _why_not(recording: Recording, column: int, channel: int) -> str | None:
    words = over_range_words(recording, column, channel)
    if words is None and recording.stimulus is not None and channel not in recording.stimulus.driven_channels:
        words = f"channel {channel} was not driven: no intermodulation is told"
    return words


def _near(recording: Recording, method: str, options: Mapping[str, Any]) -> tuple[float, float] | None:
    """Return where the tones are expected: as played, as asked for, or the method's."""
    stimulus: Any = recording.stimulus
    if stimulus is not None:
        is_square = stimulus.kind == "square-and-sine"
        return (stimulus.square_hz, stimulus.sine_hz) if is_square else (stimulus.low_hz, stimulus.high_hz)
    low_hz, high_hz = options["low_frequency_hz"], options["high_frequency_hz"]
    if method == "pair" and low_hz is None and high_hz is None:
        return None
    if method == "pair" and (low_hz is None or high_hz is None):
        raise SignalError("give low_frequency_hz and high_frequency_hz, or neither (then the two strongest lines)")
    return _pair(method, options)[:2]


def _analysed(
    recording: Recording, column: int, span: slice, method: str, options: Mapping[str, Any]
) -> Intermodulation:

    from audiomeas.analysis.intermodulation import analyze_intermodulation

    stimulus: Any = recording.stimulus
    return analyze_intermodulation(
        samples(recording, column, span),
        recording.sample_rate_hz,
        method=_form(method),
        near_hz=_near(recording, method, options),
        one_scale=stimulus is not None,
        played_ratio=stimulus.ratio if stimulus is not None and stimulus.kind == "twin-tone" else None,
        highest_order=options["highest_order"],
        limits_hz=(options["low_hz"], options["high_hz"]),
    )


def _form(method: str) -> str:
    """Return the analysis' word: the two modulation methods differ in their frequencies only."""
    return "modulation" if method == "modulation-din" else method


def _nothing(channel: int, method: str) -> ChannelResult:
    values: dict[str, Any] = {**dict.fromkeys(_KEYS), "method": method}
    return ChannelResult(channel=channel, values={**values, "orders": [], "products": [], "spectrum": None})


def _channel(recording: Recording, column: int, channel: int, found: Intermodulation, method: str) -> ChannelResult:
    told = Told({**dict.fromkeys(_KEYS), "method": method})
    ratios = {"imd": found.total, "d2": None, "d3": None, "imd_rss": None}
    if found.method == "modulation":
        ratios["imd_rss"] = found.rss
    if found.method != "transient":
        ratios |= {"d2": found.orders.get(2), "d3": found.orders.get(3)}
    bench_db = of_channel(recording.conditions.get(_BENCH_OWN), channel)
    for name, ratio in ratios.items():
        _tell_ratio(told, name, ratio, bench_db)
    _tell_tones(told, recording, column, found)
    told.values["orders"] = _orders(found)
    told.values["products"] = [_product(one, found) for one in found.products]
    told.values["spectrum"] = spectrum_values(found.spectrum)
    return told.result(channel)


def _tell_ratio(told: Told, name: str, ratio: Ratio | None, bench_db: float | None) -> None:
    """Enter a ratio as percent and decibels. The bench's own products may add to the unit's or cancel them."""
    from audiomeas.units import amplitude_ratio_to_db

    if ratio is None or ratio.value <= 0.0:
        return
    percent, decibels = f"{name}_percent", f"{name}_db"
    told.values[percent], told.values[decibels] = 100.0 * ratio.value, amplitude_ratio_to_db(ratio.value)
    if ratio.at_most or (bench_db is not None and told.values[decibels] <= bench_db + _BENCH_MARGIN_DB):
        told.at_most(percent, decibels)
        return
    of_bench = 0.0 if bench_db is None else 10.0 ** ((bench_db - told.values[decibels]) / 20.0)
    parts = (*own_parts(ratio.uncertainty / ratio.value), of_limits(BENCH_DISTORTION, of_bench))
    tell_relative(told, name, parts)


def _tell_tones(told: Told, recording: Recording, column: int, found: Intermodulation) -> None:
    for name, tone in (("low", found.low), ("high", found.high)):
        told.values[f"{name}_frequency_hz"] = tone.frequency_hz
        told.uncertainty[f"{name}_frequency_hz"] = max(tone.frequency_uncertainty_hz, 1e-9 * tone.frequency_hz)
        tell_volts(
            told,
            recording,
            column,
            tone.level_rms,
            frequency_hz=tone.frequency_hz,
            own=own_parts(tone.level_uncertainty / tone.level_rms),
            prefix=f"{name}_level",
        )
    told.values["tone_ratio"] = found.low.level_rms / found.high.level_rms


def _orders(found: Intermodulation) -> list[dict[str, Any]]:
    """Return each order's figure; of the transient form, where an order is one line, none."""
    from audiomeas.units import amplitude_ratio_to_db

    if found.method == "transient":
        return []
    rows = []
    for order, ratio in found.orders.items():
        if ratio is None or ratio.value <= 0.0:
            continue
        row: dict[str, Any] = {
            "order": order,
            "percent": 100.0 * ratio.value,
            "level_db": amplitude_ratio_to_db(ratio.value),
        }
        if ratio.at_most:
            row["bound"] = "at most"
        else:
            row["uncertainty_db"] = DB_PER_NEPER * math.hypot(ratio.uncertainty / ratio.value, LEAST_RELATIVE)
        rows.append(row)
    return rows


def _product(one: Product, found: Intermodulation) -> dict[str, Any]:
    from audiomeas.analysis.intermodulation import term_text
    from audiomeas.units import amplitude_ratio_to_db

    power = one.sum()
    level = math.sqrt(max(power.stated, 0.0)) / found.reference_rms
    row: dict[str, Any] = {
        "order": one.order,
        "frequency_hz": one.frequency_hz,
        "level_db": amplitude_ratio_to_db(level) if level > 0.0 else None,
        "term": term_text(one.term),
        "counted": one.term in found.counted,
    }
    if power.at_most:
        row["bound"] = "at most"
    elif power.stated > 0.0:
        own = TWO_SIDED_95 * power.standard_deviation / (2.0 * power.stated)
        row["uncertainty_db"] = DB_PER_NEPER * math.hypot(own, LEAST_RELATIVE)
    return row


def _conditions(
    recording: Recording, options: Mapping[str, Any], span: slice, method: str, found: Intermodulation | None
) -> dict[str, Any]:
    form = _form(method)
    conditions: dict[str, Any] = {
        "method": method,
        "imd_definition": _DEFINITIONS[form],
        "level_db_reference": _REFERENCES[form],
        "spectrum_reference": "the stronger tone",
        "level_setting": "the peak of the sum is that of a sine of the stated level",
        "detector": "r.m.s., selective",
        "highest_order": options["highest_order"] if form != "transient" else None,
        "products_from_to_hz": [options["low_hz"], options["high_hz"] or recording.sample_rate_hz / 2],
        "averages": 1,
        "analysed_s": (span.stop - span.start) / recording.sample_rate_hz,
        "uncertainty_covers": _covers(recording),
    }
    if form == "modulation":
        conditions["imd_rss_definition"] = "root of the summed squares of all sidebands, over the voltage of f2"
    if found is not None and found.scale is not None and not recording.shared_clock:
        conditions["clock_offset_ppm"] = (found.scale - 1.0) * 1e6
    stimulus: Any = recording.stimulus
    if stimulus is None:
        return conditions
    if stimulus.kind == "square-and-sine":
        conditions["tones_played_hz"] = [stimulus.square_hz, stimulus.sine_hz]
        conditions["square_low_pass_hz"] = stimulus.low_pass_hz
        conditions["square_highest_harmonic_hz"] = stimulus.highest_hz
    else:
        conditions["tones_played_hz"] = [stimulus.low_hz, stimulus.high_hz]
    conditions["ratio_played"] = stimulus.ratio
    return conditions


def _covers(recording: Recording) -> str:
    """Return what the half-widths hold. A loop is measured with one tone, which doesn't tell what two make of it."""
    own = own_words(recording, taken_off="the levels", distortion=bool(recording.conditions.get(_BENCH_OWN)))
    return f"noise, fit and scale; {own}"


def _square_words(recording: Recording) -> list[str]:
    stimulus: Any = recording.stimulus
    if stimulus is None or stimulus.kind != "square-and-sine" or stimulus.highest_hz >= _SHARP_HZ:
        return []
    return [
        f"at {stimulus.sample_rate_hz:g} Hz the square ends with its harmonic at {stimulus.highest_hz:g} Hz: its edges "
        "are too slow to show slewing; use 96000 Hz or more"
    ]


MEASUREMENT = Measurement(
    word="intermodulation",
    summary="Intermodulation of two tones: modulation, difference-frequency, transient form, or any pair",
    example="intermodulation --method difference --output-level '1 W'",
    options=(
        Option(
            name="method",
            kind="choice",
            help="modulation: 60 Hz and 7 kHz, 4:1; modulation-din: 250 Hz and 8 kHz, 4:1; difference: 19 and 20 kHz; "
            "transient: a 3.15 kHz square and 15 kHz; pair: any two. Without it: what the stimulus is for, else "
            "modulation.",
            choices=_METHODS,
            stage="analyse",
        ),
        Option(
            name="low_frequency_hz",
            kind="number",
            help="Low tone, instead of the method's own.",
            stage="analyse",
            above=0.0,
        ),
        Option(
            name="high_frequency_hz",
            kind="number",
            help="High tone, instead of the method's own.",
            stage="analyse",
            above=0.0,
        ),
        Option(
            name="ratio",
            kind="number",
            help="Amplitude of the low tone over that of the high one, instead of the method's own.",
            at_least=0.01,
            at_most=100.0,
        ),
        Option(
            name="square_low_pass_khz",
            kind="choice",
            help="Low-pass of the square of the transient form, first order.",
            choices=tuple(_SQUARE_LOW_PASS_HZ),
            default="30",
        ),
        Option(
            name="window_s",
            kind="number",
            help="Length of what is analysed; longer looks deeper into the noise.",
            default=1.0,
            at_least=0.05,
            at_most=600.0,
        ),
        Option(
            name="highest_order",
            kind="integer",
            help="Products are read and counted up to this order.",
            default=5,
            stage="analyse",
            at_least=2,
            at_most=9,
        ),
        *band_options(
            low_help="Products below are not counted.",
            high_help="Products above are not counted; without it, all that the sample rate can hold are.",
            high_hz=None,
        ),
    ),
    figures=(
        *ratio_figures("imd", "intermodulation distortion"),
        *ratio_figures("imd_rss", "intermodulation distortion, all sidebands"),
        *ratio_figures("d2", "second-order intermodulation"),
        *ratio_figures("d3", "third-order intermodulation"),
        Figure(key="low_level_v_rms", unit="V", words="output voltage of the low tone"),
        Figure(key="high_level_v_rms", unit="V", words="output voltage of the high tone"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
)
