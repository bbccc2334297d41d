"""Digits follow the uncertainty."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from audiomeas.measurement.figure_table import bounded
from audiomeas.present.digits import bound_digits, fixed, plain, short_digits, value_digits, with_uncertainty
from audiomeas.shown_digits import outward_digits


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        # JCGM 100:2008, 7.2.6: y = 10,057 62 Ω with u = 27 mΩ is rounded to 10,058 Ω
        (10.05762, 0.027, "10.058 ± 0.027"),
        # ibid.: 10,47 mΩ might be rounded up to 11 mΩ
        (100.0, 10.47, "100 ± 11"),
        # ibid.: 28,05 kHz should be rounded down to 28 kHz
        (1000.0, 28.05, "1000 ± 28"),
        # Particle Data Group, Review of Particle Physics, Introduction 5.3 (rule and first two figures from memory)
        (0.827, 0.119, "0.83 ± 0.12"),
        (0.827, 0.367, "0.8 ± 0.4"),
        (14.674, 0.964, "14.7 ± 1.0"),
        # by hand
        (2.8284, 0.037, "2.83 ± 0.04"),
        (-140.123, 0.5, "−140.1 ± 0.5"),
        (0.0003, 0.00002, "0.000300 ± 0.000020"),
        (12345.0, 230.0, "12340 ± 230"),
        (-0.001, 0.5, "0.0 ± 0.5"),
        (0.0, 0.01, "0.000 ± 0.010"),
        (250.4, 5.0, "250 ± 5"),
    ],
)
def test_value_and_uncertainty_are_rounded_together(value, uncertainty, expected):
    assert with_uncertainty(value, uncertainty) == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [(2.828427, "2.828"), (0.0003, "0.0003"), (9.99996, "10"), (99999.6, "100000"), (250.0, "250"), (0.0, "0")],
)
def test_without_an_uncertainty_four_digits_are_shown(value, expected):
    assert plain(value) == with_uncertainty(value, None) == with_uncertainty(value, 0.0) == expected


def test_only_the_value_is_rounded_to_its_uncertainty():
    assert value_digits(2.8284, 0.037) == "2.83"


def test_fixed_decimals():
    assert fixed(-0.004, 2) == "0.00"
    assert fixed(2.345, 1) == "2.3"


@pytest.mark.parametrize("wrong", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_refused(wrong):
    for call in (lambda: plain(wrong), lambda: with_uncertainty(wrong, 0.1), lambda: with_uncertainty(1.0, wrong)):
        with pytest.raises(ValueError, match="no number"):
            call()


def test_a_negative_uncertainty_is_refused():
    with pytest.raises(ValueError, match="negative"):
        with_uncertainty(1.0, -0.1)


@given(
    st.floats(-1e6, 1e6).filter(lambda value: value == 0 or abs(value) > 1e-6),
    st.floats(1e-6, 1e5),
)
def test_what_is_shown_lies_within_the_uncertainty_and_never_understates_it_much(value, uncertainty):
    shown_value, shown_uncertainty = (
        float(Decimal(part.replace("−", "-"))) for part in with_uncertainty(value, uncertainty).split(" ± ")
    )
    # Half a unit of the last digit: with one digit (at least 3.55) that is at most 15 % of it.
    assert abs(shown_value - value) <= 0.15 * uncertainty * (1 + 1e-9)
    # The rule's own bound downwards; upwards one unit of one digit, at most 1 in 3.55.
    assert 0.97 * uncertainty * (1 - 1e-9) <= shown_uncertainty <= 1.29 * uncertainty


@pytest.mark.parametrize(
    ("value", "uncertainty", "shown"),
    [
        # Worked by hand: the third digit's place is a tenth of a thousandth for 0.0821, and so on.
        (0.082126, 0.000018, "0.0821"),  # 0.18 of the last place: not touched
        (0.112932, 0.000020, "0.113"),
        (0.2, 0.0005, "0.200"),  # exactly half of the last place
        (0.02038, 0.00011, "0.0204 ± 0.0002"),  # touched: rounded up to the last place
        (0.0292, 0.00005001, "0.0292 ± 0.0001"),
        (0.00821, 0.00010, "0.00821 ± 0.00010"),  # three digits anyway
        (0.1234, 0.02, "0.123 ± 0.020"),  # fewer digits than three are the usual rule's
        (1234.5, 2.0, "1230"),
        (99.96, 0.01, "100.0"),
        (0.0, 0.001, "0.0000 ± 0.0010"),
    ],
)
def test_short_digits_show_the_uncertainty_only_where_it_touches_them(value, uncertainty, shown):
    assert short_digits(value, uncertainty, 3) == shown


@given(
    value=st.floats(min_value=1e-6, max_value=1e3),
    part=st.floats(min_value=1e-6, max_value=0.3),
)
def test_short_digits_never_claim_more_than_is_known(value, part):
    shown = short_digits(value, value * part, 3)
    text, _, width = shown.replace("−", "-").partition(" ± ")  # a power of ten has a true minus
    number = Decimal(text)
    last = Decimal(1).scaleb(number.as_tuple().exponent)
    # Without ±: within one unit of the last digit. With it: rounding moves the value by half of it at most, and it is
    # not understated by more than the 3 % that with_uncertainty allows itself.
    off = abs(number - Decimal(repr(value)))
    if width:
        assert off <= Decimal(width) / 2
        assert Decimal(width) >= Decimal(repr(value * part)) * Decimal("0.969")
    else:
        assert off + Decimal(repr(value * part)) <= last * Decimal("1.001")


@pytest.mark.parametrize(
    ("value", "bound", "shown"),
    [(0.002134, "at most", "0.00214"), (0.002134, "at least", "0.00213"), (0.0021, "at most", "0.0021"),
     (0.0, "at most", "0"), (0.09996, "at most", "0.1"), (0.1 + 0.2, "at most", "0.3")],
)  # fmt: skip
def test_a_bound_stays_a_bound_when_it_is_rounded(value, bound, shown):
    assert outward_digits(value, 3, bound) == shown


@pytest.mark.parametrize(
    ("value", "bound", "shown"),
    [(0.964, "at most", "at most 0.97"), (0.964, "at least", "at least 0.96"), (59.96, "at least", "at least 59.9"),
     (59.96, "at most", "at most 60"), (-120.36, "at most", "at most −120.3"), (-120.36, "at least", "at least −120.4"),
     (20.0, "at most", "at most 20"), (0.0, "at most", "at most 0"), (1.0, "at least", "at least 1")],
)  # fmt: skip
def test_a_bound_in_a_table_stays_one(value, bound, shown):
    assert bounded(bound, value) == shown


@given(value=st.floats(1e-6, 1e6), part=st.floats(1e-5, 0.5))
def test_a_bound_stays_one_beside_its_uncertainty(value, part):
    """A bound lies outside its value, by less than one unit of its uncertainty's last digit."""
    below = Decimal(bound_digits(value, value * part, "at least"))
    above = Decimal(bound_digits(value, value * part, "at most"))
    # Numbers are held to 12 digits, here as there.
    assert below <= Decimal(f"{value:.11e}") <= above
    # That unit is no more than the uncertainty, which is rounded up from 95 to 100 (5.3 %).
    assert above - below <= Decimal(repr(1.06 * value * part))


