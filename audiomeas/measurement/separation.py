"""Measurement word 'separation': what a unit that plays by itself puts of one channel into the other, both ways."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.errors import SignalError
from audiomeas.measurement.base import Measurement, Option, figures_of
from audiomeas.measurement.bench_own import own_words
from audiomeas.measurement.budget import Told, own_parts
from audiomeas.measurement.checks import refuse_beyond_half
from audiomeas.measurement.curves import row_curve
from audiomeas.measurement.leader import leader_words
from audiomeas.measurement.listened import length_option, silence
from audiomeas.measurement.nominal_speed import wrong_rate_words
from audiomeas.measurement.played_bands import by_frequency, coupling_of, found_bands, nearest, sudden_words
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.scale_parts import between_parts
from audiomeas.measurement.separation_views import QUANTITIES, charts, tables
from audiomeas.measurement.steady import over_range_words
from audiomeas.measurement.tone_values import tell_volts
from audiomeas.measurement.trade_limits import WAYS_DIFFER_DB

if TYPE_CHECKING:
    from audiomeas.analysis.separation import Coupling
    from audiomeas.analysis.tone_bands import Band
    from audiomeas.measurement.base import PlayContext
    from audiomeas.recording import Recording

#: The lowest separation is looked for where DIN 45500 asks for it.
_BAND_HZ = (250.0, 10_000.0)
#: A capture that begins with a tone within this has perhaps missed one.
_AT_ONCE_S = 0.5
#: Of several takes the first is told that has this part of the longest one's length.
_WHOLE = 0.8
FIRST = ("left", "right")


@dataclass(frozen=True, kw_only=True)
class _Tone:
    """A frequency of the capture. alone : by column, what its band holds and the band, None: there is none.

    together : of a band with the tone in both channels.   takes : most bands of one side.
    """

    frequency_hz: float
    alone: tuple[tuple[Band, Coupling] | None, tuple[Band, Coupling] | None]
    together: tuple[Band, Coupling] | None
    takes: int


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for frequencies that no capture of this rate holds."""
    refuse_beyond_half(context, options["reference_hz"], "reference_hz")
    for frequency_hz in options["bands_hz"] or ():
        refuse_beyond_half(context, frequency_hz, "bands_hz")


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    from audiomeas.analysis.leader import LeaderWatch

    leader = LeaderWatch(recording.sample_rate_hz, len(recording.channels))
    bands, known = found_bands(recording, and_to=leader.add)
    if not bands:
        raise SignalError(
            "no steady tone is in the capture: let the unit play bands of a test record or tape, or a generator's "
            "tone, a second or more each, first in one channel alone, then in the other"
        )
    tones = [_tone(recording, hz, group) for hz, group in by_frequency(bands)]
    lost = [
        words for column, channel in enumerate(known.channels) if (words := over_range_words(known, column, channel))
    ]
    told = [] if lost else tones
    first = min(bands, key=lambda band: band.start)
    begin_s, end_s = first.start / recording.sample_rate_hz, first.stop / recording.sample_rate_hz
    before = leader_words(leader.loud_s(begin_s, end_s), begin_s)
    return result_of(
        known,
        "separation",
        conditions=_conditions(known, tones, options),
        channels=tuple(_channel(known, column, told, options) for column in range(2)),
        warnings=(*lost, *before, *sudden_words(recording, bands), *_said(known, tones, options)),
    )


def _tone(recording: Recording, frequency_hz: float, group: Sequence[Band]) -> _Tone:
    """Return what a frequency's bands hold: of each side the first that is about as long as the longest."""
    sides = {side: [band for band in group if band.alone == side] for side in (0, 1, None)}

    def read(side: int | None) -> tuple[Band, Coupling] | None:
        lengths = [band.stop - band.start for band in sides[side]]
        if not lengths:
            return None
        band = next(band for band, length in zip(sides[side], lengths, strict=True) if length > _WHOLE * max(lengths))
        return band, coupling_of(recording, band)

    return _Tone(
        frequency_hz=frequency_hz,
        alone=(read(0), read(1)),
        together=read(None),
        takes=max(map(len, sides.values())),
    )


