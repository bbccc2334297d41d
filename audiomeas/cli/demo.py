"""`audiomeas demo`: the whole job on the simulated bench."""

from __future__ import annotations

import click

from audiomeas.cli.common import Command, say, show_progress, show_progress_end


@click.command(cls=Command)
@click.option("--folder", metavar="FOLDER", help="A new folder. Default: audiomeas-demo, or the next free name.")
def demo(folder: str | None) -> None:
    """Run a plan on three simulated amplifiers: verdicts, records, charts and reports, in a new folder.

    Everything is SIMULATED, whatever AUDIOMEAS_BENCH says; nothing sounds.

    \b
    Example: audiomeas demo
    """
    from audiomeas.demo import demo as demo_call

    outcome = demo_call(folder, say=say, progress=show_progress)
    show_progress_end()
    click.echo(outcome.text())
