"""`audiomeas history`, `compare`, `export` and `reanalyze`: what an archive of records tells."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import click

from audiomeas.cli.common import Command, json_option, print_json, say, show_progress, show_progress_end
from audiomeas.cli.visits import records_option


def workers_option(default: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Return what adds --workers. default : in words."""
    return click.option(
        "--workers", type=click.IntRange(min=1), metavar="N", help=f"Processes at work. Default: {default}."
    )


@click.command(cls=Command)
@click.argument("unit", metavar="UNIT")
@records_option
@json_option
def history(unit: str, records: str, as_json: bool) -> int:
    """Tell all that is kept of a unit: its visits, their verdicts as they stand, and its logbook, oldest first.

    \b
    Example: audiomeas history D-0001

    UNIT is a serial number or tag, a unit's folder, or its whole name.
    """
    from audiomeas.errors import EXIT_DONE, EXIT_REQUEST
    from audiomeas.record.archive import history as history_call

    found = history_call(unit, records=records, say=say if as_json else None)
    if as_json:
        print_json(found.as_json())
    else:
        from audiomeas.present.history import history_text
        from audiomeas.present.tables import terminal_width

        click.echo(history_text(found, width=terminal_width(sys.stdout)))
    return EXIT_REQUEST if found.unreadable else EXIT_DONE


@click.command(cls=Command)
@click.argument("before", metavar="BEFORE")
@click.argument("after", metavar="[AFTER]", required=False)
@records_option
@click.option(
    "--levels-db", type=click.FLOAT, metavar="NUMBER",
    help="Least change that counts of levels, gains, times and frequencies. [default: 0.1]",
)  # fmt: skip
@click.option(
    "--residuals-db", type=click.FLOAT, metavar="NUMBER",
    help="Least change that counts of noise, distortion and leakage. [default: 1]",
)  # fmt: skip
@click.option("--all", "everything", is_flag=True, help="Also print the values of figures that are unchanged.")
@click.option("--chart", "file", type=click.Path(), metavar="FILE", help="Also draw both over each other (.png …).")
@click.option("--measurement", metavar="WORD", help="Which measurement is drawn. Default: response.")
@click.option("--name", metavar="CHART", help="Which chart of that measurement, or of which step.")
@json_option
def compare(
    before: str,
    after: str | None,
    records: str,
    levels_db: float | None,
    residuals_db: float | None,
    everything: bool,
    file: str | None,
    measurement: str | None,
    name: str | None,
    as_json: bool,
) -> int:
    """Compare two visits: which figures changed, which did not, and of which nobody can tell.

    \b
    Example: audiomeas compare D-0001 --chart before-and-after.png

    BEFORE and AFTER are folders of visits. With a unit alone (serial number, tag, name or folder) its newest visit is
    compared with the earliest of its stay; a return with the unit as it was shipped. Figures that can't be compared
    are named with the reason.
    """
    from audiomeas.record.archive import compare as compare_call

    if file is not None:
        from pathlib import Path

        from audiomeas.present.saving import CHART_SUFFIXES, check_suffix

        check_suffix(Path(file), CHART_SUFFIXES)
    found = compare_call(before, after, records=records, levels_db=levels_db, residuals_db=residuals_db)
    if as_json:
        print_json(found.as_json())
    else:
        from audiomeas.present.compared import comparison_text
        from audiomeas.present.tables import terminal_width

        click.echo(comparison_text(found, everything=everything, width=terminal_width(sys.stdout)))
    if file is not None:
        from audiomeas.present.api import overlay

        visits = [found.before.path, found.after.path]
        say(f"chart: {overlay(visits, file, measurement=measurement, name=name, say=say)}")
    return 0


@click.command(cls=Command)
@click.argument("file", metavar="FILE")
@records_option
@click.option("--unit", metavar="UNIT", help="Only this unit: serial number, tag, name or folder.")
@click.option("--visit", metavar="FOLDER", help="Only this visit.")
@click.option("--table", metavar="WORD", help="values, limits, visits, wide, points. Default: values; in JSON all.")
@workers_option("as many as there are processors")
def export(file: str, records: str, unit: str | None, visit: str | None, table: str | None, workers: int | None) -> int:
    """Write what records hold into a new file: one tidy table (.csv) or everything (.json).

    \b
    Example: audiomeas export archive.csv
             audiomeas export curves.csv --unit D-0001 --table points

    FILE ends in .csv or .json. Tables: values (one row a value, with its unit, half-width and visit), limits (one row a
    limit with its verdict), visits (one row a visit), wide (one column a value, its unit in the heading), points
    (curves, harmonics, spectra of one unit or visit). A record that was changed is left out and named; then the exit
    status is 2.
    """
    from audiomeas.errors import EXIT_DONE, EXIT_REQUEST
    from audiomeas.record.export import export as export_call

    done = export_call(
        file, records=records, unit=unit, visit=visit, table=table, workers=workers, say=say, progress=show_progress
    )
    show_progress_end()
    click.echo(str(done.file))
    say(f"{done.visits} {'visit' if done.visits == 1 else 'visits'}, {len(done.left_out)} left out")
    return EXIT_REQUEST if done.left_out else EXIT_DONE


@click.command(cls=Command)
@click.argument("source", metavar="VISIT|UNIT|RECORDS")
@workers_option("1")
@json_option
def reanalyze(source: str, workers: int | None, as_json: bool) -> int:
    """Make each result again from its captures, and tell what is not as it stands in the record. Nothing is written.

    \b
    Example: audiomeas reanalyze records --workers 4

    VISIT, UNIT and RECORDS are folders. With the same version each result is the same, bit for bit (on another
    processor within rounding); with another version the differences are listed. Exit status 2 when a result is
    another one although the version is the same, or could not be made again.
    """
    from audiomeas.errors import EXIT_DONE, FileProblem
    from audiomeas.record.reanalyze import reanalyze as reanalyze_call

    found = reanalyze_call(source, workers=workers or 1, say=say, progress=show_progress)
    show_progress_end()
    if as_json:
        print_json(found.as_json())
    else:
        from audiomeas.present.reanalyzed import reanalysis_text
        from audiomeas.present.tables import terminal_width

        click.echo(reanalysis_text(found, width=terminal_width(sys.stdout)))
    if not found.proven:
        raise FileProblem("not every result could be made again as it stands: see which, and look for an older copy")
    return EXIT_DONE
