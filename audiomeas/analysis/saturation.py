"""Where a tape's third harmonic reaches a given part: between steps of level, as a smooth law says.

Third harmonics of weak saturation grow with the square of the level (a cubic), so their logarithm is almost straight in
the level's decibels; between steps it is interpolated without overshoot.
Source: F. Fritsch and R. Carlson, SIAM J. Numer. Anal. 17 (1980), 238-246 (monotone cubics).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Crossing:
    """Where the harmonic reaches its part. recorded_db, played_db : levels there.

    half_width_db : 95 %, of the played level: of the harmonic, and of how the law between steps may run.
    bound : 'at least' where the loudest step stays below, 'at most' where the softest is above already; '' else.
    """

    recorded_db: float
    played_db: float
    half_width_db: float
    bound: Literal["", "at least", "at most"]


def crossing_at(
    recorded_db: FloatArray,
    played_db: FloatArray,
    part: FloatArray,
    uncertainty: FloatArray,
    heard: NDArray[np.bool_],
    *,
    wanted: float,
) -> Crossing | None:
    """Return where a harmonic's part reaches what is wanted; None where noise hides whether it does, or without steps.

    recorded_db, played_db : (steps,), rising.   part : (steps,), of the fundamental; where noise hides it, the most
    that it may be.   uncertainty : (steps,), its 95 % half-width.   heard : (steps,), it stands out of the noise.
    wanted : a part above zero.
    """
    if not len(part) or not (heard[-1] or part[-1] < wanted):
        return None
    loudest = Crossing(
        recorded_db=float(recorded_db[-1]), played_db=float(played_db[-1]), half_width_db=0.0, bound="at least"
    )
    if part[-1] < wanted:
        return loudest
    recorded, played = np.asarray(recorded_db)[heard], np.asarray(played_db)[heard]
    own, half = np.log(np.asarray(part)[heard]), np.asarray(uncertainty)[heard] / np.asarray(part)[heard]
    top = int(np.flatnonzero(own >= np.log(wanted))[0])
    if top == 0:
        return Crossing(recorded_db=float(recorded[0]), played_db=float(played[0]), half_width_db=0.0, bound="at most")
    smooth = _where(recorded, own, float(np.log(wanted)), top)
    straight = float(np.interp(np.log(wanted), own[top - 1 : top + 1], recorded[top - 1 : top + 1]))
    rising = (recorded[top] - recorded[top - 1]) / (own[top] - own[top - 1])
    law = PchipInterpolator(recorded, played)
    slope = float(law.derivative()(smooth))
    moved = float(np.hypot(rising * np.max(half[top - 1 : top + 1]), smooth - straight))
    return Crossing(recorded_db=smooth, played_db=float(law(smooth)), half_width_db=abs(slope) * moved, bound="")


def _where(recorded: FloatArray, own: FloatArray, wanted: float, top: int) -> float:
    """Return the level between two steps at which the smooth law passes what is wanted."""
    law = PchipInterpolator(recorded, own)
    low, high = float(recorded[top - 1]), float(recorded[top])
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if float(law(middle)) < wanted else (low, middle)
    return 0.5 * (low + high)
