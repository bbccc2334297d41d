"""`audiomeas run PLAN --unit …`: a plan on one unit, verdicts, and a record of the visit."""

from __future__ import annotations

import sys

import click

from audiomeas.cli.answers import answers_for, answers_option
from audiomeas.cli.common import Command, bench_option, json_option, print_json, say, show_progress, show_progress_end
from audiomeas.cli.loudspeakers import asked, loudspeakers_option
from audiomeas.cli.visits import other_unit_asked, unit_option, visit_options


@click.command(cls=Command)
@click.argument("plan", metavar="PLAN")
@unit_option
@visit_options
@click.option(
    "--without-check",
    metavar="REASON",
    help="Leave out the quiet check of the bench before the first step; the reason is kept in the record.",
)
@click.option(
    "--resume",
    metavar="FOLDER",
    help="Go on with a visit of this unit and plan that was broken off, at its first step that was not finished.",
)
@answers_option
@bench_option
@loudspeakers_option
@json_option
def run(
    plan: str,
    unit: str,
    records: str,
    stage: str,
    new_stay: bool,
    other_unit: bool,
    without_check: str | None,
    resume: str | None,
    answers: str | None,
    bench: str | None,
    loudspeakers: str | None,
    as_json: bool,
) -> int:
    """Run a plan on one unit, judge its limits, and keep a record of the visit.

    \b
    Example: audiomeas run power-amplifier --unit "Demo amplifier A, serial D-0001"

    PLAN is a TOML file, or the name of a shipped plan. The bench is checked first, quietly, the unit connected: when
    results could not be trusted nothing is measured. What the plan asks (wiring, checklist, readings) is asked at the
    terminal, or taken from --answers. Exit status 1 when a verdict is fail or undecided.
    """
    from audiomeas.plan.run import run as run_call

    outcome = run_call(
        plan,
        unit=unit,
        bench=bench,
        loudspeakers=asked(bench, loudspeakers),
        records=records,
        stage=stage,
        new_stay=new_stay,
        other_unit=other_unit_asked(records, unit, other_unit),
        without_check=without_check,
        resume=resume,
        answers=answers_for(plan, answers),
        say=say,
        progress=show_progress,
    )
    show_progress_end()
    if as_json:
        print_json(outcome.as_json())
    else:
        from audiomeas.present.outcome import visit_text
        from audiomeas.present.tables import terminal_width
        from audiomeas.record.void import later_of

        click.echo(visit_text(outcome.visit, later=later_of(outcome.visit), width=terminal_width(sys.stdout)))
    return outcome.exit_status
