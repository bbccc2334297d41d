"""Measurement word 'tuner': the audio side of an FM tuner before which somebody sets a stereo generator."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError
from audiomeas.measurement import tuner_values
from audiomeas.measurement.base import Measurement, Option, PlayContext, figures_of
from audiomeas.measurement.bench_own import own_words
from audiomeas.measurement.listened import length_option, silence
from audiomeas.measurement.nominal_speed import wrong_rate_words
from audiomeas.measurement.played_bands import found_bands
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.steady import over_range_words
from audiomeas.measurement.trade_limits import (
    DETECTOR_PERCENT,
    DETECTOR_RATIO,
    LOW_SEPARATION_DB,
    MONO_DB,
    WAYS_DIFFER_DB,
)
from audiomeas.measurement.tuner_read import AUDIO_HZ, HARMONICS_HZ, Read, read_state
from audiomeas.measurement.tuner_states import (
    CONVENTIONS,
    DEFAULT_STATES,
    FULL_KHZ,
    LEFT,
    MONO,
    PRE_EMPHASES,
    RIGHT,
    Heard,
    State,
    laid_over,
    parse_states,
    parts_of,
    settings,
)
from audiomeas.measurement.tuner_values import DE_EMPHASES, REFERENCE_HZ, States
from audiomeas.measurement.tuner_views import CURVES, QUANTITIES, charts, tables

if TYPE_CHECKING:
    from audiomeas.recording import Recording

#: A time constant that is another one (trade notes, failure 37).
_OTHER_TIME = 0.2
#: Of a pure second (third) harmonic distortion rises with the first (second) power of modulation: so much of that shows
#: it, where it is less than the trade notes' factor.
_OF_ITS_LAW = 0.75
_CAUSES = {2: "tuning or alignment off the detector's centre", 3: "too narrow a detector or filter"}
#: Less separation is a blend rather than a decoder out of adjustment.
_BLENDED_DB = 10.0
#: A level that is so far from what the modulation asks for was made with another one.
_OTHER_LEVEL_DB = 2.0
#: Without any de-emphasis so much more stands at the top than it ought to.
_NO_DE_EMPHASIS_DB = 6.0
#: Audio and pilot together may reach so much of 75 kHz: the pilot on top has 1.09.
_MOST = 1.2
#: De-emphasis of 75 µs lowers 15 kHz by 16 dB, and 20 % of modulation by another 14: those are tones, too.
_QUIET_DB = 38.0
#: Where the trade compares separation.
_EXAMPLE_HZ = 10_000.0


def _check(_: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for a list of states that is none."""
    parse_states(options["states"])


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    wanted = parse_states(options["states"])
    bands, known = found_bands(recording, quiet_db=_QUIET_DB)
    parts = parts_of(bands, recording.frames, recording.sample_rate_hz)
    found, unused = laid_over(wanted, parts)
    if not any(part is not None and part.band is not None for part in found):
        heard = ", ".join(_heard_words(part, recording) for part in parts if part.band is not None)
        raise SignalError(
            f"no tone of the states was heard ({heard or 'no steady tone at all'}): set the generator to each of "
            f"'{options['states']}' in turn, five seconds or more each, while it is captured"
            f"{_like_a_rate(wanted, parts)}"
        )
    reads = [
        None if part is None else read_state(known, state, part) for state, part in zip(wanted, found, strict=True)
    ]
    states = tuner_values.sorted_out([read for read in reads if read is not None])
    lost = [over_range_words(known, column, number) for column, number in enumerate(known.channels)]
    channels = tuple(
        tuner_values.ChannelFigures(states, known, column, options).result()
        if lost[column] is None
        else ChannelResult(channel=number, values=tuner_values.unknown(number, states))
        for column, number in enumerate(known.channels)
    )
    missing = [state.words for state, read in zip(wanted, reads, strict=True) if read is None]
    return result_of(
        known,
        "tuner",
        conditions=_conditions(known, options, reads),
        channels=channels,
        warnings=(
            *(line for line in lost if line is not None),
            *_said_of_list(recording, missing, unused),
            *_said_of_pre_emphasis(wanted, options),
            *_said_of_states(states),
            *(_said_of_one_channel(known, states) or _said_of_programme(known, states, options)),
            *_said_of_figures(channels, states, options),
        ),
    )


# -- what is said ------------------------------------------------------------------------------------------------


def _heard_words(part: Heard, recording: Recording) -> str:
    assert part.band is not None
    side = "both" if part.band.alone is None else f"channel {recording.channels[part.band.alone]}"
    return f"{_hz(part.band.frequency_hz)} on {side} at {part.start / recording.sample_rate_hz:.1f} s"


