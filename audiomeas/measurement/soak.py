"""A soak: how a unit stands up to a long sound, second by second. Here as a measurement of minutes, in one capture.

Hours and days are `audiomeas soak` (`plan/soak.py`), which reads a stream by the same seconds and
makes the same result.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError
from audiomeas.measurement.base import Measurement, Option, PlayContext, figures_of
from audiomeas.measurement.checks import made
from audiomeas.measurement.offers import mains_option
from audiomeas.measurement.soak_views import QUANTITIES, charts, tables

if TYPE_CHECKING:
    from audiomeas.measurement.result import Result
    from audiomeas.measurement.soak_fold import SoakFold
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Sine

WORD = "soak"
_USUAL_S, _LONGEST_S = 60.0, 600.0
#: Seconds that come to rest before the first that counts.
_SETTLE_S = 1.0
USUAL_MAINS_HZ = 50.0
_COVERS = "the scatter of the seconds at beginning and end; not the drift of the card over this time"
_EVENTS = (
    "level step > 0.3 dB, drop-out > 3 dB, signal gone > 20 dB, noise, hum or distortion up by 6 dB, a crest flatter "
    "by 0.1 dB, over-range of the card, samples lost"
)


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Sine:
    """Return the tone. Raises ValueError."""
    from audiomeas.stimulus import Sine

    if not float(options["frequency_hz"]).is_integer():
        raise ValueError(f"a soak's tone has a whole number of hertz, not {options['frequency_hz']:g}")
    return Sine(
        frequency_hz=options["frequency_hz"],
        level_v_rms=context.input_level_v_rms,
        sample_rate_hz=context.sample_rate_hz,
        window_s=float(round(options["duration_s"])),
        settle_s=_SETTLE_S,
        driven_channels=context.channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played."""
    made(_stimulus, context, options)


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    from audiomeas.measurement.soak_fold import SoakFold
    from audiomeas.recording import stimulus_slice
    from audiomeas.recording_blocks import RecordingOnDisk, blocks_of
    from audiomeas.stimulus import Sine

    stimulus = recording.stimulus
    if not isinstance(stimulus, Sine) or recording.stimulus_start is None or not recording.shared_clock:
        raise SignalError("a soak is read of a capture that the bench itself made of a tone: use `audiomeas soak`")
    (window,) = stimulus.windows()
    span = stimulus_slice(recording, window.start, window.stop)
    second_frames = round(recording.sample_rate_hz)
    fold = SoakFold()
    _read_all(recording, stimulus, blocks_of(recording, span.start, span.stop, second_frames), options, fold)
    if not fold.watched_s:
        raise SignalError("the capture holds no whole second of the tone")
    if isinstance(recording, RecordingOnDisk):
        recording = recording.completed()
    return result_of_fold(recording, fold, stimulus, options)


def _read_all(recording: Recording, stimulus: Sine, blocks: Any, options: Mapping[str, Any], fold: SoakFold) -> None:
    from dataclasses import replace

    import numpy as np

    from audiomeas.interface.transport import consecutive_at
    from audiomeas.measurement.scale_parts import power_ohm
    from audiomeas.measurement.soak_lines import PLAYING, event_line, second_line
    from audiomeas.measurement.soak_reading import SecondsOf, read_tone_channel

    of = SecondsOf(
        sample_rate_hz=recording.sample_rate_hz,
        frequency_hz=stimulus.frequency_hz,
        level_v_rms=stimulus.level_v_rms,
        mains_hz=options["mains_hz"],
    )
    watchmen = {channel: of.watchman() for channel in recording.channels}
    for number, block in enumerate(blocks, start=1):
        if len(block) < round(of.sample_rate_hz):
            return
        over: Any = np.any(consecutive_at(np.abs(block), 1.0), axis=0)
        found = []
        for column, channel in enumerate(recording.channels):
            load = power_ohm(recording.conditions, channel, stimulus.frequency_hz)
            volts = replace(recording, counts_fs=block).signal(column)
            one = read_tone_channel(
                channel,
                volts,
                of,
                plays=channel in stimulus.driven_channels,
                load_ohm=load,
                over_range=bool(over[column]),
            )
            for noticed in watchmen[channel].see(one.moment):
                fold.add(event_line(float(number), noticed.kind, noticed.words, channel=channel))
            found.append(one)
        fold.add(second_line(float(number), PLAYING, found))


def result_of_fold(recording: Recording, fold: SoakFold, stimulus: Sine, options: Mapping[str, Any]) -> Result:
    """Return what one capture came to."""
    from audiomeas.measurement.result import result_of

    return result_of(
        recording,
        WORD,
        conditions={
            "sound": f"a tone of {stimulus.frequency_hz:g} Hz",
            "mains_hz": options["mains_hz"],
            **fold_conditions(fold),
        },
        channels=fold.channels(stimulus.driven_channels),
    )


def heat_percent(power_share: float) -> float:
    """Return the heat of an ideal class-B stage at a part of its power, of its largest, in percent."""
    from audiomeas.analysis.class_b import heat_share

    return 100.0 * heat_share(power_share)


def fold_conditions(fold: SoakFold) -> dict[str, Any]:
    """Return the conditions that each soak has: how long, and what counts as an event."""
    return {
        "sounding_h": fold.sounding_h,
        "watched_h": fold.watched_s / 3600.0,
        "event_criteria": _EVENTS,
        "uncertainty_covers": _COVERS,
    }


MEASUREMENT = Measurement(
    word=WORD,
    summary="A tone that stands for minutes, read each second: drift, drop-outs, noise; hours by `audiomeas soak`",
    example="soak --output-level '7.5 W' --duration-s 300",
    options=(
        Option(
            name="duration_s",
            kind="number",
            help="How long the tone is watched, in seconds.",
            default=_USUAL_S,
            at_least=5.0,
            at_most=_LONGEST_S,
        ),
        Option(
            name="frequency_hz",
            kind="number",
            help="Frequency of the tone, a whole number of hertz.",
            default=1000.0,
            at_least=20.0,
            at_most=10_000.0,
        ),
        mains_option("whose lines are told as hum", default_hz=USUAL_MAINS_HZ),
    ),
    figures=figures_of([one for one in QUANTITIES if one[0] != "end_level_v_rms"]),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    needs_stimulus=True,
    check=_check,
    in_blocks=True,
)
