"""Clipping: where a unit's distortion leaves its plateau, and at which level it has given percentages."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement import clipping_words as words
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext, SearchContext
from audiomeas.measurement.checks import made, refuse_empty_band
from audiomeas.measurement.clipping_bursts import (
    ALONE,
    BOTH,
    LOST,
    BurstSearch,
    burst_of,
    facts_from,
    highest_percent,
    is_low,
    joined,
    least_low_hz,
    percentages,
)
from audiomeas.measurement.clipping_values import Teller, empty, percent_name
from audiomeas.measurement.clipping_views import charts, tables
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.tone_values import BAND_OPTIONS, definitions, uncertainty_covers

if TYPE_CHECKING:
    from audiomeas.measurement.base import Search
    from audiomeas.measurement.clipping_read import Played, Read, Stop
    from audiomeas.recording import Recording
    from audiomeas.stimulus import BurstSeries

_AT_ONSET, _AT_RATED = "where distortion begins to rise", "at the rated distortion"
#: Harmonics that a capture must hold: what clips alike on both halves makes odd ones only.
_LEAST_ORDER = 3


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> BurstSeries:
    """Return one burst as the search plays them (for checks; a search makes its own). Raises ValueError."""
    from audiomeas.stimulus import BurstSeries
    from audiomeas.stimulus.base import checked_tone

    checked_tone(options["frequency_hz"], context.input_level_v_rms, context.sample_rate_hz)
    frequency_hz, burst_s = burst_of(options, context.sample_rate_hz)
    return BurstSeries.falling(
        frequency_hz=frequency_hz,
        level_v_rms=context.input_level_v_rms,
        falls_db=(0.0,),
        duration_s=burst_s,
        sample_rate_hz=context.sample_rate_hz,
        driven_channels=context.channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    from audiomeas.analysis.clipping_burst import least_burst_s
    from audiomeas.stimulus.bursts import LONGEST_BURST_S, RAMP_S

    series = made(_stimulus, context, options)
    refuse_empty_band(context, options)
    highest_hz = context.sample_rate_hz / 2.0
    if _LEAST_ORDER * series.frequency_hz >= highest_hz:
        raise RequestError(
            f"frequency_hz: harmonic {_LEAST_ORDER} of {series.frequency_hz:g} Hz lies beyond {highest_hz:g} Hz, half "
            f"the sample rate: use less than {highest_hz / _LEAST_ORDER:.0f} Hz, or a higher sample rate"
        )
    if is_low(series.frequency_hz):
        if series.frequency_hz < least_low_hz():
            raise RequestError(
                f"frequency_hz: the {LONGEST_BURST_S:g} s that a unit may be driven far above its clipping hold too "
                f"little of {series.frequency_hz:g} Hz: use {least_low_hz():.3g} Hz or more"
            )
        return
    least_s = least_burst_s(series.frequency_hz) + RAMP_S
    if least_s > options["burst_s"] + 1e-9:
        raise RequestError(
            f"a burst of {options['burst_s']:g} s is too short for {series.frequency_hz:g} Hz, which needs "
            f"{least_s:.3g} s: use a higher frequency_hz, or longer bursts (burst_s)"
        )


def _search(context: SearchContext, options: Mapping[str, Any]) -> Search:
    return BurstSearch(context, options)


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    from audiomeas.measurement import clipping_read as reading

    recording = reading.placed(recording)
    played = None if recording.stimulus is None else reading.played_bursts(recording, options)
    stop = None if played is None else reading.stop_of(played)
    early = _stop_words(recording, stop)
    said = list(early)
    channels: list[ChannelResult] = []
    problems = []
    for column, channel in enumerate(recording.channels):
        if played is not None and not any(one.get(channel) for one in played.levels):
            said.append(f"channel {channel} was not driven: no clipping is told")
            channels.append(_nothing(channel, options))
            continue
        try:
            read = _read(recording, column, played, stop, options)
        except SignalError as error:
            problems.append(f"channel {channel}: {error}")
            channels.append(_nothing(channel, options))
            continue
        teller = Teller(recording, column, read, options["rated_percent"])
        channels.append(_told(recording, column, read, teller))
        notes = [*teller.notes, *_notes(recording, column, read, channels[-1], early=bool(early))]
        said += [f"channel {channel}: {line}" for line in notes]
    if problems and not any(channel.values["curve"] for channel in channels):
        raise SignalError(problems[0])
    key = "at_rated" if options["rated_percent"] else f"at_{percent_name(highest_percent(options))}"
    found = [channel for channel in channels if channel.values["curve"]]
    limiter = words.bulb(found, options["rated_level"], key)
    result = result_of(
        recording,
        "clipping",
        conditions=_conditions(recording, played, found, options),
        channels=tuple(channels),
        warnings=(*said, *problems, *_no_load(recording), *([limiter] if limiter else [])),
    )
    compared = words.ranges_compared(result, options["other_range"], key)
    return dataclasses.replace(result, warnings=(*result.warnings, *compared))


def _nothing(channel: int, options: Mapping[str, Any]) -> ChannelResult:
    return ChannelResult(channel=channel, values=empty(percentages(options), options["rated_percent"]))


def _read(
    recording: Recording, column: int, played: Played | None, stop: Stop | None, options: Mapping[str, Any]
) -> Read:
    from audiomeas.measurement import clipping_read as reading

    if played is not None:
        until = None if stop is None else stop.burst
        return reading.channel_of_bursts(recording, column, played, options, until=until)
    return reading.channel_of_envelope(recording, column, options)


def _stop_words(recording: Recording, stop: Stop | None) -> list[str]:
    """Return why a search ended early. Raises SignalError for a unit that is dead or oscillates: nothing is told."""
    from audiomeas.analysis.clipping_signs import Ending

    said = []
    if stop is not None:
        said.append(f"channel {stop.channel} {stop.sign.sentence}")
        if stop.sign.ending in (Ending.DEAD, Ending.OSCILLATION):
            raise SignalError(said[0])
    if recording.conditions.get(LOST) is not None:
        said.append(
            "the search ended early, as nothing came back of its last burst: protection may have opened, or a fuse "
            "have blown; let it rest, check the load"
        )
    return said


def _told(recording: Recording, column: int, read: Read, teller: Teller) -> ChannelResult:
    from audiomeas.measurement.clipping_read import recovery_of

    told = teller.tell()
    recovery = recovery_of(recording, column, read)
    if recovery is not None:
        told.values["recovery_s"] = recovery.recovery_s
        if recovery.at_most or recovery.at_least:
            told.at_most("recovery_s", word="at most" if recovery.at_most else words.AT_LEAST)
        else:
            told.uncertainty["recovery_s"] = recovery.resolution_s
    return told.result(recording.channels[column])


def _notes(recording: Recording, column: int, read: Read, told: ChannelResult, *, early: bool) -> list[str]:
    """Return what is said of one channel. early : the search had to stop."""
    own = (
        read.left_out,
        words.near_full_scale(recording, column, read.loudest),
        None if early else words.at_ceiling(recording, told),
    )
    return [*read.clipping.notes, *(line for line in own if line is not None)]


def _no_load(recording: Recording) -> Sequence[str]:
    if recording.conditions.get("load_ohm") or not recording.calibrated:
        return ()
    return ("no load is entered, so clipping is told in volts, not in watts: enter a [[load]] in the bench file",)


def _conditions(
    recording: Recording, played: Played | None, found: Sequence[ChannelResult], options: Mapping[str, Any]
) -> dict[str, Any]:
    limit = {"onset": "THD without noise twice its minimum over level", "level_of": "fundamental and harmonics"}
    conditions = {
        **definitions(options, recording.sample_rate_hz),
        **limit,
        "thd": "noise removed",
        "percentages": list(percentages(options)),
        "rated_percent": options["rated_percent"],
        "rated_level": None if options["rated_level"] is None else str(options["rated_level"]),
        "uncertainty_covers": uncertainty_covers(recording),
    }
    if played is None:
        return {**conditions, "method": "a level found by its envelope", "input_level_v_rms": None}
    durations_s = getattr(recording.stimulus, "durations_s", None)
    return {
        **conditions,
        "method": "bursts at levels that the search chose" if facts_from(recording.conditions) else "bursts or steps",
        "frequency_hz": played.frequency_hz,
        "bursts": len(played.levels),
        "burst_s": None if durations_s is None else max(durations_s),
        "driving": "each channel alone, then all" if any(one.values["alone"] for one in found) else "all together",
        "input_level_v_rms": max(max(one.values()) for one in played.levels) if played.in_volts else None,
    }


def _level_figures(name: str, what: str) -> tuple[Figure, ...]:
    return (
        Figure(key=f"{name}_w", unit="W", words=f"power {what}"),
        Figure(key=f"{name}_v_rms", unit="V", words=f"output voltage {what}"),
    )


def _input_figure(name: str, what: str) -> Figure:
    return Figure(key=f"{name}_input_v_rms", unit="V", words=f"input voltage {what}")


MEASUREMENT = Measurement(
    word="clipping",
    summary="Where a unit clips: onset, watts at given distortion, which half first, sag, recovery; by short bursts",
    example="clipping --rated-level '60 W' --rated-percent 0.1",
    options=(
        Option(
            name="frequency_hz",
            kind="number",
            help="Frequency of the bursts; the nearest with whole periods in a burst is played.",
            default=1000.0,
            above=0.0,
        ),
        Option(
            name="highest_percent",
            kind="number",
            help="Distortion up to which levels are told and the search goes: no burst goes far beyond.",
            default=1.0,
            stage="analyse",
            at_least=0.01,
            at_most=10.0,
        ),
        Option(
            name="rated_percent",
            kind="number",
            help="The distortion at which the maker rates the power: its level is told too.",
            stage="analyse",
            at_least=0.01,
            at_most=10.0,
        ),
        Option(
            name="rated_level",
            kind="level",
            help="What the maker rates, such as '60 W': a unit that stays far below it is looked at for a cause.",
            stage="analyse",
        ),
        Option(
            name="driving",
            kind="choice",
            help="both: all channels at once; alone: first each channel alone, so that sag is told.",
            default=BOTH,
            choices=(BOTH, ALONE),
        ),
        Option(
            name="highest_level",
            kind="level",
            help="The search stays below this level at the unit's output, such as '80 W'; without it, below the "
            "bench's ceilings.",
        ),
        Option(
            name="burst_s",
            kind="number",
            help="Length of a burst; a supply that sags clips earlier the longer it is. Low tones get 12 periods.",
            default=0.1,
            at_least=0.02,
            at_most=0.1,
        ),
        *BAND_OPTIONS,
        Option(
            name="other_range",
            kind="result",
            help="The JSON of this measurement on another attenuator range: tells whether the card clips.",
            stage="analyse",
        ),
    ),
    figures=(
        *_level_figures("onset", _AT_ONSET),
        _input_figure("onset", _AT_ONSET),
        *_level_figures("at_rated", _AT_RATED),
        _input_figure("at_rated", _AT_RATED),
        *(
            figure
            for percent in (0.1, 1.0, 3.0, 10.0)
            for figure in _level_figures(f"at_{percent_name(percent)}", f"at {percent:g} % distortion")
        ),
        Figure(key="minimum_thd_percent", unit="%", words="least distortion over level"),
        Figure(key="asymmetry_db", unit="dB", words="how much earlier one half of the wave clips"),
        Figure(key="sag_db", unit="dB", words="change of level by driving all channels instead of one"),
        Figure(key="compression_db", unit="dB", words="change of gain at the highest distortion"),
        Figure(key="recovery_s", unit="s", words="time until all is as before after clipping"),
        Figure(key="gain_db", unit="dB", words="gain"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
    search=_search,
    join=joined,
)
