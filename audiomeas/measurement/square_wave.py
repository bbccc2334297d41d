"""A square wave: rise time, overshoot, ringing, tilt; and slewing, by the same wave at two levels."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import Part, of_limits
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.budget import METHOD, NOISE_AND_FIT, Told, own_parts
from audiomeas.measurement.checks import made
from audiomeas.measurement.repeated_wave import (
    LOOPBACK_OPTION,
    played_lines,
    result_of_wave,
    wave_stimulus_options,
    window_samples,
)
from audiomeas.measurement.scale_parts import scale_parts
from audiomeas.measurement.square_wave_views import charts, tables

if TYPE_CHECKING:
    from audiomeas.analysis.edges import Edges
    from audiomeas.analysis.square import Level, Square
    from audiomeas.measurement.result import Result
    from audiomeas.recording import Recording
    from audiomeas.stimulus.periodic import SquareWave

WORD = "square-wave"
_MICRO = 1e6
#: No time or step is stated closer than this (relative): a capture without noise would claim all digits.
_LEAST = 1e-4
#: Nor are frequency and decay of what rings: other poles beside it would move them.
_LEAST_RINGING = 1e-3
#: Edges that take longer by more than this are called slower.
_SLOWER_PERCENT = 2.0
#: A tilt is told while an edge takes no more than this part of a period: its tail would pass for one.
_LONGEST_EDGE = 0.08
#: Points that are kept of a whole period, and of an edge; and so many of its durations are shown before and after it.
_WAVE_POINTS, _EDGE_POINTS = 480, 300
_BEFORE, _AFTER = 3.0, 12.0

_KEYS = (
    "step_v", "rise_time_us", "fall_time_us", "band_rise_time_us", "unit_rise_time_us", "overshoot_percent",
    "ringing_hz", "ringing_q", "ringing_cycles", "tilt_percent", "low_corner_hz", "quiet_rise_time_us",
    "rise_growth_percent", "compression_db", "slew_v_per_us", "full_power_hz",
)  # fmt: skip
_LISTS = ("wave_us", "wave", "ideal_wave", "edge_us", "edge", "ideal_edge")


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> SquareWave:
    from audiomeas.stimulus.periodic import SquareWave

    return SquareWave.at_level(
        frequency_hz=options["frequency_hz"],
        level_v_rms=context.input_level_v_rms,
        sample_rate_hz=context.sample_rate_hz,
        window_s=options["window_s"],
        quiet_below_db=options["quiet_below_db"],
        driven_channels=context.channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played."""
    made(_stimulus, context, options)


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    from audiomeas.stimulus.periodic import SquareWave

    return result_of_wave(
        recording,
        options,
        word=WORD,
        kind=SquareWave,
        keys=_KEYS,
        lists=_LISTS,
        conditions=_conditions,
        tell=_tell,
    )


def _analysed(recording: Recording, column: int, wave: SquareWave, factors: Any) -> Square:
    from audiomeas.analysis.square import analyze_square
    from audiomeas.stimulus.periodic import PARTS

    quiet, loud = window_samples(recording, wave, column)
    return analyze_square(
        quiet,
        loud,
        played=played_lines(wave),
        frequency_hz=wave.frequency_hz,
        band_hz=wave.band_hz,
        parts=PARTS,
        periods=wave.periods // PARTS,
        correction=factors,
    )


def _tell(told: Told, recording: Recording, column: int, wave: SquareWave, factors: Any) -> list[str]:
    """Enter a channel's figures; return what is to be said of it."""
    one = _analysed(recording, column, wave, factors)
    _tell_edges(told, one)
    words = _tell_tops(told, wave, one)
    _tell_ringing(told, one.loud)
    words += _tell_level(told, wave, one)
    _tell_volts(told, recording, column, one)
    _tell_courses(told, wave, one)
    return words


