"""What each part of a tape tells, both channels: read one after the other, so that one part at a time is in memory."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError
from audiomeas.measurement.flutter_parts import OPTIONS as PART_OPTIONS
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.steady import over_range_words
from audiomeas.measurement.sudden import beside_played, words_beside_played
from audiomeas.measurement.tape_media import AZIMUTH, ERASED, LEVEL, RESPONSE, SEPARATION, SILENCE, SPEED, STEPS
from audiomeas.units import SQRT2

if TYPE_CHECKING:
    from audiomeas.analysis.azimuth import PhaseBetween
    from audiomeas.analysis.erasure import Erased
    from audiomeas.analysis.separation import Coupling
    from audiomeas.analysis.tape_tones import ToneLevel
    from audiomeas.measurement.result import Result
    from audiomeas.measurement.tape_find import Found
    from audiomeas.measurement.tape_media import TapePart
    from audiomeas.recording import Recording

#: Harmonics that are looked at where a part tells distortion; elsewhere the tone alone.
ORDERS = (1, 2, 3, 4, 5)
_OF_DISTORTION = (LEVEL, STEPS)
#: … and so is phase of the response's spots, from where it tells anything of azimuth.
_PHASE_FROM_HZ = 500.0


@dataclass(frozen=True, kw_only=True)
class ReadPart:
    """A part with tones. levels : per column, of the tone and its harmonics as far as the band reaches (relative to a
    full-scale sine); None: over-range, or not to be read.   phase : between the channels, where two carry one tone.
    """

    part: TapePart
    middle_s: float
    levels: tuple[tuple[ToneLevel, ...] | None, ...]
    phase: PhaseBetween | None = None


@dataclass(kw_only=True)
class Readings:
    """All that the parts tell. leaks : of parts for separation, (played column or None, tone in Hz, coupling).

    erased : per column.   former, other_side : per column, what silence holds of a tone that was there before, and of
    one on the other side.
    words : to be said of what can't be read.
    """

    tones: list[ReadPart] = field(default_factory=list)
    flutter: Result | None = None
    noise: Result | None = None
    leaks: list[tuple[int | None, float, Coupling]] = field(default_factory=list)
    erased: tuple[Erased | None, ...] = ()
    former: tuple[ToneLevel | None, ...] = ()
    other_side: tuple[ToneLevel | None, ...] = ()
    words: list[str] = field(default_factory=list)

    def having(self, *names: str) -> list[ReadPart]:
        """Return the parts that are for something, in the tape's order."""
        return [one for one in self.tones if one.part.name in names]


def read_parts(found: Found, options: Mapping[str, Any]) -> Readings:
    """Return what the parts of a tape tell."""
    unknown = (None,) * len(found.recording.channels)
    told = Readings(erased=unknown, former=unknown, other_side=unknown)
    speed = 1.0 + found.placed.speed
    sudden: list[str] = []
    for number, part in enumerate(found.side.parts):
        piece = found.cut(number)
        if piece is None:
            continue
        place = found.placed.places[number]
        assert place is not None
        told.words += _over_range(part, piece)
        sudden += _sudden(part, piece, speed, 0.5 * (place.from_s + place.to_s))
        if part.name == SILENCE:
            told.noise = _by_word("noise", piece, {}, told)
            if options["former_hz"] is not None:
                told.former = _in_silence(piece, options["former_hz"] * speed, told)
            if options["other_side_hz"] is not None:
                told.other_side = _in_silence(piece, options["other_side_hz"] * speed, told)
        elif part.name == ERASED:
            told.erased = _erased(part, piece, speed, told)
        elif part.name == SEPARATION:
            told.leaks += _leaks(part, piece, speed, told)
        else:
            told.tones.append(_toned(part, piece, speed, 0.5 * (place.from_s + place.to_s), told))
        if part.name == SPEED:
            own = {name: options[name] for name in ("clock_ppm", *(option.name for option in PART_OPTIONS))}
            told.flutter = _by_word("flutter", piece, {**own, "nominal_hz": part.frequency_hz}, told)
    told.words += words_beside_played(sudden)
    return told


def _over_range(part: TapePart, piece: Recording) -> list[str]:
    return [
        f"{part.name} {part.frequency_hz:g} Hz: {words}"
        for column, channel in enumerate(piece.channels)
        if (words := over_range_words(piece, column, channel))
    ]


