"""Who watches one channel for hours: what each second is held against the seconds before, and what counts as an event.

The trade's thresholds where it has them (common practice): a step of the level, a drop-out by 3 dB, noise up by 6 dB.
What a unit does slowly (it gets warm) is no event: the reference is the median of the last seconds, and follows.
"""

from __future__ import annotations

import collections
import math
from dataclasses import dataclass
from typing import Literal

#: A change of the level by more than this from one second to the next ones is a step.
STEP_DB = 0.3
#: A part of a second that is weaker by this is a drop-out (common practice).
DROP_OUT_DB = 3.0
#: Noise or hum that is up by this, or distortion (common practice for noise).
RISE_DB = 6.0
#: Below its level by this, the signal is gone: a protection has opened, or a cable fell out.
GONE_DB = 20.0
#: A crest that is flatter by this than before: clipping (0.1 dB of an ideal clipper's overdrive flattens by 0.08).
FLAT_DB = 0.1
#: Distortion, relative, below which a rise is no event: converters and noise wander there.
_LEAST_DISTORTION_DB = -80.0
#: A place that jumps by so many frames: samples were lost or repeated.
JUMP_FRAMES = 0.5
#: So many seconds tell how fast two clocks drift apart.
_MOVES = 5
#: Seconds that the reference is the median of, and the fewest from which one is told.
REFERENCE_S, LEARNED_FROM_S = 10, 3
#: Music is now quiet, now loud, and what a unit adds with it: there the largest of so many seconds is the reference.
_PROGRAMME_S, _PROGRAMME_FROM_S = 60, 10
_KEYS = ("level_db", "noise_db", "hum_db", "distortion_db", "flat_db", "rest_db")
_LOUD_AND_QUIET = frozenset({"noise_db", "hum_db", "distortion_db", "rest_db"})
#: A rise or a step lasts so many seconds before it counts: a single second may hold a click from outside.
_LASTS_S = 2
#: The same event is told again only when it was over for so long.
_OVER_FOR_S = 5
#: What tells no more of a second than that it holds something short: the rest of it is as good as others.
_SHORT = frozenset({"samples lost", "click"})

Kind = Literal[
    "level step",
    "drop-out",
    "signal gone",
    "signal back",
    "noise rise",
    "hum rise",
    "distortion rise",
    "clipping",
    "over-range",
    "samples lost",
    "click",
]


@dataclass(frozen=True, kw_only=True)
class Moment:
    """One second of one channel, in dB; None: not told (a quiet passage, a tone that is gone).

    level_db : of the tone, or the gain of a programme.  lowest_db : of its weakest part, over what was to be expected.
    noise_db, hum_db : absolute.  distortion_db : relative to the level.  flat_db : of the flatter crest.
    rest_db : of a programme, what no response explains, absolute; distortion_db then is that relative to the level.
    place_frames : where the signal stands against what was played.  over_range : of the card.  zero_frames : of a gap
    of exact zeros, which no unit makes.  sudden_db : of what is sudden, its peak over the level, so long before the
    second's end.
    """

    level_db: float | None
    lowest_db: float | None = None
    noise_db: float | None = None
    hum_db: float | None = None
    distortion_db: float | None = None
    flat_db: float | None = None
    rest_db: float | None = None
    place_frames: float | None = None
    over_range: bool = False
    zero_frames: int = 0
    sudden_db: float | None = None
    sudden_ago_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Noticed:
    """Something happened in a second. words : what, with numbers.  mutes : it is not waited for what comes next."""

    kind: Kind
    words: str
    mutes: bool = False


#: What ends a soak: the unit protects itself, clips or is about to be hurt. The rest is told and watched.
_MUTING: tuple[Kind, ...] = ("signal gone", "clipping", "over-range")


