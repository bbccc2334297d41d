"""First-order filters that explain the ends of a response, against the closed forms of such filters."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audiomeas.analysis.first_order import first_order_ends

#: 24 points an octave, as a response has them.
FREQUENCY_HZ = np.geomspace(17.0, 20_000.0, 245)
SURE = np.full(len(FREQUENCY_HZ), 1e-4)


def high_pass(corner_hz):
    """Return 1/(1 + f1/(jf)): a coupling capacitor into a resistance (circuit theory)."""
    return 1.0 / (1.0 + corner_hz / (1j * FREQUENCY_HZ))


def low_pass(corner_hz):
    return 1.0 / (1.0 + 1j * FREQUENCY_HZ / corner_hz)


def ends(response, uncertainty=SURE):
    return first_order_ends(FREQUENCY_HZ, np.abs(response), uncertainty, 1000.0)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(low_hz=st.floats(2.0, 300.0), high_hz=st.floats(3_000.0, 80_000.0), gain=st.floats(1e-3, 1e3))
def test_a_filter_at_each_end_gives_back_its_time_constants(low_hz, high_hz, gain):
    low, high = ends(gain * high_pass(low_hz) * low_pass(high_hz))
    # The two fits take each other out; at 300 Hz and 3 kHz, a decade apart, four rounds leave less than 1e-6.
    assert low.corner_hz == pytest.approx(low_hz, rel=1e-6)
    assert high.corner_hz == pytest.approx(high_hz, rel=1e-6)
    assert low.tau_s == pytest.approx(1.0 / (2.0 * math.pi * low_hz), rel=1e-6)
    assert 0.0 < low.tau_uncertainty_s < 0.25 * low.tau_s


@pytest.mark.parametrize("seed", range(3))
def test_noise_stays_within_the_uncertainty(seed):
    rng = np.random.default_rng(seed)
    misses = 0
    for _ in range(40):
        noise = 1e-3 / 1.96 * rng.standard_normal(len(FREQUENCY_HZ))
        low, high = ends(high_pass(30.0) * low_pass(15_000.0) * (1.0 + noise), 10.0 * SURE)
        misses += abs(low.corner_hz - 30.0) > low.corner_uncertainty_hz
        misses += abs(high.corner_hz - 15_000.0) > high.corner_uncertainty_hz
    # The half-widths hold for errors that all go together, so independent ones (here) never reach them in 80.
    assert misses == 0


def test_errors_that_go_together_stay_within_the_uncertainty():
    tilt = 1.0 + 1e-3 * np.cos(np.pi * np.log(FREQUENCY_HZ / 17.0) / np.log(1000.0 / 17.0))
    low, _ = ends(high_pass(30.0) * tilt, 10.0 * SURE)
    assert 0.0 < abs(low.corner_hz - 30.0) < low.corner_uncertainty_hz


def test_second_order_is_no_time_constant():
    s = 1j * FREQUENCY_HZ / 30.0
    butterworth = s**2 / (s**2 + math.sqrt(2.0) * s + 1.0)
    low, high = ends(butterworth * low_pass(15_000.0) ** 2)
    assert (low.tau_s, low.why) == (None, "other")
    assert (high.tau_s, high.why) == (None, "other")


def test_a_shelf_or_a_resonance_is_no_time_constant():
    shelf = (1.0 + 1j * FREQUENCY_HZ / 3_000.0) / (1.0 + 1j * FREQUENCY_HZ / 1_500.0)
    assert ends(shelf)[1].why == "other"
    bump = 1.0 + 0.3 / (1.0 + 1j * (FREQUENCY_HZ / 60.0 - 60.0 / FREQUENCY_HZ) * 3.0)
    assert ends(bump * high_pass(20.0))[0].why == "other"


def test_flat_is_no_time_constant():
    low, high = ends(np.full(len(FREQUENCY_HZ), 3.0))
    assert (low.why, high.why) == ("flat", "flat")
    # 0.3 Hz takes 0.00016 nepers at 17 Hz: less than four times the uncertainty of 0.0001.
    assert ends(high_pass(0.3))[0].why == "flat"


def test_few_points_tell_nothing():
    low, high = first_order_ends(FREQUENCY_HZ, np.abs(high_pass(30.0)), SURE, 18.0)
    assert (low.why, low.tau_s) == ("few", None)
    assert high.why != "few"
