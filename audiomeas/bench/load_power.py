"""The power that a load of resistance and inductance takes: U²/R is too much of it at high frequencies.

Pure arithmetic, without numpy: results are made and read with it.
"""

from __future__ import annotations

import math

#: More is a coil, no load.
LARGEST_INDUCTANCE_H = 0.01


def power_resistance_ohm(resistance_ohm: float, inductance_h: float, frequency_hz: float) -> float:
    """Return the resistance R' with which P = U²/R' is the power that a load takes at a frequency.

    P = U²·R/(R² + (ωL)²) for R and L in series (U/|Z| flows, and only R takes power), so that R' = R + (ωL)²/R.
    """
    return resistance_ohm + (2.0 * math.pi * frequency_hz * inductance_h) ** 2 / resistance_ohm


def power_sensitivities(resistance_ohm: float, inductance_h: float, frequency_hz: float) -> tuple[float, float]:
    """Return ∂ln P/∂ln R and ∂ln P/∂ln L at a voltage: (x² − R²)/(R² + x²) and −2x²/(R² + x²), x = ωL."""
    share = (2.0 * math.pi * frequency_hz * inductance_h / resistance_ohm) ** 2
    return (share - 1.0) / (1.0 + share), -2.0 * share / (1.0 + share)
