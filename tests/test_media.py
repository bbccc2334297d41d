"""Test media as files: a disc's tracks, its cue sheet and notes; a tape's side. Read back by soundfile, not by us."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
import soundfile

from audiomeas.errors import FileProblem, RequestError
from audiomeas.measurement.media import generate_disc, generate_tape_side, read_disc
from audiomeas.stimulus.tape_side import part_facts, tape_side


@pytest.fixture(scope="module")
def disc(tmp_path_factory):
    return generate_disc(tmp_path_factory.mktemp("media") / "disc")


def codes(disc, name):
    (file,) = disc.glob(f"[0-9][0-9]-{name}.wav")
    samples, rate_hz = soundfile.read(file, dtype="int16")
    assert rate_hz == 44100 and samples.shape[1] == 2
    return samples.astype(np.int64), json.loads(file.with_name(f"{file.name}.json").read_text())


def test_tracks_are_red_book_audio(disc):
    """IEC 60908 (from memory): 44.1 kHz, 16 bit, stereo, sectors of 588 frames, tracks of 4 s at least."""
    files = sorted(disc.glob("*.wav"))
    for file in files:
        info = soundfile.info(file)
        assert (info.samplerate, info.channels, info.subtype) == (44100, 2, "PCM_16")
        assert info.frames % 588 == 0 and info.frames >= 4 * 44100
    cue = (disc / "disc.cue").read_text()
    assert re.findall(r'FILE "(.+)" WAVE', cue) == [file.name for file in files]
    assert [int(number) for number in re.findall(r"TRACK (\d\d) AUDIO", cue)] == list(range(1, len(files) + 1))
    # The one track with pre-emphasis has its flag.
    (flagged,) = [part for part in cue.split("FILE ")[1:] if "FLAGS PRE" in part]
    assert "with emphasis" in flagged
    notes = (disc / "README.txt").read_text()
    assert all(title in notes for title in re.findall(r'    TITLE "(.+)"', cue))


def test_a_tone_is_as_loud_as_its_title_says(disc):
    """Level and noise by the closed form: the sine's, and TPDF dither with rounding: q²/4 (quantizer_snr: Lipshitz)."""
    for name, level_db in (("tone-0db", 0.0), ("tone-20db", -20.0)):
        samples, facts = codes(disc, name)
        rate_hz, start = 44100, facts["stimulus_start"]
        frequency_hz = facts["stimulus"]["frequency_hz"]
        part = samples[start + rate_hz : start + 3 * rate_hz, 0]
        turns = 2 * np.pi * frequency_hz * (np.arange(len(part)) + rate_hz) / rate_hz
        basis = np.stack([np.sin(turns), np.cos(turns)], axis=1)
        found = np.linalg.lstsq(basis, part, rcond=None)[0]
        # 0 dB lacks 0.0005 dB for the dither; a fit over 88,200 frames of noise 0.5 is sure to 1e-6 dB.
        assert 20 * np.log10(np.hypot(*found) / 32767.0) == pytest.approx(level_db, abs=1e-3)
        # 88,200 values of noise tell their power to 0.5 % (1 sigma).
        assert np.mean((part - basis @ found) ** 2) == pytest.approx(0.25, rel=0.03)


def test_silence_is_digital_and_the_held_step_is_not(disc):
    samples, facts = codes(disc, "silence")
    start, frames = facts["stimulus_start"], round(8.0 * 44100)
    assert not np.any(samples[start : start + frames])
    wake = samples[start + facts["markers"]["after"] - 20_000 : start + facts["markers"]["after"]]
    assert np.any(wake), "a circuit that mutes must be woken before the mark"
    samples, facts = codes(disc, "held-step")
    start = facts["stimulus_start"]
    assert np.all(samples[start : start + round(6.0 * 44100)] == 1)


def test_emphasis_raises_the_treble_by_its_curve(disc):
    """Instantaneous level of the sweep at 1 and 16 kHz: +9.04 − 0.37 dB apart (trade notes 7, row 9: IEC 60908)."""
    samples, facts = codes(disc, "emphasis")
    stimulus, start = facts["stimulus"], facts["stimulus_start"]
    growth_s = (
        round(stimulus["start_hz"] * stimulus["duration_s"] / np.log(stimulus["stop_hz"] / stimulus["start_hz"]))
        / stimulus["start_hz"]
    )

    def level(frequency_hz):
        at = start + round(44100 * growth_s * np.log(frequency_hz / stimulus["start_hz"]))
        return np.sqrt(np.mean(samples[at - 220 : at + 220, 0].astype(float) ** 2))

    # 440 frames are some ten periods of 1 kHz: the end of the last moves the mean square by 2 % at most.
    assert 20 * np.log10(level(16e3) / level(1e3)) == pytest.approx(9.04 - 0.37, abs=0.2)