# -- what is told ------------------------------------------------------------------------------------------------


def _channel(recording: Recording, column: int, tones: Sequence[_Tone], options: Mapping[str, Any]) -> ChannelResult:
    told = Told({key: None for key, _, _ in QUANTITIES})
    rows = [(tone, _row(recording, column, tone)) for tone in tones]
    told.values["bands"] = [_facts(tone, row) for tone, row in rows]
    wanted_hz = nearest([tone.frequency_hz for tone in tones], options["reference_hz"])
    for tone, row in rows:
        if tone.frequency_hz == wanted_hz:
            told.values["frequency_hz"] = tone.frequency_hz
            for key in row.values:
                told.copy(key, row, key)
            if column == 0 and recording.calibrated:
                told.values["balance_db"], told.uncertainty["balance_db"] = 0.0, 0.0
    _tell_lowest(told, rows)
    return told.result(recording.channels[column])


def _tell_lowest(told: Told, rows: Sequence[tuple[_Tone, Told]]) -> None:
    low_hz, high_hz = _BAND_HZ
    inside = [
        (tone.frequency_hz, row)
        for tone, row in rows
        if row.values["separation_db"] is not None and low_hz / 1.03 <= tone.frequency_hz <= high_hz * 1.03
    ]
    if inside:
        at_hz, lowest = min(inside, key=lambda one: one[1].values["separation_db"])
        told.copy("lowest_separation_db", lowest, "separation_db")
        told.values["lowest_separation_at_hz"] = at_hz


def _row(recording: Recording, column: int, tone: _Tone) -> Told:
    """Return what is told of a channel at one frequency: level, separation, balance."""
    told = Told(dict.fromkeys(("level_dbfs", "level_v_rms", "separation_db", "balance_db", "polarity")))
    if (own := tone.alone[column]) is not None:
        _tell_alone(told, recording, column, own[1])
    _tell_balance(told, recording, column, tone)
    return told


def _tell_alone(told: Told, recording: Recording, column: int, found: Coupling) -> None:
    relative = found.level_uncertainty / found.level_rms
    tell_volts(told, recording, column, found.level_rms, frequency_hz=found.frequency_hz, own=own_parts(relative))
    tell_separation(told, recording, column, found)


def tell_separation(told: Told, recording: Recording, column: int, found: Coupling) -> None:
    """Tell separation_db of a channel that plays alone: its tone over what the other one has of it."""
    if not found.heard:
        told.values["separation_db"] = -20.0 * math.log10(found.most) if found.most > 0.0 else None
        told.at_most("separation_db", word="at least")
        return
    size = abs(found.transfer)
    told.values["separation_db"] = -20.0 * math.log10(size)
    between = between_parts(recording, 1 - column, column)
    if between is not None:
        told.add("separation_db", (*between, *own_parts(found.transfer_uncertainty / size)), DB_PER_NEPER)


def _tell_balance(told: Told, recording: Recording, column: int, tone: _Tone) -> None:
    """Tell by how much channel 2 is louder than channel 1: each alone, or where they play together."""
    if column == 0:
        return
    if tone.together is not None and tone.together[1].heard:
        told.values["polarity"] = _polarity(tone.together[1])
    levels = _levels(tone)
    if levels is None or not recording.calibrated:
        return
    (first, first_half), (second, second_half) = levels
    told.values["balance_db"] = 20.0 * math.log10(second / first)
    if (between := between_parts(recording, 1, 0)) is not None:
        told.add("balance_db", (*between, *own_parts(math.hypot(first_half, second_half))), DB_PER_NEPER)


