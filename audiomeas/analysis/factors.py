"""Factors that many analyses share: coverage of a normal distribution, and a relative change as decibels."""

from __future__ import annotations

import math

#: 95 % of a normal distribution lies within this many standard deviations.
TWO_SIDED_95 = 1.96
#: One-sided 95 % of a normal distribution.
ONE_SIDED_95 = 1.6448536269514722
#: 20/ln 10: a relative change as decibels.
DB_PER_NEPER = 20.0 / math.log(10.0)
