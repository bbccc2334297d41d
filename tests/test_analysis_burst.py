"""Figures of a tone burst against closed forms and definitions, on bursts made here, period by period.

A burst through a circuit is run for some repetitions at a rate far above the band's edge (scipy's filters), until it
repeats, and its lines up to the edge are taken: so the captures are the circuit's own, not made of the analysis.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import bilinear, lfilter

from audiomeas.analysis.burst import analyze_burst
from audiomeas.errors import SignalError

TONE_HZ, TONE, REST = 1000.0, 10, 27
WHOLE = TONE + REST
RATE_HZ, PARTS, STEPS = 48_000.0, 8, 480
HIGHEST = math.ceil(0.46 * RATE_HZ * WHOLE / TONE_HZ) - 1


def burst(level=1.0, envelope=None):
    """One repetition, finely stepped: STEPS a period of the tone."""
    time = np.arange(WHOLE * STEPS) / STEPS
    shape = np.ones_like(time) if envelope is None else envelope(time)
    return level * np.where(time < TONE, np.sin(2.0 * np.pi * time), 0.0) * shape


def lines_of(course):
    return 2.0 * np.fft.rfft(course)[1 : HIGHEST + 1] / len(course)


def through(course, transfer):
    """The last of twelve repetitions through an analogue circuit (numerator, denominator of s), by scipy."""
    filtered = lfilter(*bilinear(*transfer, fs=STEPS * TONE_HZ), np.tile(course, 12))
    return filtered[-len(course) :]


def window(course, *, noise=1e-5, seed=1, delay=0.0):
    """Frames of eight parts of one repetition each at the rate, by the course's lines; delay in seconds."""
    frames = round(WHOLE / TONE_HZ * RATE_HZ)
    spectrum = np.zeros(frames // 2 + 1, dtype=complex)
    orders = np.arange(1, HIGHEST + 1)
    turned = np.exp(-2j * np.pi * orders * TONE_HZ / WHOLE * delay)
    spectrum[1 : HIGHEST + 1] = 0.5 * frames * lines_of(course) * turned
    wave = np.tile(np.fft.irfft(spectrum, frames), PARTS)
    return wave + noise * np.random.default_rng(seed).standard_normal(len(wave))


def analysed(loud, quiet=None, **rest):
    return analyze_burst(
        window(0.1 * loud if quiet is None else quiet, **rest),
        window(loud, **(rest | {"seed": rest.get("seed", 1) + 100})),
        played=lines_of(burst()),
        tone_periods=TONE,
        rest_periods=REST,
        quiet_ratio=0.1,
        parts=PARTS,
        periods=1,
    )


def test_an_ideal_burst_late_by_a_part_of_a_frame():
    found = analysed(2.0 * burst(), delay=0.37e-3 / 48.0)
    assert found.level == pytest.approx(2.0, rel=5e-4)  # as stated
    assert found.first == pytest.approx(1.0, abs=5e-4)
    assert found.fall == pytest.approx(0.0, abs=5e-4)
    assert found.tail < 2.0 * found.own_tail
    assert found.settled_periods == 0
    assert abs(found.shift) < 5e-4
    assert found.added < 5e-4


def test_a_level_that_sags_during_the_burst():
    """exp(−t/100 periods) loud, none quietly: means over whole periods of the exponential, its end less its begin."""
    found = analysed(burst(envelope=lambda time: np.exp(-time / 100.0)), quiet=0.1 * burst())
    # Periods 9 and 10 against 2 and 3: seven periods apart.
    assert found.fall == pytest.approx(-math.expm1(-7.0 / 100.0), abs=1e-3)
    assert abs(found.quiet_fall) < 1e-3
    difference = burst(envelope=lambda time: np.exp(-time / 100.0)) - burst()
    sagged = burst(envelope=lambda time: np.exp(-time / 100.0))
    assert found.added == pytest.approx(np.linalg.norm(difference) / np.linalg.norm(sagged), rel=0.01)


def test_a_resonance_rings_on_behind_the_burst():
    """Band-pass at the tone with Q = 5: behind the burst it falls by exp(−π/Q) a period; 1 % is left by ln 100·Q/π."""
    omega, q = 2.0 * math.pi * TONE_HZ, 5.0
    course = through(burst(), ([omega / q, 0.0], [1.0, omega / q, omega**2]))
    found = analysed(course)
    fading = found.levels[TONE + 1 : TONE + 5] / found.levels[TONE : TONE + 4]
    # It oscillates 0.5 % slower than the tone (√(1 − 1/4Q²)), so a period of the tone holds a little less than one.
    assert fading == pytest.approx(np.full(4, math.exp(-math.pi / q)), rel=5e-3)
    # It has grown to all but exp(−10·π/Q) of its full size by the end, and each period counts by its r.m.s.
    assert found.settled_periods == pytest.approx(math.log(100.0) * q / math.pi, abs=1.5)
    assert found.first < 0.6


def test_a_low_corner_shifts_both_levels_alike_and_that_is_no_shift():
    course = through(burst(), ([1.0, 0.0], [1.0, 2.0 * math.pi * 20.0]))
    found = analysed(course)
    assert abs(found.shift) < 5e-4
    assert found.tail > 5.0 * found.own_tail  # its answer goes on behind the burst


def test_what_only_the_level_does_is_told():
    """A rectifying bend of 1 % loud: mean 0.5 · 0.01 during the burst and none in the rest, by the square of a sine."""
    found = analysed(burst() + 0.01 * burst() ** 2, quiet=0.1 * burst())
    assert found.shift == pytest.approx(0.5 * 0.01, abs=2e-4)
    # The r.m.s. of the square without its mean over the repetition, against that of the sine.
    square = burst() ** 2 - np.mean(burst() ** 2)
    assert found.added == pytest.approx(0.01 * np.linalg.norm(square) / np.linalg.norm(burst()), rel=0.02)


def test_noise_or_another_signal_is_refused():
    with pytest.raises(SignalError, match="clear of the noise in the quiet window"):
        analysed(burst(), noise=0.1)
    tone = np.sin(2.0 * np.pi * np.arange(WHOLE * STEPS) / STEPS)
    with pytest.raises(SignalError, match="no burst as it was played"):
        analysed(tone)
