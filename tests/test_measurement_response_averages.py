"""Averages of a response: what repeats stays, noise falls by 10·lg(n), a damaged repetition is named and left out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from sweep_chains import chain, start_of, through
from test_measurement_response import FULL_SCALE_V_RMS, analysed, played, recording_of

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.stimulus import RepeatedSweeps, Sweep, read_stimulus

RESPONSE = find("response")
CHAIN = chain(30.0, 15_000.0, gain=20.0)
#: Noise 60 dB below the capture's largest values: above what the method leaves by far.
NOISE_V = 20.0 * 0.1 * 1e-3
COUNT = 4


def averages_of(count, **options):
    return played(channels=(1,), averages=count, duration_s=1.0, from_hz=40.0, low_hz=40.0, **options)


STIMULUS = averages_of(COUNT)
SWEEP_OPTIONS = {"low_hz": 40.0}


@pytest.fixture(scope="module")
def clean():
    """Return the exact capture: the chain's spectrum times that of all sweeps with their gaps."""
    return through(STIMULUS, CHAIN)


def noisy(clean, seed=1):
    return clean + NOISE_V * np.random.default_rng(seed).standard_normal(len(clean))


def begin(number):
    """Return the frame of the capture at which a repetition (1-based) begins."""
    return start_of(STIMULUS) + (number - 1) * STIMULUS.period_frames


def test_the_stimulus_is_the_sweep_repeated_and_reads_back():
    assert isinstance(STIMULUS, RepeatedSweeps) and isinstance(averages_of(1), Sweep)
    one, all_of_them = STIMULUS.sweep.samples_v(), STIMULUS.samples_v()
    assert len(all_of_them) == STIMULUS.frames == 3 * STIMULUS.period_frames + len(one)
    for number in range(COUNT):
        start = number * STIMULUS.period_frames
        assert np.array_equal(all_of_them[start : start + len(one)], one)
        assert not np.any(all_of_them[start + len(one) : start + STIMULUS.period_frames])
    assert read_stimulus(STIMULUS.facts()) == STIMULUS
    assert [window.start for window in STIMULUS.windows()] == [n * STIMULUS.period_frames for n in range(COUNT)]


def test_an_average_of_an_exact_chain_is_exact(clean):
    result = analysed(recording_of(STIMULUS, clean), **SWEEP_OPTIONS)
    one = result.channel(1).values
    truth_db = 20.0 * np.log10(np.abs(CHAIN(np.array(one["frequency_hz"]))))
    there = np.array(one["frequency_hz"]) >= 40.0
    # Issue 4: 0.003 dB.
    assert np.max(np.abs(np.array(one["gain_db"]) - truth_db)[there]) < 0.003
    assert (result.conditions["averages"], result.conditions["averages_played"]) == (4, 4)
    assert "6.0 dB lower" in result.conditions["averaging"]
    assert result.warnings == ()
    # The impulse of the chain peaks 0.1 frames after its input (two poles): the place is known as with one sweep.
    assert abs(one["delay_s"]) < 1.0 / 48_000.0


def test_noise_falls_by_ten_log_n(clean):
    """Mean square of the error against the closed form, 4 sweeps against 1: 6.02 dB."""
    powers = {1: [], COUNT: []}
    truth = None
    for seed in range(4):
        capture = noisy(clean, seed)
        single = capture[: begin(2)]
        for count, stimulus, samples in ((1, STIMULUS.sweep, single), (COUNT, STIMULUS, capture)):
            one = analysed(recording_of(stimulus, samples), **SWEEP_OPTIONS).channel(1).values
            frequency_hz = np.array(one["frequency_hz"])
            truth = 20.0 * np.log10(np.abs(CHAIN(frequency_hz)))
            middle = (frequency_hz > 100.0) & (frequency_hz < 10_000.0)
            powers[count].append(np.mean((np.array(one["gain_db"]) - truth)[middle] ** 2))
    gained_db = 10.0 * math.log10(np.mean(powers[1]) / np.mean(powers[COUNT]))
    # 4 runs × about 50 independent points: the ratio of two means of squares spreads by 10/ln 10·√(4/200) = 0.6 dB.
    assert gained_db == pytest.approx(10.0 * math.log10(COUNT), abs=1.8)


def test_the_stated_uncertainty_falls_with_it(clean):
    capture = noisy(clean)
    four = analysed(recording_of(STIMULUS, capture), **SWEEP_OPTIONS).channel(1).values
    one = analysed(recording_of(STIMULUS.sweep, capture[: begin(2)]), **SWEEP_OPTIONS).channel(1)
    ratio = np.array(one.values["gain_shape_uncertainty_db"]) / np.array(four["gain_shape_uncertainty_db"])
    # √4 = 2; each half-width is estimated from noise itself, to about 10 %.
    assert np.median(ratio) == pytest.approx(2.0, rel=0.15)


def _cough(capture, size_v=0.02):
    rng = np.random.default_rng(5)
    at = begin(2) + 24_000
    capture[at : at + 2_400] += size_v * rng.standard_normal(2_400)  # 10 times the noise, 1 % of the sweep
    return capture


def _dropout(capture):
    at = begin(2) + 20_000
    capture[at : at + 1_000] = 0.0
    return capture


def _lost_once(capture):
    """Seven frames are lost before the last sweep."""
    at = begin(4) - 4_000
    return np.concatenate([capture[:at], capture[at + 7 :], np.zeros(7)])


def _ended_early(capture):
    return capture[: begin(4) + 30_000]


