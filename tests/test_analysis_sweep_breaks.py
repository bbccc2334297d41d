"""Damaged captures of a sweep: what breaks one is found, and what a unit does is not called damage.

Truth by construction: chains in closed form (`sweep_chains`), from which samples are taken or whose level is stepped.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.interpolate
import scipy.signal
from sweep_chains import chain, law_of, start_of, sweep, through, through_polynomial

from audiomeas.analysis.sweep import analyze_sweep

STIMULUS = sweep()
START = start_of(STIMULUS)


def capture():
    """A third of the sweep's r.m.s. comes back; noise is 80 dB below. The array can't be written to."""
    return through(STIMULUS, chain(3.0))


def damage(captured, noise_db=-80.0, seed=1, stimulus=STIMULUS):
    noise = 0.5 * 10 ** (noise_db / 20) * np.random.default_rng(seed).standard_normal(len(captured))
    return analyze_sweep(captured + noise, stimulus.samples_v(), 48_000.0, **law_of(stimulus)).damage


def at(hz):
    """Return the frame at which the sweep passes a frequency: growth·ln(f/start)."""
    return START + round(STIMULUS.growth_s * math.log(hz / STIMULUS.start_hz) * 48_000)


def diagonal(rows, columns):
    """Return all pairs; usually one of every other row, the columns in turn; the rest among the wider tests."""
    for row, first in enumerate(rows):
        for column, second in enumerate(columns):
            usual = row % 2 == 0 and row // 2 % len(columns) == column
            yield pytest.param(first, second, marks=() if usual else pytest.mark.wide)


LOST_AT_HZ = (22.0, 26.0, 36.0, 50.0, 75.0, 118.0, 240.0, 450.0, 919.0, 2250.0, 5500.0, 13_400.0)


@pytest.mark.parametrize(("hz", "lost"), [*diagonal(LOST_AT_HZ, (1, 3, 17))])
def test_lost_samples_are_found_where_they_are(lost, hz):
    found = damage(np.delete(capture(), range(at(hz), at(hz) + lost)))
    assert found is not None
    # To a block of 10 ms, or a Fresnel transition: √(f/growth).
    wide_hz = max(0.05 * hz, 2 * math.sqrt(hz / STIMULUS.growth_s))
    assert found.frequency_hz == pytest.approx(hz, abs=wide_hz)
    if found.kind == "lost":
        assert found.size == lost
    else:
        assert found.kind == "event"


@pytest.mark.parametrize("hz", [450.0, 2250.0, 9000.0])
def test_a_repeated_sample_is_told_from_a_lost_one(hz):
    repeated = np.insert(capture(), at(hz), capture()[at(hz)])
    found = damage(repeated)
    assert found is not None
    assert (found.kind, found.size) == ("lost", -1.0)


STEPPED_AT_HZ = (26.0, 44.0, 118.0, 450.0, 919.0, 2250.0, 5500.0, 13_400.0)


@pytest.mark.parametrize(("hz", "step_db"), [*diagonal(STEPPED_AT_HZ, (-0.3, 0.5, -6.02))])
def test_level_steps_are_found(step_db, hz):
    captured = capture().copy()
    captured[at(hz) :] *= 10 ** (step_db / 20)
    found = damage(captured)
    assert found is not None
    assert found.frequency_hz == pytest.approx(hz, abs=max(0.05 * hz, 2 * math.sqrt(hz / STIMULUS.growth_s)))
    if found.kind == "level":
        # Near its end few points above the step hold the smooth curve: 0.08 dB of 6 dB were found at 13.4 kHz.
        assert found.size == pytest.approx(step_db, abs=0.05 if abs(step_db) < 1 else 0.12)


# Near a zero crossing, so that little of the step sticks out in time; without noise, so that nothing else does.
@pytest.mark.parametrize("step_db", [-12.0, -6.02, 4.0])
def test_large_level_steps_are_found_where_hardly_a_click_is(step_db):
    captured = capture().copy()
    captured[84_000:] *= 10 ** (step_db / 20)
    found = analyze_sweep(captured, STIMULUS.samples_v(), 48_000.0, **law_of(STIMULUS)).damage
    assert found is not None
    # As above; of a large step the smooth curve on both sides of the transition takes up to 2 %.
    assert (found.kind, found.size) == ("level", pytest.approx(step_db, rel=0.02))


def test_a_cough_is_damage():
    captured = capture().copy()
    captured[70_000:72_400] += 0.1 * np.random.default_rng(3).standard_normal(2_400)
    found = damage(captured)
    assert found is not None
    assert found.kind == "event"
    assert found.time_s == pytest.approx((71_200 - START) / 48_000, abs=0.03)


def second_order(hz, q, middle):
    """Return (s² + middle·s/q + 1)/(s² + s/q + 1): a notch (middle 0.03) or a peak (2)."""

    def response(frequency_hz):
        s = 1j * frequency_hz / hz
        return (s * s + middle * s / q + 1) / (s * s + s / q + 1)

    return response


UNITS = {
    "a coupling capacitor": chain(3.0),
    "a band": chain(100.0, 3000.0),
    "a notch of Q 10 at 2 kHz": second_order(2000.0, 10.0, 0.03),
    "a notch of Q 3 at 9 kHz": second_order(9000.0, 3.0, 0.03),
    "a peak of Q 1": second_order(500.0, 1.0, 2.0),
    "a peak of Q 10": second_order(500.0, 10.0, 2.0),
    "a peak of Q 30": second_order(2000.0, 30.0, 2.0),
}


@pytest.mark.parametrize(("unit", "noise_db"), [*((unit, -80.0) for unit in UNITS), *diagonal(UNITS, (-160.0, -40.0))])
def test_what_units_do_is_no_damage(unit, noise_db):
    assert damage(through(STIMULUS, UNITS[unit]), noise_db) is None


@pytest.mark.parametrize("noise_db", [-80.0, *(pytest.param(db, marks=pytest.mark.wide) for db in (-160.0, -40.0))])
def test_harmonics_of_5_percent_are_no_damage(noise_db):
    assert damage(through_polynomial(STIMULUS, [0, 1, 0.05, 0.05, 0, 0.02]), noise_db) is None


@pytest.mark.parametrize("duration_s", [0.5, 6.0])
def test_other_sweeps_of_sound_captures_are_sound(duration_s):
    stimulus = sweep(duration_s=duration_s)
    assert damage(through(stimulus, chain(3.0)), -160.0, stimulus=stimulus) is None
    assert damage(through(stimulus, second_order(500.0, 10.0, 2.0)), -40.0, stimulus=stimulus) is None


def test_hum_and_another_clock_are_no_damage():
    sound = capture()
    time = np.arange(len(sound))
    hum = 1e-3 * np.sin(2 * np.pi * 50.0 / 48_000 * time) + 3e-4 * np.sin(2 * np.pi * 150.0 / 48_000 * time)
    assert damage(sound + hum) is None
    # 100 ppm: cubic splines at eight times the rate, good to (2π·20/384)⁴/384, −90 dB, at 20 kHz.
    finer = scipy.interpolate.CubicSpline(np.arange(8 * len(sound)) / 8, scipy.signal.resample(sound, 8 * len(sound)))
    assert damage(finer(time * (1 - 1e-4))) is None
