"""What a lamp in series with the mains lets through. Pure arithmetic; the lamp is a filament lamp, no other limits.

A filament's resistance rises with its heat: at its rated voltage it is V²/W, cold it is a small part of that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

#: Cold, a filament has about a fourteenth of its hot resistance (published bench practice: 100 W at 120 V has
#: 144 Ω hot, about 10 Ω cold).
_COLD_PART = 1.0 / 14.0


@dataclass(frozen=True, kw_only=True)
class Bulb:
    """A filament lamp in series with the mains. rated_w : at mains_v, the nominal mains. Raises ValueError."""

    rated_w: float
    mains_v: float

    def __post_init__(self) -> None:
        if not all(math.isfinite(one) and one > 0.0 for one in (self.rated_w, self.mains_v)):
            raise ValueError("a bulb needs watts and a mains voltage, both finite and above zero")

    @property
    def current_a(self) -> float:
        """The most that flows at full mains, W/V: the unit behind it a short circuit."""
        return self.rated_w / self.mains_v

    @property
    def hot_ohm(self) -> float:
        """Its resistance with all of the mains across it, V²/W."""
        return self.mains_v**2 / self.rated_w

    @property
    def cold_ohm(self) -> float:
        """About its resistance at the first moment."""
        return _COLD_PART * self.hot_ohm

    def least_short_a(self, applied_v: float) -> float:
        """Return the least current that a short circuit behind the bulb draws at a voltage, V/R with R as when hot.

        Below full mains the filament is cooler and lets more through: a short circuit can't draw less than this.
        """
        return applied_v / self.hot_ohm
