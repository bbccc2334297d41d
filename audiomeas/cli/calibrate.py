"""`audiomeas calibrate output|input|loopback|load`: readings asked for one by one, or all given as options."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from audiomeas.cli.calibrate_all import calibrate_all
from audiomeas.cli.calibrate_dialogue import (
    ask_of,
    ask_to_play,
    ask_whether,
    channel_option,
    channels_option,
    dialogue,
    file_options,
    new_file,
    print_found,
    say_cautions,
    session_of,
    session_on,
    tone_options,
)
from audiomeas.cli.calibrate_words import loopback_facts, loopback_line, scale_facts, scale_line
from audiomeas.cli.common import Group, bench_option, json_option, print_json, say


@click.group(cls=Group)
def calibrate() -> None:
    """Find what full scale is in volts, per output and per input and range; what the bench adds; or what a load is.

    `all` does the whole of it in about five minutes. By parts: output, then input (--against-output needs no meter),
    then loopback, each going on from the file before (--calibration); load at any time.

    \b
    Example: audiomeas calibrate all --bench my-bench.toml
    """


@calibrate.command("output", short_help="One output, with a meter.")
@channel_option
@tone_options
@file_options
@bench_option
@json_option
def calibrate_output(**given: Any) -> None:
    """Calibrate one output: a tone through the loop cable, the meter across the cable.

    Asks for each reading that is not given as an option. Writes a new calibration file beside the one in use.

    \b
    Example: audiomeas calibrate output --bench my-bench.toml --channel 1 --meter "Demo multimeter, M-0001"
             --meter-accuracy "0.8 % + 3 digits"
    """
    _calibrate("output", against_output=False, **given)


@calibrate.command("input", short_help="One input on its range: with a meter, or against its output.")
@click.option("--against-output", is_flag=True, help="No meter: the output's own calibration says the volts.")
@channel_option
@tone_options
@file_options
@bench_option
@json_option
def calibrate_input(**given: Any) -> None:
    """Calibrate one input on the range that the bench file names, attenuator included.

    The loop cable goes through the range's attenuator, the meter is at its far end, where the unit will be.

    \b
    Example: audiomeas calibrate input --bench my-bench.toml --channel 1 --against-output
    """
    _calibrate("input", **given)


@calibrate.command("loopback", short_help="What the bench itself adds on the ranges in use.")
@channels_option
@click.option("--level-dbfs", type=float, default=-6.0, show_default=True, help="Of the loud steps, as played.")
@click.option("--reference-hz", type=float, default=330.0, show_default=True, help="Where the scales were calibrated.")
@click.option("--noise-s", type=float, default=10.0, show_default=True, help="How long noise is listened to.")
@file_options
@bench_option
@json_option
def calibrate_loopback(**given: Any) -> None:
    """Find what the bench itself adds on the ranges in use: response, distortion, noise, polarity. No meter.

    Loop cable from each output through its range's attenuator to the input. Results on these ranges then carry it.

    \b
    Example: audiomeas calibrate loopback --bench my-bench.toml
    """
    _loopback(**given)


@calibrate.command("load", short_help="A load's ohms and henries, for the bench file.")
@click.option("--channel", type=click.IntRange(1, 64), required=True, help="Which load, from 1.")
@click.option("--rated-w", type=float, required=True, help="What it is rated for.")
@click.option("--volts", type=float, help="At the load's own terminals (four wires).")
@click.option("--amperes", type=float, help="Through it, at the same time.")
@click.option("--volts-percent", type=float, default=1.0, show_default=True, help="Accuracy of the volts.")
@click.option("--amperes-percent", type=float, default=1.0, show_default=True, help="Accuracy of the amperes.")
@click.option("--ohms", type=float, help="An ohm reading, leads included.")
@click.option("--lead-ohms", type=float, help="The same with the leads joined.")
@click.option("--ohms-percent", type=float, default=1.0, show_default=True, help="Accuracy of the ohms.")
@click.option("--step-ohms", type=float, default=0.1, show_default=True, help="The meter's last digit.")
@click.option("--series-ohms", type=float, help="For the inductance: a resistor in series, ten times the load.")
@click.option("--series-percent", type=float, default=1.0, show_default=True, help="Accuracy of that resistor.")
@click.option("--low-hz", type=float, default=1000.0, show_default=True, help="Low frequency of the same source level.")
@click.option("--low-volts", type=float, help="Across the load there, by the bench's own input or a meter.")
@click.option("--high-hz", type=float, default=20_000.0, show_default=True, help="High frequency.")
@click.option("--high-volts", type=float, help="Across the load there, by the same instrument.")
@click.option("--ratio-percent", type=float, default=0.2, show_default=True, help="Accuracy of the two volts' ratio.")
@click.option("--microhenries", type=float, help="Instead: as an inductance meter or the data sheet states it.")
@click.option("--microhenries-percent", type=float, default=20.0, show_default=True, help="Accuracy of that.")
@json_option
def calibrate_load(as_json: bool, channel: int, rated_w: float, **given: Any) -> None:
    """Find a load's resistance and inductance, and print the entry for the bench file. Nothing sounds.

    For the inductance put a resistor between source and load, play both frequencies at one level, and type the volts
    across the load. At 20 kHz U²/R tells too many watts on an inductive load; with the inductance they are right.

    \b
    Example: audiomeas calibrate load --channel 1 --rated-w 100 --volts 4.02 --amperes 0.5
             --series-ohms 82 --low-volts 0.0891 --high-volts 0.0932
    """
    import dataclasses

    from audiomeas.bench.file import USUAL_LOAD_OHM
    from audiomeas.errors import RequestError

    say("caution: measure the load alone, cold, with nothing connected to it; it gets hot in use")
    if not 0.0 < rated_w <= 1e5:
        raise RequestError(f"a load is rated for more than 0 W (and at most 100 kW), not {rated_w:g} W")
    of_inductance = ("series", "low", "high", "ratio", "microhenries")
    own = {key: value for key, value in given.items() if not key.startswith(of_inductance)}
    found = _load_reading(**own)
    low_ohm, high_ohm = USUAL_LOAD_OHM
    if not low_ohm <= found.resistance_ohm <= high_ohm:
        say(
            f"note: {found.resistance_ohm:.3g} Ω is no usual load ({low_ohm:g} to {high_ohm:g} Ω): is a decimal point "
            "of the readings wrong, or mA typed as A?"
        )
    inductance = _inductance(found, **{key: value for key, value in given.items() if key not in own})
    if as_json:
        facts = {
            "channel": channel,
            "resistance_ohm": found.resistance_ohm,
            "uncertainty_percent": 100.0 * found.uncertainty,
            "method": found.method,
            "half_widths_percent": {name: 100.0 * part for name, part in found.parts.items()},
            "inductance": None if inductance is None else dataclasses.asdict(inductance),
        }
        print_json(facts)
        return
    click.echo("# for the bench file, in place of this channel's [[load]]")
    click.echo(f"[[load]]\nchannel = {channel}")
    click.echo(f"resistance_ohm = {found.resistance_ohm:.4g} # {found.method}")
    click.echo(f"uncertainty_percent = {100.0 * found.uncertainty:.2g}\nrated_w = {rated_w:g}")
    if inductance is not None:
        click.echo(f"inductance_h = {inductance.inductance_h:.4g} # {inductance.method}")
        click.echo(f"inductance_uncertainty_h = {inductance.uncertainty_h:.2g}")
        if not inductance.above_zero:
            say("note: this inductance can't be told from none: a higher frequency, or volts to more places, tell more")


def _inductance(
    load: Any,
    *,
    series_ohms: float | None,
    series_percent: float,
    low_hz: float,
    low_volts: float | None,
    high_hz: float,
    high_volts: float | None,
    ratio_percent: float,
    microhenries: float | None,
    microhenries_percent: float,
) -> Any:
    """Return the inductance that was read or typed; None where nothing of it was given."""
    from audiomeas.bench.load_reading import DividerReading, inductance_as_stated, inductance_from_divider
    from audiomeas.errors import RequestError

    read = (series_ohms, low_volts, high_volts)
    if microhenries is not None and read == (None, None, None):
        return inductance_as_stated(1e-6 * microhenries, percent=microhenries_percent)
    if microhenries is None and read == (None, None, None):
        return None
    if microhenries is not None or series_ohms is None or low_volts is None or high_volts is None:
        raise RequestError("for the inductance give --series-ohms, --low-volts and --high-volts; or --microhenries")
    return inductance_from_divider(
        DividerReading(
            low_hz=low_hz,
            low_volts=low_volts,
            high_hz=high_hz,
            high_volts=high_volts,
            load_ohm=load.resistance_ohm,
            load_limit=load.uncertainty,
            series_ohm=series_ohms,
            series_limit=series_percent / 100.0,
            ratio_limit=ratio_percent / 100.0,
        )
    )


def _load_reading(
    volts: float | None,
    amperes: float | None,
    volts_percent: float,
    amperes_percent: float,
    ohms: float | None,
    lead_ohms: float | None,
    ohms_percent: float,
    step_ohms: float,
) -> Any:
    from audiomeas.bench.load_reading import load_from_ohms, load_from_volts_and_amperes
    from audiomeas.errors import RequestError

    if volts is not None and amperes is not None and ohms is None and lead_ohms is None:
        return load_from_volts_and_amperes(volts, amperes, volts_percent=volts_percent, amperes_percent=amperes_percent)
    if ohms is not None and lead_ohms is not None and volts is None and amperes is None:
        return load_from_ohms(ohms, lead_ohms, percent=ohms_percent, step_ohms=step_ohms)
    raise RequestError("give --volts and --amperes, or --ohms and --lead-ohms (what it reads with the leads joined)")


def _calibrate(
    kind: str,
    *,
    bench: str | None,
    calibration: str | None,
    write: str | None,
    captures: str,
    play: bool,
    as_json: bool,
    **given: Any,
) -> None:
    from audiomeas.bench.calibration_text import calibration_text, with_scale
    from audiomeas.files import write_new_text
    from audiomeas.measurement.api import CaptureFolder
    from audiomeas.measurement.calibrate import calibrate as calibrate_call
    from audiomeas.measurement.calibrate import check_ask, check_bench

    say_cautions()
    ask = ask_of(kind, **given)
    check_ask(ask)
    read, confirm = dialogue(ask, given)
    session = session_of(bench, calibration)
    check_bench(session, ask)
    former = session.bench.file.calibration
    path = new_file(former.file, write, ask.made.isoformat())
    ask_to_play(ask, session, play=play)
    found = calibrate_call(session, ask, read=read, confirm=confirm, keep=CaptureFolder(Path(captures), "calibrate"))
    new = with_scale(former, found.scale, output=kind == "output")
    write_new_text(path, calibration_text(new, simulated=session.simulated))
    for note in found.notes:
        say(f"warning: {note}")
    _print(found, ask, path, session.simulated, as_json=as_json)


def _loopback(
    *,
    channels: tuple[int, ...],
    bench: str | None,
    calibration: str | None,
    write: str | None,
    captures: str,
    play: bool,
    as_json: bool,
    **given: Any,
) -> None:
    from datetime import UTC, datetime

    from audiomeas.bench.calibration_text import calibration_text, with_loopbacks
    from audiomeas.files import write_new_text
    from audiomeas.measurement.api import CaptureFolder
    from audiomeas.measurement.calibrate_loopback import AskLoopback, bare, check_ask, check_bench
    from audiomeas.measurement.calibrate_loopback import calibrate_loopback as calibrate_call

    say_cautions()
    known = session_of(bench, calibration).bench
    wanted = tuple(sorted(set(channels))) or known.channels
    ask = AskLoopback(channels=wanted, made=datetime.now(UTC).date(), **given)
    check_ask(ask)
    session = session_on(bare(known))
    check_bench(session, ask)
    former = known.file.calibration
    path = new_file(former.file, write, ask.made.isoformat())
    say(
        f"plays tones up to {ask.level_dbfs:g} dBFS on output {', '.join(map(str, wanted))}, and listens to silence: "
        "loop cable from each through its range's attenuator to the input of the same number"
    )
    ask_whether(play=play)
    found = calibrate_call(session, ask, keep=CaptureFolder(Path(captures), "calibrate"))
    write_new_text(path, calibration_text(with_loopbacks(former, found), simulated=known.simulated))
    _print_loopbacks(found, path, known.simulated, as_json=as_json)


def _print_loopbacks(found: Any, path: Path, simulated: bool, *, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "calibrated": "loopback",
                "loopbacks": [loopback_facts(one) for one in found],
                "file": str(path),
                "simulated": simulated,
            }
        )
        return
    print_found(map(loopback_line, found), path, simulated=simulated)


def _print(found: Any, ask: Any, path: Path, simulated: bool, *, as_json: bool) -> None:
    if as_json:
        facts = {"calibrated": ask.kind, **scale_facts(found, ask), "file": str(path), "simulated": simulated}
        print_json(facts)
        return
    print_found([scale_line(found, ask)], path, simulated=simulated)


calibrate.add_command(calibrate_all)
