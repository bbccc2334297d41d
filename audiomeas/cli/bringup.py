"""`audiomeas bringup SHEET --unit …`: a guided first power-up. Nothing sounds, and no device is opened."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from audiomeas.cli.common import (
    Command,
    json_option,
    on_terminal,
    print_json,
    say,
    show_progress,
    show_progress_end,
)
from audiomeas.cli.visits import other_unit_asked, unit_option, visit_options

if TYPE_CHECKING:
    from audiomeas.powerup.asked import Asked
    from audiomeas.powerup.outcome import BringUp
    from audiomeas.powerup.sheet import SheetStep

#: Of the further lines of a text.
_INDENT = 4


@click.command(cls=Command)
@click.argument("sheet", metavar="SHEET")
@unit_option
@click.option(
    "--mains", metavar="VOLTS", help="The unit's nominal mains, such as '230 V', where the sheet doesn't say."
)
@click.option("--bulb", metavar="WATTS", help="The bulb in series, such as '100 W', where the sheet doesn't say.")
@click.option(
    "--readings",
    type=click.Path(),
    metavar="FILE",
    help='Readings made beforehand (TOML): below [confirmed] a line \'"Bulb in" = "yes"\' for each question, then a '
    "[[reading]] for each look at the meters: step, bulb, mains, current, dc_offset_1, dc_offset_2, signs, each a text "
    "such as '60 mA'.",
)
@click.option("--no-wait", is_flag=True, help="Leave the dwells out; the record says so.")
@visit_options
@json_option
def bringup(
    sheet: str,
    unit: str,
    mains: str | None,
    bulb: str | None,
    readings: str | None,
    no_wait: bool,
    records: str,
    stage: str,
    new_stay: bool,
    other_unit: bool,
    as_json: bool,
) -> int:
    """Raise a unit's mains for the first time, step by step, through a bulb, with what stops it and what warns.

    \b
    Example: audiomeas bringup solid-state --unit "Demo amplifier A, serial D-0001" --mains "230 V" --bulb "100 W"

    SHEET is a TOML file, or a shipped one: solid-state, tube. You switch and read the meters, audiomeas asks, waits,
    compares and keeps the record; it plays nothing and is not a safety device. '-' is typed for what was not read.
    Without a terminal, lines on stdin answer in the order of asking ('current = 60 mA', or '60 mA'). Exit status 1 when
    a stop limit was passed or something was not entered.
    """
    from audiomeas.powerup.guide import bringup as bringup_call

    found = bringup_call(
        sheet,
        unit=unit,
        readings=_source(readings),
        mains=mains,
        bulb=bulb,
        records=records,
        stage=stage,
        new_stay=new_stay,
        other_unit=other_unit_asked(records, unit, other_unit),
        wait=not no_wait,
        say=say,
        progress=show_progress,
    )
    show_progress_end()
    if as_json:
        print_json(found.as_json())
    else:
        click.echo("\n".join(_lines(found)))
    return found.exit_status


def _source(readings: str | None) -> Any:
    from audiomeas.powerup.answers import LineReadings

    if readings is not None:
        return readings
    if on_terminal(sys.stdin, sys.stderr):
        return _Person()
    return LineReadings(sys.stdin or ())


class _Person:
    """Who sits at the terminal."""

    def give(self, asked: Asked, step: SheetStep | None, number: int) -> str | None:
        """Ask. The end of the input, and '-', say that it was not read."""
        from audiomeas.powerup.answers import NOT_READ

        show_progress_end()
        instruction = getattr(asked.question.step, "text", "")
        what = f"{instruction}. {asked.question.text}" if step is None else asked.question.text
        try:
            answer: str = click.prompt(what, err=True)
        except click.Abort:
            say("")  # leaves the line of the question
            return None
        return None if answer.strip() == NOT_READ else answer

    def again(self, problem: str) -> bool:
        """Say what was wrong, and ask once more."""
        say(f"{problem}; once more")
        return True


def _lines(found: BringUp) -> list[str]:
    """Return what a bring-up came to: looks, warnings, rows that don't pass, verdict, record."""
    from audiomeas.powerup.views import table_of
    from audiomeas.present.outcome import folded, row_text
    from audiomeas.present.tables import render_table, terminal_width

    width = terminal_width(sys.stdout)
    lines = folded("", f"{found.visit.unit.name}, {found.visit.stage}: {found.sheet.title}", 0, width)
    if found.moments:
        lines += ["", render_table(table_of(found), width=width).rstrip("\n"), ""]
    for warning in found.warnings:
        lines += folded("warning: ", warning, _INDENT, width)
    for step in found.visit.steps:
        for row in step.verdicts:
            if row.verdict != "pass":
                where = "" if row.words == step.name else f"{step.name}: "  # a question is its step's name already
                lines += folded(f"{row.verdict}: ", f"{where}{row_text(row, step.result)}", _INDENT, width)
    for word, reason in (("stopped", found.stopped), ("ended early", found.ended)):
        if reason:
            lines += folded(f"{word}: ", reason, _INDENT, width)
    missing = " (what is missing is never a pass)" if found.verdict == "undecided" and not found.visit.complete else ""
    return [*lines, f"verdict: {found.verdict}{missing}", f"record: {found.visit.path}"]
