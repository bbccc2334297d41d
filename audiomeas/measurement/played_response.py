"""Measurement word 'played-response': response of what plays a record or tape by itself, what plays it divided out.

A bought record or tape has no marks, and nobody knows its sweep's law or where it begins: bands of steady tones are
found by themselves, and so is a sweep, whose line is followed from spectrum to spectrum.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.equalization_curves import NAMES
from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import Part, combined, scaled
from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import Measurement, Option, PlayContext, figures_of
from audiomeas.measurement.bench_own import freed_level, own_words
from audiomeas.measurement.budget import NOISE_AND_FIT, Told, own_parts
from audiomeas.measurement.checks import refuse_band_at, refuse_empty_band
from audiomeas.measurement.curves import number, row_curve
from audiomeas.measurement.listened import length_option, silence
from audiomeas.measurement.offers import played_band_options
from audiomeas.measurement.played_bands import by_frequency, coupling_of, found_bands, nearest, scales_of, sudden_words
from audiomeas.measurement.played_response_views import QUANTITIES, charts, tables
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.steady import over_range_words
from audiomeas.measurement.tone_values import tell_volts

if TYPE_CHECKING:
    from audiomeas.analysis.played_sweep import PlayedSweep
    from audiomeas.analysis.tone_bands import Band
    from audiomeas.measurement.attached import AttachedResult
    from audiomeas.recording import Recording

EQUALIZED, CONSTANT = "equalized", "constant"
BANDS, SWEEP = "bands of tones", "a sweep"
#: A response whose points lie further apart than this (ratio) is not read between them.
_NEAR_POINTS = 1.3
#: A channel that has less than this of the other one's tone (16 dB down) only leaks.
_HEARD = 0.16
_STAGE = "response of the stage"
_REST = "rest of the response of the bench"


@dataclass(frozen=True, kw_only=True)
class _Point:
    """A level at a frequency. relative : 95 % half-width over it."""

    frequency_hz: float
    level_rms: float
    relative: float


@dataclass(frozen=True, kw_only=True)
class _Known:
    """What the machine's stage and the cut of the record do at a frequency, in dB re the reference; with half-width."""

    gain_db: float
    half_db: float


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for a band that is none, and for levels that belong to no bands."""
    refuse_empty_band(context, options)
    _refuse_odd_levels(options)


def _refuse_odd_levels(options: Mapping[str, Any]) -> None:
    levels, bands = options["levels_db"], options["bands_hz"]
    if levels is not None and (bands is None or len(bands) != len(levels)):
        raise RequestError("levels_db needs bands_hz, and one level for each of them: how the record has each band")


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    from audiomeas.analysis.played_sweep import SweepFinder

    _refuse_odd_levels(options)
    refuse_band_at(options, recording.sample_rate_hz)
    finder = SweepFinder(recording.sample_rate_hz)
    bands, known = found_bands(recording, and_to=finder.add)
    sweeps = finder.sweeps()
    lost = [
        words for column, channel in enumerate(known.channels) if (words := over_range_words(known, column, channel))
    ]
    left_out: list[list[float]] = [[], []]
    if sweeps:
        points = [_of_sweeps(sweeps, column, scales_of(recording)[column]) for column in range(2)]
    elif bands:
        groups = by_frequency(bands)
        both = [_of_bands(recording, groups, column, options["reference_hz"]) for column in range(2)]
        points, left_out = [one for one, _ in both], [one for _, one in both]
    else:
        raise SignalError(
            "neither a sweep nor steady tones are in the capture: let the unit play the bands or the sweep of a test "
            "record or tape"
        )
    found = [[] if lost else one for one in points]
    channels = tuple(_channel(known, column, found[column], options) for column in range(2))
    sudden = [] if sweeps else sudden_words(recording, bands)
    return result_of(
        known,
        "played-response",
        conditions=_conditions(known, SWEEP if sweeps else BANDS, options),
        channels=channels,
        warnings=(*lost, *sudden, *_said(channels, points, sweeps, options), *_left_out_words(channels, left_out)),
    )


def _of_sweeps(sweeps: Sequence[PlayedSweep], column: int, scale: float) -> list[_Point]:
    """Return a channel's levels by the sweep in which it is loudest: of both channels, or of it alone."""
    import numpy as np

    from audiomeas.analysis.played_sweep import averaged

    own = max(sweeps, key=lambda one: float(np.median(one.level_rms[:, column])) * len(one.frequency_hz) ** 0.5)
    found = averaged(own.frequency_hz, scale * own.level_rms[:, column])
    return [
        _Point(frequency_hz=float(hz), level_rms=float(level), relative=float(half))
        for hz, level, half in zip(found.frequency_hz, found.level_rms, found.relative, strict=True)
        if level > 0.0
    ]


