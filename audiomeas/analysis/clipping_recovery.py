"""How long a unit takes to recover from clipping: a quiet tone that follows the loudest burst tells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Recovered: the quiet tone's level this near to where it settles (dB) …
LEVEL_BOUND_DB = 0.1
#: … and its DC this near to where that settles, relative to the quiet tone's peak.
DC_BOUND = 0.02


@dataclass(frozen=True, kw_only=True)
class Recovery:
    """recovery_s : from the end of the loud burst until level and DC stay within their bounds.

    resolution_s : no finer than this can be seen (one period).   at_most : it was back within the first period.
    at_least : it was not back at the end of the capture; recovery_s is then how long it was watched.
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

    quiet_v : (frames,), the quiet tone only, without a pause before it; it should last ten periods and more. What it
    settles to is read from its last quarter.
    Raises SignalError: too short, values that are no numbers, silence.
    """
    raise NotImplementedError
