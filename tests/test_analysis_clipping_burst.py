"""One burst: its distortion against the closed form of a clipped sine, its peaks, and what it refuses."""

from __future__ import annotations

import math

import numpy as np
import pytest
from clipping_amplifiers import Amplifier, hard
from reference_tables import rows
from tone_signals import clipped_coefficients, series, sine

from audiomeas.analysis.clipping_burst import least_burst_s, read_burst
from audiomeas.errors import SignalError

RATE_HZ = 48_000.0


@pytest.mark.parametrize("row", rows("thd_clipped_sine.csv"), ids=lambda row: row["overdrive_db"])
def test_distortion_and_level_of_a_clipped_sine_are_those_of_the_table(row: dict[str, str]) -> None:
    """Table thd_clipped_sine.csv; its digits set the tolerances: five of a percentage, six of a level."""
    overdrive_db = float(row["overdrive_db"])
    signal = series(clipped_coefficients(overdrive_db, 9), 997.0, RATE_HZ, 4_800)
    found = read_burst(signal, RATE_HZ, 997.0, harmonic_limit_hz=9_500.0)
    assert 100.0 * found.thd_ratio == pytest.approx(float(row["thd_f_upto_h9_pct"]), abs=1e-5)
    assert math.sqrt(2.0) * found.fundamental_v_rms == pytest.approx(float(row["fundamental_peak"]), abs=1e-6)


def test_noise_is_taken_off_the_harmonics_and_stays_in_the_whole() -> None:
    """White noise 50 dB below: THD+N is that noise in 20 kHz of 24; harmonics at −60 dB stay within their chance."""
    generator = np.random.default_rng(5)
    signal = sine(1_000.0, RATE_HZ, 4_800) + sine(3_000.0, RATE_HZ, 4_800, peak=1e-3)
    signal += math.sqrt(0.5) * 10 ** (-50 / 20) * generator.standard_normal(4_800)
    found = read_burst(signal, RATE_HZ, 1_000.0)
    # Noise in a line of 0.09 s: 3.16e-3·√(1.94·11.1 Hz/24 kHz) = 9.5e-5 each; H3 of 1e-3 has a tenth of chance, and the
    # other 21 lines add up to 4.3e-4·(their chance).
    assert found.thd_ratio == pytest.approx(1e-3, rel=0.25)
    assert found.thd_n_ratio == pytest.approx(math.hypot(1e-3, 10 ** (-50 / 20) * math.sqrt(20 / 24)), rel=0.05)


def test_the_flatter_half_is_told_from_the_wave() -> None:
    """A sine of 1.2 limited at +0.9 and −1: the wave of its first 23 orders, summed here, has these peaks around DC."""
    amplifier = Amplifier(gain=1.0, transfer=hard(0.9, 1.0))
    lines = amplifier.series(1.2 / math.sqrt(2.0))
    turns = np.arange(4_096) / 4_096
    wave = (np.exp(2j * np.pi * np.outer(turns, np.arange(1, len(lines)))) @ lines[1:]).real
    found = read_burst(amplifier.burst(1.2 / math.sqrt(2.0), 0.1, np.random.default_rng(1)), RATE_HZ, 1_000.0)
    # Both are read at points of their own: 368 of a period here miss a ripple of order 23 by 0.2 % of itself.
    assert found.positive_peak_v == pytest.approx(float(np.max(wave)), rel=1e-3)
    assert found.negative_peak_v == pytest.approx(-float(np.min(wave)), rel=1e-3)
    assert found.flat_positive_db > found.flat_negative_db > 0.0
    assert found.peak_asymmetry_db < 0.0


def test_a_level_that_falls_within_the_burst_is_seen() -> None:
    signal = sine(1_000.0, RATE_HZ, 4_800)
    signal[3_600:] *= 0.5
    assert read_burst(signal, RATE_HZ, 1_000.0).drift_db == pytest.approx(20 * math.log10(0.5), abs=0.01)


def test_a_tone_that_is_not_ours_is_named() -> None:
    signal = sine(1_000.0, RATE_HZ, 4_800) + sine(7_350.0, RATE_HZ, 4_800, peak=0.01)
    other = read_burst(signal, RATE_HZ, 1_000.0).other
    assert other is not None
    assert other.frequency_hz == pytest.approx(7_350.0, abs=3.0)  # a quarter of a bin
    assert other.level_rms == pytest.approx(0.01 / math.sqrt(2.0), rel=0.05)


@pytest.mark.parametrize(
    ("signal", "frequency_hz", "said"),
    [
        (np.zeros(4_800), 1_000.0, "no tone"),
        (np.full(4_800, np.nan), 1_000.0, "NaN"),
        (sine(1_000.0, RATE_HZ, 700), 1_000.0, "make it longer"),
        (sine(9_000.0, RATE_HZ, 4_800), 9_000.0, "third harmonic"),
        (1e-3 * np.random.default_rng(3).standard_normal(4_800), 1_000.0, "no tone"),
    ],
)
def test_what_is_no_burst_is_refused(signal: np.ndarray, frequency_hz: float, said: str) -> None:
    with pytest.raises(SignalError, match=said):
        read_burst(signal, RATE_HZ, frequency_hz)


def test_the_shortest_burst_can_be_read() -> None:
    frames = math.ceil(least_burst_s(440.0) * RATE_HZ)
    assert read_burst(sine(440.0, RATE_HZ, frames), RATE_HZ, 440.0).fundamental_v_rms == pytest.approx(
        0.5**0.5, rel=1e-6
    )
