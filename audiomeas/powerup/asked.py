"""What is asked of the person at each moment of a bring-up, and the steps of the record that it makes. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from audiomeas.errors import RequestError
from audiomeas.measurement.entered import AS_EXPECTED, READING
from audiomeas.measurement.quantity import COUNT, Accuracy, Typed
from audiomeas.plan.steps import NO, Instruction, Limit, Question, Reading
from audiomeas.powerup.keys import CURRENT, DC_OFFSET, DC_OFFSET_NAME, GLOW, MAINS, MAINS_NAME, SIGNS
from audiomeas.powerup.sheet import GLOWS, HOUSE, Sheet, SheetReading, SheetStep
from audiomeas.tomlfile import nearest

#: Plausible at all: twice the mains; more than a domestic circuit carries; the highest rails of a hi-fi unit.
_HIGHEST_OF_MAINS, _HIGHEST_A, _HIGHEST_OFFSET_V = 2.0, 50.0, 120.0
#: At the end the mains lies within this part of nominal (common practice).
_AT_NOMINAL = 0.02
#: From here a step counts as full mains.
FULL_PERCENT = 97.0
_GLOW_WORDS = "bulb in series"
_SIGNS_WORDS = "smell, smoke, heat, hum or noise from the unit"


@dataclass(frozen=True, kw_only=True)
class GlowReading(Reading):
    """How bright the bulb is: a word, kept as its place in `GLOWS`, which is exact."""

    def read(self, answer: str) -> Typed:
        """Return the place of a word. Raises RequestError."""
        word = answer.strip().casefold()
        if word not in GLOWS:
            raise RequestError(f"{answer.strip()!r} is not one of {', '.join(GLOWS)}{nearest(word, list(GLOWS))}")
        return Typed(text=word, value=float(GLOWS.index(word)), unit=COUNT, parts=())

    def _asked(self, what: str) -> str:
        return f"{what} ({', '.join(GLOWS)})"


@dataclass(frozen=True, kw_only=True)
class Asked:
    """One thing to type. key : in files.   question : what is shown, and reads.   optional : may be missing."""

    key: str
    question: Question
    optional: bool = False


@dataclass(frozen=True, kw_only=True)
class Moment:
    """One look at all meters. number : from 0, of its step.  after_s : since the step's mains was reached.

    typed : key → what was read; what was not read is not there.   signs : what was smelt, seen or heard.
    """

    step: SheetStep
    number: int
    after_s: float
    typed: Mapping[str, Typed] = field(default_factory=dict)
    signs: str = ""

    @property
    def last(self) -> bool:
        """It is the last one of its step."""
        return self.number == self.step.readings - 1

    def with_read(self, key: str, read: Typed | str) -> Moment:
        """Return the moment with one more thing read."""
        if isinstance(read, Typed):
            return replace(self, typed={**self.typed, key: read})
        return replace(self, signs=read)

    def value(self, key: str) -> float | None:
        """Return a value; None: not read."""
        typed = self.typed.get(key)
        return None if typed is None else typed.value

    def text(self, key: str) -> str:
        """Return a value as it was typed; '' where it was not read."""
        typed = self.typed.get(key)
        return "" if typed is None else typed.text


def offset_key(channel: int) -> str:
    """Return the key of a channel's d.c. offset."""
    return f"{DC_OFFSET}_{channel}"


def own_keys(own: SheetReading) -> tuple[str, ...]:
    """Return the keys of a sheet's own reading, one a channel."""
    return tuple(_key(own.name, question) for question in own.reading.questions())


def step_voltage_v(sheet: Sheet, step: SheetStep) -> float:
    """Return the mains voltage that a step asks for."""
    return sheet.bulb().mains_v * step.mains_percent / 100.0


def planned(sheet: Sheet, step: SheetStep) -> tuple[Reading | Instruction, ...]:
    """Return the steps of the record that a rest makes, in the order of asking; channels together in one."""
    return tuple(each for each, _ in _planned(sheet, step))


def asked_at(sheet: Sheet, step: SheetStep) -> tuple[Asked, ...]:
    """Return what is asked at each moment of a rest, in order."""
    return tuple(
        Asked(key=_key(key, question), question=question, optional=own is not None and own.optional)
        for (each, own), key in zip(_planned(sheet, step), _keys(sheet, step), strict=True)
        for question in each.questions()
    )


def optional_at(sheet: Sheet, step: SheetStep) -> frozenset[str]:
    """Return the names of the record's steps that a unit need not have."""
    return frozenset(each.name for each, own in _planned(sheet, step) if own is not None and own.optional)


