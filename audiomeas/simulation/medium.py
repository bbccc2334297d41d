"""A simulated tape or record: a tone that a unit plays by itself, by its own motor, in closed form.

With τ the time since the leader has gone by, f₀ the tone, and v and s the motion (see `simulation.motion`):

    f(τ) = f₀ · v(τ)
    φ(τ) = 2π·f₀ · s(τ)        its integral
    u(τ) = √2·V · sin(φ(τ) + Σ turns of the splices so far), times 0.01 within a drop-out

Both channels play the same. Each stream begins with the leader.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.simulation.motion import STEADY, Motion

FloatArray = NDArray[np.float64]

#: What is left of the tone in a drop-out.
DROPPED = 0.01


@dataclass(frozen=True, kw_only=True)
class MediumModel:
    """What is played (see the module).

    tone_hz, level_v_rms : f₀, and V at the open output.   leader_s : so long nothing but noise.   motion : v and s.
    drop_outs : ((seconds, length in seconds), …), and splices : ((seconds, turn in radians), …), both in τ.
    """

    tone_hz: float
    level_v_rms: float
    leader_s: float = 0.0
    motion: Motion = STEADY
    drop_outs: tuple[tuple[float, float], ...] = ()
    splices: tuple[tuple[float, float], ...] = ()

    def frequency_hz(self, since_s: FloatArray) -> FloatArray:
        """Return the momentary frequency by design, in Hz, any shape. since_s : τ."""
        return np.asarray(self.tone_hz * self.motion.speed(since_s))

    def played_v(self, since_s: FloatArray) -> FloatArray:
        """Return the open output in V, any shape. since_s : τ; nothing is played before 0."""
        time_s = np.maximum(since_s, 0.0)
        phase = 2.0 * np.pi * np.remainder(self.tone_hz * self.motion.gone_s(time_s), 1.0)
        level = np.where(since_s >= 0.0, np.sqrt(2.0) * self.level_v_rms, 0.0)
        for at_s, turn in self.splices:
            phase += np.where(time_s >= at_s, turn, 0.0)
        for at_s, length_s in self.drop_outs:
            level = np.where((time_s >= at_s) & (time_s < at_s + length_s), DROPPED * level, level)
        return np.asarray(level * np.sin(phase), dtype=np.float64)


class Medium:
    """A medium over the time of a stream, one channel. None: the unit plays nothing."""

    def __init__(self, model: MediumModel | None, rate_hz: float) -> None:
        self._model, self._rate_hz, self._position = model, rate_hz, 0

    def added_to(self, volts: FloatArray) -> FloatArray:
        """Return the volts, (frames,), with what is played."""
        if self._model is None:
            return volts
        begin = self._position
        self._position += len(volts)
        if self._position <= self._model.leader_s * self._rate_hz:
            return volts
        time_s = (begin + np.arange(len(volts))) / self._rate_hz
        return volts + self._model.played_v(time_s - self._model.leader_s)
