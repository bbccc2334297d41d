"""Captures by another clock: offset and drift are found, gain and phase are the chain's again. Closed forms."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from foreign_clocks import answer, captured_at, ticks
from sweep_chains import chain, errors, flat, law_of, sweep

from audiomeas.analysis.deconvolution import SweepLaw
from audiomeas.analysis.sweep import analyze_sweep
from audiomeas.analysis.timebase import Markers, delay_uncertainty_s, on_played_time_base
from audiomeas.errors import SignalError
from audiomeas.stimulus.marker import MARKER_FROM_HZ, MARKER_TO_HZ, between_markers, marker

STIMULUS = sweep()
RATE_HZ = STIMULUS.sample_rate_hz
CHAINS = {"a cable": flat, "an amplifier": chain(3.0), "a dull amplifier": chain(30.0, 15_000.0)}


def _markers_of(stimulus):
    playlist = between_markers(stimulus.samples_v(), stimulus.sample_rate_hz, marker_peak=stimulus.peak_v)
    before, after = playlist.markers
    waveform = marker(stimulus.sample_rate_hz)
    return Markers(waveform=waveform, from_hz=MARKER_FROM_HZ, to_hz=MARKER_TO_HZ, before=before, after=after)


MARKERS = _markers_of(STIMULUS)
APART_S = MARKERS.apart / RATE_HZ


@functools.cache
def _answer(name):
    return answer(STIMULUS, CHAINS[name])[0]


@functools.cache
def _quiet(name, ppm, drift_ppm):
    answered = _answer(name)
    # The drift runs over the markers' distance, counted from the first one, 0.25 s after the capture's beginning.
    places = ticks(len(answered), RATE_HZ, ppm=ppm, drift_ppm=drift_ppm, over_s=APART_S, from_s=0.25)
    return captured_at(answered, places)


def _captured(name, ppm, drift_ppm=0.0, noise_db=-90.0, seed=1):
    """Return a capture at the other clock's ticks, with white noise relative to the sweep's r.m.s. value of 1 V."""
    captured = _quiet(name, ppm, drift_ppm)
    noise = np.random.default_rng(seed).standard_normal(len(captured))
    return captured + 10.0 ** (noise_db / 20.0) * noise


def _laid(captured, markers=MARKERS, stimulus=STIMULUS, **how):
    law = SweepLaw(**law_of(stimulus), sample_rate_hz=stimulus.sample_rate_hz, frames=stimulus.frames)
    return on_played_time_base(
        captured, stimulus.sample_rate_hz, played=stimulus.samples_v(), law=law, markers=markers, **how
    )


def _analyzed(signal, start_frame, stimulus=STIMULUS):
    played = stimulus.samples_v()
    return analyze_sweep(signal, played, stimulus.sample_rate_hz, **law_of(stimulus), start_frame=start_frame)


@pytest.mark.parametrize(
    ("name", "ppm"),
    [
        pytest.param("an amplifier", 37.0, marks=pytest.mark.wide),
        ("an amplifier", 200.0),
        ("an amplifier", -500.0),
        pytest.param("a cable", 500.0, marks=pytest.mark.wide),
        pytest.param("a dull amplifier", -37.0, marks=pytest.mark.wide),
        ("a dull amplifier", 500.0),
    ],
)
def test_a_constant_offset(name, ppm):
    signal, base = _laid(_captured(name, ppm))
    assert base.told_by == "markers"
    # Cramér and Rao: 90 dB below, a chirp of 2,880 frames is placed within 1e-5 frames, 1e-4 ppm of 108,000 frames.
    assert base.offset_ppm == pytest.approx(ppm, abs=0.001)
    assert base.offset_uncertainty_ppm < 0.005
    assert abs(base.offset_ppm - ppm) <= base.offset_uncertainty_ppm
    assert base.drift_ppm == 0.0
    found = _analyzed(signal, base.start_frame)
    error_db, error_deg = errors(found, CHAINS[name])
    # Issue 4 and correction 8 ask for 0.02 dB and 0.3 degrees; noise at −90 dB and the method leave a tenth of that.
    assert np.max(np.abs(error_db)) < 0.002
    assert np.max(np.abs(error_deg)) < 0.03
    assert found.damage is None and found.growth_error == pytest.approx(0.0, abs=5e-5)  # the chain's own delay is in it
    # The sweep begins where the first marker says, within the poles' 11 µs.
    assert abs(found.delay_s) < 15e-6


@pytest.mark.parametrize("drift_ppm", [20.0, pytest.param(-20.0, marks=pytest.mark.wide), 2.0])
def test_a_slow_drift(drift_ppm):
    captured = _captured("an amplifier", -37.0, drift_ppm)
    signal, base = _laid(captured)
    assert base.offset_ppm == pytest.approx(-37.0, abs=0.01)
    assert base.drift_ppm == pytest.approx(drift_ppm, abs=0.1)
    assert abs(base.drift_ppm - drift_ppm) <= base.drift_uncertainty_ppm
    error_db, error_deg = errors(_analyzed(signal, base.start_frame), CHAINS["an amplifier"])
    assert np.max(np.abs(error_db)) < 0.002
    assert np.max(np.abs(error_deg)) < 0.03


def test_the_drift_would_be_seen_if_it_stayed():
    """What the other tests show is the correction's doing: with none, the phase is far off."""
    captured = _captured("an amplifier", -37.0, 20.0)
    _, error_deg = errors(_analyzed(captured, None), CHAINS["an amplifier"])
    assert np.max(np.abs(error_deg)) > 10.0


