"""The parts of a tape in one long capture: the capture is read once, block by block, and each part is cut out of it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError
from audiomeas.measurement.leader import leader_words
from audiomeas.measurement.pieces import cut_out
from audiomeas.measurement.tape_media import ERASED, SPEED, TapeSide
from audiomeas.recording import Recording
from audiomeas.recording_blocks import RecordingOnDisk, blocks_of

if TYPE_CHECKING:
    from audiomeas.analysis.leader import LeaderWatch
    from audiomeas.analysis.marks import Mark
    from audiomeas.analysis.tape_course import Placed, ToneCourse, Wanted

#: A capture is read in blocks of so many frames.
_BLOCK_FRAMES = 1 << 16
#: Of a part no more than this is read: memory stays the same however long it plays.
MOST_S = 120.0
#: With fewer of the parts than this it is another tape.
_LEAST_SHARE = 0.3
#: So many of them, once more and in their order, are no chance: the tape was begun twice.
_BEGUN_AGAIN = 3
#: With more than this nobody asks whether it runs at another speed; there, so many times more of them must be.
_SURE_SHARE, _MANY_MORE = 0.75, 1.25
#: Ratios at which a tape's tones may lie when the file's rate is not that of its samples, or the deck runs otherwise.
_OTHER_SPEEDS = (
    (48.0 / 44.1, "as if 44.1 kHz were called 48 kHz (or 88.2 kHz 96 kHz)"),
    (44.1 / 48.0, "as if 48 kHz were called 44.1 kHz (or 96 kHz 88.2 kHz)"),
    (2.0, "twice as high: the deck runs at twice the tape's speed, or the file's rate is wrong"),
    (0.5, "half as high: the deck runs at half the tape's speed, or the file's rate is wrong"),
)
#: How close a capture's speed must lie to one of these: a deck that is set by hand may come near by chance.
_OTHER_SPEED_NEAR = 0.01
#: Ratios that are tried too: with 3.5 % beside each from 13 % slow to 16 % fast, as far as decks are set by hand.
_BESIDE = (0.9, 0.95, 1.06, 1.12)
#: A tone whose peak is fewer steps than this is bent by rounding: without dither by 0.01 dB here, by 0.3 dB at three.
_LEAST_STEPS = 16.0
#: A look at this share of a part's time shows what plays there instead.
_INSTEAD_SHARE = 0.5


@dataclass(frozen=True, kw_only=True)
class Found:
    """A tape in a capture. recording : with over-range and resolution, as far as blocks show them.

    placed : where its parts stand.   by_marks : found by its marks, else by the order of its tones.
    words : what is to be said of it.
    """

    recording: Recording
    side: TapeSide
    placed: Placed
    by_marks: bool
    words: tuple[str, ...]

    def cut(self, number: int) -> Recording | None:
        """Return a part (0-based) as a recording of its own, at most two minutes of its middle; None: not there."""
        place = self.placed.places[number]
        if place is None:
            return None
        middle_s, half_s = 0.5 * (place.from_s + place.to_s), 0.5 * min(place.to_s - place.from_s, MOST_S)
        rate_hz = self.recording.sample_rate_hz
        return cut_out(self.recording, round((middle_s - half_s) * rate_hz), round((middle_s + half_s) * rate_hz))


def find_parts(recording: Recording, side: TapeSide) -> Found:
    """Return where a tape's parts stand in a capture. Raises SignalError: it is not there."""
    course, marks, leader = _read(recording, side)
    completed = _completed(recording)
    wanted = _wanted(side)
    placed, words, by_marks = _placed(course, marks, side, wanted, recording.sample_rate_hz)
    _refuse_another(course, wanted, placed, side)
    if not words:
        words += _leader_words(leader, placed)
    words += _missing_words(course, placed, side)
    words += _coarse_words(course, placed, side, completed.resolution_fs)
    if len(recording.channels) == 1:
        words.append("one channel was captured: azimuth, balance and separation are not told")
    return Found(recording=completed, side=side, placed=placed, by_marks=by_marks, words=tuple(words))


def _completed(recording: Recording) -> Recording:
    """Return the recording, still on its disk, with what its samples have shown."""
    if not isinstance(recording, RecordingOnDisk):
        return recording
    known = recording.completed()
    return dataclasses.replace(recording, over_range=known.over_range, resolution_fs=known.resolution_fs)


