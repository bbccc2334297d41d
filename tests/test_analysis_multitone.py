"""Multitone analysis: gains, leakage, distortion and noise that were put in come out, on one clock and on another."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest

from audiomeas.analysis.multitone import analyze_multitone, time_scale
from audiomeas.errors import SignalError
from audiomeas.stimulus import Multitone

RATE_HZ = 48_000.0
FRAMES = 48_000


@functools.cache
def many():
    """Made once: the search for phases takes a while."""
    return Multitone.low_crest(level_v_rms=1.0, sample_rate_hz=RATE_HZ, tones=20)


def played(channel, scale=1.0, frames=FRAMES, gain=lambda hz: 1.0):
    """A channel's tones by their own formula, each with a gain, as a clock sees them that is off by a factor."""
    total = np.zeros(frames)
    at = channel - 1
    for hz, phase_deg in zip(many().tones_hz[at], many().phases_deg[at], strict=True):
        turns = np.remainder(np.arange(frames) * (hz * scale / RATE_HZ), 1.0) + phase_deg / 360.0
        total += gain(hz) * math.sqrt(2.0) * many().tone_v_rms(channel) * np.cos(2 * np.pi * turns)
    return total


def tilt(hz):
    return 2.0 / math.sqrt(1.0 + (hz / 30_000.0) ** 2)


def leak(hz):
    return 1e-3 * hz / 1000.0


def analysed(signal, scale=1.0, **rest):
    return analyze_multitone(
        signal, RATE_HZ, own_hz=many().tones_of(1), other_hz=many().tones_of(2), scale=scale, **rest
    )


def test_the_formula_is_the_stimulus():
    (window,) = many().windows()
    assert played(1) == pytest.approx(many().channel_samples_v(1)[window.start : window.stop], abs=1e-11)


@pytest.mark.parametrize(("scale", "frames"), [(1.0, FRAMES), (1.0002, FRAMES), (0.9998, 47_111), (1.013, 60_000)])
def test_gain_and_leakage_that_were_put_in(scale, frames):
    signal = played(1, scale, frames, tilt) + played(2, scale, frames, leak)
    fitted = 1.0 if scale == 1.0 else time_scale(signal, RATE_HZ, many().tones_of(1))
    # The time base from twenty tones without noise; the other channel's are the only disturbance.
    assert fitted == pytest.approx(scale, rel=1e-9)
    found = analysed(signal, fitted)
    assert found.on_bins == (scale == 1.0)
    own = np.array([tilt(hz) for hz in many().tones_of(1)]) * many().tone_v_rms(1)
    other = np.array([leak(hz) for hz in many().tones_of(2)]) * many().tone_v_rms(2)
    # Rounding on bins; with another clock the fit of the lines leaves out what is 148 dB below a neighbour.
    assert found.own.level_rms == pytest.approx(own, rel=1e-10 if scale == 1.0 else 1e-7)
    assert found.other.level_rms == pytest.approx(
        other, rel=1e-9, abs=1e-12 if scale == 1.0 else 10 ** (-148 / 20) * np.max(own)
    )
    assert not np.any(found.other.at_most)
    assert found.own.frequency_hz == pytest.approx(np.array(many().tones_of(1)) * scale, rel=1e-9)


@pytest.mark.parametrize("scale", [1.0, 1.0002])
def test_noise_between_the_tones(scale):
    """White noise of 1 mV: in 20 Hz to 20 kHz √(19,980/24,000) of it, within what 20,000 bins can tell."""
    generator = np.random.default_rng(17)
    signal = played(1, scale) + 1e-3 * generator.standard_normal(FRAMES)
    found = analysed(signal, 1.0 if scale == 1.0 else time_scale(signal, RATE_HZ, many().tones_of(1)))
    wanted = 1e-3 * math.sqrt(19_980 / 24_000)
    in_band = many().tone_v_rms(1) * math.sqrt(sum(hz >= 20.0 for hz in many().tones_of(1)))
    # A mean of 19,980 exponential values is known to 0.7 %, its root to 0.35 % (0.5 % under a window): four of them.
    assert math.sqrt(found.between.mean_square) == pytest.approx(wanted, rel=0.02)
    assert found.between_ratio == pytest.approx(wanted / math.hypot(wanted, in_band), rel=0.02)
    said = found.between.standard_deviation / found.between.mean_square
    assert said == pytest.approx(1 / math.sqrt(19_980), rel=0.15) or scale != 1.0


