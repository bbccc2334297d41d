"""Square waves and tone bursts against their definitions: the Fourier integral (scipy), and the peak's own law."""

from __future__ import annotations

import itertools
import json
import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.signal import resample
from scipy.special import sici

from audiomeas.errors import RequestError
from audiomeas.stimulus import read_stimulus
from audiomeas.stimulus.periodic import SquareWave, ToneBurst

RATE_HZ = 48_000.0


def square(frequency_hz=1000.0, **rest):
    return SquareWave.of(**{"frequency_hz": frequency_hz, "peak_v": 1.5, "sample_rate_hz": RATE_HZ, **rest})


def burst(frequency_hz=25.0, **rest):
    return ToneBurst.of(
        **{"frequency_hz": frequency_hz, "peak_v": 1.5, "sample_rate_hz": RATE_HZ, "rest_periods": 30, **rest}
    )


def window_lines(wave, window):
    """Complex peak amplitudes as of cosines, one a bin of the window."""
    part = wave.samples_v()[window.start : window.stop]
    return 2.0 * np.fft.rfft(part) / len(part)


def fourier_line(course, order, breaks):
    """The Fourier integral over one period of 1: 2∫ course(t)·exp(−2πi·order·t) dt (scipy's adaptive quadrature)."""
    spans = itertools.pairwise(breaks)
    return sum(
        quad(lambda t: 2.0 * course(t) * np.exp(-2j * np.pi * order * t), *span, limit=400, complex_func=True)[0]
        for span in spans
    )


@pytest.mark.parametrize("make", [square, burst])
def test_what_is_played_is_the_fourier_series_and_nothing_else(make):
    wave = make()
    if make is square:
        course, breaks = (lambda t: 1.0 if t < 0.5 else -1.0), (0.0, 0.5, 1.0)
    else:  # 10 of 40 periods sound
        course, breaks = (lambda t: np.sin(80.0 * np.pi * t) if t < 0.25 else 0.0), (0.0, 0.25, 1.0)
    quiet, loud = (window_lines(wave, window) for window in wave.windows())
    places = np.rint(wave.orders * wave.periods).astype(int)
    chosen = [0, 1, 5, len(places) - 1]
    wanted = np.array([fourier_line(course, wave.orders[n], breaks) for n in chosen])
    scale = abs(loud[places[0]] / wanted[0])
    # The quadrature's own tolerance is 1.5e-8.
    assert np.abs(loud[places[chosen]] - scale * wanted).max() < 1e-6
    assert np.abs(quiet - 0.1 * loud).max() < 1e-12  # 20 dB
    loud[places] = 0.0
    assert np.abs(loud).max() < 1e-12  # no DC, no even order of the square, nothing beyond the edge: rounding only


def test_the_peak_counts_the_ringing_of_the_series():
    """A long series overshoots a step by Si(π)/π − 1/2 = 8.949 % of it (Gibbs): its peak is 1.179 of its top."""
    wave = square(100.0)
    top_v = abs(wave.lines_v[0]) * np.pi / 4.0
    gibbs = 2.0 * sici(np.pi)[0] / np.pi
    # With 110 odd orders the peak is above the limit of infinitely many by less than 1e-4.
    assert wave.peak_v / top_v == pytest.approx(gibbs, rel=1e-4)
    # Between the samples too: 32 times the rate (scipy), of whole periods.
    loud = wave.windows()[1]
    part = wave.samples_v()[loud.start : loud.start + 480 * 5]
    assert np.max(np.abs(resample(part, 32 * len(part)))) == pytest.approx(1.5, rel=1e-3)
    assert np.max(np.abs(wave.samples_v())) <= 1.5 * (1.0 + 1e-9)


@pytest.mark.parametrize("make", [square, burst])
def test_levels_frames_and_facts(make):
    wave = make(driven_channels=(2,), window_s=0.8)
    samples = wave.samples_v()
    assert len(samples) == wave.frames
    for window, ratio in zip(wave.windows(), (0.1, 1.0), strict=True):
        part = samples[window.start : window.stop]
        # A burst's level is that of its tone, which sounds 10 of 40 periods; its edges round it a little.
        share = 1.0 if make is square else math.sqrt(10.0 / 40.0)
        assert np.sqrt(np.mean(part**2)) == pytest.approx(
            share * ratio * wave.level_v_rms, rel=1e-9 if make is square else 0.01
        )
        assert window.frames == wave.window_frames
        assert window.level_v_rms == pytest.approx(ratio * wave.level_v_rms)
    assert np.max(np.abs(samples[[0, -1]])) < 1e-3  # ramps: no click at either end
    assert read_stimulus(json.loads(json.dumps(wave.facts()))) == wave


@pytest.mark.parametrize(
    ("make", "change", "said"),
    [
        (square, {"frequency_hz": 6000.0}, "at most 2208 Hz"),
        (square, {"frequency_hz": 25_000.0}, "24000"),
        (square, {"frequency_hz": 1.0}, "window of at least 8 s"),
        (square, {"window_s": 600.0}, "up to 60 s"),
        (square, {"window_s": 1e308}, "up to 60 s"),  # found by tests/fuzz.py
        (square, {"quiet_below_db": 0.0}, "quiet window"),
        (square, {"peak_v": float("nan")}, "level"),
        (burst, {"rest_periods": 1}, "2 to 1000"),
        (burst, {"frequency_hz": 300.0}, "too near to 22080 Hz"),
    ],
)
def test_what_makes_no_wave_is_refused(make, change, said):
    with pytest.raises(ValueError, match=said):
        make(**change)


def test_the_frequency_is_what_was_asked_for():
    """Not rounded to eighths of a second: 100 Hz have 480 frames, and 12 of them fit into 1/8 s."""
    assert square(100.0).frequency_hz == 100.0
    assert square(997.0).frequency_hz == pytest.approx(997.0, rel=1e-4)  # half a frame of 6000


def test_facts_of_no_whole_periods_are_refused():
    facts = {**square().facts(), "frequency_hz": 1000.3}
    with pytest.raises(RequestError, match="no whole periods"):
        read_stimulus(facts)
