"""Loudspeakers connected or not: the option that says it, and the question of `run`."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import click

from audiomeas.cli.common import on_terminal

_QUESTION = "Are loudspeakers connected to the unit? Their nominal impedance, such as '8 ohm', or 'none'"


def loudspeakers_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --loudspeakers."""
    return click.option(
        "--loudspeakers",
        metavar="OHM",
        help="Loudspeakers are connected, such as '8 ohm': output capped at 0.5 W, high tones short, no search for "
        "power. 'none': they are not. Default: what the bench file says.",
    )(command)


def asked(bench: str | None, said: str | None) -> str | None:
    """Return what was said of loudspeakers; ask where nobody did: neither the option nor the bench file.

    Nobody is asked on the simulated bench, or where no one can answer (no terminal). Raises RequestError, FileProblem.
    """
    from audiomeas.bench.loudspeakers import said_loudspeakers
    from audiomeas.errors import RequestError
    from audiomeas.measurement.api import open_bench

    opened = open_bench(bench, loudspeakers=said)
    if said is not None or opened.simulated or opened.file.loudspeakers_said or not on_terminal(sys.stdin, sys.stderr):
        return said
    while True:
        answer = str(click.prompt(_QUESTION, err=True))
        try:
            said_loudspeakers(answer, opened.file.loudspeakers)
        except RequestError as error:
            click.echo(str(error), err=True)
        else:
            return answer