def _tell_edges(told: Told, one: Square) -> None:
    from audiomeas.analysis.square import QUADRATURE_LIMIT

    values, edges = told.values, one.loud.edges
    for key, name, level, time_s in (
        ("rise_time_us", "rise_s", one.loud, edges.rise_s),
        ("fall_time_us", "fall_s", one.loud, edges.fall_s),
        ("quiet_rise_time_us", "slower_s", one.quiet, one.quiet.edges.slower_s),
    ):
        values[key] = _MICRO * time_s
        told.add(key, own_parts(level.half_width[name], _LEAST * time_s), _MICRO)
    values["band_rise_time_us"] = _MICRO * one.own.slower_s
    told.add("band_rise_time_us", (Part(METHOD, _LEAST),), values["band_rise_time_us"])
    key, noise = "unit_rise_time_us", one.loud.half_width["slower_s"]
    if one.unit_rise_s is None:
        values[key] = _MICRO * (edges.slower_s + noise)
        told.at_most(key)
    else:
        values[key] = _MICRO * one.unit_rise_s
        noise *= edges.slower_s / one.unit_rise_s
        told.add(key, (Part(NOISE_AND_FIT, noise), of_limits(METHOD, QUADRATURE_LIMIT * one.unit_rise_s)), _MICRO)
    if one.overshoot_limit is None:
        told.values["overshoot_percent"] = 100.0 * one.overshoot
        told.at_most("overshoot_percent", word="at least")
    else:
        _tell_or_bound(told, "overshoot_percent", one.overshoot, one.loud.half_width["overshoot"], one.overshoot_limit)


def _tell_or_bound(told: Told, key: str, value: float, noise: float, limit: float) -> None:
    """Enter a part of something in percent; as a bound where it can't be told from none."""
    parts = (Part(NOISE_AND_FIT, noise), of_limits(METHOD, limit))
    told.values[key] = 100.0 * value
    told.add(key, parts, 100.0)
    if abs(told.values[key]) < told.uncertainty[key]:
        told.values[key] = abs(told.values[key]) + told.uncertainty[key]
        told.at_most(key)


def _tell_tops(told: Told, wave: SquareWave, one: Square) -> list[str]:
    from audiomeas.analysis.square import TILT_LIMIT

    if one.loud.edges.slower_s * wave.frequency_hz > _LONGEST_EDGE:
        return [
            f"its edges take more than {100 * _LONGEST_EDGE:g} % of a period: no tilt is told; use a lower frequency"
        ]
    noise = one.loud.half_width["tilt"]
    _tell_or_bound(told, "tilt_percent", one.tilt, noise, TILT_LIMIT)
    # A small tilt is π · corner / frequency.
    hz = wave.frequency_hz / math.pi
    if "tilt_percent" in told.bound:
        told.values["low_corner_hz"] = hz * told.values["tilt_percent"] / 100.0
        told.at_most("low_corner_hz")
    elif math.isfinite(one.low_corner_hz):
        told.values["low_corner_hz"] = one.low_corner_hz
        own = one.loud.half_width["low_corner_hz"]
        told.add("low_corner_hz", (Part(NOISE_AND_FIT, own), of_limits(METHOD, hz * TILT_LIMIT)))
    return []


def _tell_ringing(told: Told, level: Level) -> None:
    ring = level.edges.ringing
    if ring is None:
        return
    for key, value in (("ringing_hz", ring.frequency_hz), ("ringing_q", ring.q), ("ringing_cycles", ring.cycles)):
        told.values[key] = value
        # A part without ringing tells no scatter: then none is claimed.
        if math.isfinite(level.half_width[key]):
            told.add(key, own_parts(level.half_width[key] / value, _LEAST_RINGING), value)


def _tell_level(told: Told, wave: SquareWave, one: Square) -> list[str]:
    """Enter what the level alone does to the wave."""
    key, growth = "rise_growth_percent", 100.0 * one.growth
    told.values[key] = growth
    told.add(key, own_parts(one.growth_half_width, _LEAST), 100.0)
    loud, quiet = one.loud, one.quiet
    told.values["compression_db"] = DB_PER_NEPER * math.log(quiet.edges.step / (loud.edges.step * wave.quiet_ratio))
    own = math.hypot(*(level.half_width["step"] / level.edges.step for level in (loud, quiet)))
    told.add("compression_db", own_parts(own, _LEAST), DB_PER_NEPER)
    if growth <= max(_SLOWER_PERCENT, told.uncertainty[key]):
        return []
    return [
        f"its edges take {growth:.0f} % longer at the level than {wave.quiet_below_db:g} dB below it: it slews (or "
        "clips, if the compression is more than some hundredths of a dB)"
    ]


