"""What a sick output stage makes of both loaded outputs: ripple of its supply on what it delivers, and oscillation.

With v the loaded output, a its mean size through one time constant, f₂ twice the mains, and t the time since the stream
began:

    w = v · (1 + r·a·sin(2πf₂t)) + o·sin(2πf_o·t) where |v| > v_o, else nothing more

A steady sine of peak A has a = 2A/π, and so two lines beside it, each r·a/2 of it. An oscillation at or above half of
the sample rate is not captured, as a card's own filter would keep it out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.tomlfile import Table

FloatArray = NDArray[np.float64]

#: Of the mean size that ripple follows.
TIME_CONSTANT_S = 0.02


@dataclass(frozen=True, kw_only=True)
class OutputStageModel:
    """An output stage (see the module). ripple_per_v : r, for a volt of a.

    oscillation_v, oscillation_hz : o (peak) and f_o.   oscillates_above_v : v_o.
    """

    ripple_per_v: float = 0.0
    oscillation_v: float = 0.0
    oscillation_hz: float = 30_000.0
    oscillates_above_v: float = math.inf


class OutputStage:
    """The stage over the time of a stream. Raises nothing; the size of the blocks changes nothing."""

    def __init__(self, model: OutputStageModel, mains_hz: float, rate_hz: float) -> None:
        self._model, self._rate_hz = model, rate_hz
        self._ripple_hz = 2.0 * mains_hz
        self._kept = math.exp(-1.0 / (TIME_CONSTANT_S * rate_hz))
        self._position = 0
        self._state = [np.zeros(1), np.zeros(1)]

    def through(self, outputs: Sequence[FloatArray]) -> list[FloatArray]:
        """Return the outputs, (frames,) each, behind the stage."""
        from scipy.signal import lfilter

        frames = self._position + np.arange(len(outputs[0]))
        self._position += len(outputs[0])
        ripple = np.sin(2.0 * np.pi * np.remainder(frames * (self._ripple_hz / self._rate_hz), 1.0))
        oscillation_v = self._oscillation_v(frames)
        found = []
        for channel, volts in enumerate(outputs):
            size, state = lfilter([1.0 - self._kept], [1.0, -self._kept], np.abs(volts), zi=self._state[channel])
            self._state[channel] = np.asarray(state)
            rippled = volts * (1.0 + self._model.ripple_per_v * size * ripple)
            found.append(rippled + np.where(np.abs(volts) > self._model.oscillates_above_v, oscillation_v, 0.0))
        return found

    def _oscillation_v(self, frames: NDArray[np.int64]) -> FloatArray:
        model = self._model
        if model.oscillation_hz >= 0.5 * self._rate_hz:
            return np.zeros(len(frames))
        turns = np.remainder(frames * (model.oscillation_hz / self._rate_hz), 1.0)
        return np.asarray(model.oscillation_v * np.sin(2.0 * np.pi * turns), dtype=np.float64)


def read_output_stage(table: Table | None) -> OutputStageModel | None:
    """Take a unit's [output_stage] table. Raises TomlProblem."""
    if table is None:
        return None
    model = OutputStageModel(
        ripple_per_v=table.number("ripple_per_v", 0.0, at_least=0.0, at_most=0.1),
        oscillation_v=table.number("oscillation_v", 0.0, at_least=0.0, at_most=100.0),
        oscillation_hz=table.number("oscillation_hz", 30_000.0, at_least=1_000.0, at_most=1e7),
        oscillates_above_v=table.number("oscillates_above_v", math.inf, at_least=0.0, at_most=1_000.0),
    )
    table.finish()
    return model
