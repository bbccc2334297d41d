"""Readings of a moment. Truth: Fourier sums of numpy, the closed form of a clipped sine, seeded noise."""

from __future__ import annotations

import math

import numpy as np
import pytest

from audiomeas.analysis.tone_reading import HIGHEST_ORDER, read_tone, reading_frames, tone_amplitude

RATE_HZ = 96_000.0


def moment(frequency_hz, wave, rate_hz=RATE_HZ, noise=0.0, seed=1):
    """A window of a periodic wave, given as a function of the phase in radians."""
    frames = reading_frames(frequency_hz, rate_hz)
    phase = 2.0 * np.pi * np.remainder(np.arange(frames) * frequency_hz / rate_hz, 1.0)
    return wave(phase) + noise * np.random.default_rng(seed).standard_normal(frames)


@pytest.mark.parametrize("frequency_hz", [20.0, 997.0, 6000.0])
def test_level_harmonics_and_ratios(frequency_hz):
    """By construction: 2nd −40 dB, 3rd −60 dB, 5th −80 dB; noise far below."""

    def wave(phase):
        return np.sqrt(2.0) * (np.sin(phase) + 0.01 * np.sin(2 * phase + 1) + 1e-3 * np.sin(3 * phase)
                               + 1e-4 * np.sin(5 * phase + 2))  # fmt: skip

    reading = read_tone(moment(frequency_hz, wave, noise=1e-6), RATE_HZ, near_hz=frequency_hz)
    assert reading.level_rms == pytest.approx(1.0, rel=1e-5)
    assert [order for order, _ in reading.largest] == [2, 3]
    # 0.01 dB: noise of 1e-6 over a line of 1e-3 in 19,200 frames moves it by a thousandth of that.
    assert [level_db for _, level_db in reading.largest] == pytest.approx([-40.0, -60.0], abs=0.01)
    squares = 0.01**2 + 1e-3**2 + 1e-4**2
    assert reading.thd_ratio == pytest.approx(math.sqrt(squares), rel=1e-4)
    in_band = [k for k in (2, 3, 5) if k * frequency_hz <= 20_000.0]
    rest = sum(0.01 ** (2 * (k == 2)) * 1e-3 ** (2 * (k == 3)) * 1e-4 ** (2 * (k == 5)) for k in in_band)
    assert reading.thd_n_ratio == pytest.approx(math.sqrt(rest / (1.0 + rest)), rel=1e-3)


@pytest.mark.parametrize("overdrive_db", [0.1, 0.3, 1.0, 3.0])
@pytest.mark.parametrize("half", ["both", "upper"])
def test_flatness_of_a_clipped_sine(overdrive_db, half):
    """Truth: one period of the clipped sine in 2^14 points, its Fourier sum up to the 20th harmonic, by numpy's FFT."""
    peak = 10.0 ** (overdrive_db / 20.0)

    def wave(phase):
        return np.clip(peak * np.sin(phase), -1.0 if half == "both" else -9.0, 1.0)

    lines = np.fft.rfft(wave(2.0 * np.pi * np.arange(1 << 14) / (1 << 14)))
    lines[0] = 0.0
    lines[HIGHEST_ORDER + 1 :] = 0.0
    period = np.fft.irfft(lines)
    fundamental = 2.0 * abs(lines[1]) / (1 << 14)
    reading = read_tone(moment(997.0, wave), RATE_HZ, near_hz=997.0)
    # 0.01 dB: sampling folds what lies beyond 48 kHz back onto no harmonic, but near some; and 320 points a period.
    assert reading.upper_flat_db == pytest.approx(20.0 * math.log10(fundamental / np.max(period)), abs=0.01)
    assert reading.lower_flat_db == pytest.approx(20.0 * math.log10(fundamental / -np.min(period)), abs=0.01)


def test_flatness_by_the_closed_form():
    """Clipped at c of its peak: fundamental (2/π)(asin c + c√(1 − c²)) (closed form), crest c."""
    c = 10.0 ** (-0.3 / 20.0)
    fundamental = 2.0 / math.pi * (math.asin(c) + c * math.sqrt(1.0 - c * c))
    reading = read_tone(moment(997.0, lambda phase: np.clip(np.sin(phase), -c, c)), RATE_HZ, near_hz=997.0)
    # 0.03 dB: the corner's harmonics beyond the 20th are left out, and the crest ripples by them.
    assert reading.upper_flat_db == pytest.approx(20.0 * math.log10(fundamental / c), abs=0.03)
    assert reading.lower_flat_db == pytest.approx(reading.upper_flat_db, abs=1e-3)


def test_a_sine_in_noise_is_not_flat_and_names_no_harmonics():
    """The list may be wrong one time in twenty: in 10 seeded moments, at most 3 (binomial, 99.9 %)."""
    named = 0
    for seed in range(10):
        reading = read_tone(moment(997.0, np.sin, 48_000.0, noise=1e-3, seed=seed), 48_000.0, near_hz=997.0)
        named += bool(reading.largest)
        assert abs(reading.upper_flat_db) < 0.01 and abs(reading.lower_flat_db) < 0.01
    assert named <= 3


def test_a_bound_where_noise_hides_the_harmonics():
    reading = read_tone(moment(997.0, np.sin, noise=1e-3, seed=3), RATE_HZ, near_hz=997.0)
    assert reading.thd_at_most
    # White noise of 1e-3 r.m.s. in 48 kHz: 20 kHz of it, over a sine of 0.7071; 3 % for 7,700 independent values.
    expected = 1e-3 * math.sqrt(19_980.0 / 48_000.0) / math.sqrt(0.5)
    assert not reading.thd_n_at_most
    assert reading.thd_n_ratio == pytest.approx(expected, rel=0.03)


def test_a_weak_tone_of_known_frequency():
    """−100 dB beside hum at 50 Hz as loud as the driven tone would be: the Hann window keeps it out."""
    frames = reading_frames(1000.0, RATE_HZ)
    time_s = np.arange(frames) / RATE_HZ
    weak = math.sqrt(2.0) * 1e-5 * np.cos(2.0 * np.pi * 1000.0 * time_s + 0.7)
    hum = 1e-3 * np.sin(2.0 * np.pi * 50.3 * time_s)
    found = tone_amplitude(weak + hum, RATE_HZ, 1000.0)
    # 190 bins away the side lobes of a Hann window are below −140 dB: 1 % of 1e-5 holds them.
    assert abs(found) == pytest.approx(1e-5, rel=0.01)
    assert math.remainder(np.angle(found) - 0.7, 2 * math.pi) == pytest.approx(0.0, abs=0.01)


def test_a_low_tone_gets_the_window_that_it_needs():
    assert reading_frames(1000.0, 48_000.0) == 9_600
    assert reading_frames(10.0, 48_000.0) == 48_000