def keys_of(sheet: Sheet, step: SheetStep, planned_step: Reading | Instruction) -> tuple[str, ...]:
    """Return the keys of what goes into one step of the record, a channel each."""
    return tuple(each.key for each in asked_at(sheet, step) if each.question.step.name == planned_step.name)


def _key(key: str, question: Question) -> str:
    if key == DC_OFFSET:
        return offset_key(question.channel)
    return f"{key}, channel {question.channel}" if question.channel else key


def _keys(sheet: Sheet, step: SheetStep) -> Iterator[str]:
    if step.bulb_in:
        yield GLOW
    yield from (MAINS, CURRENT)
    if sheet.dc_offset:
        yield DC_OFFSET
    yield from (own.name for own in _own_at(sheet, step))
    yield SIGNS


def _own_at(sheet: Sheet, step: SheetStep) -> list[SheetReading]:
    return [own for own in sheet.readings if step.mains_percent >= own.from_percent]


def _planned(sheet: Sheet, step: SheetStep) -> Iterator[tuple[Reading | Instruction, SheetReading | None]]:
    if step.bulb_in:
        yield _glow(sheet, step), None
    yield _mains(sheet, step), None
    yield _typed(step, CURRENT, "mains current", "A", (0.0, _HIGHEST_A), sheet.meters.current), None
    if sheet.dc_offset:
        yield _offset(sheet, step), None
    for own in _own_at(sheet, step):
        last = step == sheet.steps[-1]
        name = f"{step.name}: {own.name}"
        yield replace(own.reading, name=name, limits=own.reading.limits if last else ()), own
    yield _signs(step), None


def _typed(
    step: SheetStep,
    name: str,
    what: str,
    unit: str,
    plausible: tuple[float, float],
    accuracy: Accuracy | None,
    channels: tuple[int, ...] = (),
    within: tuple[float, float] | None = None,
) -> Reading:
    limits = () if within is None else (_limit(what, unit, *within),)
    return Reading(
        name=f"{step.name}: {name}",
        what=what,
        unit=unit,
        lowest=plausible[0],
        highest=plausible[1],
        accuracy=accuracy,
        channels=channels,
        limits=limits,
    )


def _limit(words: str, unit: str, at_least: float | None, at_most: float | None) -> Limit:
    return Limit(quantity=READING, unit=unit, words=words, source=HOUSE, at_least=at_least, at_most=at_most)


def _glow(sheet: Sheet, step: SheetStep) -> GlowReading:
    steady = float(GLOWS.index(sheet.steady_glow))
    words = f"{_GLOW_WORDS}, {', '.join(f'{place} {word}' for place, word in enumerate(GLOWS))}"
    return GlowReading(
        name=f"{step.name}: {GLOW}",
        what=_GLOW_WORDS,
        unit=COUNT,
        lowest=0.0,
        highest=float(len(GLOWS) - 1),
        limits=(_limit(words, "", None, steady),),
    )


def _mains(sheet: Sheet, step: SheetStep) -> Reading:
    nominal_v = sheet.bulb().mains_v
    end = step == sheet.steps[-1] and step.mains_percent >= FULL_PERCENT
    within = ((1.0 - _AT_NOMINAL) * nominal_v, (1.0 + _AT_NOMINAL) * nominal_v) if end else None
    plausible = (0.0, _HIGHEST_OF_MAINS * nominal_v)
    return _typed(step, MAINS_NAME, MAINS_NAME, "V", plausible, sheet.meters.mains, within=within)


def _offset(sheet: Sheet, step: SheetStep) -> Reading:
    most_v = sheet.stops.dc_offset_v
    within = (-most_v, most_v) if step.mains_percent >= sheet.stops.dc_offset_from_percent else None
    plausible = (-_HIGHEST_OFFSET_V, _HIGHEST_OFFSET_V)
    return _typed(
        step,
        DC_OFFSET_NAME,
        f"{DC_OFFSET_NAME} at the output",
        "V",
        plausible,
        sheet.meters.dc,
        sheet.channels,
        within=within,
    )


def _signs(step: SheetStep) -> Instruction:
    return Instruction(
        name=f"{step.name}: {SIGNS}",
        text=_SIGNS_WORDS,
        question=f"{_SIGNS_WORDS} ({NO!r}, or what it is)",
        expected=NO,
        limits=(Limit(quantity=AS_EXPECTED, unit="", words=f"no {_SIGNS_WORDS}", source=HOUSE, at_least=1.0),),
    )
