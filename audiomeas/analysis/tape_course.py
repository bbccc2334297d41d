"""Which tones a long capture holds, tenth by tenth of a second, and where the parts of a known programme stand in it.

Blocks come one after the other; what is kept of each tenth of a second is a frequency and a level per channel. A
programme is a list of tones in order. It is found at any speed that a tape machine has: by where marks say that its
parts stand, moved a little by the tones themselves; or, without marks, by the order of frequencies alone, as the
cheapest way through both lists (dynamic programming: D. Sankoff and J. Kruskal, Time Warps, String Edits, and
Macromolecules (1983), ch. 1), so that parts may be missing and something else may stand between.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft

from audiomeas.analysis.segments import hann
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: One look after the other, and how much each looks at.
HOP_S, _LOOK_S = 0.1, 0.2
#: A tone is there when this part of the power stands within so much of one frequency, or so many bins (Hann's lobe).
_LEAST_SHARE, _NEAR, _LOBE_BINS = 0.5, 0.03, 3
#: What lies below is rumble.
_LOWEST_HZ = 20.0
#: A channel that is so much softer than the other holds what leaks.
_FAR_BELOW = 0.1
#: A tape machine's speed is off by this at most; two looks at one tone differ by less, relative or in Hz.
LARGEST_SPEED, _SAME_TONE, _SAME_TONE_HZ = 0.035, 0.02, 4.0
#: A tone that is away for so many looks has dropped out, and is the same one afterwards.
_BRIDGED = 3
#: Tones of one frequency that follow each other within this are one part, or a row of parts of that frequency.
_PAUSE_S = 6.0
#: A part is there when this much of it is.
LEAST_SHARE_OF_PART = 0.4
#: With more than this of a programme left over it was played more than once; a play lasts so much longer at most.
_ONCE_MORE, _RUN_LONGER = 0.3, 1.15
#: Speed is told by tones above, where a look tells frequency closely enough.
_SPEED_FROM_HZ = 250.0
#: A tone that marks place is sought so far beside.
_REACH_S = 2.5
#: Looks that fall on an end of a part hold something else too.
_EDGE_S = 0.25


@dataclass(frozen=True, kw_only=True)
class ToneCourse:
    """What a capture holds over time. hop_s : from look to look, each centred there.

    frequency_hz : (looks, channels), NaN where there is no tone.   level_rms : (looks, channels), of everything.
    """

    hop_s: float
    frequency_hz: FloatArray
    level_rms: FloatArray

    @property
    def main_hz(self) -> FloatArray:
        """Return the lowest tone of the channels that are not far below the loudest, (looks,), NaN where none is."""
        loud = self.level_rms > _FAR_BELOW * np.max(self.level_rms, axis=1, initial=0.0, keepdims=True)
        heard = np.where(loud & np.isfinite(self.frequency_hz), self.frequency_hz, np.inf)
        lowest = np.min(heard, axis=1, initial=np.inf)
        return np.asarray(np.where(np.isfinite(lowest), lowest, np.nan))

    def look(self, at_s: float) -> int:
        """Return the look nearest to a time, inside the course."""
        return int(np.clip(round(at_s / self.hop_s), 0, max(0, len(self.level_rms) - 1)))


class ToneWatch:
    """Looks at blocks of a capture; memory: a block, and some numbers a tenth of a second."""

    def __init__(self, sample_rate_hz: float, channels: int) -> None:
        self._hop = round(HOP_S * sample_rate_hz)
        self._size = next_fast_len(round(_LOOK_S * sample_rate_hz), real=True)
        self._rate_hz, self._window = sample_rate_hz, hann(self._size)
        self._hz = np.fft.rfftfreq(self._size, 1.0 / sample_rate_hz)
        # Half a look before the first, so that looks are centred at whole hops.
        self._held = np.zeros((self._size // 2, channels))
        self._found_hz: list[list[float]] = []
        self._found_rms: list[list[float]] = []

    def add(self, block: FloatArray) -> None:
        """Take samples, (frames, channels). Raises SignalError for values that are no numbers."""
        if not bool(np.isfinite(np.sum(block))):
            raise SignalError("the capture holds values that are no numbers (NaN or infinity); capture again")
        held = np.concatenate([self._held, block])
        at = 0
        while at + self._size <= len(held):
            looks = [self._look(column) for column in held[at : at + self._size].T]
            self._found_hz.append([one[0] for one in looks])
            self._found_rms.append([one[1] for one in looks])
            at += self._hop
        self._held = held[at:].copy()

    def _look(self, samples: FloatArray) -> tuple[float, float]:
        power = np.square(np.abs(np.asarray(rfft(samples * self._window))))
        power[self._hz < _LOWEST_HZ] = 0.0
        whole, top = float(np.sum(power)), int(np.argmax(power))
        level = float(np.sqrt(2.0 * whole / (self._size * np.sum(self._window**2))))
        reach = max(_LOBE_BINS, int(_NEAR * top))
        near = slice(max(0, top - reach), top + reach + 1)
        own = float(np.sum(power[near]))
        if not own > _LEAST_SHARE * whole:
            return float("nan"), level
        return float(np.dot(self._hz[near], power[near])) / own, level

    def course(self) -> ToneCourse:
        """Return what was seen."""
        shape = (len(self._found_hz), self._held.shape[1])
        return ToneCourse(
            hop_s=self._hop / self._rate_hz,
            frequency_hz=np.array(self._found_hz, dtype=np.float64).reshape(shape),
            level_rms=np.array(self._found_rms, dtype=np.float64).reshape(shape),
        )


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """A part that is looked for. tones_hz : of each channel, or one for all; empty for silence.

    from_s, to_s : of its steady middle, in the programme's own time.
    """

    tones_hz: tuple[float, ...]
    from_s: float
    to_s: float


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where a part stands in the capture. whole : as much of it is there as was wanted, to a fifth."""

    from_s: float
    to_s: float
    whole: bool


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Where parts stand: one place each, None for what is not there.

    speed : relative, as tones tell it.   again : how many parts come once more elsewhere, by their order.
    """

    places: tuple[Place | None, ...]
    speed: float
    again: int = 0

    @property
    def found(self) -> int:
        """How many parts are there."""
        return sum(place is not None for place in self.places)


# -- by marks ----------------------------------------------------------------------------------------------------


def by_marks(course: ToneCourse, wanted: Sequence[Wanted], *, first_s: float, per_second: float) -> Placed:
    """Return where parts stand whose programme begins at first_s and runs per_second of the capture's seconds in one.

    The tones move each place by what the tape's speed has wandered between the marks.
    """
    nominal = [(first_s + per_second * one.from_s, first_s + per_second * one.to_s) for one in wanted]
    speed = 1.0 / per_second
    runs = [
        _run(_matching(course, one, speed), course, begin - _REACH_S, end + _REACH_S)
        for one, (begin, end) in zip(wanted, nominal, strict=True)
    ]
    moved = _moved(wanted, nominal, runs)
    places = [
        _inside(course, one, run, begin + moved(begin), end + moved(end))
        for one, run, (begin, end) in zip(wanted, runs, nominal, strict=True)
    ]
    return Placed(places=tuple(places), speed=speed - 1.0)


def _moved(
    wanted: Sequence[Wanted],
    nominal: Sequence[tuple[float, float]],
    runs: Sequence[tuple[float, float] | None],
) -> FloatMap:
    """Return by how much the tape has run ahead at each time: told by tones that stand between others."""
    at, by = [], []
    for number in range(1, len(wanted) - 1):
        before, own, after = (wanted[number + step].tones_hz for step in (-1, 0, 1))
        run, (begin, end) = runs[number], nominal[number]
        if run is None or not own or own in (before, after):
            continue
        if abs((run[1] - run[0]) - (end - begin)) < 4.0 * HOP_S:
            at.append(0.5 * (begin + end))
            by.append(0.5 * (run[0] + run[1]) - at[-1])
    return FloatMap(at, by)


class FloatMap:
    """A course of straight lines through points; 0 without any."""

    def __init__(self, at: Sequence[float], by: Sequence[float]) -> None:
        self._at, self._by = list(at), list(by)

    def __call__(self, value: float) -> float:
        """Return the value there; beyond the ends that of the nearest point."""
        return float(np.interp(value, self._at, self._by)) if self._at else 0.0


def _matching(course: ToneCourse, one: Wanted, speed: float) -> BoolArray:
    """Return at which looks a part's tone is there, in any channel, (looks,)."""
    here = np.zeros(len(course.level_rms), dtype=np.bool_)
    for hz in one.tones_hz:
        off_hz = np.abs(course.frequency_hz - hz * speed)
        here |= np.any(off_hz < max(_SAME_TONE * hz, _SAME_TONE_HZ), axis=1)
    return here


