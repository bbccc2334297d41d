"""What a soak is asked to be, as a frozen request; and its text in the record, from which a broken one goes on."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from audiomeas.errors import FileProblem, RequestError
from audiomeas.measurement import registry
from audiomeas.measurement.entered import READING
from audiomeas.measurement.quantity import accuracy_of
from audiomeas.measurement.soak import USUAL_MAINS_HZ, WORD
from audiomeas.measurement.soak_lines import OFFSET
from audiomeas.measurement.soak_source import SoakSound
from audiomeas.plan.steps import Limit, Reading, Step
from audiomeas.units import Level, parse_level, power_ratio_to_db

#: The rated power's part that is played (the regulatory preconditioning level, trade notes 7.4).
USUAL_SHARE = 0.125
USUAL_SPOT_MINUTES, USUAL_OFF_MINUTES = 30.0, 5.0
#: When d.c. offset is asked for (common practice), in hours.
USUAL_OFFSETS_H = (0.0, 1.0, 4.0, 24.0)
USUAL_HOURS, _MOST_HOURS = 4.0, 1000.0
S_AN_HOUR = 3600.0
#: The lower ends of what may be asked for, in words.
_ABOVE_ZERO, _FROM_ZERO = "more than 0", "0 or more"
TONE, PINK = "tone", "pink"
_USUAL = SoakSound()
#: The step of the record, and what its limits rest on.
STEP = "Soak"
_SOURCE = "common practice (a recheck after a soak)"
#: A recheck's flags (common practice): gain, noise, distortion ×1.5.
_GAIN_DB, _NOISE_DB, _THD_N_DB = 0.2, 3.0, 3.52
#: Inside it d.c. offset is in order (common practice); beyond the other the sound stops.
OFFSET_V, STOP_OFFSET_V = 0.02, 0.1
#: Plausible at all: the highest rails of a hi-fi unit.
_HIGHEST_OFFSET_V = 120.0
#: The energy that is never passed where nothing is said: by so much more than was asked for.
_SPARE = 1.5
_TITLE_LINE = "# A soak, as it was asked for; `audiomeas soak --resume` goes on by it.\n"


@dataclass(frozen=True, kw_only=True)
class SoakRequest:
    """What is asked for. Levels are texts with a unit ('60 W').

    rated : of each channel, of which power_share is played; or output_level, or input_level.  sound : 'tone', 'pink',
    or the path of a music file.  channels : None for all.  spots : measurements that are made every spot_minutes (zero:
    never).  cycles : how often the unit is switched off and on, for off_minutes each.  offsets_h : when d.c. offset is
    asked for.  meter : its accuracy, such as '0.5 % + 2 digits'.  most_wh : energy a channel at which it ends.
    """

    hours: float = USUAL_HOURS
    rated: str | None = None
    power_share: float = USUAL_SHARE
    output_level: str | None = None
    input_level: str | None = None
    sound: str = TONE
    frequency_hz: float = _USUAL.frequency_hz
    crest_db: float = _USUAL.crest_db
    channels: tuple[int, ...] | None = None
    mains_hz: float = USUAL_MAINS_HZ
    spots: tuple[str, ...] = ("distortion",)
    spot_minutes: float = USUAL_SPOT_MINUTES
    cycles: int = 0
    off_minutes: float = USUAL_OFF_MINUTES
    offsets_h: tuple[float, ...] = ()
    meter: str | None = None
    most_wh: float | None = None

    def __post_init__(self) -> None:
        self._refuse_impossible()
        self._refuse_of_another_sound()
        given = [self.rated, self.output_level, self.input_level]
        if sum(one is not None for one in given) != 1:
            raise RequestError(
                "give one level: --rated ('60 W', of which an eighth is played), output_level, or input_level"
            )
        for text in filter(None, given):
            parse_level(text)
        for word in self.spots:
            refuse_spot(word)
        if self.meter is not None:
            accuracy_of(self.meter)

    def _refuse_impossible(self) -> None:
        limits = (
            ("--hours", self.hours, _ABOVE_ZERO, _MOST_HOURS),
            ("power_share", self.power_share, _ABOVE_ZERO, 1.0),
            ("spot_minutes", self.spot_minutes, _FROM_ZERO, 60.0 * _MOST_HOURS),
            ("off_minutes", self.off_minutes, _FROM_ZERO, 24.0 * 60.0),
            ("--cycles", self.cycles, _FROM_ZERO, 100),
        )
        for name, value, lowest, at_most in limits:
            above = value > 0.0 if lowest == _ABOVE_ZERO else value >= 0.0
            if not (above and value <= at_most):
                raise RequestError(f"{name} of {value:g} can't be: use {lowest} and at most {at_most:g}")
        if not 45.0 <= self.mains_hz <= 65.0:
            raise RequestError(f"mains_hz of {self.mains_hz:g} is no mains: use 50 or 60")
        if self.most_wh is not None and not self.most_wh > 0.0:
            raise RequestError(f"most_wh of {self.most_wh:g} is no energy: use more than 0")

    def _refuse_of_another_sound(self) -> None:
        """Raise RequestError for what belongs to a sound that is not played."""
        for name, sound, given, usual in (
            ("frequency_hz", TONE, self.frequency_hz, _USUAL.frequency_hz),
            ("crest_db", PINK, self.crest_db, _USUAL.crest_db),
        ):
            if given != usual and self.sound != sound:
                raise RequestError(f"{name} belongs to --sound {sound}, and --sound is {self.sound!r}: leave one out")

    def levels(self) -> tuple[Level | None, Level | None]:
        """Return the level at the unit's input, and at its output, of which one is None."""
        if self.rated is not None:
            return None, parse_level(self.rated).lowered(-power_ratio_to_db(self.power_share))
        at_input = None if self.input_level is None else parse_level(self.input_level)
        return at_input, None if self.output_level is None else parse_level(self.output_level)

    def most_wh_of(self, expected_w: float | None) -> float | None:
        """Return the energy a channel at which it ends; None: there is no load. expected_w : into its load."""
        if self.most_wh is not None or expected_w is None:
            return self.most_wh
        return _SPARE * expected_w * self.hours

    def text(self) -> str:
        """Return it as the text that a record keeps."""
        lines = [f"{key} = {_toml(value)}\n" for key, value in asdict(self).items() if value is not None]
        return _TITLE_LINE + "".join(lines)

    def offset_readings(self, channels: tuple[int, ...]) -> dict[float, Reading]:
        """Return when d.c. offset is asked for (in hours) → the step of the record that it makes."""
        return {hours: _offset_reading(self, hours, channels) for hours in self.offsets_h if hours <= self.hours}

    def step(self, channels: tuple[int, ...]) -> Step:
        """Return the step of the record that the whole makes, with its limits."""
        limits = [
            _limit("sounding_h", "h", "time for which it played", at_least=self.hours),
            _limit("events", "", "events of the unit", at_most=0.0),
            _limit("gain_change_db", "dB", "change of gain", at_least=-_GAIN_DB, at_most=_GAIN_DB),
        ]
        if self.sound == TONE:
            limits += [
                _limit("noise_change_db", "dB", "change of noise", at_most=_NOISE_DB),
                _limit("thd_n_change_db", "dB", "change of distortion and noise", at_most=_THD_N_DB),
            ]
        if self.cycles:
            limits.append(_limit("cycles_done", "", "times switched off and on", at_least=float(self.cycles)))
        return Step(
            name=STEP,
            measure=WORD,
            options={},
            input_level=None,
            output_level=None,
            channels=channels,
            limits=tuple(limits),
        )


