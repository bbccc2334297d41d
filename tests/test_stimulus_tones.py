"""Stimuli of several tones against their own formulas: peaks, levels, periods, interleaving, low crest factors."""

from __future__ import annotations

import functools
import json
import math

import numpy as np
import pytest
from benches import Meddling, bench_file

from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.errors import RequestError
from audiomeas.measurement.api import generate
from audiomeas.measurement.session import Session
from audiomeas.recording import read_recording
from audiomeas.stimulus import Multitone, SquarePlusSine, TwinTone, read_stimulus
from audiomeas.stimulus.marker import marker

RATE_HZ = 48_000.0


@functools.cache
def many_tones(tones, rate_hz=RATE_HZ, level_v_rms=0.5):
    """Made once: the search for phases takes a while."""
    return Multitone.low_crest(level_v_rms=level_v_rms, sample_rate_hz=rate_hz, tones=tones)


def window_of(stimulus, samples=None):
    (window,) = stimulus.windows()
    samples = stimulus.samples_v() if samples is None else samples
    return samples[window.start : window.stop]


def lines(samples):
    """Peak amplitude of each bin of whole periods."""
    return 2.0 * np.abs(np.fft.rfft(samples)) / len(samples)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "ratio"),
    [(60.0, 7000.0, 4.0), (250.0, 8000.0, 4.0), (19_000.0, 20_000.0, 1.0), (11.0, 13.0, 0.5)],
)
def test_a_twin_tone_has_two_lines_and_the_peak_of_its_sine(low_hz, high_hz, ratio):
    twin = TwinTone.bin_centred(low_hz=low_hz, high_hz=high_hz, ratio=ratio, level_v_rms=2.0, sample_rate_hz=RATE_HZ)
    samples = twin.samples_v()
    assert len(samples) == twin.frames
    # Peaks of both add: the sine with that peak has 2 V r.m.s.
    low_v = 2.0 * math.sqrt(2.0) * ratio / (1.0 + ratio)
    found = lines(window_of(twin))
    assert found[round(low_hz)] == pytest.approx(low_v, rel=1e-9)
    assert found[round(high_hz)] == pytest.approx(low_v / ratio, rel=1e-9)
    found[[round(low_hz), round(high_hz)]] = 0.0
    assert np.max(found) < 1e-9  # rounding of sines and transform
    assert np.max(np.abs(samples)) <= twin.peak_v * (1.0 + 1e-12)


def test_levels_below_the_sine_of_equal_peak():
    """1.6749 dB for 4:1 and 3.0103 dB for 1:1 (definitions.md section 2: closed form)."""
    for ratio, below_db in ((4.0, 1.6749), (1.0, 3.0103)):
        twin = TwinTone.bin_centred(low_hz=60.0, high_hz=7000.0, ratio=ratio, level_v_rms=1.0, sample_rate_hz=RATE_HZ)
        rms = math.sqrt(np.mean(window_of(twin) ** 2))
        assert -20.0 * math.log10(rms) == pytest.approx(below_db, abs=5e-5)  # the figures' last digit


@pytest.mark.parametrize(("rate_hz", "corner_hz"), [(48_000.0, 30_000.0), (96_000.0, 30_000.0), (192_000.0, 100_000.0)])
def test_square_and_sine_follow_their_series(rate_hz, corner_hz):
    stimulus = SquarePlusSine.bin_centred(level_v_rms=1.0, sample_rate_hz=rate_hz, low_pass_hz=corner_hz)
    found = lines(window_of(stimulus))
    sine_v = found[15_000]
    for order in range(1, 400, 2):
        hz = order * 3150
        if hz >= rate_hz / 2:
            break
        # 4/(πn) of a square with half the peak-to-peak of 4 sines, through 1/√(1 + (f/fc)²); nothing above the edge.
        wanted = 4.0 * sine_v * 4.0 / (math.pi * order) / math.sqrt(1.0 + (hz / corner_hz) ** 2)
        assert found[hz] == pytest.approx(wanted if hz < 0.46 * rate_hz else 0.0, rel=1e-9, abs=1e-10)
    samples = stimulus.samples_v()
    # The peak is that of the sine of equal level: never passed; reached where a crest of the sine (of which there are
    # few places within the square's period) and a sample meet the square's own.
    assert 0.95 * stimulus.peak_v < np.max(np.abs(samples)) <= stimulus.peak_v * (1.0 + 1e-6)