def _sudden(part: TapePart, piece: Recording, speed: float, middle_s: float) -> list[str]:
    """Return where something is sudden beside the tones of a part. middle_s : of it, in the capture."""
    if not part.tones_hz:
        return []
    begins_s = middle_s - 0.5 * piece.frames / piece.sample_rate_hz
    found = beside_played(piece, [hz * speed for hz in part.tones_hz], begins_s=begins_s)
    return [] if found is None else [f"{part.words} ({found.words})"]


def _by_word(word: str, piece: Recording, options: Mapping[str, Any], told: Readings) -> Result | None:
    """Return what a measurement of its own tells of a part."""
    measurement = find(word)
    try:
        result = measurement.analyse(piece, complete(measurement, options))
    except SignalError as error:
        told.words.append(f"{word}: {error}")
        return None
    told.words += [f"{word}: {line}" for line in result.warnings if line not in piece.warnings]
    return result


def _toned(part: TapePart, piece: Recording, speed: float, middle_s: float, told: Readings) -> ReadPart:
    from audiomeas.analysis.azimuth import phase_between
    from audiomeas.analysis.tape_tones import tone_levels

    orders = ORDERS if part.name in _OF_DISTORTION else (1,)
    rate_hz, levels = piece.sample_rate_hz, []
    for column in range(len(piece.channels)):
        try:
            whole = None if piece.over_range[column] else tone_levels(
                SQRT2 * piece.counts_fs[:, column], rate_hz, part.frequency_hz * speed, orders=orders
            )  # fmt: skip
        except SignalError as error:
            told.words.append(f"{part.name}: {error}")
            whole = None
        levels.append(whole)
    heard = [one[0] for one in levels if one and one[0].heard]
    phase = None
    told_by_phase = part.name == AZIMUTH or (part.name == RESPONSE and part.frequency_hz >= _PHASE_FROM_HZ)
    if told_by_phase and len(heard) == len(levels) == 2:
        try:
            phase = phase_between(piece.counts_fs, rate_hz, max(heard, key=lambda one: one.rms).frequency_hz)
        except SignalError as error:
            told.words.append(f"{part.name}: {error}")
    return ReadPart(part=part, middle_s=middle_s, levels=tuple(levels), phase=phase)


def _leaks(part: TapePart, piece: Recording, speed: float, told: Readings) -> list[tuple[int | None, float, Coupling]]:
    """Return what leaks of each tone of a part."""
    from audiomeas.analysis.separation import coupled

    if len(piece.channels) != 2 or any(piece.over_range):
        return []
    found: list[tuple[int | None, float, Coupling]] = []
    step = SQRT2 * (piece.resolution_fs or 0.0)
    for number, hz in enumerate(part.tones_hz):
        try:
            own = coupled(SQRT2 * piece.counts_fs, piece.sample_rate_hz, hz * speed, step=(step, step))
        except SignalError as error:
            told.words.append(f"{part.name}: {error}")
            continue
        found.append((None if part.other_hz is None else number, hz, own))
    return found


def _in_silence(piece: Recording, near_hz: float, told: Readings) -> tuple[ToneLevel | None, ...]:
    """Return what silence holds of a tone, per column."""
    from audiomeas.analysis.tape_tones import tone_levels

    columns = (SQRT2 * piece.counts_fs[:, column] for column in range(len(piece.channels)))
    try:
        return tuple(tone_levels(samples, piece.sample_rate_hz, near_hz)[0] for samples in columns)
    except SignalError as error:
        told.words.append(f"{SILENCE}: {error}")
        return (None,) * len(piece.channels)


def _erased(part: TapePart, piece: Recording, speed: float, told: Readings) -> tuple[Erased | None, ...]:
    from audiomeas.analysis.erasure import erased_of

    found: list[Erased | None] = []
    for column, channel in enumerate(piece.channels):
        try:
            own = None if piece.over_range[column] else erased_of(
                SQRT2 * piece.counts_fs[:, column], piece.sample_rate_hz, part.frequency_hz * speed
            )  # fmt: skip
        except SignalError as error:
            told.words.append(f"channel {channel}: {part.name}: {error}")
            own = None
        found.append(own)
    return tuple(found)
