"""`audiomeas batch STACK`: the units of a stack one after the other, each with a record; resumable at any point."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from audiomeas.cli.answers import answers_for, answers_option
from audiomeas.cli.common import (
    Command,
    bench_option,
    json_option,
    on_terminal,
    print_json,
    say,
    show_progress,
    show_progress_end,
)
from audiomeas.cli.loudspeakers import asked, loudspeakers_option
from audiomeas.cli.visits import records_option

if TYPE_CHECKING:
    from audiomeas.plan.batch import BatchOutcome, Go
    from audiomeas.plan.stack import Entry


@click.command(cls=Command)
@click.argument("stack", metavar="STACK")
@records_option
@click.option("--resume", is_flag=True, help="Go on with the batch of this stack that is not finished.")
@click.option("--anew", is_flag=True, help="Begin another batch although one is not finished; what it measured stays.")
@click.option("--no-prompt", is_flag=True, help="Do not wait for the person between units.")
@click.option("--without-check", metavar="REASON", help="As in `run`: why the bench is not checked before each unit.")
@click.option("--table", metavar="FILE", help="Also write each value of each unit into a new table (CSV, or JSON).")
@click.option("--chart", metavar="FILE", help="Also draw a curve of all units over each other (PNG, SVG, PDF).")
@answers_option
@bench_option
@loudspeakers_option
@json_option
def batch(
    stack: str,
    records: str,
    resume: bool,
    anew: bool,
    no_prompt: bool,
    without_check: str | None,
    table: str | None,
    chart: str | None,
    answers: str | None,
    bench: str | None,
    loudspeakers: str | None,
    as_json: bool,
) -> int:
    """Run the units of a stack one after the other, and keep a record of each.

    \b
    Example: audiomeas batch shelf.toml
             audiomeas batch shelf.toml --resume

    STACK is a TOML file: a title, a plan, and one [[unit]] with a name each. Between two units you are asked to connect
    the next one. A unit that fails or is refused does not stop the others. After Ctrl-C, a crash or a power cut
    --resume goes on at the first step that was not finished.
    """
    from audiomeas.plan.answers import read_answers
    from audiomeas.plan.batch import batch as batch_call

    refuse_bad_targets(table, chart)
    if answers is not None:
        read_answers(Path(answers))  # before a batch begins: were it wrong, each unit would count as failed
    outcome = batch_call(
        stack,
        records=records,
        bench=bench,
        loudspeakers=asked(bench, loudspeakers),
        resume=resume,
        anew=anew,
        without_check=without_check,
        answers=lambda entry: answers_for(str(entry.plan.path), _file_of(entry, answers)),
        ready=None if no_prompt or not on_terminal(sys.stdin, sys.stderr) else _ready,
        say=say,
        progress=show_progress,
    )
    show_progress_end()
    if as_json:
        print_json(outcome.as_json())
    else:
        from audiomeas.present.stack import StackLine, stack_text
        from audiomeas.present.tables import terminal_width, wants_colour

        lines = [
            StackLine(
                number=each.entry.number,
                name=each.entry.unit.name,
                stage=each.entry.stage,
                outcome=each.outcome,
                reason=each.reason,
                visit=each.visit,
            )
            for each in outcome.units
        ]
        click.echo(stack_text(outcome.title, lines, width=terminal_width(sys.stdout), colour=wants_colour(sys.stdout)))
        click.echo(f"batch: {outcome.path}")
    return max(outcome.exit_status, _drawn(outcome, table, chart))


def refuse_bad_targets(table: str | None, chart: str | None) -> None:
    """Refuse files that could not be written, before anything is measured. Raises RequestError, FileProblem."""
    from audiomeas.files import refuse_unwritable
    from audiomeas.present.saving import CHART_SUFFIXES, check_suffix
    from audiomeas.record.export import refuse_other_ending
    from audiomeas.record.visit import refuse_inside_a_record

    if table is not None:
        refuse_other_ending(Path(table))
    if chart is not None:
        check_suffix(Path(chart), CHART_SUFFIXES)
    for file in (table, chart):
        if file is not None:
            refuse_inside_a_record(Path(file))
            refuse_unwritable(Path(file))


def _drawn(outcome: BatchOutcome, table: str | None, chart: str | None) -> int:
    """Write table and chart; what can't be drawn is told, and does not lose what the batch came to."""
    from audiomeas.errors import EXIT_DONE, RequestError

    visits = [visit.path for visit in outcome.visits]
    try:
        if table is not None and visits:
            from audiomeas.record.export import export

            say(f"table: {export(table, visit=visits, say=say).file}")
        if chart is not None and visits:
            from audiomeas.present.api import overlay

            say(f"chart: {overlay(visits, chart, say=say)}")
    except RequestError as error:
        say(f"audiomeas: {error}")
        return error.exit_status
    return EXIT_DONE


def _file_of(entry: Entry, answers: str | None) -> str | None:
    return answers if entry.answers is None else str(entry.answers)


def _ready(entry: Entry, units: int) -> Go:
    """Ask the person to connect a unit."""
    show_progress_end()
    words: dict[str, Go] = {"": "go", "s": "skip", "q": "stop"}
    while True:
        try:
            answer = click.prompt(
                f"Connect unit {entry.number} of {units}, {entry.unit.name}. Enter goes on, s skips it, q ends for now",
                default="",
                show_default=False,
                err=True,
            )
        except click.Abort:  # the end of the input
            return "stop"
        go = words.get(answer.strip().lower())
        if go is not None:
            return go
        say(f"{answer!r} is none of Enter, s, q")
