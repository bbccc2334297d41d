"""What is no capture of the sweep is refused, and the error says what is wrong."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from sweep_chains import chain, law_of, start_of, sweep, through

from audiomeas.analysis.sweep import analyze_sweep
from audiomeas.errors import SignalError
from audiomeas.stimulus import Sweep

STIMULUS = sweep()
CAPTURE = through(STIMULUS, chain(3.0))
RATE = 48_000
END = start_of(STIMULUS) + STIMULUS.frames


def analyzed(captured, start_frame=None, played=None):
    samples = STIMULUS.samples_v() if played is None else played
    return analyze_sweep(captured, samples, 48_000.0, **law_of(STIMULUS), start_frame=start_frame)


def _noise(frames, seed=3):
    return np.random.default_rng(seed).standard_normal(frames)


def _with_gap():
    captured = CAPTURE.copy()
    captured[70_000:74_800] = 0.0
    return captured


def _other(duration_s=2.0, to_hz=20_000.0):
    return through(sweep(duration_s=duration_s, to_hz=to_hz), chain(3.0))


REFUSED = {
    "silence": (np.zeros(3 * RATE), "silent"),
    "noise": (_noise(3 * RATE), "no clear impulse"),
    "a tone": (np.sin(2.0 * np.pi * 997.0 * np.arange(3 * RATE) / RATE), "no clear impulse"),
    "hum and noise of an open cable": (
        1e-4 * _noise(3 * RATE) + 1e-3 * np.sin(2.0 * np.pi * 50.0 * np.arange(3 * RATE) / RATE),
        "no clear impulse",
    ),
    "the sweep backwards": (CAPTURE[::-1], "no clear impulse"),
    "a sweep of half the length": (_other(duration_s=1.0), ""),
    "a sweep of twice the length": (_other(duration_s=4.0), ""),
    "a sweep 5 % longer": (_other(duration_s=2.1), "slower than the given stimulus"),
    "a sweep to 18 kHz": (_other(to_hz=18_000.0), "slower than the given stimulus"),
    "another sample rate": (scipy.signal.resample_poly(CAPTURE, 147, 160), "sample rate"),
    "cut at the beginning": (CAPTURE[start_of(STIMULUS) + 2_000 :], "beginning of the sweep is missing by 0.0417 s"),
    "cut at the end": (CAPTURE[: END - 2_400], "end of the sweep is missing by 0.05 s"),
    "a dropout": (_with_gap(), "drops out 0.9"),
    "no numbers": (np.where(np.arange(len(CAPTURE)) == 9, np.nan, CAPTURE), "no numbers"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused(name):
    captured, words = REFUSED[name]
    with pytest.raises(SignalError, match=words or None) as error:
        analyzed(captured)
    assert "\n" not in str(error.value)


def test_cut_at_the_end_with_a_known_start():
    with pytest.raises(SignalError, match="end of the sweep"):
        analyzed(CAPTURE[: END - 2_400], start_frame=start_of(STIMULUS))


def test_a_stimulus_that_does_not_follow_its_law():
    with pytest.raises(SignalError, match="don't follow"):
        analyzed(CAPTURE, played=_noise(STIMULUS.frames))


def test_a_law_that_is_not_synchronized():
    with pytest.raises(ValueError, match="whole number"):
        analyze_sweep(
            CAPTURE, STIMULUS.samples_v(), 48_000.0, **{**law_of(STIMULUS), "growth_s": 1.1 * STIMULUS.growth_s}
        )


def test_a_cough_is_told_with_its_place():
    captured = CAPTURE.copy()
    captured[70_000:72_400] += 0.1 * _noise(2_400)
    found = analyzed(captured)
    assert found.disturbance == pytest.approx(0.1 / (0.5 * 1.0), rel=0.3)  # r.m.s. of noise over that of the response
    place_s = (70_000 - start_of(STIMULUS)) / RATE
    assert STIMULUS.frequency_at_s(place_s) <= found.disturbance_hz <= STIMULUS.frequency_at_s(place_s + 0.05)
    assert analyzed(CAPTURE).disturbance < 0.01


def test_a_sweep_that_begins_abruptly_is_no_disturbance():
    stimulus = Sweep(start_hz=5.0, stop_hz=23_040.0, level_v_rms=1.0, sample_rate_hz=48_000.0, duration_s=4.0)
    found = analyze_sweep(through(stimulus, chain(3.0)), stimulus.samples_v(), 48_000.0, **law_of(stimulus))
    assert found.disturbance < 0.05
