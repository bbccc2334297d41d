"""Averages of windows of a tone: how far noise falls, what then shows, what the intervals hold, what is refused."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from tone_signals import db, series, sine

from audiomeas.analysis.averaging import allowed_left_over, coherent_mean, combined_as_powers, windows_of
from audiomeas.analysis.tone import ToneAnalysis, analyze_tone
from audiomeas.errors import SignalError

RATE_HZ = 48_000.0
FRAMES = 4800
#: 99 periods in a window of 0.1 s.
TONE_HZ = 990.0


def _noisy(count: int, deviation: float, seed: int, third: float = 0.0, frames: int = FRAMES) -> NDArray[np.float64]:
    signal = series({1: 1.0, 3: third}, TONE_HZ, RATE_HZ, count * frames)
    return signal + deviation * np.random.default_rng(seed).normal(size=count * frames)


def _coherent(signal: NDArray[np.float64], count: int, **changes: Any) -> ToneAnalysis:
    how: dict[str, Any] = {"near_hz": TONE_HZ, "harmonic_limit_hz": None, "shared_clock": True, **changes}
    mean = coherent_mean(signal, count, RATE_HZ, **how)
    return analyze_tone(mean, RATE_HZ, near_hz=TONE_HZ, spectrum_points=0)


def _powers(signal: NDArray[np.float64], count: int, **options: Any) -> ToneAnalysis:
    return combined_as_powers([analyze_tone(window, RATE_HZ, **options) for window in windows_of(signal, count)])


@pytest.mark.parametrize("count", [4, 16, 64])
def test_coherent_averaging_takes_10_lg_n_off_the_noise_and_power_averaging_nothing(count: int) -> None:
    """White noise of known size: σ²·(19,980/24,000) in the band, over n when averaged in time.

    A window of 0.1 s knows its noise in 2,000 bins to √(2.0/2,000) = 3 %, 0.14 dB; three times that is allowed.
    """
    deviation = 1e-3
    signal = _noisy(count, deviation, seed=count)
    in_band = deviation**2 * 19_980 / 24_000
    coherent, powers = _coherent(signal, count), _powers(signal, count)
    assert 10 * math.log10(coherent.noise.mean_square / (in_band / count)) == pytest.approx(0.0, abs=0.42)
    assert 10 * math.log10(powers.noise.mean_square / in_band) == pytest.approx(0.0, abs=0.42 / math.sqrt(count))
    # And the spread is said to be smaller by √n; each window knows its own to a few percent.
    one = analyze_tone(windows_of(signal, count)[0], RATE_HZ).noise.standard_deviation
    assert powers.noise.standard_deviation == pytest.approx(one / math.sqrt(count), rel=0.15)


def test_a_harmonic_below_the_noise_of_one_window_is_found_in_the_average() -> None:
    """Its line has 0.5 times the r.m.s. noise of one window's line, √(2σ²·ENBW/N); 4 times that of 64 windows."""
    deviation = 5e-3
    third = 0.5 * math.sqrt(2) * math.sqrt(2 * deviation**2 * 35 / 18 / FRAMES)
    signal = _noisy(64, deviation, seed=3, third=third)
    assert analyze_tone(windows_of(signal, 64)[0], RATE_HZ).harmonics.at_most[1]
    found = _coherent(signal, 64).harmonics
    assert not found.at_most[1]
    # 8.686/(√2·4) = 1.5 dB standard deviation.
    assert found.level_db[1] == pytest.approx(db(third), abs=3.0)
    assert 2.0 < found.uncertainty_db[1] < 4.5


def test_the_mean_of_powers_tells_a_harmonic_and_its_phase_better_than_one_window() -> None:
    deviation = 5e-3
    third = 3 * math.sqrt(2) * math.sqrt(2 * deviation**2 * 35 / 18 / FRAMES)
    signal = _noisy(64, deviation, seed=4, third=third)
    one, found = analyze_tone(windows_of(signal, 64)[0], RATE_HZ).harmonics, _powers(signal, 64).harmonics
    assert found.level_db[1] == pytest.approx(db(third), abs=0.8)  # 8.686/(√2·3·8) = 0.26 dB, three times
    assert found.uncertainty_db[1] == pytest.approx(one.uncertainty_db[1] / 8, rel=0.5)
    # It rises where the fundamental's sine does. 1/(√2·3·8) rad = 1.7 degrees, three times.
    assert found.phase_deg[1] == pytest.approx(0.0, abs=5.1)


def test_nothing_there_is_still_a_bound_in_the_mean_of_powers_and_a_lower_one() -> None:
    """Of 23 harmonics that are noise alone 5 % seem to be something: four or more of them once in forty times."""
    signal = _noisy(16, 1e-3, seed=5)
    one, found = analyze_tone(windows_of(signal, 16)[0], RATE_HZ).harmonics, _powers(signal, 16).harmonics
    assert np.count_nonzero(~found.at_most) <= 3
    both = one.at_most & found.at_most
    assert np.mean(found.level_db[both]) < np.mean(one.level_db[both]) - 1.0


