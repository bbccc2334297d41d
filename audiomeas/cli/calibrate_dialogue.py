"""What the commands of `audiomeas calibrate` share: their options, the questions they ask, where they write."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from audiomeas.cli.common import CAPTURES_FOLDER, say, show_progress

_CAUTIONS = (
    "caution: take every unit and loudspeaker off; only card, loop cable, attenuator and meter take part",
    "caution: audiomeas is not a safety device; nothing above 60 V r.m.s. goes to the attenuator, no mains anywhere",
)
_SIMULATED = "SIMULATED: made on the simulated bench"
#: What a file that was written here has behind its name: it is not piled up when one goes on from it.
_OF_A_DAY = re.compile(r"(-\d{4}-\d{2}-\d{2}(-\d+)?)+$")


def channel_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --channel, of which there is one."""
    return click.option("--channel", type=click.IntRange(1, 64), required=True, help="Which one, from 1.")(command)


def channels_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --channel, of which there may be several."""
    return click.option(
        "--channel", "channels", type=click.IntRange(1, 64), multiple=True, help="Which (default: all)."
    )(command)


_METER_OPTIONS = (
    click.option("--meter", metavar="NAME", help="The meter, with its serial number."),
    click.option("--meter-accuracy", metavar="TEXT", help="As its maker states it: '0.8 % + 3 digits'."),
    click.option("--meter-low-hz", type=float, default=40.0, show_default=True, help="And from where."),
    click.option("--meter-high-hz", type=float, help="Up to where its AC accuracy is stated."),
)
_TONE_OPTIONS = (
    click.option("--frequency-hz", type=float, default=330.0, show_default=True, help="315 to 400 Hz."),
    click.option("--level-dbfs", type=float, default=-6.0, show_default=True, help="Of the loud point."),
    click.option("--duration-s", type=float, default=10.0, show_default=True, help="Of each of the two tones."),
)
_LOUD_HELP = "At the loud point, 20 dB above."


def _with(command: Callable[..., Any], options: Iterable[Callable[..., Any]]) -> Callable[..., Any]:
    """Return a command with options, in this order."""
    for option in reversed([*options]):
        command = option(command)
    return command


def tone_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the meter, its readings of one channel, and the tone."""
    readings = (
        click.option("--quiet-reading", metavar="LEVEL", help="At the quiet point, as shown: '95.2 mV', '-20.4 dBV'."),
        click.option("--loud-reading", metavar="LEVEL", help=_LOUD_HELP),
        click.option("--confirm-reading", is_flag=True, help="A reading that looks like a slip is right as typed."),
    )
    return _with(command, (*_METER_OPTIONS, *readings, *_TONE_OPTIONS))


def channel_readings_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the meter, its readings of each channel, and the tone."""
    readings = (
        click.option(
            "--quiet-reading",
            metavar="N=LEVEL",
            multiple=True,
            help="Of channel N at the quiet point, as shown: '1=95.2 mV'. Once for each channel.",
        ),
        click.option("--loud-reading", metavar="N=LEVEL", multiple=True, help=_LOUD_HELP),
        click.option(
            "--confirm-reading",
            metavar="N",
            type=click.IntRange(1, 64),
            multiple=True,
            help="Of channel N: a reading that looks like a slip is right as typed.",
        ),
    )
    return _with(command, (*_METER_OPTIONS, *readings, *_TONE_OPTIONS))


def readings_of(given: Mapping[str, Any], channels: Sequence[int]) -> dict[int, dict[str, Any]]:
    """Return channel → its readings as `dialogue` takes them, of options that name the channel. Raises RequestError."""
    from audiomeas.errors import RequestError

    for channel in given["confirm_reading"]:
        if channel not in channels:
            raise RequestError(f"--confirm-reading {channel}: {_no_channel(channels)}")
    found: dict[int, dict[str, Any]] = {
        channel: {
            "quiet_reading": None,
            "loud_reading": None,
            "confirm_reading": channel in given["confirm_reading"],
        }
        for channel in channels
    }
    for name in ("quiet_reading", "loud_reading"):
        option = f"--{name.replace('_', '-')}"
        for text in given[name]:
            number, parted, reading = text.partition("=")
            channel = int(number) if number.strip().isdecimal() else 0
            if not parted or not channel or not reading.strip():
                raise RequestError(
                    f"{option} {text!r}: write the channel and what the meter showed, such as '1=95.2 mV'"
                )
            if channel not in found:
                raise RequestError(f"{option} {text!r}: {_no_channel(channels)}")
            if found[channel][name] is not None:
                raise RequestError(f"{option}: channel {channel} is there twice, give one reading for it")
            found[channel][name] = reading.strip()
    return found


def _no_channel(channels: Sequence[int]) -> str:
    return f"this calibrates the channels {', '.join(map(str, channels))}"


def file_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add where to start from, where to write, and whether it may play unasked."""
    options = (
        click.option("--valid-days", type=int, default=30, show_default=True, help="How long it holds."),
        click.option("--calibration", type=click.Path(), metavar="FILE", help="Start from this, not the bench's own."),
        click.option("--write", type=click.Path(), metavar="FILE", help="New file (default: a free name beside it)."),
        click.option("--captures", type=click.Path(), default=CAPTURES_FOLDER, show_default=True, help="Kept here."),
        click.option("--play", is_flag=True, help="Play without asking first; without it nothing sounds unasked."),
    )
    return _with(command, options)


