"""Idle noise and the weighted residual of a tone, against closed forms of white noise and of single lines."""

from __future__ import annotations

import math

import numpy as np
import pytest

from audiomeas.analysis.idle_noise import idle_noise
from audiomeas.analysis.tone import analyze_tone
from audiomeas.errors import SignalError

RATE_HZ = 48_000.0


def first_order(frequency_hz):
    """Return the power gain of a first-order low-pass at 1 kHz: its noise bandwidth to f is f0·arctan(f/f0)."""
    return 1.0 / (1.0 + (np.asarray(frequency_hz) / 1000.0) ** 2)


def flat(frequency_hz):
    return np.ones_like(frequency_hz)


GAINS = {"flat": flat, "low": first_order}


def read(signal, **changes):
    return idle_noise(
        signal, RATE_HZ, **{"band_hz": (20.0, 20_000.0), "weightings": GAINS, "resolution": None, **changes}
    )


def test_white_noise_reads_as_its_noise_bandwidth():
    noise = np.random.default_rng(1).standard_normal(4 * 48_000) + 0.3  # DC is no noise
    found = read(noise)
    low = 1000.0 * (math.atan(20.0) - math.atan(0.02))
    # Four seconds leave 1.2/√(4·bandwidth) of the power: 0.4 % and 1.6 %.
    assert found["flat"].mean_square == pytest.approx(19_980.0 / 24_000.0, rel=0.015)
    assert found["low"].mean_square == pytest.approx(low / 24_000.0, rel=0.06)
    assert not found["flat"].at_most


def test_the_standard_deviation_is_that_of_repeated_captures():
    generator = np.random.default_rng(2)
    found = [read(generator.standard_normal(24_000))["low"] for _ in range(80)]
    spread = np.std([one.mean_square for one in found])
    # The standard deviation of 80 values is itself known to 8 %.
    assert np.mean([one.standard_deviation for one in found]) == pytest.approx(spread, rel=0.25)


def test_hum_counts_with_the_gain_where_it_stands():
    time = np.arange(4 * 48_000) / RATE_HZ
    signal = 1e-6 * np.random.default_rng(1).standard_normal(len(time))
    for multiple, peak in ((1, 2e-3), (3, 1e-3), (20, 4e-3)):
        signal += peak * np.sin(2.0 * np.pi * 50.007 * multiple * time + multiple)
    found = read(signal)
    expected = {"flat": 0.0, "low": 0.0}
    for multiple, peak in ((1, 2e-3), (3, 1e-3), (20, 4e-3)):
        expected["flat"] += peak**2 / 2.0
        expected["low"] += peak**2 / 2.0 / (1.0 + (0.050007 * multiple) ** 2)
    for name, value in expected.items():
        assert found[name].mean_square == pytest.approx(value, rel=1e-4)  # noise adds 8e-8 of it
        assert found[name].standard_deviation < 1e-3 * value


def test_rounding_sets_the_bound_of_digital_silence():
    step = 1e-4
    found = read(np.zeros(48_000), resolution=step)["flat"]
    assert found.at_most
    # q²/12 spread over half the rate (Bennett), 20 Hz to 20 kHz of it; the bound is a one-sided 95 % above.
    inside = step**2 / 12.0 * 19_980.0 / 24_000.0
    assert inside <= found.stated <= 2.0 * inside


@pytest.mark.parametrize(
    ("signal", "changes", "words"),
    [
        (np.zeros(48_000), {}, "digital silence"),
        (np.ones(1000), {}, "too short"),
        (np.full(48_000, math.nan), {}, "no numbers"),
        (np.zeros(0), {}, "too short"),
    ],
)
def test_what_can_not_be_told_is_refused(signal, changes, words):
    with pytest.raises(SignalError, match=words):
        read(signal, **changes)


def test_what_a_tone_leaves_is_weighted_line_by_line():
    time = np.arange(2 * 48_000) / RATE_HZ
    signal = np.sin(2.0 * np.pi * 997.0 * time) + 1e-3 * np.sin(2.0 * np.pi * 2991.0 * time + 1.0)
    signal += 1e-4 * np.sin(2.0 * np.pi * 7432.1 * time)  # no harmonic
    signal += 1e-8 * np.random.default_rng(1).standard_normal(len(time))
    found = analyze_tone(signal, RATE_HZ, weightings=GAINS)
    assert found.residual is not None
    expected = 1e-6 / 2.0 / (1.0 + 2.991**2) + 1e-8 / 2.0 / (1.0 + 7.4321**2)
    # The free line counts by its bins, a few half hertz wide: their mean weight is its own to 1e-6; noise adds 1e-9.
    assert found.weighted["low"].mean_square == pytest.approx(expected, rel=1e-4)
    assert found.weighted["flat"].mean_square == pytest.approx(found.residual.mean_square, rel=1e-12)