def refuse_spot(word: str) -> None:
    """Raise RequestError for a measurement that can't be made in the pauses of a soak, by itself and at its level."""
    measurement = registry.find(word)
    if measurement.word == WORD:
        raise RequestError("a soak is no spot measurement of itself: name another word, such as --spots distortion")
    if measurement.search is not None:
        raise RequestError(f"{word} finds its own levels: a spot measurement plays the level of the soak")
    if measurement.always_listens:
        raise RequestError(f"{word} hears what a unit plays by itself: a spot measurement plays the sound itself")


def request_from(text: str, file: Path) -> SoakRequest:
    """Return the request that a record's text holds. Raises FileProblem for one that is none of a soak."""
    try:
        facts: Mapping[str, Any] = tomllib.loads(text)
        known = {one.name for one in fields(SoakRequest)}
        if not facts or set(facts) - known:
            raise ValueError("it is the plan of something else")
        given: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in facts.items()}
        return SoakRequest(**given)
    except (tomllib.TOMLDecodeError, TypeError, ValueError) as error:
        raise FileProblem(f"{file} is no soak to go on with: {error}") from None


def _toml(value: Any) -> str:
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(_toml(one) for one in value)}]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)


def _limit(
    quantity: str, unit: str, words: str, *, at_least: float | None = None, at_most: float | None = None
) -> Limit:
    return Limit(quantity=quantity, unit=unit, words=words, source=_SOURCE, at_least=at_least, at_most=at_most)


def _offset_reading(request: SoakRequest, hours: float, channels: Sequence[int]) -> Reading:
    return Reading(
        name=f"{OFFSET} at {hours:g} h",
        what=f"{OFFSET} at the output",
        unit="V",
        lowest=-_HIGHEST_OFFSET_V,
        highest=_HIGHEST_OFFSET_V,
        accuracy=None if request.meter is None else accuracy_of(request.meter),
        channels=tuple(channels),
        limits=(
            Limit(
                quantity=READING,
                unit="V",
                words=f"{OFFSET} at the output",
                source=_SOURCE,
                at_least=-OFFSET_V,
                at_most=OFFSET_V,
            ),
        ),
    )
