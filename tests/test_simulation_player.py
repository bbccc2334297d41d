"""The simulated disc player against the closed forms in its module, a table and numpy; it serves as truth elsewhere."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import reference_tables
from scipy.io import wavfile

from audiomeas.errors import FileProblem, TomlProblem
from audiomeas.simulation.player import DiscAudio, Player, PlayerModel, converted, read_disc_audio
from audiomeas.simulation.unit import find_unit, read_unit

DISC_HZ, CODE = 44_100, 32_767
MODEL = PlayerModel(disc=Path("unused"), begins_s=0.1)


def sine(frequency_hz, peak=0.5, seconds=1.0):
    """Return codes of a sine on both channels, rounded."""
    turns = 2 * np.pi * frequency_hz * np.arange(round(seconds * DISC_HZ)) / DISC_HZ
    return np.round(CODE * peak * np.sin(turns)).astype(np.int16)[:, np.newaxis].repeat(2, axis=1)


def played(codes, rate_hz, **faults):
    """Return the volts of both channels, for as long as the disc lasts, and their times from the disc's beginning."""
    model = dataclasses.replace(MODEL, **faults)
    player = Player(model, DiscAudio(codes=(codes,), emphasis=(False,)), rate_hz)
    frames = round((0.1 + len(codes) / DISC_HZ) * rate_hz)
    blocks = []
    for first in range(0, frames, 4999):  # the blocks' size changes nothing
        size = min(4999, frames - first)
        blocks.append(player.through(player.volts(size)))
    volts = np.concatenate(blocks, axis=1)
    return volts, np.arange(frames) / rate_hz - 0.1


@pytest.mark.parametrize("frequency_hz", [997.0, 19_997.0])
def test_a_tone_comes_at_its_level_and_the_players_time(frequency_hz):
    """V = √2·2 V·½·sin(2πf(1 + ppm)(t − d)): flat to 1e-5, and rounded to 16 bits."""
    volts, time_s = played(sine(frequency_hz), 48_000, speed_ppm=80.0, interchannel_delay_s=11.338e-6)
    middle = (time_s > 0.2) & (time_s < 0.8)
    for channel, late_s in enumerate((0.0, 11.338e-6)):
        ideal = np.sqrt(2) * np.sin(2 * np.pi * frequency_hz * (1 + 80e-6) * time_s - 2 * np.pi * frequency_hz * late_s)
        error = volts[channel][middle] - ideal[middle]
        # Half a step of rounding and 1e-5 of interpolation, peak; r.m.s. q/√12.
        assert np.sqrt(np.mean(error**2)) < 2.1 * np.sqrt(2) * (1 / CODE / np.sqrt(12) + 1e-5)


def test_jitter_moves_the_instants():
    volts, time_s = played(sine(5_000.0), 48_000, jitter_rate_hz=300.0, jitter_peak_s=1e-6)
    middle = (time_s > 0.2) & (time_s < 0.8)
    ideal = np.sqrt(2) * np.sin(2 * np.pi * 5_000 * (time_s + 1e-6 * np.sin(2 * np.pi * 300 * time_s)))
    assert np.max(np.abs(volts[0] - ideal)[middle]) < 1e-4


def test_a_converter_cuts_bends_and_steps_by_its_formulas():
    codes = np.array([[-CODE, -5], [-1, 0], [3, 4], [100, CODE]], dtype=np.int16)
    assert converted(codes, dataclasses.replace(MODEL, bits=14), emphasis=False) * CODE == pytest.approx(
        np.array([[-32_768, -8], [-4, 0], [0, 4], [100, 32_764]])
    )
    plain = codes / CODE
    stepped = converted(codes, dataclasses.replace(MODEL, middle_step_error=0.01), emphasis=False)
    assert stepped == pytest.approx(plain + 0.005 * np.sign(plain))
    bent = converted(codes, dataclasses.replace(MODEL, third_order=0.1), emphasis=False)
    assert bent == pytest.approx(plain + 0.1 * plain**3)