def _run(here: BoolArray, course: ToneCourse, from_s: float, to_s: float) -> tuple[float, float] | None:
    """Return the longest stretch in which something is there, short gaps bridged; in seconds, None without any."""
    low, high = course.look(from_s), course.look(to_s) + 1
    stretches = _stretches(here[low:high])
    if not stretches:
        return None
    first, last = max(stretches, key=lambda one: one[1] - one[0])
    return (low + first) * course.hop_s, (low + last - 1) * course.hop_s


def _stretches(here: BoolArray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], here.astype(np.int8), [0]])))
    found: list[tuple[int, int]] = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if found and first - found[-1][1] <= _BRIDGED:
            found[-1] = (found[-1][0], last)
        else:
            found.append((first, last))
    return found


def _inside(course: ToneCourse, one: Wanted, run: tuple[float, float] | None, begin: float, end: float) -> Place | None:
    """Return what is there of a part between two times, without its ends; None: too little."""
    last_s = len(course.level_rms) * course.hop_s
    low, high = max(begin, 0.0), min(end, last_s)
    if one.tones_hz:
        if run is None:
            return None
        low, high = max(low, run[0]), min(high, run[1])
    if high - low < LEAST_SHARE_OF_PART * (end - begin):
        return None
    whole = high - low > 0.8 * (end - begin)
    return Place(from_s=low + _EDGE_S, to_s=high - _EDGE_S, whole=whole)


