"""Hum in noise against closed forms: the Cramér-Rao bound, false alarms counted, levels that were put in."""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
import pytest
from reference_tables import rows

from audiomeas.analysis.hum import Hum, HumLine, HumOf, hum
from audiomeas.analysis.hum_signs import LOOP, RIPPLE, consistent_with, without_bench
from audiomeas.errors import SignalError

# The rate at which hum is looked at whatever the capture's rate is: trials cost less, and nothing else changes.
RATE_HZ, SECONDS = 3000, 10.0
#: Noise of 1 V r.m.s. from 20 Hz to 20 kHz (as good as 20,000 Hz wide), V²/Hz.
DENSITY = 1.0 / 20000.0
TRIALS = 200
#: Half of them in each run, within the same limits; all when the wider tests are asked for.
HALF_AND_ALL = pytest.mark.parametrize("count", [TRIALS // 2, pytest.param(TRIALS, marks=pytest.mark.wide)])


def noise(rng: np.random.Generator, seconds: float = SECONDS, rate_hz: int = RATE_HZ) -> np.ndarray:
    return rng.standard_normal(round(seconds * rate_hz)) * math.sqrt(DENSITY * rate_hz / 2)


def lines(rng: np.random.Generator, levels: dict[int, float], phase_turns: np.ndarray) -> np.ndarray:
    """phase_turns : (frames,) of the mains itself."""
    total = np.zeros(len(phase_turns))
    for multiple, level in levels.items():
        start = rng.uniform(0, 2 * np.pi)
        total += math.sqrt(2) * level * np.cos(2 * np.pi * multiple * phase_turns + start)
    return total


def steady(seconds: float, mains_hz: float, rate_hz: int = RATE_HZ) -> np.ndarray:
    return mains_hz * np.arange(round(seconds * rate_hz)) / rate_hz


def of(found: Hum, multiple: int) -> HumLine:
    return next(line for line in found.lines if line.multiple == multiple)


@cache
def trials(count: int) -> tuple[Any, ...]:
    """Two lines 20 dB below the noise in 20 Hz to 20 kHz, count times: (mains put in, what was found)."""
    rng = np.random.default_rng(4711)
    found = []
    for _ in range(count):
        nominal_hz = float(rng.choice([50.0, 60.0]))
        mains_hz = nominal_hz * (1 + rng.uniform(-0.009, 0.009))
        signal = noise(rng) + lines(rng, {1: 0.1, 2: 0.1}, steady(SECONDS, mains_hz))
        found.append((mains_hz, hum(signal, RATE_HZ, near_hz=nominal_hz)))
    return tuple(found)


def test_the_bound_of_the_closed_form_is_that_of_the_reference_table() -> None:
    # sinefit_crb.csv (Rife and Boorstyn 1974): sd of the amplitude in dB scales with 1/sqrt(SNR·N).
    row = next(row for row in rows("sinefit_crb.csv") if row["n_samples"] == "48000" and row["snr_db"] == "40")
    table_energy = 48000 * 10.0**4
    energy = 0.1**2 / (DENSITY * RATE_HZ / 2) * SECONDS * RATE_HZ
    scaled = float(row["sd_amplitude_db"]) * math.sqrt(table_energy / energy)
    assert scaled == pytest.approx(20 / math.log(10) * math.sqrt(1 / energy), rel=1e-3)
    assert scaled == pytest.approx(0.14, abs=0.005)  # the figure


def crb_level_db() -> float:
    energy = 0.1**2 / (DENSITY * RATE_HZ / 2) * SECONDS * RATE_HZ
    return 20 / math.log(10) * math.sqrt(1 / energy)


@HALF_AND_ALL
def test_levels_spread_by_no_more_than_a_fifth_over_the_bound(count: int) -> None:
    for multiple in (1, 2):
        level_db = [20 * math.log10(of(found, multiple).level_v_rms / 0.1) for _, found in trials(count)]
        assert not any(of(found, multiple).at_most for _, found in trials(count))
        # 200 trials tell a standard deviation within 5 %: the limit is 1.2, what is reached about 1.05.
        assert np.std(level_db) < 1.2 * crb_level_db()
        # The mean within 4 of its standard errors, and the square of the noise's part.
        assert abs(np.mean(level_db)) < 4 * crb_level_db() / math.sqrt(count) + 0.01


@HALF_AND_ALL
def test_the_mains_frequency_spreads_by_no_more_than_a_fifth_over_the_bound(count: int) -> None:
    # Several lines of one fundamental (Kay 1993, chapter 3): information adds with the square of the multiple.
    energy = 0.1**2 / (DENSITY * RATE_HZ / 2) * SECONDS * RATE_HZ
    bound_hz = math.sqrt(12 / ((2 * math.pi) ** 2 * energy * (1 + 4))) / SECONDS
    error_hz = np.array([(found.mains_hz or 0.0) - mains_hz for mains_hz, found in trials(count)])
    assert np.sqrt(np.mean(error_hz**2)) < 1.2 * bound_hz
    assert np.sqrt(np.mean(error_hz**2)) < 0.8e-3  # the figure


@HALF_AND_ALL
def test_stated_half_widths_hold_in_95_of_100(count: int) -> None:
    levels = [
        abs(of(found, multiple).level_v_rms - 0.1) <= of(found, multiple).uncertainty_v_rms
        for _, found in trials(count)
        for multiple in (1, 2)
    ]
    mains = [abs(found.mains_hz - mains_hz) <= found.mains_uncertainty_hz for mains_hz, found in trials(count)]
    # Binomial: 400 and 200 at 95 % scatter by 1.1 and 1.5 %; about three of those.
    assert 0.915 < np.mean(levels) < 0.985
    assert 0.905 < np.mean(mains) < 0.995


@HALF_AND_ALL
def test_nothing_is_added_to_the_lines_that_are_there(count: int) -> None:
    added = sum(len(found.present) - 2 for _, found in trials(count))
    # 18 multiples of 200 trials at 1e-5 each give 0.04.
    assert added <= 1


def shaped(rng: np.random.Generator, kind: str, seconds: float = SECONDS) -> np.ndarray:
    spectrum = np.fft.rfft(noise(rng, seconds))
    hz = np.fft.rfftfreq(round(seconds * RATE_HZ), 1 / RATE_HZ)
    if kind == "flicker":
        spectrum[1:] *= np.sqrt(1 + 500.0 / hz[1:])
    elif kind == "rumble":
        spectrum *= 1 + 30.0 / (1 + ((hz - 28.0) / 4.0) ** 2)
    return np.fft.irfft(spectrum)


@pytest.mark.parametrize("kind", ["white", "flicker", "rumble"])
def test_no_line_is_told_where_none_is(kind: str) -> None:
    rng = np.random.default_rng(81)
    alarms = sum(bool(hum(shaped(rng, kind), RATE_HZ).present) for _ in range(60))
    # 5 % is the most that may be; 600 trials of these kinds, once, gave below 1 %.
    assert alarms <= 3


def test_a_bound_holds_what_is_there_in_95_of_100() -> None:
    # A third line too weak to stand out: 2.5 times the noise's power in the line.
    rng = np.random.default_rng(5)
    weak = math.sqrt(2.5 * DENSITY / SECONDS)
    held = []
    for _ in range(80):
        signal = noise(rng) + lines(rng, {1: 0.1, 3: weak}, steady(SECONDS, 50.03))
        line = of(hum(signal, RATE_HZ, near_hz=50.0), 3)
        if line.at_most:
            held.append(line.level_v_rms >= weak)
    # Binomial, 80 at 95 %: 2.4 %; three of those.
    assert len(held) > 60
    assert np.mean(held) > 0.877


def test_a_mains_that_drifts_within_ten_seconds_loses_nothing_of_its_high_lines() -> None:
    # 20 mHz over the capture: the 20th multiple moves by four bins of its spectrum.
    rng = np.random.default_rng(12)
    time_s = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    turns = 50.02 * time_s + 0.02 / SECONDS * (time_s**2 / 2 - SECONDS / 2 * time_s)
    found = hum(noise(rng) + lines(rng, {2: 0.2, 10: 0.2, 20: 0.2}, turns), RATE_HZ)
    assert [line.multiple for line in found.present] == [2, 10, 20]
    # The spread at this level is 0.07 dB; four of them.
    for line in found.present:
        assert abs(20 * math.log10(line.level_v_rms / 0.2)) < 0.28
    assert found.mains_hz == pytest.approx(50.02, abs=3e-4)
    assert found.wander_hz == pytest.approx(0.02, abs=2e-3)


@cache
def wandering() -> tuple[np.ndarray, float]:
    """65 s of a mains that swings by 20 mHz in a minute, and its mean."""
    rng = np.random.default_rng(33)
    time_s = np.arange(round(65 * RATE_HZ)) / RATE_HZ
    wander = 0.01 * np.sin(2 * np.pi * time_s / 60.0)
    turns = np.cumsum(59.97 + wander) / RATE_HZ
    return noise(rng, 65) + lines(rng, {1: 0.1, 2: 0.2, 16: 0.05}, turns), 59.97 + float(np.mean(wander))


def test_a_long_capture_whose_mains_wanders_keeps_its_levels() -> None:
    signal, mean_hz = wandering()
    found = hum(signal, RATE_HZ)
    assert found.stretches == 6
    assert found.nominal_hz == 60.0
    assert found.mains_uncertainty_hz is not None
    # Half-widths are two standard deviations: four of them.
    assert found.mains_hz == pytest.approx(mean_hz, abs=found.mains_uncertainty_hz * 2)
    assert found.wander_hz == pytest.approx(0.02, abs=3e-3)
    assert [line.multiple for line in found.present] == [1, 2, 16]
    for multiple, level in ((1, 0.1), (2, 0.2), (16, 0.05)):
        assert of(found, multiple).level_v_rms == pytest.approx(level, abs=2 * of(found, multiple).uncertainty_v_rms)


def test_blocks_of_any_length_give_the_same_as_the_whole() -> None:
    rng = np.random.default_rng(3)
    rate_hz = 44100
    signal = noise(rng, 3.0, rate_hz) + lines(rng, {1: 0.2, 3: 0.1}, steady(3.0, 50.1, rate_hz))
    both = np.stack([signal, signal[::-1]], axis=1)
    watch = HumOf(rate_hz, 2)
    start = 0
    while start < len(both):
        stop = start + int(rng.integers(1, 9000))
        watch.add(both[start:stop])
        start = stop
    first, second = watch.result()
    for found, whole in ((first, hum(signal, rate_hz)), (second, hum(signal[::-1], rate_hz))):
        assert found.mains_hz == pytest.approx(whole.mains_hz, abs=1e-12)
        assert [one.level_v_rms for one in found.lines] == pytest.approx([one.level_v_rms for one in whole.lines], 1e-9)


@pytest.mark.parametrize("rate_hz", [8000, 44100, pytest.param(48000, marks=pytest.mark.wide), 192000])
def test_the_level_is_the_same_at_every_rate(rate_hz: int) -> None:
    rng = np.random.default_rng(rate_hz)
    put_in = {1: 0.5, 2: 0.25, 20: 0.125}
    signal = 1e-5 * rng.standard_normal(round(2.1 * rate_hz)) + lines(rng, put_in, steady(2.1, 60.5, rate_hz)) + 0.3
    found = hum(signal, rate_hz)
    assert [line.multiple for line in found.present] == [1, 2, 20]
    # The filter's pass band is flat within 1e-5 of its gain, and the noise is far below.
    for multiple, level in put_in.items():
        assert of(found, multiple).level_v_rms == pytest.approx(level, rel=3e-5)


def test_a_tone_left_on_is_no_hum_and_hides_none() -> None:
    rng = np.random.default_rng(8)
    tone = math.sqrt(2) * np.sin(2 * np.pi * 997.0 * np.arange(30000) / RATE_HZ)
    assert hum(noise(rng) + tone, RATE_HZ).mains_hz is None
    found = hum(noise(rng) + tone + lines(rng, {1: 0.1, 2: 0.1}, steady(SECONDS, 50.0)), RATE_HZ)
    assert [line.multiple for line in found.present] == [1, 2]


def test_too_short_silent_and_impossible_captures() -> None:
    assert hum(np.ones(100), 48000).too_short
    silent = hum(np.zeros(96000), 48000)
    assert silent.mains_hz is None
    assert silent.level_v_rms is None
    signal = np.zeros(96000)
    signal[500] = np.nan
    with pytest.raises(SignalError, match="no numbers"):
        hum(signal, 48000)
    with pytest.raises(SignalError, match="sample rate"):
        hum(np.zeros(96000), 0.0)
    with pytest.raises(SignalError, match="mains frequency"):
        HumOf(48000, 1, near_hz=5.0)


def told(levels: dict[int, float], mains_hz: float = 50.0, half: float = 0.001) -> Hum:
    made = tuple(
        HumLine(
            multiple=n,
            frequency_hz=n * mains_hz,
            level_v_rms=levels.get(n, 0.01),
            uncertainty_v_rms=half if n in levels else 0.0,
            at_most=n not in levels,
        )
        for n in range(1, 21)
    )
    return Hum(
        mains_hz=mains_hz,
        mains_uncertainty_hz=1e-3,
        nominal_hz=50.0,
        wander_hz=None,
        lines=made,
        stretches=1,
        duration_s=10.0,
    )


def test_patterns_are_consistent_with_causes_by_the_rules_of_the_bench() -> None:
    # 6 dB between the mains and twice the mains decides (common practice).
    assert consistent_with(told({1: 1.0, 2: 0.49})) == LOOP
    assert consistent_with(told({1: 0.49, 2: 1.0, 4: 0.3})) == RIPPLE
    assert consistent_with(told({1: 1.0, 2: 0.6})) not in (LOOP, RIPPLE, None)
    assert consistent_with(told({})) is None
    for words in (LOOP, RIPPLE):
        assert words.startswith("consistent with")
    assert told({1: 1.0, 2: 1.0, 3: 1.0}).odd_percent == pytest.approx(200 / 3)


def test_the_bench_is_taken_off_as_power_or_nothing_is_attributed() -> None:
    captured, bench = told({1: 1.0, 2: 1.0, 3: 1.0}), told({1: 0.1, 2: 0.8}, half=0.0)
    first, second, third = without_bench(captured, bench)
    assert first.attributable
    assert first.level_v_rms == pytest.approx(math.sqrt(1 - 0.01))
    # In step or against: from 0.9 to 1.1.
    assert first.level_v_rms - first.uncertainty_v_rms <= 0.9
    assert first.level_v_rms + first.uncertainty_v_rms >= 1.1
    # 1.9 dB apart: within 3 dB.
    assert not second.attributable
    assert second.at_most
    assert second.level_v_rms >= 1.8
    # The bench's bound of 0.01 is doubt, and takes nothing off.
    assert third.level_v_rms == 1.0
    assert third.uncertainty_v_rms == pytest.approx(0.011)
    other = without_bench(captured, told({1: 0.1}, mains_hz=60.0))
    assert not any(line.attributable for line in other)


@pytest.mark.parametrize(("over_db", "attributable"), [(2.9, False), (3.1, True)])
def test_within_3_db_of_the_bench_nothing_is_attributed(over_db: float, attributable: bool) -> None:
    (line,) = without_bench(told({1: 10 ** (over_db / 20)}), told({1: 1.0}, half=0.0))
    assert line.attributable is attributable
    if attributable:
        assert line.level_v_rms == pytest.approx(math.sqrt(10 ** (over_db / 10) - 1.0))  # powers differ
