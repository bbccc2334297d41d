"""How a number is written where people read it: true signs, and bounds that stay bounds when they are rounded.

Nothing here is kept or computed with. It loads nothing of ours.
"""

from __future__ import annotations

import math
import re
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal

#: A number is held to so many digits: what stands behind them is how binary fractions are kept, and moves no bound.
_HELD_DIGITS = 12
#: A float holds no more digits than these: where its uncertainty is finer, or the number is huge, no more are shown.
_FLOAT_DIGITS = 17
#: Decades that are written out with zeros; beyond them powers of ten are.
_SMALLEST_DECADE, _LARGEST_DECADE = -7, 9
#: What bounds a value from above, and from below.
AT_MOST, AT_LEAST = "at most", "at least"
#: A hyphen that stands for a minus: before a digit, and behind nothing that makes it a part of a word, date or path.
_MINUS = re.compile(r"(?<![\w.,:/'\"-])-(?=\.?\d)")


def with_minus(text: str) -> str:
    """Return a sentence with a true minus before its negative numbers."""
    return _MINUS.sub("−", text)


def finite(value: float) -> Decimal:
    """Return a number with the digits that Python writes of it. Raises ValueError: it is not finite."""
    if not math.isfinite(value):
        raise ValueError(f"{value} is no number that can be shown: unknown is None")
    return Decimal(repr(float(value)))


def to_place(number: Decimal, place: int, rounding: str = ROUND_HALF_EVEN) -> Decimal:
    """Return a number rounded to a power of ten, but to no more digits than a float holds.

    place : exponent of the last digit, -2 for hundredths.
    """
    finest = number.adjusted() - _FLOAT_DIGITS + 1 if number else place
    return number.quantize(Decimal(1).scaleb(max(place, finest)), rounding=rounding)


def outward(number: Decimal, place: int, bound: str) -> Decimal:
    """Return a bound rounded to a power of ten so that it stays one: 'at most' up, 'at least' down.

    place : exponent of the last digit, -2 for hundredths.
    """
    held = to_place(number, number.adjusted() - _HELD_DIGITS + 1)
    return to_place(held, place, ROUND_CEILING if bound == AT_MOST else ROUND_FLOOR)


def outward_digits(value: float, digits: int, bound: str) -> str:
    """Return a bound to so many significant digits, rounded as `outward` does. Raises ValueError: it is not finite."""
    number = finite(value)
    if number == 0:
        return "0"
    return digits_text(outward(number, number.adjusted() - digits + 1, bound).normalize())


def digits_text(number: Decimal) -> str:
    """Return digits with a true minus sign; powers of ten only where zeros would fill a line."""
    if number == 0:
        number = abs(number)
    leading = number.adjusted()
    if number == 0 and leading < _SMALLEST_DECADE:
        return "0"
    if number != 0 and not _SMALLEST_DECADE <= leading <= _LARGEST_DECADE:
        digits = f"{number.scaleb(-leading):f}"
        return f"{digits}e{leading}".replace("-", "−")
    return f"{number:f}".replace("-", "−")
