"""`audiomeas soak --unit … --hours 4 --rated "60 W"`: hours in a run-in position, watched each second."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from audiomeas.cli.common import (
    Command,
    bench_option,
    channels_option,
    hertz,
    json_option,
    number,
    on_terminal,
    print_json,
    say,
    show_progress,
    show_progress_end,
)
from audiomeas.cli.kept_memory import keep_freed_memory
from audiomeas.cli.loudspeakers import asked, loudspeakers_option
from audiomeas.cli.stdin_lines import StdinLines
from audiomeas.cli.visits import other_unit_asked, visit_options
from audiomeas.errors import RequestError

if TYPE_CHECKING:
    from audiomeas.plan.soak import SoakOutcome

#: Of the further lines of a text.
_INDENT = 4
_TERMS = {
    "hours": (number, "4", "How long it plays in all."),
    "power-share": (number, "0.125", "Part of the rated power that is played."),
    "spot-minutes": (number, "30", "A spot measurement before, and after each so many minutes of sound; 0: none."),
    "off-minutes": (number, "5", "How long the unit stays off in a cycle."),
}


def _terms(command: Any) -> Any:
    for name, (kind, default, words) in reversed(_TERMS.items()):
        command = click.option(
            f"--{name}", type=kind, default=default, show_default=True, metavar="NUMBER", help=words
        )(command)
    return command


@click.command(cls=Command)
@click.option(
    "--unit",
    metavar="TEXT",
    help="The unit, such as 'Demo amplifier A, serial D-0001'; one that was here before also by its serial number.",
)
@click.option("--rated", metavar="LEVEL", help="What the maker states for each channel, such as '60 W'.")
@click.option("--output-level", metavar="LEVEL", help="Or the level at the unit's output itself, such as '7.5 W'.")
@click.option("--input-level", metavar="LEVEL", help="Or the level at the unit's input, such as '200 mV'.")
@_terms
@click.option(
    "--sound", default="tone", show_default=True, metavar="SOUND", help="tone, pink, or a music file (WAV or FLAC)."
)
@click.option("--frequency", type=hertz, default="1k", show_default=True, metavar="HZ", help="Of the tone, whole.")
@click.option(
    "--crest-db", type=number, default="12", show_default=True, metavar="DB", help="Crest factor of pink noise."
)
@channels_option
@click.option("--mains-hz", type=number, default="50", show_default=True, metavar="HZ", help="Whose lines are hum.")
@click.option(
    "--spots",
    default="distortion",
    show_default=True,
    metavar="WORDS",
    help="What is measured then: 'distortion,gain'.",
)
@click.option("--cycles", type=click.INT, default=0, show_default=True, metavar="N", help="Ask N times for off and on.")
@click.option(
    "--offsets",
    metavar="HOURS",
    help="Ask for d.c. offset after these hours, such as '0,1,4,24'. Default: those, where somebody is there to type.",
)
@click.option("--meter", metavar="ACCURACY", help="Of the meter that reads it, such as '0.5 % + 2 digits'.")
@click.option(
    "--most-wh", type=number, metavar="WH", help="End at this energy a channel. Default: half more than it would be."
)
@click.option("--resume", type=click.Path(), metavar="VISIT", help="Go on with a soak that was broken off.")
@visit_options
@loudspeakers_option
@bench_option
@json_option
@click.pass_context
def soak(
    ctx: click.Context,
    /,
    unit: str | None,
    resume: str | None,
    records: str,
    stage: str,
    new_stay: bool,
    other_unit: bool,
    loudspeakers: str | None,
    bench: str | None,
    as_json: bool,
    **terms: Any,
) -> int:
    """Let a unit play for hours into dummy loads, watch each second, and keep log, events and drift in its record.

    \b
    Example: audiomeas soak --unit "Demo amplifier A, serial D-0001" --hours 4 --rated "60 W"

    An eighth of the rated power, unless you ask for another. Level, balance, hum, noise and distortion stand in the log
    each second; a step, a drop-out, a rise of noise, clipping or an opened protection is kept with its sound, and mutes
    where it must. Ctrl-C fades first and keeps all; --resume goes on. While it runs, lines on stdin say:

    \b
    off  on  offset CHANNEL VALUE  note TEXT  spot  quit

    audiomeas is no fire protection: stay with it. Exit status 1 when the unit did not stand it without an event.
    """
    from audiomeas.plan.soak import soak as soak_call

    keep_freed_memory()
    hand = StdinLines()
    fixed: dict[str, Any] = {"bench": bench, "loudspeakers": asked(bench, loudspeakers), "hand": hand}
    if resume is not None:
        _refuse_terms(ctx)
        found = soak_call(resume=resume, say=_say, progress=show_progress, **fixed)
    else:
        if unit is None:
            raise RequestError("give the unit with --unit, such as 'Demo amplifier A, serial D-0001'")
        found = soak_call(
            _request(terms),
            unit=unit,
            records=records,
            stage=stage,
            new_stay=new_stay,
            other_unit=other_unit_asked(records, unit, other_unit),
            say=_say,
            progress=show_progress,
            **fixed,
        )
    show_progress_end()
    if as_json:
        print_json(found.as_json())
    else:
        click.echo("\n".join(_lines(found)))
    return found.exit_status


def _say(line: str) -> None:
    show_progress_end()
    say(line)


def _refuse_terms(ctx: click.Context) -> None:
    """Raise RequestError where something was asked for that a soak which goes on knows already."""
    kept = {"resume", "bench", "loudspeakers", "as_json", "records"}
    for name in ctx.params:
        source = ctx.get_parameter_source(name)
        if name not in kept and source is click.core.ParameterSource.COMMANDLINE:
            raise RequestError(f"--resume goes on with what was asked for then: leave --{name.replace('_', '-')} out")


def _request(terms: dict[str, Any]) -> Any:
    from audiomeas.plan.soak_request import USUAL_OFFSETS_H, SoakRequest

    terms = dict(terms)
    offsets = terms.pop("offsets")
    somebody = on_terminal(sys.stdin, sys.stderr)
    usual = USUAL_OFFSETS_H if somebody else ()
    words = tuple(word.strip() for word in terms.pop("spots").split(",") if word.strip())
    named = {"frequency_hz" if key == "frequency" else key: value for key, value in terms.items()}
    return SoakRequest(**named, spots=words, offsets_h=usual if offsets is None else _hours(offsets))


def _hours(text: str) -> tuple[float, ...]:
    try:
        found = tuple(float(one) for one in text.split(",") if one.strip())
    except ValueError:
        raise RequestError(f"--offsets {text!r}: give hours, such as '0,1,4,24'") from None
    if any(one < 0.0 for one in found):
        raise RequestError(f"--offsets {text!r}: hours count from the beginning, and none lies before it")
    return tuple(sorted(set(found)))


def _lines(found: SoakOutcome) -> list[str]:
    """Return what a soak came to: tables, rows that don't pass, verdict, record."""
    from audiomeas.measurement import registry
    from audiomeas.measurement.result import SIMULATED_NOTE
    from audiomeas.present.outcome import folded, row_text
    from audiomeas.present.tables import render_table, terminal_width

    width = terminal_width(sys.stdout)
    lines = folded("", f"{found.visit.unit.name}, {found.visit.stage}: {found.visit.plan_title}", 0, width)
    if found.visit.simulated:
        lines += folded("", SIMULATED_NOTE, 0, width)
    tables = registry.find(found.result.measurement).tables(found.result)
    for table in tables:
        lines += ["", render_table(table, width=width).rstrip("\n")]
    lines.append("")
    for step in found.visit.steps:
        for row in step.verdicts:
            if row.verdict != "pass":
                lines += folded(f"{row.verdict}: ", f"{step.name}: {row_text(row, step.result)}", _INDENT, width)
    return [*lines, f"verdict: {found.verdict}", f"record: {found.visit.path}"]