def _hz(frequency_hz: float) -> str:
    return f"{float(f'{frequency_hz:.4g}'):g} Hz"


def _like_a_rate(wanted: Sequence[State], parts: Sequence[Heard]) -> str:
    """Say by which wrong rate of the file what was heard may be what was wanted; '' where by none."""
    ratios = [
        part.band.frequency_hz / state.frequency_hz
        for part in parts
        if part.band
        for state in wanted
        if state.frequency_hz
    ]
    words = next((words for ratio in ratios if (words := wrong_rate_words(ratio)) is not None), None)
    return "" if words is None else f"; what was heard is consistent with {words}, check that first"


def _said_of_list(recording: Recording, missing: Sequence[str], unused: Sequence[Heard]) -> list[str]:
    said = []
    if missing:
        said.append(
            f"states are missing: {', '.join(missing)}; what they tell is not known. Were they set in this order, five "
            "seconds or more each, and with this tone?"
        )
    if unused:
        said.append(
            f"tones that belong to no state are left out: {', '.join(_heard_words(part, recording) for part in unused)}"
        )
    return said


def _said_of_pre_emphasis(wanted: Sequence[State], options: Mapping[str, Any]) -> list[str]:
    """Return what is said of tones that pre-emphasis lifts beyond what a channel holds."""
    rows = settings(wanted, options)
    over = [f"{row['state']} ({row['all_khz']:.0f} kHz)" for row in rows if row["all_khz"] > _MOST * FULL_KHZ]
    if not over:
        return []
    return [
        f"pre-emphasis of {options['pre_emphasis']} µs lifts {', '.join(over)} beyond {FULL_KHZ:g} kHz: the tuner is "
        "overloaded there; lower the modulation of these states, such as to 20 %"
    ]


def _said_of_states(states: States) -> list[str]:
    lines = [f"{read.state.words}: {line}" for read in states.all for line in read.words]
    return list(dict.fromkeys(lines))


def _said_of_one_channel(recording: Recording, states: States) -> list[str]:
    """Return what is said where mono plays on one channel alone: nothing else can be told of the sides then."""
    sides = {read.alone for read in states.all if read.state.kind == MONO and read.alone is not None}
    if len(sides) != 1:
        return []
    playing, silent = recording.channels[side := sides.pop()], recording.channels[1 - side]
    return [f"mono plays on channel {playing} alone: is the lead of channel {silent} out, or its output dead?"]


def _said_of_programme(recording: Recording, states: States, options: Mapping[str, Any]) -> list[str]:
    return [*_said_of_levels(states, options), *_said_of_sides(recording, states)]


def _said_of_levels(states: States, options: Mapping[str, Any]) -> list[str]:
    """Return what is said of levels that do not fit the modulation: another order, another convention, no stereo."""
    convention, pilot = CONVENTIONS[options["convention"]], options["pilot_percent"]
    tones = [read for read in states.all if read.coupling is not None]
    said = []
    for frequency_hz in dict.fromkeys(read.state.frequency_hz for read in tones):
        alike = [read for read in tones if read.state.frequency_hz == frequency_hz]
        first = next((read for read in alike if read.state.kind == MONO), None)
        if first is None:
            continue
        for read in alike:
            if read is first or (read.state.stereo and _blended(read)):
                continue
            ratio = convention.audio_khz(read.state, pilot) / convention.audio_khz(first.state, pilot)
            off_db = _level_db(read) - _level_db(first) - 20.0 * math.log10(ratio)
            if abs(off_db) > _OTHER_LEVEL_DB:
                said.append(
                    f"'{read.state.words}' is {off_db:+.1f} dB from what it ought to be re '{first.state.words}'"
                )
    if not said:
        return []
    return [f"{'; '.join(said)}: was the deviation set in this order, and by this convention ({convention.words})?"]


def _blended(read: Read) -> bool:
    """Return whether so little separates the channels that the level says nothing of the deviation."""
    return read.coupling is None or abs(read.coupling.transfer) > 10.0 ** (-_BLENDED_DB / 20.0)


def _level_db(read: Read) -> float:
    assert read.coupling is not None
    return 20.0 * math.log10(read.coupling.level_rms)


