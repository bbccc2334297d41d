"""Tone analysis: what its own residual is, what it refuses, and how it tells noise, hum, DC and bands apart."""

from __future__ import annotations

import math

import numpy as np
import pytest
from tone_signals import db, series, sine

from audiomeas.analysis.tone import analyze_tone, notch_power_gain
from audiomeas.errors import SignalError

RATE_HZ = 48_000


@pytest.mark.parametrize("sample_rate_hz", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("frequency_hz", [20.0, 29.97, 333.3, 997.0, 1000.0, 6543.21, 19_999.7, 20_000.0])
def test_the_analysis_adds_nothing_to_a_pure_sine(sample_rate_hz: int, frequency_hz: float) -> None:
    """THD+N at most −150 dB (the issue); lengths odd, prime and round, from twelve periods on."""
    for frames in (8192, 8219, 30_001, 48_000):
        if frames * frequency_hz / sample_rate_hz < 12:
            continue
        found = analyze_tone(sine(frequency_hz, sample_rate_hz, frames, phase_deg=71.0), sample_rate_hz)
        assert found.thd_n_ratio is not None
        assert found.thd_n_ratio < 10 ** (-150 / 20)
        # The harmonics that stand beside the fit are known to 1e-9 of the level, and so is the level at its worst.
        assert found.level_rms * math.sqrt(2) == pytest.approx(1.0, rel=1e-9)
        assert found.frequency_hz == pytest.approx(frequency_hz, rel=1e-9)
        assert math.remainder(found.phase_deg - 71.0, 360.0) == pytest.approx(0.0, abs=1e-6)


def test_twelve_periods_of_a_distorted_tone() -> None:
    """The worst case of leakage: twelve periods and a bit, eleven strong harmonics and an offset."""
    wanted = {n: 1 / n for n in range(1, 12)}
    frequency_hz = 12.4 * RATE_HZ / 8192
    found = analyze_tone(series(wanted, frequency_hz, RATE_HZ, 8192) + 0.5, RATE_HZ)
    assert found.dc == pytest.approx(0.5, abs=1e-7)
    assert found.frequency_hz == pytest.approx(frequency_hz, rel=1e-8)
    for order in range(2, 12):
        # The projection reaches 32 bins to each side, beyond which the window is −148 dB.
        assert found.harmonics.level_db[order - 2] == pytest.approx(-db(order), abs=1e-5)
    assert 10 * math.log10(found.noise.mean_square) < -140


@pytest.mark.parametrize(
    ("signal", "words"),
    [
        (np.zeros(9000), "silence"),
        (np.full(9000, 0.25), "only DC"),
        (np.random.default_rng(1).normal(size=9000), "no tone stands out"),
        (sine(1000, RATE_HZ, 9000) + sine(1370, RATE_HZ, 9000), "two unrelated tones"),
        (sine(1000, RATE_HZ, 300), "periods"),
        (sine(0.6, RATE_HZ, 9000), "periods"),
        (sine(23_999.0, RATE_HZ, 9000), "half the sample rate"),
        (np.array([0.1]), "too short"),
        (np.array([]), "too short"),
        (np.where(np.arange(9000) == 5, np.nan, sine(1000, RATE_HZ, 9000)), "no numbers"),
        (np.where(np.arange(9000) == 8999, -np.inf, sine(1000, RATE_HZ, 9000)), "no numbers"),
        (sine(1000, RATE_HZ, 9000).reshape(-1, 1), "one channel"),
    ],
    ids=["silence", "dc", "noise", "two", "short", "slow", "nyquist", "one-frame", "empty", "nan", "inf", "2-d"],
)
def test_refusals_are_one_line_that_says_why(signal: np.ndarray, words: str) -> None:
    with pytest.raises(SignalError, match=words) as caught:
        analyze_tone(signal, RATE_HZ)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("band", [(20.0, 10.0), (-1.0, 10.0), (0.0, math.inf), (math.nan, 100.0)])
def test_impossible_bands_are_refused(band: tuple[float, float]) -> None:
    with pytest.raises(SignalError, match="band"):
        analyze_tone(sine(1000, RATE_HZ, 9000), RATE_HZ, band_hz=band)


def test_the_tone_that_was_asked_for() -> None:
    signal = sine(1000, RATE_HZ, 48_000) + sine(3170, RATE_HZ, 48_000, peak=0.05)
    assert analyze_tone(signal, RATE_HZ, near_hz=1003).frequency_hz == pytest.approx(1000, abs=0.001)
    with pytest.raises(SignalError):
        analyze_tone(signal, RATE_HZ, near_hz=5000)


def test_no_thd_when_the_third_harmonic_can_not_be_seen() -> None:
    signal = series({1: 1.0, 2: 0.01, 3: 0.01}, 8500.0, RATE_HZ, 48_000)
    found = analyze_tone(signal, RATE_HZ)
    assert found.thd is None
    assert found.thd_ratio is None
    assert any("higher rate" in note and "two tones" in note for note in found.notes)
    assert found.harmonics.level_db[0] == pytest.approx(-40, abs=1e-6)
    assert analyze_tone(signal, RATE_HZ, harmonic_limit_hz=20_000.0).thd is None
    higher = analyze_tone(series({1: 1.0, 2: 0.01, 3: 0.01}, 8500.0, 96_000, 96_000), 96_000)
    assert higher.thd_ratio == pytest.approx(0.01 * math.sqrt(2), rel=1e-9)


def test_thd_and_thd_n_have_bands_of_their_own() -> None:
    """h2 inside 20 kHz, h3 to h5 above: THD counts all, THD+N only h2 (correction 4)."""
    signal = series({1: 1.0, 2: 0.003, 3: 0.004, 5: 0.012}, 7000.0, 96_000, 96_000)
    found = analyze_tone(signal, 96_000)
    assert found.thd_ratio == pytest.approx(0.013, rel=1e-9)
    assert found.thd_n_ratio == pytest.approx(0.003 / math.hypot(1, 0.003), rel=1e-9)
    assert analyze_tone(signal, 96_000, harmonic_limit_hz=22_000).thd_ratio == pytest.approx(0.005, rel=1e-9)
    wide = analyze_tone(signal, 96_000, band_hz=(20.0, 40_000.0))
    assert wide.thd_n_ratio == pytest.approx(0.013 / math.hypot(1, 0.013), rel=1e-9)


def test_the_band_is_exact_in_frequency() -> None:
    """A line six bins beyond the edge is out, six bins inside it is in; its main lobe fills three."""
    for away_hz, inside in ((-6.0, True), (6.0, False)):
        signal = sine(1000, RATE_HZ, 48_000) + sine(10_000 + away_hz, RATE_HZ, 48_000, peak=1e-3)
        found = analyze_tone(signal, RATE_HZ, band_hz=(20.0, 10_000.0))
        assert found.thd_n_ratio is not None
        assert db(found.thd_n_ratio) == pytest.approx(-60, abs=0.001) if inside else found.thd_n_ratio < 1e-6
        assert inside == any("second tone" in note for note in found.notes)


def test_white_noise_reads_as_its_share_of_the_band() -> None:
    """σ² · band / half rate. One part in √(19,980 bins/2.6): 0.05 dB; three of these allowed."""
    noise = 0.01 * np.random.default_rng(5).normal(size=48_000)
    found = analyze_tone(sine(997, RATE_HZ, 48_000) + noise, RATE_HZ)
    wanted = 1e-4 * 19_980 / 24_000
    assert 10 * math.log10(found.noise.mean_square / wanted) == pytest.approx(0, abs=0.15)
    assert abs(found.noise.mean_square - wanted) < 3 * found.noise.standard_deviation
    assert found.thd_n_ratio == pytest.approx(math.sqrt(wanted / (0.5 + wanted)), rel=0.02)
    assert found.thd is not None
    assert found.thd.at_most
    assert np.count_nonzero(found.harmonics.at_most) >= 18


def test_hum_and_dc_stand_apart() -> None:
    """Mains at 49.97 Hz with its second, third and sixth: in THD+N, not in THD."""
    hum = {1: 2e-3, 2: 1e-3, 3: 5e-4, 6: 2e-4}
    signal = series({1: 1.0, 3: 1e-3}, 997.0, RATE_HZ, 96_000) + series(hum, 49.97, RATE_HZ, 96_000) + 0.01
    signal += 1e-6 * np.random.default_rng(2).normal(size=96_000)
    found = analyze_tone(signal, RATE_HZ)
    lines = {round(line.frequency_hz / 49.97): line.level_rms for line in found.mains}
    assert set(lines) == set(hum)
    for multiple, peak in hum.items():
        assert db(lines[multiple] * math.sqrt(2)) == pytest.approx(db(peak), abs=0.01)
    assert found.mains[0].frequency_hz == pytest.approx(49.97, abs=0.001)
    assert found.thd_ratio == pytest.approx(1e-3, rel=1e-5)
    everything = sum(peak**2 for peak in hum.values()) + 1e-6
    assert found.residual is not None
    assert found.residual.mean_square == pytest.approx(everything / 2, rel=1e-4)
    # Noise of 1e-6 is what is left when hum and harmonics are out.
    assert 10 * math.log10(found.noise.mean_square / (1e-12 * 19_980 / 24_000)) == pytest.approx(0, abs=0.2)
    assert found.dc == pytest.approx(0.01, abs=1e-7)


def test_60_hz_mains_and_none() -> None:
    noise = 1e-5 * np.random.default_rng(3).normal(size=96_000)
    tone = sine(997, RATE_HZ, 96_000) + noise
    assert analyze_tone(tone, RATE_HZ).mains == ()
    found = analyze_tone(tone + series({1: 1e-3, 3: 1e-3}, 60.02, RATE_HZ, 96_000), RATE_HZ)
    assert [round(line.frequency_hz) for line in found.mains] == [60, 180]


def test_the_notch_form_reads_lower_by_the_notch() -> None:
    """AES17 notch: |H|² = (f² − f0²)²/((f² − f0²)² + (f·f0/Q)²); for h2 and Q = 2 that is 9/10."""
    found = analyze_tone(series({1: 1.0, 2: 0.01}, 1000.0, RATE_HZ, 48_000), RATE_HZ, notch_q=2.0)
    assert found.thd_n_ratio is not None
    assert found.thd_n_notch_ratio is not None
    assert db(found.thd_n_notch_ratio / found.thd_n_ratio) == pytest.approx(10 * math.log10(0.9), abs=1e-6)
    # −3 dB where |f/f0 − f0/f| = 1/Q (second-order notch).
    for q in (1.2, 2.0, 3.0):
        edge = (1 / q + math.sqrt(1 / q**2 + 4)) / 2
        assert notch_power_gain(np.array([edge, 1.0]), 1.0, q) == pytest.approx([0.5, 0.0], abs=1e-12)
    for q in (1.1, 3.1, math.nan):
        with pytest.raises(SignalError, match="notch Q"):
            analyze_tone(sine(1000, RATE_HZ, 9000), RATE_HZ, notch_q=q)


def test_a_tone_outside_the_band_has_thd_but_no_thd_n() -> None:
    found = analyze_tone(series({1: 1.0, 2: 0.01}, 12.0, RATE_HZ, 96_000), RATE_HZ)
    assert found.residual is None
    assert found.thd_n_ratio is None
    assert found.thd_ratio == pytest.approx(0.01, rel=1e-6)
    assert any("widen the band" in note for note in found.notes)


def test_a_known_frequency_is_not_fitted() -> None:
    signal = sine(1000, RATE_HZ, 9600) + 1e-3 * np.random.default_rng(4).normal(size=9600)
    found = analyze_tone(signal, RATE_HZ, exact_frequency_hz=1000.0)
    assert found.frequency_hz == pytest.approx(1000.0, rel=1e-14)
    assert found.frequency_uncertainty_hz == 0.0
    fitted = analyze_tone(signal, RATE_HZ)
    assert found.phase_uncertainty_deg < 0.6 * fitted.phase_uncertainty_deg


def test_the_spectrum_keeps_its_peaks() -> None:
    found = analyze_tone(series({1: 0.5, 3: 0.5e-4}, 1000.0, RATE_HZ, 48_000), RATE_HZ, spectrum_points=300)
    assert len(found.spectrum.frequency_hz) <= 300
    assert np.all(np.diff(found.spectrum.frequency_hz) > 0)
    near = np.abs(found.spectrum.frequency_hz - 3000) < 60
    # Bin-centred, so that the highest bin is the line's level.
    assert np.max(found.spectrum.level_db[near]) == pytest.approx(-80, abs=0.001)
    assert np.max(found.spectrum.level_db) == pytest.approx(0, abs=0.001)


def test_the_signal_is_not_written_to() -> None:
    signal = sine(1000, RATE_HZ, 9600)
    signal.setflags(write=False)
    analyze_tone(signal, RATE_HZ)
