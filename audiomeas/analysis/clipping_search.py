"""Which burst to play next to find where a unit clips: few, short, and hardly above the level that is looked for.

Pure: a search says what it wants (`next`), is handed what that burst told (`take`), and ends (`next` gives None). It
plays nothing and measures nothing. All driven channels go up in lockstep, each at its own input level, so that they
clip in the same bursts; a search of one channel drives that one alone.

Up by at most 3 dB a burst until the highest distortion asked for is there; a channel that is there waits below its
onset. Then the knee that the bursts show (`clipping_curve`) says at which level a burst would tell most: where a level
asked for is least known. A few of these end it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from audiomeas.analysis.clipping_burst import BurstReading
from audiomeas.analysis.clipping_curve import AT_LEAST, Crossing, DistortionCurve
from audiomeas.analysis.clipping_signs import Ending, Sign, sign_beside_others, sign_of
from audiomeas.errors import SignalError

#: Longest burst.
BURST_S = 0.1
#: Largest step between bursts, dB.
STEP_DB = 3.0
#: A burst that is longer than the longest goes no further than this above a level that is known to be clean, dB: so it
#: is never more than that above the highest percentage (tracker 7).
CAREFUL_DB = 0.3
#: Percentages of THD whose levels are told (common practice), as far as the highest asked for.
USUAL_PERCENTAGES = (0.1, 1.0, 3.0, 10.0)
#: The percentage up to which a search goes unless told otherwise.
DEFAULT_PERCENT = 1.0
#: THD that can be searched for, percent; a square wave has 48.3.
PERCENT_LIMITS = (0.001, 30.0)

#: Bursts beyond those that steps of 3 dB from the first look to the onset take, and one for each further percentage.
_MORE_BURSTS = 5
#: Percentages that are no further ones: the highest and one more.
_FREE_PERCENTAGES = 2
#: Distortion from which on, relative to the highest asked for, the knee may shorten a coarse step.
_NEAR = 0.1
#: A coarse step that the knee shortens goes on by this part of it, and by this much: to pass the level by.
_PAST = 0.5
_PAST_DB = 0.1
#: A level is known when its half-width is this small, or a burst stands this near to it.
_KNOWN_DB = 0.004
_BESIDE_DB = 0.01
#: A burst this near to the minimum of THD tells it.
_MINIMUM_APART_DB = 0.3
#: Where a channel that clips waits for the others: so far below its onset.
_WAIT_DB = 1.0
#: An onset this far below the level of the highest percentage is no knee: distortion merely grows with level (dB).
NO_KNEE_DB = 4.0
#: A level this near to the ceiling is the ceiling.
_AT_CEILING_DB = 0.01
_CEILING = "reached a ceiling of the bench before the distortion asked for: what was not reached is known as 'at least'"


@dataclass(frozen=True, kw_only=True)
class BurstWanted:
    """The next burst. input_v_rms : (channels,) level at each input; 0.0: silent.   fine : near the knee."""

    input_v_rms: tuple[float, ...]
    duration_s: float
    fine: bool


@dataclass(frozen=True, kw_only=True)
class SearchEnd:
    """How a search ended. channel : which one ended it.   sentence : a line that goes on from its name. None: found."""

    ending: Ending
    sentence: str | None
    channel: int | None


class ClippingSearch:
    """A search for the clipping of one channel alone, or of several in lockstep.

    first_input_v_rms : (channels,) where the first look was played; 0.0 for a channel that stays silent.
    highest_input_v_rms : (channels,) level that no burst may pass (the ceilings of unit, load and card, by the gain
    that the first look found).   highest_percent : THD up to which the search goes.
    percentages : further ones whose level is looked for with own bursts (the rated one, 0.1 %).
    burst_s : of every burst; at most 0.1 s, but with
    clean_input_v_rms : (channels,) level up to which each is known to be clean. Above it longer bursts, which low tones
    need, go up by 0.3 dB at most.
    Raises SignalError for a request that can't be searched (levels that are none, percentages out of range).

    Limits that it keeps, dB counted from the level of `highest_percent`: no burst more than 3 dB over it, none longer
    than 0.1 s more than 0.3 dB over it, none above `highest_input_v_rms`.
    """

    def __init__(
        self,
        first_input_v_rms: Sequence[float],
        highest_input_v_rms: Sequence[float],
        *,
        highest_percent: float = DEFAULT_PERCENT,
        percentages: Sequence[float] = (0.1,),
        burst_s: float = BURST_S,
        clean_input_v_rms: Sequence[float] | None = None,
    ) -> None:
        asked = sorted({*(one for one in percentages if one < highest_percent), highest_percent})
        _check(first_input_v_rms, highest_input_v_rms, asked, None if clean_input_v_rms else burst_s)
        self._burst_s, self._count = burst_s, len(first_input_v_rms)
        clean = [math.inf] * self._count if clean_input_v_rms is None else list(map(_db, clean_input_v_rms))
        self._channels = {
            index: _Channel(
                first_db=min(_db(first), _db(highest)),
                ceiling_db=_db(highest),
                ratios=tuple(one / 100.0 for one in asked),
                clean_db=clean[index],
            )
            for index, (first, highest) in enumerate(zip(first_input_v_rms, highest_input_v_rms, strict=True))
            if first > 0.0
        }
        self._more = _MORE_BURSTS + max(0, len(asked) - _FREE_PERCENTAGES)
        self._played = 0
        self._end: SearchEnd | None = None
        self._wanted: BurstWanted | None = self._planned()

    def next(self) -> BurstWanted | None:
        """Return the burst to play now, the same until its readings were taken; None when the search has ended."""
        return self._wanted

    def take(self, readings: Sequence[BurstReading | None]) -> None:
        """Take what the burst wanted last told.

        readings : (channels,), None for silent channels and for one in which no tone could be read.
        Raises SignalError when no burst is wanted, or the channels are not those of the search.
        """
        if self._wanted is None or len(readings) != self._count:
            raise SignalError("readings were handed to a search that wants none, or of other channels than its own")
        for index, channel in self._channels.items():
            level_v_rms, reading = self._wanted.input_v_rms[index], readings[index]
            sign = sign_of(channel.input_v_rms, channel.readings, level_v_rms, reading)
            if sign is not None:
                return self._stop(sign, index)
            assert reading is not None
            channel.take(level_v_rms, reading)
        self._played += 1
        if self._played == 1 and (found := self._beside_others()) is not None:
            return self._stop(*found)
        self._wanted = self._planned()
        return None

    @property
    def end(self) -> SearchEnd | None:
        """How the search ended; None while it goes on."""
        return self._end

    def _beside_others(self) -> tuple[Sign, int] | None:
        """Hold the gains of the channels against each other."""
        return sign_beside_others(
            {i: one.readings[0].fundamental_v_rms / one.input_v_rms[0] for i, one in self._channels.items()}
        )

    def _stop(self, sign: Sign, channel: int) -> None:
        self._wanted = None
        self._end = SearchEnd(ending=sign.ending, sentence=sign.sentence, channel=channel)

    def _planned(self) -> BurstWanted | None:
        """Return the next burst, or end."""
        if not all(one.is_up for one in self._channels.values()):
            up = {i: one.waiting_db() if one.is_up else one.coarse_db() for i, one in self._channels.items()}
            return self._burst(up, fine=False)
        around = {i: one.fine_db() for i, one in self._channels.items()}
        if self._played < self._allowed() and any(one is not None for one in around.values()):
            levels = {i: self._channels[i].staying_db() if one is None else one for i, one in around.items()}
            return self._burst(levels, fine=True)
        short = next((i for i, one in self._channels.items() if not one.is_reached), None)
        ending, sentence = (Ending.FOUND, None) if short is None else (Ending.CEILING, _CEILING)
        self._end = SearchEnd(ending=ending, sentence=sentence, channel=short)
        return None

    def _allowed(self) -> int:
        """Return how many bursts may be played in all."""
        careful = max(one.careful_steps for one in self._channels.values())
        return math.floor(max(one.above_first_db() for one in self._channels.values()) / STEP_DB) + self._more + careful

    def _burst(self, levels_db: dict[int, float], *, fine: bool) -> BurstWanted:
        levels_v = [0.0] * self._count
        for index, level_db in levels_db.items():
            levels_v[index] = 10.0 ** (min(level_db, self._channels[index].ceiling_db) / 20.0)
        return BurstWanted(input_v_rms=tuple(levels_v), duration_s=self._burst_s, fine=fine)


@dataclass
class _Channel:
    """What is known of one driven channel. All levels are of its input, dB re 1 V r.m.s. ratios : of THD, rising.

    clean_db : above it bursts go up by `CAREFUL_DB` at most.   careful_steps : so many have done so.
    """

    first_db: float
    ceiling_db: float
    ratios: tuple[float, ...]
    clean_db: float
    careful_steps: int = 0
    input_v_rms: list[float] = field(default_factory=list)
    readings: list[BurstReading] = field(default_factory=list)
    curve: DistortionCurve | None = None

    def take(self, input_v_rms: float, reading: BurstReading) -> None:
        if self.input_v_rms and _db(input_v_rms) > max(self.top_db, self.clean_db):
            self.careful_steps += 1
        self.input_v_rms.append(input_v_rms)
        self.readings.append(reading)
        if max(self.input_v_rms) > min(self.input_v_rms):
            self.curve = DistortionCurve(self.readings, self.input_v_rms)

    @property
    def top_db(self) -> float:
        """The highest level played."""
        return _db(max(self.input_v_rms, default=0.0))

    @property
    def is_reached(self) -> bool:
        """Whether a burst clips as much as was asked for: more than where distortion is least, at a higher level."""
        if self.curve is None:
            return False
        return any(self._is_distorted(one) for one in self.curve.readings[self.curve.lowest + 1 :])

    def _is_distorted(self, reading: BurstReading) -> bool:
        return reading.thd_ratio >= self.ratios[-1] and not reading.thd_at_most

    @property
    def is_up(self) -> bool:
        """Whether there is nothing to be learned further up."""
        return self.is_reached or self.top_db > self.ceiling_db - _AT_CEILING_DB

    def coarse_db(self) -> float:
        """Return the next level on the way up."""
        if not self.readings:
            return min(self.first_db + STEP_DB, self.ceiling_db)
        if self.curve is None and self._is_distorted(self.readings[0]):
            return self.top_db - STEP_DB  # whether it clips there already, or distorts more below
        wanted_db = min(self.top_db + STEP_DB, max(self.clean_db, self.top_db + CAREFUL_DB))
        if self.curve is not None and self.readings[-1].thd_ratio >= _NEAR * self.ratios[-1]:
            offset_db = self._offset_db(self.curve)
            reached_db = self.curve.beyond(self.ratios[-1], wanted_db + offset_db)
            if reached_db is not None:
                step_db = reached_db - offset_db - self.top_db
                wanted_db = min(wanted_db, self.top_db + (1.0 + _PAST) * step_db + _PAST_DB)
        return min(wanted_db, self.ceiling_db)

    def above_first_db(self) -> float:
        """Return how far the knee lies above the first look."""
        return 0.0 if self.curve is None else self._knee_db(self.curve) - self.first_db

    def _knee_db(self, curve: DistortionCurve) -> float:
        """Return the knee's input level: the onset, or the highest distortion asked for where there is no plateau."""
        onset, highest = curve.onset()[0], curve.crossing(self.ratios[-1])
        knee = onset if _has_knee(onset, highest) else highest
        return knee.drive_db - self._offset_db(curve)

    def waiting_db(self) -> float:
        """Return a level at which it does not clip while others go up, near to it: a common supply sags alike."""
        if self.curve is None:
            return self.top_db
        return max(self._knee_db(self.curve) - _WAIT_DB, self.first_db)

    def staying_db(self) -> float:
        """Return where it clips as far as it was asked to, when it needs no more bursts itself."""
        if self.curve is None:
            return self.top_db
        return min(self.curve.crossing(self.ratios[-1]).drive_db - self._offset_db(self.curve), self.top_db)

    def fine_db(self) -> float | None:
        """Return the level at which a burst tells most; None when all is known."""
        if self.curve is None:
            return None
        unknown = _unknown(self.curve, self.ratios)
        if not unknown:
            return None
        at_db, _ = max(unknown, key=lambda one: one[1])
        return min(at_db - self._offset_db(self.curve), self.top_db)

    def _offset_db(self, curve: DistortionCurve) -> float:
        """Return drive over input."""
        return float(curve.drive_db[0]) - _db(min(self.input_v_rms))