def _read(recording: Recording, side: TapeSide) -> tuple[ToneCourse, list[Mark], LeaderWatch]:
    """Read the whole capture once: its tones, the marks of a side that has them, and how loud it is when."""
    from audiomeas.analysis.leader import LeaderWatch
    from audiomeas.analysis.marks import MarkFinder
    from audiomeas.analysis.tape_course import ToneWatch
    from audiomeas.stimulus.marker import MARKER_FROM_HZ, MARKER_TO_HZ, marker

    rate_hz = recording.sample_rate_hz
    watch, leader = ToneWatch(rate_hz, len(recording.channels)), LeaderWatch(rate_hz, len(recording.channels))

    def watched() -> Any:
        for block in blocks_of(recording, 0, recording.frames, _BLOCK_FRAMES):
            watch.add(block)
            leader.add(block)
            yield block

    if side.marks_s is None:
        for _ in watched():
            pass
        return watch.course(), [], leader
    finder = MarkFinder(marker, rate_hz, from_hz=MARKER_FROM_HZ, to_hz=MARKER_TO_HZ)
    marks = finder.marks_in(watched())
    return watch.course(), marks, leader


def _leader_words(leader: LeaderWatch, placed: Placed) -> list[str]:
    """Return what is to be said of sound before the first part."""
    there = [place for place in placed.places if place is not None]
    first = min(there, key=lambda place: place.from_s, default=None)
    return [] if first is None else leader_words(leader.loud_s(first.from_s, first.to_s), first.from_s)


def _wanted(side: TapeSide) -> list[Wanted]:
    from audiomeas.analysis.tape_course import Wanted

    return [Wanted(tones_hz=part.tones_hz, from_s=part.from_s, to_s=part.to_s) for part in side.parts]


def _placed(
    course: ToneCourse, marks: list[Mark], side: TapeSide, wanted: Sequence[Wanted], rate_hz: float
) -> tuple[Placed, list[str], bool]:
    """Return where the parts stand, what is to be said of how they were found, and whether marks told it."""
    from audiomeas.analysis.marks import placed_tracks
    from audiomeas.analysis.tape_course import by_marks, by_order

    if side.marks_s is None:
        placed = by_order(course, wanted)
        return placed, _again_words(placed.again, len(wanted)), False
    before_s, after_s = side.marks_s
    pairs = placed_tracks(marks, [(after_s - before_s) * rate_hz])
    if pairs:
        first, last = (mark.frame / rate_hz for mark in pairs[0].marks)
        per_second = (last - first) / (after_s - before_s)
        placed = by_marks(course, wanted, first_s=first - per_second * before_s, per_second=per_second)
        again = _again_words(len(wanted) * (len(pairs) - 1), len(wanted))
        alone = [
            mark.frame / rate_hz
            for mark in marks
            if not pairs[0].marks[0].frame <= mark.frame <= pairs[-1].marks[-1].frame
        ]
        return placed, [*again, *_alone_words(alone)], True
    placed = by_order(course, wanted)
    return placed, [_marks_words(marks, rate_hz), *_again_words(placed.again, len(wanted))], False


def _again_words(again: int, parts: int) -> list[str]:
    """Return what is to be said of a capture that holds more than one play. again : parts that come once more."""
    if again > 0 and again >= _LEAST_SHARE * parts:
        return [
            "the tape plays more than once in this capture: one of its takes is told; cut the file to one, or capture "
            "one"
        ]
    if again >= _BEGUN_AGAIN:
        return [
            f"{again} of the tape's tones come once more, in their order: was it begun, stopped and wound back? The "
            "take that holds the most is told; capture one alone where it matters"
        ]
    return []


def _alone_words(alone_s: Sequence[float]) -> list[str]:
    """Return what is to be said of marks outside the side that is told. alone_s : where they stand."""
    if not alone_s:
        return []
    return [
        f"a mark stands outside the side that is told (at {', '.join(f'{at:.1f} s' for at in alone_s[:4])}): was the "
        "tape begun, stopped and wound back? Capture one play alone where it matters"
    ]


def _marks_words(marks: Sequence[Mark], rate_hz: float) -> str:
    alone = ", ".join(f"{mark.frame / rate_hz:.1f} s" for mark in marks[:4])
    there = f"marks stand at {alone} only" if marks else "neither was found"
    return (
        f"the marks at the beginning and the end of the side are not both there ({there}): did the capture start "
        "late or end soon, or does somebody speak over the leader? Parts are found by the order of their tones, and "
        "their ends less closely"
    )


def _missing_words(course: ToneCourse, placed: Placed, side: TapeSide) -> list[str]:
    """Return what is to be said of parts that are not there, or not whole."""
    words = []
    missing = [side.parts[number] for number, place in enumerate(placed.places) if place is None]
    if missing:
        words.append(f"missing: {', '.join(part.words for part in missing)}: not in the capture, or not whole")
    for number, part in enumerate(side.parts):
        if placed.places[number] is None and part.name == SPEED:
            words += _instead_words(course, placed, side, number)
    short = [
        side.parts[number]
        for number, place in enumerate(placed.places)
        if place is not None and not place.whole and side.parts[number].name != ERASED
    ]
    if short:
        words.append(f"shorter than it was recorded: {', '.join(part.words for part in short)}; what is there is told")
    return words


