"""What 95 % of a sum of two rectangular distributions lies within, in closed form: it is a trapezoid."""

from __future__ import annotations

import math


def of_two(one, other):
    """Half-width that holds 95 % of two rectangular parts, each stated by its own 95 % half-width.

    Limits a ≥ b: beyond h ≥ a − b lie (a + b − h)²/(4·a·b) of both tails together; 5 % gives h. When b is so small that
    the plateau holds 95 % (b ≤ a/20), the tails begin within it: h = 0.95·a, exactly.
    """
    a, b = max(one, other) / 0.95, min(one, other) / 0.95
    return a + b - math.sqrt(0.2 * a * b) if b > 0.05 * a else 0.95 * a