def test_marks_of_no_two_tracks_are_equally_far_apart(disc):
    apart_s = np.sort([track.apart_s for track in read_disc(disc).tracks])
    assert np.min(apart_s[1:] / apart_s[:-1]) > 1.015


def test_a_folder_is_never_written_into(disc):
    with pytest.raises(FileProblem, match="exists already"):
        generate_disc(disc)


@pytest.mark.wide
def test_made_again_it_is_the_same(disc, tmp_path):
    again = generate_disc(tmp_path / "again")
    for file in sorted(disc.glob("*.wav"))[:2]:
        assert file.read_bytes() == (again / file.name).read_bytes()


def test_reading_refuses_what_is_no_disc_or_was_changed(disc, tmp_path):
    with pytest.raises(FileProblem, match="generate disc"):
        read_disc(tmp_path / "nothing")
    with pytest.raises(FileProblem, match="no tracks"):
        read_disc(tmp_path)
    sidecar = next(disc.glob("*tone-0db.wav.json"))
    changed = json.loads(sidecar.read_text())
    changed["markers"]["after"] += 1
    (tmp_path / sidecar.name).write_text(json.dumps(changed))
    with pytest.raises(FileProblem, match="was changed"):
        read_disc(tmp_path)


def held(part, samples, rate_hz, start):
    """Hold a second of a part against what is listed: its bin, and its level to the mean square of broken periods."""
    first = start + round(part["from_s"] * rate_hz)
    piece = samples[first : first + rate_hz]
    assert np.argmax(np.abs(np.fft.rfft(piece * np.hanning(len(piece))))) == part["frequency_hz"]
    assert 10 * np.log10(2 * np.mean(piece**2)) == pytest.approx(-12 + part["level_db"], abs=0.01)


def test_a_tape_side_holds_what_its_sidecar_lists(tmp_path):
    rate_hz, level = 33_000, 10 ** (-12 / 20)
    side = tape_side(level_v_rms=level, sample_rate_hz=rate_hz, speed_hz=3150.0, driven_channels=(1, 2))
    parts = part_facts(side, 3150.0)
    samples = side.stimulus.samples_v() / np.sqrt(2)
    for part in [part for part in parts if part["name"] in ("speed", "azimuth", "steps")]:
        held(part, samples, rate_hz, 0)
    # Each channel has a tone of its own where they are told apart.
    (apart,) = [part for part in parts if part["name"] == "separation"]
    other = side.stimulus.channel_samples_v(2) / np.sqrt(2)
    held(apart, samples, rate_hz, 0)
    held({**apart, "frequency_hz": apart["other_hz"]}, other, rate_hz, 0)
    assert apart["other_hz"] != apart["frequency_hz"]
    # Phase is unwrapped from low to high (trade notes 4, row 22).
    azimuth_hz = [part["frequency_hz"] for part in parts if part["name"] == "azimuth"]
    assert azimuth_hz == sorted(azimuth_hz) and len(azimuth_hz) == 4
    with pytest.raises(RequestError, match="lower the level"):
        generate_tape_side(tmp_path / "loud.wav", level_v_rms=1.0)
    with pytest.raises(RequestError, match="can't be played"):
        generate_tape_side(tmp_path / "slow.wav", level_v_rms=0.1, sample_rate_hz=16_000)
    assert not list(tmp_path.iterdir())


@pytest.mark.wide
def test_the_file_of_a_tape_side_is_what_is_listed(tmp_path):
    file = generate_tape_side(tmp_path / "side.wav", level_v_rms=10 ** (-12 / 20), sample_format="int16", dither=True)
    facts = json.loads((tmp_path / "side.wav.json").read_text())
    samples, rate_hz = soundfile.read(file)
    for part in facts["conditions"]["tape_side"]:
        if part["name"] in ("speed", "azimuth", "steps"):
            held(part, samples[:, 1], rate_hz, facts["stimulus_start"])
    with pytest.raises(FileProblem, match="exists already"):
        generate_tape_side(file, level_v_rms=0.1)
