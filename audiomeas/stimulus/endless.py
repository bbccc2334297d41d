"""A programme without an end (noise, music) at a level that glides: what `LiveTone` is to a tone."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from audiomeas.stimulus.base import FloatArray
from audiomeas.stimulus.live_tone import BEGINS_BELOW_DB, GLIDE_S, STEEPEST_DB, Glide
from audiomeas.units import db_to_amplitude_ratio


class Programme(Protocol):
    """What is played, its louder channel with an r.m.s. of 1 over its whole length."""

    #: Peak over the r.m.s. of the louder channel.
    crest: float

    def block(self, frames: int) -> FloatArray:
        """Return the next frames, (frames, 1) for all channels alike, or (frames, channels)."""
        ...

    @property
    def starving(self) -> bool:
        """It will soon have nothing to play (a slow disk): the level is to fall before it ends."""
        ...


class Repeated:
    """One period again and again. period : (frames,), r.m.s. 1."""

    starving = False

    def __init__(self, period: FloatArray) -> None:
        self._period = period
        self._at = 0
        self.crest = float(np.max(np.abs(period)))

    def block(self, frames: int) -> FloatArray:
        """Return the next frames, (frames, 1)."""
        places = (self._at + np.arange(frames)) % len(self._period)
        self._at = (self._at + frames) % len(self._period)
        return np.asarray(self._period[places, None])


class EndlessProgramme:
    """A programme at a level. `sounding` may be set from any thread; `block_v` is called from the audio thread.

    steady_from : the frame since which its level has nothing left to change.
    """

    def __init__(
        self,
        programme: Programme,
        *,
        level_v_rms: float,
        channels: int,
        driven: tuple[int, ...],
        sample_rate_hz: float,
    ) -> None:
        self._programme = programme
        self._level_v_rms = level_v_rms
        self._driven = np.array([float(channel in driven) for channel in range(1, channels + 1)])
        self._glide = Glide(0.0, round(GLIDE_S * sample_rate_hz))
        self.sounding = False
        self.starved = 0  # how often its level had to fall for want of samples
        self._hungry = False
        self.frame = 0
        self.steady_from = 0

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        return self._level_v_rms * self._programme.crest

    def block_v(self, frames: int) -> FloatArray:
        """Return the next frames in volts at the unit's input, (frames, channels)."""
        hungry = self._programme.starving
        self.starved += hungry and not self._hungry
        self._hungry = hungry
        self._send(self._level_v_rms if self.sounding and not hungry else 0.0)
        if self._glide.moving or self._glide.target != (self._level_v_rms if self.sounding else 0.0):
            self.steady_from = self.frame + frames
        self.frame += frames
        return np.asarray(self._programme.block(frames) * self._glide.values(frames)[:, None] * self._driven)

    def _send(self, wished: float) -> None:
        """Send the level towards what is wished, louder by no more than `STEEPEST_DB` at once."""
        floor = wished * db_to_amplitude_ratio(-BEGINS_BELOW_DB)
        highest = max(self._glide.target, floor) * db_to_amplitude_ratio(STEEPEST_DB)
        if wished <= highest:
            self._glide.send(wished)
        elif not self._glide.moving:
            self._glide.send(highest)