def test_in_noise_the_statement_holds_the_truth():
    """40 dB below the sweep (34 dB below what this chain of gain 0.5 makes of it), ten times.

    Cramér and Rao: 0.002 frames for the distance of two such chirps; 0.01 frame, 0.09 ppm of it, is five times that.
    """
    for seed in range(10):
        _, base = _laid(_captured("an amplifier", 200.0, noise_db=-40.0, seed=seed))
        assert base.offset_ppm == pytest.approx(200.0, abs=0.09)
        # Stated is more: a drift that noise hides would move the offset too.
        assert abs(base.offset_ppm - 200.0) <= base.offset_uncertainty_ppm < 0.5
        assert abs(base.drift_ppm) <= base.drift_uncertainty_ppm < 20.0


def test_a_drift_in_noise_lies_inside_its_uncertainty():
    inside = 0
    for seed in range(10):
        _, base = _laid(_captured("an amplifier", -37.0, 20.0, noise_db=-60.0, seed=seed))
        inside += abs(base.drift_ppm - 20.0) <= base.drift_uncertainty_ppm
    # Of ten at 95 %, fewer than seven fall inside once in 1,000 (binomial).
    assert inside >= 7


@pytest.mark.parametrize("ppm", [*(pytest.param(ppm, marks=pytest.mark.wide) for ppm in (37.0, -500.0)), 200.0])
def test_without_markers_gain_is_still_right_and_the_offset_is_not_told(ppm):
    captured = _captured("an amplifier", ppm)
    signal, base = _laid(captured, markers=None)
    assert base.told_by == "growth"
    assert base.offset_ppm is None and base.drift_ppm is None and base.start_frame is None
    # The poles' own delay is in it: its 3 µs over the sweep's growth of 0.28 s, some ppm.
    assert base.applied_ppm == pytest.approx(ppm, abs=5.0)
    error_db, _ = errors(_analyzed(signal, None), CHAINS["an amplifier"])
    assert np.max(np.abs(error_db)) < 0.002


@pytest.mark.parametrize("side", ["first", "second"])
def test_one_marker_alone_tells_no_offset(side):
    captured = _captured("an amplifier", 200.0).copy()
    start = round(0.25 * RATE_HZ) + (0 if side == "first" else MARKERS.apart)
    captured[start - 480 : start + 4_000] = 10.0**-4.5 * np.random.default_rng(2).standard_normal(4_480)
    signal, base = _laid(captured)
    assert base.told_by == "growth" and base.offset_ppm is None
    error_db, _ = errors(_analyzed(signal, None), CHAINS["an amplifier"])
    assert np.max(np.abs(error_db)) < 0.002


def test_minutes_of_silence_around_it_change_nothing():
    captured = _captured("an amplifier", 200.0)
    rng = np.random.default_rng(7)
    before, after = (10.0**-4.5 * rng.standard_normal(round(s * RATE_HZ)) for s in (80.0, 50.0))
    signal, base = _laid(np.concatenate([before, captured, after]))
    assert base.offset_ppm == pytest.approx(200.0, abs=0.001)
    assert len(signal) < STIMULUS.frames + RATE_HZ
    error_db, error_deg = errors(_analyzed(signal, base.start_frame), CHAINS["an amplifier"])
    assert np.max(np.abs(error_db)) < 0.002 and np.max(np.abs(error_deg)) < 0.03


