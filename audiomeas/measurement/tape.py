"""Tape: a deck measured by one long capture of a tape that it plays, whose parts are found by themselves."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import Measurement, PlayContext
from audiomeas.measurement.checks import refuse_band_at, refuse_empty_band
from audiomeas.measurement.flutter_parts import parts_of
from audiomeas.measurement.listened import silence_of
from audiomeas.measurement.result import result_of
from audiomeas.measurement.tape_channel import About
from audiomeas.measurement.tape_find import find_parts
from audiomeas.measurement.tape_options import (
    AT_ONCE,
    ELSEWHERE,
    OPTIONS,
    RECORDED,
    geometry,
    recorded_by,
    refuse_one_tone_for_two,
    with_speed,
)
from audiomeas.measurement.tape_read import read_parts
from audiomeas.measurement.tape_values import FIGURES, ChannelFigures
from audiomeas.measurement.tape_views import CURVES, charts, tables

if TYPE_CHECKING:
    from audiomeas.measurement.attached import AttachedResult
    from audiomeas.measurement.result import Result
    from audiomeas.measurement.tape_find import Found
    from audiomeas.measurement.tape_media import TapeSide
    from audiomeas.measurement.tape_read import Readings
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Silence

_WORD = "tape"
#: A deck that runs slowly needs so much more of the side's time.
_SLOWEST = 1.04
#: Two channels that differ by less where each has a tone of its own are one; swapped ones by more.
_MONO, _SWAPPED = 0.7, 10.0
#: No two tracks of a tape lie so still: less wander is one channel twice.
_ONE_CHANNEL_DEG = 0.02


def _side_of(options: Mapping[str, Any]) -> TapeSide:
    """Return what is on the tape; read here where only its file is known yet. Raises RequestError, FileProblem."""
    from audiomeas.measurement.tape_media import read_side

    given = options["side"]
    if given is None:
        raise RequestError(
            "tape needs to know what is on the tape: give --side FILE, as `audiomeas generate tape-side` wrote it, or "
            "a .toml file that lists the parts of a bought one"
        )
    return read_side(Path(given)) if isinstance(given, str) else given


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Silence:
    """Return the silence that is sent while the tape plays: as long as its side, and the time to start it."""
    return silence_of(context, _SLOWEST * _side_of(options).length_s + options["start_s"])


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError or FileProblem for what can't be told."""
    highest_hz = max(part.frequency_hz for part in _side_of(options).parts)
    if not 2.0 * highest_hz < context.sample_rate_hz:
        raise RequestError(
            f"the bench runs at {context.sample_rate_hz:g} Hz, which can't hold the tape's tone of {highest_hz:g} Hz: "
            "raise it"
        )
    refuse_empty_band(context, options)
    refuse_one_tone_for_two(options)
    parts_of(with_speed(options))


def _analyse(recording: Recording, given: Mapping[str, Any]) -> Result:
    options = with_speed(given)
    side = _side_of(options)
    refuse_band_at(options, recording.sample_rate_hz)
    # What can't be told is refused before an hour is read.
    parts_of(options)
    refuse_one_tone_for_two(options)
    without_nr = _without_nr(options["without_nr"], side)
    found = find_parts(recording, side)
    read = read_parts(found, options)
    if not any(levels for one in read.tones for levels in one.levels):
        raise SignalError(f"no part of {side.name} can be read: {(read.words or ['nothing but noise is there'])[0]}")
    recorded = recorded_by(options, side)
    about = About(
        recording=found.recording,
        read=read,
        options=options,
        geometry=geometry(options),
        recorded=recorded,
        equalizations=(options["recorded_equalization"] or side.equalization, options["played_equalization"]),
        without_nr=without_nr,
    )
    warnings = [*found.words, *read.words, *_channel_words(read)]
    if recorded == AT_ONCE:
        warnings.append(f"recorded {RECORDED[AT_ONCE]}")
    channels, said = [], []
    for column, channel in enumerate(found.recording.channels):
        figures = ChannelFigures(about, column=column, channel=channel)
        channels.append(figures.result())
        said += [f"channel {channel}: {words}" for words in figures.words]
    return result_of(
        found.recording,
        _WORD,
        conditions=_conditions(found, read, about),
        channels=tuple(channels),
        warnings=(*warnings, *said),
    )