def test_de_emphasis_is_that_of_the_table():
    """eq_cd_emphasis.csv (IEC 60908); rounding leaves 0.001 dB of half of full scale."""
    rows = {
        row["frequency_hz"]: float(row["deemphasis_re_dc_db"]) for row in reference_tables.rows("eq_cd_emphasis.csv")
    }
    for frequency_hz in ("1000", "5000", "16000"):
        tone = sine(float(frequency_hz), seconds=0.6)
        fractions = converted(tone, MODEL, emphasis=True)[10_000:-10_000, 0]
        level_db = 20 * np.log10(np.sqrt(2 * np.mean(fractions**2)) / 0.5)
        assert level_db == pytest.approx(rows[frequency_hz], abs=0.005)
        without = converted(tone, dataclasses.replace(MODEL, de_emphasis=False), emphasis=True)
        assert without == pytest.approx(tone / CODE)


def test_a_mute_closes_in_digital_silence_and_opens_at_the_first_code():
    codes = np.concatenate([sine(997.0, seconds=0.5), np.zeros((DISC_HZ, 2), np.int16), np.ones((4410, 2), np.int16)])
    model = dataclasses.replace(MODEL, mute_after_s=0.25, muted_db=-20.0)
    player = Player(model, DiscAudio(codes=(codes,), emphasis=(False,)), 48_000.0)
    hiss = np.ones(round(1.7 * 48_000))
    player.volts(len(hiss))
    (left, _) = player.through([hiss, hiss])
    edges_s = np.flatnonzero(np.diff(left)) / 48_000 - 0.1
    # The sine ends in a code that is not zero; a frame of the disc either way.
    assert edges_s == pytest.approx([0.75, 1.5], abs=2 / DISC_HZ)
    assert np.min(left) == pytest.approx(0.1)


def test_a_disc_is_read_by_its_cue_sheet(tmp_path):
    wavfile.write(tmp_path / "b.wav", DISC_HZ, sine(1000.0, seconds=0.1))
    wavfile.write(tmp_path / "a.wav", DISC_HZ, np.zeros((588, 2), np.int16))
    sheet = tmp_path / "disc.cue"
    sheet.write_text(
        'FILE "b.wav" WAVE\n  TRACK 01 AUDIO\n    FLAGS PRE\n    INDEX 01 00:00:00\n'
        'FILE "a.wav" WAVE\n  TRACK 02 AUDIO\n    INDEX 01 00:00:00\n'
    )
    audio = read_disc_audio(tmp_path)
    assert [len(codes) for codes in audio.codes] == [4410, 588] and audio.emphasis == (True, False)
    wavfile.write(tmp_path / "a.wav", 48_000, np.zeros((588, 2), np.int16))
    with pytest.raises(FileProblem, match=r"44\.1 kHz"):
        read_disc_audio(tmp_path)
    (tmp_path / "a.wav").write_text("no sound")
    with pytest.raises(FileProblem, match="no WAV"):
        read_disc_audio(tmp_path)
    # Its name stands in the unit's file: who runs the command has never typed it.
    with pytest.raises(FileProblem, match=r"simulated player plays .*none, which was not found: write it with"):
        read_disc_audio(tmp_path / "none")
    (tmp_path / "a.wav").unlink()
    with pytest.raises(FileProblem, match="not found"):
        read_disc_audio(tmp_path)
    sheet.write_text("nothing")
    with pytest.raises(FileProblem, match="lists no tracks"):
        read_disc_audio(tmp_path)


def test_the_shipped_player_and_wrong_keys(tmp_path):
    path = find_unit("cd-player-early")
    unit = read_unit(path)
    assert unit.player is not None and unit.player.disc == Path("test-disc")
    assert (unit.player.speed_ppm, unit.player.mute_after_s) == (35.0, 0.5)
    wrong = tmp_path / "unit.toml"
    wrong.write_text(path.read_text(encoding="utf-8").replace("speed_ppm = 35.0", "speed_ppm = 350000.0"))
    with pytest.raises(TomlProblem, match="speed_ppm"):
        read_unit(wrong)
