"""The heat of an ideal class-B output stage: what preconditioning at a part of the rated power asks of a unit."""

from __future__ import annotations

import math


def heat_share(power_share: float) -> float:
    """Return the heat of an ideal class-B stage with a sine, over the most that it can make.

    power_share : of its full power, 0 to 1. With rails that just hold a sine of full power, the supply gives
    2/π · k and the load takes k²/2, k = √power_share (in V²/R of the rails); the most is 2/π² at k = 2/π, at 40.5 % of
    full power (closed form; textbooks on power amplifiers).
    Raises ValueError outside 0 to 1.
    """
    if not (math.isfinite(power_share) and 0.0 <= power_share <= 1.0):
        raise ValueError(f"a share of the full power lies between 0 and 1, not {power_share:g}")
    amplitude = math.sqrt(power_share)
    return (2.0 / math.pi * amplitude - power_share / 2.0) / (2.0 / math.pi**2)