def _tell_volts(told: Told, recording: Recording, column: int, one: Square) -> None:
    edges = one.loud.edges
    told.values["full_power_hz"] = edges.steepest / (math.pi * abs(edges.step))
    told.at_most("full_power_hz", word="at least")
    if recording.scale_v(column) is None:
        return
    told.values["step_v"] = abs(edges.step)
    told.values["slew_v_per_us"] = edges.steepest / _MICRO
    told.at_most("slew_v_per_us", word="at least")
    scale = scale_parts(recording, column)
    if scale is not None:
        own = own_parts(one.loud.half_width["step"] / abs(edges.step))
        told.add("step_v", (*scale, *own), abs(edges.step))


def _tell_courses(told: Told, wave: SquareWave, one: Square) -> None:
    """Enter one period of the wave and its rising edge, beside the ideal of the same step, both smoothed."""
    import numpy as np

    from audiomeas.analysis.periodic import course, smoothed

    edges = one.loud.edges
    captured = course(smoothed(one.lines, wave.frequency_hz, wave.band_hz))
    ideal = course(smoothed(played_lines(wave), wave.frequency_hz, wave.band_hz)) * edges.step / one.own.step
    period_us = _MICRO / wave.frequency_hz
    ring = edges.ringing
    after_s = max(_AFTER * edges.slower_s, 0.0 if ring is None else ring.cycles / ring.frequency_hz)
    after = min(after_s * wave.frequency_hz, 0.45)
    spans = {
        "wave": np.linspace(-0.25, 0.75, _WAVE_POINTS),
        "edge": np.linspace(-min(_BEFORE * edges.slower_s * wave.frequency_hz, 0.1), after, _EDGE_POINTS),
    }
    for name, turns in spans.items():
        told.values[f"{name}_us"] = _rounded(period_us * turns, 6)
        told.values[name] = _rounded(_at(captured, turns, edges), 5)
        told.values[f"ideal_{name}"] = _rounded(_at(ideal, turns, one.own), 5)


def _at(course: Any, turns: Any, edges: Edges) -> Any:
    """Return a course at times from its rising edge, in periods."""
    import numpy as np

    steps = np.arange(len(course)) / len(course)
    return np.interp((turns + edges.rising.middle) % 1.0, steps, course, period=1.0)


def _rounded(values: Any, digits: int) -> list[float]:
    return [float(f"{value:.{digits}g}") for value in values.tolist()]


def _conditions(wave: SquareWave) -> dict[str, Any]:
    return {
        "frequency_hz": wave.frequency_hz,
        "level_setting": "the peak, the ringing of the series included, is that of a sine of the stated level",
        "smoothing": "Kaiser window over the band, of what is captured and of the ideal alike",
        "transition": "10 % to 90 % between the tops as they run, led on to the edge",
    }


MEASUREMENT = Measurement(
    word=WORD,
    summary="Square wave: rise time within the band, overshoot, ringing, tilt, and slewing by two levels",
    example='square-wave --output-level "1 W"',
    options=(
        Option(
            name="frequency_hz",
            kind="number",
            help="Of the square wave; a low one tells tilt, a high one more of the edges.",
            default=1000.0,
            at_least=10.0,
        ),
        *wave_stimulus_options(),
        LOOPBACK_OPTION,
    ),
    figures=(
        Figure(key="rise_time_us", unit="µs", words="rise time of a square wave, within the band"),
        Figure(key="fall_time_us", unit="µs", words="fall time of a square wave, within the band"),
        Figure(key="unit_rise_time_us", unit="µs", words="rise time of the unit alone"),
        Figure(key="overshoot_percent", unit="%", words="overshoot behind an edge"),
        Figure(key="ringing_hz", unit="Hz", words="frequency of the ringing behind an edge"),
        Figure(key="ringing_q", unit="", words="quality of the ringing behind an edge"),
        Figure(key="ringing_cycles", unit="", words="cycles until the ringing has fallen to a tenth"),
        Figure(key="tilt_percent", unit="%", words="fall of the tops of a square wave"),
        Figure(key="low_corner_hz", unit="Hz", words="low corner (−3 dB) that tilts the tops so"),
        Figure(key="rise_growth_percent", unit="%", words="growth of the rise time with level"),
        Figure(key="compression_db", unit="dB", words="compression of the square wave at the level"),
        Figure(key="slew_v_per_us", unit="V/µs", words="slew rate that was reached"),
        Figure(key="full_power_hz", unit="Hz", words="frequency of a full-power sine that this slope is enough for"),
        Figure(key="step_v", unit="V", words="step of the square wave, peak to peak"),
        Figure(key="quiet_rise_time_us", unit="µs", words="slower edge of the quiet square wave, within the band"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
    needs_stimulus=True,
)
