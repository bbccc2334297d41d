"""A tone in a person's hand: one sine without an end, whose level, frequency and channels change while it sounds.

Every change is a glide of one length and of raised-cosine shape, and glides that overlap add: so no value ever passes
the larger of those asked for, and nothing clicks. The phase runs on through all of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audiomeas.stimulus.base import FloatArray, checked_tone, raised_cosine_ramp
from audiomeas.units import SQRT2, db_to_amplitude_ratio

#: How long a change takes: longer than a start (common practice: 20 to 50 ms), so that a step of 0.1 dB puts less than
#: −90 dB farther than 25 Hz from the tone.
GLIDE_S = 0.1
#: A louder wish is reached in glides of at most this, one after the other (common practice: never by more than 6 dB at
#: once into a power amplifier), so that the watch on the input sees what comes.
STEEPEST_DB = 6.0
#: A channel that was silent begins this far below its level.
BEGINS_BELOW_DB = 40.0


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What the tone shall be. level_v_rms : at the unit's input.  sounding : 1-based channels; none of them: muted."""

    frequency_hz: float
    level_v_rms: float
    sounding: tuple[int, ...] = ()


class Glide:
    """A value that follows where it is sent, smoothly. frames : how long each change takes."""

    def __init__(self, value: float, frames: int) -> None:
        self.target = value
        self._settled = value
        self._rise = raised_cosine_ramp(frames)
        self._steps: list[tuple[float, int]] = []  # size, and how many frames of it are over

    @property
    def moving(self) -> bool:
        """Some change is not over yet."""
        return bool(self._steps)

    def send(self, target: float) -> None:
        """Go to a value from the next frame on; what is under way goes on beside it."""
        if target != self.target:
            self._steps.append((target - self.target, 0))
            self.target = target

    def values(self, frames: int) -> FloatArray:
        """Return the next values, (frames,)."""
        values = np.full(frames, self._settled)
        left = []
        for size, over in self._steps:
            part = self._rise[over : over + frames]
            values[: len(part)] += size * part
            values[len(part) :] += size
            if over + frames < len(self._rise):
                left.append((size, over + frames))
            else:
                self._settled += size
        self._steps = left
        if not left:
            self._settled = self.target  # exactly: sums of steps would wander by their rounding
        return values


class LiveTone:
    """The oscillator. `wish` may be set from any thread; `block_v` is called from one, the audio thread.

    channels : number of outputs, the columns of a block.
    playing : the wish that the last block followed.  steady_from : the frame since which it has nothing left to change.
    Raises ValueError for a tone that the rate can't carry.
    """

    def __init__(self, wish: Wish, *, sample_rate_hz: float, channels: int) -> None:
        self._rate_hz = sample_rate_hz
        self._checked(wish)
        frames = round(GLIDE_S * sample_rate_hz)
        self._wish = self.playing = wish
        self._frequency = Glide(wish.frequency_hz, frames)
        self._levels = [Glide(0.0, frames) for _ in range(channels)]
        self._turns = 0.0
        self.frame = 0
        self.steady_from = 0

    @property
    def wish(self) -> Wish:
        """What was asked for last."""
        return self._wish

    @wish.setter
    def wish(self, wish: Wish) -> None:
        self._checked(wish)
        self._wish = wish

    def _checked(self, wish: Wish) -> None:
        checked_tone(wish.frequency_hz, wish.level_v_rms, self._rate_hz)

    def block_v(self, frames: int) -> FloatArray:
        """Return the next frames in volts at the unit's input, (frames, channels)."""
        wish = self._wish
        self._frequency.send(wish.frequency_hz)
        on_their_way = [
            self._sent(level, wish.level_v_rms if channel in wish.sounding else 0.0)
            for channel, level in enumerate(self._levels, start=1)
        ]
        if self._frequency.moving or any(on_their_way):
            self.steady_from = self.frame + frames
        self.playing = wish  # last: who sees it sees a steady_from that belongs to it
        sine = np.sin(2.0 * np.pi * self._phase(frames))
        self.frame += frames
        return np.stack([SQRT2 * level.values(frames) * sine for level in self._levels], axis=1)

    def _sent(self, level: Glide, wished_v_rms: float) -> bool:
        """Send a level towards what is wished; return whether it is still on its way."""
        floor_v_rms = wished_v_rms * db_to_amplitude_ratio(-BEGINS_BELOW_DB)
        highest_v_rms = max(level.target, floor_v_rms) * db_to_amplitude_ratio(STEEPEST_DB)
        if wished_v_rms <= highest_v_rms:
            level.send(wished_v_rms)
        elif not level.moving:
            level.send(highest_v_rms)
        return level.moving or level.target != wished_v_rms

    def _phase(self, frames: int) -> FloatArray:
        """Return the phase of the next frames in turns, (frames,)."""
        if self._frequency.moving:
            turns = self._turns + np.cumsum(self._frequency.values(frames)) / self._rate_hz
        else:  # one product a frame: no sum of roundings
            turns = self._turns + np.arange(1.0, frames + 1.0) * (self._frequency.target / self._rate_hz)
        turns = np.remainder(turns, 1.0)
        self._turns = float(turns[-1]) if frames else self._turns
        return np.asarray(turns, dtype=np.float64)
