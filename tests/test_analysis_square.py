"""Figures of a square wave against closed forms of the circuits that it passes.

The captures are made here: the series of an ideal square, line by line times the circuit's transfer function. Closed
forms: one pole ln 9·τ; two poles Q: overshoot exp(−π/√(4Q² − 1)), oscillation at f₀·√(1 − 1/4Q²); first-order high-
pass: between edges exp(−2π·corner·t) (all textbook; e.g. A. S. Sedra and K. C. Smith, Microelectronic Circuits, from
memory).
"""

from __future__ import annotations

import math
import subprocess

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import i0
from tests_support import require

from audiomeas.analysis.square import analyze_square
from audiomeas.errors import SignalError

RATE_HZ, FREQUENCY_HZ, PARTS = 96_000.0, 1000.0, 8
BAND_HZ = 0.46 * RATE_HZ


def one_pole(corner_hz):
    return lambda hz: 1.0 / (1.0 + 1j * hz / corner_hz)


def two_poles(natural_hz, q):
    return lambda hz: 1.0 / (1.0 + 1j * hz / natural_hz / q - (hz / natural_hz) ** 2)


def high_pass(corner_hz):
    return lambda hz: 1.0 / (1.0 + corner_hz / (1j * hz))


def product(*circuits):
    return lambda hz: math.prod(circuit(hz) for circuit in circuits)


def ideal(hz):
    return np.ones_like(hz)


def played(frequency_hz=FREQUENCY_HZ, band_hz=BAND_HZ):
    """Lines of a square of ±1 V, orders from 1 on, phases as of cosines."""
    orders = np.arange(1, math.ceil(band_hz / frequency_hz))
    return np.where(orders % 2 == 1, -4j / (np.pi * orders), 0.0)