class Watchman:
    """Holds each second of one channel against those before.

    turn_frames : a tone's place is known up to so many.  programme : noise or music is played, not a tone.
    drift_frames : two clocks drift apart by so many a second at most; what is lost in each second alike is more.
    """

    def __init__(
        self, *, turn_frames: float | None = None, programme: bool = False, drift_frames: float = math.inf
    ) -> None:
        self._programme, self._drift_frames = programme, drift_frames
        self._turn_frames = turn_frames
        self._good: dict[str, collections.deque[float]] = {}
        self._place: float | None = None
        self._moves: collections.deque[float] = collections.deque(maxlen=_MOVES)
        self._running: dict[str, int] = {}
        self._quiet_since: dict[str, int] = {}
        self._second = 0
        self._jump_words = ""
        self._other_at = 0
        self._click: tuple[int, float, float] | None = None
        self.gone = False

    def see(self, moment: Moment) -> tuple[Noticed, ...]:
        """Return what happened in this second."""
        self._second += 1
        found = [*self._gone_or_back(moment)]
        if not self.gone and not found:
            found += self._within(moment)
        found += self._clicks(moment, bool(found))
        if all(one.kind in _SHORT for one in found):
            self._learn(moment)
        return tuple(found)

    def begin_again(self) -> None:
        """A stream begins anew: where the signal stands in it tells nothing of before."""
        self._place = None
        self._moves.clear()

    def end(self) -> tuple[Noticed, ...]:
        """A stream ends: return what waited for a better name."""
        return self._told_click()

    # -- reference ----------------------------------------------------------------------------------------------

    def _learn(self, moment: Moment) -> None:
        for key in _KEYS:
            value = getattr(moment, key)
            about = "distortion_db" if key == "rest_db" else key
            if value is not None and math.isfinite(value) and not self._running.get(about):
                longest = _PROGRAMME_S if self._by_largest(key) else REFERENCE_S
                self._good.setdefault(key, collections.deque(maxlen=longest)).append(value)

    def _by_largest(self, key: str) -> bool:
        return self._programme and key in _LOUD_AND_QUIET

    def reference(self, key: str) -> float | None:
        """Return the median of the last good seconds, of a programme the largest; None while it is not known."""
        values = sorted(self._good.get(key, ()))
        if self._by_largest(key):
            return values[-1] if len(values) >= _PROGRAMME_FROM_S else None
        return values[len(values) // 2] if len(values) >= LEARNED_FROM_S else None

    def _forget(self, key: str) -> None:
        self._good.pop(key, None)
        self._running[key] = 0

    # -- what counts --------------------------------------------------------------------------------------------

    def _gone_or_back(self, moment: Moment) -> list[Noticed]:
        reference = self.reference("level_db")
        if reference is None:
            return []
        below_db = None if moment.level_db is None else reference - moment.level_db
        # A second that began loud and ends in silence is told by its weakest part in the next one.
        is_gone = below_db is not None and below_db > GONE_DB
        if is_gone and not self.gone:
            self.gone = True
            return [self._of("signal gone", f"{below_db:.0f} dB below the level before")]
        if self.gone and below_db is not None and not is_gone:
            self.gone = False
            self._place = None
            return [self._of("signal back", f"{-below_db:+.2f} dB against the level before")]
        return []

    def _within(self, moment: Moment) -> list[Noticed]:
        found = []
        if moment.over_range:
            found += self._once("over-range", "the card's input stands at its end code")
        jumped = self._place_jumped(moment)
        if jumped:
            found.append(self._of("samples lost", self._jump_words))
        elif moment.zero_frames:
            found += self._once("samples lost", f"{moment.zero_frames} frames are exact zeros inside the signal")
        reference = self.reference("level_db")
        if reference is not None:
            if moment.lowest_db is not None and moment.lowest_db < -DROP_OUT_DB and not moment.zero_frames:
                found += self._once("drop-out", f"{-moment.lowest_db:.1f} dB for a moment")
            elif jumped and self._programme:
                self._running["level_db"] = 0  # what stands in two places in one second has no gain to tell
            else:
                found += self._step(moment, reference)
        found += self._rises(moment)
        flat = self.reference("flat_db")
        if flat is not None and moment.flat_db is not None and moment.flat_db - flat > FLAT_DB:
            found += self._once("clipping", f"a crest is flat by {moment.flat_db:.2f} dB")
        return found

    def _clicks(self, moment: Moment, others: bool) -> tuple[Noticed, ...]:
        """Return a click that waited in vain for a better name: a step, a drop-out or a loss begin with one, too."""
        if others or self.gone:
            self._other_at, self._click = self._second, None
            return ()
        found: tuple[Noticed, ...] = ()
        if self._click is not None and self._second - self._click[0] >= _LASTS_S:
            found = self._told_click()
        if moment.sudden_db is not None and self._click is None and self._second - self._other_at >= _LASTS_S:
            self._click = (self._second, moment.sudden_db, moment.sudden_ago_s)
        return found

    def _told_click(self) -> tuple[Noticed, ...]:
        if self._click is None:
            return ()
        (second, size_db, ago_s), self._click = self._click, None
        words = f"{size_db:+.1f} dB relative to the level, {self._second - second + ago_s:.2f} s before: "
        words += "a contact, a disturbance or a block that changed places"
        return tuple(self._once("click", words))

    def _step(self, moment: Moment, reference: float) -> list[Noticed]:
        if moment.level_db is None:
            return []
        by_db = moment.level_db - reference
        if not self._lasts("level_db", abs(by_db) > STEP_DB):
            return []
        self._forget("level_db")  # from here on the new level is the one that seconds are held against
        return [self._of("level step", f"{by_db:+.2f} dB")]

    def _rises(self, moment: Moment) -> list[Noticed]:
        found = []
        kinds: tuple[tuple[Kind, str, float], ...] = (
            ("noise rise", "noise_db", -math.inf),
            ("hum rise", "hum_db", -math.inf),
            ("distortion rise", "distortion_db", _LEAST_DISTORTION_DB),
        )
        for kind, key, least in kinds:
            reference, value = self.reference(key), getattr(moment, key)
            risen = reference is not None and value is not None and value > least and value - reference > RISE_DB
            risen = risen and moment.sudden_db is None  # what is sudden is in both seconds beside a border
            if key == "distortion_db" and self._programme:
                # In a quiet passage only the part grows that it has, in a loud one only its size: a fault has both.
                rest_db, was_db = moment.rest_db, self.reference("rest_db")
                risen = risen and rest_db is not None and was_db is not None and rest_db - was_db > RISE_DB
            if self._lasts(key, risen):
                assert reference is not None
                found.append(self._of(kind, f"{value - reference:+.1f} dB"))
                self._forget(key)
        return found

    def _lasts(self, key: str, there: bool) -> bool:
        self._running[key] = self._running.get(key, 0) + 1 if there else 0
        return self._running[key] >= _LASTS_S

    def _place_jumped(self, moment: Moment) -> bool:
        before, now = self._place, moment.place_frames
        self._place = now if now is not None else before
        if before is None or now is None:
            return False
        by = self._turned(now - before)
        # Two clocks drift apart by as much each second; of the first one it is not known yet.
        usual = self._usual_move()
        at_first = len(self._moves) == 1 and abs(usual) > JUMP_FRAMES
        off = self._turned(by - usual)
        if abs(by) <= self._drift_frames:  # no clock does more
            self._moves.append(by)
            if abs(off) <= JUMP_FRAMES or len(self._moves) == 1:
                return False
            if at_first:  # no drift, but a jump in the first one
                off = usual
                self._moves.popleft()
        self._jump_words = f"what was played stands {off:+.1f} frames from where it stood" + (
            ", or whole periods more" if self._turn_frames else ""
        )
        return True

    def _usual_move(self) -> float:
        """Return the median of the moves so far; of two the first, as the second may be a jump."""
        moves = self._moves
        if len(moves) == 2:
            return moves[0]
        return sorted(moves)[len(moves) // 2] if moves else 0.0

    def _turned(self, frames: float) -> float:
        """Return a move as it can be told: of a tone by half a turn at most."""
        return math.remainder(frames, self._turn_frames) if self._turn_frames else frames

    def _once(self, kind: Kind, words: str) -> list[Noticed]:
        """Tell an event when it begins; while it goes on in each second it is the same one."""
        last = self._quiet_since.get(kind)
        self._quiet_since[kind] = self._second
        return [] if last is not None and self._second - last < _OVER_FOR_S else [self._of(kind, words)]

    def _of(self, kind: Kind, words: str) -> Noticed:
        return Noticed(kind=kind, words=words, mutes=kind in _MUTING)
