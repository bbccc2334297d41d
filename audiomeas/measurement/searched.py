"""The captures of a search become one recording: what searches that find their levels by themselves share."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.errors import CaptureError, RequestError, SignalError
from audiomeas.units import SQRT2, Level, db_to_amplitude_ratio

if TYPE_CHECKING:
    from audiomeas.measurement.base import SearchContext
    from audiomeas.recording import Recording
    from audiomeas.stimulus import SteppedSines, Stimulus

#: A channel that comes out so much lower than its gain lets expect has fallen: something opened, the search ends.
FELL_DB = 3.0
#: Markers lie so far below what they enclose, but never below the first look's level, which is known to be heard: what
#: clips has markers that don't, and that still stand out beside it.
_MARKERS_BELOW_DB = 10.0


def refuse_silent(context: SearchContext, so: str) -> None:
    """Raise CaptureError for a driven channel that did not answer at first look. so : what follows from it."""
    for channel in context.silent:
        if channel in context.channels:
            raise CaptureError(
                f"channel {channel} did not answer at first look, so {so}: check its load, cables and protection, or "
                "drive the other channel alone (--channels)"
            )


def output_v_rms(context: SearchContext, level: Level, frequency_hz: float) -> dict[int, float]:
    """Return channel → volts at its output that a level is there."""
    return {channel: level.v_rms(load_ohm=context.load_ohm(channel, frequency_hz)) for channel in context.channels}


def input_v_rms(outputs_v_rms: Mapping[int, float], gains_db: Mapping[int, float]) -> float:
    """Return the input level, one for all channels, at which none gives less than is asked of it."""
    return max(volts / db_to_amplitude_ratio(gains_db[channel]) for channel, volts in outputs_v_rms.items())


def refuse_above(context: SearchContext, stimulus: Stimulus, what: str) -> None:
    """Raise RequestError for a stimulus whose level no gate would let pass. what : needs it."""
    highest_v_rms, words = context.highest_of(stimulus)
    if stimulus.level_v_rms > highest_v_rms:
        raise RequestError(
            f"{what} needs {stimulus.level_v_rms:.3g} V at the input, and {highest_v_rms:.3g} V are allowed by {words}"
        )


def markers_gain_db(context: SearchContext, frequency_hz: float) -> float:
    """Return by how much more gain markers meet than a tone does, on the channel where that is most; 0 for less.

    Through an RIAA curve a tone of 10 kHz gets 19 dB less than the low end of a marker.
    """
    from audiomeas.stimulus.marker import MARKER_FROM_HZ, MARKER_TO_HZ

    marked_hz = (MARKER_FROM_HZ, math.sqrt(MARKER_FROM_HZ * MARKER_TO_HZ), MARKER_TO_HZ)
    return max(
        max(context.gain_at_db(channel, hz) for hz in (*marked_hz, frequency_hz))
        - context.gain_at_db(channel, frequency_hz)
        for channel in context.channels
    )


def markers_v(levels_v_rms: Sequence[float], heard_v_rms: float, more_gain_db: float = 0.0) -> float:
    """Return the peak of the markers around one level a channel. heard_v_rms : where the first look was heard.

    more_gain_db : as `markers_gain_db`: so much quieter they come out as far below the tone as with equal gain.
    """
    unclipped_v_rms = min(levels_v_rms) * db_to_amplitude_ratio(-_MARKERS_BELOW_DB - more_gain_db)
    return SQRT2 * min(max(unclipped_v_rms, heard_v_rms), max(levels_v_rms))


def all_steps(series: Sequence[SteppedSines]) -> SteppedSines:
    """Return several series of steps as one. Raises ValueError: they are not timed alike."""
    whole = dataclasses.replace(series[0], steps=tuple(step for one in series for step in one.steps))
    if any(dataclasses.replace(one, steps=whole.steps) != whole for one in series):
        raise ValueError("these steps were not played with one timing: give the captures of one search")
    return whole


def last_search(recordings: Sequence[Recording], key: str, what: str) -> list[Recording]:
    """Return the captures of the last search among some, in their order; refused ones left out.

    recordings : in the order of their capture; others, refused ones and earlier searches may be among them.
    key : of the condition that numbers the captures of a search, {"number": 0 …}.   what : it looks for.
    Raises SignalError: no captures of such a search, or one is missing.
    """
    found = [(one, int(one.conditions[key]["number"])) for one in recordings if key in one.conditions]
    begins = [place for place, (_, number) in enumerate(found) if number == 0]
    if not begins:
        raise SignalError(f"these captures hold no search for {what} from its first capture on")
    good = {number: one for one, number in found[begins[-1] :] if one.stimulus_start is not None}
    if not good or sorted(good) != list(range(len(good))):
        raise SignalError("a capture of this search is missing: give all of them")
    return [good[number] for number in sorted(good)]


def joined_captures(
    recordings: Sequence[Recording], key: str, what: str, whole: Callable[[Sequence[Any]], Any]
) -> Recording:
    """Return the last search among captures as one recording: what was played end to end, with one stimulus.

    recordings, key, what : as `last_search` has them.   A last capture that was refused says why the search ended.
    whole : their stimuli → the one of all; raises ValueError when they don't belong together.
    Raises SignalError as `last_search`, and for captures that don't belong together.
    """
    joined = end_to_end(last_search(recordings, key, what), whole)
    conditions = {name: value for name, value in joined.conditions.items() if name != key}
    return dataclasses.replace(joined, conditions=conditions, warnings=(*joined.warnings, *_ended(recordings, key)))


def _ended(recordings: Sequence[Recording], key: str) -> list[str]:
    """Return why a search ended early: what was wrong with its last capture, where that was refused."""
    last = [one for one in recordings if key in one.conditions][-1]
    return [f"the search ended early: {last.warnings[-1]}"] if last.stimulus_start is None and last.warnings else []


def end_to_end(parts: Sequence[Recording], whole: Callable[[Sequence[Any]], Any]) -> Recording:
    """Return captures that belong together as one recording, with one stimulus; what else is known is of the first.

    parts : in order, each with its stimulus placed.   whole : as `joined_captures` has it.
    Raises SignalError: they don't belong together.
    """
    import numpy as np

    from audiomeas.recording import stimulus_slice

    stimuli = [one.stimulus for one in parts if one.stimulus is not None]
    if len({(one.channels, one.sample_rate_hz, one.v_rms_at_full_scale) for one in parts}) > 1:
        raise SignalError("these were captured on different channels, rates or ranges: give the captures of one search")
    try:
        stimulus = whole(stimuli)
    except ValueError as error:
        raise SignalError(str(error)) from None
    counts = [one.counts_fs[stimulus_slice(one, 0, own.frames)] for one, own in zip(parts, stimuli, strict=True)]
    steps_fs = [one.resolution_fs for one in parts if one.resolution_fs is not None]
    conditions = {name: value for name, value in parts[0].conditions.items() if name != "latency_frames"}
    return dataclasses.replace(
        parts[0],
        counts_fs=np.concatenate(counts),
        stimulus=stimulus,
        stimulus_start=0,
        markers=None,
        over_range=tuple(int(n) for n in np.sum([one.over_range for one in parts], axis=0)),
        resolution_fs=min(steps_fs) if steps_fs else None,
        conditions={**conditions, "input_level_v_rms": stimulus.level_v_rms},
        warnings=tuple(dict.fromkeys(line for one in parts for line in one.warnings)),
    )