# -- by order ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Cluster:
    """Tones of one frequency that follow each other: runs, each from and to in seconds."""

    frequency_hz: float
    runs: tuple[tuple[float, float], ...]

    @property
    def length_s(self) -> float:
        return sum(end - begin for begin, end in self.runs)


@dataclass(frozen=True, kw_only=True)
class _Group:
    """Parts of one frequency that follow each other, by their numbers."""

    numbers: tuple[int, ...]
    frequency_hz: float
    length_s: float


def by_order(course: ToneCourse, wanted: Sequence[Wanted]) -> Placed:
    """Return where parts stand by the order of their tones alone; at most 3.5 % from their speed.

    Silences stand where the parts beside them say.
    """
    clusters, groups = _clusters(course), _groups(wanted)
    speed = _speed_of(groups, clusters)
    paired = _paired(groups, clusters, speed, _SAME_TONE)
    again = len(_paired(groups, _without(clusters, paired), speed, _SAME_TONE))
    if again > _ONCE_MORE * len(groups):
        clusters = _one_take(groups, clusters, speed, _RUN_LONGER * (wanted[-1].to_s - wanted[0].from_s) / speed)
        paired = _paired(groups, clusters, speed, _SAME_TONE)
    places: list[Place | None] = [None] * len(wanted)
    for number, at in paired:
        for part, place in _split(wanted, groups[number], clusters[at], speed):
            places[part] = place
    for number, one in enumerate(wanted):
        if not one.tones_hz:
            places[number] = _beside(course, wanted, places, number, speed)
    return Placed(places=tuple(places), speed=speed - 1.0, again=again)


def _clusters(course: ToneCourse) -> list[_Cluster]:
    """Return the tones of a capture that last for half a second at least, in order."""
    runs: list[tuple[float, float, float]] = []  # frequency, from, to
    hz, hop_s = course.main_hz, course.hop_s
    begin = 0
    for look in range(1, len(hz) + 1):
        if look < len(hz) and _one_tone(hz[look], hz[look - 1]):
            continue
        if np.isfinite(hz[begin]) and look - begin >= 5:
            runs.append((float(np.median(hz[begin:look])), begin * hop_s, (look - 1) * hop_s))
        begin = look
    clusters: list[_Cluster] = []
    for found_hz, from_s, to_s in runs:
        last = clusters[-1] if clusters else None
        if last is None or not _one_tone(found_hz, last.frequency_hz) or from_s - last.runs[-1][1] > _PAUSE_S:
            clusters.append(_Cluster(frequency_hz=found_hz, runs=((from_s, to_s),)))
            continue
        joined = from_s - last.runs[-1][1] <= (_BRIDGED + 1) * hop_s
        own = (*last.runs[:-1], (last.runs[-1][0], to_s)) if joined else (*last.runs, (from_s, to_s))
        clusters[-1] = _Cluster(frequency_hz=last.frequency_hz, runs=own)
    return clusters


def _one_tone(one_hz: float, other_hz: float) -> bool:
    return abs(one_hz - other_hz) < max(_SAME_TONE * other_hz, _SAME_TONE_HZ)


def _groups(wanted: Sequence[Wanted]) -> list[_Group]:
    numbered = [(number, one) for number, one in enumerate(wanted) if one.tones_hz]
    found = []
    for tones_hz, members in itertools.groupby(numbered, key=lambda pair: pair[1].tones_hz):
        own = list(members)
        found.append(
            _Group(
                numbers=tuple(number for number, _ in own),
                frequency_hz=min(tones_hz),
                length_s=sum(one.to_s - one.from_s for _, one in own),
            )
        )
    return found


