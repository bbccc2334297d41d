"""A value as a person types it from a meter, a dial or a counter: number, unit, and what it leaves open.

A meter's limits of error are taken as a rectangular distribution (JCGM 100:2008, 4.3.7), and so is half a step of the
last digit that was typed (F.2.2.1).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from audiomeas.bench.meter import parse_accuracy
from audiomeas.bench.parts import Part, combined, of_limits
from audiomeas.errors import RequestError
from audiomeas.tomlfile import nearest

#: A number of things, without a unit: what is counted is exact.
COUNT = "count"
#: unit → what it is of, and how many of these one of it is.
_PREFIXED = ("V", "A", "Ω", "W", "VA", "Hz", "s", "F", "H", "Wb/m")
_PREFIXES = {"n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}
_OTHERS: dict[str, tuple[str, float]] = {
    "min": ("s", 60.0),
    "h": ("s", 3600.0),
    "mm": ("m", 1e-3),
    "cm": ("m", 1e-2),
    "cm/s": ("m/s", 1e-2),
    "mg": ("g", 1e-3),
    "g": ("g", 1.0),
    "dB": ("dB", 1.0),
    "dBf": ("dBf", 1.0),
    "dBu": ("dBu", 1.0),
    "dBV": ("dBV", 1.0),
    "%": ("%", 1.0),
    "°C": ("°C", 1.0),
    "°": ("°", 1.0),
    COUNT: (COUNT, 1.0),
}
_UNITS = {f"{sign}{unit}": (unit, one) for unit in _PREFIXED for sign, one in _PREFIXES.items()} | _OTHERS
#: Other ways of writing a unit.
_ALSO = {"ohm": "Ω", "ohms": "Ω", "degC": "°C", "C": "°C", "deg": "°", "": COUNT}
_NUMBER = r"[-+−]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][-+]?[0-9]+)?"
_TYPED = re.compile(rf"^\s*({_NUMBER})\s*([^\s0-9±+]*)\s*(?:(?:±|\+-|\+/-)\s*({_NUMBER})\s*([^\s0-9±+]*)\s*)?$")
#: What the parts of a typed value's uncertainty are called.
_METER, _LAST_DIGIT, _STATED = "meter", "last digit", "stated with the value"


@dataclass(frozen=True, kw_only=True)
class Accuracy:
    """What a meter's maker states of it. percent : of the reading.  digits : of the last place."""

    percent: float
    digits: int

    def text(self) -> str:
        """Return it as it is written."""
        return f"{self.percent:g} % + {self.digits} digits"


@dataclass(frozen=True, kw_only=True)
class Typed:
    """A typed value. value, parts : in `unit`.  text : as it was typed.  parts : None: nothing tells how true it is.

    An exact value (a count) has no parts at all: ().
    """

    text: str
    value: float
    unit: str
    parts: tuple[Part, ...] | None

    @property
    def uncertainty(self) -> float | None:
        """The 95 % half-width; None: not known."""
        return None if self.parts is None else combined(self.parts)


def checked_unit(unit: str) -> str:
    """Return a unit as it is written here ('ohm' gives 'Ω'). Raises RequestError with the nearest one."""
    plain = unit.strip().replace("μ", "µ")
    for prefix in (*_PREFIXES, "u"):
        rest = plain[len(prefix) :]
        if plain.startswith(prefix) and rest in _ALSO:
            plain = prefix + _ALSO[rest]
            break
    if plain.startswith("u") and f"µ{plain[1:]}" in _UNITS:
        plain = f"µ{plain[1:]}"
    if plain not in _UNITS:
        known = list(_UNITS)
        raise RequestError(
            f"unknown unit {unit.strip()!r}{nearest(plain, known)}: use {', '.join(_PREFIXED)} (with n, µ, m, k, M), "
            f"{', '.join(_OTHERS)}"
        )
    return plain


def parse_quantity(text: str, unit: str) -> float:
    """Return a value such as '-12.5 mV' in a unit ('V': −0.0125).

    Raises RequestError: no number, no unit, one of another quantity.
    """
    match = _matched(text, unit)
    if match.group(3) is not None:
        raise RequestError(f"{text!r}: leave out what stands behind ±")
    return _in_unit(text, match.group(1), match.group(2), unit)


