"""What a plan asks of the person: answered from a file, and the rest at the terminal."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from audiomeas.cli.common import on_terminal

if TYPE_CHECKING:
    from audiomeas.plan.answers import Answers
    from audiomeas.plan.steps import Question

answers_option = click.option(
    "--answers",
    metavar="FILE",
    help='TOML file with answers to what the plan asks (\'"DC offset, channel 1" = "12.5 mV"\'). What it leaves out is '
    "asked at the terminal; what nobody answers stays undecided.",
)
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
    """Ask until there is an answer that can be one; Enter leaves it out."""
    from audiomeas.errors import RequestError
    from audiomeas.plan.steps import DONE

    to_do = not question.text
    text = f"Enter when it is done ({_LEAVE_OUT} leaves it out)" if to_do else f"{question.text} (Enter leaves it out)"
    while True:
        said = str(click.prompt(text, default="", show_default=False, err=True)).strip()
        if to_do:
            return None if said == _LEAVE_OUT else DONE
        if not said:
            return None
        try:
            question.read(said)
        except RequestError as error:
            click.echo(str(error), err=True)
        else:
            return said