def window(lines, frequency_hz=FREQUENCY_HZ, *, level=1.0, noise=0.0, seed=1, part_s=0.02):
    """Frames of eight parts of a wave by its lines, with white noise."""
    frames = round(part_s * RATE_HZ)
    spectrum = np.zeros(frames // 2 + 1, dtype=complex)
    periods = round(frequency_hz * part_s)
    spectrum[periods : periods * len(lines) + 1 : periods] = 0.5 * frames * level * lines
    wave = np.tile(np.fft.irfft(spectrum, frames), PARTS)
    return wave + noise * np.random.default_rng(seed).standard_normal(len(wave))


def analysed(circuit, *, frequency_hz=FREQUENCY_HZ, noise=1e-5, loud=None, seed=1, part_s=0.02):
    """Quiet 20 dB below; loud : lines of the loud window, where they are not ten times the quiet ones."""
    lines = played(frequency_hz)
    through = lines * circuit(np.arange(1, len(lines) + 1) * frequency_hz)
    make = {"frequency_hz": frequency_hz, "noise": noise, "part_s": part_s}
    return analyze_square(
        window(through, level=0.1, seed=seed, **make),
        window(through if loud is None else loud, seed=seed + 500, **make),
        played=lines,
        frequency_hz=frequency_hz,
        band_hz=BAND_HZ,
        parts=PARTS,
        periods=round(frequency_hz * part_s),
    )


def own_step(time_s):
    """The step response of the band: an integral over the Kaiser window of β = 5, up to the band's edge (scipy)."""

    def shape(hz):
        size = i0(5.0 * math.sqrt(1.0 - (hz / BAND_HZ) ** 2)) / i0(5.0)
        return size * 2.0 * np.sinc(2.0 * hz * time_s) * time_s

    return 0.5 + quad(shape, 0.0, BAND_HZ, limit=400)[0]


def test_the_rise_time_of_the_band_itself():
    found = analysed(ideal, noise=0.0)
    half_s = 0.5 * found.own.rise_s
    # A long series is the integral; 22 odd lines leave it within 0.1 %.
    assert own_step(half_s) == pytest.approx(0.9, abs=1e-3)
    assert own_step(-half_s) == pytest.approx(0.1, abs=1e-3)
    assert found.loud.edges.rise_s == pytest.approx(found.own.rise_s, rel=1e-4)  # as stated
    assert found.overshoot == pytest.approx(0.0, abs=1e-4)
    assert found.unit_rise_s is None
    assert found.loud.edges.ringing is None


@pytest.mark.parametrize("corner_hz", [8_000.0, 5_000.0])
def test_one_pole_slower_than_the_band(corner_hz):
    found = analysed(one_pole(corner_hz))
    assert found.unit_rise_s == pytest.approx(math.log(9.0) / (2.0 * math.pi * corner_hz), rel=0.05)  # as stated
    assert found.loud.edges.fall_s == pytest.approx(found.loud.edges.rise_s, rel=1e-4)
    assert found.loud.edges.ringing is None


def test_two_poles_without_much_overshoot():
    """Butterworth: 10 % to 90 % in 2.1495/ω₀, overshoot 4.32 % (exp(−π))."""
    found = analysed(two_poles(5_000.0, math.sqrt(0.5)))
    assert found.unit_rise_s == pytest.approx(2.1495 / (2.0 * math.pi * 5_000.0), rel=0.05)
    # The smoothing (see below) takes 3 % of a peak of 5 kHz away.
    assert found.overshoot == pytest.approx(math.exp(-math.pi), abs=0.002)


def test_a_pole_near_the_band_has_a_bound_only():
    """Within the band nothing is faster than the band: 110 kHz rise in 3.2 µs, the band in 20."""
    found = analysed(one_pole(110_000.0))
    assert found.unit_rise_s is None
    assert found.loud.edges.slower_s > math.log(9.0) / (2.0 * math.pi * 110_000.0)
    assert found.loud.edges.slower_s > found.own.slower_s


def assert_rings_as_poles(ring, natural_hz, q):
    assert ring is not None
    root = math.sqrt(1.0 - 0.25 / q**2)
    # The poles are exact in any part of the wave; 1e-3 is what noise of −100 dB and the other pole leave.
    assert ring.frequency_hz == pytest.approx(natural_hz * root, rel=1e-3)
    assert ring.q == pytest.approx(q, rel=2e-3)
    assert ring.cycles == pytest.approx(math.log(10.0) * q * root / math.pi, rel=3e-3)


def test_a_resonance_near_the_edge_is_found_by_what_rings():
    found = analysed(product(two_poles(12_000.0, 8.0), high_pass(5.0)))
    assert_rings_as_poles(found.loud.edges.ringing, 12_000.0, 8.0)
    assert found.low_corner_hz == pytest.approx(5.0, abs=0.5)  # the ringing is no tilt


@pytest.mark.parametrize(
    ("natural_hz", "q"),
    [
        (16_000.0, 1.0),
        *(pytest.param(*one, marks=pytest.mark.wide) for one in [(9_000.0, 3.0), (5_000.0, 2.0), (8_000.0, 0.8)]),
    ],
)
def test_the_overshoot_is_known_as_well_as_its_limit_says(natural_hz, q):
    found = analysed(two_poles(natural_hz, q), noise=0.0)
    truth = math.exp(-math.pi / math.sqrt(4.0 * q**2 - 1.0))
    if natural_hz > 12_000.0:  # too near the edge: a bound
        assert found.overshoot_limit is None
        assert 0.5 * truth < found.overshoot < truth
    else:
        assert found.overshoot_limit is not None
        assert abs(found.overshoot - truth) < found.overshoot_limit < 0.3 * truth


def test_the_overshoot_of_a_resonance_far_below_the_edge():
    """exp(−π/√(4Q² − 1)) at 2 kHz: 44.43 % for Q = 2.

    The smoothing is about a Gaussian of 20 µs / 2.56 = 8 µs: it takes ½·(2π · 2 kHz · 8 µs)² = 0.5 % of a peak away.
    """
    found = analysed(two_poles(2_000.0, 2.0), frequency_hz=200.0)
    assert found.overshoot == pytest.approx(math.exp(-math.pi / math.sqrt(15.0)), rel=0.01)
    assert abs(found.overshoot - math.exp(-math.pi / math.sqrt(15.0))) < found.overshoot_limit
    assert_rings_as_poles(found.loud.edges.ringing, 2_000.0, 2.0)
    assert found.unit_rise_s is None  # rise times don't add in squares here


@pytest.mark.parametrize(("corner_hz", "frequency_hz"), [(5.0, 1000.0), (20.0, 1000.0), (10.0, 100.0), (25.0, 100.0)])
def test_a_first_order_high_pass_tilts_the_tops(corner_hz, frequency_hz):
    found = analysed(high_pass(corner_hz), frequency_hz=frequency_hz, part_s=0.04)
    # (V₁ − V₂)/mean with V₂ = V₁·exp(−x), x = π · corner / frequency.
    x = math.pi * corner_hz / frequency_hz
    assert found.tilt == pytest.approx(2.0 * math.tanh(0.5 * x), abs=0.0015)  # as stated
    assert found.low_corner_hz == pytest.approx(corner_hz, abs=0.0015 * frequency_hz / math.pi)
    assert found.overshoot < 0.002


def test_tops_that_rise_have_no_corner():
    found = analysed(lambda hz: 1.0 + 30.0 / (1j * hz))  # an integral beside: tops rise
    assert found.tilt < -0.05
    assert math.isnan(found.low_corner_hz)


def trapezoid(rate_v_per_s, level_v):
    """Lines of a square of ±level whose edges have one slope: each times sinc (the series of a trapezoid)."""
    orders = np.arange(1, len(played()) + 1)
    return level_v * played() * np.sinc(orders * FREQUENCY_HZ * 2.0 * level_v / rate_v_per_s)


def test_slewing_is_rise_time_that_grows_with_level():
    """A slope of 20,000 V/s takes 100 µs for ±1 V: 80 µs from 10 % to 90 %; quietly the band is slower."""
    found = analysed(ideal, loud=trapezoid(20_000.0, 1.0))
    assert found.loud.edges.rise_s == pytest.approx(80e-6, rel=0.02)  # the band's edge rounds the corners
    assert found.growth == pytest.approx(80e-6 / found.own.slower_s - 1.0, rel=0.03)
    assert found.growth_half_width < 0.01
    # At least so much: the band only flattens, and its own ringing of 0.2 % adds.
    assert 0.97 * 20_000.0 < found.loud.edges.steepest < 1.005 * 20_000.0


def test_no_slewing_no_growth():
    found = analysed(one_pole(20_000.0))
    assert abs(found.growth) < 1.5 * found.growth_half_width
    assert found.growth_half_width < 0.01


def test_noise_widens_what_is_told():
    clean, noisy = (analysed(product(one_pole(6_000.0), high_pass(20.0)), noise=noise) for noise in (1e-5, 1e-3))
    for name in ("rise_s", "tilt", "step"):
        assert 20.0 < noisy.loud.half_width[name] / clean.loud.half_width[name] < 500.0


def _held(trials):
    """Of each figure, how often its half-width held the truth (that without noise), in trials of seeded noise."""
    circuit = product(two_poles(9_000.0, 3.0), high_pass(20.0))
    truth = analysed(circuit, noise=0.0).loud.edges
    held = dict.fromkeys(("rise_s", "tilt", "step", "overshoot", "ringing_hz", "ringing_q"), 0)
    for trial in range(trials):
        one = analysed(circuit, noise=3e-3, seed=trial + 2).loud
        for name in held:
            of = [edges if hasattr(edges, name) else edges.ringing for edges in (one.edges, truth)]
            read = [getattr(edge, name.removeprefix("ringing_") if name == "ringing_q" else
                            "frequency_hz" if name == "ringing_hz" else name) for edge in of]  # fmt: skip
            held[name] += abs(read[0] - read[1]) <= one.half_width[name]
    return held


@pytest.mark.wide
def test_half_widths_hold_95_percent():
    """Of 80: 76 are expected, and fewer than 69 come in 1 of 1,600 sets (binomial)."""
    assert min(_held(80).values()) >= 69


@pytest.mark.parametrize("seed", range(3))
def test_noise_alone_is_no_square_wave(seed):
    noise = np.random.default_rng(seed).standard_normal(round(0.16 * RATE_HZ))
    with pytest.raises(SignalError, match="clear of the noise"):
        analyze_square(
            noise, noise, played=played(), frequency_hz=FREQUENCY_HZ, band_hz=BAND_HZ, parts=PARTS, periods=20
        )


def test_a_sine_or_another_wave_is_no_square_wave():
    third = np.where(np.arange(1, len(played()) + 1) == 3, 1.0 + 0j, 0.0)
    with pytest.raises(SignalError, match="no square wave"):
        analysed(ideal, loud=third)


_NETLIST = """a stage whose current into its capacitor is limited: it slews
V1 in 0 PULSE(-1 1 0 1n 1n 0.4999990m 1m)
B1 0 out I=2m*tanh((v(in)-v(out))/0.05)
C1 out 0 {farad}
.tran 0.25u 3m 0 0.25u
.control
set wr_singlescale
set numdgt=12
option reltol=1e-6
run
linearize v(out)
wrdata {file} v(out)
quit
.endc
.end
"""


@pytest.mark.spice
def test_a_stage_that_slews_in_ngspice(tmp_path):
    """2 mA into 50 nF are 0.04 V/µs: ngspice's own course, and by it the time from 10 % to 90 %."""
    netlist, file = tmp_path / "slew.cir", tmp_path / "out.txt"
    netlist.write_text(_NETLIST.format(farad="50n", file=file))
    subprocess.run([require("ngspice"), "-b", str(netlist)], check=True, capture_output=True, timeout=60)
    time_s, out_v = np.loadtxt(file, skiprows=0 if file.read_text()[:20].strip()[0].isdigit() else 1).T[:2]
    last = (time_s >= 2e-3 - 1e-12) & (time_s < 3e-3 - 1e-10)
    lines = 2.0 * np.fft.rfft(out_v[last])[1 : len(played()) + 1] / np.count_nonzero(last)
    rising = out_v[last][: np.count_nonzero(last) // 2]
    crossed = [float(np.interp(level, rising, time_s[last][: len(rising)])) for level in (-0.8, 0.8)]
    found = analysed(ideal, loud=lines)
    # Seen through the band, whose own 20 µs add in squares: 5 % of 40 µs is the method's own limit there.
    assert math.sqrt(found.loud.edges.rise_s**2 - found.own.rise_s**2) == pytest.approx(
        crossed[1] - crossed[0], rel=0.15
    )
    assert found.growth > 0.5
    assert 0.6 * 0.04e6 < found.loud.edges.steepest < 1.005 * 0.04e6
