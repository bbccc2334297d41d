"""`audiomeas devices`: which interfaces are there, and what to install when none is."""

from __future__ import annotations

import click

from audiomeas.cli.common import Command, json_option, print_json


@click.command(cls=Command)
@json_option
def devices(as_json: bool) -> None:
    """List the interfaces that can play and capture, by name and host API.

    \b
    Example: audiomeas devices
    """
    from audiomeas.interface.listing import devices as list_devices

    listing = list_devices()
    if as_json:
        import dataclasses

        print_json(dataclasses.asdict(listing))
        return
    from audiomeas.measurement.views import Column, TableView
    from audiomeas.present.tables import render_table

    view = TableView(
        title="Interfaces",
        columns=(
            Column(heading="name"),
            Column(heading="host API"),
            Column(heading="out", decimals=0),
            Column(heading="in", decimals=0),
            Column(heading="usual rate", unit="Hz", decimals=0),
        ),
        rows=tuple(
            (
                row.name + (" (SIMULATED)" if row.simulated else ""),
                row.host_api,
                float(row.max_output_channels),
                float(row.max_input_channels),
                row.default_rate_hz,
            )
            for row in listing.rows
        ),
        notes=(listing.note,) if listing.note else (),
    )
    click.echo(render_table(view))
