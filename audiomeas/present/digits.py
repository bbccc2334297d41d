"""How many digits of a number are shown: as many as its uncertainty lets stand.

JCGM 100:2008, 7.2.6: an uncertainty has at most two significant digits, the value is rounded to its last digit, and an
uncertainty is rounded up where rounding down would understate it (10.47 becomes 11), but not out of pedantry (28.05
becomes 28). When one digit is enough: the Particle Data Group's rule (Review of Particle Physics, Introduction, 5.3):
two digits where the first three are 100 to 354, one digit from 355 to 949, and 950 and above becomes 1000.
"""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, ROUND_UP, Decimal

from audiomeas.shown_digits import digits_text, finite, outward, outward_digits, to_place

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
    return f"{digits_text(_to_last_digit_of(value, rounded))} ± {digits_text(rounded)}"


def value_digits(value: float, uncertainty: float | None) -> str:
    """Return only the value, rounded to the last digit of its uncertainty."""
    if uncertainty is None or uncertainty == 0.0:
        return plain(value)
    return digits_text(_to_last_digit_of(value, _rounded_uncertainty(uncertainty)))


def plain(value: float, digits: int = PLAIN_DIGITS) -> str:
    """Return a number to at most so many significant digits, without zeros behind them that nobody measured."""
    number = finite(value)
    if number == 0:
        return "0"
    last = number.adjusted() - digits + 1
    return digits_text(to_place(number, min(last, 0)).normalize())


def short_digits(value: float, uncertainty: float, digits: int) -> str:
    """Return a value to at most so many significant digits, with ± only where its uncertainty touches them.

    Without ± the number is at most one unit of its last digit from the true one: half for rounding, half for the rest.
    An uncertainty between is rounded up to the last digit that is shown: 0.02038 ± 0.00011 in three is 0.0204 ± 0.0002.
    """
    number, width = finite(value), finite(uncertainty)
    place = number.adjusted() - digits + 1
    if number == 0 or width <= 0 or int(_rounded_uncertainty(uncertainty).as_tuple().exponent) >= place:
        return with_uncertainty(value, uncertainty)
    last = Decimal(1).scaleb(place)
    shown = digits_text(to_place(number, place))
    return shown if width <= last / 2 else f"{shown} ± {digits_text(to_place(width, place, ROUND_UP))}"


def bound_digits(value: float, uncertainty: float | None, bound: str) -> str:
    """Return a bound, rounded outward to the last digit of its uncertainty; without one to four digits.

    bound : 'at most' or 'at least'.
    """
    if uncertainty is None or uncertainty == 0.0:
        return outward_digits(value, PLAIN_DIGITS, bound)
    place = int(_rounded_uncertainty(uncertainty).as_tuple().exponent)
    return digits_text(outward(finite(value), place, bound))


def fixed(value: float, decimals: int) -> str:
    """Return a number with so many decimals."""
    return digits_text(to_place(finite(value), -decimals))


def _rounded_uncertainty(uncertainty: float) -> Decimal:
    number = finite(uncertainty)
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
    return to_place(finite(value), int(rounded.as_tuple().exponent))