def test_distortion_between_the_tones_is_exact_on_bins():
    """Truth: numpy's transform of the same samples, all bins in band but the tones'."""
    x = played(1)
    y = x + 0.01 * x**2 + 0.02 * x**3
    found = analysed(y)
    bins = np.abs(np.fft.rfft(y)) ** 2 * 2 / FRAMES**2
    tones = [round(hz) for hz in (*many().tones_of(1), *many().tones_of(2))]
    band = np.zeros(len(bins))
    band[20:20_001] = 1.0
    band[[20, 20_000]] = 0.5  # a bin on an edge counts half
    own = bins[[hz for hz in map(round, many().tones_of(1)) if 20 <= hz <= 20_000]]
    rest = bins.copy()
    rest[tones] = 0.0
    between = float(np.sum(rest * band))
    # What is filled in under 40 tones, from their neighbours, is all that differs.
    assert found.between.mean_square == pytest.approx(between, rel=2e-3)
    assert found.total_mean_square == pytest.approx(between + float(np.sum(own)), rel=1e-5)
    # And none of it poses as leakage: the other channel's tones are where no second or third-order product falls.
    assert np.max(found.other.level_rms) < 1e-2 * math.sqrt(between)
    assert np.max(bins[[round(hz) for hz in many().tones_of(2)]]) < 1e-24


def test_distortion_between_the_tones_with_another_clock():
    """A handful of lines that stand apart, at any frequency: their powers add, within the window's small coupling."""
    tones = sorted((*many().tones_of(1), *many().tones_of(2)))
    lines = {0.5 * (tones[at] + tones[at + 1]) + 0.3: peak for at, peak in ((20, 1e-3), (25, 2e-3), (33, 5e-4))}
    signal = played(1, 1.0001)
    for hz, peak in lines.items():
        signal += peak * np.cos(2 * np.pi * hz / RATE_HZ * np.arange(FRAMES))
    found = analysed(signal, time_scale(signal, RATE_HZ, many().tones_of(1)))
    assert found.between.mean_square == pytest.approx(sum(peak**2 / 2 for peak in lines.values()), rel=1e-3)


def test_leakage_below_the_noise_is_a_limit_that_holds():
    generator = np.random.default_rng(5)
    bounded, held, tones = 0, 0, 0
    for _ in range(10):
        signal = played(1) + 1e-6 * played(2) + 1e-3 * generator.standard_normal(FRAMES)
        other = analysed(signal).other
        bounded += int(np.count_nonzero(other.at_most))
        held += int(np.count_nonzero(other.level_rms + other.uncertainty >= 1e-6 * many().tone_v_rms(2)))
        tones += len(other.at_most)
        # The limit is of the size of the noise in a bin of 1 Hz, not of nothing and not of everything.
        assert np.max(other.level_rms) < 10 * 1e-3 / math.sqrt(24_000)
    # 5 % of noise looks like something: of 200, four standard deviations.
    assert bounded >= 0.95 * tones - 13
    assert held >= 0.98 * tones


def test_an_undriven_channel_has_leakage_only():
    found = analyze_multitone(played(2, gain=leak), RATE_HZ, own_hz=(), other_hz=many().tones_of(2))
    wanted = np.array([leak(hz) for hz in many().tones_of(2)]) * many().tone_v_rms(2)
    assert found.other.level_rms == pytest.approx(wanted, rel=1e-9)
    assert len(found.own.level_rms) == 0


def test_gain_and_dc_leave_ratios_alone_and_the_input_is_kept():
    generator = np.random.default_rng(2)
    signal = played(1) + 1e-4 * generator.standard_normal(FRAMES)
    before = signal.copy()
    one, other = analysed(signal), analysed(-3.0 * signal + 0.2)
    assert np.array_equal(signal, before)
    assert other.between_ratio == pytest.approx(one.between_ratio, rel=1e-9)
    assert other.own.level_rms == pytest.approx(3.0 * one.own.level_rms, rel=1e-9)


@pytest.mark.parametrize(
    ("signal", "words"),
    [
        (np.zeros(FRAMES), "silence"),
        (np.full(FRAMES, 0.5), "silence, only DC"),
        (np.where(np.arange(FRAMES) == 5, np.nan, 0.1), "no numbers"),
        (np.random.default_rng(9).standard_normal(FRAMES), "don't stand out"),
        (np.zeros(0), "nothing"),
        (np.ones((FRAMES, 2)), "one channel"),
        (np.random.default_rng(9).standard_normal(9_600), "periods of the lowest tone"),
        (np.random.default_rng(9).standard_normal(19_200), "too close together"),
    ],
)
def test_bad_signals_are_refused(signal, words):
    with pytest.raises(SignalError, match=words):
        analysed(signal)


def test_another_multitone_is_refused():
    other = Multitone.low_crest(level_v_rms=1.0, sample_rate_hz=RATE_HZ, tones=7)
    (window,) = other.windows()
    noise = 1e-6 * np.random.default_rng(4).standard_normal(FRAMES)
    with pytest.raises(SignalError, match="don't stand out"):
        analysed(other.channel_samples_v(1)[window.start : window.stop] + noise)


def test_tones_beyond_the_rate_are_refused():
    with pytest.raises(SignalError, match="too near to half the sample rate"):
        analyze_multitone(played(1), 30_000.0, own_hz=many().tones_of(1))
