"""Tracking: how far the two channels of a volume control differ over its range, while a person turns it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.bench_own import own_words
from audiomeas.measurement.budget import Told, own_parts
from audiomeas.measurement.checks import made
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.scale_parts import between_parts
from audiomeas.measurement.steady import over_range_words
from audiomeas.measurement.tone_values import tell_volts
from audiomeas.measurement.tracking_views import RANGES_DB, charts, tables

if TYPE_CHECKING:
    from audiomeas.analysis.tracking import Tracking
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Stimulus
    from audiomeas.stimulus.turned import TurnedTone

#: The table has a row each.
_TABLE_STEP_DB = 10
#: No difference of two levels is stated closer than this, in dB: a capture without noise would claim all digits.
_LEAST_DB = 1e-4
#: At most so many moments of the levels' course are kept, and so many events are listed with their time.
_MOST_MOMENTS, _MOST_EVENTS = 500, 200


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> TurnedTone:
    from audiomeas.stimulus.turned import TurnedTone

    return TurnedTone(
        frequency_hz=options["frequency_hz"],
        level_v_rms=context.input_level_v_rms,
        sample_rate_hz=context.sample_rate_hz,
        window_s=options["duration_s"],
        driven_channels=context.channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    if len(context.channels) != 2:
        raise RequestError("tracking compares two channels: drive both")
    made(_stimulus, context, options)


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    from audiomeas.analysis.tracking import analyze_tracking

    _refuse_what_has_no_two_channels(recording)
    signals, begin_s = _window(recording)
    tone_hz = _tone_hz(recording.stimulus)
    found = analyze_tracking(
        signals,
        recording.sample_rate_hz,
        near_hz=options["frequency_hz"] if tone_hz is None else tone_hz,
        exact=tone_hz is not None and recording.shared_clock,
    )
    return result_of(
        recording,
        "tracking",
        conditions=_conditions(recording, found, len(signals) / recording.sample_rate_hz),
        channels=(_first(recording, found, begin_s), _second(recording, found, begin_s)),
        warnings=(*_mono_words(recording), *_warnings(recording, found)),
    )


def _refuse_what_has_no_two_channels(recording: Recording) -> None:
    if len(recording.channels) != 2:
        raise SignalError(
            f"tracking compares two channels, and this capture has {len(recording.channels)}: capture both in one file"
        )
    for column, channel in enumerate(recording.channels):
        if words := over_range_words(recording, column, channel):
            raise SignalError(words)


def _mono_words(recording: Recording) -> list[str]:
    """Return a warning when both channels hold the same samples: then nothing was compared."""
    import numpy as np

    if not np.array_equal(recording.counts_fs[:, 0], recording.counts_fs[:, 1]):
        return []
    return ["both channels hold the same samples: is the file mono, or a mono switch set? Nothing was compared"]


def _window(recording: Recording) -> tuple[Any, float]:
    """Return the frames in which the control is turned, (frames, 2), and when they begin in the capture (s)."""
    import numpy as np

    from audiomeas.recording import stimulus_slice

    span = slice(0, recording.frames)
    if recording.stimulus is not None and recording.stimulus_start is not None:
        windows = recording.stimulus.windows()
        span = stimulus_slice(recording, windows[0].start, windows[-1].stop)
    signals = np.stack([recording.signal(column)[span] for column in range(2)], axis=1)
    return signals, span.start / recording.sample_rate_hz


def _tone_hz(stimulus: Stimulus | None) -> float | None:
    """Return the frequency of the tone that was played, when that is known. Raises SignalError when it was no tone."""
    from audiomeas.stimulus import Sine

    if stimulus is None:
        return None
    if not isinstance(stimulus, Sine):
        raise SignalError(
            f"tracking needs a steady tone, and the stimulus of this capture is {stimulus.kind!r}: play a sine while "
            "the control is turned"
        )
    return stimulus.frequency_hz


def _conditions(recording: Recording, found: Tracking, duration_s: float) -> dict[str, Any]:
    return {
        "method": "steady tone, demodulated in blocks of 40 periods while the control was turned",
        "frequency_hz": found.frequency_hz,
        "duration_s": duration_s,
        "difference": f"level of channel {recording.channels[1]} less that of channel {recording.channels[0]}; 0 dB "
        "where the latter is loudest",
        "uncertainty_covers": "noise, scatter between blocks and scale; not leakage between the channels of the bench; "
        f"{own_words(recording, taken_off='the levels')}",
    }


def _warnings(recording: Recording, found: Tracking) -> list[str]:
    first, second = recording.channels
    warnings = [
        f"channel {first} was turned down to {found.lowest_db[0]:.1f} dB only: nothing is told of the range to "
        f"−{range_db} dB".replace("to -", "to −")
        for range_db in RANGES_DB
        if found.lowest_db[0] > 0.5 - range_db
    ][:1]
    lost = [-float(level) for level, bound in zip(found.level_db, found.bound_db, strict=True) if math.isfinite(bound)]
    if lost and min(lost) < max(RANGES_DB):
        warnings.append(
            f"channel {second} was not heard over the noise from {min(lost):.0f} dB below the loudest position of "
            f"channel {first} on: the differences there are bounds; play a higher level, or set the attenuator to a "
            "lower range"
        )
    return warnings


def _first(recording: Recording, found: Tracking, begin_s: float) -> ChannelResult:
    told = _own(recording, found, 0, begin_s)
    absolute = recording.calibrated
    told.values.update({"balance_db": 0.0 if absolute else None, **dict.fromkeys(_LISTS, ()), "steps": []})
    if absolute:
        told.uncertainty["balance_db"] = 0.0
    return told.result(recording.channels[0])


def _second(recording: Recording, found: Tracking, begin_s: float) -> ChannelResult:
    told = _own(recording, found, 1, begin_s)
    told.values.update({"balance_db": None, **_differences(found), "steps": _steps(found)})
    if recording.calibrated:
        told.values["balance_db"] = 20.0 * math.log10(found.loudest_rms[1] / found.loudest_rms[0])
        between = between_parts(recording, 1, 0)
        if between is not None:
            told.add("balance_db", (*between, *own_parts(math.hypot(*found.loudest_uncertainty))), DB_PER_NEPER)
    return told.result(recording.channels[1])


def _own(recording: Recording, found: Tracking, column: int, begin_s: float) -> Told:
    """Return what both channels have: their own levels, and what is of the pair."""
    level, own = found.loudest_rms[column], own_parts(found.loudest_uncertainty[column])
    crackles, jumps = found.crackles_s[column], found.jumps_s[column]
    values: dict[str, Any] = {
        "level_v_rms": None,
        "lowest_db": found.lowest_db[column],
        "crackles": len(crackles),
        "jumps": len(jumps),
        "crackles_s": _times(crackles, begin_s),
        "jumps_s": _times(jumps, begin_s),
        **_course(found, column, begin_s),
    }
    told = Told(values, {"crackles": 0.0, "jumps": 0.0})
    tell_volts(told, recording, column, level, frequency_hz=found.frequency_hz, own=own)
    if found.went_silent[column]:
        told.at_most("lowest_db")
    for range_db in RANGES_DB:
        _tell_largest(told, found, range_db)
    return told


def _times(times_s: Sequence[float], begin_s: float) -> list[float]:
    return [round(begin_s + at_s, 3) for at_s in times_s[:_MOST_EVENTS]]


def _tell_largest(told: Told, found: Tracking, range_db: int) -> None:
    """Tell the largest difference down to a level, without sign; where the second channel was lost: at least that."""
    from audiomeas.analysis.tracking import largest_difference

    key = f"largest_difference_to_{range_db}_db"
    largest = largest_difference(found, -float(range_db))
    told.values[key] = None if largest is None else abs(largest.difference_db)
    told.values[f"largest_difference_to_{range_db}_at_db"] = None if largest is None else largest.at_db
    if largest is not None:
        told.add(key, own_parts(largest.uncertainty_db, _LEAST_DB))
        if not largest.whole:
            told.bound[key] = "at least"


_LISTS = ("relative_level_db", "difference_db", "difference_uncertainty_db", "difference_bound")


def _differences(found: Tracking) -> dict[str, Any]:
    """Return the lists against the level of the first channel; where only a bound is known it stands as the value."""
    rows = [
        (level, bound, None, "at most") if math.isfinite(bound) else (level, value, math.hypot(wide, _LEAST_DB), "")
        for level, value, wide, bound in zip(
            found.level_db.tolist(),
            found.difference_db.tolist(),
            found.uncertainty_db.tolist(),
            found.bound_db.tolist(),
            strict=True,
        )
    ]
    return {name: [row[place] for row in rows] for place, name in enumerate(_LISTS)}


def _steps(found: Tracking) -> list[dict[str, Any]]:
    """Return the differences at round levels."""
    from audiomeas.analysis.tracking import difference_at

    steps = []
    for level_db in range(0, int(found.lowest_db[0]) - 1, -_TABLE_STEP_DB):
        told = difference_at(found, float(level_db))
        steps.append(
            {
                "relative_level_db": float(level_db),
                "difference_db": None if told is None else told[0],
                "uncertainty": {} if told is None else {"difference_db": math.hypot(told[1], _LEAST_DB)},
            }
        )
    return steps


def _course(found: Tracking, column: int, begin_s: float) -> dict[str, Any]:
    every = max(1, math.ceil(len(found.course_s) / _MOST_MOMENTS))
    return {
        "course_s": [round(begin_s + float(at_s), 3) for at_s in found.course_s[::every]],
        "course_db": [
            round(float(level_db), 3) if math.isfinite(level_db) else None
            for level_db in found.course_db[::every, column]
        ],
    }


MEASUREMENT = Measurement(
    word="tracking",
    summary="Difference of the two channels over the range of a volume control that is turned in one capture",
    example='tracking --output-level "1 W"',
    options=(
        Option(
            name="duration_s",
            kind="number",
            help="how long the tone plays while the control is turned, in seconds",
            default=20.0,
            at_least=5.0,
            at_most=120.0,
        ),
        Option(
            name="frequency_hz",
            kind="number",
            help="frequency of the tone",
            default=1000.0,
            at_least=100.0,
            at_most=20_000.0,
            stage="analyse",
        ),
    ),
    figures=(
        *(
            Figure(
                key=f"largest_difference_to_{range_db}_db",
                unit="dB",
                words=f"largest difference of the channels from full volume down to −{range_db} dB",
            )
            for range_db in RANGES_DB
        ),
        Figure(key="balance_db", unit="dB", words="difference of loudness from the first channel at full volume"),
        Figure(key="lowest_db", unit="dB", words="lowest level that the volume control leaves"),
        Figure(key="crackles", unit="", words="crackles of the volume control while it was turned"),
        Figure(key="jumps", unit="", words="jumps of the volume control while it was turned"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
    to_do=(
        "set the volume control to full before the first sound and leave it there; when 'tracking' begins to count, "
        "wait for two seconds, then turn it slowly and evenly down to zero, within {duration_s:g} s"
    ),
)
