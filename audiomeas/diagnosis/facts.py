"""Facts with their uncertainty, and signs: a fact held against the number at which a picture begins.

A sign holds, or does not, or stays open: open where the limit lies inside the fact's uncertainty, where that is not
known, and where a bound leaves both possible. What is open never makes a picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

from audiomeas.measurement.curves import independent_half_width
from audiomeas.record.verdict_row import decide
from audiomeas.shown_digits import AT_LEAST, AT_MOST

Holds = Literal["yes", "no", "open"]
_HOLDS: dict[str, Holds] = {"fail": "yes", "pass": "no", "undecided": "open"}
#: Of a difference of bounds that pull both ways.
_NOTHING_KNOWN = "of bounds, not known"


@dataclass(frozen=True, kw_only=True)
class Fact:
    """One number of a visit. channel : 1-based, 0 for what belongs to none.   step : where it was measured.

    half_width : 95 %, in `unit`; None: not known.   bound : 'at most', 'at least' or ''.
    """

    words: str
    value: float
    unit: str
    half_width: float | None
    step: str
    channel: int = 0
    bound: str = ""

    def named(self, words: str) -> Fact:
        """Return it under other words."""
        return replace(self, words=words)

    def without_sign(self) -> Fact:
        """Return its size."""
        return replace(self, value=abs(self.value))

    def turned(self) -> Fact:
        """Return it with the other sign; what it was at most it is at least."""
        other_way = {AT_MOST: AT_LEAST, AT_LEAST: AT_MOST}.get(self.bound, self.bound)
        return replace(self, value=-self.value, bound=other_way)

    def less(self, other: Fact, words: str) -> Fact:
        """Return the difference from another fact of the same unit. What is common to both counts twice: careful."""
        unit = "dB" if self.unit == "dBFS" else self.unit
        return self._with(other, words, self.value - other.value, unit, 1.0, 1.0)

    def over(self, other: Fact, words: str) -> Fact | None:
        """Return the ratio to another fact; None where that is zero or less."""
        if not other.value > 0.0:
            return None
        ratio = self.value / other.value
        return self._with(other, words, ratio, "", 1.0 / other.value, ratio / other.value)

    def _with(self, other: Fact, words: str, value: float, unit: str, own: float, others: float) -> Fact:
        halves = (self.half_width, other.half_width)
        known = (
            None if None in halves else independent_half_width(own * (halves[0] or 0.0), others * (halves[1] or 0.0))
        )
        return Fact(
            words=words,
            value=value,
            unit=unit,
            half_width=known,
            step="; ".join(dict.fromkeys(filter(None, (self.step, other.step)))),
            channel=self.channel,
            bound=_bound_of_difference(self.bound, other.bound),
        )


def _bound_of_difference(own: str, others: str) -> str:
    """Return what a difference or ratio is: of two bounds that pull both ways nothing is known, which is no value."""
    turned = {"": "", AT_MOST: AT_LEAST, AT_LEAST: AT_MOST}.get(others, _NOTHING_KNOWN)
    return _NOTHING_KNOWN if own and turned and own != turned else own or turned


@dataclass(frozen=True, kw_only=True)
class Sign:
    """A fact against a limit. way : the picture begins 'above' or 'below' it."""

    fact: Fact
    way: Literal["above", "below"]
    limit: float

    @property
    def holds(self) -> Holds:
        """Whether the fact lies beyond the limit with all of its uncertainty."""
        fact = self.fact
        above = self.way == "above"
        if not math.isfinite(fact.value):
            return "open"
        if fact.bound:
            return self._of_bound()
        if fact.half_width is None:
            return "open"
        sides = {"at_least": None, "at_most": self.limit} if above else {"at_least": self.limit, "at_most": None}
        return _HOLDS[decide(fact.value, fact.half_width, **sides)]

    def _of_bound(self) -> Holds:
        """Return what a bound leaves: all that the value may be lies on one side of the limit, or it is open."""
        value = self.fact.value
        if self.fact.bound == AT_LEAST and value > self.limit:
            return "yes" if self.way == "above" else "no"
        if self.fact.bound == AT_MOST and value < self.limit:
            return "yes" if self.way == "below" else "no"
        return "open"

    def as_json(self) -> dict[str, Any]:
        """Return the sign's JSON object."""
        fact = self.fact
        return {
            "fact": fact.words,
            "channel": fact.channel or None,
            "step": fact.step,
            "value": fact.value,
            "unit": fact.unit,
            "uncertainty": fact.half_width,
            "bound": fact.bound,
            "way": self.way,
            "limit": self.limit,
            "holds": self.holds,
        }


def above(fact: Fact, limit: float) -> Sign:
    """Return the sign that a fact is more than a limit."""
    return Sign(fact=fact, way="above", limit=limit)


def below(fact: Fact, limit: float) -> Sign:
    """Return the sign that a fact is less than a limit."""
    return Sign(fact=fact, way="below", limit=limit)


def either(*signs: Sign) -> Sign:
    """Return of several signs, of which one is enough, the one that tells most: that holds, else an open one."""
    rank = {"yes": 0, "open": 1, "no": 2}
    return min(signs, key=lambda sign: rank[sign.holds])
