"""A tone's level in a narrow band, against quantizers and converters whose law is known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from audiomeas.analysis.linearity import deviations, find_steps, level_course, narrow_level
from audiomeas.errors import SignalError

RATE_HZ = 48_000
TONE_HZ = 997.0
FULL_16 = 32_767.0


def sine(peak, seconds=1.0, *, hz=TONE_HZ, phase=0.3, rate_hz=RATE_HZ):
    return peak * np.sin(2.0 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz + phase)


def dithered(signal, generator):
    """Round to 16 bits with triangular dither of 2 steps from end to end."""
    dither = generator.random(len(signal)) - generator.random(len(signal))
    return np.rint(signal * FULL_16 + dither) / FULL_16


def level_db(found):
    """Return a level relative to a full-scale sine."""
    return 20.0 * math.log10(found.level_rms * math.sqrt(2.0))


@pytest.mark.parametrize("played_db", [0.0, -20.0, -40.0, -60.0, -70.0, -80.0, -90.0])
def test_dithered_16_bit_signals_read_within_three_tenths_to_minus_90_db(played_db):
    # 0.3 dB is the tracker's figure; noise of q²/4 leaves 0.04 dB (standard deviation) at −90 dB in one second.
    generator = np.random.default_rng(90)
    found = narrow_level(dithered(sine(0.9999 * 10.0 ** (played_db / 20.0)), generator), RATE_HZ, TONE_HZ)
    assert level_db(found) == pytest.approx(played_db + 20.0 * math.log10(0.9999), abs=0.3 if played_db < -80 else 0.06)
    assert not found.at_most


def test_half_widths_hold_nineteen_times_of_twenty():
    generator = np.random.default_rng(17)
    inside = 0
    for _ in range(120):
        signal = dithered(sine(1e-5, phase=generator.uniform(0.0, 6.28)), generator)  # −100 dB
        found = narrow_level(signal, RATE_HZ, TONE_HZ)
        inside += abs(level_db(found) + 100.0) <= found.half_width_db
    # Binomial, 120 at 0.95: 114 ± 2.4; below 106 once in a thousand.
    assert inside >= 106


def test_the_noise_is_that_of_the_dithered_quantizer():
    # q²/4 over 0…rate/2 (quantizer_snr.csv), in a bandwidth of 1.944 bins of 1 Hz (sin⁴: mean w² over mean² w).
    generator = np.random.default_rng(4)
    enbw_hz = (35 / 128) / (3 / 8) ** 2
    expected = math.sqrt((1.0 / FULL_16) ** 2 / 4.0 / (RATE_HZ / 2) * enbw_hz)
    read = [narrow_level(dithered(sine(1e-3), generator), RATE_HZ, TONE_HZ) for _ in range(20)]
    assert read[0].bandwidth_hz == pytest.approx(enbw_hz)
    # The median of some 66 independent bins has 18 % standard deviation in power; the mean of twenty 4 %.
    assert np.sqrt(np.mean([one.noise_rms**2 for one in read])) == pytest.approx(expected, rel=0.08)


@pytest.mark.parametrize("steps", [0.7, 1.2, 3.4, 10.3, 33.0])
def test_an_undithered_quantizer_has_the_gain_of_its_closed_form(steps):
    # A mid-tread staircase is a sum of pulses, one for each threshold t below the peak A: its fundamental is
    # (4q/π)·Σ √(1 − (t/A)²), t = q/2, 3q/2, … (Fourier integral).
    q = 1.0 / FULL_16
    thresholds = (np.arange(1, math.floor(steps + 0.5) + 1) - 0.5) / steps
    peak = 4.0 * q / math.pi * float(np.sum(np.sqrt(1.0 - thresholds**2)))
    signal = np.rint(sine(steps, seconds=4.0)) * q
    found = narrow_level(signal, RATE_HZ, TONE_HZ)
    # Samples know a threshold only to a sample: over 4 s at phases that never repeat that averages to some 1e-4.
    assert found.level_rms * math.sqrt(2.0) == pytest.approx(peak, rel=1e-3)


@pytest.mark.parametrize("played_db", [-20.0, -60.0, -80.0])
def test_a_wrong_weight_of_the_highest_bit_reads_as_its_closed_form(played_db):
    # A step d at zero adds d·sign(x): of a sine 4d/π at the fundamental.
    peak, d = 10.0 ** (played_db / 20.0), 2e-5
    clean = sine(peak, seconds=2.0)
    found = narrow_level(clean + d * np.sign(clean), RATE_HZ, TONE_HZ)
    expected_db = 20.0 * math.log10(1.0 + 4.0 * d / math.pi / peak)
    # sign() knows its zeros to a sample: 1e-4 of the added part, and the aliases of its harmonics pose as noise.
    assert level_db(found) - played_db == pytest.approx(expected_db, abs=0.01)


def test_a_cubic_law_reads_as_its_closed_form():
    # x − c·x³: the fundamental of A·sin is A·(1 − 3cA²/4).
    for peak in (1.0, 0.5, 0.1):
        signal = sine(peak)
        found = narrow_level(signal - 0.1 * signal**3, RATE_HZ, TONE_HZ)
        assert found.level_rms * math.sqrt(2.0) == pytest.approx(peak * (1.0 - 0.075 * peak**2), rel=1e-9)


def test_hum_and_harmonics_beside_a_quiet_tone_do_not_reach_it():
    generator = np.random.default_rng(8)
    signal = sine(1e-4, seconds=2.0) + 1e-6 * generator.standard_normal(2 * RATE_HZ)
    signal += sine(1e-2, 2.0, hz=50.03) + sine(1e-4, 2.0, hz=1000.6) + sine(5e-5, 2.0, hz=2 * TONE_HZ) + 0.01
    # 3.6 Hz beside are 7 bins; noise alone leaves 5e-5 (relative).
    assert narrow_level(signal, RATE_HZ, TONE_HZ).level_rms * math.sqrt(2.0) == pytest.approx(1e-4, rel=1e-3)


def test_noise_alone_is_a_bound_that_holds():
    generator = np.random.default_rng(3)
    bounds = 0
    for _ in range(100):
        noise = generator.standard_normal(RATE_HZ // 2)
        bounds += narrow_level(noise, RATE_HZ, TONE_HZ).at_most
    # 95 % of noise reads as a bound: binomial, 95 ± 2.2; below 87 once in a thousand.
    assert bounds >= 87


def test_what_can_not_be_read_is_refused():
    with pytest.raises(SignalError, match="too short"):
        narrow_level(sine(0.1, seconds=0.005), RATE_HZ, TONE_HZ)
    with pytest.raises(SignalError, match="another frequency"):
        narrow_level(sine(0.1), RATE_HZ, 23_999.0)
    broken = sine(0.1)
    broken[100] = math.nan
    with pytest.raises(SignalError, match="no numbers"):
        narrow_level(broken, RATE_HZ, TONE_HZ)
    with pytest.raises(SignalError, match="silence"):
        narrow_level(np.zeros(RATE_HZ), RATE_HZ, TONE_HZ)


def test_steps_of_a_disc_are_found_down_to_where_the_noise_of_the_whole_band_hides_them():
    # Tracks of 2 s with gaps of 1 s, 16 bits with dither: the noise of the band is −93 dB, the last tone −100 dB.
    generator = np.random.default_rng(12)
    falls = (0.0, 20.0, 60.0, 80.0, 90.0, 100.0)
    parts, begins, frame = [np.zeros(RATE_HZ)], [], RATE_HZ
    for fall in falls:
        parts += [sine(10.0 ** (-fall / 20.0), 2.0), np.zeros(RATE_HZ)]
        begins.append(frame)
        frame += 3 * RATE_HZ
    found = find_steps(level_course(dithered(np.concatenate(parts), generator), RATE_HZ, TONE_HZ))
    assert len(found) == len(falls)
    for span, begin in zip(found, begins, strict=True):
        # A block of 0.1 s at each end may be left out, no part of a gap may be in.
        assert begin <= span.start <= begin + 0.2 * RATE_HZ
        assert begin + 1.8 * RATE_HZ <= span.stop <= begin + 2 * RATE_HZ


def levels_of(*peaks, noise=1e-7):
    generator = np.random.default_rng(2)
    return [narrow_level(sine(peak) + noise * generator.standard_normal(RATE_HZ), RATE_HZ, TONE_HZ) for peak in peaks]


def test_deviations_tell_a_converter_that_turns_back():
    played_db = np.array([0.0, -20.0, -40.0, -60.0])
    good = deviations(played_db, levels_of(1.0, 0.1, 0.01, 0.00102), 1)
    assert good.monotonic is True
    assert good.reversals == 0
    assert good.deviation_db == pytest.approx([0.0, 0.0, 0.0, 20.0 * math.log10(1.02)], abs=1e-3)
    bad = deviations(played_db, levels_of(1.0, 0.1, 0.0009, 0.001), 1)
    assert bad.monotonic is False
    assert bad.reversals == 1


def test_levels_closer_than_their_uncertainty_leave_it_open_whether_they_rise():
    same = deviations(np.array([0.0, -90.0, -90.1]), levels_of(1.0, 3.1e-5, 3.1e-5, noise=1e-3), 0)
    assert same.monotonic is None
    assert same.reversals == 0


def test_a_reference_in_the_noise_is_refused():
    with pytest.raises(SignalError, match="reference"):
        deviations(np.array([0.0, -200.0]), levels_of(1.0, 1e-12, noise=1e-2), 1)


def test_dithered_24_bit_signals_read_true_to_minus_135_db():
    generator = np.random.default_rng(24)
    full = 2.0**23 - 1.0
    for played_db in (-60.0, -100.0, -120.0, -135.0):
        signal = sine(10.0 ** (played_db / 20.0), seconds=2.0) * full
        codes = np.rint(signal + generator.random(len(signal)) - generator.random(len(signal)))
        found = narrow_level(codes / full, RATE_HZ, TONE_HZ)
        # Noise of −141.5 dB in half the rate leaves 0.02 dB (standard deviation) at −135 dB in 2 s.
        assert level_db(found) == pytest.approx(played_db, abs=0.1)