def _said_of_sides(recording: Recording, states: States) -> list[str]:
    """Return what is said of mono where stereo was sent, of swapped channels and of polarity."""
    sides = {LEFT: 0, RIGHT: 1}
    sent = [read for read in states.all if read.state.kind in sides and read.coupling is not None]
    said = []
    mono = [read.state.words for read in sent if read.alone is None]
    if mono:
        said.append(
            f"no stereo at {', '.join(mono)}: the channels differ by less than {MONO_DB:g} dB; consistent with a mono "
            "switch, a blend, muting, or a decoder that does not lock: check those, and the generator's pilot (8 to "
            "10 %, 19 kHz)"
        )
    swapped = [read for read in sent if read.alone is not None and read.alone != sides[read.state.kind]]
    if len(swapped) > 0.5 * len(sent):
        said.append(
            f"the channels are swapped: left plays on channel {recording.channels[1]}; check the leads, and in which "
            "order the generator was set. The figures stand as captured"
        )
    elif swapped:
        said.append(f"on the other channel than it ought to be: {', '.join(read.state.words for read in swapped)}")
    found = None if states.mono is None else states.mono.coupling
    if found is not None and found.heard and found.transfer.real < 0.0:
        said.append("mono comes with opposite polarity on the two channels: one of them is inverted, check the leads")
    return said


def _said_of_figures(channels: Sequence[ChannelResult], states: States, options: Mapping[str, Any]) -> list[str]:
    lines = itertools.chain.from_iterable(
        (*_said_of_distortion(channel, states), *_said_of_de_emphasis(channel, options)) for channel in channels
    )
    return [*_said_of_separation(channels), *lines]


def _said_of_separation(channels: Sequence[ChannelResult]) -> list[str]:
    """Return what is said of a decoder that is out of adjustment (trade notes, failure 34)."""
    known = [
        channel.values["separation_db"]
        for channel in channels
        if channel.values["separation_db"] is not None and channel.bound.get("separation_db") is None
    ]
    if len(known) < 2 or min(known) < MONO_DB:
        return []
    facts = f"separation at 1 kHz is {known[0]:.1f} dB and {known[1]:.1f} dB"
    if abs(known[0] - known[1]) <= WAYS_DIFFER_DB and min(known) >= LOW_SEPARATION_DB:
        return []
    if min(known) < _BLENDED_DB:
        return [f"{facts}: consistent with a blend or a high-cut that is on; switch it off and capture again"]
    return [f"{facts}: consistent with a decoder out of adjustment; check its separation and pilot controls"]


def _said_of_distortion(channel: ChannelResult, states: States) -> list[str]:
    """Return what is said of distortion that rises with modulation (trade notes, failure 35)."""
    loud, low = (channel.values[key] for key in ("thd_mono_percent", "thd_low_percent"))
    if not loud or not low or loud <= DETECTOR_PERCENT or states.mono is None or states.low is None:
        return []
    found = states.mono.channel(channel.channel)
    rows = {row["order"]: row for row in (found.values["harmonics"] if found else ())}
    if 2 not in rows or 3 not in rows:
        return []
    order = 2 if rows[2]["level_db"] > rows[3]["level_db"] else 3
    if loud / low <= min(DETECTOR_RATIO, _OF_ITS_LAW * (100.0 / states.low.state.percent) ** (order - 1)):
        return []
    levels = [f"{'at most ' if row.get('bound') else ''}{row['level_db']:.0f} dB" for row in (rows[2], rows[3])]
    return [
        f"channel {channel.channel}: THD at 100 % is {loud / low:.1f} times that at {states.low.state.percent:g} %, "
        f"second harmonic {levels[0]}, third {levels[1]}: consistent with {_CAUSES[order]}; check tuning and alignment"
    ]


def _said_of_de_emphasis(channel: ChannelResult, options: Mapping[str, Any]) -> list[str]:
    """Return what is said of a time constant that is another one (trade notes, failure 37)."""
    ought_us, found_us = float(options["de_emphasis"]), channel.values["de_emphasis_us"]
    rows = channel.values["response"]
    if found_us is None:
        if len(rows) >= 2 and rows[-1]["deviation_db"] > _NO_DE_EMPHASIS_DB:
            return [
                f"channel {channel.channel}: {rows[-1]['deviation_db']:+.1f} dB at {_hz(rows[-1]['frequency_hz'])}: "
                "consistent with no de-emphasis, or with pre-emphasis left on at the generator; check both"
            ]
        return []
    if abs(found_us / ought_us - 1.0) <= _OTHER_TIME:
        return []
    near_us = min((float(name) for name in DE_EMPHASES), key=lambda us: abs(math.log(found_us / us)))
    return [
        f"channel {channel.channel}: the response shows {found_us:.0f} µs where {ought_us:g} µs were entered: "
        f"consistent with a de-emphasis of {near_us:g} µs, or with a generator whose pre-emphasis is not as entered"
    ]