def _of_bands(
    recording: Recording, groups: Sequence[tuple[float, list[Band]]], column: int, reference_hz: float
) -> tuple[list[_Point], list[float]]:
    """Return a channel's level at each frequency, and the frequencies that are left out.

    Bands in which it plays alone and bands of both have levels of their own, and in the latter the other channel leaks
    into it: the kind that the reference frequency has is told. A capture in which it never plays alone has bands of
    both, even where the other channel is louder.
    """
    never_alone = all(band.alone != column for _, group in groups for band in group)
    at_hz = nearest([hz for hz, _ in groups], reference_hz)
    alone = any(band.alone == column for hz, group in groups for band in group if at_hz in (None, hz))
    found, left_out = [], []
    for hz, group in groups:
        own = [band for band in group if (band.alone == column if alone else never_alone or band.alone is None)]
        if not own:
            left_out += [hz] if any(band.alone in (None, column) for band in group) else []
            continue
        tone = coupling_of(recording, max(own, key=lambda band: band.stop - band.start))
        if tone.louder != column and abs(tone.transfer) < _HEARD:
            continue
        level, relative = tone.level_rms, tone.level_uncertainty / tone.level_rms
        if tone.louder != column:
            level, relative = level * abs(tone.transfer), tone.transfer_uncertainty / abs(tone.transfer)
        found.append(_Point(frequency_hz=tone.frequency_hz, level_rms=level, relative=relative))
    return found, left_out


# -- what plays it -----------------------------------------------------------------------------------------------


def _known_at(frequency_hz: float, channel: int, options: Mapping[str, Any]) -> _Known | None:
    """Return what is divided out at a frequency, relative to the reference frequency; None where it is not known.

    The stage by its measured response or else by its equalization; the record, cut by the same equalization turned
    over, or at constant velocity, less the level that it states for the band.
    """
    import numpy as np

    from audiomeas.analysis.equalization_curves import equalization

    reference_hz = options["reference_hz"]
    curve = equalization(options["equalization"])
    ideal_db = float(curve.gain_db(np.array([frequency_hz]), reference_hz=reference_hz)[0])
    stage = _Known(gain_db=ideal_db, half_db=0.0)
    if options["stage_from"] is not None:
        ends = [_of_stage(options["stage_from"], channel, hz) for hz in (frequency_hz, reference_hz)]
        if ends[0] is None or ends[1] is None:
            return None
        (at_db, at_half), (reference_db, reference_half) = ends[0], ends[1]
        stage = _Known(gain_db=at_db - reference_db, half_db=math.hypot(at_half, reference_half))
    cut_db = -ideal_db if options["recorded"] == EQUALIZED else 0.0
    level_db = _level_of_band(frequency_hz, options) - _level_of_band(reference_hz, options)
    return _Known(gain_db=stage.gain_db + cut_db + level_db, half_db=stage.half_db)


def _level_of_band(frequency_hz: float, options: Mapping[str, Any]) -> float:
    """Return the level that the record states for a band, in dB; 0 where none is stated."""
    if options["levels_db"] is None:
        return 0.0
    stated = dict(zip(options["bands_hz"], options["levels_db"], strict=True))
    band_hz = nearest(list(stated), frequency_hz)
    return 0.0 if band_hz is None else float(stated[band_hz])


