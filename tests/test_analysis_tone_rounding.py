"""What the step of the samples hides: uncertainty of noiseless captures, undithered tones, lines that are no hum.

Truth: q²/12 of mean square for rounding to a step q (W. R. Bennett, Bell Syst. Tech. J. 27, 1948), and by construction.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from tone_signals import series, sine

from audiomeas.analysis.averaging import combined_as_powers, windows_of
from audiomeas.analysis.shortevents import short_events
from audiomeas.analysis.tone import analyze_tone
from audiomeas.errors import SignalError

RATE_HZ = 48_000
STEP_16, STEP_24 = 1 / 32_767, 1 / 8_388_607


def rounded(signal, step, seed=None):
    """Round to a step; with a seed, after triangular dither two steps wide."""
    if seed is None:
        return np.rint(signal / step) * step
    generator = np.random.default_rng(seed)
    dither = generator.uniform(-0.5, 0.5, len(signal)) + generator.uniform(-0.5, 0.5, len(signal))
    return np.rint(signal / step + dither) * step


def tones_and_steps():
    """Return 1 kHz, whose rounding repeats, one tone beside it, and one with 24 bits; the rest: wide."""
    always = {(377.0, STEP_16), (1000.0, STEP_16), (997.0, STEP_24)}
    for frequency_hz in (377.0, 997.0, 1000.0, 1000.37, 3000.0):
        for step in (STEP_16, STEP_24):
            marks = () if (frequency_hz, step) in always else pytest.mark.wide
            yield pytest.param(frequency_hz, step, marks=marks)


@pytest.mark.parametrize(("frequency_hz", "step"), [*tones_and_steps()])
def test_intervals_hold_the_truth_without_dither(frequency_hz, step):
    """Level, frequency and a third harmonic at −70 dB, 100 random phases and levels; 95 % wanted, 88 is 3.2 σ less."""
    generator = np.random.default_rng(round(frequency_hz))
    trials, held = 100, {"level": 0, "frequency": 0, "third": 0}
    ratio = 10 ** (-70 / 20)
    for _ in range(trials):
        peak, phase_deg = generator.uniform(0.3, 0.9), generator.uniform(-180, 180)
        signal = sine(frequency_hz, RATE_HZ, 9600, peak=peak, phase_deg=phase_deg)
        signal += sine(3 * frequency_hz, RATE_HZ, 9600, peak=ratio * peak, phase_deg=generator.uniform(-180, 180))
        found = analyze_tone(rounded(signal, step), RATE_HZ, spectrum_points=0, resolution=step)
        held["level"] += abs(found.level_rms - peak / math.sqrt(2)) <= found.level_uncertainty
        held["frequency"] += abs(found.frequency_hz - frequency_hz) <= max(found.frequency_uncertainty_hz, 1e-9)
        third = found.harmonics
        if third.at_most[1]:
            held["third"] += third.level_db[1] >= -70
        else:
            held["third"] += abs(third.level_db[1] + 70) <= third.uncertainty_db[1]
    assert min(held.values()) >= 88, held


@pytest.mark.parametrize("step", [STEP_16, STEP_24])
def test_rounding_that_repeats_is_a_bound_and_said(step):
    """1 kHz at 48 kHz: all of q²/12 stands on 24 harmonics. THD is at most about that, and noise is not nothing."""
    signal = sine(1000, RATE_HZ, 48_000, peak=0.5, phase_deg=20.0)
    found = analyze_tone(rounded(signal, step), RATE_HZ, resolution=step)
    assert any("not dithered" in note for note in found.notes)
    assert found.thd is not None and found.residual is not None
    assert found.thd.at_most and found.residual.at_most and found.noise.at_most
    hidden = step**2 / 12 * 19_980 / 24_000
    assert hidden <= found.residual.stated <= 4 * hidden
    assert hidden <= found.noise.stated <= 4 * hidden
    assert found.mains == () and found.second_tone is None
    # Without the step nothing is known of it, and what is read would be believed.
    blind = analyze_tone(rounded(signal, step), RATE_HZ)
    assert blind.noise.mean_square < 1e-6 * hidden


def test_dithered_and_spread_rounding_is_read_as_it_is():
    """Triangular dither: q²/4 in all. Undithered at 377 Hz the pattern is a second long: q²/12, evenly."""
    signal = sine(377, RATE_HZ, 96_000, peak=0.5)
    for seed, wanted in ((1, STEP_16**2 / 4), (None, STEP_16**2 / 12)):
        given = rounded(signal, STEP_16, seed)
        found, blind = (analyze_tone(given, RATE_HZ, resolution=step) for step in (STEP_16, None))
        # 40,000 bins know the noise to 0.03 dB; the undithered one is no true noise: 0.3 dB.
        assert 10 * math.log10(found.noise.mean_square / (wanted * 19_980 / 24_000)) == pytest.approx(0, abs=0.3)
        assert not found.noise.at_most
        assert not found.notes
        assert found.noise.mean_square == pytest.approx(blind.noise.mean_square, rel=1e-12)
        assert found.noise.standard_deviation == pytest.approx(blind.noise.standard_deviation, rel=1e-12)


def test_lines_of_rounding_are_no_hum():
    """12.1 kHz: 121 periods in 480 frames, lines at every 100 Hz some 155 dB below the tone."""
    given = rounded(sine(12_100, RATE_HZ, 96_000, peak=0.5), STEP_24)
    assert analyze_tone(given, RATE_HZ).mains != ()
    assert analyze_tone(given, RATE_HZ, resolution=STEP_24).mains == ()


NOISE = 1e-5 * np.random.default_rng(3).normal(size=96_000)


@pytest.mark.parametrize(
    ("lines", "wanted"),
    [
        ({121.0: 1e-3, 363.0: 1e-3, 605.0: 1e-3}, []),  # every odd multiple of 121 Hz: 2, 6 and 10 times 60.5 Hz
        ({850.0: 1e-3}, []),
        ({150.0: 2e-6}, []),  # alone, and only just there
        ({100.0: 1e-3}, [100]),
        ({100.0: 1e-3, 200.0: 5e-4, 300.0: 2e-4}, [100, 200, 300]),  # behind a rectifier
        ({50.0: 1e-4, 250.0: 1e-4}, [50, 250]),
        ({60.0: 1e-3, 180.0: 1e-3}, [60, 180]),
    ],
)
def test_what_is_hum(lines, wanted):
    signal = sine(997, RATE_HZ, 96_000) + NOISE
    for hz, peak in lines.items():
        signal = signal + sine(hz, RATE_HZ, 96_000, peak=peak)
    found = analyze_tone(signal, RATE_HZ).mains
    assert [round(line.frequency_hz) for line in found] == wanted


@pytest.mark.parametrize("phase_deg", [0.0, 37.0, 90.0])
@pytest.mark.parametrize("bits", [16, 24, None])
@pytest.mark.parametrize("near_hz", [None, 1000.0, 1100.0])
def test_two_equal_tones_are_refused(phase_deg, bits, near_hz):
    """1000 Hz is 20 times 50 Hz: it was taken for a mains line, and passed without a word."""
    signal = sine(1000, RATE_HZ, 48_000, peak=0.4) + sine(1100, RATE_HZ, 48_000, peak=0.4, phase_deg=phase_deg)
    if bits is not None:
        signal = rounded(signal, 1 / (2 ** (bits - 1) - 1))
    with pytest.raises(SignalError, match=r"two unrelated tones.*1[01]00 Hz"):
        analyze_tone(signal, RATE_HZ, near_hz=near_hz)


def test_a_click_is_told_with_its_place():
    signal = sine(1000, RATE_HZ, 96_000, peak=0.5) + NOISE
    assert analyze_tone(signal, RATE_HZ).events is None
    # Thirty microvolts of it in noise of ten: not to be told from noise.
    for size, seen in ((0.9, True), (1e-3, True), (3e-5, False)):
        clicked = signal.copy()
        clicked[40_000] += size
        events = analyze_tone(clicked, RATE_HZ).events
        assert (events is not None) == seen
        if events is not None:
            assert (events.count, events.frame) == (1, 40_000)
            assert events.peak == pytest.approx(size, rel=0.05)


def test_clicks_in_averaged_windows_count_as_one_capture():
    signal = sine(1000, RATE_HZ, 96_000, peak=0.5) + NOISE
    signal[[10_000, 70_000]] += 0.1, 0.2
    events = combined_as_powers([analyze_tone(part, RATE_HZ) for part in windows_of(signal, 4)]).events
    assert events is not None
    assert (events.count, events.frame) == (2, 70_000)


@pytest.mark.parametrize("frequency_hz", [25.3, 997.0, 9876.5])
def test_distortion_hum_noise_and_drift_are_no_clicks(frequency_hz):
    tone = sine(frequency_hz, RATE_HZ, 96_000, peak=0.7)
    time = np.arange(96_000)
    for what in (
        np.clip(tone, -0.5, 0.5),
        np.where(np.abs(tone) < 0.05, 0.0, tone),
        tone + series({1: 0.01, 3: 0.01}, 50.0, RATE_HZ, 96_000),
        tone * (1 - 1e-6 * time),
        tone + 0.1 * np.random.default_rng(1).normal(size=96_000),
        tone + 0.05 * np.random.default_rng(1).uniform(-1, 1, size=96_000),
    ):
        assert analyze_tone(what + NOISE, RATE_HZ, spectrum_points=0).events is None


def test_no_events_where_there_are_too_few_blocks():
    rest = np.zeros(1500)
    rest[700] = 1.0
    assert short_events(rest, 0.02, least=0.0) is None
