"""Measurement word 'tapping': what taps do to a steady tone (a cracked joint, a part that is microphonic)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.errors import SignalError
from audiomeas.measurement.base import Measurement, Option, PlayContext, figures_of
from audiomeas.measurement.bench_own import own_words
from audiomeas.measurement.budget import Told, own_parts
from audiomeas.measurement.checks import made
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.steady import over_range_words
from audiomeas.measurement.tapping_views import QUANTITIES, charts, tables
from audiomeas.measurement.tone_values import tell_volts
from audiomeas.shown_digits import AT_LEAST

if TYPE_CHECKING:
    from audiomeas.analysis.tapped import Tapped
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Sine, Stimulus

WORD = "tapping"
#: A hand that follows a clock, which was begun by hand too, is so near to what was asked for.
WITHIN_S = 1.0
#: The last tap comes so long before the tone's end.
_LAST_BEFORE_END_S = 2.0
#: Most moments of the course that are kept, and events that are listed.
_MOST_MOMENTS, _MOST_EVENTS = 1000, 200
#: No level is told closer than this, relative: a capture without noise would claim all digits.
_LEAST_RELATIVE = 1e-5


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Sine:
    from audiomeas.stimulus import Sine

    return Sine(
        frequency_hz=options["frequency_hz"],
        level_v_rms=context.input_level_v_rms,
        sample_rate_hz=context.sample_rate_hz,
        window_s=options["duration_s"],
        driven_channels=context.channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played."""
    made(_stimulus, context, options)


def taps_s(begin_s: float, end_s: float, every_s: float) -> list[float]:
    """Return when a tap is asked for, since the capture's beginning: at each multiple while the tone can show it.

    begin_s, end_s : of the tone.
    """
    first, last = math.ceil((begin_s + WITHIN_S) / every_s), math.floor((end_s - _LAST_BEFORE_END_S) / every_s)
    return [every_s * number for number in range(first, last + 1)]


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    from audiomeas.analysis.tapped import BURST_DB, LEAST_BURST, STEP_DB, watch_tapped
    from audiomeas.recording import stimulus_slice

    frequency_hz, span = options["frequency_hz"], slice(0, recording.frames)
    if recording.stimulus is not None and recording.stimulus_start is not None:
        frequency_hz = _frequency_hz(recording.stimulus)
        (window,) = recording.stimulus.windows()
        span = stimulus_slice(recording, window.start, window.stop)
    begin_s, end_s = (frame / recording.sample_rate_hz for frame in (span.start, span.stop))
    asked_s = taps_s(begin_s, end_s, options["every_s"])
    if not asked_s:
        raise SignalError("the capture is too short for a single tap: capture longer, or set a smaller every_s")
    channels, warnings = [], []
    for column, channel in enumerate(recording.channels):
        if words := over_range_words(recording, column, channel):
            raise SignalError(words)
        found = watch_tapped(
            recording.signal(column)[span],
            recording.sample_rate_hz,
            frequency_hz=frequency_hz,
            resolution=recording.resolution(column),
            begin_s=begin_s,
        )
        told = _channel(recording, column, found, frequency_hz, asked_s)
        channels.append(told)
        if told.values["events_elsewhere"]:
            warnings.append(
                f"channel {channel}: {told.values['events_elsewhere']} events came with no tap: a contact that moves "
                "by itself, a disturbance, a hand that was early or late, or blocks that changed places"
            )
    return result_of(
        recording,
        WORD,
        conditions={
            "frequency_hz": frequency_hz,
            "duration_s": end_s - begin_s,
            "taps_s": asked_s,
            "within_s": WITHIN_S,
            "event_criteria": f"level off its course by more than {STEP_DB:g} dB, or what stands beside the tone up by "
            f"more than {BURST_DB:g} dB and to {100.0 * LEAST_BURST:g} % of it, against the second before",
            "uncertainty_covers": f"noise and scale; {own_words(recording, taken_off='the level')}",
        },
        channels=tuple(channels),
        warnings=tuple(warnings),
    )


