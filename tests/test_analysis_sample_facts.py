"""Facts about samples: counted by itertools and by hand, whole and in blocks."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from audiomeas.analysis.sample_facts import ZERO_RUN_S, SampleFactsOf, sample_facts
from audiomeas.errors import SignalError

RATE_HZ = 8000.0
LEAST = round(ZERO_RUN_S * RATE_HZ)


def runs(true, least):
    lengths = [len(list(group)) for value, group in itertools.groupby(true) if value]
    return [length for length in lengths if length >= least]


def torn(seed, frames=5000):
    """Integers with stretches of exact zeros and of the end code, some across each other."""
    generator = np.random.default_rng(seed)
    signal = np.round(generator.standard_normal(frames) * 2)
    for _ in range(6):
        at = int(generator.integers(0, frames))
        signal[at : at + int(generator.integers(1, 400))] = 0.0
    for _ in range(4):
        at = int(generator.integers(0, frames))
        signal[at : at + int(generator.integers(1, 6))] = 40.0
    return signal


@pytest.mark.parametrize("seed", range(20))
def test_runs_are_those_of_itertools(seed):
    signal = torn(seed)
    (found,) = sample_facts(signal[:, None], RATE_HZ, full_scale=40.0)
    zeros, full = runs(signal == 0, LEAST), runs(signal >= 40, 2)
    assert found.zero_runs == len(zeros)
    assert found.zero_share == pytest.approx(sum(zeros) / len(signal), rel=1e-12)
    assert found.longest_zero_run_s == pytest.approx(max(zeros, default=0) / RATE_HZ)
    assert found.over_range_runs == len(full)
    assert found.at_full_scale == int(np.sum(signal >= 40))
    assert found.mean == pytest.approx(float(np.mean(signal)), rel=1e-12)
    assert (found.peak, found.smallest_step) == (40.0, 1.0)


@pytest.mark.parametrize("seed", range(20))
def test_blocks_give_the_same(seed):
    signal = np.stack([torn(seed), torn(seed + 100)], axis=1)
    whole = sample_facts(signal, RATE_HZ, full_scale=40.0)
    cutter, one, at = np.random.default_rng(seed), SampleFactsOf(RATE_HZ, 2, full_scale=40.0), 0
    while at < len(signal):
        size = int(cutter.integers(0, 300))
        one.add(signal[at : at + size])
        at += size
    for got, wanted in zip(one.result(), whole, strict=True):
        assert got.mean == pytest.approx(wanted.mean, rel=1e-12, abs=1e-15)
        assert (got.zero_runs, got.zero_share, got.longest_zero_run_s) == (
            wanted.zero_runs,
            wanted.zero_share,
            wanted.longest_zero_run_s,
        )
        assert (got.at_full_scale, got.over_range_runs, got.flat_tops, got.peak) == (
            wanted.at_full_scale,
            wanted.over_range_runs,
            wanted.flat_tops,
            wanted.peak,
        )


def test_noise_is_neither_gated_nor_clipped():
    """16-bit idle noise of half a step is 0 most of the time, and met its largest value often: that is no fault."""
    generator = np.random.default_rng(1)
    coarse = np.round(0.5 * generator.standard_normal((80_000, 1)))
    fine = generator.standard_normal((80_000, 1))
    for signal in (coarse, fine, np.round(300 * fine)):
        (found,) = sample_facts(signal, RATE_HZ)
        assert not found.is_gated
        assert not found.is_clipped
        assert not found.is_silent


def test_a_gate_and_silence():
    signal = np.random.default_rng(2).standard_normal((80_000, 1))
    signal[20_000:60_000] = 0.0
    (gated,) = sample_facts(signal, RATE_HZ)
    assert gated.is_gated
    assert gated.zero_share == pytest.approx(0.5, abs=1e-4)
    assert gated.longest_zero_run_s == pytest.approx(5.0, abs=1e-3)
    (silent,) = sample_facts(np.zeros((80_000, 1)), RATE_HZ)
    assert silent.is_silent
    assert not silent.is_gated
    assert not silent.is_clipped
    assert (silent.zero_share, silent.smallest_step) == (1.0, None)


@pytest.mark.parametrize("full_scale", [1.0, None])
def test_clipping_at_full_scale_and_below(full_scale):
    signal = np.clip(np.random.default_rng(3).standard_normal((80_000, 1)), -1.0, 0.8)
    (found,) = sample_facts(signal, RATE_HZ, full_scale=full_scale)
    assert found.is_clipped
    # 16 % lie below −1: 12,693 samples of 80,000, standard deviation 103.
    assert found.at_full_scale == (pytest.approx(12_693, abs=500) if full_scale else 0)
    # Pairs: 2.5 % at the bottom, 4.5 % (21.2 % squared) at the top.
    assert found.flat_tops == pytest.approx(80_000 * (0.1587**2 + 0.2119**2), rel=0.08)


def test_dc_is_the_mean():
    (found,) = sample_facts(np.full((1000, 1), -0.25), RATE_HZ)
    assert (found.mean, found.peak, found.frames) == (-0.25, 0.25, 1000)


def test_nothing_is_refused():
    with pytest.raises(SignalError):
        SampleFactsOf(RATE_HZ, 1).result()
    for bad in (0.0, math.nan, -1.0):
        with pytest.raises(ValueError):
            SampleFactsOf(RATE_HZ, 1, full_scale=bad)
