"""A person's music as the sound of a soak. Truth: sines and noise that numpy wrote into files, in closed form."""

from __future__ import annotations

import math
import threading
import time
from itertools import islice

import numpy as np
import pytest
import soundfile
from scipy.signal import lfilter
from soak_benches import quick_session
from test_soak import RATE_HZ as SOAK_RATE_HZ
from test_soak import SOAK_STREAM, Late, Quits, during, kinds, soaked

from audiomeas.errors import FileProblem, Interrupted, RequestError
from audiomeas.measurement import soak_music
from audiomeas.measurement.soak_music import CROSS_FADE_S, Music, music_facts
from audiomeas.measurement.soak_source import sound_of_file
from audiomeas.record.store import find_visits

RATE_HZ = 48_000
#: Around the seam nothing is a plain sine; a second on both sides is left out.
SEAM_S = CROSS_FADE_S


def write(path, samples, rate_hz=RATE_HZ):
    soundfile.write(path, samples, rate_hz, subtype="PCM_24")
    return path


def sines(seconds, rate_hz=RATE_HZ, left=(0.3, 440.0), right=(0.1, 1000.0)):
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.stack([peak * np.sin(2.0 * np.pi * hz * time_s) for peak, hz in (left, right)], axis=1)


def rendered(path, seconds, rate_hz=RATE_HZ):
    """The loop as it is played, (frames, channels), in fractions of the file's full scale."""
    facts = music_facts(path, float(rate_hz))
    with Music(facts, float(rate_hz)) as music:
        music.waits = True
        blocks = [music.block(rate_hz) for _ in range(seconds)]
    return np.concatenate(blocks) * facts.rms_fs


def test_a_file_plays_as_it_is_and_begins_again_by_a_cross_fade(tmp_path):
    # 9 s less the fade of 2 s: the loop is 7 s long. 440 and 1000 Hz have whole periods in 7 s, so the seam fits.
    path = write(tmp_path / "music.wav", sines(9.0))
    played = rendered(path, 16)
    wanted = sines(16.0)
    step = 2.0**-23  # 24 bits
    plain = np.r_[0 : 7 * RATE_HZ, 9 * RATE_HZ : 14 * RATE_HZ]
    assert np.max(np.abs(played[plain] - wanted[plain])) < 2.0 * step
    # Where both are the same sine, sin + cos of the fade's angle add: √2 at most, in the middle.
    seam = played[7 * RATE_HZ : 9 * RATE_HZ]
    assert np.max(np.abs(seam[:, 0])) == pytest.approx(0.3 * math.sqrt(2.0), rel=1e-3)
    assert np.max(np.abs(np.diff(played, axis=0))) < 1.5 * 2.0 * math.pi * 440.0 / RATE_HZ * 0.3 + 0.01  # no click


def test_equal_powers_hold_the_level_of_noise_over_the_seam(tmp_path):
    noise = np.random.default_rng(1).normal(0.0, 0.1, (9 * RATE_HZ, 1))
    played = rendered(write(tmp_path / "noise.wav", noise), 9)
    seam = played[7 * RATE_HZ : 9 * RATE_HZ]
    # 96,000 samples: their r.m.s. scatters by 0.23 %; four times that.
    assert float(np.sqrt(np.mean(np.square(seam)))) == pytest.approx(0.1, rel=0.01)


@pytest.mark.parametrize("file_rate_hz", [44_100, pytest.param(96_000, marks=pytest.mark.wide)])
def test_another_rate_is_resampled_without_drift_or_seams(tmp_path, file_rate_hz):
    path = write(tmp_path / "music.wav", sines(4.0, file_rate_hz), file_rate_hz)
    played = rendered(path, 3)
    wanted = sines(3.0)
    # scipy's own filter passes and stops within 0.1 %; block edges must not show above that.
    inside = slice(200, 3 * RATE_HZ)
    assert np.max(np.abs(played[inside] - wanted[inside])) < 1e-3 * 0.3


def test_rms_and_peak_of_the_louder_channel_are_those_of_the_loop(tmp_path):
    path = write(tmp_path / "music.wav", sines(9.0))
    facts = music_facts(path, float(RATE_HZ))
    assert facts.loop_s == pytest.approx(7.0)
    block = np.concatenate(list(islice(soak_music._resampled(soak_music._opened(path), RATE_HZ), 10)))
    assert facts.rms_fs == pytest.approx(float(np.sqrt(np.mean(np.square(block[:, 0])))), rel=0.02)
    assert facts.crest * facts.rms_fs == pytest.approx(float(np.max(np.abs(block))), rel=1e-6)


def test_files_that_can_not_be_played_are_refused(tmp_path):
    for samples, words in (
        (np.zeros((2 * RATE_HZ, 2)), "silence"),
        (sines(0.5), "less than"),
        (np.hstack([sines(3.0), sines(3.0)]), "4 channels"),
    ):
        with pytest.raises(RequestError, match=words):
            music_facts(write(tmp_path / "wrong.wav", samples), float(RATE_HZ))
    (tmp_path / "text.wav").write_text("no music")
    with pytest.raises(FileProblem):
        sound_of_file(tmp_path / "text.wav", float(RATE_HZ))