def _levels(tone: _Tone) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Return the tone's level in each channel, with its relative half-width; None where one is not known."""
    left, right = tone.alone
    if left is not None and right is not None:
        one, other = ((found.level_rms, found.level_uncertainty / found.level_rms) for _, found in (left, right))
        return one, other
    if tone.together is None or not tone.together[1].heard:
        return None
    found = tone.together[1]
    size = abs(found.transfer)
    both = [
        (found.level_rms, found.level_uncertainty / found.level_rms),
        (found.level_rms * size, found.transfer_uncertainty / size),
    ]
    return (both[0], both[1]) if found.louder == 0 else (both[1], both[0])


def _polarity(found: Coupling) -> str:
    return "alike" if found.transfer.real > 0.0 else "opposite"


def _facts(tone: _Tone, row: Told) -> dict[str, Any]:
    return {
        "frequency_hz": tone.frequency_hz,
        **row.values,
        "uncertainty": dict(row.uncertainty),
        "bound": dict(row.bound),
        "note": "",
    }


# -- what is said ------------------------------------------------------------------------------------------------


def _said(recording: Recording, tones: Sequence[_Tone], options: Mapping[str, Any]) -> list[str]:
    return [
        *_said_of_sides(recording, tones, options["first"]),
        *_said_of_frequencies(tones, options),
        *_said_of_polarity(tones),
        *_said_of_ways(tones),
    ]


def _said_of_sides(recording: Recording, tones: Sequence[_Tone], first: str) -> list[str]:
    """Return what is said of mono, of swapped channels, and of a way that no band tells."""
    one, other = recording.channels
    if all(tone.alone == (None, None) for tone in tones):
        return [
            "no band plays in one channel alone, by 3 dB or more: is a mono switch set, or a blend, or is the file "
            "mono? Or are these bands of both channels? No separation is told"
        ]
    said = []
    pairs = [(left[0].start, right[0].start) for left, right in (tone.alone for tone in tones) if left and right]
    swapped = sum((left < right) != (first == FIRST[0]) for left, right in pairs)
    if pairs and swapped > 0.5 * len(pairs):
        said.append(
            f"the channels are swapped: channel {other if first == FIRST[0] else one} plays first, and the bands begin "
            f"with the {first} one; cross the leads back, or set --first to what the record or generator plays first"
        )
    lacks = False
    for column, channel in enumerate(recording.channels):
        lacking = [_hz(tone) for tone in tones if tone.alone[column] is None and tone.alone[1 - column] is not None]
        if lacking:
            lacks = True
            said.append(f"no band of channel {channel} alone at {', '.join(lacking)}: one way is not told there")
    if lacks and min(_starts(tones)) < _AT_ONCE_S * recording.sample_rate_hz:
        said.append("the capture begins within a tone: was it started late?")
    return said


def _starts(tones: Sequence[_Tone]) -> list[int]:
    return [found[0].start for tone in tones for found in (*tone.alone, tone.together) if found is not None]


def _said_of_frequencies(tones: Sequence[_Tone], options: Mapping[str, Any]) -> list[str]:
    """Return what is said of tones that are missing, or there more than once."""
    found_hz = [tone.frequency_hz for tone in tones]
    said = []
    if nearest(found_hz, options["reference_hz"]) is None:
        said.append(
            f"no band lies near {options['reference_hz']:g} Hz (reference_hz), only near "
            f"{', '.join(map(_hz, tones))}: the figures there are not known"
            f"{_like_a_rate(found_hz, options['reference_hz'])}"
        )
    missing = [f"{hz:g} Hz" for hz in options["bands_hz"] or () if nearest(found_hz, hz) is None]
    if missing:
        said.append(f"bands are missing: {', '.join(missing)}")
    again = [_hz(tone) for tone in tones if tone.takes > 1]
    if again:
        said.append(f"several takes of one band at {', '.join(again)}: one whole one is told; cut the file to one take")
    return said


def _like_a_rate(found_hz: Sequence[float], reference_hz: float) -> str:
    """Say by which wrong rate of the file a band may be the reference; '' where by none."""
    words = next((words for hz in found_hz if (words := wrong_rate_words(hz / reference_hz)) is not None), None)
    return "" if words is None else f"; they are consistent with {words}, check that first"