def _coarse_words(course: ToneCourse, placed: Placed, side: TapeSide, step_fs: float | None) -> list[str]:
    """Return what is to be said of tones that a capture's steps hardly hold. step_fs : None: unknown."""
    import numpy as np

    if step_fs is None:
        return []
    found = [
        (math.sqrt(2.0) * float(np.median(np.max(levels, axis=1))) / step_fs, part)
        for part, place in zip(side.parts, placed.places, strict=True)
        if place is not None and part.level_db is not None and part.name != ERASED
        for levels in [course.level_rms[course.look(place.from_s) : course.look(place.to_s) + 1]]
    ]
    fewest, part = min(found, key=lambda one: one[0], default=(math.inf, None))
    if part is None or fewest >= _LEAST_STEPS:
        return []
    return [
        f"{part.words} is only {fewest:.1f} steps of the captured samples high: unless the recorder dithers, levels "
        "of soft tones are off by more than is told; capture louder, or with 24 bits"
    ]


def _instead_words(course: ToneCourse, placed: Placed, side: TapeSide, number: int) -> list[str]:
    """Return which tone plays where that for speed should."""
    import numpy as np

    before = next((n for n in range(number - 1, -1, -1) if placed.places[n] is not None), None)
    after = next((n for n in range(number + 1, len(side.parts)) if placed.places[n] is not None), None)
    if before is None or after is None:
        return []
    one, other = placed.places[before], placed.places[after]
    assert one is not None and other is not None
    there = course.main_hz[course.look(one.to_s) : course.look(other.from_s)]
    heard = there[np.isfinite(there)]
    if len(heard) < _INSTEAD_SHARE * max(1, len(there)):
        return []
    return [
        f"a tone of {float(np.median(heard)):.0f} Hz plays where {side.parts[number].frequency_hz:g} Hz was expected: "
        "is this the side that was recorded? `generate tape-side --speed-hz` has two"
    ]


def _refuse_another(course: ToneCourse, wanted: Sequence[Wanted], placed: Placed, side: TapeSide) -> None:
    """Raise SignalError where hardly any tone is there, or many more are at another speed.

    A ladder in octaves that runs at twice its speed has half of its tones in their order, each of them another one.
    """
    tones = sum(bool(one.tones_hz) for one in wanted)
    here = _tones_found(placed, wanted)
    if here >= _SURE_SHARE * tones:
        return
    tried = [(_placed_at(course, wanted, ratio), ratio) for ratio in (*dict(_OTHER_SPEEDS), *_BESIDE)]
    there, ratio = max(tried, key=lambda one: _tones_found(one[0], wanted))
    most = _tones_found(there, wanted)
    if most > 0.5 * tones and most > _MANY_MORE * here:
        raise SignalError(f"the tones of {side.name} are there, but {_speed_words(ratio * (1.0 + there.speed))}")
    if here < max(1, round(_LEAST_SHARE * tones)):
        raise SignalError(
            f"{side.name} is not in this capture: hardly any of its tones comes in its order, within 3.5 % of its "
            "speed; is it this tape, this side, and whole?"
        )


def _tones_found(placed: Placed, wanted: Sequence[Wanted]) -> int:
    return sum(place is not None and bool(one.tones_hz) for place, one in zip(placed.places, wanted, strict=True))


def _placed_at(course: ToneCourse, wanted: Sequence[Wanted], ratio: float) -> Placed:
    """Return where parts stand that are played at `ratio` of their speed."""
    from audiomeas.analysis.tape_course import by_order

    moved = [
        dataclasses.replace(
            one, tones_hz=tuple(ratio * hz for hz in one.tones_hz), from_s=one.from_s / ratio, to_s=one.to_s / ratio
        )
        for one in wanted
    ]
    return by_order(course, moved)


def _speed_words(speed: float) -> str:
    """Return what is consistent with a tape's tones at `speed` times their frequencies, and what to do."""
    for ratio, words in _OTHER_SPEEDS:
        if abs(speed / ratio - 1.0) < _OTHER_SPEED_NEAR:
            return f"{words}; set it right, and capture again"
    much = f"{abs(100.0 * (speed - 1.0)):.1f} % {'fast' if speed > 1.0 else 'slow'}"
    return f"{much}, too far off to be measured: set the deck's speed (pitch control?), and capture again"
