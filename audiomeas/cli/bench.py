"""`audiomeas bench`: what the bench file says, in words, what of its calibration does not fit, and what to build."""

from __future__ import annotations

import click

from audiomeas.cli.bench_check import check
from audiomeas.cli.bench_design import attenuator, load
from audiomeas.cli.bench_impedance import impedance
from audiomeas.cli.common import Group, bench_option, json_option, print_json, say, tell


@click.group(cls=Group)
def bench() -> None:
    """Show a bench: interface, ranges, loads, ceilings, calibration; compute its attenuators and loads.

    \b
    Example: audiomeas bench show --bench my-bench.toml
    """


bench.add_command(check)
bench.add_command(attenuator)
bench.add_command(load)
bench.add_command(impedance)


@bench.command()
@bench_option
@json_option
def show(bench: str | None, as_json: bool) -> None:
    """Show what a bench file says, and what of its calibration does not fit.

    \b
    Example: audiomeas bench show --bench my-bench.toml
    """
    from audiomeas.bench.interlock import GAIN_MARGIN_DB, first_look_v_rms
    from audiomeas.bench.load_heat import load_words
    from audiomeas.errors import DeviceError
    from audiomeas.measurement.api import open_bench

    opened = open_bench(bench)
    facts = opened.facts()
    kept = opened.file
    try:
        identity = opened.interface.identity
        interface = f"{identity.name} ({identity.host_api})"
        for warning in opened.warnings():
            say(f"warning: {warning}")
    except DeviceError as error:  # a bench file can be proof-read away from its bench
        interface = f"{kept.interface.name} ({kept.interface.host_api or 'any host API'}), not there now"
        say(f"warning: {error}")
    if as_json:
        print_json({"bench": facts["bench"], "hashes": facts["hashes"]})
        return
    limits = kept.limits
    look_v = first_look_v_rms(opened.ceilings(opened.channels), highest_gain_db=limits.highest_gain_db)
    simulated = " (SIMULATED)" if opened.simulated else ""
    click.echo(f"{kept.name}{simulated}, from {kept.file}")
    tell("interface", f"{interface}, {kept.interface.sample_rate_hz:g} Hz, {kept.interface.sample_format}")
    for channel, range_name in kept.ranges:
        scale = opened.input_scale(channel)
        load = kept.load(channel)
        loaded = f", load {load.resistance_ohm:g} Ω {load_words(load.thermal)}" if load else ", no load entered"
        tell(
            f"channel {channel}",
            f"range {range_name}: full scale {scale.v_rms_at_full_scale:g} V r.m.s. "
            f"± {100 * scale.uncertainty:g} %{loaded}",
        )
    tell(
        "ceilings",
        f"unit input {limits.input_v_rms:g} V, unit output {limits.output_v_rms:g} V, "
        f"gain up to {limits.highest_gain_db:g} dB; {GAIN_MARGIN_DB:g} dB below them is kept free",
    )
    tell("first look", f"{1000 * look_v:.3g} mV at the unit's input, 40 dB below every ceiling")
    if kept.loudspeakers is not None:
        tell("outputs", kept.loudspeakers.words())
    calibration = kept.calibration
    tell("calibration", f"{calibration.file.name}, made {calibration.made}, holds until {calibration.valid_until}")
    tell("caution", "audiomeas is not a safety device: loads get hot, mains and tube voltages kill")


@bench.command()
def units() -> None:
    """List the simulated units that ship with audiomeas.

    \b
    Example: audiomeas bench units
    """
    from audiomeas.simulation.unit import read_unit, shipped_units

    for name, path in shipped_units().items():
        unit = read_unit(path)
        click.echo(f"{name:<28} {unit.kind}: {unit.model}, serial {unit.serial} (SIMULATED)")
