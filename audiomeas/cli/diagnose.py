"""`audiomeas diagnose`: which failure pictures the facts of a visit fit, and what to check next."""

from __future__ import annotations

import sys

import click

from audiomeas.cli.common import Command, json_option, print_json
from audiomeas.cli.visits import records_option


@click.command(cls=Command)
@click.argument("record", metavar="RECORD")
@click.option(
    "--against",
    metavar="RECORD",
    help="A visit that is the reference, beside the other channel: the unit as it was left.",
)
@click.option("--all", "everything", is_flag=True, help="Also print the facts of pictures that stay open.")
@records_option
@json_option
def diagnose(record: str, against: str | None, everything: bool, records: str, as_json: bool) -> int:
    """Tell which failure pictures a visit's facts fit, what to check next, and what can't be judged.

    \b
    Example: audiomeas diagnose D-0001
             audiomeas diagnose records/UNIT/VISIT --against records/UNIT/EARLIER

    RECORD is the folder of a visit, or a unit (serial number, tag, name or folder): its newest one. A picture is where
    to look first, never a proof: it needs two facts that lie beyond their limits with all of their uncertainty. Nothing
    is written.
    """
    from audiomeas.diagnosis.diagnose import diagnose as diagnose_call

    found = diagnose_call(record, against, records=records)
    if as_json:
        print_json(found.as_json())
        return 0
    from audiomeas.present.diagnosed import diagnosis_text
    from audiomeas.present.tables import terminal_width

    click.echo(diagnosis_text(found, everything=everything, width=terminal_width(sys.stdout)))
    return 0