def parse_typed(text: str, unit: str, meter: Accuracy | None = None) -> Typed:
    """Read what a person typed: '12.5 mV', or with what it leaves open, '12.5 ± 0.2 mV'.

    unit : the one that it is kept in.  meter : what is known of the meter, where the text does not state it.
    Raises RequestError: no number, no unit, one of another quantity, an impossible value.
    """
    match = _matched(text, unit)
    number, own_unit, half, half_unit = match.groups()
    # Behind '12.5 ± 0.2 mV' one unit holds for both.
    own_unit = own_unit or half_unit or ""
    value = _in_unit(text, number, own_unit, unit)
    if unit == COUNT:
        if not value.is_integer() or value < 0.0 or half is not None:
            raise RequestError(f"{text!r}: type how many there are, a whole number such as 3")
        return Typed(text=text.strip(), value=value, unit=unit, parts=())
    if half is not None:
        half_width = _in_unit(text, half, half_unit or own_unit, unit)
        if half_width < 0.0:
            raise RequestError(f"{text!r}: what stands behind ± is never negative")
        return Typed(text=text.strip(), value=value, unit=unit, parts=(Part(_STATED, half_width),))
    if meter is None:
        return Typed(text=text.strip(), value=value, unit=unit, parts=None)
    step = _in_unit(text, _last_digit(number), own_unit, unit)
    limit = abs(value) * meter.percent / 100.0 + meter.digits * step
    return Typed(
        text=text.strip(),
        value=value,
        unit=unit,
        parts=(of_limits(_METER, limit), of_limits(_LAST_DIGIT, 0.5 * step)),
    )


def accuracy_of(text: str) -> Accuracy:
    """Read an accuracy such as '0.5 % + 2 digits'. Raises RequestError."""
    percent, digits = parse_accuracy(text)
    return Accuracy(percent=percent, digits=digits)


def shown_quantity(value: float, unit: str) -> str:
    """Return '−12.5 mV', and a count without its word."""
    return f"{value:.6g}{'' if unit == COUNT else f' {unit}'}".replace("-", "−", 1 if value < 0.0 else 0)


def _matched(text: str, unit: str) -> re.Match[str]:
    match = _TYPED.match(text)
    if match is None:
        example = "3" if unit == COUNT else f"12.5 {unit}"
        raise RequestError(f"{text!r} is not a number with a unit: type for example '{example}'")
    return match


def _in_unit(text: str, number: str, own_unit: str, unit: str) -> float:
    """Return a number with its unit in another unit of the same quantity."""
    if not own_unit and unit != COUNT:
        raise RequestError(f"{text!r} has no unit: write '{text.strip()} {unit}'")
    own, wanted = checked_unit(own_unit), checked_unit(unit)
    (own_of, own_factor), (wanted_of, wanted_factor) = _UNITS[own], _UNITS[wanted]
    if own_of != wanted_of:
        raise RequestError(f"{text!r} is in {own}, where {wanted} is asked for")
    if re.search(r"\d,\d{3}$", number):
        raise RequestError(f"{text!r} can be read in two ways: write it without a comma")
    value = float(number.replace(",", ".").replace("−", "-"))
    # Powers of ten are divided by one another first: 12.5 mV in mV stays 12.5 to the last bit.
    value = value if own == wanted else value * own_factor / wanted_factor
    if not math.isfinite(value):
        raise RequestError(f"{text!r} is no value: it must be finite")
    return value


def _last_digit(number: str) -> str:
    """Return one step of the last digit of a number as it was typed: '0.1' for '12.5', '1' for '230'."""
    mantissa, exponent = re.match(r"[-+−]?([0-9.,]+)((?:[eE][-+]?[0-9]+)?)$", number).groups()  # type: ignore[union-attr]
    decimals = len(re.split(r"[.,]", mantissa)[1]) if re.search(r"[.,]", mantissa) else 0
    return f"1e{-decimals + int(exponent[1:] or 0) if exponent else -decimals}"
