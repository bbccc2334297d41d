"""Stimuli against their own formulas: levels, whole periods, ramps, the sweep's law (Novak et al. 2015)."""

from __future__ import annotations

import json

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from audiomeas.errors import RequestError
from audiomeas.stimulus import Silence, Sine, SteppedSines, Sweep, bin_centred_hz, raised_cosine_ramp, read_stimulus
from audiomeas.stimulus.marker import between_markers, marker


@given(st.floats(20, 20_000), st.sampled_from([44_100.0, 48_000.0, 96_000.0]), st.floats(0.05, 1.0))
@settings(max_examples=50)
def test_bin_centred_sine_has_one_line(frequency_hz, rate_hz, window_s):
    sine = Sine.bin_centred(frequency_hz=frequency_hz, level_v_rms=1.0, sample_rate_hz=rate_hz, window_s=window_s)
    (window,) = sine.windows()
    assert abs(sine.frequency_hz - frequency_hz) <= 0.5 * rate_hz / window.frames + 1e-9 or frequency_hz < 1 / window_s
    spectrum = np.abs(np.fft.rfft(sine.samples_v()[window.start : window.stop])) / window.frames
    line = round(sine.frequency_hz * window.frames / rate_hz)
    # One r.m.s. volt is √2/2 in the line's bin; elsewhere only rounding of the sine function and the transform.
    assert spectrum[line] == pytest.approx(np.sqrt(0.5), rel=1e-9)
    spectrum[line] = 0
    assert np.max(spectrum) < 1e-10


def test_ramps_have_no_step_and_the_level_is_rms():
    sine = Sine(frequency_hz=1000.0, level_v_rms=2.0, sample_rate_hz=48_000.0)
    samples = sine.samples_v()
    assert len(samples) == sine.frames
    assert np.max(np.abs(samples)) <= sine.peak_v * (1 + 1e-12)
    (window,) = sine.windows()
    assert np.sqrt(np.mean(samples[window.start : window.stop] ** 2)) == pytest.approx(2.0, rel=1e-9)
    # No difference between samples beyond the sine's own slope 2πf·U/rate: no click at either end.
    steepest = 2 * np.pi * 1000 * sine.peak_v / 48_000
    assert np.max(np.abs(np.diff(np.concatenate([[0.0], samples, [0.0]])))) <= steepest * 1.01
    ramp = raised_cosine_ramp(100)
    assert 0 < ramp[0] < 1e-3
    assert 1 - 1e-3 < ramp[-1] < 1


def test_steps_stand_where_they_say():
    stimulus = SteppedSines.bin_centred(
        steps=((100.0, 1.0), (1000.0, 0.1), (5000.0, 0.5)), sample_rate_hz=48_000.0, window_s=0.1
    )
    samples = stimulus.samples_v()
    assert len(samples) == stimulus.frames
    for window, (hz, level) in zip(stimulus.windows(), stimulus.steps, strict=True):
        part = samples[window.start : window.stop]
        assert np.sqrt(np.mean(part**2)) == pytest.approx(level, rel=1e-9)
        assert np.argmax(np.abs(np.fft.rfft(part))) == round(hz * 0.1)


def test_sweep_follows_the_synchronized_law():
    sweep = Sweep(start_hz=10.0, stop_hz=20_000.0, level_v_rms=1.0, sample_rate_hz=96_000.0, duration_s=2.0)
    # Novak eq. 49: f1·L is a whole number, so that each harmonic is the sweep moved by L·ln m.
    assert (sweep.start_hz * sweep.growth_s) == pytest.approx(round(sweep.start_hz * sweep.growth_s), abs=1e-12)
    samples = sweep.samples_v()
    assert len(samples) == sweep.frames
    # The instantaneous frequency by the phase of the analytic signal (scipy), away from the faded ends.
    phase = np.unwrap(np.angle(scipy.signal.hilbert(samples)))
    found_hz = np.gradient(phase) * 96_000 / (2 * np.pi)
    for time_s in (0.8, 1.2, 1.6):
        at = round(time_s * 96_000)
        expected = 10.0 * np.exp(time_s / sweep.growth_s)
        # The analytic signal of a sweep is exact only slowly; 0.5 % shows the law, not its last digit.
        assert np.mean(found_hz[at - 200 : at + 200]) == pytest.approx(expected, rel=5e-3)
        assert sweep.time_of_hz(expected) == pytest.approx(time_s, rel=1e-12)
    assert sweep.full_from_hz < 20
    assert sweep.full_to_hz > 19_000


