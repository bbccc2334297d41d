"""What units do to a sweep is no damage: laws without memory between filters, in noise, and the simulated units.

Truth by construction: nothing is lost, stepped or added here, so that any damage that is found is a false alarm. The
laws act at eight times the rate; filters are scipy's analog prototypes. Drawn with fixed seeds, once widely (200 draws
of this kind and 315 captures of the simulated units), of which these are the ones that once were alarms, and some more.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from simulation_support import through as through_unit
from sweep_chains import bent, filtered, law_of, padded, sweep

from audiomeas.analysis.sweep import analyze_sweep
from audiomeas.simulation.unit import read_unit, shipped_units

TURN = 2.0 * np.pi


def analog(numerator, denominator):
    return lambda hz: np.polyval(numerator, TURN * 1j * hz) / np.polyval(denominator, TURN * 1j * hz)


def high_pass(corner_hz, order):
    return analog(*scipy.signal.butter(order, TURN * corner_hz, "high", analog=True))


def low_pass(corner_hz, order):
    return analog(*scipy.signal.butter(order, TURN * corner_hz, "low", analog=True))


def second_order(centre_hz, q, middle):
    """A peak (middle above 1), a notch (below), or with 'band' a band-pass."""

    def response(hz):
        u = 1j * hz / centre_hz
        top = u / q if middle == "band" else u * u + middle * u / q + 1.0
        return top / (u * u + u / q + 1.0)

    return response


def riaa(hz):
    s = TURN * 1j * hz
    return 10.0 * (1.0 + 318e-6 * s) / ((1.0 + 3180e-6 * s) * (1.0 + 75e-6 * s))


def clipped(high, low):
    return lambda x: np.clip(x, -low, high)


def dead(width):
    return lambda x: x - np.clip(x, -width, width)


def polynomial(*coefficients):
    return lambda x: np.polynomial.polynomial.polyval(x, [0.0, 1.0, *coefficients])


FLAT = high_pass(1.0, 1)
#: before, law, after, rate, seconds, noise in dB below the capture's r.m.s.
CHAINS = {
    "clips below the elliptic's ripple, bass cut after": (
        analog(*scipy.signal.ellip(2, 0.21, 60, TURN * 7279.0, "low", analog=True)),
        clipped(1.149, 0.766), high_pass(153.0, 2), 48_000, 2.0, -95.0,
    ),
    "a dead band with little bass, then much": (
        second_order(1200.0, 2.76, "band"), dead(3.4e-4), riaa, 48_000, 2.0, -89.0,
    ),
    "clips on one side": (FLAT, clipped(1.21, 0.85), FLAT, 44_100, 2.0, -83.0),
    "clips hard": (FLAT, clipped(0.72, 0.70), FLAT, 48_000, 2.0, -101.0),
    "clips hardly": (FLAT, clipped(0.999, 0.9995), FLAT, 48_000, 2.0, -120.0),
    "clips at a resonance": (second_order(700.0, 3.0, 2.0), clipped(1.5, 1.5), FLAT, 48_000, 1.0, -120.0),
    "clips at a low resonance": (second_order(35.0, 4.0, 3.0), clipped(2.2, 2.0), FLAT, 48_000, 2.0, -110.0),
    "clips in the treble": (second_order(9000.0, 1.0, 1.8), clipped(1.3, 1.3), low_pass(20e3, 2), 96_000, 1.0, -90.0),
    "clips softly": (FLAT, lambda x: 0.9 * np.tanh(x / 0.9), second_order(60.0, 3.0, 0.1), 48_000, 2.0, -60.0),
    "a dead band": (FLAT, dead(0.02), high_pass(30.0, 3), 44_100, 1.0, -100.0),
    "a wide dead band": (low_pass(3000.0, 1), dead(0.2), FLAT, 48_000, 2.5, -70.0),
    "a polynomial": (riaa, polynomial(2e-3, -1e-3, 5e-4), low_pass(9000.0, 6), 48_000, 1.0, -140.0),
    "shallow notches of Q 2, as wide as a transition": (
        second_order(708.9972, 2.0566, 0.5679), polynomial(1.68e-4, -0.0189),
        second_order(106.2912, 2.2393, 0.2775), 96_000, 1.0, -89.8,
    ),
    "a steep band": (high_pass(200.0, 4), polynomial(0.03, 0.0, -0.02), low_pass(4000.0, 4), 44_100, 1.0, -40.0),
}  # fmt: skip


#: Of a kind that another chain shows as well.
LIKE_OTHERS = {"clips hard", "clips hardly", "a dead band", "a wide dead band", "clips on one side"}


@pytest.mark.parametrize(
    "name", [pytest.param(each, marks=pytest.mark.wide if each in LIKE_OTHERS else ()) for each in CHAINS]
)
def test_laws_between_filters_are_no_damage(name):
    before, law, after, rate_hz, duration_s, noise_db = CHAINS[name]
    stimulus = sweep(float(rate_hz), min(20_000.0, 0.45 * rate_hz), duration_s, level_v_rms=0.5**0.5)
    captured = filtered(bent(filtered(padded(stimulus), rate_hz, before), law), rate_hz, after)
    noise = np.sqrt(np.mean(captured**2)) * 10 ** (noise_db / 20)
    captured = captured + noise * np.random.default_rng(1).standard_normal(len(captured))
    assert analyze_sweep(captured, stimulus.samples_v(), rate_hz, **law_of(stimulus)).damage is None


#: unit, and the highest peak of the sweep as a part of the upper rail.
@pytest.mark.parametrize(("unit", "part"), [
    pytest.param("amplifier-healthy", 0.8, marks=pytest.mark.wide), ("amplifier-healthy", 1.02),
    pytest.param("amplifier-healthy", 1.2, marks=pytest.mark.wide),
    ("amplifier-under-biased", 0.05), pytest.param("amplifier-under-biased", 0.3, marks=pytest.mark.wide),
    ("amplifier-weak-channel", 1.1),
    ("phono-stage", 0.1), ("phono-stage", 0.97),
])  # fmt: skip
def test_the_simulated_units_are_not_damaged(unit, part):
    model = read_unit(shipped_units()[unit])
    stimulus = sweep(level_v_rms=0.5**0.5)
    largest = np.max(np.abs(model.gain_at_hz(1, np.geomspace(20.0, 20_000.0, 50))))
    played = padded(stimulus) * part * model.channels[0].positive_clip_v / largest
    captured = through_unit(model, played, rate_hz=48_000.0, block=65_536, delay_frames=600, seed=1)
    found = analyze_sweep(np.ascontiguousarray(captured[:, 0]), stimulus.samples_v(), 48_000.0, **law_of(stimulus))
    assert found.damage is None