def _said_of_polarity(tones: Sequence[_Tone]) -> list[str]:
    both = [(tone, tone.together[1]) for tone in tones if tone.together is not None]
    turned = [_hz(tone) for tone, found in both if found.heard and _polarity(found) == "opposite"]
    if not turned:
        return []
    return [
        f"where both channels play together ({', '.join(turned)}) they have opposite polarity: the leads of one "
        "channel are turned, or the band is cut vertically"
    ]


def _said_of_ways(tones: Sequence[_Tone]) -> list[str]:
    """Return what is said of separation that is far better one way than the other."""
    said = []
    for tone in tones:
        left, right = tone.alone
        if left is None or right is None or not (left[1].heard and right[1].heard):
            continue
        apart_db = 20.0 * math.log10(abs(left[1].transfer) / abs(right[1].transfer))
        if abs(apart_db) > WAYS_DIFFER_DB:
            said.append(f"{_hz(tone)} by {abs(apart_db):.1f} dB")
    if not said:
        return []
    return [
        f"the two ways differ at {', '.join(said)}: consistent with a cartridge that leans to one side, or with a "
        "decoder or a head out of adjustment"
    ]


def _hz(tone: _Tone) -> str:
    return f"{float(f'{tone.frequency_hz:.4g}'):g} Hz"


def _conditions(recording: Recording, tones: Sequence[_Tone], options: Mapping[str, Any]) -> dict[str, Any]:
    rate_hz = recording.sample_rate_hz
    return {
        "stimulus": "none: the unit played tones",
        "reference_hz": options["reference_hz"],
        "first": options["first"],
        "separation": "tone in the channel that plays alone over the same tone in the other one; narrow, so that "
        "noise, hum and rumble count nothing",
        "balance": f"level of channel {recording.channels[1]} less that of channel {recording.channels[0]}",
        "lowest_in_hz": list(_BAND_HZ),
        "bands_found": [
            {
                "frequency_hz": found[1].frequency_hz,
                "channel": side,
                "begin_s": round(found[0].start / rate_hz, 2),
                "end_s": round(found[0].stop / rate_hz, 2),
            }
            for tone in tones
            for side, found in ((*zip(recording.channels, tone.alone, strict=True), (None, tone.together)))
            if found is not None
        ],
        "uncertainty_covers": "noise, scatter and scale; not the separation of the record, tape or generator, nor the "
        f"crosstalk of the bench; {own_words(recording, taken_off='the levels')}",
    }


MEASUREMENT = Measurement(
    word="separation",
    summary="Separation both ways and balance of a player, tuner or tape deck that plays tones in one channel each",
    example="separation --duration-s 60",
    options=(
        length_option("all bands, one after another", default_s=60.0, at_least_s=4.0),
        Option(
            name="reference_hz",
            kind="number",
            help="Frequency that the single figures are told at.",
            default=1000.0,
            stage="analyse",
            at_least=20.0,
            at_most=20_000.0,
        ),
        Option(
            name="first",
            kind="choice",
            help="Which channel the record, tape or generator plays first at each frequency: swapped ones are told by "
            "it.",
            default=FIRST[0],
            choices=FIRST,
            stage="analyse",
        ),
        Option(
            name="bands_hz",
            kind="numbers",
            help="Frequencies that the bands should have: missing ones are told.",
            stage="analyse",
            at_least=20.0,
            at_most=20_000.0,
        ),
    ),
    figures=figures_of(QUANTITIES),
    check=_check,
    stimulus=silence,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    curves=(
        row_curve("separation_db", unit="dB", words="separation against frequency", rows="bands"),
        row_curve("balance_db", unit="dB", words="balance against frequency", rows="bands"),
    ),
    to_do="let the unit play tones in one channel alone, then in the other; it is listened to for {duration_s:g} s",
    silent=True,
    always_listens=True,
    in_blocks=True,
)
