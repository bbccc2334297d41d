"""Seconds of tones and programmes, and who watches them. Truth: closed forms and the filters of scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import bilinear, fftconvolve, firwin, lfilter

from audiomeas.analysis.programme_second import CONTEXT_S, read_programme_second
from audiomeas.analysis.tone_second import read_tone_second
from audiomeas.analysis.watchman import Moment, Watchman
from audiomeas.stimulus.endless import EndlessProgramme, Repeated
from audiomeas.stimulus.pink_noise import PinkNoise

RATE_HZ = 48_000
TIME_S = np.arange(RATE_HZ) / RATE_HZ


def tone(frequency_hz, rms, phase=0.0):
    return math.sqrt(2.0) * rms * np.sin(2.0 * np.pi * frequency_hz * TIME_S + phase)


def test_a_second_of_a_tone_tells_level_hum_noise_and_distortion():
    rng = np.random.default_rng(1)
    parts = {"tone": 5.0, "third": 0.01, "hum": 0.004, "noise": 0.002}
    signal = (
        tone(1000.0, parts["tone"], 0.3)
        + tone(3000.0, parts["third"])
        + tone(50.2, parts["hum"])  # a mains that is off by 0.2 Hz stands between bins
        + rng.normal(0.0, parts["noise"], RATE_HZ)
    )
    found = read_tone_second(signal, RATE_HZ, frequency_hz=1000.0, mains_hz=50.0)
    in_band = parts["noise"] * math.sqrt(19_980.0 / 24_000.0)  # white noise, of which 20 Hz to 20 kHz count
    assert found.level_rms == pytest.approx(parts["tone"], rel=1e-4)
    assert math.radians(found.phase_deg) == pytest.approx(0.3, abs=1e-4)
    # A Hann window keeps 99.9 % of a line in the five bins around it (closed form); noise of 50 bins comes on top.
    assert found.hum_rms == pytest.approx(parts["hum"], rel=0.01)
    # Some 20,000 lines: their power scatters by 1 %, so its root by 0.5 %; four times that.
    assert found.noise_rms == pytest.approx(in_band, rel=0.02)
    rest = parts["third"] ** 2 + parts["hum"] ** 2 + in_band**2
    assert found.thd_n_ratio == pytest.approx(math.sqrt(rest / (rest + parts["tone"] ** 2)), rel=0.01)


def test_a_clipped_crest_is_flat_by_what_its_fourier_series_says():
    """A sine cut at c = sin φ has a fundamental of (2/π)·(φ + sin φ·cos φ) (textbooks on describing functions)."""
    cut = 0.97
    phi = math.asin(cut)
    fundamental = 2.0 / math.pi * (phi + math.sin(phi) * math.cos(phi))
    signal = np.clip(tone(997.0, 1.0 / math.sqrt(2.0)), -cut, 2.0)  # one crest alone
    half = (fundamental + 1.0) / 2.0  # the other half-wave is whole
    found = read_tone_second(signal, RATE_HZ, frequency_hz=997.0, mains_hz=50.0)
    # 20 harmonics and no constant: the cut also moves the mean, by the mean of what was cut off.
    mean = float(np.mean(signal))
    assert found.level_rms == pytest.approx(half / math.sqrt(2.0), rel=1e-4)
    assert found.flat_db == pytest.approx(-20.0 * math.log10((cut + mean) / half), abs=0.02)


def test_a_drop_of_milliseconds_is_seen_in_its_part():
    signal = tone(1000.0, 1.0)
    signal[10_000:10_960] *= 0.5  # one part of 20 ms whole, −6.02 dB
    signal[9_600:10_000] *= 0.5
    found = read_tone_second(signal, RATE_HZ, frequency_hz=1000.0, mains_hz=50.0)
    mean = (RATE_HZ - 1360 + 1360 * 0.25) / RATE_HZ
    assert found.lowest_db == pytest.approx(10.0 * math.log10(0.25 / mean), abs=0.01)


def test_silence_has_noise_and_no_level():
    noise = np.random.default_rng(2).normal(0.0, 1e-3, RATE_HZ)
    found = read_tone_second(noise, RATE_HZ, frequency_hz=None, mains_hz=60.0)
    assert found.level_rms == 0.0
    assert found.thd_n_ratio is None
    assert found.noise_rms == pytest.approx(1e-3 * math.sqrt(19_980.0 / 24_000.0), rel=0.02)


def programme(seed=3):
    """Noise that falls by 3 dB an octave or so: a one-pole low-pass of white noise, with room on both sides."""
    frames = RATE_HZ + 2 * round(CONTEXT_S * RATE_HZ)
    white = np.random.default_rng(seed).normal(0.0, 1.0, frames + 4000)
    return lfilter([1.0], [1.0, -0.9], white), frames


def test_gain_delay_and_null_of_a_programme():
    source, frames = programme()
    played, captured = source[1000 : 1000 + frames], -3.0 * source[1000 - 7 : 1000 - 7 + frames]
    noise = np.random.default_rng(4).normal(0.0, 1e-2, frames)
    found = read_programme_second(captured + noise, played, RATE_HZ, mains_hz=50.0)
    assert found.gain == pytest.approx(-3.0, rel=1e-4)
    assert found.delay_frames == pytest.approx(7.0, abs=1e-3)
    # What is left is the noise, over the whole: both within the band, by a plain spectrum of numpy.
    share = math.sqrt(power_in_band(noise) / power_in_band(captured))
    assert found.null_db == pytest.approx(20.0 * math.log10(share), abs=0.1)
    assert found.remainder_rms == pytest.approx(math.sqrt(power_in_band(noise)), rel=0.03)


def power_in_band(samples):
    lines = np.fft.rfft(samples * np.hanning(len(samples)))
    hz = np.fft.rfftfreq(len(samples), 1.0 / RATE_HZ)
    inside = (hz >= 20.0) & (hz <= 20_000.0)
    return 2.0 * float(np.sum(np.abs(lines[inside]) ** 2)) / (len(samples) * np.sum(np.hanning(len(samples)) ** 2))


def test_a_response_leaves_something_in_the_null_and_nothing_in_the_remainder():
    """A coupling capacitor (a high-pass of 8 Hz) turns bass by 20 degrees at 20 Hz: that is no distortion."""
    source, frames = programme()
    corner = 2.0 * math.pi * 8.0
    heard = lfilter(*bilinear([1.0, 0.0], [1.0, corner], RATE_HZ), source)
    noise = np.random.default_rng(5).normal(0.0, 1e-2, frames)
    found = read_programme_second(
        heard[3000 : 3000 + frames] + noise, source[3000 : 3000 + frames], RATE_HZ, mains_hz=50.0
    )
    level_db = 20.0 * math.log10(found.remainder_rms / found.level_rms)
    truth_db = 10.0 * math.log10(power_in_band(noise) / power_in_band(heard[3000 : 3000 + frames]))
    assert found.null_db > truth_db + 6.0
    # What is not met of the response (the window's edges, 20 ms of ringing against 250 ms) lies 60 dB down: beside
    # noise at −48 dB that is 0.3 dB.
    assert level_db == pytest.approx(truth_db, abs=0.4)


def test_a_source_that_ends_below_the_band_leaves_no_remainder():
    """Noise up to 7 kHz, as a file of a low rate has it: beyond it is noise over nothing, and no response."""
    source, frames = programme()
    low = firwin(801, 7000.0, fs=RATE_HZ, window=("kaiser", 12.0))  # falls by 120 dB
    played = np.convolve(source, low, "valid")[1000 : 1000 + frames]
    noise = np.random.default_rng(8).normal(0.0, 1e-4, frames)
    found = read_programme_second(0.5 * played + noise, played, RATE_HZ, mains_hz=50.0)
    # Noise in band alone; bands of a sixth of an octave take out 1 % of it.
    assert found.remainder_rms == pytest.approx(math.sqrt(power_in_band(noise)), rel=0.03)
    assert found.lowest_db == pytest.approx(0.0, abs=0.01)


def test_a_fraction_of_a_frame_is_found():
    source, frames = programme()
    shift = 0.37
    taps = np.sinc(np.arange(-200, 201) - shift) * np.hanning(403)[1:-1]
    moved = fftconvolve(source, taps, "same")
    found = read_programme_second(moved[1000 : 1000 + frames], source[1000 : 1000 + frames], RATE_HZ, mains_hz=50.0)
    assert found.delay_frames == pytest.approx(shift, abs=2e-3)


def test_pink_noise_has_equal_octaves_and_the_crest_that_is_stated():
    rate_hz = 8_000.0  # a short period is as good, and cheap
    noise = PinkNoise(sample_rate_hz=rate_hz, seed=1, crest_db=10.0).period
    assert math.sqrt(np.mean(np.square(noise))) == pytest.approx(1.0, rel=1e-4)
    assert 20.0 * math.log10(np.max(np.abs(noise))) == pytest.approx(10.0, abs=1e-3)
    power = np.abs(np.fft.rfft(noise)) ** 2
    hz = np.fft.rfftfreq(len(noise), 1.0 / rate_hz)
    octaves = [float(np.sum(power[(hz >= low) & (hz < 2.0 * low)])) for low in (40.0, 160.0, 640.0, 1600.0)]
    assert 10.0 * np.log10(octaves) == pytest.approx(10.0 * math.log10(octaves[0]), abs=0.05)
    for crest_db in (3.0, 20.0, math.nan):
        with pytest.raises(ValueError, match="crest factor"):
            PinkNoise(sample_rate_hz=float(RATE_HZ), seed=1, crest_db=crest_db)


def test_a_programme_rises_by_glides_and_never_passes_its_level():
    period = np.sign(np.sin(np.arange(480) * 0.1))
    playing = EndlessProgramme(
        Repeated(period), level_v_rms=2.0, channels=2, driven=(2,), sample_rate_hz=float(RATE_HZ)
    )
    quiet = playing.block_v(1000)
    playing.sounding = True
    rising = np.vstack([playing.block_v(512) for _ in range(150)])
    playing.sounding = False
    falling = np.vstack([playing.block_v(512) for _ in range(20)])
    assert not np.any(quiet)
    assert not np.any(rising[:, 0])
    assert np.max(np.abs(rising)) == pytest.approx(2.0)
    # By at most 6 dB a tenth of a second (from 40 dB below): nowhere louder than that after 0.3 s.
    assert np.max(np.abs(rising[: round(0.3 * RATE_HZ)])) <= 2.0 * 10.0 ** ((-40.0 + 4 * 6.0) / 20.0)
    assert not np.any(falling[-512:])


def seen(moments, **what):
    watchman = Watchman(**what)
    return [(number, one.kind) for number, moment in enumerate(moments) for one in watchman.see(moment)]


def steady(count, **values):
    return [Moment(**{"level_db": 0.0, "lowest_db": 0.0, "noise_db": -90.0, **values})] * count


def test_what_gets_warm_slowly_is_no_event_and_a_step_is_told_once():
    drift = [Moment(level_db=0.01 * number) for number in range(200)]  # 2 dB in 200 s
    assert seen(drift) == []
    assert seen([*steady(10), *steady(20, level_db=0.31)]) == [(11, "level step")]
    assert seen([*steady(10), *steady(20, level_db=0.29)]) == []
    assert seen([*steady(10), *steady(1, level_db=0.5), *steady(10)]) == []  # one second is a click from outside


def test_gone_and_back_and_what_mutes():
    watchman = Watchman()
    found = []
    for moment in [*steady(10), *steady(3, level_db=-60.0), *steady(5)]:
        found += watchman.see(moment)
    assert [(one.kind, one.mutes) for one in found] == [("signal gone", True), ("signal back", False)]


def test_rises_drop_outs_over_range_and_lost_samples():
    assert seen([*steady(10), *steady(9, noise_db=-83.9)]) == [(11, "noise rise")]
    assert seen([*steady(10), *steady(9, noise_db=-84.1)]) == []
    assert seen([*steady(10), *steady(3, lowest_db=-3.1)]) == [(10, "drop-out")]
    # Exact zeros are the bench's, and no drop-out of the unit.
    assert seen([*steady(10), *steady(1, lowest_db=-300.0, zero_frames=4800)]) == [(10, "samples lost")]
    assert seen([*steady(10), *steady(3, over_range=True)]) == [(10, "over-range")]
    turns = [Moment(level_db=0.0, place_frames=place) for place in (23.9, 0.1, 0.1, 0.1, 5.1, 5.1)]
    # Of the first second alone nobody knows whether two clocks drift apart.
    assert seen(turns, turn_frames=48.0) == [(2, "samples lost"), (4, "samples lost")]
    drift = [Moment(level_db=0.0, place_frames=2.4 * second) for second in range(20)]
    assert seen(drift, turn_frames=48.0) == []
    for off in (32.0, -32.0):  # in the third second, when hardly anything is known of the clocks yet: told once
        early = [Moment(level_db=0.0, place_frames=place) for place in (0.0, 0.0, *[off] * 12)]
        assert seen(early, drift_frames=48.0) == [(2, "samples lost")]
    assert seen([Moment(level_db=0.0, place_frames=place) for place in (47.9, 0.1)], turn_frames=48.0) == []
    watchman = Watchman()
    watchman.see(Moment(level_db=0.0, place_frames=10.0))
    watchman.begin_again()
    assert watchman.see(Moment(level_db=0.0, place_frames=20.0)) == ()


def test_what_is_lost_alike_in_each_second_is_no_clock():
    """A driver that loses one block of 256 frames a second: 5333 ppm at 48 kHz, where no two clocks differ by 500."""

    def jumps(places):
        return seen([Moment(level_db=0.0, place_frames=place) for place in places], programme=True, drift_frames=24.0)

    assert jumps([256.0 * second for second in range(4)]) == [(second, "samples lost") for second in (1, 2, 3)]
    assert jumps([2.4 * second for second in range(20)]) == []
    # One block in the first second, or between two clocks that drift apart, is told once.
    assert jumps([0.0, *[256.0 + 2.4 * second for second in range(20)]]) == [(1, "samples lost")]
    assert jumps([2.4 * second + 256.0 * (second > 1) for second in range(20)]) == [(2, "samples lost")]


def test_music_is_loud_and_quiet_without_an_event_and_a_fault_in_it_is_one():
    def passage(rest_db, level_db):
        return Moment(level_db=0.0, rest_db=rest_db, distortion_db=rest_db - level_db, hum_db=-100.0)

    # Distortion as a part of the level where it is loud, noise of its own size where it is quiet.
    loud, quiet = [passage(-60.0, 0.0)] * 12, [passage(-80.0, -30.0)] * 12
    assert seen([*quiet, *loud, *quiet, *loud], programme=True) == []
    assert seen([*quiet, *loud, *[passage(-40.0, 0.0)] * 5], programme=True) == [(25, "distortion rise")]
