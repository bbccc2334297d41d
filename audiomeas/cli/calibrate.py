"""`audiomeas calibrate output|input|loopback|load`: readings asked for one by one, or all given as options."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from audiomeas.cli.common import CAPTURES_FOLDER, Group, bench_option, json_option, print_json, say, show_progress

_CAUTIONS = (
    "caution: take every unit and loudspeaker off; only card, loop cable, attenuator and meter take part",
    "caution: audiomeas is not a safety device; nothing above 60 V r.m.s. goes to the attenuator, no mains anywhere",
)
_SIMULATED = "SIMULATED: made on the simulated bench"


@click.group(cls=Group)
def calibrate() -> None:
    """Find what full scale is in volts, per output and per input and range; what the bench adds; or what a load is.

    \b
    Example: audiomeas calibrate output --bench my-bench.toml --channel 1 --meter "Demo multimeter, M-0001"
    """


def _tone_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in reversed(
        [
            click.option("--channel", type=click.IntRange(1, 64), required=True, help="Which one, from 1."),
            click.option("--meter", metavar="NAME", help="The meter, with its serial number."),
            click.option("--meter-accuracy", metavar="TEXT", help="As its maker states it: '0.8 % + 3 digits'."),
            click.option("--meter-low-hz", type=float, default=40.0, show_default=True, help="And from where."),
            click.option("--meter-high-hz", type=float, help="Up to where its AC accuracy is stated."),
            click.option(
                "--quiet-reading", metavar="LEVEL", help="At the quiet point, as shown: '95.2 mV', '-20.4 dBV'."
            ),
            click.option("--loud-reading", metavar="LEVEL", help="At the loud point, 20 dB above."),
            click.option("--confirm-reading", is_flag=True, help="A reading that looks like a slip is right as typed."),
            click.option("--frequency-hz", type=float, default=330.0, show_default=True, help="315 to 400 Hz."),
            click.option("--level-dbfs", type=float, default=-6.0, show_default=True, help="Of the loud point."),
            click.option("--duration-s", type=float, default=10.0, show_default=True, help="Of each of the two tones."),
        ]
    ):
        command = option(command)
    return command


def _file_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in reversed(
        [
            click.option("--valid-days", type=int, default=30, show_default=True, help="How long it holds."),
            click.option(
                "--calibration", type=click.Path(), metavar="FILE", help="Start from this, not the bench's own."
            ),
            click.option(
                "--write", type=click.Path(), metavar="FILE", help="New file (default: a free name beside it)."
            ),
            click.option(
                "--captures", type=click.Path(), default=CAPTURES_FOLDER, show_default=True, help="Kept here."
            ),
            click.option("--play", is_flag=True, help="Play without asking first; without it nothing sounds unasked."),
        ]
    ):
        command = option(command)
    return command


@calibrate.command("output")
@_tone_options
@_file_options
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


@calibrate.command("input")
@click.option("--against-output", is_flag=True, help="No meter: the output's own calibration says the volts.")
@_tone_options
@_file_options
@bench_option
@json_option
def calibrate_input(**given: Any) -> None:
    """Calibrate one input on the range that the bench file names, attenuator included.

    The loop cable goes through the range's attenuator, the meter is at its far end, where the unit will be.

    \b
    Example: audiomeas calibrate input --bench my-bench.toml --channel 1 --against-output
    """
    _calibrate("input", **given)


@calibrate.command("loopback")
@click.option("--channel", "channels", type=click.IntRange(1, 64), multiple=True, help="Which (default: all).")
@click.option("--level-dbfs", type=float, default=-6.0, show_default=True, help="Of the loud steps, as played.")
@click.option("--reference-hz", type=float, default=330.0, show_default=True, help="Where the scales were calibrated.")
@click.option("--noise-s", type=float, default=10.0, show_default=True, help="How long noise is listened to.")
@_file_options
@bench_option
@json_option
def calibrate_loopback(**given: Any) -> None:
    """Find what the bench itself adds on the ranges in use: response, distortion, noise, polarity. No meter.

    Loop cable from each output through its range's attenuator to the input. Results on these ranges then carry it.

    \b
    Example: audiomeas calibrate loopback --bench my-bench.toml
    """
    _loopback(**given)


@calibrate.command("load")
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

    from audiomeas.errors import RequestError

    say("caution: measure the load alone, cold, with nothing connected to it; it gets hot in use")
    if not 0.0 < rated_w <= 1e5:
        raise RequestError(f"a load is rated for more than 0 W (and at most 100 kW), not {rated_w:g} W")
    of_inductance = ("series", "low", "high", "ratio", "microhenries")
    own = {key: value for key, value in given.items() if not key.startswith(of_inductance)}
    found = _load_reading(**own)
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

    for line in _CAUTIONS:
        say(line)
    ask = _ask(kind, **given)
    check_ask(ask)
    read, confirm = _dialogue(ask, given)
    session = _session(bench, calibration)
    check_bench(session, ask)
    former = session.bench.file.calibration
    path = _new_file(former.file, write, ask.made.isoformat())
    _ask_to_play(ask, session, play=play)
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
    from audiomeas.measurement.session import Session

    for line in _CAUTIONS:
        say(line)
    known = _session(bench, calibration).bench
    wanted = tuple(sorted(set(channels))) or known.channels
    ask = AskLoopback(channels=wanted, made=datetime.now(UTC).date(), **given)
    check_ask(ask)
    session = Session(bare(known), say=say, progress=show_progress)
    check_bench(session, ask)
    former = known.file.calibration
    path = _new_file(former.file, write, ask.made.isoformat())
    say(
        f"plays tones up to {ask.level_dbfs:g} dBFS on output {', '.join(map(str, wanted))}, and listens to silence: "
        "loop cable from each through its range's attenuator to the input of the same number"
    )
    _ask_whether(play=play)
    found = calibrate_call(session, ask, keep=CaptureFolder(Path(captures), "calibrate"))
    write_new_text(path, calibration_text(with_loopbacks(former, found), simulated=known.simulated))
    _print_loopbacks(found, path, known.simulated, as_json=as_json)


def _print_loopbacks(found: Any, path: Path, simulated: bool, *, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "calibrated": "loopback",
                "loopbacks": [_facts(one) for one in found],
                "file": str(path),
                "simulated": simulated,
            }
        )
        return
    if simulated:
        click.echo(_SIMULATED)
    for one in found:
        audio = [point for point in one.response if 20.0 <= point.frequency_hz <= 20_000.0]
        worst = max(audio, key=lambda point: abs(point.gain_db))
        loud = max(one.residual, key=lambda row: row.level_dbfs)
        click.echo(
            f"loopback {one.channel} on range {one.range_name}: noise {one.noise_dbfs:.1f} dBFS; at most "
            f"{worst.gain_db:+.3f} dB ({worst.frequency_hz:.5g} Hz); distortion "
            f"{'below' if loud.at_most else 'up to'} {loud.thd_db:.1f} dB at {loud.level_dbfs:.1f} dBFS; polarity "
            f"{'as played' if one.polarity > 0 else 'turned'}; until {one.origin.valid_until}"
        )
    _say_next(path)


def _facts(one: Any) -> dict[str, Any]:
    import dataclasses

    origin = one.origin
    return {
        **{key: value for key, value in dataclasses.asdict(one).items() if key != "origin"},
        "made": origin.made.isoformat(),
        "valid_until": origin.valid_until.isoformat(),
        "method": origin.method,
        "evidence": dict(origin.evidence),
    }


def _say_next(path: Path) -> None:
    click.echo(f"written: {path}")
    click.echo(f'next: in the bench file write calibration = "{path.name}", or go on with --calibration {path}')


def _ask(
    kind: str,
    *,
    channel: int,
    meter: str | None,
    meter_accuracy: str | None,
    meter_low_hz: float,
    meter_high_hz: float | None,
    against_output: bool,
    frequency_hz: float,
    level_dbfs: float,
    duration_s: float,
    valid_days: int,
    **_: Any,
) -> Any:
    from datetime import UTC, datetime

    from audiomeas.bench.meter import parse_meter
    from audiomeas.errors import RequestError
    from audiomeas.measurement.calibrate import Ask

    if against_output and (meter is not None or meter_accuracy is not None or _["quiet_reading"] or _["loud_reading"]):
        raise RequestError("--against-output needs no meter and no reading: give either")
    known = None
    if not against_output:
        name = _prompted(meter, "the meter, with its serial number", "--meter")
        accuracy = _prompted(meter_accuracy, "its accuracy on AC volts, such as '0.8 % + 3 digits'", "--meter-accuracy")
        high_hz = _high_hz(meter_high_hz)
        known = parse_meter(name, accuracy, meter_low_hz, high_hz)
    return Ask(
        kind=kind,
        channel=channel,
        meter=known,
        frequency_hz=frequency_hz,
        level_dbfs=level_dbfs,
        duration_s=duration_s,
        valid_days=valid_days,
        made=datetime.now(UTC).date(),
    )


def _high_hz(given: float | None) -> float:
    from audiomeas.errors import RequestError

    if given is not None:
        return given
    typed = _prompted(None, "up to how many Hz its accuracy is stated", "--meter-high-hz")
    try:
        return float(typed.removesuffix("Hz"))
    except ValueError:
        raise RequestError(f"{typed!r} is no frequency in Hz: give --meter-high-hz, such as 1000") from None


def _prompted(value: str | None, what: str, option: str) -> str:
    """Return what was given, else ask; where nobody can answer, name the option."""
    from audiomeas.errors import RequestError

    if value is not None:
        return value
    try:
        answer: str = click.prompt(what, err=True)
        return answer
    except click.Abort:
        say("")  # leaves the line of the question
        raise RequestError(f"{what}: nobody answered; give {option}") from None


def _dialogue(ask: Any, given: dict[str, Any]) -> tuple[Callable[[str, float], str], Callable[[str], bool]]:
    """Return how readings are got and slips confirmed. Readings given as options are read before any sound."""
    from audiomeas.bench.meter import parse_reading

    typed = {name: given[f"{name}_reading"] for name in ("quiet", "loud")}
    for text in typed.values():
        if text is not None and ask.meter is not None:
            parse_reading(text, ask.meter)

    def read(name: str, expected_v_rms: float) -> str:
        what = f"what the meter showed during the {name} tone (about {expected_v_rms:.3g} V expected)"
        return _prompted(typed[name], what, f"--{name}-reading")

    def confirm(line: str) -> bool:
        if given["confirm_reading"]:
            say(f"warning: {line}; taken as typed (--confirm-reading)")
            return True
        if all(text is not None for text in typed.values()):
            return False
        try:
            return click.confirm(f"{line}: is it right as typed?", default=False, err=True)
        except click.Abort:
            say("")
            return False

    return read, confirm


def _session(bench: str | None, calibration: str | None) -> Any:
    import dataclasses

    from audiomeas.bench.calibration import read_calibration
    from audiomeas.bench.opened import Bench
    from audiomeas.errors import CalibrationError
    from audiomeas.measurement.api import open_bench
    from audiomeas.measurement.session import Session

    opened = open_bench(bench)
    if calibration is not None:
        other = read_calibration(Path(calibration))
        for channel, range_name in opened.file.ranges:
            if other.input(channel, range_name) is None:
                raise CalibrationError(
                    f"{calibration} has no [[input]] for channel {channel} on range {range_name!r}, which the bench "
                    "uses: "
                    "enter a rough value"
                )
        opened = Bench(dataclasses.replace(opened.file, calibration=other), opened.interface)
    return Session(opened, say=say, progress=show_progress)


def _new_file(former: Path, write: str | None, day: str) -> Path:
    """Return where to write: never over a file that is there."""
    from audiomeas.errors import FileProblem
    from audiomeas.files import free_name

    if write is None:
        return free_name(former.parent, f"{former.stem}-{day}", ".toml")
    path = Path(write)
    if path.exists():
        raise FileProblem(f"{path} exists already and is never overwritten: give another name")
    if not path.parent.is_dir():
        raise FileProblem(f"can't write {path}: there is no folder {path.parent}; make it first")
    return path


def _ask_to_play(ask: Any, session: Any, *, play: bool) -> None:
    loud_v = session.bench.output_scale(ask.channel).v_rms_at_full_scale * 10.0 ** (ask.level_dbfs / 20.0)
    say(
        f"output {ask.channel} will play {ask.frequency_hz:g} Hz twice for {ask.duration_s:g} s: about "
        f"{0.1 * loud_v:.3g} V, then about {loud_v:.3g} V; loop cable to input {ask.channel}, meter across it "
        "on AC volts: read it while it sounds"
    )
    _ask_whether(play=play)


def _ask_whether(*, play: bool) -> None:
    from audiomeas.errors import RequestError

    try:
        if play or click.confirm("Is only the loop cable connected, and may it play?", default=False, err=True):
            return
    except click.Abort:
        say("")
    raise RequestError("nothing was played: it plays after a 'y', or with --play")


def _print(found: Any, ask: Any, path: Path, simulated: bool, *, as_json: bool) -> None:
    scale = found.scale
    if as_json:
        facts = {
            "calibrated": ask.kind,
            "channel": ask.channel,
            "range": scale.range_name or None,
            "v_rms_at_full_scale": scale.v_rms_at_full_scale,
            "uncertainty_percent": 100.0 * scale.uncertainty,
            "former_v_rms_at_full_scale": found.former_v_rms,
            "made": scale.origin.made.isoformat(),
            "valid_until": scale.origin.valid_until.isoformat(),
            "method": scale.origin.method,
            "instrument": scale.origin.instrument,
            "evidence": dict(scale.origin.evidence),
            "file": str(path),
            "simulated": simulated,
        }
        print_json(facts)
        return
    if simulated:
        click.echo(_SIMULATED)
    place = f"{ask.kind} {ask.channel}" + (f" on range {scale.range_name}" if scale.range_name else "")
    change = 100.0 * (scale.v_rms_at_full_scale / found.former_v_rms - 1.0)
    click.echo(
        f"{place}: full scale {scale.v_rms_at_full_scale:.4g} V r.m.s. ± {100 * scale.uncertainty:.2g} % "
        f"({change:+.2f} % against before), until {scale.origin.valid_until}"
    )
    _say_next(path)
