"""A slow level ramp or steps of a sine, captured elsewhere: found by its envelope, read burst by burst."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.clipping import Clipping
from audiomeas.analysis.clipping_burst import BurstReading
from audiomeas.analysis.clipping_search import USUAL_PERCENTAGES

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class LevelWindow:
    """A stretch of a capture in which the tone stands at one level, or climbs slowly: frames from start to stop."""

    start: int
    stop: int


def level_windows(signal_v: FloatArray, sample_rate_hz: float, frequency_hz: float) -> tuple[LevelWindow, ...]:
    """Return the stretches in which a tone can be read, in order of time: each step, or windows of 0.1 s of a ramp.

    signal_v : (frames,).   Raises SignalError: no tone with rising level in it.
    """
    raise NotImplementedError


def clipping_of_ramp(
    signal_v: FloatArray,
    sample_rate_hz: float,
    *,
    frequency_hz: float | None = None,
    percentages: Sequence[float] = USUAL_PERCENTAGES,
    highest_percent: float | None = None,
    band_hz: tuple[float, float] = (20.0, 20_000.0),
) -> Clipping:
    """Return where one channel clips, from a capture of a slow level ramp or of steps, whose input is not known.

    signal_v : (frames,), one channel, volts at the unit's output.   frequency_hz : None: the strongest line's, fitted.
    Raises SignalError: no tone, a level that hardly changes, too fast a ramp, values that are no numbers.
    """
    raise NotImplementedError


def readings_of_ramp(
    signal_v: FloatArray, sample_rate_hz: float, *, frequency_hz: float | None = None
) -> tuple[BurstReading, ...]:
    """Return the readings that `clipping_of_ramp` makes its result of, in order of time. Errors as there."""
    raise NotImplementedError