_ANY = st.floats(allow_nan=False, allow_infinity=False)


@given(value=_ANY, uncertainty=st.floats(0.0, allow_infinity=False))
@example(0.02, 1e308)
@example(0.02, 5e-324)
@example(1.7976931348623157e308, 1.7976931348623157e308)
@example(0.0, 5e-324)
def test_every_number_can_be_shown_and_none_fills_a_line(value, uncertainty):
    """A forged result may hold any of them. 17 digits, and eight for sign, point, zeros or the power of ten."""
    shown = [
        *with_uncertainty(value, uncertainty).split(" ± "), value_digits(value, uncertainty), plain(value),
        fixed(value, 2), *(bound_digits(value, uncertainty, bound) for bound in ("at most", "at least")),
        *short_digits(value, uncertainty, 3).split(" ± "),
    ]  # fmt: skip
    assert all(len(text) <= 17 + 8 for text in shown)
    # What is written is a number, and no farther from the value than its uncertainty's last digit or the 17th.
    read = Decimal(with_uncertainty(value, uncertainty).split(" ± ")[0].replace("−", "-"))
    own = abs(Decimal(repr(value)))
    allowed = max(Decimal(repr(uncertainty)), own * Decimal("1e-3"))
    assert abs(read - Decimal(repr(value))) <= allowed
