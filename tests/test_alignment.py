"""Alignment and continuity: whole and fractional delays put in by an FFT phase shift, breaks put in by hand."""

from __future__ import annotations

import numpy as np
import pytest

from audiomeas.analysis.alignment import find
from audiomeas.analysis.continuity import (
    hum_beside,
    level_drift,
    longest_gap,
    longest_zero_run,
    one_frame_rad,
    tone_breaks,
)
from audiomeas.stimulus.marker import marker

RATE_HZ = 48_000.0


def delayed(samples, delay, length):
    """Delay by any number of frames, exactly for band-limited signals: a linear phase in the frequency domain."""
    padded = np.zeros(length)
    padded[: len(samples)] = samples
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(length) * delay)
    return np.fft.irfft(np.fft.rfft(padded) * turn, length)


@pytest.mark.parametrize("delay", [0, 1, 1025, 7777])
@pytest.mark.parametrize("sign", [1, -1])
def test_whole_delays_are_exact(delay, sign):
    chirp = marker(RATE_HZ)
    signal = np.zeros(24_000)
    signal[delay : delay + len(chirp)] = sign * 0.25 * chirp
    found = find(signal, chirp)
    assert round(found.frame) == delay
    assert found.frame == pytest.approx(delay, abs=0.01)
    assert found.gain == pytest.approx(sign * 0.25, rel=1e-9)
    assert found.certain


@pytest.mark.parametrize("delay", [1000.25, 1000.5, 1000.75])
def test_fractional_delays(delay):
    found = find(delayed(marker(RATE_HZ), delay, 24_000), marker(RATE_HZ))
    # The parabola through three values of the correlation of this chirp is good to a few hundredths of a frame.
    assert found.frame == pytest.approx(delay, abs=0.05)


def test_found_far_below_the_noise_and_not_found_in_noise_alone():
    rng = np.random.default_rng(11)
    chirp = marker(RATE_HZ)
    noise = rng.normal(size=48_000)
    buried = noise.copy()
    buried[20_000 : 20_000 + len(chirp)] += 0.5 * chirp  # −9 dB: only the filter's 30 dB of gain shows it
    assert find(buried, chirp).frame == pytest.approx(20_000, abs=2)
    assert find(buried, chirp).certain
    assert not find(noise, chirp).certain
    assert not find(np.zeros(48_000), chirp).certain


def test_a_tone_is_not_a_marker():
    tone = np.sin(2 * np.pi * 1000 / RATE_HZ * np.arange(48_000))
    assert not find(tone, marker(RATE_HZ)).certain


def steady(frequency_hz=997.0, seconds=2.0):
    return np.sin(2 * np.pi * frequency_hz / RATE_HZ * np.arange(round(seconds * RATE_HZ)))


@pytest.mark.parametrize("frequency_hz", [20.0, 997.0, 15_000.0])
@pytest.mark.parametrize("snr_db", [20, 40, 80])
def test_clean_tones_have_no_breaks(frequency_hz, snr_db):
    rng = np.random.default_rng(5)
    for _ in range(20):
        signal = steady(frequency_hz) + rng.normal(size=96_000) * 10 ** (-snr_db / 20) / np.sqrt(2)
        assert tone_breaks(signal, RATE_HZ, frequency_hz) == ()


@pytest.mark.parametrize("lost", [5, 16, 64, 500])
def test_lost_frames_are_a_phase_jump(lost):
    signal = steady()
    broken = np.concatenate([signal[:40_000], signal[40_000 + lost :]])
    kinds = {one.kind for one in tone_breaks(broken, RATE_HZ, 997.0)}
    assert "phase" in kinds


def test_a_level_step_is_told_apart_from_lost_frames():
    signal = steady()
    # The step stands where a block of 50 ms begins, so that one difference shows all of it.
    signal[50_400:] *= 10 ** (-0.5 / 20)
    breaks = tone_breaks(signal, RATE_HZ, 997.0)
    assert {one.kind for one in breaks} == {"level"}
    assert sum(one.size for one in breaks) == pytest.approx(-0.5, abs=0.02)