def _unknown(curve: DistortionCurve, ratios: Sequence[float]) -> list[tuple[float, float]]:
    """Return drives at which a curve is not known well enough, and by how much it may be wrong there.

    The highest percentage comes before all others: what can be said least without it is how loud a unit plays.
    """
    highest, *further = [curve.crossing(ratio) for ratio in reversed(ratios)]
    if is_unknown := _open(curve, [highest]):
        return is_unknown
    onset, _ = curve.onset()
    if onset.bound == AT_LEAST or not _has_knee(onset, highest):
        return _open(curve, further)
    found = _open(curve, [*further, Crossing(drive_db=onset.drive_db, half_width_db=onset.half_width_db, bound=None)])
    least_db, _ = curve.minimum()
    if curve.is_minimum_told and _apart_db(curve, least_db) > _MINIMUM_APART_DB:
        found.append((least_db, curve.minimum_doubt() / curve.slope_per_db(onset.drive_db)))
    return [one for one in found if one[1] > _KNOWN_DB]


def _open(curve: DistortionCurve, crossings: Sequence[Crossing]) -> list[tuple[float, float]]:
    return [
        (one.drive_db, one.half_width_db)
        for one in crossings
        if one.bound is None and one.half_width_db > _KNOWN_DB and _apart_db(curve, one.drive_db) > _BESIDE_DB
    ]


