"""The sweep analysis against chains and polynomials whose answer is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from sweep_chains import chain, errors, flat, law_of, padded, start_of, sweep, through, through_polynomial

from audiomeas.analysis.sweep import analyze_sweep, frequency_grid, gains_over_frequency
from audiomeas.stimulus import Sweep


def analyzed(stimulus, captured, **how):
    how.setdefault("start_frame", start_of(stimulus))
    return analyze_sweep(captured, stimulus.samples_v(), stimulus.sample_rate_hz, **law_of(stimulus), **how)


@pytest.mark.parametrize(
    ("rate_hz", "to_hz", "low_hz"),
    [
        (44_100.0, 20_000.0, 3.0),
        (48_000.0, 20_000.0, 0.5),
        (48_000.0, 20_000.0, 20.0),
        (96_000.0, 43_200.0, 3.0),
        pytest.param(192_000.0, 80_000.0, 3.0, marks=pytest.mark.wide),
    ],
)
def test_a_clean_linear_chain_is_read_exactly(rate_hz, to_hz, low_hz):
    stimulus = sweep(rate_hz, to_hz)
    truth = chain(low_hz)
    # A delay that is no whole number of frames at any of these rates.
    found = analyzed(stimulus, through(stimulus, truth, delay_s=0.0123456))
    assert found.frequency_hz[0] <= 20.0 and found.frequency_hz[-1] >= to_hz
    error_db, error_deg = errors(found, truth)
    # Issue 4 asks for 0.003 dB and 0.05 degrees; the arithmetic leaves a tenth of that, so half is already a fault.
    assert np.max(np.abs(error_db)) < 0.0015
    assert np.max(np.abs(error_deg)) < 0.02
    # The delay is that of the band-limited impulse's peak: the pole at 50 kHz adds up to its 3.2 µs.
    assert found.delay_s == pytest.approx(0.0123456, abs=4e-6)
    assert found.polarity == 1


def test_the_stated_uncertainty_holds_what_the_method_leaves():
    # Fades of 20 ms: this sweep rings at its start, and its lowest points must say so.
    for stimulus in (
        sweep(),
        Sweep(start_hz=5.0, stop_hz=23_040.0, level_v_rms=1.0, sample_rate_hz=48_000.0, duration_s=4.0),
        Sweep(start_hz=20.0, stop_hz=23_040.0, level_v_rms=1.0, sample_rate_hz=48_000.0, duration_s=1.0),
    ):
        truth = chain(3.0)
        found = analyzed(stimulus, through(stimulus, truth))
        wrong = np.abs(found.gain / np.abs(truth(found.frequency_hz)) - 1.0)
        assert np.all(wrong <= found.gain_uncertainty), found.frequency_hz[wrong > found.gain_uncertainty]


def test_group_delay_is_that_of_scipy():
    stimulus = sweep()
    b, a = scipy.signal.butter(2, 2_000.0, fs=48_000.0)
    found = analyzed(stimulus, through(stimulus, lambda f: scipy.signal.freqz(b, a, f, fs=48_000.0)[1]))
    truth_frames = scipy.signal.group_delay((b, a), found.frequency_hz, fs=48_000.0)[1]
    there = (found.frequency_hz > 40.0) & (found.frequency_hz < 10_000.0)
    # One microsecond: a hundredth of this filter's 110 µs.
    assert np.max(np.abs(found.group_delay_s + found.delay_s - truth_frames / 48_000.0)[there]) < 1e-6


def test_a_resonance_is_followed():
    # Q of 20 at 1 kHz, 20 dB: it rings for 6 ms per neper, well inside what is kept.
    def truth(f):
        return 1.0 + 9.0 * (1j * f / 20_000.0) / (1.0 + 1j * f / 20_000.0 - (f / 1_000.0) ** 2)

    stimulus = sweep()
    error_db, _ = errors(analyzed(stimulus, through(stimulus, truth)), truth)
    assert np.max(np.abs(error_db)) < 0.003


def test_inverted_polarity_is_said_and_changes_nothing_else():
    stimulus = sweep()
    captured = through(stimulus, chain(3.0))
    straight, inverted = analyzed(stimulus, captured), analyzed(stimulus, -captured)
    assert (straight.polarity, inverted.polarity) == (1, -1)
    assert inverted.delay_s == straight.delay_s
    np.testing.assert_allclose(inverted.gain, straight.gain, rtol=1e-12)
    turned = np.abs(inverted.phase_deg(1000.0) - straight.phase_deg(1000.0))
    np.testing.assert_allclose(turned, 180.0, atol=1e-6)


@pytest.mark.parametrize(("order", "coefficient", "amplitude", "phase_deg"), [
    # With x = sin φ:  x² = ½ + ½·sin(2φ − 90°);  x³ = ¾·sin φ + ¼·sin(3φ + 180°);  x⁴ = … + ⅛·sin(4φ + 90°) …
    (2, 0.02, 0.01, -90.0),
    (3, 0.04, 0.01, 180.0),
    (4, 0.08, 0.01, 90.0),
    (5, 0.048, 0.003, 0.0),
    (6, 0.096, 0.003, -90.0),
])  # fmt: skip
def test_harmonic_of_a_polynomial(order, coefficient, amplitude, phase_deg):
    stimulus = sweep(level_v_rms=2**-0.5)
    found = analyzed(stimulus, through_polynomial(stimulus, [0.0, 1.0, *[0.0] * (order - 2), coefficient]))
    # What an odd power adds to the fundamental: its binomial coefficient (x³: ¾, x⁵: ⅝).
    fundamental = 1.0 + coefficient * {3: 0.75, 5: 0.625}.get(order, 0.0)
    harmonic = found.harmonics[order - 2]
    assert harmonic.order == order
    there = (harmonic.frequency_hz >= 20.0) & (order * harmonic.frequency_hz < 21_000.0)
    ratio = harmonic.ratio[there] * fundamental / (amplitude * np.exp(1j * np.radians(phase_deg)))
    # Issue 4: 0.05 dB and 1 degree, from 20 Hz to where the harmonic meets the band's end.
    assert np.max(np.abs(20.0 * np.log10(np.abs(ratio)))) < 0.05
    assert np.max(np.abs(np.degrees(np.angle(ratio)))) < 1.0
    error_db, _ = errors(found, lambda f: fundamental * flat(f))
    assert np.max(np.abs(error_db)) < 0.02


def test_harmonics_of_a_clean_chain_are_below_their_noise_floor_or_tiny():
    stimulus = sweep()
    captured = through(stimulus, chain(3.0))
    quantised = np.round(captured * 2.0**23) / 2.0**23
    for harmonic in analyzed(stimulus, quantised).harmonics:
        # −120 dB from 50 Hz on: what 24 bits leave.
        assert np.max(np.abs(harmonic.ratio[harmonic.frequency_hz > 50.0])) < 1e-6


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.wide) for seed in (2, 3))])
def test_second_harmonic_and_noise_change_little(seed):
    stimulus = sweep(level_v_rms=2**-0.5)
    captured = through_polynomial(stimulus, [0.0, 1.0, 0.02])
    noise = 10.0 ** (-90.0 / 20.0) * stimulus.level_v_rms
    captured = captured + noise * np.random.default_rng(seed).standard_normal(len(captured))
    error_db, error_deg = errors(analyzed(stimulus, captured), flat)
    assert np.max(np.abs(error_db)) < 0.02  # issue 4
    assert np.max(np.abs(error_deg)) < 0.05


@pytest.mark.parametrize("noise_db", [-60.0, -30.0])
def test_the_uncertainty_covers_noise_at_its_level_of_confidence(noise_db):
    stimulus = sweep()
    truth = chain(3.0)
    captured = through(stimulus, truth)
    inside, windows = [], []
    for seed in range(4):
        noise = 10.0 ** (noise_db / 20.0) * 0.5 * np.random.default_rng(seed).standard_normal(len(captured))
        found = analyzed(stimulus, captured + noise)
        wrong = np.abs(found.gain / np.abs(truth(found.frequency_hz)) - 1.0)
        inside.append(wrong <= found.gain_uncertainty)
        windows.append(found.window_s)
    # 1,000 points, of which some 250 are independent (windows overlap): 95 % less 4 standard errors of 1.4 %.
    assert 0.89 <= np.mean(inside) <= 0.995
    # Noise shortens what is kept of the impulse where it is stronger than the response's tail: at high frequencies.
    assert all(window[0] > 3.0 * window[-1] for window in windows)


def test_twice_the_noise_is_twice_the_uncertainty():
    stimulus = sweep()
    captured = through(stimulus, chain(3.0))
    noise = 1e-3 * np.random.default_rng(7).standard_normal(len(captured))
    once, twice = (analyzed(stimulus, captured + times * noise).noise[-1] for times in (1.0, 2.0))
    assert twice / once == pytest.approx(2.0, rel=0.01)  # the same noise, so only rounding and the chain differ


def test_hum_is_seen_where_it_is():
    stimulus = sweep()
    captured = through(stimulus, chain(3.0))
    hum = 1e-3 * np.sin(2.0 * np.pi * 50.0 * np.arange(len(captured)) / 48_000.0)
    found = analyzed(stimulus, captured + hum)
    near = np.argmin(np.abs(found.frequency_hz - 50.0))
    far = np.argmin(np.abs(found.frequency_hz - 500.0))
    assert found.gain_uncertainty[near] > 20.0 * found.gain_uncertainty[far]


def test_a_capture_with_minutes_around_it_gives_its_start():
    stimulus = sweep()
    quiet = 1e-5 * np.random.default_rng(11).standard_normal(48_000 * 100)
    captured = through(stimulus, chain(3.0))
    quiet[48_000 * 70 : 48_000 * 70 + len(captured)] += captured
    found = analyzed(stimulus, quiet, start_frame=None)
    assert found.start_frame == 48_000 * 70 + start_of(stimulus)
    assert not found.start_known
    error_db, _ = errors(found, chain(3.0))
    assert np.max(np.abs(error_db)) < 0.02


@pytest.mark.parametrize("ppm", [pytest.param(37.0, marks=pytest.mark.wide), 200.0, -500.0])
def test_another_clock_is_told_and_hardly_matters_to_the_gain(ppm):
    stimulus = sweep()
    time_s = (np.arange(len(padded(stimulus))) - start_of(stimulus)) / 48_000.0 * (1.0 + 1e-6 * ppm)
    # The sweep's own formula (Novak 2015, eq. 47) on the other clock's time.
    turns = stimulus.start_hz * stimulus.growth_s * np.exp(time_s / stimulus.growth_s)
    end_s = stimulus.frames / 48_000.0
    rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(time_s / stimulus.fade_in_s, 0.0, 1.0))
    fall = 0.5 - 0.5 * np.cos(np.pi * np.clip((end_s - time_s) / stimulus.fade_out_s, 0.0, 1.0))
    captured = np.sqrt(2.0) * np.sin(2.0 * np.pi * turns) * rise * fall
    found = analyzed(stimulus, captured, start_frame=None)
    assert np.max(np.abs(errors(found, flat)[0])) < 0.02  # issue 4
    # A clock that runs fast by p sees the sweep grow slower by p: one ppm of rounding.
    assert found.growth_error * 1e6 == pytest.approx(-ppm, abs=1.5)


def test_arguments_stay_as_they_are():
    stimulus = sweep(duration_s=1.0)
    captured = through(stimulus, chain(3.0))
    copy = captured.copy()
    analyzed(stimulus, captured)
    np.testing.assert_array_equal(captured, copy)


def test_grid_holds_the_third_octaves_of_iec_61260():
    grid = frequency_grid(20.0, 20_000.0, 24, (1000.0, 440.0))
    for exact_hz in (1000.0, 31.622777, 125.89254, 15_848.932):  # tests/reference/band_frequencies (IEC 61260-1)
        assert np.min(np.abs(grid / exact_hz - 1.0)) < 1e-6
    assert {20.0, 440.0, 20_000.0} <= set(grid)
    assert np.all(np.diff(grid) > 0)
    # 24 in each octave of 10^0.3, nearly ten of them, and three named ones.
    assert len(grid) == pytest.approx(24 * 3.0 / 0.3, abs=3)


# -- the quick form for a first look ----------------------------------------------------------------------------------


def _quiet_sweep() -> Sweep:
    return Sweep(start_hz=10.0, stop_hz=21_600.0, level_v_rms=0.01, sample_rate_hz=48_000.0, duration_s=1.5)


def _gain(captured, stimulus):
    frequency_hz, gains, noises = gains_over_frequency(
        [captured], stimulus.samples_v(), 48_000.0, low_hz=stimulus.full_from_hz, high_hz=stimulus.full_to_hz
    )
    return frequency_hz, gains[0], noises[0]


def test_first_look_reads_the_gain():
    stimulus = _quiet_sweep()
    captured = through(stimulus, chain(3.0, gain=20.0))[start_of(stimulus) :]
    frequency_hz, gain, noise_gain = _gain(captured, stimulus)
    there = frequency_hz > 20.0
    truth = np.abs(chain(3.0, gain=20.0)(frequency_hz))
    assert np.max(np.abs(20.0 * np.log10(gain / truth))[there]) < 0.02  # a quick look: its use is a ceiling of 3 dB
    assert np.all(noise_gain < 1e-3 * gain)


@pytest.mark.parametrize("seed", range(4))
def test_first_look_in_noise_never_misses_the_largest_gain(seed):
    stimulus = _quiet_sweep()
    captured = through(stimulus, chain(3.0))[start_of(stimulus) :]
    # Noise as strong as the sweep itself at the output.
    noisy = captured + 0.005 * np.random.default_rng(seed).standard_normal(len(captured))
    _, gain, noise_gain = _gain(noisy, stimulus)
    assert np.max(gain + noise_gain) >= 0.5
    # … nor is it drowned: 0.5, three standard deviations of noise at the top (0.2 each), its half-width (0.35).
    assert np.max(gain + noise_gain) <= 1.45


def test_first_look_at_silence_is_zero_gain():
    stimulus = _quiet_sweep()
    _, gain, noise_gain = _gain(np.zeros(stimulus.frames + 24_000), stimulus)
    assert not gain.any() and not noise_gain.any()