def _without_nr(given: AttachedResult | None, side: TapeSide) -> Result | None:
    """Return the result without noise reduction. Raises RequestError when it is of something else."""
    if given is None:
        return None
    other = given.result
    if other.measurement != _WORD or other.conditions.get("side") != side.name:
        raise RequestError(
            f"without_nr {given.name} is no result of `tape` on {side.name}: record and play that side without "
            "noise reduction, and keep what --json prints"
        )
    return other


def _channel_words(read: Readings) -> list[str]:
    """Return what is to be said of channels that are swapped, or one."""
    own = [(column, found) for column, _, found in read.leaks if column is not None]
    if own and all(found.most > _MONO for _, found in own):
        return ["both channels carry the same: check for a mono switch, a full-track head, or one cable on both inputs"]
    if own and all(found.louder != column and found.most * _SWAPPED < 1.0 for column, found in own):
        return ["the channels are swapped: left plays on channel 2; check the cables, the figures stand as captured"]
    still = [one.phase for one in read.tones if one.phase is not None]
    if still and all(abs(one.mean_deg) < _ONE_CHANNEL_DEG and one.wander_deg < _ONE_CHANNEL_DEG for one in still):
        return ["both channels carry the same: check for a mono switch, a full-track head, or one cable on both inputs"]
    return []


def _conditions(found: Found, read: Readings, about: About) -> dict[str, Any]:
    options, side = about.options, found.side
    recorded, played = about.equalizations
    return {
        "side": side.name,
        "found_by": "marks" if found.by_marks else "order of tones",
        "speed_percent": 100.0 * found.placed.speed,
        "parts": _part_rows(found, read),
        "recorded": RECORDED[about.recorded],
        "reference_hz": options["reference_hz"],
        "band_hz": [options["low_hz"], options["high_hz"]],
        "equalization": _equalization_words(recorded, played),
        "phase": "mean of the second channel against the first, unwrapped from the lowest tone up; wander holds 95 % "
        "of the time",
        "separation": "the other channel's tone, in a narrow band",
        "losses": "54.6 dB a wavelength of distance (Wallace 1951) and sin(x)/x of the gap, fitted from 800 Hz up, as "
        "far as the deck's equalization does not make up for them"
        + ("" if about.recorded == ELSEWHERE else "; what the recording loses, and too much bias, count as distance"),
        "other_side_hz": options["other_side_hz"],
        "without_nr": None if options["without_nr"] is None else options["without_nr"].name,
        "signal_to_noise": "re the level with 3 % of third harmonic, as played",
        "clock_ppm": options["clock_ppm"],
        "turning_parts": [{"part": one.words, "frequency_hz": one.turns_hz} for one in parts_of(options)],
        "uncertainty_covers": "noise, wander and fit; of volts the calibration; of speed the card's clock; not what "
        "the tape itself differs from what is said of it",
    }


def _part_rows(found: Found, read: Readings) -> list[dict[str, Any]]:
    speeds = {id(one.part): _speed_percent(one) for one in read.tones}
    return [
        {
            "name": part.name,
            "frequency_hz": part.frequency_hz,
            "level_db": part.level_db,
            "begins_s": None if place is None else place.from_s,
            "speed_percent": speeds.get(id(part)),
        }
        for part, place in zip(found.side.parts, found.placed.places, strict=True)
    ]


def _speed_percent(one: Any) -> float | None:
    heard = [levels[0] for levels in one.levels if levels and levels[0].heard]
    if not heard:
        return None
    loudest = max(heard, key=lambda level: level.rms)
    return float(100.0 * (loudest.frequency_hz / one.part.frequency_hz - 1.0))


def _equalization_words(recorded: str | None, played: str | None) -> str:
    from audiomeas.analysis.equalization_curves import equalization

    if recorded is None or played is None:
        return "as the deck gives it: with its own equalization a tape should be flat"
    of = f"recorded as {equalization(recorded).words}, played as {equalization(played).words}"
    return of if recorded == played else f"{of}; the difference of the two is taken out"


MEASUREMENT = Measurement(
    word=_WORD,
    summary="A tape deck by one capture of a tape's side: level, speed, flutter, azimuth, response, 3 % point, noise",
    example="tape --side side-a.wav --track-format cassette",
    options=OPTIONS,
    figures=FIGURES,
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
    curves=CURVES,
    to_do="start the tape within {start_s:g} s, before its first tone, and let it play to the side's end",
    silent=True,
    always_listens=True,
    in_blocks=True,
)
