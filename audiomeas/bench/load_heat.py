"""How hot a dummy load gets: what it stands for long, what for seconds, and how long it must rest.

A load's heat is stated in watts: the steady power that would keep it as hot as it is now. It follows the power that the
load takes, by one time constant while it gets hotter and by another, longer one while it cools:

    d heat / dt = (power − heat) / (heating_s or cooling_s)

The element must never be hotter than its rating makes it: heat ≤ usable_w. The heating time comes from the load's own
short-term rating (from cold, short_term_w for short_term_s reaches usable_w just then); the case and its heatsink cool
much slower than the element heats, so the long constant counts for cooling. Common practice for wire-wound resistors on
heatsinks; both choices err towards hotter. Pure arithmetic, no clock.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

#: Cooling of a heatsink of some 100 W in still air, where a bench file states none (from memory: 5 to 10 minutes).
USUAL_COOLING_S = 600.0
#: Up to this temperature around it a load stands its rating, and at the higher one nothing (common practice for
#: wire-wound resistors in aluminium, straight between).
FULL_RATING_TO_C = 25.0
NO_RATING_FROM_C = 250.0
#: Halvings in the search for the heat from which a load stands what is asked: far below what anyone can time.
_HALVINGS = 40


@dataclass(frozen=True, kw_only=True)
class ThermalRating:
    """What a load stands. usable_w : for long, where it stands.  short_term_w : never more, from cold for short_term_s.

    Without a short-term rating short_term_w is usable_w, and heating_s is zero: heat is the power of the moment.
    """

    usable_w: float
    short_term_w: float
    heating_s: float
    cooling_s: float


def thermal_rating(
    rated_w: float,
    *,
    short_term_w: float | None = None,
    short_term_s: float | None = None,
    cooling_s: float | None = None,
    ambient_c: float | None = None,
) -> ThermalRating:
    """Return what a load stands, from its data sheet and the temperature around it.

    rated_w : for long, up to 25 °C.  short_term_w, short_term_s : both or none; from cold.  ambient_c : None counts as
    25 °C.  Raises ValueError for what contradicts itself.
    """
    share = 1.0
    if ambient_c is not None:
        share = min(1.0, (NO_RATING_FROM_C - ambient_c) / (NO_RATING_FROM_C - FULL_RATING_TO_C))
    if not share > 0.0:
        raise ValueError(f"at {ambient_c:g} °C a load stands nothing")
    usable_w = rated_w * share
    if short_term_w is None and short_term_s is None:
        return ThermalRating(
            usable_w=usable_w, short_term_w=usable_w, heating_s=0.0, cooling_s=cooling_s or USUAL_COOLING_S
        )
    if short_term_w is None or short_term_s is None:
        raise ValueError("a short-term rating is a pair: watts, and for how many seconds from cold")
    if not short_term_w > rated_w:
        raise ValueError("a short-term rating lies above the rating for long")
    heating_s = -short_term_s / math.log1p(-rated_w / short_term_w)
    return ThermalRating(
        usable_w=usable_w,
        short_term_w=short_term_w * share,
        heating_s=heating_s,
        cooling_s=max(heating_s, cooling_s or USUAL_COOLING_S),
    )


def load_words(rating: ThermalRating) -> str:
    """Return what a load stands, in words."""
    lasting = f"rated {rating.usable_w:.4g} W"
    if rating.heating_s == 0.0:
        return lasting
    return f"{lasting}, {rating.short_term_w:.4g} W for {cold_s(rating):.3g} s from cold"


def cold_s(rating: ThermalRating) -> float:
    """Return for how long a cold load stands its short-term power."""
    return -rating.heating_s * math.log1p(-rating.usable_w / rating.short_term_w)


def heated_w(rating: ThermalRating, heat_w: float, power_w: float, duration_s: float) -> float:
    """Return the heat after a load took a steady power for a while, from the heat that it had before."""
    tau_s = rating.heating_s if power_w > heat_w else rating.cooling_s
    if tau_s == 0.0:
        return power_w
    return power_w + (heat_w - power_w) * math.exp(-duration_s / tau_s)


def hottest_w(rating: ThermalRating, heat_w: float, powers_w: Iterable[float], part_s: float) -> tuple[float, float]:
    """Return the largest heat on the way through powers of equal duration, and the heat after the last.

    The heat at the beginning is no part of the way: what is too hot already may cool.
    """
    hottest = 0.0
    for power_w in powers_w:
        heat_w = heated_w(rating, heat_w, power_w, part_s)
        hottest = max(hottest, heat_w)
    return hottest, heat_w


def wait_s(rating: ThermalRating, heat_w: float, powers_w: Iterable[float], part_s: float) -> float | None:
    """Return how long a load must cool before it stands such powers; zero: it stands them now; None: not even cold."""
    powers = list(powers_w)

    def stands(from_w: float) -> bool:
        return hottest_w(rating, from_w, powers, part_s)[0] <= rating.usable_w

    if stands(heat_w):
        return 0.0
    if not stands(0.0):
        return None
    low_w, high_w = 0.0, heat_w
    for _ in range(_HALVINGS):
        middle_w = 0.5 * (low_w + high_w)
        low_w, high_w = (middle_w, high_w) if stands(middle_w) else (low_w, middle_w)
    # One part in a thousand of what it stands is as good as cold, where only cold would do.
    return rating.cooling_s * math.log(heat_w / max(low_w, 1e-3 * rating.usable_w))


class LoadHeat:
    """The heat of one load over a session: it takes powers, and cools by the clock between.

    now_s : by any steady clock.
    """

    def __init__(self, rating: ThermalRating, *, now_s: float) -> None:
        self.rating = rating
        self._heat_w = 0.0
        self._at_s = now_s

    def heat_w(self, now_s: float) -> float:
        """Return the heat now, nothing taken since the last powers."""
        return heated_w(self.rating, self._heat_w, 0.0, max(0.0, now_s - self._at_s))

    def take(self, powers_w: Iterable[float], part_s: float, *, began_s: float, now_s: float) -> None:
        """Count powers of equal duration that began at a time and are over now."""
        _, self._heat_w = hottest_w(self.rating, self.heat_w(began_s), powers_w, part_s)
        self._at_s = now_s
