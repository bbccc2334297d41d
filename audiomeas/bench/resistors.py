"""Resistors as they are sold: preferred values (IEC 60063) and power ratings; and how a person writes a resistance."""

from __future__ import annotations

import math
import re

from audiomeas.errors import RequestError

#: IEC 60063, one decade; these two differ here and there from the rounded geometric series, so they are written out.
_WRITTEN_OUT = {
    name: tuple(float(value) for value in values.split())
    for name, values in {
        "E12": "1.0 1.2 1.5 1.8 2.2 2.7 3.3 3.9 4.7 5.6 6.8 8.2",
        "E24": "1.0 1.1 1.2 1.3 1.5 1.6 1.8 2.0 2.2 2.4 2.7 3.0 3.3 3.6 3.9 4.3 4.7 5.1 5.6 6.2 6.8 7.5 8.2 9.1",
    }.items()
}
#: The finer ones are 10^(i/n) in three digits.
_ROUNDED = {"E48": 48, "E96": 96}
SERIES = (*_WRITTEN_OUT, *_ROUNDED)

#: Ratings of film and wire-wound resistors that are usual in shops, in W (common practice).
RATINGS_W = (0.25, 0.6, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 25.0, 50.0)
#: A resistor in a divider runs at a third of its rating or less: heat changes its value (common practice).
RATING_MARGIN = 3.0

LEAST_OHM, MOST_OHM = 0.01, 1e8


def decade(series: str) -> tuple[float, ...]:
    """Return the values of one decade, 1 to below 10, of 'E12', 'E24', 'E48' or 'E96'. Source: IEC 60063:2015.

    Raises RequestError for another series.
    """
    if series in _WRITTEN_OUT:
        return _WRITTEN_OUT[series]
    if series not in _ROUNDED:
        raise RequestError(f"series {series!r} is not known: use one of {', '.join(SERIES)}")
    count = _ROUNDED[series]
    return tuple(round(10.0 ** (index / count), 2) for index in range(count))


def values_between(series: str, low_ohm: float, high_ohm: float) -> list[float]:
    """Return the values of a series from low_ohm to high_ohm, both included, in rising order."""
    found: list[float] = []
    for exponent in range(math.floor(math.log10(low_ohm)) - 1, math.floor(math.log10(high_ohm)) + 1):
        # Rounded to what is printed on a part, so that 332 is 332 and not 331.99999.
        found.extend(round(value * 10.0**exponent, 2 - exponent) for value in decade(series))
    # A hair of room: the borders are computed, the values are not.
    return [value for value in found if low_ohm * (1 - 1e-9) <= value <= high_ohm * (1 + 1e-9)]


def neighbours(series: str, wanted_ohm: float) -> tuple[float, ...]:
    """Return the values of a series next below and next above a resistance (one value where they are the same)."""
    around = values_between(series, wanted_ohm / 10.0, wanted_ohm * 10.0)
    below = max(value for value in around if value <= wanted_ohm * (1 + 1e-9))
    above = min(value for value in around if value >= wanted_ohm * (1 - 1e-9))
    return tuple(dict.fromkeys((below, above)))


def rating_to_choose_w(dissipation_w: float) -> float | None:
    """Return the least usual rating that is three times a dissipation; None: no usual one is."""
    return next((rating for rating in RATINGS_W if rating >= RATING_MARGIN * dissipation_w), None)


def checked_ohm(value: float, what: str) -> float:
    """Return a resistance that can be one. RequestError: NaN, zero, negative, or outside 10 mΩ to 100 MΩ."""
    if not math.isfinite(value) or not LEAST_OHM <= value <= MOST_OHM:
        raise RequestError(f"{what} of {value:g} Ω is no resistance: use {LEAST_OHM:g} Ω to {MOST_OHM / 1e6:g} MΩ")
    return value


_OHM = re.compile(r"^\s*([-+]?[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*([kKM]?)\s*(?:Ω|Ω|[Oo]hms?)?\s*$")


def parse_ohm(text: str, what: str) -> float:
    """Read a resistance such as '332', '2.49k', '10 kΩ' or '1M' (in Ω). Raises RequestError."""
    match = _OHM.match(text)
    if match is None:
        raise RequestError(f"{what} {text!r} is no resistance: write it in ohms, such as 332, 2.49k or 1M")
    return checked_ohm(float(match.group(1)) * {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6}[match.group(2)], what)
