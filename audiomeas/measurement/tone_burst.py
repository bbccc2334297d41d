"""A tone burst: whether its level holds from beginning to end, what is left behind it, and what its level adds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import Part
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
from audiomeas.measurement.tone_burst_views import charts, tables

if TYPE_CHECKING:
    from audiomeas.analysis.burst import Burst
    from audiomeas.measurement.result import Result
    from audiomeas.recording import Recording
    from audiomeas.stimulus.periodic import ToneBurst

WORD = "tone-burst"
#: No part of a level is stated closer than this: the capture's place is known to a step of its course.
_LEAST = 5e-4
_KEYS = (
    "level_v_rms", "first_period_db", "fall_db", "quiet_fall_db", "tail_db", "settling_ms", "dc_shift_percent",
    "added_by_level_db",
)  # fmt: skip
_LISTS = ("periods_ms", "levels_db")


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> ToneBurst:
    from audiomeas.stimulus.periodic import ToneBurst

    return ToneBurst.of_tone(
        tone_hz=options["frequency_hz"],
        tone_periods=options["tone_periods"],
        rest_periods=options["rest_periods"],
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
    from audiomeas.stimulus.periodic import ToneBurst

    return result_of_wave(
        recording,
        options,
        word=WORD,
        kind=ToneBurst,
        keys=_KEYS,
        lists=_LISTS,
        conditions=_conditions,
        tell=_tell,
    )


def _analysed(recording: Recording, column: int, wave: ToneBurst, factors: Any) -> Burst:
    from audiomeas.analysis.burst import analyze_burst
    from audiomeas.stimulus.periodic import PARTS

    quiet, loud = window_samples(recording, wave, column)
    return analyze_burst(
        quiet,
        loud,
        played=played_lines(wave),
        tone_periods=wave.tone_periods,
        rest_periods=wave.rest_periods,
        quiet_ratio=wave.quiet_ratio,
        parts=PARTS,
        periods=wave.periods // PARTS,
        correction=factors,
    )


def _tell(told: Told, recording: Recording, column: int, wave: ToneBurst, factors: Any) -> list[str]:
    """Enter a channel's figures; nothing is to be said of them."""
    from audiomeas.units import amplitude_ratio_to_db

    one = _analysed(recording, column, wave, factors)
    values, wide = told.values, one.half_width
    if recording.scale_v(column) is not None:
        values["level_v_rms"] = one.level / math.sqrt(2.0)
        scale = scale_parts(recording, column)
        if scale is not None:
            told.add("level_v_rms", (*scale, *own_parts(wide["level"] / one.level)), values["level_v_rms"])
    for key, name, level in (
        ("first_period_db", "first", one.first),
        ("fall_db", "fall", 1.0 - one.fall),
        ("quiet_fall_db", "quiet_fall", 1.0 - one.quiet_fall),
    ):
        sign = 1.0 if name == "first" else -1.0
        values[key] = sign * amplitude_ratio_to_db(level)
        told.add(key, own_parts(wide[name] / level, _LEAST), DB_PER_NEPER)
    _tell_ratio(told, "tail_db", one.tail, wide["tail"], 2.0 * one.own_tail + _LEAST)
    _tell_ratio(told, "added_by_level_db", one.added, wide["added"], _LEAST)
    values["dc_shift_percent"] = 100.0 * one.shift
    told.add("dc_shift_percent", (Part(NOISE_AND_FIT, wide["shift"]), Part(METHOD, _LEAST)), 100.0)
    if one.settled_periods is not None:
        values["settling_ms"] = 1e3 * one.settled_periods / wave.tone_hz
        told.add("settling_ms", (Part(METHOD, 1e3 / wave.tone_hz),))
    values["periods_ms"] = [round(1e3 * (n + 0.5) / wave.tone_hz, 6) for n in range(len(one.levels))]
    values["levels_db"] = [
        round(amplitude_ratio_to_db(max(float(level), 1e-12 * one.level) / one.level), 4) for level in one.levels
    ]
    return []


def _tell_ratio(told: Told, key: str, ratio: float, noise: float, limit: float) -> None:
    """Enter a ratio in dB; as a bound where it can't be told from noise, or from what was played."""
    from audiomeas.units import amplitude_ratio_to_db

    least = max(2.0 * noise, limit)
    told.values[key] = amplitude_ratio_to_db(max(ratio, least))
    told.add(key, (Part(NOISE_AND_FIT, noise / max(ratio, least)), Part(METHOD, _LEAST)), DB_PER_NEPER)
    if ratio < least:
        told.at_most(key)


def _conditions(wave: ToneBurst) -> dict[str, Any]:
    return {
        "frequency_hz": wave.tone_hz,
        "tone_periods": wave.tone_periods,
        "rest_periods": wave.rest_periods,
        "level_setting": "the peak of the burst is that of a sine of the stated level",
        "level_of": "the tone in the burst, from its second period on",
    }


MEASUREMENT = Measurement(
    word=WORD,
    summary="Tone burst: whether its level holds, what is left behind it, and what its level alone adds",
    example='tone-burst --output-level "10 W"',
    options=(
        Option(name="frequency_hz", kind="number", help="Of the tone.", default=1000.0, at_least=20.0),
        Option(name="tone_periods", kind="integer", help="Periods in a burst.", default=10, at_least=6, at_most=1000),
        Option(
            name="rest_periods",
            kind="integer",
            help="Periods left out behind it (27: no multiple of the mains repeats with it).",
            default=27,
            at_least=2,
            at_most=1000,
        ),
        *wave_stimulus_options(),
        LOOPBACK_OPTION,
    ),
    figures=(
        Figure(key="fall_db", unit="dB", words="fall of the level from the beginning of a burst to its end"),
        Figure(key="first_period_db", unit="dB", words="level of the first period of a burst"),
        Figure(key="quiet_fall_db", unit="dB", words="fall of the level during a quiet burst"),
        Figure(key="tail_db", unit="dB", words="what is left behind a burst, in its first period of rest"),
        Figure(key="settling_ms", unit="ms", words="time until 1 % of a burst is left"),
        Figure(key="dc_shift_percent", unit="%", words="shift of DC that the level adds during a burst"),
        Figure(key="added_by_level_db", unit="dB", words="what the level alone adds to a burst"),
        Figure(key="level_v_rms", unit="V", words="level of the tone in the burst"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
    needs_stimulus=True,
)