@pytest.mark.parametrize(("kind", "trials", "least"), [
    ("coherent", 150, 0.905), pytest.param("coherent", 300, 0.918, marks=pytest.mark.wide),
    ("power", 75, 0.905), pytest.param("power", 150, 0.905, marks=pytest.mark.wide),
])  # fmt: skip
def test_the_intervals_hold_the_truth_95_times_in_100(kind: str, trials: int, least: float) -> None:
    """Four windows of 1,000 frames, 20 dB S/N. 300 trials know 95 % to 1.3 %, 150 to 1.8 %; 2.5 times that is let.

    Half of the trials are in each run, of the mean of powers held to the same limits.
    """
    held = dict.fromkeys(("level", "frequency", "residual"), 0)
    deviation, frames = math.sqrt(0.5 / 100), 1000
    for seed in range(trials):
        signal = sine(1008.0, RATE_HZ, 4 * frames, phase_deg=seed)
        signal += deviation * np.random.default_rng(seed).normal(size=4 * frames)
        if kind == "coherent":
            mean = coherent_mean(signal, 4, RATE_HZ, near_hz=1008.0, harmonic_limit_hz=3500.0, shared_clock=True)
            found = analyze_tone(mean, RATE_HZ, harmonic_limit_hz=3500.0, spectrum_points=0)
        else:
            found = _powers(signal, 4, harmonic_limit_hz=3500.0, spectrum_points=0)
        held["level"] += abs(found.level_rms - math.sqrt(0.5)) <= found.level_uncertainty
        held["frequency"] += abs(found.frequency_hz - 1008.0) <= found.frequency_uncertainty_hz
        truth = deviation**2 * 19_980 / 24_000 / (4 if kind == "coherent" else 1)
        assert found.residual is not None
        held["residual"] += abs(found.residual.mean_square - truth) <= 1.96 * found.residual.standard_deviation
    assert least <= held["level"] / trials <= 0.99
    assert least <= held["frequency"] / trials <= 0.99
    # A mean-square value of few bins is no normal variable: a little less is held (as for one window).
    assert least - 0.02 <= held["residual"] / trials <= 0.99


def test_hum_and_dc_are_combined_as_powers() -> None:
    signal = sine(TONE_HZ, RATE_HZ, 4 * 24_000) + sine(50.3, RATE_HZ, 4 * 24_000, peak=1e-3) + 0.02
    signal += 1e-6 * np.random.default_rng(1).normal(size=len(signal))
    found = _powers(signal, 4)
    assert found.dc == pytest.approx(0.02, abs=1e-7)
    (line,) = found.mains
    assert line.frequency_hz == pytest.approx(50.3, abs=0.01)
    assert line.level_rms == pytest.approx(1e-3 / math.sqrt(2), rel=1e-4)
    # The hum 470 bins away leaks 1e-3/(π·470) into the sine fit.
    assert found.level_rms == pytest.approx(math.sqrt(0.5), rel=7e-7)


def test_periods_that_are_not_whole_are_refused_with_the_way_out() -> None:
    with pytest.raises(SignalError, match=r"whole periods .* average powers"):
        _coherent(sine(993.0, RATE_HZ, 16 * FRAMES), 16)
    # Power averaging asks for none.
    found = _powers(sine(993.0, RATE_HZ, 16 * FRAMES), 16)
    assert found.frequency_hz == pytest.approx(993.0, abs=1e-6)


def test_a_foreign_clock_must_prove_whole_periods_by_its_frequency() -> None:
    clean = {"shared_clock": False}
    assert _coherent(_noisy(16, 1e-5, seed=1), 16, **clean).level_rms == pytest.approx(math.sqrt(0.5), rel=1e-6)
    with pytest.raises(SignalError, match="don't share a clock"):
        _coherent(sine(TONE_HZ * (1 + 30e-6), RATE_HZ, 16 * FRAMES), 16, **clean)
    # So noisy that the frequency proves nothing: trusted on one clock, not on two.
    noisy = _noisy(16, 1.0, seed=2)
    assert _coherent(noisy, 16).level_rms == pytest.approx(math.sqrt(0.5), rel=0.05)
    with pytest.raises(SignalError, match="don't share a clock"):
        _coherent(noisy, 16, **clean)


@pytest.mark.parametrize(("count", "order"), [(2, 1), (16, 24), (1000, 5)])
def test_what_is_let_through_costs_the_highest_harmonic_a_hundredth_of_a_decibel(count: int, order: int) -> None:
    """Summed as vectors, one by one."""
    turns = order * allowed_left_over(count, order) * np.arange(count)
    length = abs(np.mean(np.exp(2j * np.pi * turns)))
    assert db(length) == pytest.approx(-0.01, rel=0.01)


def test_too_short_for_so_many_windows() -> None:
    with pytest.raises(SignalError, match="capture longer"):
        windows_of(np.zeros(10), 11)
    with pytest.raises(SignalError, match="periods"):
        _powers(sine(TONE_HZ, RATE_HZ, 4800), 20)