def ask_of(
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
    quiet_reading: Any,
    loud_reading: Any,
    **_: Any,
) -> Any:
    """Return what is to be calibrated; the meter is asked for where it was not given. Raises RequestError."""
    from datetime import UTC, datetime

    from audiomeas.bench.meter import parse_accuracy, parse_meter
    from audiomeas.errors import RequestError
    from audiomeas.measurement.calibrate import Ask

    if against_output and (meter is not None or meter_accuracy is not None or quiet_reading or loud_reading):
        raise RequestError("--against-output needs no meter and no reading: give either")
    known = None
    if not against_output:
        name = _prompted(meter, "the meter, with its serial number", "--meter")
        what = "its accuracy on AC volts, such as '0.8 % + 3 digits'"
        accuracy = _prompted(meter_accuracy, what, "--meter-accuracy", parse_accuracy)
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
    from audiomeas.measurement.live_words import hertz

    if given is not None:
        return given
    return hertz(_prompted(None, "up to how many Hz its accuracy is stated", "--meter-high-hz", hertz))


def _prompted(value: str | None, what: str, option: str, check: Callable[[str], Any] = str) -> str:
    """Return what was given, else ask until it passes a check (which raises RequestError); where nobody can answer,
    name the option.
    """
    from audiomeas.errors import RequestError

    if value is not None:
        return value
    while True:
        try:
            answer: str = click.prompt(what, err=True)
            check(answer)
            return answer
        except RequestError as problem:
            say(f"{problem}; once more")
        except click.Abort:
            say("")  # leaves the line of the question
            raise RequestError(f"{what}: nobody answered; give {option}") from None


def dialogue(ask: Any, given: Mapping[str, Any]) -> tuple[Callable[[str, float], str], Callable[[str], bool]]:
    """Return how readings are got and slips confirmed. Readings given as options are read before any sound.

    What a person types that is no reading, or a slip by their own word, is asked for once more: the tone was played.
    """
    from audiomeas.bench.meter import parse_reading, slip

    confirmed: set[str] = set()
    typed = {name: given[f"{name}_reading"] for name in ("quiet", "loud")}
    for text in typed.values():
        if text is not None and ask.meter is not None:
            parse_reading(text, ask.meter)

    def read(name: str, expected_v_rms: float) -> str:
        if typed[name] is not None:
            return str(typed[name])
        while True:
            what = f"what the meter showed during the {name} tone (about {expected_v_rms:.3g} V expected)"
            text = _prompted(None, what, f"--{name}-reading", lambda text: parse_reading(text, ask.meter))
            reading = parse_reading(text, ask.meter)
            looks_like = slip(reading, expected_v_rms)
            if looks_like and not confirm(f"{reading.text} looks like {looks_like}"):
                continue
            confirmed.add(name)
            return text

    def confirm(line: str) -> bool:
        if any(f"the {name} reading" in line for name in confirmed):  # asked when it was typed
            return True
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


def say_cautions() -> None:
    """Say what must not be connected, before anything else."""
    for line in _CAUTIONS:
        say(line)


def session_of(bench: str | None, calibration: str | None) -> Any:
    """Return a session on a bench, with another calibration than its own where one is named. Opens no device."""
    from audiomeas.bench.calibration import read_calibration
    from audiomeas.errors import CalibrationError
    from audiomeas.measurement.api import open_bench
    from audiomeas.measurement.calibrate import with_calibration

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
        opened = with_calibration(opened, other)
    return session_on(opened)


def session_on(bench: Any) -> Any:
    """Return a session on an opened bench that says and shows here how it goes."""
    from audiomeas.measurement.session import Session

    return Session(bench, say=say, progress=show_progress)


def new_file(former: Path, write: str | None, day: str) -> Path:
    """Return where to write: never over a file that is there."""
    from audiomeas.files import free_name, refuse_unwritable

    if write is None:
        return free_name(former.parent, f"{_OF_A_DAY.sub('', former.stem)}-{day}", ".toml")
    path = Path(write)
    refuse_unwritable(path)
    return path


def ask_to_play(ask: Any, session: Any, *, play: bool) -> None:
    """Say what will be played and where the meter goes; ask whether it may. Raises RequestError."""
    loud_v = session.bench.output_scale(ask.channel).v_rms_at_full_scale * 10.0 ** (ask.level_dbfs / 20.0)
    meter = ", no meter across it" if ask.meter is None else ", meter across it on AC volts: read it while it sounds"
    say(
        f"output {ask.channel} will play {ask.frequency_hz:g} Hz twice for {ask.duration_s:g} s: about "
        f"{0.1 * loud_v:.3g} V, then about {loud_v:.3g} V; loop cable to input {ask.channel}{meter}"
    )
    ask_whether(play=play)


def ask_whether(*, play: bool) -> None:
    """Ask whether it may play. Raises RequestError: no, or nobody answered."""
    from audiomeas.errors import RequestError

    try:
        if play or click.confirm("Is only the loop cable connected, and may it play?", default=False, err=True):
            return
    except click.Abort:
        say("")
    raise RequestError("nothing was played: it plays after a 'y', or with --play")


def print_found(lines: Iterable[str], path: Path, *, simulated: bool) -> None:
    """Print what was found, a line each; what was written, and how it is used."""
    for line in (*([_SIMULATED] if simulated else []), *lines):
        click.echo(line)
    click.echo(f"written: {path}")
    click.echo(f'next: in the bench file write calibration = "{path.name}", or go on with --calibration {path}')
