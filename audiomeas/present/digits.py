"""How many digits of a number are shown: as many as its uncertainty lets stand.

JCGM 100:2008, 7.2.6: an uncertainty has at most two significant digits, the value is rounded to its last digit, and an
uncertainty is rounded up where rounding down would understate it (10.47 becomes 11), but not out of pedantry (28.05
becomes 28). When one digit is enough: the Particle Data Group's rule (Review of Particle Physics, Introduction, 5.3):
two digits where the first three are 100 to 354, one digit from 355 to 949, and 950 and above becomes 1000.
"""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, ROUND_UP, Decimal

#: Digits of a number whose uncertainty is not known: what a bench of this kind can hold at best.
PLAIN_DIGITS = 4
#: An uncertainty is never understated by more than this part of it (between GUM's examples: 4.5 % no, 0.2 % yes).
_UNDERSTATED_AT_MOST = Decimal("0.03")


def with_uncertainty(value: float, uncertainty: float | None) -> str:
    """Return '2.83 ± 0.04': the value with its 95 % half-width, both to the digits that mean something.

    Without an uncertainty (None, zero): the value to four digits. A value that is not finite, or an uncertainty that is
    negative or not finite, raises ValueError: it must not look like a number.
    """
    if uncertainty is None or uncertainty == 0.0:
        return plain(value)
    rounded = _rounded_uncertainty(uncertainty)
    return f"{_text(_to_last_digit_of(value, rounded))} ± {_text(rounded)}"


def value_digits(value: float, uncertainty: float | None) -> str:
    """Return only the value, rounded to the last digit of its uncertainty."""
    if uncertainty is None or uncertainty == 0.0:
        return plain(value)
    return _text(_to_last_digit_of(value, _rounded_uncertainty(uncertainty)))


def plain(value: float, digits: int = PLAIN_DIGITS) -> str:
    """Return a number to at most so many significant digits, without zeros behind them that nobody measured."""
    number = _finite(value)
    if number == 0:
        return "0"
    last = number.adjusted() - digits + 1
    rounded = number.quantize(Decimal(1).scaleb(min(last, 0)), rounding=ROUND_HALF_EVEN)
    return _text(rounded.normalize())


def short_digits(value: float, uncertainty: float, digits: int) -> str:
    """Return a value to at most so many significant digits, with ± only where its uncertainty touches them.

    Without ± the number is at most one unit of its last digit from the true one: half for rounding, half for the rest.
    An uncertainty between is rounded up to the last digit that is shown: 0.02038 ± 0.00011 in three is 0.0204 ± 0.0002.
    """
    number, width = _finite(value), _finite(uncertainty)
    place = number.adjusted() - digits + 1
    if number == 0 or width <= 0 or int(_rounded_uncertainty(uncertainty).as_tuple().exponent) >= place:
        return with_uncertainty(value, uncertainty)
    last = Decimal(1).scaleb(place)
    shown = _text(number.quantize(last, rounding=ROUND_HALF_EVEN))
    return shown if width <= last / 2 else f"{shown} ± {_text(width.quantize(last, rounding=ROUND_UP))}"


def outward_digits(value: float, digits: int, *, upward: bool) -> str:
    """Return a bound to so many significant digits, rounded so that it stays one: 'at most' up, 'at least' down."""
    number = _finite(value)
    if number == 0:
        return "0"
    last = Decimal(1).scaleb(number.adjusted() - digits + 1)
    return _text(number.quantize(last, rounding=ROUND_CEILING if upward else ROUND_FLOOR).normalize())


def fixed(value: float, decimals: int) -> str:
    """Return a number with so many decimals."""
    return _text(_finite(value).quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN))


def _finite(value: float) -> Decimal:
    if not math.isfinite(value):
        raise ValueError(f"{value} is no number that can be shown: unknown is None")
    return Decimal(repr(float(value)))


def _rounded_uncertainty(uncertainty: float) -> Decimal:
    number = _finite(uncertainty)
    if number < 0:
        raise ValueError("an uncertainty is not negative")
    first_three = int(number.scaleb(2 - number.adjusted()))
    if first_three >= 950:
        return Decimal(10).scaleb(number.adjusted())
    unit = Decimal(1).scaleb(number.adjusted() - (1 if first_three < 355 else 0))
    nearest = number.quantize(unit, rounding=ROUND_HALF_EVEN)
    if number - nearest > _UNDERSTATED_AT_MOST * number:
        nearest = number.quantize(unit, rounding=ROUND_UP)
    return nearest


def _to_last_digit_of(value: float, rounded: Decimal) -> Decimal:
    return _finite(value).quantize(rounded, rounding=ROUND_HALF_EVEN)  # quantize takes over the exponent


def _text(number: Decimal) -> str:
    """Return digits with a true minus sign; powers of ten only where zeros would fill a line."""
    if number == 0:
        number = abs(number)
    leading = number.adjusted()
    if number != 0 and not -7 <= leading <= 9:
        digits = f"{number.scaleb(-leading):f}"
        return f"{digits}e{leading}".replace("-", "−")
    return f"{number:f}".replace("-", "−")