@pytest.mark.parametrize(
    ("damage", "number", "words"),
    [
        (_cough, 2, "differs from the others by .* 0.5. s after its beginning .*: a disturbance"),
        (_dropout, 2, "differs from the others by"),
        (_lost_once, 4, "arrives 7.0 frames earlier than the others: samples were repeated or lost before it"),
        (_ended_early, 4, "is not wholly in the capture"),
    ],
)
def test_a_damaged_repetition_is_named_and_left_out(clean, damage, number, words):
    result = analysed(recording_of(STIMULUS, damage(noisy(clean))), **SWEEP_OPTIONS)
    assert result.conditions["averages"] == COUNT - 1 and result.conditions["averages_played"] == COUNT
    (warning,) = result.warnings
    import re

    assert re.fullmatch(f"sweep {number} {words}.*; it is left out of the average", warning)
    one = result.channel(1).values
    truth_db = 20.0 * np.log10(np.abs(CHAIN(np.array(one["frequency_hz"]))))
    there = np.array(one["frequency_hz"]) >= 40.0
    error_db = np.array(one["gain_db"]) - truth_db
    # Within three of its own 95 % half-widths everywhere: the damage is gone.
    assert np.all(np.abs(error_db[there]) < 3.0 * np.array(one["gain_uncertainty_db"])[there])


def test_noise_alone_leaves_nothing_out(clean):
    for seed in range(2):
        result = analysed(recording_of(STIMULUS, noisy(clean, 100 + seed)), **SWEEP_OPTIONS)
        assert result.conditions["averages"] == COUNT and result.warnings == ()


def test_hum_leaves_nothing_out(clean):
    time_s = np.arange(len(clean)) / 48_000.0
    hum = 0.02 * np.sin(2.0 * np.pi * 50.03 * time_s) + 0.005 * np.sin(2.0 * np.pi * 7.0 * time_s)
    result = analysed(recording_of(STIMULUS, noisy(clean) + hum), **SWEEP_OPTIONS)
    assert result.conditions["averages"] == COUNT


def test_two_that_differ_are_refused_as_it_cannot_be_told_which(clean):
    stimulus = averages_of(2)
    capture = _cough(noisy(clean), 0.06)[: begin(3)]
    with pytest.raises(SignalError, match="with at least 3 averages"):
        analysed(recording_of(stimulus, capture), **SWEEP_OPTIONS)


def test_another_clock_is_refused(clean):
    """A sample rate 100 ppm off: the sweeps come 5.8 frames later each; told by interpolation on a cubic."""
    from scipy.interpolate import CubicSpline

    frames = np.arange(len(clean), dtype=float)
    moved = CubicSpline(frames, clean)(frames / (1.0 + 100e-6))
    with pytest.raises(SignalError, match=r"no two of the 4 sweeps arrive alike .*\+10[01] ppm"):
        analysed(recording_of(STIMULUS, moved), **SWEEP_OPTIONS)


@pytest.mark.parametrize("cut_frames", [0, 30_000])
def test_a_capture_whose_start_is_not_known(clean, cut_frames):
    silence = np.zeros(100_000)
    capture = np.concatenate([silence, noisy(clean), silence]) if not cut_frames else noisy(clean)[begin(1) + 30_000 :]
    recording = recording_of(STIMULUS, capture, stimulus_start=None, shared_clock=False)
    result = analysed(recording, same_clock=True, **SWEEP_OPTIONS)
    assert result.conditions["averages"] == (COUNT - 1 if cut_frames else COUNT)
    one = result.channel(1).values
    assert one["delay_s"] is None
    truth_db = 20.0 * np.log10(np.abs(CHAIN(np.array([1000.0]))))
    assert one["gain_db"][one["frequency_hz"].index(1000.0)] == pytest.approx(truth_db[0], abs=0.02)


def test_both_channels_lose_the_same_repetition(clean):
    stimulus = played(averages=COUNT, duration_s=1.0, from_hz=40.0, low_hz=40.0)
    recording = recording_of(stimulus, noisy(clean, 1), _cough(noisy(clean, 2)))
    result = analysed(recording, **SWEEP_OPTIONS)
    assert result.conditions["averages"] == COUNT - 1
    assert result.channel(2).values["balance_db"] == pytest.approx(0.0, abs=0.05)


def test_a_late_unit_is_averaged_where_its_sweeps_arrive():
    capture = through(STIMULUS, CHAIN, delay_s=0.3)
    one = analysed(recording_of(STIMULUS, capture), **SWEEP_OPTIONS).channel(1).values
    assert one["delay_s"] == pytest.approx(0.3, abs=2e-5)
    assert one["gain_at_reference_db"] == pytest.approx(20.0 * math.log10(abs(CHAIN(np.array([1000.0]))[0])), abs=0.002)


@pytest.mark.parametrize(
    "options", [{"averages": 0}, {"averages": 65}, {"averages": 1.5}, {"averages": 64, "duration_s": 20.0}]
)
def test_what_can_not_be_played_is_refused(options):
    with pytest.raises(RequestError):
        context = PlayContext(sample_rate_hz=48_000.0, channels=(1,), input_level_v_rms=0.1)
        RESPONSE.check(context, complete(RESPONSE, options))


def test_full_scale_is_above_the_test_signals():
    """The recordings here hold volts: none is clipped by the way they are made."""
    assert 20.0 * 0.1 * math.sqrt(2.0) < FULL_SCALE_V_RMS
