"""Laws of tone analysis: what gain, phase, DC, polarity, time reversal and sample rate change, and what they don't."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from tone_signals import series

from audiomeas.analysis.tone import ToneAnalysis, analyze_tone

RATE_HZ = 48_000.0
FRAMES = 9000
WAVE = {1: 1.0, 2: 3e-3, 3: -2e-3, 5: 5e-4}
NOISE = 1e-4 * np.random.default_rng(8).normal(size=FRAMES)
SIGNAL = series(WAVE, 997.0, RATE_HZ, FRAMES) + NOISE
#: Derandomized, so that a run can be repeated; some twenty cases each keep the file short.
few = settings(max_examples=20, deadline=None, derandomize=True)


def _ratios(found: ToneAnalysis) -> tuple[float, float, float]:
    assert found.thd_ratio is not None
    assert found.thd_n_ratio is not None
    assert found.thd_n_notch_ratio is not None
    return found.thd_ratio, found.thd_n_ratio, found.thd_n_notch_ratio


def _close(a: tuple[float, ...], b: tuple[float, ...], rel: float) -> bool:
    return all(math.isclose(x, y, rel_tol=rel) for x, y in zip(a, b, strict=True))


REFERENCE = analyze_tone(SIGNAL, RATE_HZ)


@few
@given(st.floats(1e-6, 1e6), st.booleans())
def test_gain_changes_levels_and_nothing_else(gain: float, inverted: bool) -> None:
    found = analyze_tone((-gain if inverted else gain) * SIGNAL, RATE_HZ)
    # Rounding of the scaled samples: 1e-16 each, against harmonics of 5e-4.
    assert _close(_ratios(found), _ratios(REFERENCE), 1e-9)
    assert math.isclose(found.level_rms, gain * REFERENCE.level_rms, rel_tol=1e-10)
    assert math.isclose(found.level_uncertainty, gain * REFERENCE.level_uncertainty, rel_tol=1e-6)
    assert math.isclose(found.frequency_hz, REFERENCE.frequency_hz, rel_tol=1e-10)
    turn = 180.0 if inverted else 0.0
    assert abs(math.remainder(found.phase_deg - REFERENCE.phase_deg - turn, 360)) < 1e-6
    # Upside down, even harmonics turn over against the fundamental's own rise, odd ones don't.
    change = found.harmonics.phase_deg - REFERENCE.harmonics.phase_deg
    assert abs(math.remainder(change[0] - turn, 360)) < 1e-4
    assert abs(math.remainder(change[1], 360)) < 1e-4


@few
@given(st.floats(-3.0, 3.0))
def test_dc_changes_dc_and_nothing_else(dc: float) -> None:
    found = analyze_tone(SIGNAL + dc, RATE_HZ)
    assert _close(_ratios(found), _ratios(REFERENCE), 1e-6)
    assert math.isclose(found.level_rms, REFERENCE.level_rms, rel_tol=1e-8)
    assert abs(found.dc - REFERENCE.dc - dc) < 1e-8


@few
@given(st.floats(-180.0, 180.0))
def test_phase_changes_phase_and_nothing_else(phase_deg: float) -> None:
    """The wave is moved in time, so that the harmonics move with it; the noise stays."""
    seconds = phase_deg / 360 / 997.0
    moved = np.zeros(FRAMES)
    time = np.arange(FRAMES) / RATE_HZ + seconds
    for order, peak in WAVE.items():
        moved += peak * np.sin(2 * np.pi * np.remainder(order * 997.0 * time, 1.0))
    found = analyze_tone(moved + NOISE, RATE_HZ)
    # The same noise adds to harmonics in another phase: within the stated uncertainty (95 %, thrice for all cases).
    assert (
        abs(found.harmonics.level_db[0] - REFERENCE.harmonics.level_db[0]) < 3 * REFERENCE.harmonics.uncertainty_db[0]
    )
    assert _close(_ratios(found)[1:], _ratios(REFERENCE)[1:], 0.01)
    assert abs(math.remainder(found.phase_deg - phase_deg, 360)) < 3 * found.phase_uncertainty_deg
    assert abs(math.remainder(found.harmonics.phase_deg[1] - 180, 360)) < 2.0


@few
@given(st.floats(0.2, 50.0))
def test_the_sample_rate_is_only_a_scale_of_frequency(factor: float) -> None:
    found = analyze_tone(SIGNAL, RATE_HZ * factor, band_hz=(20 * factor, 20_000 * factor))
    # Mains is sought at 50 Hz whatever the rate; this signal has none.
    assert found.mains == ()
    assert _close(_ratios(found), _ratios(REFERENCE), 1e-9)
    assert math.isclose(found.frequency_hz, factor * REFERENCE.frequency_hz, rel_tol=1e-12)


def test_backwards_in_time_all_levels_are_the_same() -> None:
    found = analyze_tone(SIGNAL[::-1].copy(), RATE_HZ)
    # sin⁴(πn/N) is not quite its own mirror image: one frame in 9,000.
    assert _close(_ratios(found), _ratios(REFERENCE), 1e-3)
    assert math.isclose(found.level_rms, REFERENCE.level_rms, rel_tol=1e-8)


def test_twice_the_noise_is_6_db_more() -> None:
    tone = series(WAVE, 997.0, RATE_HZ, FRAMES)
    once, twice = (analyze_tone(tone + k * NOISE, RATE_HZ).noise.mean_square for k in (1, 2))
    assert math.isclose(10 * math.log10(twice / once), 20 * math.log10(2), abs_tol=1e-3)


@few
@given(st.integers(2000, 12_000), st.floats(200.0, 4000.0), st.floats(0, 360))
def test_no_length_or_frequency_adds_distortion(frames: int, frequency_hz: float, phase_deg: float) -> None:
    if frequency_hz * frames / RATE_HZ < 12:
        return
    time = np.arange(frames) / RATE_HZ
    found = analyze_tone(np.sin(2 * np.pi * (np.remainder(frequency_hz * time, 1.0) + phase_deg / 360)), RATE_HZ)
    assert found.thd_n_ratio is not None
    assert found.thd_n_ratio < 10 ** (-150 / 20)
