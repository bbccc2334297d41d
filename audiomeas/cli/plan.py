"""`audiomeas plan check PLAN`: what would be played, how long, how near each ceiling, what is missing on this bench."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from audiomeas.cli.common import Command, Group, bench_option, json_option, print_json
from audiomeas.cli.loudspeakers import loudspeakers_option

if TYPE_CHECKING:
    from audiomeas.measurement.foreseen import Foreseen
    from audiomeas.plan.check import PlanCheck, StepCheck


@click.group(cls=Group)
def plan() -> None:
    """Say what a plan would do, before any sound.

    \b
    Example: audiomeas plan check power-amplifier --bench my-bench.toml
    """


@plan.command(name="check", cls=Command)
@click.argument("plan_file", metavar="PLAN")
@bench_option
@loudspeakers_option
@json_option
def check(plan_file: str, bench: str | None, loudspeakers: str | None, as_json: bool) -> int:
    """Say what would be played, how long it takes, how near each ceiling comes, and what is missing on this bench.

    \b
    Example: audiomeas plan check power-amplifier --bench my-bench.toml

    PLAN is a TOML file, or the name of a shipped plan. Nothing is played. What is asked for at the unit's output tells
    the least gain that the unit needs, what is asked for at its input the most that it may have. Exit status 0 when
    the plan can be run, 3 when this bench can't, 2 when the plan is wrong.
    """
    from audiomeas.plan.check import check_plan

    found = check_plan(plan_file, bench=bench, loudspeakers=loudspeakers)
    if as_json:
        print_json(found.as_json())
    else:
        from audiomeas.present.outcome import folded
        from audiomeas.present.tables import terminal_width

        width = terminal_width(sys.stdout)
        for indent, line in _lines(found):
            click.echo("\n".join(folded(" " * indent, line, indent + 2, width)) if line else "")
    return found.exit_status


def _lines(found: PlanCheck) -> Iterator[tuple[int, str]]:
    """Yield indent and text of each line."""
    from audiomeas.measurement.result import SIMULATED_NOTE

    if found.simulated:
        yield 0, SIMULATED_NOTE
    yield 0, f"{found.title} ({found.file}), on the bench “{found.bench}”"
    if found.before_s:
        yield 2, f"before the first step that sounds: first look and quiet check of the bench, {_time(found.before_s)}"
    for number, step in enumerate(found.steps, start=1):
        yield 0, ""
        yield 0, f"{number}. {step.name}"
        yield from ((2, line) for line in _step(step, found.asked))
    yield 0, ""
    yield 0, _whole(found)
    yield from ((0, f"note: {line}") for line in found.doubts)
    yield from ((0, f"missing: {line}") for line in found.bench_missing)
    lacking = [step.name for step in found.steps if step.missing]
    if lacking:
        yield 0, f"missing on this bench for {len(lacking)} of them: {'; '.join(lacking)}"
    yield 0, "can't be run on this bench as it stands" if found.missing else "can be run on this bench"


def _step(step: StepCheck, asked: dict[str, str]) -> Iterator[str]:
    for key in step.asked:
        yield f"asks: {asked[key] or 'to be done'}"
    if step.foreseen is not None:
        yield from _played(step.foreseen)
    if step.not_stated:
        yield f"not stated: {'; '.join(step.not_stated)}"
    yield from (f"missing: {line}" for line in step.missing)
    if not step.limits:
        yield "no limit"


def _played(foreseen: Foreseen) -> Iterator[str]:
    numbers = " and ".join(map(str, foreseen.channels))
    channels = f"channel{'s' if len(foreseen.channels) > 1 else ''} {numbers}"
    seconds = "as long as the search takes" if foreseen.seconds is None else _time(foreseen.seconds)
    yield f"plays: {', '.join(filter(None, (foreseen.plays, foreseen.level, channels, seconds)))}"
    if foreseen.to_do:
        yield f"by hand: {foreseen.to_do}"
    told = dict.fromkeys(f"{room.ceiling} ({room.limit}): {_below(room.below_db)}" for room in foreseen.nearest())
    yield from (f"nearest ceiling: {text}" for text in told)
    if foreseen.least_gain_db is not None:
        yield f"the unit's gain: at least {_db(foreseen.least_gain_db)}, for this level"
    if foreseen.most_gain_db is not None:
        yield f"the unit's gain: at most {_db(foreseen.most_gain_db)}, else it is refused"


def _below(below_db: float) -> str:
    return f"{_db(below_db)} below it" if below_db >= 0.0 else f"{_db(-below_db)} beyond it"


def _db(level_db: float) -> str:
    return f"{level_db:.1f} dB".replace("-", "−")


def _counted(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _whole(found: PlanCheck) -> str:
    measured = sum(step.foreseen is not None for step in found.steps)
    parts = [f"{_counted(len(found.steps), 'step')}, {measured} measured: {_time(found.seconds)}"]
    if found.open_ended:
        parts.append(f"and what the searches take ({', '.join(found.open_ended)})")
    parts.append("; computing comes on top")
    if found.asked:
        parts.append(f"; {_counted(len(found.asked), 'question')} (answers may come from --answers FILE)")
    return " ".join(parts).replace(" ;", ";")


def _time(seconds: float) -> str:
    if seconds < 100.0:
        return f"{seconds:.0f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s"
