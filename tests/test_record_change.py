"""Changed, unchanged or can't tell: against closed forms, scipy's quantiles and drawn errors."""

from __future__ import annotations

import math

import numpy as np
import pytest
from archive_fakes import gain_result
from coverage_truth import of_two
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from audiomeas.measurement.curves import CurvePoint, independent_half_width, wider_for_many
from audiomeas.record.change import Practice, Side, change_half_width, judged, most_changed


@pytest.mark.parametrize(
    ("difference", "half", "least", "word"),
    [
        (0.50, 0.10, 0.1, "changed"),
        (-0.50, 0.10, 0.1, "changed"),
        (0.05, 0.01, 0.1, "unchanged"),
        (0.10, 0.05, 0.1, "can't tell"),
        (0.00, 0.20, 0.1, "can't tell"),  # so wide that a change that counts could hide in it
        (0.30, 0.10, 0.0, "changed"),
        (0.05, 0.10, 0.0, "can't tell"),  # without a least change nothing is proven to be the same
    ],
)
def test_a_difference_is_judged_with_its_guard_band(difference, half, least, word):
    found = judged(Side(value=1.0), Side(value=1.0 + difference), half, least)
    assert found.word == word
    assert found.difference == pytest.approx(difference, abs=1e-12)  # the rounding of one subtraction


def test_without_an_uncertainty_nobody_can_tell_and_the_difference_is_still_told():
    found = judged(Side(value=1.0), Side(value=9.0), None, 0.1)
    assert (found.word, found.difference, found.uncertainty) == ("can't tell", 8.0, None)
    assert "not known" in found.reason


@pytest.mark.parametrize(
    ("before", "after", "word", "reason"),
    [
        (Side(value=0.01, bound="at most"), Side(value=0.02, bound="at most"), "can't tell", "both are bounds"),
        (Side(value=0.01, bound="at most"), Side(value=0.05, uncertainty=0.01), "changed", "at least 0.03 more"),
        (Side(value=0.05, uncertainty=0.01), Side(value=0.01, bound="at most"), "changed", "at least 0.03 less"),
        (Side(value=0.01, bound="at most"), Side(value=0.015, uncertainty=0.01), "can't tell", "may be alike"),
        (Side(value=0.01, bound="at most"), Side(value=0.001, uncertainty=0.0001), "can't tell", "may be alike"),
        (Side(value=60.0, bound="at least"), Side(value=50.0, uncertainty=1.0), "changed", "at least 9 less"),
        (Side(value=60.0, bound="at least"), Side(value=70.0, uncertainty=1.0), "can't tell", "may be alike"),
        (Side(value=60.0, bound="at least"), Side(value=50.0, bound="at most"), "changed", "at least 10 less"),
        (Side(value=0.01, bound="at most"), Side(value=0.05), "can't tell", "not known"),
    ],
)
def test_bounds_are_compared_by_all_that_they_allow(before, after, word, reason):
    found = judged(before, after, 0.001, 0.001)
    assert found.word == word
    assert reason in found.reason
    assert found.difference is None and found.uncertainty is None  # between bounds no number is claimed


def test_the_least_change_that_counts_in_each_unit():
    """Closed forms: 0.1 dB are 10^(0.1/20) − 1 of an amplitude and 10^(0.1/10) − 1 of a power."""
    usual = Practice()
    assert usual.least("gain_db", "dB", 26.0) == 0.1
    assert usual.least("level_v_rms", "V", -2.0) == pytest.approx(2.0 * (10 ** (0.1 / 20) - 1), rel=1e-12)
    assert usual.least("onset_w", "W", 60.0) == pytest.approx(60.0 * (10 ** (0.1 / 10) - 1), rel=1e-12)
    assert usual.least("thd_percent", "%", 0.05) == pytest.approx(0.05 * (10 ** (1 / 20) - 1), rel=1e-12)
    assert usual.least("crosstalk_at_1khz_db", "dB", -70.0) == 1.0
    assert usual.least("a_weighted_v_rms", "V", 1e-4) == pytest.approx(1e-4 * (10 ** (1 / 20) - 1), rel=1e-12)
    assert usual.least("speed_error_percent", "%", 0.3) == 0.0  # no ratio, and no practice known
    assert usual.least("reversals", "", 3.0) == 0.0


def drawn_share_outside(*, shared: bool, trials: int = 4000) -> float:
    """Return how often a drawn difference of two equal gains lies outside its stated half-width.

    Errors as the budgets state them: one rectangular calibration for both visits or one each, and noise.
    """
    rng = np.random.default_rng(20261126)
    half_db, noise_db = 0.05, 0.02
    limit = half_db / 0.95  # 95 % of a rectangular error lie within 0.95 of its limits
    first = rng.uniform(-limit, limit, trials)
    second = first if shared else rng.uniform(-limit, limit, trials)
    noise = rng.normal(0.0, noise_db / stats.norm.ppf(0.975), (2, trials))
    whole = math.hypot(half_db, noise_db)
    one, other = (gain_result(26.0, half_db=half_db, noise_db=noise_db).channel(1) for _ in range(2))
    stated = change_half_width(one, other, "gain_db", shared=shared)
    assert stated is not None
    assert (stated < whole) is shared  # what is common is in neither
    return float(np.mean(np.abs(second + noise[1] - first - noise[0]) > stated))


