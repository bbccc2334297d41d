"""`analyze response` and `analyze crosstalk` of what can't be told: one line and exit status 2, or no number."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from audiomeas.cli.main import status_of

RATE_HZ = 48_000
Floats = NDArray[np.float64]
#: Seeded: a cough of 0.15 s is noise with most of its power below 1 kHz; the room's noise is white.
_RANDOM = np.random.default_rng(4)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("refusals")
    short = ["--to-hz", "20000", "--duration-s"]
    assert status_of(["generate", "sweep", str(folder / "sweep.wav"), *short, "2"]) == 0
    assert status_of(["generate", "staggered-sweeps", str(folder / "pair.wav"), *short, "0.7"]) == 0
    assert status_of(["generate", "staggered-sweeps", str(folder / "other.wav"), *short, "1.1"]) == 0
    return folder


def _played(folder: Path, name: str) -> Floats:
    return np.asarray(soundfile.read(folder / f"{name}.wav")[0])


def _analyzed(
    folder: Path, word: str, capture: Floats, stimulus: str, capsys: pytest.CaptureFixture[str]
) -> tuple[int, dict[str, Any] | None, str]:
    soundfile.write(folder / "capture.wav", capture, RATE_HZ, subtype="PCM_24")
    capsys.readouterr()
    arguments = ["analyze", word, str(folder / "capture.wav"), "--stimulus", str(folder / f"{stimulus}.wav"), "--json"]
    status = status_of(arguments)
    said = capsys.readouterr()
    return status, json.loads(said.out) if said.out else None, said.err


def _noise(frames: int, rms: float) -> Floats:
    return rms * _RANDOM.standard_normal((frames, 2))


def test_noise_and_another_stimulus_are_not_taken_for_a_cut_capture(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for capture, stimulus in ((_noise(3 * RATE_HZ, 1e-3), "pair"), (_played(folder, "pair"), "other")):
        status, result, said = _analyzed(folder, "crosstalk", capture, stimulus, capsys)
        assert status == 2 and result is None
        assert "it holds another stimulus, another sample rate" in said and "cut" not in said and said.count("\n") == 1
    # What is cut is still called so.
    status, _, said = _analyzed(folder, "crosstalk", _played(folder, "pair")[RATE_HZ:], "pair", capsys)
    assert status == 2 and "the beginning of the sweep is missing" in said


def test_near_the_noise_no_corner_is_made_of_it(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A cable, flat beyond the sweep's ends, 6 and 26 dB above noise: no corner inside the band may be told."""
    played = _played(folder, "sweep")
    for level in (2e-3, 2e-2):
        capture = level * played + _noise(len(played), 3.5e-4)
        status, result, _ = _analyzed(folder, "response", capture, "sweep", capsys)
        assert status == 0 and result is not None
        for one in result["channels"]:
            for end in ("low", "high"):
                for drop in ("", "1_db_", "0_5_db_"):
                    assert one[f"corner_{end}_{drop}hz"] is None
                    assert one[f"corner_{end}_{drop}note"]
        loud = [line for line in result["warnings"] if "noise leaves the gain uncertain by" in line]
        assert len(loud) == (2 if level == 2e-3 else 0)


def test_a_cough_is_named_and_in_the_uncertainty(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capture = 0.7 * _played(folder, "sweep")
    cough = _noise(7_000, 0.2)
    for _ in range(2):  # a mean of neighbours takes the treble away
        cough = (cough + np.roll(cough, 1, axis=0) + np.roll(cough, 2, axis=0)) / 3.0
    capture[70_000:77_000] += np.hanning(7_000)[:, np.newaxis] * cough
    status, result, _ = _analyzed(folder, "response", capture, "sweep", capsys)
    assert status == 0 and result is not None
    assert sum("a disturbance or a lost sample there" in line for line in result["warnings"]) == 2
    for one in result["channels"]:
        # A cable: every dB of deviation is the cough's.
        assert one["deviation_db"] > 0.02 and one["uncertainty"]["deviation_db"] > one["deviation_db"]
