"""How a machine moves what it plays, in closed form: error of its speed, drift, and modulation by lines.

With τ the time since it began, e the error, d the drift, and r and p the rates and peaks of the modulation:

    v(τ) = (1 + e) · (1 + d·τ + Σ p·sin(2πrτ))                              speed, relative to the nominal one
    s(τ) = (1 + e) · (τ + d·τ²/2 + Σ p·(1 − cos(2πrτ))/(2πr))               its integral: what has gone by, in seconds
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.simulation.pairs import pairs_above_0
from audiomeas.tomlfile import Table

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Motion:
    """A motion (see the module). error, drift_per_s : e and d, relative.  modulation : ((r in Hz, p relative), …)."""

    error: float = 0.0
    drift_per_s: float = 0.0
    modulation: tuple[tuple[float, float], ...] = ()

    def speed(self, since_s: FloatArray) -> FloatArray:
        """Return v relative to the nominal speed, any shape. since_s : τ."""
        relative = 1.0 + self.drift_per_s * since_s
        for rate_hz, peak in self.modulation:
            relative = relative + peak * np.sin(2.0 * np.pi * rate_hz * since_s)
        return np.asarray((1.0 + self.error) * relative)

    def gone_s(self, since_s: FloatArray) -> FloatArray:
        """Return s in seconds at the nominal speed, any shape. since_s : τ."""
        moved_s = since_s + 0.5 * self.drift_per_s * since_s**2
        for rate_hz, peak in self.modulation:
            angle = 2.0 * np.pi * rate_hz
            moved_s += peak / angle * (1.0 - np.cos(angle * since_s))
        return np.asarray((1.0 + self.error) * moved_s)


#: Nothing but the nominal speed.
STEADY = Motion()


def read_motion(
    table: Table, *, slowest_percent: float = -50.0, fastest_percent: float = 50.0, most_drift_percent: float = 10.0
) -> Motion:
    """Take the keys of a motion from a unit's table. Raises TomlProblem.

    slowest_percent, fastest_percent : what an error may be.   most_drift_percent : in a minute, either way.
    """
    drift = table.number("drift_percent_per_minute", 0.0, at_least=-most_drift_percent, at_most=most_drift_percent)
    error = table.number("speed_error_percent", 0.0, at_least=slowest_percent, at_most=fastest_percent)
    return Motion(
        error=0.01 * error,
        drift_per_s=0.01 / 60.0 * drift,
        modulation=tuple(
            (rate_hz, 0.01 * peak)
            for rate_hz, peak in pairs_above_0(table, "modulation_percent", "[Hz, peak in %]", 1e3, 10.0)
        ),
    )