# -- conditions --------------------------------------------------------------------------------------------------


def _conditions(recording: Recording, options: Mapping[str, Any], reads: Sequence[Read | None]) -> dict[str, Any]:
    import numpy as np

    rows = settings(parse_states(options["states"]), options)
    for row, read in zip(rows, reads, strict=True):
        row["begin_s"], row["end_s"] = (None, None) if read is None else (round(read.begin_s, 2), round(read.end_s, 2))
    falls_db = -float(tuner_values.target_of(options).gain_db(np.array([_EXAMPLE_HZ]), reference_hz=1.0)[0])
    sent = options["pre_emphasis"]
    pre_emphasis = f"{sent} µs" if PRE_EMPHASES[sent] else sent
    return {
        "stimulus": "none: a generator modulated the tuner's carrier",
        "states": options["states"],
        "convention": options["convention"],
        "modulation": CONVENTIONS[options["convention"]].words,
        "pilot_percent": options["pilot_percent"],
        "pre_emphasis": pre_emphasis,
        "de_emphasis_us": float(options["de_emphasis"]),
        "generator": rows,
        "band_hz": list(AUDIO_HZ),
        "harmonic_limit_hz": HARMONICS_HZ,
        "band": f"{AUDIO_HZ[0]:g} Hz to {AUDIO_HZ[1] / 1000.0:g} kHz, brick wall, so that no pilot is among them; "
        f"harmonics to {HARMONICS_HZ / 1000.0:g} kHz",
        "snr": "mono: 1 kHz at 100 % over the carrier alone; stereo: 1 kHz at 100 % on the channel alone over carrier "
        "and pilot; 15 kHz, unweighted where nothing else is said",
        "residue_reference": "1 kHz mono, raised from its own deviation to 75 kHz",
        "separation": "both channels at the tone's own frequency, narrow, so that de-emphasis, which lowers both "
        "alike, is in neither. Held against the level at 1 kHz, with no pre-emphasis, it would look "
        f"{falls_db:.1f} dB better at {_EXAMPLE_HZ / 1000.0:g} kHz than it is",
        "response": f"Pre-emphasis {pre_emphasis} and de-emphasis {options['de_emphasis']} µs taken into account",
        "reference_hz": REFERENCE_HZ,
        "uncertainty_covers": "noise, fit and scale; not the generator's own distortion, noise, separation or "
        f"deviation, nor the crosstalk of the bench; {own_words(recording, taken_off='levels in volts and response')}",
    }


MEASUREMENT = Measurement(
    word="tuner",
    summary="An FM tuner behind a stereo generator: separation, distortion, S/N, rests of the pilot, response, level",
    example="tuner --pre-emphasis 75 --de-emphasis 75",
    options=(
        length_option("all states, one after another", default_s=120.0, at_least_s=5.0),
        Option(
            name="states",
            kind="text",
            help="What the generator is set to in turn, with ';' between: 'mono', 'left' or 'right' with one or more "
            "frequencies in Hz and, where it is less than 100 %, its modulation; 'carrier' alone; 'pilot' alone.",
            default=DEFAULT_STATES,
            stage="analyse",
        ),
        Option(
            name="convention",
            kind="choice",
            help="What 100 % are: 75 kHz in all (total), by audio with the pilot on top (plus-pilot), or 67.5, 40 or "
            "22.5 kHz by audio.",
            default="total",
            choices=tuple(CONVENTIONS),
            stage="analyse",
        ),
        Option(
            name="pilot_percent",
            kind="number",
            help="Deviation by the pilot, in percent of 75 kHz.",
            default=9.0,
            stage="analyse",
            at_least=5.0,
            at_most=15.0,
        ),
        Option(
            name="pre_emphasis",
            kind="choice",
            help="Pre-emphasis of the generator, in µs, as it is set.",
            default="none",
            choices=tuple(PRE_EMPHASES),
            stage="analyse",
        ),
        Option(
            name="de_emphasis",
            kind="choice",
            help="De-emphasis that the tuner ought to have, in µs: 75 in the Americas and Korea, 50 elsewhere.",
            default="50",
            choices=DE_EMPHASES,
            stage="analyse",
        ),
    ),
    figures=figures_of(QUANTITIES),
    stimulus=silence,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
    curves=CURVES,
    to_do="set the generator to each of these in turn, at least five seconds each: {states}; it is listened to for "
    "{duration_s:g} s",
    silent=True,
    always_listens=True,
    in_blocks=True,
)
