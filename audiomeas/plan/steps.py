"""The kinds of step that a plan has, and their limits: a measurement, a reading to type in, an instruction."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.bench.bridged import COMMON_BELOW_OHM, parse_chassis_reading
from audiomeas.errors import BenchError, RequestError
from audiomeas.measurement import registry
from audiomeas.measurement.entered import INSTRUCTION, READING
from audiomeas.measurement.quantity import COUNT, Accuracy, Typed, parse_typed, shown_quantity
from audiomeas.measurement.result import WHOLE_UNIT
from audiomeas.record.unit import checked_text

if TYPE_CHECKING:
    from audiomeas.plan.mask import MaskLimit
    from audiomeas.units import Level


#: A load this near to the one that is stated is the same (common practice: loads of 5 %, and their leads).
SAME_LOAD = 0.06
#: What a question is answered with where any other answer is a slip; short forms are taken too.
YES, NO, DONE = "yes", "no", "done"
_SHORT = {"y": YES, "n": NO, "true": YES, "false": NO}


@dataclass(frozen=True, kw_only=True)
class Limit:
    """A limit on one figure. unit, words : the figure's.  channel : None for each channel that is measured.

    Either at_least and/or at_most, or difference_at_most (the largest difference between channels), or change_at_most
    (the largest change, either way, since the unit's last visit of the stage `since`).
    """

    quantity: str
    unit: str
    words: str
    source: str
    at_least: float | None = None
    at_most: float | None = None
    difference_at_most: float | None = None
    change_at_most: float | None = None
    since: str = ""
    channel: int | None = None


@dataclass(frozen=True, kw_only=True)
class Step:
    """One measurement of a plan. options : only what the file says; the measurement's defaults fill the rest.

    input_level, output_level : one of them, or neither (the measurement's own level).  channels : None for all.
    specification : the maker's words that it proves, '' for none; load_ohm : the load that they state, None: whatever
    the bench has.   not_stated : what they leave out, and what was taken for it.
    """

    name: str
    measure: str
    options: Mapping[str, Any]
    input_level: Level | None
    output_level: Level | None
    channels: tuple[int, ...] | None
    limits: tuple[Limit, ...]
    masks: tuple[MaskLimit, ...] = ()
    specification: str = ""
    load_ohm: float | None = None
    not_stated: tuple[str, ...] = ()

    def conditions(self) -> dict[str, Any]:
        """Return the step's conditions as plain JSON."""
        return {
            **({} if self.load_ohm is None else {"stated_load_ohm": self.load_ohm}),
            **({"not_stated": list(self.not_stated)} if self.not_stated else {}),
            "input_level": None if self.input_level is None else str(self.input_level),
            "output_level": None if self.output_level is None else str(self.output_level),
            "channels": None if self.channels is None else list(self.channels),
            **{key: _plain(value) for key, value in self.options.items()},
        }

    def refuse_other_loads(self, load_ohm: Mapping[int, float]) -> None:
        """Raise BenchError where a channel has another load than the one that is stated, or none.

        load_ohm : channel → load that the bench file enters.
        """
        for channel in self.channels or tuple(load_ohm) or (1, 2):
            there = load_ohm.get(channel)
            if self.load_ohm is not None and (there is None or abs(there / self.load_ohm - 1.0) > SAME_LOAD):
                has = "no load is" if there is None else f"{there:g} Ω are"
                raise BenchError(
                    f"stated for a load of {self.load_ohm:g} Ω; {has} entered for channel {channel}: connect that load "
                    "and enter it in the bench file"
                )


def sounds(step: PlanStep) -> bool:
    """Return whether a step sends anything: then the unit is looked at and the bench checked before it."""
    return isinstance(step, Step) and not registry.find(step.measure).only_listens(step.options)


@dataclass(frozen=True, kw_only=True)
class Question:
    """One thing that a person is asked at a step. key : under which an answer is given.  text : what to show.

    channel : WHOLE_UNIT where it belongs to none.
    """

    key: str
    text: str
    step: Reading | Instruction
    channel: int = WHOLE_UNIT

    def read(self, answer: str) -> Typed | str:
        """Return what was answered, checked. Raises RequestError: what is wrong, and how to answer."""
        return self.step.read(answer)


@dataclass(frozen=True, kw_only=True)
class Reading:
    """A value that a person reads and types in.

    what : is read; unit : it is kept in.  lowest, highest : beyond them it is a slip.  target, tolerance : of the
    maker's service notes, None without.   accuracy : of the meter; None: only what is typed behind ± is known.
    channels : asked one after the other; () where it belongs to the whole unit.   must_pass : nothing is measured
    behind it unless its limits are kept.   All quantities are in `unit`.
    """

    name: str
    what: str
    unit: str
    lowest: float
    highest: float
    target: float | None = None
    tolerance: float | None = None
    accuracy: Accuracy | None = None
    channels: tuple[int, ...] = ()
    limits: tuple[Limit, ...] = ()
    must_pass: bool = False
    measure: str = READING
    masks: tuple[MaskLimit, ...] = ()

    def conditions(self) -> dict[str, Any]:
        """Return the step's conditions as plain JSON."""
        return {
            "what": self.what,
            "unit": self.unit,
            "plausible": [self.lowest, self.highest],
            "target": self.target,
            "tolerance": self.tolerance,
            "meter": None if self.accuracy is None else self.accuracy.text(),
            "channels": list(self.channels) or None,
        }

    def questions(self) -> tuple[Question, ...]:
        """Return what is asked: once, or once a channel."""
        if not self.channels:
            return (Question(key=self.name, text=self._asked(self.what), step=self),)
        return tuple(
            Question(
                key=f"{self.name}, channel {channel}",
                text=self._asked(f"{self.what}, channel {channel}"),
                step=self,
                channel=channel,
            )
            for channel in self.channels
        )

    def _asked(self, what: str) -> str:
        if self.target is None or self.tolerance is None:
            return f"{what}, in {self.unit}" if self.unit != COUNT else f"{what}, how many"
        target, tolerance = (shown_quantity(value, self.unit) for value in (self.target, self.tolerance))
        return f"{what} (target {target}, within {tolerance})"

    def read(self, answer: str) -> Typed:
        """Return a typed value. Raises RequestError: no quantity of this unit, or beyond what is plausible."""
        typed = parse_typed(answer, self.unit, self.accuracy)
        for beyond, edge, words in (
            (typed.value < self.lowest, self.lowest, "below {}, the lowest plausible"),
            (typed.value > self.highest, self.highest, "above {}, the highest plausible"),
        ):
            if beyond:
                shown = words.format(shown_quantity(edge, self.unit))
                raise RequestError(f"{typed.text} lies {shown}: read again, and look at the unit and the decimal point")
        return typed


@dataclass(frozen=True, kw_only=True)
class Instruction:
    """Something that a person does, and may be asked about.

    text : what to do.  question : '' where it is only confirmed.  expected : the answer that passes; '' where each
    answer is right.  choices : answers that are taken; () for any.   must_pass : as for a reading.
    """

    name: str
    text: str
    question: str = ""
    expected: str = ""
    choices: tuple[str, ...] = ()
    limits: tuple[Limit, ...] = ()
    must_pass: bool = False
    channels: None = None
    measure: str = INSTRUCTION
    masks: tuple[MaskLimit, ...] = ()

    def conditions(self) -> dict[str, Any]:
        """Return the step's conditions as plain JSON."""
        return {"instruction": self.text, "question": self.question, "expected": self.expected}

    def questions(self) -> tuple[Question, ...]:
        """Return the one thing that is asked."""
        return (Question(key=self.name, text=self.question, step=self),)

    def is_right(self, answer: str) -> bool:
        """Tell whether an answer is the expected one."""
        return answer.casefold() == self.expected.casefold()

    def read(self, answer: str) -> str:
        """Return an answer. Raises RequestError when it is none of those that are taken."""
        said = answer.strip()
        if not self.choices:
            return checked_text(said, "the answer")
        word = _SHORT.get(said.casefold(), said.casefold()) if YES in self.choices else said.casefold()
        for choice in self.choices:
            if word == choice.casefold():
                return choice
        raise RequestError(f"{said!r} is not one of {', '.join(self.choices)}")


@dataclass(frozen=True, kw_only=True)
class Topology(Instruction):
    """Ohms from a minus terminal to chassis, which tell whether the wiring of the plan fits. bridged : it is for that.

    What is answered is a meter's reading: a number of ohms, or 'open'.
    """

    bridged: bool = False

    def read(self, answer: str) -> str:
        """Return the reading as it was typed. Raises RequestError when it is none."""
        parse_chassis_reading(answer)
        return answer.strip()

    def is_right(self, answer: str) -> bool:
        """Tell whether the wiring fits."""
        return (parse_chassis_reading(answer) >= COMMON_BELOW_OHM) == self.bridged


#: Each has name, measure, channels, limits, masks and `conditions()`.
PlanStep = Step | Reading | Instruction


def _plain(value: Any) -> Any:
    """Return an option's value as plain JSON (a level is said with its unit)."""
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value if isinstance(value, (bool, int, float, str)) or value is None else str(value)
