"""How long a unit takes to recover from clipping: a quiet tone that follows the loudest burst tells.

Period by period its level and the DC beside it are read (least squares: DC, cosine and sine). What they come to in the
last quarter is where they settle; recovered is, from when on both stay near to that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Recovered: the quiet tone's level this near to where it settles (dB) …
LEVEL_BOUND_DB = 0.1
#: … and its DC this near to where that settles, relative to the quiet tone's peak.
DC_BOUND = 0.02
#: Where noise is larger than that, the bounds are so many of its standard deviations.
_DEVIATIONS = 5.0
#: Periods that tell something: where it settles is read from a quarter of them.
LEAST_PERIODS = 16
_SETTLED_PART = 4


@dataclass(frozen=True, kw_only=True)
class Recovery:
    """recovery_s : from the end of the loud burst until level and DC stay within their bounds.

    resolution_s : no finer than this can be seen (one period).   at_most : it was back within the first period.
    at_least : it had not settled when the capture ended; recovery_s is how long it was watched.
    """

    recovery_s: float
    resolution_s: float
    at_most: bool
    at_least: bool


def recovery_after(
    quiet_v: FloatArray,
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    level_bound_db: float = LEVEL_BOUND_DB,
    dc_bound: float = DC_BOUND,
) -> Recovery:
    """Return how long level and DC of a quiet tone need after a loud one, which ends where `quiet_v` begins.

    quiet_v : (frames,), the quiet tone only, without a pause before it; sixteen periods and more. What it settles to
    is read from its last quarter.
    Raises SignalError: too short, values that are no numbers, silence.
    """
    width = round(sample_rate_hz / frequency_hz)
    periods = len(quiet_v) // width if width > 0 else 0
    if periods < LEAST_PERIODS:
        raise SignalError(
            f"recovery needs {LEAST_PERIODS / frequency_hz:.3g} s of the quiet tone at least: make it longer"
        )
    if not np.all(np.isfinite(quiet_v)):
        raise SignalError("the capture holds values that are no numbers (NaN or infinite): capture it again")
    dc_v, peak_v = _by_period(quiet_v[: periods * width].reshape(periods, width), frequency_hz / sample_rate_hz)
    settled = slice(periods - periods // _SETTLED_PART, None)
    tone_v = float(np.median(peak_v[settled]))
    if not tone_v > 0.0:
        raise SignalError("nothing of the quiet tone is there after the loud burst: look whether a protection opened")
    bounds = ((peak_v, tone_v * (10.0 ** (level_bound_db / 20.0) - 1.0)), (dc_v, tone_v * dc_bound))
    away = np.any([_is_away(values, settled, bound) for values, bound in bounds], axis=0)
    back = int(np.flatnonzero(away)[-1]) + 1 if np.any(away) else 0
    moves = any(_moves(values[settled], bound) for values, bound in bounds)
    back = periods if moves or back > settled.start else back
    return Recovery(
        recovery_s=max(back, 1) * width / sample_rate_hz,
        resolution_s=width / sample_rate_hz,
        at_most=back == 0,
        at_least=back == periods,
    )


def _by_period(blocks: FloatArray, cycles: float) -> tuple[FloatArray, FloatArray]:
    """Return DC and peak value of the tone in each block, (blocks,) each."""
    turns = 2.0 * math.pi * cycles * np.arange(blocks.shape[1])
    columns = np.stack([np.ones_like(turns), np.cos(turns), np.sin(turns)], axis=1)
    found = blocks @ np.linalg.pinv(columns).T
    return found[:, 0], np.hypot(found[:, 1], found[:, 2])


def _moves(values: FloatArray, bound: float) -> bool:
    """Return whether values still move by half a bound where they should have settled."""
    early, late = np.array_split(values, 2)
    return bool(abs(np.median(late) - np.median(early)) > bound / 2.0)


def _is_away(values: FloatArray, settled: slice, bound: float) -> NDArray[np.bool_]:
    usual = float(np.median(values[settled]))
    # The median absolute deviation of normal noise is 0.6745 of its standard deviation.
    noise = float(np.median(np.abs(values[settled] - usual))) / 0.6745
    return np.asarray(np.abs(values - usual) > max(bound, _DEVIATIONS * noise))
