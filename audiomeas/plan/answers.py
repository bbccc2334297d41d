"""What a person answers at the steps of a plan: at the terminal, from a file, or from Python.

A file of answers is TOML, one line a question, under the name of its step:

"DC offset, channel 1" = "12.5 mV"
"DC offset, channel 2" = "−3.1 ± 0.2 mV"
"Tone controls at their centre" = "yes"
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError
from audiomeas.measurement.entered import instruction_result, reading_result
from audiomeas.measurement.quantity import Typed
from audiomeas.plan.steps import NO, YES, Instruction, PlanStep, Question, Reading, Step
from audiomeas.tomlfile import Table, nearest, read_toml

if TYPE_CHECKING:
    from audiomeas.measurement.result import Result

#: Key of a question → its answer; or what gives the answer to a question, None where there is none.
Answers = Mapping[str, Any] | Callable[[Question], str | None]
#: Why a step has no result.
NOT_ENTERED = "not entered"


class AnswerFile(dict[str, str]):
    """The answers of a file, which knows where each of them stands."""

    def __init__(self, table: Table) -> None:
        super().__init__((key, _text(key, table.any_value(key), table)) for key in table.keys())  # noqa: SIM118
        self._table = table

    def problem(self, key: str, message: str) -> RequestError:
        """Return an error that names file, line and key; the caller raises it."""
        return self._table.problem(key, message)


def read_answers(path: Path) -> AnswerFile:
    """Read a file of answers. Raises FileProblem, TomlProblem (file, line, key)."""
    return AnswerFile(read_toml(path))


def _text(key: str, value: Any, table: Table) -> str:
    if not isinstance(value, (str, bool, int, float)):
        raise table.problem(key, 'an answer is a text such as "12.5 mV" or "yes"')
    return _said(value)


def _said(value: Any) -> str:
    """Return an answer as a person would have typed it."""
    if isinstance(value, bool):
        return YES if value else NO
    return str(value)


def questions_of(steps: tuple[PlanStep, ...]) -> dict[str, Question]:
    """Return all questions of a plan by their keys, in order."""
    asked = [question for step in steps if not isinstance(step, Step) for question in step.questions()]
    return {question.key: question for question in asked}


def refuse_wrong_answers(steps: tuple[PlanStep, ...], answers: Answers | None) -> None:
    """Refuse given answers that belong to no question of a plan, or that are none, before anything is done.

    Answers that are asked for one by one are checked when they come. Raises RequestError (with file and line, where
    they come from a file).
    """
    if answers is None or callable(answers):
        return
    asked = questions_of(steps)
    for key, value in answers.items():
        try:
            if key not in asked:
                known = f"; it asks: {', '.join(map(repr, asked))}" if asked else ": it asks nothing"
                raise RequestError(f"this plan has no question {key!r}{nearest(key, list(asked))}{known}")
            asked[key].read(_said(value))
        except RequestError as error:
            if isinstance(answers, AnswerFile):
                raise answers.problem(key, str(error)) from None
            raise RequestError(f"answer to {key!r}: {error}") from None


def entered(step: Reading | Instruction, answers: Answers | None, *, simulated: bool) -> Result | None:
    """Ask what a step asks; return its result, None where nothing was entered.

    Of a reading on several channels those that were entered. Raises RequestError for an answer that is none.
    """
    found = {question.channel: answer for question in step.questions() if (answer := _asked(question, answers))}
    if not found:
        return None
    if isinstance(step, Reading):
        typed = {channel: one for channel, one in found.items() if isinstance(one, Typed)}
        return reading_result(step.what, step.unit, typed, simulated=simulated)
    (answer,) = (str(one) for one in found.values())
    return instruction_result(
        step.text,
        step.question,
        answer,
        expected=step.expected,
        right=step.is_right(answer) if step.expected else None,
        simulated=simulated,
    )


def _asked(question: Question, answers: Answers | None) -> Typed | str | None:
    said = None if answers is None else (answers(question) if callable(answers) else answers.get(question.key))
    if said is None or not _said(said).strip():
        return None
    return question.read(_said(said))
