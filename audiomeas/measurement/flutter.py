"""Measurement word 'flutter': wow and flutter, speed and drift of a unit that plays a tone by itself."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import Part, of_limits
from audiomeas.errors import SignalError
from audiomeas.measurement.base import Measurement, Option, PlayContext, figures_of
from audiomeas.measurement.budget import METHOD, NOISE_AND_FIT, Told
from audiomeas.measurement.flutter_parts import OPTIONS as PART_OPTIONS
from audiomeas.measurement.flutter_parts import named, parts_of
from audiomeas.measurement.flutter_views import QUANTITIES, charts, tables
from audiomeas.measurement.leader import leader_words
from audiomeas.measurement.listened import length_option, silence
from audiomeas.measurement.nominal_speed import STANDARD_HZ, nominal_hz_of
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.steady import over_range_words

if TYPE_CHECKING:
    from audiomeas.analysis.flutter import Flutter, Reading
    from audiomeas.analysis.flutter_course import Break, Course
    from audiomeas.analysis.frequency_track import Probe, Tone, Track
    from audiomeas.analysis.leader import LeaderWatch
    from audiomeas.recording import Recording

#: How far a card's crystal may be off where nothing tells (common practice).
_CLOCK_PPM = 50.0
CLOCK = "clock of the card"
CAPTURE_NOISE = "noise of the capture"
WOW_LEFT = "wow left in the mean"
#: Readings → key, and how close the method is, relative: filters and sampling, and the fitted quasi-peak meter.
_METHOD, _METHOD_QUASI_PEAK = 0.005, 0.05
_KEYS = {
    "weighted": ("weighted_percent", _METHOD),
    "weighted_rms": ("weighted_rms_percent", _METHOD),
    "quasi_peak": ("quasi_peak_percent", _METHOD_QUASI_PEAK),
    "unweighted": ("unweighted_percent", _METHOD),
    "unweighted_rms": ("unweighted_rms_percent", _METHOD),
    "nab_rms": ("nab_rms_percent", _METHOD),
    "wow": ("wow_percent", _METHOD),
    "flutter": ("flutter_percent", _METHOD),
    "scrape_rms": ("scrape_rms_percent", _METHOD),
}
#: What the demodulator itself leaves of a tone without any modulation, in percent.
_RESIDUAL_PERCENT = 1e-6
#: Noise that makes more of a reading than this leaves a bound.
_MOSTLY_NOISE = 0.7
#: Where the tone is looked for: pieces of so many seconds, at most so many of them.
_PROBE_S, _PROBES = 0.5, 48
_BLOCK_FRAMES = 1 << 17
_MOST_LINES = 12
#: A line is told above this part of the unweighted r.m.s. value: it adds at least half a percent.
_LEAST_LINE = 0.1
#: Points of charts.
_COURSE_CELLS, _SPECTRUM_POINTS = 800, 700
_CENTS_PER_OCTAVE = 1200.0
#: Common practice asks for 30 s and more.
_SHORT_S = 20.0
#: Tracks of one tape differ by less (relative).
_TWO_TONES = 1e-3

DEFINITIONS = {
    "weighted_percent": "weighted, 2-sigma: the deviation that 5 % of the time exceeds",
    "weighted_rms_percent": "weighted, r.m.s. (JIS, NAB weighted)",
    "quasi_peak_percent": "weighted, quasi-peak (IEC 60386 of 1972, DIN 45507), largest reading, half of peak to peak",
    "unweighted_percent": "0.1 to 200 Hz, 2-sigma",
    "unweighted_rms_percent": "0.1 to 200 Hz, r.m.s.",
    "nab_rms_percent": "0.5 to 200 Hz, r.m.s. (NAB unweighted)",
    "wow_percent": "0.1 to 6 Hz, 2-sigma",
    "flutter_percent": "6 to 200 Hz, 2-sigma",
    "scrape_rms_percent": "200 to 700 Hz, r.m.s.",
}


CLOCK_OPTION = Option(
    name="clock_ppm",
    kind="number",
    help="How far the card's clock may be off, in ppm: no speed is told closer (50: common practice).",
    default=_CLOCK_PPM,
    stage="analyse",
    at_least=0.0,
    at_most=10_000.0,
)


def _check(_: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for sizes that tell nothing alone."""
    parts_of(options)


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    parts_of(options)  # refused before an hour is read
    tone = _tone(recording, options["nominal_hz"])
    tracks, known, leader = _tracked(recording, tone)
    heard = [_heard(known, column, track, tone) for column, track in enumerate(tracks)]
    first = next((one for one in heard if isinstance(one, _Heard)), None)
    if first is None:
        raise SignalError(str(heard[0]))
    nominal_hz, warnings = nominal_hz_of(first.found.speed.mean_hz, options["nominal_hz"])
    return result_of(
        known,
        "flutter",
        conditions=_conditions(first.course, nominal_hz, options),
        channels=tuple(
            _told(number, one, nominal_hz, options) if isinstance(one, _Heard) else _unknown(number)
            for number, one in zip(known.channels, heard, strict=True)
        ),
        warnings=(
            *warnings,
            *_said_of_two_tones([one for one in heard if isinstance(one, _Heard)]),
            *_said_of_leader(first.course, leader),
            *(
                line
                for number, one in zip(known.channels, heard, strict=True)
                for line in (_said(number, one) if isinstance(one, _Heard) else [one])
            ),
        ),
    )


