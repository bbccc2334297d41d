"""What 95 % of a sum of independent rectangular distributions lies within, in closed form."""

from __future__ import annotations

import itertools
import math

from scipy.optimize import brentq


def of_two(one, other):
    """Half-width that holds 95 % of two rectangular parts, each stated by its own 95 % half-width: a trapezoid.

    Limits a ≥ b: beyond h ≥ a − b lie (a + b − h)²/(4·a·b) of both tails together; 5 % gives h. When b is so small that
    the plateau holds 95 % (b ≤ a/20), the tails begin within it: h = 0.95·a, exactly.
    """
    a, b = max(one, other) / 0.95, min(one, other) / 0.95
    return a + b - math.sqrt(0.2 * a * b) if b > 0.05 * a else 0.95 * a


def of_all(*halves):
    """The same of any number of parts.

    The tail beyond h is Σ ±(±a₁ ± a₂ … − h)₊ⁿ / (n! 2ⁿ a₁a₂…), each term with the product of its signs (E. G. Olds,
    Annals of Mathematical Statistics 23 (1952), 282; from memory, and held against `of_two` by a test).
    """
    limits = [half / 0.95 for half in halves]
    size = math.factorial(len(limits)) * 2 ** len(limits) * math.prod(limits)

    def tails(h):
        terms = (
            math.prod(signs) * max(sum(s * a for s, a in zip(signs, limits, strict=True)) - h, 0.0) ** len(limits)
            for signs in itertools.product((1, -1), repeat=len(limits))
        )
        return 2.0 * sum(terms) / size - 0.05

    return brentq(tails, 0.0, sum(limits), xtol=1e-15)
