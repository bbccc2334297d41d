"""`audiomeas generate STIMULUS FILE`: a stimulus as WAV or FLAC, with the sidecar that `analyze --stimulus` reads."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from audiomeas.cli.common import Group, show_progress, show_progress_end
from audiomeas.measurement.response_equalization import PRE_EMPHASIS

if TYPE_CHECKING:
    from audiomeas.stimulus import Stimulus
    from audiomeas.units import Level


#: Nothing is steady for less: of a few frames, or none, no tone can be made.
_LEAST_S = 0.001
#: --channels as typed → the channels that play.
_DRIVEN = {"both": (1, 2), "1": (1,), "2": (2,)}


@click.group(cls=Group)
def generate() -> None:
    """Write a stimulus as WAV or FLAC, with its sidecar FILE.json.

    Levels are in dBFS, or in volts when --full-scale says what the output gives.

    \b
    Example: audiomeas generate sweep sweep.wav --level "-6 dBFS"
    """


def _common(command: Callable[..., Any], *, level: str = "-6 dBFS") -> Callable[..., Any]:
    for decorator in (
        click.option(
            "--channels", type=click.Choice(list(_DRIVEN)), default="both", show_default=True, help="Which play."
        ),
        click.option(
            "--format",
            "sample_format",
            type=click.Choice(["int16", "int24", "float32"]),
            default="int24",
            show_default=True,
            help="Of the samples.",
        ),
        click.option(
            "--dither/--no-dither",
            default=False,
            show_default=True,
            help="Add triangular dither before rounding: quiet tones stay tones.",
        ),
        click.option("--rate", "sample_rate_hz", type=click.FLOAT, default=48000.0, show_default=True, help="In Hz."),
        click.option("--full-scale", metavar="LEVEL", help="What a full-scale sine is at the output, such as '2 V'."),
        click.option("--level", default=level, show_default=True, metavar="LEVEL", help="In dBFS, or V, mV, dBV."),
    ):
        command = decorator(command)
    return command


_markers = click.option(
    "--markers/--no-markers",
    default=True,
    show_default=True,
    help="A short chirp before and after it: tells the clock of a capture by another device.",
)


def _write(
    file: str,
    make: Callable[..., Stimulus],
    *,
    level: str,
    full_scale: str | None,
    sample_rate_hz: float,
    sample_format: Any,
    channels: str,
    markers: bool = False,
    dither: bool = False,
) -> None:
    """Make a stimulus and write it. make : takes level_v_rms, sample_rate_hz and driven_channels by name."""
    from audiomeas.errors import RequestError
    from audiomeas.measurement.api import generate as generate_call
    from audiomeas.units import parse_level

    scale = _checked_scale(full_scale, sample_rate_hz)
    level_v_rms = _resolved(parse_level(level), scale)
    try:
        stimulus = make(level_v_rms=level_v_rms, sample_rate_hz=sample_rate_hz, driven_channels=_DRIVEN[channels])
    except ValueError as error:
        raise RequestError(str(error)) from None
    path = generate_call(
        stimulus,
        file,
        v_rms_at_full_scale=None if scale is None else scale.value,
        sample_format=sample_format,
        markers=markers,
        dither=dither,
        progress=show_progress,
    )
    show_progress_end()
    click.echo(f"{path} and {path.name}.json", err=True)


def _checked_scale(full_scale: str | None, sample_rate_hz: float) -> Level | None:
    """Return what full scale is. Raises RequestError for one that is not in volts, or a rate that no file has."""
    from audiomeas.errors import RequestError
    from audiomeas.units import parse_level

    scale = None if full_scale is None else parse_level(full_scale)
    if scale is not None and scale.unit != "V":
        raise RequestError("--full-scale is in volts, such as '2 V'")
    if not 8_000 <= sample_rate_hz <= 768_000 or not float(sample_rate_hz).is_integer():
        raise RequestError(f"a rate of {sample_rate_hz:g} Hz can't be written: use 8000 to 768000 Hz")
    return scale


def _resolved(level: Level, scale: Level | None) -> float:
    """Return a level relative to a full-scale sine, or in volts when full scale is known."""
    from audiomeas.errors import RequestError

    if level.unit == "FS":
        return level.value * (1.0 if scale is None else scale.value)
    if level.unit == "V" and scale is not None:
        return level.value
    if level.unit == "V":
        raise RequestError("a level in volts needs --full-scale, such as '2 V'; or give the level in dBFS")
    raise RequestError("a level in watts belongs to an output of a unit: give dBFS or volts")


@generate.command()
@click.argument("file")
@click.option("--frequency-hz", type=click.FLOAT, default=997.0, show_default=True)
@click.option("--duration-s", type=click.FLOAT, default=1.0, show_default=True, help="Of the steady part.")
@_common
def sine(file: str, frequency_hz: float, duration_s: float, **common: Any) -> None:
    """Write a sine with whole periods in its steady part.

    \b
    Example: audiomeas generate sine tone.wav --frequency-hz 997 --level "-1 dBFS"
    """

    def make(**at: Any) -> Stimulus:
        from audiomeas.stimulus import Sine
        from audiomeas.stimulus.base import checked_tone

        checked_tone(frequency_hz, at["level_v_rms"], at["sample_rate_hz"])
        _checked_duration(duration_s)
        return Sine.bin_centred(
            frequency_hz=frequency_hz,
            window_s=duration_s,
            **at,
        )

    _write(file, make, **common)


@generate.command()
@click.argument("file")
@click.option("--frequencies-hz", metavar="N,N,…", default="100,1000,10000", show_default=True)
@click.option("--falls-db", metavar="N,N,…", default="0", show_default=True, help="Steps below the level, in dB.")
@click.option("--step-s", type=click.FLOAT, default=0.5, show_default=True, help="Steady part of each step.")
@_common
def steps(file: str, frequencies_hz: str, falls_db: str, step_s: float, **common: Any) -> None:
    """Write stepped sines: each frequency at each level.

    \b
    Example: audiomeas generate steps steps.wav --frequencies-hz 997 --falls-db 0,10,20,30
    """

    def make(**at: Any) -> Stimulus:
        from audiomeas.stimulus import SteppedSines
        from audiomeas.stimulus.base import checked_tone
        from audiomeas.units import db_to_amplitude_ratio

        _checked_duration(step_s)
        wanted = [
            (hz, at["level_v_rms"] * db_to_amplitude_ratio(-abs(fall)))
            for fall in _numbers(falls_db)
            for hz in _numbers(frequencies_hz)
        ]
        for hz, level in wanted:
            checked_tone(hz, level, at["sample_rate_hz"])
        del at["level_v_rms"]  # each step has its own
        return SteppedSines.bin_centred(steps=tuple(wanted), window_s=step_s, **at)

    _write(file, make, **common)


@generate.command()
@click.argument("file")
@click.option("--from-hz", type=click.FLOAT, default=None, help="Lowest frequency told. Default: 20 Hz.")
@click.option("--to-hz", type=click.FLOAT, default=None, help="Highest. Default: 0.45 of the rate.")
@click.option("--duration-s", type=click.FLOAT, default=4.0, show_default=True)
@click.option(
    "--pre-emphasis",
    type=click.Choice(list(PRE_EMPHASIS.choices)),
    metavar="CURVE",
    help=f"Play the inverse of a curve; --level is that at 1 kHz. One of {', '.join(PRE_EMPHASIS.choices)}.",
)
@click.option("--averages", type=click.INT, default=1, show_default=True, help="How often it plays; their mean counts.")
@_markers
@_common
def sweep(
    file: str,
    from_hz: float | None,
    to_hz: float | None,
    duration_s: float,
    pre_emphasis: str | None,
    averages: int,
    **common: Any,
) -> None:
    """Write a synchronized exponential sweep, or several of them in one file.

    \b
    Example: audiomeas generate sweep sweep.flac --level "-6 dBFS" --rate 96000
    """

    def make(**at: Any) -> Stimulus:
        from audiomeas.measurement.response_equalization import pre_emphasized
        from audiomeas.stimulus import RepeatedSweeps, Sweep

        _checked_duration(duration_s)
        _checked_averages(averages, pre_emphasis)
        facts = {
            "from_hz": from_hz if from_hz is not None else 20.0,
            "to_hz": to_hz if to_hz is not None else 0.45 * at["sample_rate_hz"],
            "duration_s": duration_s,
            **at,
        }
        if pre_emphasis is not None:
            return pre_emphasized(pre_emphasis, **facts)
        one = Sweep.covering(**facts)
        return one if averages == 1 else RepeatedSweeps.of(one, count=averages)

    _write(file, make, **common)


@generate.command("staggered-sweeps")
@click.argument("file")
@click.option("--from-hz", type=click.FLOAT, default=20.0, show_default=True, help="Lowest frequency told.")
@click.option("--to-hz", type=click.FLOAT, default=None, help="Highest. Default: 0.45 of the rate.")
@click.option("--duration-s", type=click.FLOAT, default=1.85, show_default=True, help="Of each channel's sweep.")
@_markers
@_common
def staggered_sweeps(file: str, from_hz: float, to_hz: float | None, duration_s: float, **common: Any) -> None:
    """Write the same sweep on one channel after the other, for crosstalk and both responses.

    \b
    Example: audiomeas generate staggered-sweeps pair.flac --level "-6 dBFS" --rate 96000
    """

    def make(**at: Any) -> Stimulus:
        from audiomeas.stimulus import StaggeredSweeps

        _checked_duration(duration_s)
        highest_hz = to_hz if to_hz is not None else 0.45 * at["sample_rate_hz"]
        return StaggeredSweeps.covering(from_hz=from_hz, to_hz=highest_hz, duration_s=duration_s, **at)

    _write(file, make, **common)


@generate.command()
@click.argument("file")
@click.option("--frequency-hz", type=click.FLOAT, default=1000.0, show_default=True)
@click.option(
    "--falls-db",
    metavar="N,N,…",
    default="40,37,34,31,28,25,22,19,16,13,10,7,4,2,1,0.5,0",
    show_default=True,
    help="Of each burst below the level, in dB; quiet ones first spare the unit.",
)
@click.option("--duration-s", type=click.FLOAT, default=0.1, show_default=True, help="Of each burst; 0.1 s at most.")
@click.option("--quiet-s", type=click.FLOAT, default=0.2, show_default=True, help="Of the quiet tone behind each.")
@_markers
@_common
def burst(file: str, frequency_hz: float, falls_db: str, duration_s: float, quiet_s: float, **common: Any) -> None:
    """Write short bursts of a sine at several levels, for `analyze clipping`.

    \b
    Example: audiomeas generate burst bursts.wav --level "-1 dBFS" --falls-db 20,10,6,3,2,1,0
    """

    def make(**at: Any) -> Stimulus:
        from audiomeas.stimulus import BurstSeries

        _checked_duration(duration_s)
        falls = _numbers(falls_db)
        return BurstSeries.falling(
            frequency_hz=frequency_hz, falls_db=falls, duration_s=duration_s, quiet_s=quiet_s, **at
        )

    _write(file, make, **common)


@generate.command("tone-and-silence")
@click.argument("file")
@click.option("--frequency-hz", type=click.FLOAT, default=997.0, show_default=True)
@click.option("--fall-db", type=click.FLOAT, default=60.0, show_default=True, help="Of the tone below the level.")
@click.option("--duration-s", type=click.FLOAT, default=2.0, show_default=True, help="Of the steady part of the tone.")
@click.option("--idle-s", type=click.FLOAT, default=2.0, show_default=True, help="Of the silence that is looked at.")
@_common
def tone_and_silence(
    file: str, frequency_hz: float, fall_db: float, duration_s: float, idle_s: float, **common: Any
) -> None:
    """Write a quiet tone and then silence, for dynamic range and idle noise.

    \b
    Example: audiomeas generate tone-and-silence quiet.wav --level "0 dBFS" --format int16 --dither
    """

    def make(**at: Any) -> Stimulus:
        from audiomeas.stimulus import ToneAndSilence
        from audiomeas.stimulus.base import checked_tone
        from audiomeas.units import db_to_amplitude_ratio

        _checked_duration(duration_s)
        _checked_duration(idle_s)
        at["level_v_rms"] *= db_to_amplitude_ratio(-abs(fall_db))
        checked_tone(frequency_hz, at["level_v_rms"], at["sample_rate_hz"])
        return ToneAndSilence.bin_centred(
            frequency_hz=frequency_hz, window_s=duration_s, idle_s=idle_s, fall_db=abs(fall_db), **at
        )

    _write(file, make, **common)


@generate.command("twin-tone")
@click.argument("file")
@click.option("--low-hz", type=click.FLOAT, default=60.0, show_default=True)
@click.option("--high-hz", type=click.FLOAT, default=7000.0, show_default=True)
@click.option("--ratio", type=click.FLOAT, default=4.0, show_default=True, help="Amplitude of the low over the high.")
@click.option("--duration-s", type=click.FLOAT, default=1.0, show_default=True, help="Of the steady part.")
@_common
def twin_tone(file: str, low_hz: float, high_hz: float, ratio: float, duration_s: float, **common: Any) -> None:
    """Write two sines at once, for intermodulation; the level is that of a sine of the same peak.

    \b
    Example: audiomeas generate twin-tone pair.wav --low-hz 19000 --high-hz 20000 --ratio 1
    """

    def make(**at: Any) -> Stimulus:
        from audiomeas.stimulus import TwinTone

        _checked_duration(duration_s)
        return TwinTone.bin_centred(
            low_hz=low_hz,
            high_hz=high_hz,
            ratio=ratio,
            window_s=duration_s,
            **at,
        )

    _write(file, make, **common)


@generate.command("square-and-sine")
@click.argument("file")
@click.option("--square-hz", type=click.FLOAT, default=3150.0, show_default=True)
@click.option("--sine-hz", type=click.FLOAT, default=15000.0, show_default=True)
@click.option(
    "--low-pass-khz", type=click.Choice(["30", "100"]), default="30", show_default=True, help="Of the square."
)
@click.option("--duration-s", type=click.FLOAT, default=1.0, show_default=True, help="Of the steady part.")
@_common
def square_and_sine(
    file: str, square_hz: float, sine_hz: float, low_pass_khz: str, duration_s: float, **common: Any
) -> None:
    """Write a low-passed square with a sine, 4:1, for transient intermodulation.

    \b
    Example: audiomeas generate square-and-sine transient.wav --rate 96000
    """

    def make(**at: Any) -> Stimulus:
        from audiomeas.stimulus import SquarePlusSine

        _checked_duration(duration_s)
        return SquarePlusSine.bin_centred(
            square_hz=square_hz,
            sine_hz=sine_hz,
            low_pass_hz=1000.0 * float(low_pass_khz),
            window_s=duration_s,
            **at,
        )

    _write(file, make, **common)


def _wave_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for decorator in (
        click.option(
            "--quiet-below-db", type=click.FLOAT, default=20.0, show_default=True, help="Of the first window."
        ),
        click.option("--window-s", type=click.FLOAT, default=1.0, show_default=True, help="Of each of two windows."),
    ):
        command = decorator(command)
    return command


@generate.command("square-wave")
@click.argument("file")
@click.option("--frequency-hz", type=click.FLOAT, default=1000.0, show_default=True)
@_wave_options
@_markers
@_common
def square_wave(file: str, frequency_hz: float, window_s: float, quiet_below_db: float, **common: Any) -> None:
    """Write a square wave, quiet and then at the level, up to the band's edge; the level is that of a sine of its peak.

    \b
    Example: audiomeas generate square-wave square.wav --frequency-hz 1000 --rate 96000
    """

    def make(**at: Any) -> Stimulus:
        from audiomeas.stimulus.periodic import SquareWave

        return SquareWave.at_level(frequency_hz=frequency_hz, window_s=window_s, quiet_below_db=quiet_below_db, **at)

    _write(file, make, **common)


@generate.command("tone-burst")
@click.argument("file")
@click.option("--frequency-hz", type=click.FLOAT, default=1000.0, show_default=True, help="Of the tone.")
@click.option("--tone-periods", type=click.INT, default=10, show_default=True, help="In a burst.")
@click.option("--rest-periods", type=click.INT, default=27, show_default=True, help="Left out behind it.")
@_wave_options
@_markers
@_common
def tone_burst(
    file: str, frequency_hz: float, tone_periods: int, rest_periods: int, window_s: float, quiet_below_db: float,
    **common: Any,
) -> None:  # fmt: skip
    """Write tone bursts that repeat, quiet and then at the level, up to the band's edge.

    \b
    Example: audiomeas generate tone-burst bursts.wav --frequency-hz 1000 --rate 96000
    """

    def make(**at: Any) -> Stimulus:
        from audiomeas.stimulus.periodic import ToneBurst

        return ToneBurst.of_tone(
            tone_hz=frequency_hz,
            tone_periods=tone_periods,
            rest_periods=rest_periods,
            window_s=window_s,
            quiet_below_db=quiet_below_db,
            **at,
        )

    _write(file, make, **common)


@generate.command()
@click.argument("file")
@click.option("--tones", type=click.INT, default=31, show_default=True, help="On each channel.")
@click.option("--from-hz", type=click.FLOAT, default=20.0, show_default=True, help="Lowest tone, about.")
@click.option("--to-hz", type=click.FLOAT, default=20000.0, show_default=True, help="Highest tone, about.")
@click.option("--duration-s", type=click.FLOAT, default=1.0, show_default=True, help="Of the window.")
@_common
def multitone(file: str, tones: int, from_hz: float, to_hz: float, duration_s: float, **common: Any) -> None:
    """Write many tones at once, other ones on each channel, with a low peak.

    \b
    Example: audiomeas generate multitone many.wav --level "-6 dBFS"
    """

    def make(**at: Any) -> Stimulus:
        from audiomeas.measurement.multitone import MEASUREMENT
        from audiomeas.stimulus import Multitone

        # A window is made whole, and none is measured that is longer.
        _checked_duration(duration_s, next(one.at_most for one in MEASUREMENT.options if one.name == "window_s"))
        return Multitone.low_crest(
            tones=tones,
            low_hz=from_hz,
            high_hz=to_hz,
            window_s=duration_s,
            **at,
        )

    _write(file, make, **common)


@generate.command()
@click.argument("file")
@click.option("--duration-s", type=click.FLOAT, default=10.0, show_default=True)
@_common
def silence(file: str, duration_s: float, **common: Any) -> None:
    """Write silence, for noise measurements.

    \b
    Example: audiomeas generate silence silence.wav --duration-s 10
    """

    def make(**at: Any) -> Stimulus:
        from audiomeas.stimulus import Silence

        _checked_duration(duration_s)
        return Silence(duration_s=duration_s, sample_rate_hz=at["sample_rate_hz"])

    _write(file, make, **common)


@generate.command()
@click.argument("folder")
def disc(folder: str) -> None:
    """Write the tracks of a test disc for CD players into a new folder, with a cue sheet and README.txt.

    Burn them, play the disc, record it in one go, and give the recording to `analyze disc`.

    \b
    Example: audiomeas generate disc my-disc
    """
    from audiomeas.measurement.media import generate_disc

    path = generate_disc(folder)
    click.echo(f"{path}: see {path / 'README.txt'}", err=True)


@generate.command("tape-side")
@click.argument("file")
@click.option(
    "--speed-hz",
    type=click.Choice(["3150", "3000"]),
    default="3150",
    show_default=True,
    help="Of the tone for speed and flutter.",
)
@partial(_common, level="-12 dBFS")
def tape_side(
    file: str,
    speed_hz: str,
    level: str,
    full_scale: str | None,
    sample_rate_hz: float,
    sample_format: Any,
    channels: str,
    dither: bool,
) -> None:
    """Write one side of a test tape; --level is the tape's reference, 8 dB below its loudest part.

    Level, azimuth from low to high, speed, response in spots at -20 dB, steps of level, a tone of its own on each
    channel, spots at -30 dB, silence, 40 s of 1 kHz to erase 10 s from its middle; the sidecar lists all.

    \b
    Example: audiomeas generate tape-side side-a.wav --speed-hz 3000
    """
    from audiomeas.measurement.media import generate_tape_side
    from audiomeas.units import parse_level

    scale = _checked_scale(full_scale, sample_rate_hz)
    path = generate_tape_side(
        file,
        level_v_rms=_resolved(parse_level(level), scale),
        sample_rate_hz=sample_rate_hz,
        speed_hz=float(speed_hz),
        v_rms_at_full_scale=None if scale is None else scale.value,
        sample_format=sample_format,
        dither=dither,
        channels=_DRIVEN[channels],
        progress=show_progress,
    )
    show_progress_end()
    click.echo(f"{path} and {path.name}.json", err=True)


def _checked_duration(duration_s: float, longest_s: float | None = None) -> None:
    from audiomeas.measurement.generated import LONGEST_S

    if not _LEAST_S <= duration_s <= (longest_s or LONGEST_S):
        longest = f"{LONGEST_S / 3600.0:g} hours" if longest_s is None else f"{longest_s:g} s"
        raise ValueError(f"a duration of {duration_s:g} s is not possible: use {_LEAST_S:g} s up to {longest}")


def _checked_averages(averages: int, pre_emphasis: str | None) -> None:
    if averages < 1:
        raise ValueError(f"{averages} averages are not possible: use 1 or more")
    if averages > 1 and pre_emphasis is not None:
        raise ValueError("a sweep with pre-emphasis is played once: leave --averages away")


def _numbers(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError:
        raise ValueError(f"{text!r} is no list of numbers such as 100,1000,10000") from None
