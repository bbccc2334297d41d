"""Where the readings of a bring-up come from: a person, lines on stdin, a file, or Python.

A file of readings is TOML: what was confirmed before, then a [[reading]] for each look at the meters, in order:

[confirmed]
"Bulb in" = "yes"

[[reading]]
step = "30 %"
bulb = "dim"
mains = "36.1 V"
current = "60 mA"
dc_offset_1 = "4 mV"
dc_offset_2 = "-3 mV"
signs = "no"
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Protocol

from audiomeas.errors import FileProblem, RequestError
from audiomeas.plan.steps import Step
from audiomeas.powerup.asked import Asked, asked_at
from audiomeas.powerup.keys import STEP
from audiomeas.powerup.sheet import BULB_OUT, Sheet, SheetStep, confirmed
from audiomeas.tomlfile import Table, read_toml

#: What a person types for what was not read.
NOT_READ = "-"
_CONFIRMED, _READING = "confirmed", "reading"


class Answers(Protocol):
    """Gives what is asked for."""

    def give(self, asked: Asked, step: SheetStep | None, number: int) -> str | None:
        """Return what is typed. None: not read, and nothing more will come of it.

        step : None before any mains.   number : of the look at this step, from 0.
        """
        ...

    def again(self, problem: str) -> bool:
        """Tell what was wrong with the last answer; return whether it can be asked for once more."""
        ...


def confirmations(sheet: Sheet) -> tuple[Asked, ...]:
    """Return what is confirmed before any mains; of the taking out of the bulb see `bulb_out`."""
    return tuple(
        Asked(key=question.key, question=question)
        for step in sheet.before
        if not isinstance(step, Step)
        for question in step.questions()
    )


def bulb_out() -> Asked:
    """Return what is confirmed before the first step without the bulb."""
    (question,) = confirmed(*BULB_OUT).questions()
    return Asked(key=question.key, question=question)


class GivenReadings:
    """Readings made beforehand, from a file or from Python."""

    def __init__(self, before: Mapping[str, str], looks: Mapping[str, list[Mapping[str, str]]]) -> None:
        self._before, self._looks = before, looks

    def give(self, asked: Asked, step: SheetStep | None, number: int) -> str | None:
        """Return what was read."""
        if step is None:
            return self._before.get(asked.key)
        looks = self._looks.get(step.name, [])
        return looks[number].get(asked.key) if number < len(looks) else None

    def again(self, problem: str) -> bool:
        """Return False: what was given is all there is."""
        return False


class LineReadings:
    """Readings from lines, in the order of asking: 'current = 60 mA', or the value alone. '#' begins a remark."""

    def __init__(self, lines: Iterable[str], name: str = "stdin") -> None:
        self._lines, self._name, self._number = iter(lines), name, 0

    def give(self, asked: Asked, step: SheetStep | None, number: int) -> str | None:
        """Return the next line. Raises RequestError when it names something else, FileProblem when none can be read."""
        try:
            for line in self._lines:
                self._number += 1
                text = line.partition("#")[0].strip()
                if text:
                    return self._of(asked, text)
        except (OSError, UnicodeError) as error:
            raise FileProblem(f"{self._name} can't be read: {error}") from None
        return None

    def _of(self, asked: Asked, text: str) -> str | None:
        key, sign, value = (part.strip() for part in text.partition("="))
        if not sign:
            value = text
        elif key != asked.key:
            raise RequestError(
                f"{self._name}, line {self._number}: this is {key!r}, and {asked.key!r} is asked for: give the lines "
                "in the order of asking"
            )
        return None if value == NOT_READ else value

    def again(self, problem: str) -> bool:
        """Raise RequestError: a script can't look again."""
        raise RequestError(f"{self._name}, line {self._number}: {problem}")


def read_readings(path: Path, sheet: Sheet) -> GivenReadings:
    """Read and check a file of readings against its sheet. Raises FileProblem, TomlProblem (file, line, key)."""
    return _readings(read_toml(path), sheet)


def given_readings(facts: Mapping[str, Any], sheet: Sheet) -> GivenReadings:
    """Return readings that are given in Python, in the form of the file. Raises TomlProblem that names the key."""
    return _readings(Table(dict(facts), file=Path("readings"), source=""), sheet)


def _readings(table: Table, sheet: Sheet) -> GivenReadings:
    before = table.table(_CONFIRMED, optional=True)
    asked = [*confirmations(sheet), *([bulb_out()] if any(not step.bulb_in for step in sheet.steps) else [])]
    given = {} if before is None else _taken(before, asked)
    looks: dict[str, list[Mapping[str, str]]] = {}
    steps = {step.name: step for step in sheet.steps}
    for each in table.tables(_READING, optional=True):
        step = steps[each.choice(STEP, list(steps))]
        so_far = looks.setdefault(step.name, [])
        if len(so_far) == step.readings:
            raise each.problem(STEP, f"the sheet looks at the meters {step.readings} times at {step.name!r}")
        so_far.append(_taken(each, asked_at(sheet, step)))
    table.finish()
    return GivenReadings(given, looks)


def _taken(table: Table, asked: Iterable[Asked]) -> dict[str, str]:
    """Take what is there of what is asked, each read once to be refused with its line; refuse the rest."""
    found = {}
    for one in asked:
        text = table.text(one.key, None)
        if text is None or text.strip() == NOT_READ:
            continue
        try:
            one.question.read(text)
        except RequestError as error:
            raise table.problem(one.key, str(error)) from None
        found[one.key] = text
    table.finish()
    return found
