"""`audiomeas chart` and `audiomeas report`: pictures and pages from results and records."""

from __future__ import annotations

import click


@click.command()
@click.argument("source", metavar="RECORD_OR_RESULT")
@click.argument("file", metavar="FILE")
@click.option("--measurement", metavar="WORD", help="Which measurement of a record. Default: response.")
@click.option("--name", metavar="CHART", help="Which chart of that measurement, when it has several.")
def chart(source: str, file: str, measurement: str | None, name: str | None) -> None:
    """Draw a chart from a record's folder or a result's JSON file; FILE ends in .png, .svg or .pdf.

    \b
    Example: audiomeas chart records/UNIT/VISIT response.png
    """
    from audiomeas.present.api import chart as chart_call

    click.echo(str(chart_call(source, file, measurement=measurement, name=name)))


@click.command()
@click.argument("record", metavar="RECORD")
@click.argument("file", metavar="FILE")
def report(record: str, file: str) -> None:
    """Make the one-page report of a record, as FILE.pdf.

    \b
    Example: audiomeas report records/UNIT/VISIT report.pdf
    """
    from audiomeas.present.api import report as report_call

    click.echo(str(report_call(record, file)))
