"""`audiomeas chart` and `audiomeas report`: pictures and pages from results and records."""

from __future__ import annotations

import click

from audiomeas.cli.common import Command, say
from audiomeas.errors import RequestError


@click.command(cls=Command)
@click.argument("source", metavar="RECORD_OR_RESULT")
@click.argument("file", metavar="[FILE]", required=False)
@click.option("--measurement", metavar="WORD", help="Which measurement of a record. Default: response.")
@click.option("--name", metavar="CHART", help="Which chart of that measurement, when it has several.")
@click.option("--show", is_flag=True, help="Show it on the screen, until its window is closed; FILE may be left out.")
def chart(source: str, file: str | None, measurement: str | None, name: str | None, show: bool) -> None:
    """Draw a chart from a record's folder or a result's JSON file; FILE ends in .png, .svg or .pdf.

    \b
    Example: audiomeas chart records/UNIT/VISIT response.png
    """
    from audiomeas.present import api

    if file is None and not show:
        raise RequestError("give the FILE to draw into (.png, .svg, .pdf), or --show to see it on the screen")
    if file is not None:
        click.echo(str(api.chart(source, file, measurement=measurement, name=name, say=say)))
    if show:
        api.show(source, measurement=measurement, name=name, say=say)


@click.command(cls=Command)
@click.argument("record", metavar="RECORD")
@click.argument("file", metavar="FILE")
@click.option(
    "--paper", type=click.Choice(["A4", "letter"], case_sensitive=False), metavar="A4|letter", default="A4",
    show_default=True, help="Size of the pages.",
)  # fmt: skip
@click.option("--annex", is_flag=True, help="Behind it every row with its conditions, charts, and how to verify it.")
@click.option(
    "--shop", metavar="FILE", help="A TOML file with your shop's name, address and logo (examples/shop.toml)."
)
def report(record: str, file: str, paper: str, annex: bool, shop: str | None) -> None:
    """Make the customer's report of a record: one page, unless there is much to tell; FILE ends in .pdf or .png.

    FILE that ends in .html: the whole record as one web page, which needs no other file and no network.

    \b
    Example: audiomeas report records/UNIT/VISIT report.pdf
    """
    from audiomeas.present.api import report as report_call

    click.echo(str(report_call(record, file, paper=paper, annex=annex, shop=shop, say=say)))