def test_a_disk_that_is_late_lets_the_level_fall_and_a_file_that_breaks_is_told(tmp_path, monkeypatch):
    path = write(tmp_path / "music.wav", sines(6.0))
    facts = music_facts(path, float(RATE_HZ))
    gate = threading.Event()
    real = soak_music._resampled

    def slow(recording, rate_hz):
        yield from islice(real(recording, rate_hz), 3)
        gate.wait(30.0)
        raise FileProblem("the disk is gone")

    monkeypatch.setattr(soak_music, "_resampled", slow)
    with Music(facts, float(RATE_HZ)) as music:
        until_s = time.monotonic() + 30.0
        while music._ahead.qsize() < 3 and time.monotonic() < until_s:
            time.sleep(0.01)
        assert not music.starving
        music.block(2 * RATE_HZ)
        assert music.starving  # one second is left: time enough for a fall of the level
        assert np.any(music.block(RATE_HZ))
        assert not np.any(music.block(512))  # silence, and no exception in the audio thread
        gate.set()
        while music.failure is None and time.monotonic() < until_s:
            time.sleep(0.01)
        assert isinstance(music.failure, FileProblem)


@pytest.fixture(scope="module")
def music(tmp_path_factory):
    """Eleven seconds of noise that has been filtered, two channels, not alike."""
    rng = np.random.default_rng(5)
    white = rng.normal(0.0, 0.05, (11 * SOAK_RATE_HZ, 2))
    filtered = lfilter([1.0], [1.0, -0.95], white, axis=0) * 0.1 + white
    return write(tmp_path_factory.mktemp("music") / "music.wav", filtered, SOAK_RATE_HZ)


def test_music_is_held_against_itself(tmp_path, music):
    """A cable with noise of 1e-5 of full scale: the null is that noise over the programme, both known."""
    outcome, lines = soaked(tmp_path, seconds=8.0, sound=str(music), input_level="0.1 V")
    assert kinds(lines) == []
    seconds = [one for one in lines if one.get("state") == "playing"]
    session, _ = quick_session(tmp_path, rate_hz=SOAK_RATE_HZ)
    full_v = session.bench.input_v_peak(1)
    for one in seconds:
        channel = one["channels"][0]
        noise_v = 1e-5 * full_v * math.sqrt(7_980.0 / 8_000.0)
        assert channel["gain_db"] == pytest.approx(0.0, abs=1e-3)
        # Bands of a sixth of an octave take out 1 % of the noise; its power is known to 1.6 % from 8,000 lines.
        assert channel["remainder_db"] == pytest.approx(20.0 * math.log10(noise_v / channel["level_v_rms"]), abs=0.3)
        assert channel["null_db"] == pytest.approx(channel["remainder_db"], abs=0.3)
    # Its r.m.s. over the loop is what was asked for: 0.1 V of the louder channel; eight seconds of it scatter little.
    levels = [max(channel["level_v_rms"] for channel in one["channels"]) for one in seconds]
    assert float(np.sqrt(np.mean(np.square(levels)))) == pytest.approx(0.1, rel=0.1)
    assert outcome.result.conditions["sound_facts"]["file"] == "music.wav"


@pytest.mark.wide
def test_what_befalls_music_is_seen(tmp_path, music):
    late = Late(9.0)

    def befalls(samples, frame, stream):
        samples = late(samples, frame, stream).copy()
        if stream == SOAK_STREAM:
            # −0.92 dB, so near a second's end that this one is no step yet.
            samples[during(samples, frame, 14.45, 1e6)] *= 0.9
        return samples

    _, lines = soaked(tmp_path, seconds=16.0, sound=str(music), input_level="0.1 V", befalls=befalls)
    assert set(kinds(lines)) == {"samples lost", "level step"}
    lost = next(one for one in lines if one.get("kind") == "samples lost")
    # One frame; the second in which it happens is late by a part of it.
    assert float(lost["words"].split("stands ")[1].split()[0]) == pytest.approx(1.0, abs=0.5)
    step = next(one for one in lines if one.get("kind") == "level step")
    assert float(step["words"].split()[0]) == pytest.approx(20.0 * math.log10(0.9), abs=0.011)


@pytest.mark.wide
def test_pink_noise_of_a_stated_crest_factor(tmp_path):
    outcome, lines = soaked(tmp_path, seconds=4.0, sound="pink", crest_db=10.0, input_level="0.1 V")
    assert kinds(lines) == []
    assert outcome.result.conditions["sound_facts"]["crest_factor_db"] == pytest.approx(10.0)
    assert outcome.result.channel(1).values["end_null_db"] < -60.0


def test_a_soak_that_goes_on_plays_the_file_that_it_began_with_and_no_other(tmp_path):
    path = write(tmp_path / "music.wav", sines(6.0))
    asked = {"seconds": 10.0, "sound": str(path), "input_level": "0.1 V"}
    with pytest.raises(Interrupted):
        soaked(tmp_path, hand=Quits(), **asked)
    (visit,) = find_visits(tmp_path / "records")
    path.unlink()
    write(path, 0.5 * sines(6.0))
    before = sorted(visit.path.rglob("*"))
    with pytest.raises(RequestError, match=r"another file than the soak began with .*: put that one back"):
        soaked(tmp_path, resume=visit.path, **asked)
    assert sorted(visit.path.rglob("*")) == before
    path.unlink()
    write(path, sines(6.0))
    outcome, _ = soaked(tmp_path, resume=visit.path, **asked)
    assert outcome.result.conditions["parts"] == 2
