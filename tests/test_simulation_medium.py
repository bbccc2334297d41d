"""What a simulated tape or record plays. Truth: scipy's analytic signal (Hilbert transform), and the closed form."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import hilbert

from audiomeas.errors import TomlProblem
from audiomeas.simulation.medium import Medium, MediumModel
from audiomeas.simulation.motion import Motion
from audiomeas.simulation.unit import read_unit, shipped_units

RATE_HZ = 48_000.0
MODEL = MediumModel(
    tone_hz=3150.0,
    level_v_rms=0.5,
    leader_s=0.25,
    motion=Motion(error=0.01, drift_per_s=1e-3, modulation=((4.0, 2e-3), (30.0, 5e-4))),
)


def _played(model: MediumModel, seconds: float, *blocks: int) -> np.ndarray:
    medium, left, parts = Medium(model, RATE_HZ), round(seconds * RATE_HZ), []
    while left > 0:
        for frames in blocks:
            parts.append(medium.added_to(np.zeros(min(frames, left))))
            left -= len(parts[-1])
    return np.concatenate(parts)


def test_its_frequency_is_that_of_the_closed_form() -> None:
    played = _played(MODEL, 2.25, 4096)[round(0.25 * RATE_HZ) :]
    time_s = np.arange(len(played)) / RATE_HZ
    # The phase of the analytic signal, from one sample to the next; under a window, so that the ends don't ring.
    found_hz = np.diff(np.unwrap(np.angle(hilbert(played * np.hanning(len(played)))))) * RATE_HZ / (2.0 * np.pi)
    truth = (
        3150.0
        * 1.01
        * (1.0 + 1e-3 * time_s + 2e-3 * np.sin(8.0 * np.pi * time_s) + 5e-4 * np.sin(60.0 * np.pi * time_s))
    )
    between = 0.5 * (truth[1:] + truth[:-1])
    middle = slice(20_000, -20_000)
    assert (
        np.max(np.abs(found_hz[middle] / between[middle] - 1.0)) < 1e-7
    )  # deviations are 2e-3; what the window's skirts leave
    assert np.allclose(MODEL.frequency_hz(time_s), truth, rtol=1e-13)
    # Over so many periods, 0.5 V within the part of a period at the ends: 1 in 2,000.
    assert np.sqrt(np.mean(played**2)) == pytest.approx(0.5, rel=1e-3)


def test_blocks_change_nothing_and_a_leader_is_silent() -> None:
    whole = _played(MODEL, 0.5, 24_000)
    assert np.array_equal(whole, _played(MODEL, 0.5, 1, 333, 4096))
    assert not np.any(whole[: round(0.25 * RATE_HZ)])
    assert np.any(whole[round(0.25 * RATE_HZ) + 1 :][:10])


def test_a_drop_out_is_40_db_down_and_a_splice_turns_the_phase() -> None:
    plain = replace(MODEL, leader_s=0.0)
    broken = replace(plain, drop_outs=((0.1, 0.05),), splices=((0.2, np.pi),))
    whole, parted = _played(plain, 0.3, 4096), _played(broken, 0.3, 4096)
    assert np.allclose(parted[4800:7200], 0.01 * whole[4800:7200], atol=1e-15)
    assert np.allclose(parted[:4800], whole[:4800])
    assert np.allclose(parted[9601:], -whole[9601:], atol=1e-9)  # half a turn


@pytest.mark.parametrize("wrong", ["[[4.0]]", "[[0, 0.1]]", "[[4.0, 20.0]]", '"4 Hz"'])
def test_wrong_modulation_is_refused_by_file_and_key(wrong: str, tmp_path: Path) -> None:
    text = shipped_units()["preamplifier"].read_text(encoding="utf-8")
    path = tmp_path / "unit.toml"
    path.write_text(f"{text}\n[medium]\ntone_hz = 3150\nlevel_v_rms = 0.3\nmodulation_percent = {wrong}\n")
    with pytest.raises(TomlProblem, match=r"unit\.toml.*modulation_percent"):
        read_unit(path)