def test_the_low_pass_of_the_square_also_turns_its_phase():
    """A first-order low-pass answers a step with 1 − exp(−t/τ): the edges round off after the step, not before it."""
    stimulus = SquarePlusSine.bin_centred(
        level_v_rms=1.0, sample_rate_hz=768_000.0, ratio=100.0, low_pass_hz=10_000.0, window_s=0.02, settle_s=0.0
    )
    period = window_of(stimulus)[: round(768_000 / 3150)]
    step = period[: len(period) // 2]
    square_v, _ = stimulus.peaks_v()
    time_s = np.arange(len(step)) / 768_000.0
    # Closed form of the periodic answer of a first-order low-pass; the series ends at 350 kHz; 1 % of sine is on it.
    tau_s, half_s = 1.0 / (2.0 * np.pi * 10_000.0), 0.5 / 3150.0
    wanted = square_v * (1.0 - 2.0 * np.exp(-time_s / tau_s) / (1.0 + math.exp(-half_s / tau_s)))
    assert np.max(np.abs(step[3:] - wanted[3:])) < 0.03 * square_v


@pytest.mark.parametrize(("tones", "rate_hz"), [
    (8, RATE_HZ), (15, 44_100.0), (31, RATE_HZ),
    *(pytest.param(*one, marks=pytest.mark.wide) for one in ((8, 44_100.0), (15, RATE_HZ), (31, 44_100.0))),
])  # fmt: skip
def test_multitones_are_interleaved_and_never_meet_the_other_channels_products(tones, rate_hz):
    many = many_tones(tones, rate_hz)
    left, right = ([round(hz) for hz in many.tones_of(channel)] for channel in (1, 2))
    assert len(left) == len(right) == tones
    everything = sorted(left + right)
    assert everything == [hz for pair in zip(left, right, strict=True) for hz in pair]
    assert min(np.diff(everything)) >= 7
    assert not [hz for hz in everything if hz < 1000 and min(hz % 50, -hz % 50, hz % 60, -hz % 60) <= 2]
    # All sums and differences of two and of three tones of one channel, by counting them: none is the other's tone.
    for own, other in ((left, right), (right, left)):
        signed = np.array(own + [-hz for hz in own])
        second = np.unique(np.add.outer(signed, signed))
        third = np.unique(np.add.outer(second, signed))
        assert not set(other) & (
            set(second.tolist()) | set(third.tolist()) | set(np.multiply.outer(own, range(2, 8)).ravel())
        )


@pytest.mark.parametrize("tones", [8, 15, 31])
def test_the_crest_factor_is_low(tones):
    """Lower than any of 100 draws of random phases, and than Schroeder's phases; no sum of tones is below √2."""
    many = many_tones(tones)
    generator = np.random.default_rng(1970)
    orders = np.arange(tones)
    for channel in (1, 2):
        bins = [round(hz) for hz in many.tones_of(channel)]
        found = window_of(many, many.channel_samples_v(channel))
        crest = np.max(np.abs(found)) / math.sqrt(np.mean(found**2))
        draws = [generator.uniform(0, 2 * np.pi, tones) for _ in range(100)]
        draws.append(-np.pi * orders * (orders + 1) / tones)
        others = []
        for phases in draws:
            spectrum = np.zeros(24_001, dtype=complex)
            spectrum[bins] = np.exp(1j * phases)
            wave = np.fft.irfft(spectrum)
            others.append(np.max(np.abs(wave)) / math.sqrt(np.mean(wave**2)))
        assert math.sqrt(2.0) < crest < min(others)
        # What is said is of the continuous wave, which passes the samples by little.
        assert crest <= many.crest_factor(channel) < 1.05 * crest


def test_a_multitone_repeats_with_its_window_and_keeps_its_levels():
    many = many_tones(8)
    for channel in (1, 2):
        samples = many.channel_samples_v(channel)
        assert np.max(np.abs(samples)) <= many.peak_v
        whole = window_of(many, samples)
        settled = samples[round(0.1 * RATE_HZ) : round(1.1 * RATE_HZ)]  # a window's length from elsewhere
        found, moved = lines(whole), lines(settled)
        bins = [round(hz) for hz in many.tones_of(channel)]
        assert found[bins] == pytest.approx(many.tone_v_rms(channel) * math.sqrt(2.0), rel=1e-9)
        assert moved == pytest.approx(found, abs=1e-12)
        assert math.sqrt(np.mean(whole**2)) == pytest.approx(many.channel_rms_v(channel), rel=1e-9)
        found[bins] = 0.0
        assert np.max(found) < 1e-12


@pytest.mark.parametrize(
    "make",
    [
        lambda: TwinTone(
            low_hz=60.0, high_hz=7000.0, ratio=4.0, level_v_rms=0.5, sample_rate_hz=48_000.0, driven_channels=(2,)
        ),
        lambda: SquarePlusSine(level_v_rms=0.5, sample_rate_hz=96_000.0, low_pass_hz=100_000.0),
        lambda: Multitone.low_crest(level_v_rms=0.5, sample_rate_hz=48_000.0, tones=5),
        lambda: Multitone.low_crest(level_v_rms=0.5, sample_rate_hz=48_000.0, tones=5, driven_channels=(2,)),
    ],
    ids=["twin", "square", "multitone", "multitone on one"],
)
def test_facts_make_the_same_samples_again(make):
    stimulus = make()
    again = read_stimulus(json.loads(json.dumps(stimulus.facts())))
    assert again == stimulus
    assert np.array_equal(again.samples_v(), stimulus.samples_v())
    assert again.windows() == stimulus.windows()


@pytest.mark.parametrize(
    "make",
    [
        lambda: TwinTone(low_hz=7000.0, high_hz=60.0, level_v_rms=1.0, sample_rate_hz=RATE_HZ),
        lambda: TwinTone(low_hz=60.0, high_hz=24_000.0, level_v_rms=1.0, sample_rate_hz=RATE_HZ),
        lambda: TwinTone(low_hz=60.0, high_hz=7000.0, level_v_rms=math.nan, sample_rate_hz=RATE_HZ),
        lambda: TwinTone(low_hz=60.0, high_hz=7000.0, ratio=0.0, level_v_rms=1.0, sample_rate_hz=RATE_HZ),
        lambda: TwinTone(low_hz=60.0, high_hz=7000.0, level_v_rms=1.0, sample_rate_hz=RATE_HZ, window_s=1e-4),
        lambda: SquarePlusSine(level_v_rms=1.0, sample_rate_hz=16_000.0, sine_hz=7000.0),
        lambda: SquarePlusSine(level_v_rms=1.0, sample_rate_hz=RATE_HZ, square_hz=16_000.0),
        lambda: Multitone.low_crest(level_v_rms=1.0, sample_rate_hz=RATE_HZ, tones=3000),
        lambda: Multitone.low_crest(level_v_rms=1.0, sample_rate_hz=RATE_HZ, driven_channels=(1, 2, 3)),
        lambda: Multitone.low_crest(level_v_rms=1.0, sample_rate_hz=RATE_HZ, tones=0),
        lambda: Multitone.low_crest(level_v_rms=1.0, sample_rate_hz=RATE_HZ, window_s=0.01),
        lambda: Multitone.low_crest(level_v_rms=1.0, sample_rate_hz=RATE_HZ, tones=5).channel_samples_v(3),
    ],
)
def test_impossible_stimuli_are_refused(make):
    with pytest.raises(ValueError):
        make()


@pytest.mark.parametrize(
    "change", [{"tones_hz": [[17.3], [24.0]]}, {"unit_peaks": [0.1, 1.0]}, {"phases_deg": [[0.0]]}]
)
def test_damaged_facts_of_a_multitone_are_refused(change):
    facts = Multitone.low_crest(level_v_rms=0.5, sample_rate_hz=RATE_HZ, tones=1).facts()
    with pytest.raises(RequestError):
        read_stimulus({**facts, **change})


def test_both_channels_of_a_bench_play_their_own_with_markers_on_each(tmp_path):
    path = bench_file(
        tmp_path, ('range = "50:1"', 'range = "direct"'), ('output_level = "1 W"', 'input_level = "0.5 V"'),
        unit="loop", rate_hz=48_000,
    )  # fmt: skip
    bench = open_bench_file(path)
    between = Meddling(bench.interface)
    session = Session(Bench(bench.file, between))
    many = Multitone.low_crest(level_v_rms=0.5, sample_rate_hz=RATE_HZ, tones=6, window_s=0.5)
    recording = session.record(many)
    played_v = between.played_samples() / 2**31 * 2.0 * math.sqrt(2.0)  # of a card whose full scale is 2 V
    chirp = marker(RATE_HZ, peak=many.peak_v)
    at = int(np.argmax(np.abs(played_v[:, 0]) > 0))
    for channel in (1, 2):
        own = played_v[:, channel - 1]
        # Its first sample may round to zero: so it begins there or one frame before; 24 bits of 2.8 V are 0.3 µV.
        places = (own[at - back : at - back + len(chirp)] for back in (0, 1))
        assert min(np.max(np.abs(place - chirp)) for place in places) < 1e-6
        start = recording.stimulus_start
        heard = recording.signal(channel - 1)[start : start + many.frames]
        wanted = many.channel_samples_v(channel)
        # A frame off would leave far more; the card's AC coupling and noise leave less than a percent.
        assert np.sqrt(np.mean((heard - wanted) ** 2)) < 0.05 * np.sqrt(np.mean(wanted**2))


def test_generate_writes_each_channels_own_samples(tmp_path):
    many = Multitone.low_crest(level_v_rms=0.25, sample_rate_hz=RATE_HZ, tones=6)
    path = generate(many, tmp_path / "many.wav")
    recording = read_recording(path)
    assert recording.stimulus == many
    for channel in (1, 2):
        heard = recording.signal(channel - 1)[recording.stimulus_start :][: many.frames]
        assert heard == pytest.approx(many.channel_samples_v(channel), abs=2**-22)  # a step of 24 bits
