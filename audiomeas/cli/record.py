"""`audiomeas record …`: prove that nothing of a record changed."""

from __future__ import annotations

import click

from audiomeas.cli.common import Command, Group, json_option, print_json, say, show_progress, show_progress_end


@click.group(cls=Group)
def record() -> None:
    """Look after records.

    \b
    Example: audiomeas record verify
    """


@record.command(cls=Command)
@click.argument("folders", nargs=-1, metavar="[FOLDER]…")
@json_option
def verify(folders: tuple[str, ...], as_json: bool) -> int:
    """Prove that nothing changed: each file of each visit, the unit's logbook, and what is attached.

    \b
    Example: audiomeas record verify records

    FOLDER is one of records, of a unit, of a visit or of a batch; default: records. Each file that was changed, lost
    or added is named, and the exit status is 2.
    """
    from audiomeas.errors import FileProblem
    from audiomeas.record.verify import verify as verify_call

    found = verify_call(*folders, progress=show_progress)
    show_progress_end()
    for note in found.notes:
        say(f"note: {note}")
    if as_json:
        print_json(found.as_json())
    else:
        for problem in found.problems:
            click.echo(problem)
        click.echo(found.words())
    if found.problems:
        raise FileProblem("these records are not as they were: bring them back from a copy, or measure again")
    return 0