def test_a_tone_slightly_off_is_not_a_jump():
    assert tone_breaks(steady(997.3), RATE_HZ, 997.0) == ()


@pytest.mark.parametrize("frequency_hz", [20.0, 100.0, 997.0, 5000.0, 15_000.0])
def test_one_lost_frame_is_found_at_the_finer_limit(frequency_hz):
    """80 dB above noise, lost anywhere in a block; the same tone whole has none."""
    rng = np.random.default_rng(7)
    limit = one_frame_rad(RATE_HZ, frequency_hz)
    for at in (30_000, 40_321, 61_207):
        signal = steady(frequency_hz) + rng.normal(size=96_000) * 1e-4 / np.sqrt(2)
        assert tone_breaks(signal, RATE_HZ, frequency_hz, phase_jump_rad=limit) == ()
        found = tone_breaks(np.delete(signal, at), RATE_HZ, frequency_hz, phase_jump_rad=limit)
        assert any(one.kind == "phase" for one in found)
        # Blocks are 50 ms, or four periods.
        block = max(2400, 4 * RATE_HZ / frequency_hz)
        assert min(abs(one.frame - at) for one in found) <= block


def test_the_drift_of_a_level():
    """A straight line from 1.1 to 0.9 around its mean; blocks of 50 ms of 2 s stay 2.5 % of it away from its ends."""
    noise = np.random.default_rng(7).normal(size=96_000)
    drifting = steady() * np.linspace(1.1, 0.9, 96_000)
    assert level_drift(drifting + 1e-3 * noise, RATE_HZ, 997.0) == pytest.approx((0.0975, 0.0975), abs=0.002)
    assert level_drift(steady() + 0.1 * noise, RATE_HZ, 997.0) == (0.0, 0.0)
    assert level_drift(steady()[:4000], RATE_HZ, 997.0) == (0.0, 0.0)


def test_zero_runs():
    signal = steady()
    assert longest_zero_run(signal)[1] <= 1
    signal[30_000:30_050] = 0
    assert longest_zero_run(signal) == (30_000, 50)
    assert longest_zero_run(np.zeros(100)) == (0, 0)


def test_a_gap_is_told_from_a_dead_band():
    time = np.arange(48_000)
    signal = np.sin(2 * np.pi * 40.0 / 48_000 * time + 0.1)
    # Half-width 0.5: 200 frames of exact zeros twice in each of forty periods.
    dead = signal - np.clip(signal, -0.5, 0.5)
    assert longest_zero_run(dead)[1] == pytest.approx(1200 / 6, abs=2)
    assert longest_gap(dead) == (0, 0)
    for whole, start, length in ((signal, 30_000, 32), (dead, 20_000, 1500)):
        broken = whole.copy()
        broken[start : start + length] = 0.0
        at, found = longest_gap(broken)
        assert at <= start
        assert at + found >= start + length
    assert longest_gap(np.concatenate([signal[:100], np.zeros(31), signal[:100] + 2.0])) == (0, 0)


@pytest.mark.parametrize("phase", [0.0, 1.0, 2.0, 3.0])
@pytest.mark.parametrize("away_hz", [5.0, 10.0, 15.0, 25.0])
def test_hum_beside_a_tone_is_no_break(away_hz, phase):
    # 1 % of hum in 0.4 s: blocks of 50 ms can't tell the two apart, and the beat is as regular as the blocks.
    time = np.arange(19_200) / 48_000
    signal = np.sin(2 * np.pi * 130.0 * time) + 0.01 * np.sin(2 * np.pi * (130.0 + away_hz) * time + phase)
    beside = hum_beside(130.0, 0.5**0.5, [(130.0 + away_hz, 0.01 * 0.5**0.5), (50.0, 9.0)])
    assert beside == pytest.approx(0.01)
    limits = {"phase_jump_rad": one_frame_rad(48_000, 130.0), "beside": beside}
    assert not tone_breaks(signal, 48_000, 130.0, **limits)
    # 17 frames turn the tone by 0.29 rad.
    assert tone_breaks(np.delete(signal, range(7_000, 7_017)), 48_000, 130.0, **limits)
