"""Thumps and lasting changes against what was put in: exponentials of known peak, place and area, in seeded noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from audiomeas.analysis.switching import find_switching
from audiomeas.errors import SignalError

RATE_HZ = 24_000.0


def time_s(seconds):
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


def thump(time, at_s, peak, decay_s):
    return np.where(time >= at_s, peak * np.exp(-np.maximum(time - at_s, 0.0) / decay_s), 0.0)


def capture(*thumps, seconds=14.0, on=lambda time: np.zeros_like(time, dtype=bool), noise=2e-4, seed=1):
    """Noise of the bench, twice as much power with hum while `on`, and thumps (at_s, peak, decay_s)."""
    time = time_s(seconds)
    draw = np.random.default_rng(seed)
    signal = noise * draw.standard_normal(len(time))
    louder = noise * draw.standard_normal(len(time)) + 3e-4 * np.sin(2.0 * np.pi * 50.0 * time)
    return signal + np.where(on(time), louder, 0.0) + sum(thump(time, *one) for one in thumps)


@pytest.mark.parametrize("seed", [0, pytest.param(1, marks=pytest.mark.wide), pytest.param(2, marks=pytest.mark.wide)])
def test_thumps_are_found_where_they_are_and_nothing_else(seed):
    wanted = [(4.0, -0.3, 0.02), (8.0, 0.02, 0.002), (10.5, 0.8, 0.01)]
    found = find_switching(capture(*wanted, seed=seed), RATE_HZ)
    assert len(found.thumps) == 3
    assert found.changes == ()
    for one, (at_s, peak, decay_s) in zip(found.thumps, wanted, strict=True):
        assert one.time_s == pytest.approx(at_s, abs=2.0 / RATE_HZ)
        assert one.peak == pytest.approx(peak, abs=5.0 * 2e-4)  # noise of 0.2 mV: five deviations
        # It stands out until it has fallen to four usual peaks (3 · 0.2 mV each, of 120 samples).
        falls_s = decay_s * math.log(abs(peak) / (4.0 * 3.0 * 2e-4))
        assert one.duration_s == pytest.approx(falls_s, rel=0.4)
        # Mean over 0.1 s: its area over that time; the sum of samples has half a sample of the peak more.
        area = peak * decay_s * -math.expm1(-0.1 / decay_s) / 0.1
        assert one.dc_shift == pytest.approx(area + 0.5 * peak / (0.1 * RATE_HZ), abs=1e-5)


def test_a_step_of_dc_through_a_coupling_is_seen_in_part():
    """2 V through a first-order high-pass of 0.5 Hz (scipy's bilinear section): mean over the first 0.1 s in closed
    form, V·τ/0.1·(1 − exp(−0.1/τ)), τ = 1/(2π · 0.5 Hz).
    """
    time = time_s(8.0)
    warped = math.tan(math.pi * 0.5 / RATE_HZ)
    step = np.where(time >= 4.0, 2.0, 0.0)
    coupled = lfilter([1.0 / (1.0 + warped), -1.0 / (1.0 + warped)], [1.0, -(1.0 - warped) / (1.0 + warped)], step)
    found = find_switching(coupled + 2e-4 * np.random.default_rng(1).standard_normal(len(time)), RATE_HZ)
    tau_s = 1.0 / (2.0 * math.pi * 0.5)
    (one,) = found.thumps
    assert one.time_s == pytest.approx(4.0, abs=2.0 / RATE_HZ)
    assert one.dc_shift == pytest.approx(-2.0 * tau_s / 0.1 * math.expm1(-0.1 / tau_s), rel=1e-3)
    assert 0.8 * 2.0 < one.dc_shift < 2.0


@pytest.mark.parametrize("seed", [0, pytest.param(1, marks=pytest.mark.wide), pytest.param(2, marks=pytest.mark.wide)])
def test_a_relay_lets_more_be_heard_from_then_on(seed):
    found = find_switching(
        capture((4.0, -0.3, 0.002), (10.5, 0.8, 0.002), on=lambda t: (t < 4.0) | (t >= 10.8), seed=seed), RATE_HZ
    )
    off, on = found.changes
    assert off.time_s == pytest.approx(4.0, abs=0.05)  # hidden by the thump for some milliseconds
    assert on.time_s == pytest.approx(10.8, abs=0.02)
    assert off.after == pytest.approx(2e-4, rel=0.05)
    # Without hum's slow part: a block of 5 ms holds a quarter of its period.
    assert 2e-4 * math.sqrt(2.0) * 0.95 < on.after < math.sqrt(2.0 * 4e-8 + 0.5 * 9e-8)
    assert found.level_before == pytest.approx(found.level_after, rel=0.05)


def test_a_signal_that_begins_is_a_change_and_no_thump():
    time = time_s(10.0)
    music = np.where(time >= 6.0, 0.1 * np.sin(2.0 * np.pi * 440.0 * time), 0.0)
    found = find_switching(capture((5.2, 0.05, 0.002), seconds=10.0) + music, RATE_HZ)
    assert [round(one.time_s, 2) for one in found.changes] == [6.0]
    assert [round(one.time_s, 2) for one in found.thumps] == [5.2]


@pytest.mark.parametrize("hum", [0.0, 5e-3])
def test_noise_and_hum_alone_have_neither(hum):
    for seed in range(2):
        steady = capture(seconds=8.0, seed=seed) + hum * np.sin(2.0 * np.pi * 50.0 * time_s(8.0))
        found = find_switching(steady, RATE_HZ)
        assert found.thumps == ()
        assert found.changes == ()


@pytest.mark.wide
def test_an_hour_of_noise_has_no_thump():
    """720,000 blocks: a peak of four times the usual one is twelve deviations."""
    for seed in range(60):
        found = find_switching(capture(seconds=60.0, seed=seed), RATE_HZ)
        assert (found.thumps, found.changes) == ((), ())


def test_what_is_too_short_or_empty_is_refused():
    with pytest.raises(SignalError, match="at least 3 s"):
        find_switching(capture(seconds=2.0), RATE_HZ)
    with pytest.raises(SignalError, match="nothing but zeros"):
        find_switching(np.zeros(round(5 * RATE_HZ)), RATE_HZ)
    with pytest.raises(SignalError, match="one value throughout"):
        find_switching(np.full(round(5 * RATE_HZ), 2.0**-15), RATE_HZ)


def test_a_coarse_capture_that_rests_on_one_value_claims_no_silence():
    """A sixth of a step of noise hardly leaves its value, and its peaks are within half a step; rounding's r.m.s. is
    step/√12 (W. R. Bennett, Bell Syst. Tech. J. 27, 1948).
    """
    step = 2.0**-15
    coarse = np.rint(capture((4.0, 0.3, 0.002), seconds=8.0, noise=step / 6.0) / step) * step
    assert np.median(np.abs(coarse)) == 0.0
    found = find_switching(coarse, RATE_HZ, step=step)
    assert [round(one.time_s, 2) for one in found.thumps] == [4.0]
    assert found.changes == ()
    # What is at least half a step in every block can't be told from none, and four times that stands out.
    assert 2.0 * step <= found.smallest_peak <= 4.0 * step
    assert found.level_before == found.level_after == pytest.approx(step / math.sqrt(12.0))