def _has_knee(onset: Crossing, highest: Crossing) -> bool:
    """Return whether distortion leaves a plateau, and does not grow with level all the way."""
    return onset.drive_db > highest.drive_db - NO_KNEE_DB


def _apart_db(curve: DistortionCurve, at_db: float) -> float:
    return float(np.min(np.abs(curve.drive_db - at_db)))


def _db(level_v_rms: float) -> float:
    return 20.0 * math.log10(level_v_rms) if level_v_rms > 0.0 else -math.inf


def _check(
    first: Sequence[float], highest: Sequence[float], percentages: Sequence[float], burst_s: float | None
) -> None:
    """Raise SignalError for what can't be searched. burst_s : None where longer ones are asked for, with care."""
    low, high = PERCENT_LIMITS
    if not all(low <= one <= high for one in percentages):
        raise SignalError(f"a distortion to search for lies between {low:g} and {high:g} %")
    if len(first) != len(highest) or not any(one > 0.0 for one in first):
        raise SignalError("a search needs a channel that is driven, and a highest level for each channel")
    if not all(math.isfinite(one) and one >= 0.0 for one in (*first, *highest)):
        raise SignalError("levels of a search are finite and not negative")
    if not all(top > 0.0 for start, top in zip(first, highest, strict=True) if start > 0.0):
        raise SignalError("no burst may be played: the highest level is 0 V")
    if burst_s is not None and not 0.0 < burst_s <= BURST_S:
        raise SignalError(f"bursts of {burst_s:g} s: above the knee they may last up to {BURST_S:g} s")