def test_one_calibration_cancels_and_noise_counts_twice():
    """Of 4000 draws 5 % lie outside, ± 3.5 standard deviations of that count (0.35 %) and no more."""
    assert drawn_share_outside(shared=True) == pytest.approx(0.05, abs=0.0121)


def test_two_calibrations_count_in_full():
    """As above: two rectangular errors, of which the root of the sum of squares would leave 10 % outside."""
    assert drawn_share_outside(shared=False) == pytest.approx(0.05, abs=0.0121)


def test_a_result_without_a_budget_counts_in_full():
    one, other = (gain_result(26.0, half_db=0.03).channel(1) for _ in range(2))
    bare = [type(one)(channel=1, values=each.values, uncertainty=each.uncertainty) for each in (one, other)]
    # 1 part in 10,000 is what the sum's series promises.
    assert change_half_width(*bare, "gain_db", shared=True) == pytest.approx(of_two(0.03, 0.03), rel=1e-4)
    nothing = type(one)(channel=1, values=one.values)
    assert change_half_width(nothing, other, "gain_db", shared=True) is None
    assert change_half_width(nothing, other, "gain_db", shared=False) is None


@pytest.mark.parametrize("points", [1, 2, 30, 250, 2000])
def test_the_half_width_of_the_largest_of_many(points):
    """scipy's normal quantiles; 1e-9 is what two implementations of them differ by."""
    expected = stats.norm.isf(0.05 / 2 / points) / stats.norm.isf(0.025)
    assert wider_for_many(points) == pytest.approx(expected, rel=1e-9)


def curve(values, half=0.05, shape=0.01, bound=""):
    return [
        CurvePoint(frequency_hz=20.0 * 1.03**place, value=value, uncertainty=half, shape_uncertainty=shape, bound=bound)
        for place, value in enumerate(values)
    ]


def test_a_curve_is_told_where_it_moved_most():
    now = [0.0] * 100
    now[40] = -0.5
    found = most_changed(curve([0.0] * 100), curve(now), key="gain_db", unit="dB", shared=True, practice=Practice())
    assert found is not None
    frequency_hz, before, after, change = found
    assert frequency_hz == pytest.approx(20.0 * 1.03**40)
    assert (before.value, after.value, change.word) == (0.0, -0.5, "changed")
    assert change.uncertainty == pytest.approx(math.hypot(0.01, 0.01) * wider_for_many(100))


def test_a_curve_on_other_calibrations_counts_its_whole_uncertainty():
    found = most_changed(
        curve([0.0] * 10), curve([0.2] * 10), key="gain_db", unit="dB", shared=False, practice=Practice()
    )
    assert found is not None
    assert found[3].word == "can't tell"
    assert found[3].uncertainty == pytest.approx(of_two(0.05, 0.05) * wider_for_many(10))  # the widest sum


@pytest.mark.parametrize("other", [0.0, 0.1, 0.3, 0.7, 1.0])
def test_two_independent_half_widths_are_never_understated(other):
    """Held against the closed form of two rectangular errors, which is the widest; 16 % are what it gives away."""
    assert of_two(1.0, other) <= independent_half_width(1.0, other) * (1 + 1e-12) <= 1.16 * of_two(1.0, other)


def test_a_curve_of_bounds_or_unknown_points_is_not_compared():
    given_nothing = {"key": "gain_db", "unit": "dB", "shared": True, "practice": Practice()}
    assert most_changed(curve([None] * 5), curve([1.0] * 5), **given_nothing) is None
    assert most_changed(curve([1.0] * 5, bound="at most"), curve([9.0] * 5), **given_nothing) is None


def test_a_curve_that_only_has_noise_is_seldom_called_changed():
    """Of 150 pairs of 60 points at most 5 % by chance, + 3 standard deviations of the count (5.3 %)."""
    rng = np.random.default_rng(7)
    sigma = 0.01 / stats.norm.ppf(0.975)
    words = []
    for _ in range(150):
        pair = [curve(rng.normal(0.0, sigma, 60).tolist()) for _ in range(2)]
        found = most_changed(*pair, key="gain_db", unit="dB", shared=True, practice=Practice(levels_db=0.0))
        assert found is not None
        words.append(found[3].word)
    assert words.count("changed") <= 0.103 * len(words)


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6), st.floats(0.0, 1e6), st.floats(0.0, 1e6), st.floats(0.0, 1e3))
def test_changed_and_unchanged_never_contradict_the_interval(before, after, half, more, least):
    """A wider uncertainty never makes a decision out of none, nor the other one."""
    narrow = judged(Side(value=before), Side(value=after), half, least).word
    wide = judged(Side(value=before), Side(value=after), half + more, least).word
    assert wide in (narrow, "can't tell")
