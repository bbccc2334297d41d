"""The whole road of a capture by another clock: generate with markers, play elsewhere, analyse; what is said of it."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
import soundfile
from foreign_clocks import captured_at, ticks

from audiomeas.cli.main import status_of
from audiomeas.measurement.clock import CORRECTED, ONE, UNKNOWN, on_played_clock
from audiomeas.recording import read_recording

RATE_HZ = 48_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A stimulus as `generate` writes it, and what a second device with a clock 200 ppm slow captures of it."""
    folder = tmp_path_factory.mktemp("clock")
    arguments = ["generate", "sweep", str(folder / "sweep.wav"), "--duration-s", "2", "--to-hz", "20000"]
    assert status_of(arguments) == 0
    played, _ = soundfile.read(folder / "sweep.wav")
    places = ticks(len(played), RATE_HZ, ppm=200.0)
    # A cable: at the other clock's ticks the sweep itself, the second channel 6 dB lower.
    left = captured_at(played[:, 0], places)
    soundfile.write(folder / "capture.wav", np.stack([left, 0.5 * left], axis=1), RATE_HZ, subtype="PCM_24")
    start = read_recording(folder / "sweep.wav").stimulus_start
    soundfile.write(folder / "late.wav", left[start - 4_000 :], RATE_HZ, subtype="PCM_24")
    soundfile.write(folder / "fast.wav", captured_at(played[:, 0], ticks(len(played), RATE_HZ, ppm=900.0)), RATE_HZ)
    return folder


def _analyzed(folder, name, capsys):
    """Return exit status, stdout and stderr of the analysis of a capture."""
    arguments = ["analyze", "response", str(folder / name), "--stimulus", str(folder / "sweep.wav"), "--json"]
    status = status_of(arguments)
    said = capsys.readouterr()
    return status, said.out, said.err


def test_the_sidecar_tells_where_the_markers_stand(folder):
    facts = json.loads((folder / "sweep.wav.json").read_text())
    samples, _ = soundfile.read(folder / "sweep.wav")
    for side in ("before", "after"):
        first = facts["stimulus_start"] + facts["markers"][side]
        # Silence right before a marker, sound within it.
        assert not np.any(samples[first - 2_000 : first, 0]) and np.max(np.abs(samples[first : first + 1_000, 0])) > 0.1


def test_another_clock_is_corrected_and_told_in_ppm(folder, capsys):
    status, out, err = _analyzed(folder, "capture.wav", capsys)
    assert status == 0, err
    result = json.loads(out)
    conditions = result["conditions"]
    assert conditions["clock"] == CORRECTED
    assert conditions["clock_offset_ppm"] == pytest.approx(200.0, abs=0.01)
    assert 0.0 < conditions["clock_offset_uncertainty_ppm"] < 0.1 and conditions["clock_drift_ppm"] == 0.0
    for one in result["channels"]:
        frequency_hz, phase_deg = np.array(one["frequency_hz"]), np.array(one["phase_deg"])
        assert np.max(np.abs(one["gain_db"])) < 0.003
        residue = phase_deg - frequency_hz * (phase_deg @ frequency_hz) / (frequency_hz @ frequency_hz)
        assert np.max(np.abs(residue)) < 0.05
        assert np.all(np.array(one["phase_uncertainty_deg"]) > 0.0)


def test_without_the_first_marker_offset_and_phase_are_null(folder, capsys):
    result = json.loads(_analyzed(folder, "late.wav", capsys)[1])
    assert result["conditions"]["clock"] == UNKNOWN
    assert result["conditions"]["clock_offset_ppm"] is None and result["conditions"]["clock_drift_ppm"] is None
    one = result["channels"][0]
    assert set(one["phase_deg"]) == {None} and np.max(np.abs(one["gain_db"])) < 0.003
    assert any("markers before and after" in line for line in result["warnings"])


def test_another_speed_is_refused(folder, capsys):
    status, out, err = _analyzed(folder, "fast.wav", capsys)
    # A capture that can't be analysed: `analyze` never exits 3 (correction 6).
    assert status == 2 and not out and "+900 ppm off" in err and err.count("\n") == 1


def test_one_clock_is_left_alone(folder):
    recording = read_recording(folder / "sweep.wav")
    same = on_played_clock(recording, {})
    assert same.conditions["clock"] == ONE and same.counts_fs is recording.counts_fs
    foreign = dataclasses.replace(recording, shared_clock=False)
    assert on_played_clock(foreign, {"same_clock": True}).counts_fs is recording.counts_fs
    once = on_played_clock(foreign, {})
    assert on_played_clock(once, {}) is once