def test_second_harmonic_of_a_sweep_is_the_sweep_moved():
    """The property that gives the sweep its name (Novak et al. 2015, section 2): cos 2φ(t) = cos φ(t + L·ln 2)."""
    sweep = Sweep(start_hz=20.0, stop_hz=8_000.0, level_v_rms=1.0, sample_rate_hz=48_000.0, fade_in_s=0, fade_out_s=0)
    growth = sweep.growth_s
    time_s = np.linspace(0.1, 0.5, 50)
    phase = 2 * np.pi * 20.0 * growth * np.exp(time_s / growth)
    moved = 2 * np.pi * 20.0 * growth * np.exp((time_s + growth * np.log(2)) / growth)
    assert np.max(np.abs(np.sin(2 * phase) - np.sin(moved))) < 1e-9


@pytest.mark.parametrize(
    "stimulus",
    [
        Sine(frequency_hz=997.0, level_v_rms=0.5, sample_rate_hz=48_000.0, driven_channels=(1,)),
        SteppedSines(steps=((100.0, 1.0), (200.0, 2.0)), sample_rate_hz=44_100.0),
        Sweep(start_hz=5.0, stop_hz=20_000.0, level_v_rms=1.0, sample_rate_hz=48_000.0),
        Silence(duration_s=0.5, sample_rate_hz=48_000.0),
    ],
    ids=lambda s: s.kind,
)
def test_facts_make_the_same_samples_again(stimulus):
    again = read_stimulus(json.loads(json.dumps(stimulus.facts())))
    assert again == stimulus
    assert np.array_equal(again.samples_v(), stimulus.samples_v())
    assert again.windows() == stimulus.windows()


@pytest.mark.parametrize(
    "facts",
    [
        {},
        {"kind": "melody"},
        {"kind": "sine"},
        {"kind": "sine", "frequency_hz": "loud", "level_v_rms": 1, "sample_rate_hz": 48000, "driven_channels": [1]},
        {"kind": "sine", "frequency_hz": 30000, "level_v_rms": 1, "sample_rate_hz": 48000, "driven_channels": [1]},
        {"kind": "sweep", "start_hz": 0, "stop_hz": 1, "level_v_rms": 1, "sample_rate_hz": 9, "driven_channels": [1]},
        {"kind": "sine", "surprise": 1, "driven_channels": [1]},
    ],
)
def test_damaged_facts_are_refused_in_one_line(facts):
    with pytest.raises(RequestError):
        read_stimulus(facts)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Sine(frequency_hz=0.0, level_v_rms=1.0, sample_rate_hz=48_000.0),
        lambda: Sine(frequency_hz=24_000.0, level_v_rms=1.0, sample_rate_hz=48_000.0),
        lambda: Sine(frequency_hz=1000.0, level_v_rms=0.0, sample_rate_hz=48_000.0),
        lambda: Sine(frequency_hz=float("nan"), level_v_rms=1.0, sample_rate_hz=48_000.0),
        lambda: Sweep(start_hz=20.0, stop_hz=30_000.0, level_v_rms=1.0, sample_rate_hz=48_000.0),
        lambda: Sweep(start_hz=20.0, stop_hz=20_000.0, level_v_rms=1.0, sample_rate_hz=48_000.0, duration_s=0.01),
        lambda: SteppedSines(steps=(), sample_rate_hz=48_000.0),
        lambda: Silence(duration_s=0.0, sample_rate_hz=48_000.0),
    ],
)
def test_impossible_stimuli_are_refused(make):
    with pytest.raises(ValueError):
        make()


def test_bin_centred_stays_below_half_the_rate():
    assert bin_centred_hz(23_999.9, 480, 48_000.0) < 24_000.0
    assert bin_centred_hz(0.001, 480, 48_000.0) == 100.0


def test_markers_stand_around_the_stimulus_at_the_given_peak():
    samples = 0.3 * np.ones(4800)
    playlist = between_markers(samples, 48_000.0, marker_peak=0.3)
    chirp = marker(48_000.0, peak=0.3)
    for start in (playlist.first_marker, playlist.last_marker):
        assert np.array_equal(playlist.samples[start : start + len(chirp)], chirp)
    start = playlist.stimulus_start
    assert np.array_equal(playlist.samples[start : start + 4800], samples)
    assert np.max(np.abs(playlist.samples)) <= 0.3