def _of_stage(attached: AttachedResult, channel: int, frequency_hz: float) -> tuple[float, float] | None:
    """Return a stage's gain and half-width at a frequency, in dB, straight over log frequency; None beyond its points.

    Raises RequestError for a result that is no response.
    """
    try:
        one = attached.result.channel(channel)
    except KeyError:
        raise RequestError(f"stage_from {attached.name} has no channel {channel}: measure both channels") from None
    hz, gains = one.values.get("frequency_hz"), one.values.get("gain_db")
    if not isinstance(hz, list) or not isinstance(gains, list) or len(hz) != len(gains):
        raise RequestError(f"stage_from {attached.name} holds no response: give the JSON of `response`")
    widths = one.values.get("gain_shape_uncertainty_db") or [0.0] * len(gains)
    rows = [
        (float(at), float(gain), number(wide) or 0.0)
        for at, gain, wide in zip(hz, gains, widths, strict=True)
        if number(gain) is not None
    ]
    below = max((row for row in rows if row[0] <= frequency_hz), default=None)
    above = min((row for row in rows if row[0] >= frequency_hz), default=None)
    if below is None or above is None or above[0] > _NEAR_POINTS * below[0]:
        return None
    span = math.log(above[0] / below[0])
    part = math.log(frequency_hz / below[0]) / span if span > 0.0 else 0.0
    return below[1] + part * (above[1] - below[1]), max(below[2], above[2])


# -- what is told ------------------------------------------------------------------------------------------------


def _channel(recording: Recording, column: int, points: Sequence[_Point], options: Mapping[str, Any]) -> ChannelResult:
    channel = recording.channels[column]
    told = Told({key: None for key, _, _ in QUANTITIES})
    reference = _reference(points, options["reference_hz"])
    told.values["points"] = [_row(recording, column, point, reference, options) for point in points]
    if reference is not None:
        tell_volts(
            told,
            recording,
            column,
            reference.level_rms,
            frequency_hz=reference.frequency_hz,
            own=own_parts(reference.relative),
        )
    rows = [
        row
        for row in told.values["points"]
        if row["response_db"] is not None
        and options["low_hz"] / 1.03 <= row["frequency_hz"] <= (options["high_hz"] or math.inf) * 1.03
    ]
    if rows:
        for key, row in (
            ("deviation_high", max(rows, key=lambda row: row["response_db"])),
            ("deviation_low", min(rows, key=lambda row: row["response_db"])),
        ):
            told.values[f"{key}_db"], told.values[f"{key}_at_hz"] = row["response_db"], row["frequency_hz"]
            if "response_db" in row["uncertainty"]:
                told.add(f"{key}_db", (Part(NOISE_AND_FIT, row["uncertainty"]["response_db"]),))
    return told.result(channel)


def _reference(points: Sequence[_Point], reference_hz: float) -> _Point | None:
    wanted_hz = nearest([point.frequency_hz for point in points], reference_hz)
    return next((point for point in points if point.frequency_hz == wanted_hz), None)


def _row(
    recording: Recording, column: int, point: _Point, reference: _Point | None, options: Mapping[str, Any]
) -> dict[str, Any]:
    row: dict[str, Any] = {
        "frequency_hz": float(f"{point.frequency_hz:.6g}"),
        "level_db": None,
        "response_db": None,
        "uncertainty": {},
        "bound": {},
        "note": "",
    }
    if reference is None or not (point.level_rms > 0.0 and reference.level_rms > 0.0):
        return row
    levels, parts = [], []
    for one in (point, reference):
        level, left = freed_level(recording, column, one.frequency_hz, one.level_rms)
        levels.append(level)
        # What is left at the reference is of the same bench: it may cancel, and counts in full.
        parts += [] if point is reference else [Part(_REST, combined(left)), *own_parts(one.relative)]
    row["level_db"] = 20.0 * math.log10(levels[0] / levels[1])
    known = _known_at(point.frequency_hz, recording.channels[column], options)
    row["uncertainty"]["level_db"] = DB_PER_NEPER * combined(parts)
    if known is None:
        row["note"] = "the response of the stage (stage_from) is not known here"
        return row
    row["response_db"] = row["level_db"] - known.gain_db
    row["uncertainty"]["response_db"] = combined((*scaled(parts, DB_PER_NEPER), Part(_STAGE, known.half_db)))
    return row


# -- what is said ------------------------------------------------------------------------------------------------


