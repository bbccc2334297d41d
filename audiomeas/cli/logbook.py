"""`audiomeas logbook …`: what was done to a unit, heard and attached between visits; only ever added to."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from audiomeas.cli.common import Command, Group, json_option, print_json, say
from audiomeas.cli.visits import other_unit_asked, other_unit_option, records_option
from audiomeas.errors import AudiomeasError, RequestError

if TYPE_CHECKING:
    from audiomeas.record.entry import Entry
    from audiomeas.record.logbook import Logbook
    from audiomeas.record.void import Standing


@click.group(cls=Group)
def logbook() -> None:
    """Keep a unit's logbook: repairs, adjustments, listening, photos and papers, corrections of its record.

    \b
    Example: audiomeas logbook repair D-0001 --part "output transistor" --position Q7 --reason shorted

    UNIT is a serial number or tag, a unit's folder, or its whole name ("Demo amplifier A, serial D-0001"), which a
    new unit needs. What is written here is never changed: a wrong entry is withdrawn by another one.
    """


def _options(*more: Callable[..., Any]) -> Callable[..., Any]:
    """Return a decorator that adds options in the order given, then --by, --records, --other-unit and --json."""
    every: tuple[Callable[..., Any], ...] = (*more, _by, records_option, other_unit_option, json_option)

    def add(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(every):
            command = option(command)
        return command

    return add


_unit = click.argument("unit", metavar="UNIT")
_by = click.option("--by", default="", metavar="NAME", help="Who writes this.")
_minutes = click.option("--minutes", type=click.FLOAT, metavar="NUMBER", help="How long it took.")
_reason = click.option("--reason", required=True, metavar="TEXT", help="Why.")
_position = click.option("--position", default="", metavar="TEXT", help="Where it sits, such as 'Q7, left channel'.")
_before = click.option("--before", default="", metavar="TEXT", help="What it was, such as '3 mV'.")
_after = click.option("--after", default="", metavar="TEXT", help="What it is now.")
_voids = click.option(
    "--voids",
    multiple=True,
    metavar="NAME",
    help="A step or measurement whose earlier results no longer hold (several times for several). Default: all.",
)
_voids_nothing = click.option("--voids-nothing", is_flag=True, help="All earlier results still hold.")
_work = (_reason, _position, _before, _after, _minutes, _voids, _voids_nothing)


@logbook.command(cls=Command)
@_unit
@_options(click.option("--part", required=True, metavar="TEXT", help="What was replaced or mended."), *_work)
def repair(unit: str, part: str, **given: Any) -> int:
    """Write down a repair, and say which results it voids and what to measure again.

    \b
    Example: audiomeas logbook repair D-0001 --part "output transistor" --position Q7 --reason shorted --minutes 40
    """
    return _work_done("repair", unit, part, **given)


@logbook.command(cls=Command)
@_unit
@_options(click.option("--part", required=True, metavar="TEXT", help="What was turned: a trimmer, a screw."), *_work)
def adjust(unit: str, part: str, **given: Any) -> int:
    """Write down an adjustment, and say which results it voids and what to measure again.

    \b
    Example: audiomeas logbook adjust D-0001 --part "bias, left" --reason "service manual" --before 3mV --after 20mV
    """
    return _work_done("adjust", unit, part, **given)


def _work_done(
    method: str,
    unit: str,
    part: str,
    *,
    voids: tuple[str, ...],
    voids_nothing: bool,
    records: str,
    other_unit: bool,
    as_json: bool,
    **texts: Any,
) -> int:
    if voids and voids_nothing:
        raise click.UsageError("--voids and --voids-nothing exclude each other: give one of them")
    named = () if voids_nothing else (voids or None)
    book = _opened(unit, records, other_unit)
    entry = getattr(book, method)(part, voids=named, **texts)
    standing = book.standing(on_problem=lambda problem: say(f"warning: {problem}"))
    if as_json:
        void = [each.as_json() for each in standing.void if each.since.number == entry.number]
        print_json({**entry.as_json(), "void": void, "measure_again": list(standing.measure_again)})
        return 0
    from audiomeas.present.logbook import standing_lines

    _print_entry(entry, book, as_json=False)
    click.echo("\n".join(standing_lines(standing)))
    return 0


@logbook.command(cls=Command)
@_unit
@_options(click.option("--note", required=True, metavar="TEXT", help="What was heard."), _minutes)
def listen(unit: str, note: str, minutes: float | None, by: str, records: str, other_unit: bool, as_json: bool) -> int:
    """Write down what was heard.

    \b
    Example: audiomeas logbook listen D-0001 --note "no hum at 1 m, left control crackles" --minutes 30 --by Demo
    """
    book = _opened(unit, records, other_unit)
    return _print_entry(book.listen(note, minutes=minutes, by=by), book, as_json=as_json)


@logbook.command(cls=Command)
@_unit
@click.argument("file", metavar="FILE")
@_options(
    click.option("--as", "kind", metavar="photo|paper", help="What it is. Default: by the file's ending."),
    click.option("--caption", default="", metavar="TEXT", help="What it shows."),
)
def attach(
    unit: str, file: str, kind: str | None, caption: str, by: str, records: str, other_unit: bool, as_json: bool
) -> int:
    """Copy a photo or a paper (any file, up to half a GiB) beside the unit's visits, with its checksum.

    \b
    Example: audiomeas logbook attach D-0001 front.jpg --caption "front, as found"
    """
    book = _opened(unit, records, other_unit)
    return _print_entry(book.attach(file, kind=kind, caption=caption, by=by), book, as_json=as_json)


@logbook.command(cls=Command)
@click.argument("visit", metavar="VISIT")
@click.option("--step", required=True, metavar="NAME", help="The step that holds what was wrong.")
@click.option("--quantity", default="", metavar="KEY", help="The quantity, as in the step's JSON. Default: the step.")
@click.option("--channel", type=click.INT, metavar="N", help="The channel, when the quantity has several.")
@click.option("--to", required=True, metavar="TEXT", help="What is right.")
@_reason
@_by
@json_option
def correct(
    visit: str, step: str, quantity: str, channel: int | None, to: str, reason: str, by: str, as_json: bool
) -> int:
    """Correct a value of a visit: the visit stays as it is, what is right stands beside it from now on.

    \b
    Example: audiomeas logbook correct records/UNIT/VISIT --step "DC offset" --to "125 mV" --reason "read wrongly"

    A corrected value is no longer judged as a pass: measure it again where that matters.
    """
    from pathlib import Path

    from audiomeas.record.logbook import logbook_of_visit

    book = logbook_of_visit(Path(visit))
    entry = book.correct(visit, step=step, quantity=quantity, channel=channel, to=to, reason=reason, by=by)
    return _print_entry(entry, book, as_json=as_json)


@logbook.command(cls=Command)
@_unit
@click.argument("line", type=click.INT, metavar="LINE")
@_reason
@_by
@records_option
@json_option
def withdraw(unit: str, line: int, reason: str, by: str, records: str, as_json: bool) -> int:
    """Withdraw an entry that should not stand there, such as a repair of another unit: it counts no longer.

    \b
    Example: audiomeas logbook withdraw D-0001 4 --reason "that was another amplifier"

    LINE is the number that `show` puts before it. The entry itself stays.
    """
    from audiomeas.record.logbook import logbook as logbook_call

    book = logbook_call(unit, records=records)
    return _print_entry(book.withdraw(line, reason=reason, by=by), book, as_json=as_json)


@logbook.command(cls=Command)
@_unit
@records_option
@json_option
def show(unit: str, records: str, as_json: bool) -> int:
    """Show a unit's logbook, which results no longer hold since work on it, and what to measure again.

    \b
    Example: audiomeas logbook show D-0001
    """
    from audiomeas.record.logbook import logbook as logbook_call

    book = logbook_call(unit, records=records)
    problems: list[AudiomeasError] = []
    entries = book.readable_entries(on_problem=problems.append)
    standing = book.standing(on_problem=problems.append)
    _shown(book, entries, standing, as_json=as_json)
    for problem in list(dict.fromkeys(map(str, problems))):
        say(f"warning: {problem}")
    if problems:
        raise RequestError("what can't be read is left out: bring it back from a copy (record verify names all of it)")
    return 0


def _shown(book: Logbook, entries: tuple[Entry, ...], standing: Standing, *, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "unit": book.unit.as_json(),
                "folder": str(book.path),
                "entries": [entry.as_json() for entry in entries],
                **standing.as_json(),
            }
        )
        return
    from audiomeas.present.logbook import logbook_text
    from audiomeas.present.tables import terminal_width

    click.echo(logbook_text(book.unit, entries, standing, width=terminal_width(sys.stdout)))


def _opened(unit: str, records: str, other_unit: bool) -> Logbook:
    from audiomeas.record.logbook import logbook as logbook_call

    return logbook_call(unit, records=records, other_unit=other_unit_asked(records, unit, other_unit))


def _print_entry(entry: Entry, book: Logbook, *, as_json: bool) -> int:
    if as_json:
        print_json(entry.as_json())
        return 0
    from audiomeas.present.logbook import entry_lines
    from audiomeas.present.tables import terminal_width

    click.echo("\n".join(entry_lines(entry, width=terminal_width(sys.stdout))))
    say(f"kept as line {entry.number} in {book.file}")
    return 0
