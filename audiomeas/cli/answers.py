"""What a plan asks of the person: answered from a file, and the rest at the terminal."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from audiomeas.cli.common import on_terminal
from audiomeas.errors import RequestError

if TYPE_CHECKING:
    from audiomeas.plan.answers import Answers
    from audiomeas.plan.steps import Question

answers_option = click.option(
    "--answers",
    metavar="FILE",
    help='TOML file with answers to what the plan asks (\'"DC offset, channel 1" = "12.5 mV"\'). What it leaves out is '
    "asked at the terminal; what nobody answers stays undecided.",
)
#: Said once to an answer behind which nothing is measured; the expected one stands behind it.
_PUT_RIGHT = "nothing is measured like this: put it right and answer again, or answer the same to end here; expected"
#: Typed in place of an answer to what is done by pressing Enter.
_LEAVE_OUT = "-"


def answers_for(plan: str, file: str | None) -> Answers | None:
    """Return what answers a plan's questions: the file, and for the rest the person, where one sits at the terminal.

    Raises FileProblem, TomlProblem, RequestError (an answer that the plan does not ask for, or that is none).
    """
    from audiomeas.plan.answers import read_answers, refuse_wrong_answers
    from audiomeas.plan.file import find_plan, read_plan

    given = None if file is None else read_answers(Path(file))
    if given is not None:
        refuse_wrong_answers(read_plan(find_plan(plan)).steps, given)
    if not on_terminal(sys.stdin, sys.stderr):
        return given

    def answer(question: Question) -> str | None:
        return given[question.key] if given is not None and question.key in given else _asked(question)

    return answer


def _asked(question: Question) -> str | None:
    """Ask until there is an answer that can be one; Enter leaves it out.

    An answer that would end the run is asked for twice: what is not as it must be may be put right meanwhile.
    """
    from audiomeas.plan.steps import DONE

    if not question.text:
        said = _prompted(f"Enter when it is done ({_LEAVE_OUT} leaves it out)")
        return None if said == _LEAVE_OUT else DONE
    told = False  # what would be right
    while said := _prompted(f"{question.text} (Enter leaves it out)"):
        try:
            question.read(said)
        except RequestError as error:
            click.echo(str(error), err=True)
            continue
        right = _right_instead(question, said)
        if told or not right:
            return said
        told = True
        click.echo(f"{_PUT_RIGHT}: {right}", err=True)
    return None


def _prompted(text: str) -> str:
    return str(click.prompt(text, default="", show_default=False, err=True)).strip()


def _right_instead(question: Question, said: str) -> str:
    """Return what must be answered for the run to go on; '' where this answer does not end it."""
    from audiomeas.plan.steps import Instruction

    step = question.step
    if not isinstance(step, Instruction) or not step.must_pass or step.is_right(str(step.read(said))):
        return ""
    return step.expected