def _said(
    channels: Sequence[ChannelResult],
    points: Sequence[Sequence[_Point]],
    sweeps: Sequence[PlayedSweep],
    options: Mapping[str, Any],
) -> list[str]:
    said = []
    if len(sweeps) > 2:
        said.append(
            f"{len(sweeps)} sweeps are in the capture: is it several takes? The longest of each channel is told"
        )
    for channel, own in zip(channels, points, strict=True):
        found_hz = [point.frequency_hz for point in own]
        if not own:
            said.append(f"channel {channel.channel} plays in no band: nothing is told of it; is a lead out?")
        elif nearest(found_hz, options["reference_hz"]) is None:
            said.append(
                f"channel {channel.channel}: nothing was played near {options['reference_hz']:g} Hz (reference_hz), "
                f"only from {min(found_hz):.0f} to {max(found_hz):.0f} Hz: no response without it"
            )
        missing = [f"{hz:g} Hz" for hz in options["bands_hz"] or () if own and nearest(found_hz, hz) is None]
        if missing:
            said.append(f"channel {channel.channel}: bands are missing: {', '.join(missing)}")
    return said


def _left_out_words(channels: Sequence[ChannelResult], left_out: Sequence[Sequence[float]]) -> list[str]:
    return [
        f"channel {channel.channel}: bands of another kind than at the reference are left out "
        f"({', '.join(f'{hz:.0f} Hz' for hz in some)}): of both channels together, or of this one alone; cut the file "
        "to one kind"
        for channel, some in zip(channels, left_out, strict=True)
        if some
    ]


def _conditions(recording: Recording, by: str, options: Mapping[str, Any]) -> dict[str, Any]:
    stage: AttachedResult | None = options["stage_from"]
    return {
        "stimulus": "none: the unit played by itself",
        "told_by": by,
        "reference_hz": options["reference_hz"],
        "band_hz": [options["low_hz"], options["high_hz"]],
        "equalization": options["equalization"],
        "recorded": options["recorded"],
        "stage_from": None if stage is None else {"file": stage.name, "sha256": stage.sha256},
        "levels_db": None if options["levels_db"] is None else list(options["levels_db"]),
        "response": "level re the reference frequency, less what the stage and the cut of the record do there",
        "uncertainty_covers": "noise, scatter of the sweep, and the stage's own half-width; not how true the record "
        f"is; {own_words(recording, taken_off='the levels')}",
    }


MEASUREMENT = Measurement(
    word="played-response",
    summary="Response of a cartridge, tape head or tuner that plays tones or a sweep; what its stage does divided out",
    example="played-response --duration-s 60 --equalization riaa",
    options=(
        length_option("all bands, or the whole sweep", default_s=60.0, at_least_s=5.0),
        Option(
            name="equalization",
            kind="choice",
            help="Equalization of the stage that plays it.",
            default="riaa",
            choices=NAMES,
            stage="analyse",
        ),
        Option(
            name="recorded",
            kind="choice",
            help="How the bands are recorded: equalized (level behind an ideal stage), or constant (velocity of a "
            "record, deviation of a broadcast).",
            default=EQUALIZED,
            choices=(EQUALIZED, CONSTANT),
            stage="analyse",
        ),
        Option(
            name="stage_from",
            kind="result",
            help="JSON of the stage's own `response`: it is divided out instead of an ideal one.",
            stage="analyse",
        ),
        Option(
            name="reference_hz",
            kind="number",
            help="Frequency that 0 dB is at.",
            default=1000.0,
            stage="analyse",
            at_least=20.0,
            at_most=20_000.0,
        ),
        *played_band_options(),
        Option(
            name="bands_hz",
            kind="numbers",
            help="Frequencies that the record or tape has: missing ones are told.",
            stage="analyse",
            at_least=10.0,
            at_most=100_000.0,
        ),
        Option(
            name="levels_db",
            kind="numbers",
            help="Levels that the record states for bands_hz, in dB re one of them.",
            stage="analyse",
            at_least=-60.0,
            at_most=40.0,
        ),
    ),
    figures=figures_of(QUANTITIES),
    stimulus=silence,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
    curves=(row_curve("response_db", unit="dB", words="response against frequency", rows="points"),),
    to_do="let the unit play the bands or the sweep of a test record or tape; it is listened to for {duration_s:g} s",
    silent=True,
    always_listens=True,
    in_blocks=True,
)