def test_all_channels_get_one_time_base():
    """The second channel is 12 µs later and has no markers of its own that would do: the first one's count for both."""
    left = _captured("an amplifier", 200.0)
    late = _answer("an amplifier")
    places = ticks(len(late), RATE_HZ, ppm=200.0, over_s=APART_S, from_s=0.25) - 12e-6 * RATE_HZ
    right = 0.01 * captured_at(late, places)
    frames = min(len(left), len(right))
    signal, base = _laid(np.stack([right[:frames], left[:frames]], axis=1))
    assert signal.shape[1] == 2 and base.offset_ppm == pytest.approx(200.0, abs=0.001)
    delays_s = [_analyzed(signal[:, column], base.start_frame).delay_s for column in (0, 1)]
    # The impulse's peak in noise at −90 dB stands to a few nanoseconds.
    assert delays_s[0] - delays_s[1] == pytest.approx(12e-6, abs=2e-8)


@pytest.mark.parametrize("ppm", [-1500.0, 600.0, 2500.0])
def test_beyond_500_ppm_it_is_no_clock_error(ppm):
    with pytest.raises(SignalError, match=rf"back \{ppm:+.0f} ppm off.*another speed or sample rate") as error:
        _laid(_captured("an amplifier", ppm))
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("marked", [True, False])
@pytest.mark.parametrize("wrong_hz", [44_100.0, 96_000.0, 47_952.0])
def test_a_wrong_rate_in_the_header_is_refused(wrong_hz, marked):
    """47,952 Hz is the rate of 'pulled down' film sound: 0.1 % off, half a turn of the knob."""
    answered = _answer("an amplifier")
    points = round(len(answered) * wrong_hz / RATE_HZ)
    captured = captured_at(answered, np.arange(points) * RATE_HZ / wrong_hz)
    if not marked and wrong_hz == 47_952.0:
        _, base = _laid(captured, markers=None)
        assert base.applied_ppm == pytest.approx(1001.0, abs=5.0)  # said by the measurement: it may be the unit's delay
        return
    with pytest.raises(SignalError):
        signal, base = _laid(captured, markers=MARKERS if marked else None)
        _analyzed(signal, base.start_frame)


def test_a_silent_channel_is_named():
    with pytest.raises(SignalError, match="silent"):
        _laid(np.zeros(200_000))


def test_another_stimulus_is_left_to_the_analysis():
    noise = np.random.default_rng(3).standard_normal(200_000)
    signal, base = _laid(noise)
    assert base.told_by == "growth"
    with pytest.raises(SignalError):
        _analyzed(signal, base.start_frame)


@pytest.mark.parametrize("cut", ["beginning", "end"])
def test_a_cut_capture_is_refused_as_such(cut):
    captured = _captured("an amplifier", 200.0)
    start = round(0.41 * RATE_HZ)
    part = captured[start + 4_000 :] if cut == "beginning" else captured[: start + STIMULUS.frames - 4_000]
    signal, base = _laid(part)
    with pytest.raises(SignalError, match=f"{cut} of the sweep is missing by 0.08"):
        _analyzed(signal, base.start_frame)


@pytest.mark.parametrize(("rate_hz", "to_hz", "duration_s"), [
    (44_100.0, 20_000.0, 1.0), pytest.param(96_000.0, 43_200.0, 2.0, marks=pytest.mark.wide),
])  # fmt: skip
def test_other_rates_and_lengths(rate_hz, to_hz, duration_s):
    stimulus, truth = sweep(rate_hz, to_hz, duration_s), chain(3.0)
    answered, _ = answer(stimulus, truth)
    markers = _markers_of(stimulus)
    captured = captured_at(answered, ticks(len(answered), rate_hz, ppm=-500.0))
    signal, base = _laid(captured, markers, stimulus)
    assert base.offset_ppm == pytest.approx(-500.0, abs=0.001)
    error_db, error_deg = errors(_analyzed(signal, base.start_frame, stimulus), truth)
    assert np.max(np.abs(error_db)) < 0.003 and np.max(np.abs(error_deg)) < 0.05


def test_the_delay_that_a_time_base_leaves():
    # 1 ppm over 0.5 s is 0.5 µs; a drift of 2 ppm moves the offset by 1 ppm at the ends.
    found = delay_uncertainty_s(np.array([0.5, 1.0, 1.5]), 1.0, offset_ppm=1.0, drift_ppm=0.0)
    assert found == pytest.approx([0.5e-6, 0.0, 0.5e-6])
    both = delay_uncertainty_s(np.array([0.0]), 1.0, offset_ppm=1.0, drift_ppm=2.0)
    assert both == pytest.approx([np.sqrt(2.0) * 1e-6])
