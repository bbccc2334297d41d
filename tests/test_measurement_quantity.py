"""Values as a person types them: units, digits, and what a meter leaves open."""

from __future__ import annotations

import math

import pytest

from audiomeas.errors import RequestError
from audiomeas.measurement.quantity import accuracy_of, parse_quantity, parse_typed, shown_quantity

METER = accuracy_of("0.5 % + 2 digits")


def _of_two_rectangles(wide: float, narrow: float) -> float:
    """95 % half-width of the sum of two rectangular errors, ± wide and ± narrow (closed form of their trapezoid).

    Beyond t lie (wide + narrow − t)² / (4·wide·narrow) of it, for t from wide − narrow on.
    """
    half = wide + narrow - math.sqrt(4.0 * wide * narrow * 0.05)
    assert half >= wide - narrow
    return half


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("12.5 mV", "mV", 12.5),
        ("-0.0125 V", "mV", -12.5),
        ("−3,1mV", "mV", -3.1),
        ("47 kohm", "Ω", 47_000.0),
        ("0.2 ohm", "Ω", 0.2),
        ("15 uV", "µV", 15.0),
        ("1.2e3 mV", "V", 1.2),
        ("10 min", "s", 600.0),
        ("25 C", "°C", 25.0),
        ("320 nWb/m", "nWb/m", 320.0),
        ("9.5 cm/s", "cm/s", 9.5),
        ("37.2 dBf", "dBf", 37.2),
        ("7", "count", 7.0),
    ],
)
def test_a_value_is_kept_in_the_unit_of_its_step(text: str, unit: str, value: float) -> None:
    assert parse_typed(text, unit).value == pytest.approx(value, rel=1e-12)  # rounding of one product alone
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "said"),
    [
        ("12.5", "mV", "has no unit: write '12.5 mV'"),
        ("5 A", "V", "is in A, where V is asked for"),
        ("1,234 V", "V", "two ways"),
        ("12 mX", "V", "unknown unit 'mX'"),
        ("nan V", "V", "not a number with a unit"),
        ("inf V", "V", "not a number with a unit"),
        ("1e999 V", "V", "must be finite"),
        ("12..5 V", "V", "not a number with a unit"),
        ("", "V", "not a number with a unit"),
        ("2.5", "count", "whole number"),
        ("-1", "count", "whole number"),
        ("3 ± 1", "count", "whole number"),
        ("12 ± -1 mV", "mV", "never negative"),
    ],
)
def test_what_is_no_value_never_becomes_a_number(text: str, unit: str, said: str) -> None:
    with pytest.raises(RequestError, match=said.replace("(", r"\(")):
        parse_typed(text, unit)


@pytest.mark.parametrize(
    ("text", "unit", "limit", "half_step"),
    [
        ("12.5 mV", "mV", 0.0625 + 0.2, 0.05),  # 0.5 % of it and two of its last digits; half a digit
        ("-12.50 mV", "mV", 0.0625 + 0.02, 0.005),
        ("0.0125 V", "mV", 0.0625 + 0.2, 0.05),
        ("230 V", "V", 1.15 + 2.0, 0.5),
        ("0.0 mV", "mV", 0.2, 0.05),
    ],
)
def test_a_meter_leaves_open_what_its_maker_states_and_half_a_digit(
    text: str, unit: str, limit: float, half_step: float
) -> None:
    typed = parse_typed(text, unit, METER)
    # The library's half-widths are good to a part in 10,000 (its own stated grid).
    assert typed.uncertainty == pytest.approx(_of_two_rectangles(limit, half_step), rel=1e-4)


def test_what_is_typed_behind_the_value_stands_for_the_meter() -> None:
    assert parse_typed("12.5 ± 0.2 mV", "mV", METER).uncertainty == pytest.approx(0.2)
    assert parse_typed("12.5 mV ± 200 µV", "mV", METER).uncertainty == pytest.approx(0.2)
    assert parse_typed("12.5 mV +- 0.2 mV", "mV").uncertainty == pytest.approx(0.2)
    assert parse_typed("12.5 mV", "mV").uncertainty is None  # nothing tells how true it is
    assert parse_typed("3", "count").uncertainty == 0.0  # counted things are exact


def test_values_are_shown_with_a_true_minus() -> None:
    assert shown_quantity(-12.5, "mV") == "−12.5 mV"
    assert shown_quantity(1e-7, "V") == "1e-07 V"
    assert shown_quantity(3.0, "count") == "3"