def _paired(groups: Sequence[_Group], clusters: Sequence[_Cluster], speed: float, near: float) -> list[tuple[int, int]]:
    """Return which group is which cluster: the pairs, in order in both lists, that hold the most of the programme."""
    worth = np.zeros((len(groups), len(clusters)))
    for number, group in enumerate(groups):
        for at, cluster in enumerate(clusters):
            off_hz = abs(cluster.frequency_hz - group.frequency_hz * speed)
            share = min(cluster.length_s / group.length_s, group.length_s / cluster.length_s)
            if off_hz < max(near * group.frequency_hz, _SAME_TONE_HZ) and share > LEAST_SHARE_OF_PART:
                worth[number, at] = share
    best = np.zeros((len(groups) + 1, len(clusters) + 1))
    for number in range(len(groups)):
        for at in range(len(clusters)):
            pair = best[number, at] + worth[number, at] if worth[number, at] else 0.0
            best[number + 1, at + 1] = max(best[number, at + 1], best[number + 1, at], pair)
    found = []
    number, at = len(groups), len(clusters)
    while number and at:
        if best[number, at] == best[number - 1, at]:
            number -= 1
        elif best[number, at] == best[number, at - 1]:
            at -= 1
        else:
            number, at = number - 1, at - 1
            found.append((number, at))
    return found[::-1]


def _weighted_median(told: Sequence[tuple[float, float]]) -> float:
    values = np.array(sorted(told))
    sums = np.cumsum(values[:, 1])
    return float(values[int(np.searchsorted(sums, 0.5 * sums[-1])), 0])


def _split(wanted: Sequence[Wanted], group: _Group, cluster: _Cluster, speed: float) -> list[tuple[int, Place | None]]:
    """Return where each part of a group stands: one run each where there are as many, else by their lengths."""
    if len(cluster.runs) == len(group.numbers):
        return [
            (number, _cut(wanted[number], begin, end, speed))
            for number, (begin, end) in zip(group.numbers, cluster.runs, strict=True)
        ]
    first = wanted[group.numbers[0]]
    begin_s = cluster.runs[0][0]
    found = []
    for number in group.numbers:
        from_s, to_s = (begin_s + (at - first.from_s) / speed for at in (wanted[number].from_s, wanted[number].to_s))
        inside = any(begin - HOP_S <= from_s and to_s <= end + 4.0 * HOP_S for begin, end in cluster.runs)
        found.append((number, Place(from_s=from_s + _EDGE_S, to_s=to_s - _EDGE_S, whole=True) if inside else None))
    return found


def _cut(one: Wanted, begin_s: float, end_s: float, speed: float) -> Place | None:
    length_s = (one.to_s - one.from_s) / speed
    if end_s - begin_s < LEAST_SHARE_OF_PART * length_s:
        return None
    return Place(from_s=begin_s + _EDGE_S, to_s=end_s - _EDGE_S, whole=end_s - begin_s > 0.8 * length_s)


def _beside(
    course: ToneCourse, wanted: Sequence[Wanted], places: Sequence[Place | None], number: int, speed: float
) -> Place | None:
    """Return where a silence stands: between the nearest parts before and behind it, as far as both say so."""
    one, last_s = wanted[number], len(course.level_rms) * course.hop_s
    before = next(((n, place) for n in range(number - 1, -1, -1) if (place := places[n]) is not None), None)
    after = next(((n, place) for n in range(number + 1, len(places)) if (place := places[n]) is not None), None)
    guessed = [
        place.from_s + (one.from_s - wanted[n].from_s) / speed
        for n, place in (told for told in (before, after) if told)
    ]
    if not guessed:
        return None
    begin_s = max(guessed[0], 0.0 if before is None else before[1].to_s + 2.0 * _EDGE_S)
    end_s = min(last_s if after is None else after[1].from_s - 2.0 * _EDGE_S, begin_s + (one.to_s - one.from_s) / speed)
    return _inside(course, one, None, begin_s, end_s)


def _speed_of(groups: Sequence[_Group], clusters: Sequence[_Cluster]) -> float:
    """Return the speed that most of the programme's time agrees on."""
    told = [
        (clusters[at].frequency_hz / groups[number].frequency_hz, groups[number].length_s)
        for number, at in _paired(groups, clusters, 1.0, LARGEST_SPEED)
        if groups[number].frequency_hz > _SPEED_FROM_HZ
    ]
    return _weighted_median(told) if told else 1.0


def _without(clusters: Sequence[_Cluster], paired: Sequence[tuple[int, int]]) -> list[_Cluster]:
    used = {at for _, at in paired}
    return [cluster for at, cluster in enumerate(clusters) if at not in used]


def _one_take(groups: Sequence[_Group], clusters: Sequence[_Cluster], speed: float, longest_s: float) -> list[_Cluster]:
    """Return the tones of one play of the programme, the first of those that hold the most of it."""
    takes = []
    for first, cluster in enumerate(clusters):
        ends_s = cluster.runs[0][0] + longest_s
        own = [one for one in clusters[first:] if one.runs[-1][1] < ends_s]
        takes.append((len(_paired(groups, own, speed, _SAME_TONE)), -first, own))
    return max(takes, key=lambda take: take[:2])[2]
