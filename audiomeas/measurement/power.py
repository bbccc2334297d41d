"""Power at a rated distortion over the band, from a low level up to the rated one, all channels driven."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import Part, of_limits, scaled
from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext, SearchContext
from audiomeas.measurement.bounded_series import too_few_frequencies
from audiomeas.measurement.budget import Told
from audiomeas.measurement.checks import made, rated_level, refuse_empty_band
from audiomeas.measurement.curves import row_curve
from audiomeas.measurement.distortion_steps import HUM_WORDS, NO_THD, read_steps, step_row
from audiomeas.measurement.offers import band_options
from audiomeas.measurement.power_search import (
    HELD,
    KNOWN_DB,
    WORD,
    PowerSearch,
    frequencies_of,
    joined,
    limit_of,
    read_part,
    step_options,
    steps_for,
)
from audiomeas.measurement.power_views import charts, tables
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.scale_parts import input_level_parts
from audiomeas.measurement.searched import FELL_DB
from audiomeas.units import Level, power_ratio_to_db

if TYPE_CHECKING:
    from audiomeas.measurement.attached import AttachedResult
    from audiomeas.measurement.base import Search
    from audiomeas.recording import Recording
    from audiomeas.stimulus import SteppedSines

#: 16 CFR Part 432 as amended in 2024: from 250 mW up (trade notes, 7.4).
_LOWEST = Level(0.25, "W")
#: A hold that is this much too short was rounded.
_HELD_WITHIN_S = 1e-6
#: Distortion is told from this harmonic on; and the usual rates of cards, in kHz.
_THIRD, _RATES_KHZ = 3.0, (48.0, 96.0, 192.0, 384.0)
#: The band of a power bandwidth ends where half of the rated power is left.
_HALF = 0.5
#: One tone has no band.
_FEWEST_OF_A_BAND = 2
_DISTORTION = "distortion_percent"
_LEFT_OUT = (HUM_WORDS, f": {NO_THD}")
_STEPS = "steps of the search"
_KEPT = ("power_w", "power_v_rms", "input_v_rms")
_LEAST = ("least_power_w", "least_power_v_rms", "least_input_v_rms")
_BEYOND = "the third harmonic can't be captured at this rate, so that no power is told at the rated distortion"


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> SteppedSines:
    """Return the steps at one level (for checks; a search makes its own). Raises ValueError."""
    steps = [(hz, context.input_level_v_rms) for hz in frequencies_of(options)]
    return steps_for(steps, context.sample_rate_hz, context.channels, options)


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    _rated(options)
    if options["frequencies_hz"] is not None and options["highest_hz"] is not None:
        raise RequestError("give frequencies_hz or highest_hz, not both: the list has its own highest")
    made(_stimulus, context, options)
    refuse_empty_band(context, options)


def _rated(options: Mapping[str, Any]) -> Level:
    rated = rated_level(options)
    if options["lowest_level"].unit != rated.unit:
        raise RequestError(
            f"rated_level and lowest_level have other units, {rated} and {options['lowest_level']}: give both in W, or "
            "both in V"
        )
    if not options["lowest_level"].value < rated.value:
        raise RequestError(f"lowest_level of {options['lowest_level']} must lie below rated_level, {rated}")
    return rated


def _search(context: SearchContext, options: Mapping[str, Any]) -> Search:
    return PowerSearch(context, options)


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    rated = _rated(options)
    read = read_steps(recording, step_options(recording, options), WORD)
    if rated.unit == "W" and not recording.conditions.get("load_ohm"):
        raise SignalError(f"{rated} need a load: enter a [[load]] in the bench file, or give the rated level in volts")
    channels = [
        _channel(channel, steps, input_level_parts(read.recording, column), rated, options)
        for column, (channel, steps) in enumerate(read.channels.items())
    ]
    compared, said = _compared(channels, options["other_load"])
    key, limit = limit_of(options)
    return result_of(
        read.recording,
        WORD,
        conditions={
            **read.conditions,
            "rated_level": str(rated),
            "lowest_level": str(options["lowest_level"]),
            "criterion": key,
            "rated_percent": limit,
            "held_s": options["hold_s"],
            "rated_held_s": recording.conditions.get(HELD) or None,
            "power_range_hz": _range_hz(channels),
            "other_load": None if options["other_load"] is None else _other_facts(options["other_load"]),
            "channels_level": "one input level for all: that at which the channel with the least gain gives the level",
        },
        channels=tuple(compared),
        # Hum is in the half-widths, and a third harmonic that is not captured has a note of its own.
        warnings=(
            *(line for line in read.warnings if not any(words in line for words in _LEFT_OUT)),
            *_hidden(channels, recording.sample_rate_hz),
            *_not_held(channels, recording.conditions.get(HELD) or {}, options["rated_hold_s"]),
            *_fallen(channels),
            *said,
        ),
    )


def _compared(channels: Sequence[ChannelResult], other: AttachedResult | None) -> tuple[list[ChannelResult], list[str]]:
    """Return the channels with their power over that of another result, at another load; and why there is none.

    Only powers that are limits of the unit are compared: where nothing louder was played, it may give more.
    """
    if other is None:
        return list(channels), []
    if other.result.measurement != WORD:
        raise RequestError(
            f"{other.name} is no result of power: give what `audiomeas measure power --json` has printed"
        )
    found, said = [], []
    for channel in channels:
        before = next((one for one in other.result.channels if one.channel == channel.channel), None)
        if before is None or not (_is_limit(channel) and _is_limit(before)):
            said.append(
                f"channel {channel.channel}: its power is not compared with {other.name}, as one of them is not the "
                "most that the unit gives: give a higher rated_level both times"
            )
            found.append(channel)
            continue
        found.append(_over(channel, before))
    return found, said


def _other_facts(other: AttachedResult) -> dict[str, Any]:
    return {"file": other.name, "sha256": other.sha256, "load_ohm": other.result.conditions.get("load_ohm")}


def _is_limit(channel: ChannelResult) -> bool:
    """Return whether the least power is the most that the unit gives there: more was played, and was too distorted."""
    rows = channel.values.get("power") or ()
    at_hz = channel.values.get("least_power_at_hz")
    return channel.values.get("least_power_w") is not None and any(
        row["frequency_hz"] == at_hz and row.get("more_played") for row in rows
    )


def _over(channel: ChannelResult, before: ChannelResult) -> ChannelResult:
    """Return a channel with its power over that of another result. What both carry of one meter cancels."""
    key, least = "power_over_other_db", "least_power_w"
    told = Told(dict(channel.values), dict(channel.uncertainty), dict(channel.bound))
    told.budget.update({name: tuple(parts) for name, parts in channel.budget.items()})
    now_w, then_w = channel.values[least], before.values[least]
    told.values[key] = power_ratio_to_db(now_w / then_w)
    if least in channel.budget and least in before.budget:
        per_w = DB_PER_NEPER / 2.0
        parts = (*scaled(channel.budget[least], per_w / now_w), *scaled(before.budget[least], -per_w / then_w))
        # Each lies up to so much below what the unit gives: halfway, and half of it to both sides.
        told.add(key, (*parts, *(of_limits(_STEPS, KNOWN_DB / 2.0) for _ in range(2))))
    return told.result(channel.channel)


def _range_hz(channels: Sequence[ChannelResult]) -> list[float] | None:
    """Return from where to where power was measured."""
    found = [row["frequency_hz"] for channel in channels for row in channel.values["power"]]
    return [min(found), max(found)] if found else None


def _hidden(channels: Sequence[ChannelResult], sample_rate_hz: float) -> list[str]:
    """Return what is said of frequencies at which no power is told, and the ways out."""
    noted = [(channel.channel, row) for channel in channels for row in channel.values["power"] if row["note"]]
    lines = [f"channel {number}, {hertz(row['frequency_hz'])}: {row['note']}" for number, row in noted]
    beyond = [row["frequency_hz"] for _, row in noted if row["note"] == _BEYOND]
    if not beyond:
        return lines
    needed_khz = 2e-3 * _THIRD * max(beyond)
    rate_khz = next((one for one in _RATES_KHZ if one > needed_khz), needed_khz)
    # Below the third, not at it: a harmonic at half the rate is not captured.
    told_hz = (math.ceil(sample_rate_hz / 2.0 / _THIRD / 1000.0) - 1) * 1000.0
    # Without room for a smaller band there is one way out.
    smaller = f", or state the power up to {hertz(told_hz)} only (highest_hz = {told_hz:g})" if told_hz else ""
    return [*lines, f"no power is told over the whole band: use a bench at {rate_khz:g} kHz{smaller}"]


def _not_held(channels: Sequence[ChannelResult], held_s: Mapping[str, float], asked_s: float) -> list[str]:
    """Return what is said where the rated level did not stand for as long as was asked."""
    frequencies = sorted({row["frequency_hz"] for channel in channels for row in channel.values["power"]})
    short = [hz for hz in frequencies if held_s.get(str(hz), 0.0) < asked_s - _HELD_WITHIN_S]
    if not short:
        return []
    where = ", ".join(hertz(hz) for hz in short)
    return [
        f"the rated level was not held for {asked_s:g} s at {where}: it had too much distortion before, or the search "
        "ended early"
    ]


def _fallen(channels: Sequence[ChannelResult]) -> list[str]:
    """Return what is said where a unit gave far less than before at the same frequency, or nothing in the end."""
    return [
        f"channel {channel.channel}: {fell} at {hertz(hz)}, and nothing more was played: protection may have opened, a "
        "fuse have blown or a limiter work; let it rest, check the load"
        for channel in channels
        for hz, fell in _falls(channel.values["steps"])
    ]


def _falls(steps: Sequence[Mapping[str, Any]]) -> Iterator[tuple[float, str]]:
    """Yield the frequencies at which a channel fell, and how."""
    best_db: dict[float, float] = {}
    for row in steps:
        hz, gain_db = row["frequency_hz"], row["gain_db"]
        if gain_db is None:
            if hz in best_db and row is steps[-1]:
                yield hz, "nothing of it was to be read any more"
            continue
        best_db[hz] = max(gain_db, best_db.get(hz, gain_db))
        fell_db = best_db[hz] - gain_db
        if fell_db > FELL_DB:
            yield hz, f"its gain fell by {fell_db:.1f} dB"


def _channel(
    channel: int, steps: Sequence[Told], played: tuple[Part, ...] | None, rated: Level, options: Mapping[str, Any]
) -> ChannelResult:
    """Tell one channel. played : relative parts of the level at its input; None: not claimed."""
    frequencies = sorted({float(step.values["frequency_hz"]) for step in steps})
    rows = [_at(hz, [step for step in steps if step.values["frequency_hz"] == hz], options) for hz in frequencies]
    for row in rows:
        if played is not None and row.values["input_v_rms"] is not None:
            row.add("input_v_rms", played, row.values["input_v_rms"])
    told = Told({"steps": [step_row(step) for step in steps], "power": [step_row(row) for row in rows]})
    _tell_least(told, rows)
    _tell_distortion(told, rows)
    _tell_band(told, rows, rated)
    return told.result(channel)


def _at(frequency_hz: float, steps: Sequence[Told], options: Mapping[str, Any]) -> Told:
    """Tell what a channel gives at one frequency with no more than the rated distortion, and its largest distortion."""
    key, limit = limit_of(options)
    told = Told(dict.fromkeys((*_KEPT, _DISTORTION, "distortion_at_w", "note")))
    told.values["frequency_hz"] = frequency_hz
    read = [step for step in steps if step.values["level_v_rms"] is not None and step.values[key] is not None]
    hidden = any(step.values["level_v_rms"] is not None and step.values["thd_percent"] is None for step in steps)
    if not read:
        noted = next((step.values["note"] for step in steps if step.values["note"]), None)
        told.values["note"] = _BEYOND if hidden and options["harmonic_limit_hz"] is None else noted
        return told
    worst = max(read, key=lambda step: step.values[key])
    told.copy(_DISTORTION, worst, key)
    told.values["distortion_at_w"] = worst.values["level_w"]
    if hidden:
        told.values["note"] = _BEYOND
        told.at_most(_DISTORTION, word="at least")
        return told
    above = [step for step in read if step.values[key] > limit and step.bound.get(key) != "at most"]
    least_above_v = min((_level_v(step) for step in above), default=math.inf)
    # Above a level with too much distortion nothing counts as kept, were there less again further up.
    kept = max((step for step in read if _level_v(step) < least_above_v), key=_level_v, default=None)
    if kept is not None:
        for own, of in (("power_w", "level_w"), ("power_v_rms", "level_v_rms")):
            told.copy(own, kept, of)
        told.values.update(input_v_rms=kept.values["input_v_rms"], more_played=bool(above))
    return told


def _level_v(step: Told) -> float:
    return float(step.values["level_v_rms"])


def _tell_least(told: Told, rows: Sequence[Told]) -> None:
    """Tell the least power kept of all frequencies: what was given, so that a limit can hold it."""
    told.values.update(dict.fromkeys((*_LEAST, "least_power_at_hz")))
    if not rows or any(row.values["power_v_rms"] is None for row in rows):
        return
    least = min(rows, key=lambda row: float(row.values["power_v_rms"]))
    for key, of in (("least_power_w", "power_w"), ("least_power_v_rms", "power_v_rms")):
        told.copy(key, least, of)
    told.values["least_power_at_hz"] = least.values["frequency_hz"]
    if all(row.values["input_v_rms"] is not None for row in rows):
        told.copy("least_input_v_rms", min(rows, key=lambda row: float(row.values["input_v_rms"])), "input_v_rms")


def _tell_distortion(told: Told, rows: Sequence[Told]) -> None:
    """Tell the largest distortion of all steps; 'at least' where any frequency hides some of it."""
    known = [row for row in rows if row.values[_DISTORTION] is not None]
    worst = max(known, key=lambda row: float(row.values[_DISTORTION]), default=None)
    told.values["largest_distortion_percent"] = None
    told.values["largest_distortion_at_hz"] = None if worst is None else worst.values["frequency_hz"]
    if worst is None:
        return
    told.copy("largest_distortion_percent", worst, _DISTORTION)
    if len(known) < len(rows) or any(row.bound.get(_DISTORTION) == "at least" for row in known):
        told.at_most("largest_distortion_percent", word="at least")


def _tell_band(told: Told, rows: Sequence[Told], rated: Level) -> None:
    """Tell from where to where, without a gap around 1 kHz, half of the rated power is given."""
    unit, share = ("power_w", _HALF) if rated.unit == "W" else ("power_v_rms", math.sqrt(_HALF))
    told.values.update(power_band_low_hz=None, power_band_high_hz=None)
    gives = [row.values[unit] is not None and row.values[unit] >= share * rated.value for row in rows]
    if len(rows) < _FEWEST_OF_A_BAND:
        return
    middle = min(range(len(rows)), key=lambda place: abs(math.log(rows[place].values["frequency_hz"] / 1000.0)))
    if not gives[middle]:
        return
    low = high = middle
    while low > 0 and gives[low - 1]:
        low -= 1
    while high < len(rows) - 1 and gives[high + 1]:
        high += 1
    told.values["power_band_low_hz"] = rows[low].values["frequency_hz"]
    told.values["power_band_high_hz"] = rows[high].values["frequency_hz"]
    # The frequencies are steps: the band reaches at least so far.
    told.bound.update(power_band_low_hz="at most", power_band_high_hz="at least")


MEASUREMENT = Measurement(
    word=WORD,
    summary="Power at the rated distortion against frequency, from a low level to the rated one, all channels driven",
    example="power --rated-level '60 W' --rated-percent 0.1",
    options=(
        Option(
            name="rated_level",
            kind="level",
            help="What the maker states for each channel, such as '60 W'; nothing louder is played than its half-width "
            "asks for.",
            stage="analyse",
        ),
        Option(
            name="rated_percent",
            kind="number",
            help="Distortion at which it is stated.",
            default=1.0,
            stage="analyse",
            at_least=0.001,
            at_most=30.0,
        ),
        Option(
            name="criterion",
            kind="choice",
            help="Which distortion counts: with noise, or harmonics alone.",
            default="thd-n",
            choices=("thd-n", "thd"),
            stage="analyse",
        ),
        Option(
            name="frequencies_hz",
            kind="numbers",
            help="Frequencies at which it is measured; without it, 20, 50, 1000, 5000, 10000 and 20000 Hz.",
            above=0.0,
        ),
        Option(
            name="highest_hz",
            kind="number",
            help="Highest of the usual frequencies, where the band that is stated ends below 20 kHz; results say so.",
            above=20.0,
            at_most=20_000.0,
        ),
        Option(
            name="lowest_level",
            kind="level",
            help="From here up to the rated level distortion is looked at, in steps of about 6 dB.",
            default=_LOWEST,
            stage="analyse",
        ),
        Option(
            name="hold_s",
            kind="number",
            help="How long each level stands before it is measured, in seconds.",
            default=0.5,
            at_least=0.02,
            at_most=30.0,
        ),
        Option(
            name="rated_hold_s",
            kind="number",
            help="How long the rated level is held at each frequency before it counts (16 CFR Part 432: 300 s), in "
            "parts of 30 s; then the levels below it are looked at again.",
            default=0.0,
            stage="analyse",
            at_least=0.0,
            at_most=600.0,
        ),
        Option(
            name="window_s",
            kind="number",
            help="Length of what is analysed of a step; low tones take 20 periods.",
            default=0.3,
            at_least=0.05,
            at_most=10.0,
        ),
        *band_options(
            low_help="Low edge of the band of THD+N.",
            high_help="High edge of the band of THD+N; without it, half the sample rate.",
            high_hz=None,
        ),
        Option(
            name="harmonic_limit_hz",
            kind="number",
            help="Highest harmonic frequency counted in THD; without it, all that the sample rate can hold.",
            stage="analyse",
            above=0.0,
        ),
        Option(
            name="other_load",
            kind="result",
            help="The JSON of this measurement at another load: the change of power is told.",
            stage="analyse",
        ),
    ),
    figures=(
        Figure(
            key="least_power_w", unit="W", words="power at the rated distortion, at the frequency where it is least"
        ),
        Figure(
            key="least_power_v_rms",
            unit="V",
            words="voltage at the rated distortion, at the frequency where it is least",
        ),
        Figure(
            key="least_input_v_rms", unit="V", words="input at the rated distortion, at the frequency where it is least"
        ),
        Figure(key="power_over_other_db", unit="dB", words="change of power from the other load"),
        Figure(key="largest_distortion_percent", unit="%", words="largest distortion up to the rated power"),
        Figure(key="power_band_low_hz", unit="Hz", words="low end of the power bandwidth"),
        Figure(key="power_band_high_hz", unit="Hz", words="high end of the power bandwidth"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    no_chart=too_few_frequencies,
    check=_check,
    curves=(row_curve(_DISTORTION, unit="%", words="largest distortion up to the rated power", rows="power"),),
    search=_search,
    join=joined,
    part=read_part,
    needs_stimulus=True,
)
