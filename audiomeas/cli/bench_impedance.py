"""`audiomeas bench impedance`: output impedance and damping factor from two readings of a meter."""

from __future__ import annotations

import dataclasses

import click

from audiomeas.cli.common import Command, json_option, print_json
from audiomeas.shown_digits import with_minus

_OPEN = "open"


@click.command(cls=Command)
@click.option("--volts", nargs=2, type=click.FLOAT, required=True, metavar="FIRST SECOND", help="Readings, V r.m.s.")
@click.option(
    "--ohms", nargs=2, required=True, metavar="FIRST SECOND", help="Loads at which they were read; or 'open'."
)
@click.option(
    "--volts-percent",
    type=click.FLOAT,
    default=0.1,
    show_default=True,
    help="What the ratio of two readings on one range is good for, each.",
)
@click.option("--ohms-percent", type=click.FLOAT, default=1.0, show_default=True, help="Limits of error of the loads.")
@json_option
def impedance(
    volts: tuple[float, float], ohms: tuple[str, str], volts_percent: float, ohms_percent: float, as_json: bool
) -> None:
    """Tell output impedance and damping factor from the volts of the same tone at two loads, read with a meter.

    The source counts as resistive. Small errors of the readings decide: use one meter and one range for both.

    \b
    Example: audiomeas bench impedance --volts 2.885 2.828 --ohms open 8
    """
    from audiomeas.bench.resistors import parse_ohm
    from audiomeas.measurement.typed_impedance import output_impedance_from_readings
    from audiomeas.present.digits import with_uncertainty

    first_ohm, second_ohm = (None if text == _OPEN else parse_ohm(text, "a load") for text in ohms)
    found = output_impedance_from_readings(
        first_volts=volts[0],
        first_ohm=first_ohm,
        second_volts=volts[1],
        second_ohm=second_ohm,
        volts_percent=volts_percent,
        ohms_percent=ohms_percent,
    )
    if as_json:
        print_json(dataclasses.asdict(found))
        return
    if found.bound:
        click.echo(f"output impedance   at most {found.impedance_ohm:.2g} Ω: the readings differ too little to tell it")
        click.echo(f"damping factor     at least {found.damping_factor:.2g}")
    else:
        click.echo(f"output impedance   {with_uncertainty(found.impedance_ohm, found.uncertainty_ohm)} Ω")
        relative = (found.uncertainty_ohm or 0.0) / found.impedance_ohm
        factor = with_uncertainty(found.damping_factor, relative * found.damping_factor)
        click.echo(f"damping factor     {factor} (of the lower load)")
    change = f"{found.per_reading_ohm:+.2g} Ω"
    click.echo(with_minus(f"a second reading {volts_percent:g} % higher would change the impedance by {change}"))