# -- the tone ----------------------------------------------------------------------------------------------------


def _tone(recording: Recording, nominal_hz: float | None) -> Tone:
    """Return the capture's tone, of the channel that holds it most often. Raises SignalError when there is none."""
    from audiomeas.analysis.frequency_track import chosen_tone, probed
    from audiomeas.recording_blocks import RecordingOnDisk, blocks_of

    rate_hz, frames = recording.sample_rate_hz, round(_PROBE_S * recording.sample_rate_hz)
    if recording.frames < frames:
        raise SignalError(f"{recording.frames / rate_hz:.2f} s are too short for flutter: capture 30 s of the tone")
    count = min(_PROBES, recording.frames // frames)
    starts = [round(n * (recording.frames - frames) / max(1, count - 1)) for n in range(count)]
    probes: list[list[Probe]] = [[] for _ in recording.channels]
    looked_at = recording.unread() if isinstance(recording, RecordingOnDisk) else recording
    for start in starts:
        for block in blocks_of(looked_at, start, start + frames, frames):
            for column, found in enumerate(probes):
                found.append(probed(block[:, column], rate_hz))
    wanted_hz = STANDARD_HZ if nominal_hz is None else (nominal_hz,)
    counted = [sum(one.frequency_hz is not None for one in found) for found in probes]
    tone = chosen_tone(probes[counted.index(max(counted))], wanted_hz)
    if tone is None:
        raise SignalError(
            "no steady tone is in the capture: let the unit play a tone of 3000 or 3150 Hz from a test tape or record "
            "while it is captured"
        )
    return tone


def _tracked(recording: Recording, tone: Tone) -> tuple[tuple[Track, ...], Recording, LeaderWatch]:
    """Return each channel's track, the recording with what only its samples show, and how loud it is when."""
    from audiomeas.analysis.frequency_track import Tracker
    from audiomeas.analysis.leader import LeaderWatch
    from audiomeas.recording_blocks import RecordingOnDisk, blocks_of

    tracker = Tracker(recording.sample_rate_hz, len(recording.channels), tone.frequency_hz)
    leader = LeaderWatch(recording.sample_rate_hz, len(recording.channels))
    for block in blocks_of(recording, 0, recording.frames, _BLOCK_FRAMES):
        tracker.add(block)
        leader.add(block)
    known = recording.completed() if isinstance(recording, RecordingOnDisk) else recording
    return tracker.tracks(), known, leader


# -- a channel ---------------------------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Heard:
    """A channel's course, and all that it tells."""

    course: Course
    found: Flutter


def _heard(recording: Recording, column: int, track: Track, tone: Tone) -> _Heard | str:
    """Return what a channel tells, or why it tells nothing."""
    from audiomeas.analysis.flutter import flutter_of
    from audiomeas.analysis.flutter_course import course_of

    number = recording.channels[column]
    if words := over_range_words(recording, column, number):
        return words
    try:
        course = course_of(track, tone_hz=tone.frequency_hz, usual_peak=_own_peak(track, tone))
        return _Heard(course=course, found=flutter_of(course))
    except SignalError as error:
        return f"channel {number}: {error}"


def _told(number: int, heard: _Heard, nominal_hz: float | None, options: Mapping[str, Any]) -> ChannelResult:
    told = Told({})
    _tell_speed(told, heard.found, nominal_hz, options["clock_ppm"])
    for name, (key, method) in _KEYS.items():
        _tell_reading(told, key, heard.found.readings.get(name), method)
    _tell_breaks(told, heard.course)
    _tell_lines(told, heard.found, heard.course, options)
    _tell_charted(told, heard.found, heard.course, nominal_hz)
    return told.result(number)


def _own_peak(track: Track, tone: Tone) -> float:
    """Return what a channel's tone has usually; a channel far below the others has none."""
    import numpy as np

    loud = track.peak[track.peak > 0.01 * tone.peak]
    return float(np.median(loud)) if len(loud) else tone.peak


def _tell_speed(told: Told, found: Flutter, nominal_hz: float | None, clock_ppm: float) -> None:
    speed, values = found.speed, told.values
    clock = of_limits(CLOCK, 1e-6 * clock_ppm)  # relative, as the others here
    wow = Part(WOW_LEFT, speed.half_width_hz / speed.mean_hz)
    values["carrier_hz"] = speed.mean_hz
    told.add("carrier_hz", (clock, wow), speed.mean_hz)
    keys = (
        "speed_error_percent",
        "speed_error_cents",
        *(f"speed_{where}_percent" for where in ("begin", "middle", "end")),
    )
    values.update(dict.fromkeys(keys))
    ends = Part(WOW_LEFT, speed.ends_half_width_hz / speed.mean_hz)
    if nominal_hz is not None:
        ratio = speed.mean_hz / nominal_hz
        values["speed_error_percent"] = 100.0 * (ratio - 1.0)
        told.add("speed_error_percent", (clock, wow), 100.0 * ratio)
        values["speed_error_cents"] = _CENTS_PER_OCTAVE * math.log2(ratio)
        told.add("speed_error_cents", (clock, wow), _CENTS_PER_OCTAVE / math.log(2.0))
        for where, hz in (("begin", speed.begin_hz), ("middle", speed.middle_hz), ("end", speed.end_hz)):
            values[f"speed_{where}_percent"] = 100.0 * (hz / nominal_hz - 1.0)
            told.add(f"speed_{where}_percent", (clock, ends), 100.0 * ratio)
    values["speed_drift_percent"] = 100.0 * (speed.end_hz / speed.begin_hz - 1.0)
    told.add("speed_drift_percent", (ends, ends, of_limits(METHOD, 0.01 * _RESIDUAL_PERCENT)), 100.0)


def _tell_reading(told: Told, key: str, reading: Reading | None, method: float) -> None:
    if reading is None:
        told.values[key] = None
        return
    value, noise = 100.0 * reading.value, 100.0 * reading.noise
    told.values[key] = value
    if noise > _MOSTLY_NOISE * value:
        told.at_most(key)
        return
    # Noise adds as power: without it the reading would be so much lower, and that much is open.
    excess = value - math.sqrt(value**2 - noise**2)
    told.add(
        key,
        (
            Part(NOISE_AND_FIT, 100.0 * reading.scatter),
            of_limits(CAPTURE_NOISE, excess),
            of_limits(METHOD, method * value + _RESIDUAL_PERCENT),
        ),
    )


def _tell_breaks(told: Told, course: Course) -> None:
    rows = [
        {"kind": kind, "at_s": round(one.at_s, 4), "length_s": round(one.length_s, 4)}
        for kind, found in (("drop-out", course.drop_outs), ("leap", course.leaps))
        for one in found
    ]
    told.values["drop_outs"], told.values["leaps"] = len(course.drop_outs), len(course.leaps)
    told.values["drop_outs_per_minute"] = 60.0 * len(course.drop_outs) / (course.end_s - course.begin_s)
    told.values["breaks"] = sorted(rows, key=lambda row: row["at_s"])


def _tell_lines(told: Told, found: Flutter, course: Course, options: Mapping[str, Any]) -> None:
    from audiomeas.analysis.line_motion import line_motion

    parts = parts_of(options)
    least = max(_LEAST_LINE * found.readings["unweighted_rms"].value, 0.01 * _RESIDUAL_PERCENT)
    lines = sorted((one for one in found.lines if one.level_v_rms >= least), key=lambda one: -one.level_v_rms)
    rows = []
    for line in sorted(lines[:_MOST_LINES], key=lambda one: one.frequency_hz):
        motion = line_motion(course.deviation, course.rate_hz, line.frequency_hz)
        rows.append(
            {
                "frequency_hz": line.frequency_hz,
                "rms_percent": 100.0 * line.level_v_rms,
                "begin_hz": None if motion is None else motion.begin_hz,
                "end_hz": None if motion is None else motion.end_hz,
                "moves": None if motion is None else motion.moves,
                "consistent_with": named(line.frequency_hz, parts, motion),
                "uncertainty": {"rms_percent": 100.0 * line.uncertainty_v_rms},
            }
        )
    told.values["lines"] = rows


def _tell_charted(told: Told, found: Flutter, course: Course, nominal_hz: float | None) -> None:
    """Tell the courses, and the spectrum as lines would stand in it (r.m.s.), thinned by their largest."""
    import numpy as np

    from audiomeas.analysis.charted import log_edges
    from audiomeas.analysis.flutter_weighting import HIGH_HZ

    cells = np.array_split(np.arange(len(found.weighted)), min(_COURSE_CELLS, len(found.weighted) // 2))
    where = np.sort([place for cell in cells for place in (_at(np.argmin, found, cell), _at(np.argmax, found, cell))])
    told.values["course_s"] = np.round(course.begin_s + where / course.rate_hz, 4).tolist()
    told.values["course_percent"] = (100.0 * found.weighted[where]).tolist()
    speed = found.speed
    told.values["speed_s"] = np.round(
        course.begin_s + speed.step_s * (0.5 + np.arange(len(speed.by_step_hz))), 3
    ).tolist()
    told.values["speed_percent"] = (100.0 * (speed.by_step_hz / (nominal_hz or speed.mean_hz) - 1.0)).tolist()
    density = found.density
    size = np.count_nonzero(density.frequency_hz <= HIGH_HZ)
    edges = log_edges(int(size), _SPECTRUM_POINTS)
    tops = [low + int(np.argmax(density.v2_per_hz[low:high])) for low, high in itertools.pairwise(edges)]
    told.values["spectrum"] = {
        "frequency_hz": [float(top * density.bin_hz) for top in tops],
        # A line's power fills 1.5 bins of a Hann window (Harris 1978).
        "rms_percent": [100.0 * math.sqrt(1.5 * density.bin_hz * float(density.v2_per_hz[top])) for top in tops],
    }


def _at(which: Any, found: Flutter, cell: Any) -> int:
    return int(cell[which(found.weighted[cell])])


def _said_of_leader(course: Course, leader: LeaderWatch) -> list[str]:
    """Return what is to be said of sound before the tone; not where it plays in pieces, which is said."""
    if course.stretches > 1:
        return []
    return leader_words(leader.loud_s(course.begin_s, course.end_s), course.begin_s)


def _said_of_two_tones(heard: Sequence[_Heard]) -> list[str]:
    """Return what is to be said of channels that play different tones: one transport has one speed."""
    found_hz = [one.found.speed.mean_hz for one in heard]
    if not found_hz or max(found_hz) / min(found_hz) - 1.0 <= _TWO_TONES:
        return []
    return [
        f"the channels play tones of {' and '.join(f'{hz:.1f} Hz' for hz in found_hz)}, which tracks of one tape or "
        "record can't: is it the right one? The speed of both is told from the nominal of the first"
    ]


def _said(number: int, heard: _Heard) -> list[str]:
    """Return what is to be said of a channel's course."""
    from audiomeas.analysis.flutter import stepped

    said, course = [], heard.course
    if (step := stepped(heard.found.speed)) is not None:
        said.append(
            f"channel {number}: the frequency steps by {100.0 * step[1]:+.1f} % near {course.begin_s + step[0]:.0f} s: "
            "are these two tones, or two speeds? cut the file there; its figures are of both together"
        )
    if course.stretches > 1:
        said.append(
            f"channel {number}: the tone plays in {course.stretches} pieces; the longest is analysed, from "
            f"{course.begin_s:.1f} to {course.end_s:.1f} s"
        )
    if course.drop_outs:
        said.append(
            f"channel {number}: {_times('drop-out', course.drop_outs)}; bridged and left out: clean heads or stylus, "
            "or look for lost samples"
        )
    if course.leaps:
        said.append(
            f"channel {number}: {_times('leap', course.leaps)} of the tone's phase: consistent with a splice, a "
            "skipping stylus, or lost samples; bridged and left out"
        )
    if course.end_s - course.begin_s < 0.95 * _SHORT_S:
        said.append(
            f"channel {number}: {course.end_s - course.begin_s:.1f} s tell slow wow and speed loosely: capture "
            f"{_SHORT_S:g} s or more"
        )
    return said


def _times(what: str, breaks: Sequence[Break]) -> str:
    """Return how often something broke the tone, and where first."""
    at_s = f"at {breaks[0].at_s:.2f} s"
    return f"1 {what}, {at_s}" if len(breaks) == 1 else f"{len(breaks)} {what}s, the first {at_s}"


def _unknown(number: int) -> ChannelResult:
    """Return a channel of which nothing can be said."""
    keys = [key for key, _, _ in QUANTITIES]
    lists: dict[str, Any] = {
        key: [] for key in ("breaks", "lines", "course_s", "course_percent", "speed_s", "speed_percent")
    }
    return ChannelResult(
        channel=number,
        values={**dict.fromkeys(keys), **lists, "spectrum": {"frequency_hz": [], "rms_percent": []}},
    )


def _conditions(course: Course, nominal_hz: float | None, options: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "stimulus": "none: the unit played a tone",
        "nominal_hz": nominal_hz,
        "span_s": [course.begin_s, course.end_s],
        "duration_s": course.end_s - course.begin_s,
        "weighting": "IEC 60386 = AES6-2008 = DIN 45507, 0 dB at 4 Hz, table from memory",
        "definitions": DEFINITIONS,
        "deviation": "relative to the mean frequency of the span",
        "speed": "mean over the span with faded ends; begin, middle and end over 30 s or a third of it",
        "turning_parts": [
            {"part": one.words, "frequency_hz": one.turns_hz, "to_hz": one.to_hz} for one in parts_of(options)
        ],
        "clock_ppm": options["clock_ppm"],
        "uncertainty_covers": "scatter over the span, noise of the capture, filters and indicators; for speeds the "
        "card's clock, and wow that is left in the mean; not the flutter of the test tape or record itself",
    }


MEASUREMENT = Measurement(
    word="flutter",
    summary="Wow, flutter, speed and drift of a tape deck or turntable that plays a tone of 3000 or 3150 Hz",
    example="flutter --duration-s 60 --platter-rpm 33.333",
    options=(
        length_option(
            "30 to 60 for one figure, a side for its drift", default_s=40.0, at_least_s=10.0, at_most_s=3600.0
        ),
        Option(
            name="nominal_hz",
            kind="number",
            help="Frequency that the tape or record was made with. Without it: 3000 or 3150 Hz, whichever is nearer.",
            stage="analyse",
            at_least=1000.0,
            at_most=20_000.0,
        ),
        CLOCK_OPTION,
        *PART_OPTIONS,
    ),
    figures=figures_of(QUANTITIES),
    stimulus=silence,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
    to_do="let the unit play its test tone (3000 or 3150 Hz) now; it is listened to for {duration_s:g} s",
    silent=True,
    always_listens=True,
    in_blocks=True,
)
