"""Values that stand out of a stack: the textbook's score, and how often a healthy stack is blamed."""

from __future__ import annotations

import numpy as np
import pytest

from audiomeas.analysis.outliers import FEWEST, spread_of
from audiomeas.errors import RequestError


def test_the_modified_z_score():
    """0.6745 (x − median) / MAD (Iglewicz and Hoaglin 1993), worked by hand."""
    spread = spread_of([9.0, 10.0, 11.0, 12.0, 50.0], np.zeros(5))
    # Sorted: 9 10 11 12 50, median 11; deviations 2 1 0 1 39, their median 1.
    assert spread.median == 11.0
    assert spread.distances == pytest.approx(0.6745 * np.array([-2.0, -1.0, 0.0, 1.0, 39.0]), rel=1e-4)
    assert spread.out.tolist() == [False, False, False, False, True]


def test_what_the_uncertainty_explains_does_not_stand_out():
    assert spread_of([9.0, 10.0, 11.0, 12.0, 50.0], [0, 0, 0, 0, 39.0]).out.tolist() == [False] * 5


def test_values_that_are_all_alike_but_one():
    """More than half are equal: the median deviation is zero, and any other value stands out unless it is uncertain."""
    assert spread_of([1.0, 1.0, 1.0, 1.0, 2.0], np.zeros(5)).out.tolist() == [False] * 4 + [True]
    assert not spread_of([1.0, 1.0, 1.0, 1.0, 2.0], np.full(5, 1.0)).out.any()
    assert not spread_of(np.ones(6), np.zeros(6)).out.any()


def test_unknown_values_count_for_nothing():
    spread = spread_of([9.0, np.nan, 10.0, 11.0, 12.0, 50.0], np.zeros(6))
    assert np.isnan(spread.distances[1])
    assert spread.out.tolist() == [False, False, False, False, False, True]
    assert spread_of([1.0, 2.0, 3.0, 400.0, np.nan], np.zeros(5)) is None
    assert FEWEST == 5


@pytest.mark.parametrize("values", [[1.0, 2.0], [1, 2, 3, 4, np.inf]])
def test_wrong_lists(values):
    with pytest.raises(RequestError):
        spread_of(values, np.zeros(5))


@pytest.mark.parametrize("number", [5, 6, 9, 12, 24, 60])
def test_a_healthy_stack_is_blamed_once_in_a_hundred(number):
    """The definition of the distance: 1 % of stacks of normal values. 2,000 stacks count it within ± 0.7 % (3 sigma).

    Between two numbers of the table the smaller one holds, whose distance is larger: then less than 1 %.
    """
    rng = np.random.default_rng(number)
    stacks = rng.normal(3.0, 0.2, (2_000, number))
    blamed = np.mean([spread_of(values, np.zeros(number)).out.any() for values in stacks])
    assert blamed <= 0.017
    if number < 20:
        assert blamed >= 0.003


def test_a_faulty_unit_is_found_where_it_is_far_off():
    """Gains of six healthy units scatter by 0.05 dB, the seventh lacks 1 dB: twenty standard deviations."""
    rng = np.random.default_rng(7)
    gains = np.append(rng.normal(26.0, 0.05, 6), 25.0)
    assert spread_of(gains, np.full(7, 0.02)).out.tolist() == [False] * 6 + [True]