def _frequency_hz(stimulus: Stimulus) -> float:
    """Return the frequency of the tone that was played. Raises SignalError when it was no tone."""
    from audiomeas.stimulus import Sine

    if not isinstance(stimulus, Sine):
        raise SignalError(
            f"tapping needs a steady tone, and the stimulus of this capture is {stimulus.kind!r}: play a sine while "
            "the unit is tapped"
        )
    return stimulus.frequency_hz


def _channel(
    recording: Recording, column: int, found: Tapped, frequency_hz: float, asked_s: list[float]
) -> ChannelResult:
    from audiomeas.analysis.tapped import answers

    answered = answers(found.events, asked_s, WITHIN_S)
    count = len(found.events)
    every = max(1, math.ceil(len(found.course_s) / _MOST_MOMENTS))
    values: dict[str, Any] = {
        **{key: None for key, _, _ in QUANTITIES},
        "taps": len(asked_s),
        "taps_answered": answered.answered,
        "events_elsewhere": answered.elsewhere,
        "near_taps_percent": 100.0 * (count - answered.elsewhere) / count if count else None,
        "event_list": _event_rows(found, answered.tap_of),
        **_course(found, every),
    }
    told = Told(values, dict.fromkeys(("taps", "taps_answered", "events_elsewhere"), 0.0))
    tell_volts(told, recording, column, found.level_rms, frequency_hz=frequency_hz, own=own_parts(_LEAST_RELATIVE))
    if count:
        told.uncertainty["near_taps_percent"] = 0.0
        values["largest_step_db"] = max(abs(one.step_db) for one in found.events)
        told.add("largest_step_db", own_parts(TWO_SIDED_95 * found.scatter_db))
        if any(one.gone for one in found.events):
            told.at_most("largest_step_db", word=AT_LEAST)
        values["largest_burst_db"] = max(one.burst_db for one in found.events)
        values["longest_s"] = max(one.length_s for one in found.events)
    return told.result(recording.channels[column])


def _event_rows(found: Tapped, tap_of: tuple[int | None, ...]) -> list[dict[str, Any]]:
    return [
        {
            "at_s": round(event.begin_s, 3),
            "tap": None if tap is None else tap + 1,
            "step_db": round(event.step_db, 3),
            "burst_db": round(event.burst_db, 2),
            "length_s": round(event.length_s, 3),
            "gone": event.gone,
        }
        for event, tap in list(zip(found.events, tap_of, strict=True))[:_MOST_EVENTS]
    ]


def _course(found: Tapped, every: int) -> dict[str, Any]:
    """Return of so many blocks each the level that is furthest from the median: what is short stays to be seen."""
    import numpy as np

    whole = len(found.course_db) // every * every
    rows = found.course_db[:whole].reshape(-1, every)
    furthest = rows[np.arange(len(rows)), np.argmax(np.abs(rows), axis=1)]
    return {
        "course_s": [round(float(at_s), 3) for at_s in found.course_s[:whole:every]],
        "course_db": [round(float(level_db), 3) for level_db in furthest],
    }


MEASUREMENT = Measurement(
    word=WORD,
    summary="Whether a unit answers taps: steps of a tone's level and bursts beside it, at the taps and elsewhere",
    example='tapping --output-level "1 W"',
    options=(
        Option(
            name="duration_s",
            kind="number",
            help="How long the tone plays while the unit is tapped, in seconds.",
            default=44.0,
            at_least=10.0,
            at_most=600.0,
        ),
        Option(
            name="every_s",
            kind="number",
            help="A tap at each multiple of so many seconds since the capture's beginning.",
            default=6.0,
            at_least=5.0,
            at_most=60.0,
            stage="analyse",
        ),
        Option(
            name="frequency_hz",
            kind="number",
            help="Frequency of the tone.",
            default=1000.0,
            at_least=200.0,
            at_most=10_000.0,
            stage="analyse",
        ),
    ),
    figures=figures_of([one for one in QUANTITIES if one[0] not in ("level_v_rms", "level_dbfs")]),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
    to_do=(
        "have a clock with seconds at hand, and begin with it when 'tapping' begins to count: at each {every_s:g} s "
        "tap the unit once with something that insulates, at another place each time; touch nothing in between"
    ),
)
