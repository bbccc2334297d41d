"""A sick output stage: truth is the closed form in `simulation.output_stage`, read by a transform of the test's own."""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulation_support import db, lines, through, tone, unit

from audiomeas.errors import TomlProblem
from audiomeas.simulation.output_stage import OutputStageModel
from audiomeas.simulation.unit import read_unit

RATE_HZ = 48_000.0
FRAMES = 48_000


def played(model, peak_v, block=1024):
    left_v = tone(1_000.0, peak_v, RATE_HZ, 2 * FRAMES)
    sick = unit(output_stage=model)
    return through(sick, left_v, left_v, rate_hz=RATE_HZ, block=block)


def test_ripple_makes_two_lines_beside_a_tone():
    """Each is r·a/2 with a = 2A/π: −54.0 dB at 10 V and 0.0006 a volt."""
    volts = played(OutputStageModel(ripple_per_v=6e-4), 10.0)
    found = lines(volts[:, 0], window=FRAMES)
    expected_db = db(6e-4 * (2.0 * 10.0 / math.pi) / 2.0)
    for hz in (900, 1100):
        # The mean is that of 48 samples a period, not of the wave: cot(π/48)/24 for 2/π is 0.013 dB less.
        assert db(found[hz] / found[1000]) == pytest.approx(expected_db, abs=0.02)


def test_oscillation_begins_at_its_level():
    """Half of the time above 5 V: at 10 V peak two thirds of each period lie above (arccos 0.5 = 60°)."""
    model = OutputStageModel(oscillation_v=0.01, oscillation_hz=21_300.0, oscillates_above_v=5.0)
    quiet, loud = (lines(played(model, peak_v)[:, 0], window=FRAMES) for peak_v in (4.9, 10.0))
    assert abs(quiet[21_300]) < 1e-9
    # 48 samples a period stand for the arc: a sample at the corner is a 48th of it.
    assert abs(loud[21_300]) == pytest.approx(0.01 * 2.0 / 3.0, rel=0.05)


def test_what_a_card_keeps_out_is_not_there():
    model = OutputStageModel(oscillation_v=1.0, oscillation_hz=30_000.0, oscillates_above_v=0.0)
    assert np.max(np.abs(played(model, 1.0) - played(OutputStageModel(), 1.0))) == 0.0


def test_blocks_change_nothing():
    model = OutputStageModel(ripple_per_v=1e-3, oscillation_v=0.01, oscillation_hz=20_000.0, oscillates_above_v=1.0)
    assert np.max(np.abs(played(model, 3.0) - played(model, 3.0, block=777))) < 1e-12


def test_its_table(tmp_path):
    text = "".join(f'{key} = "x"\n' for key in ("kind", "maker", "model", "serial"))
    channels = "[[channel]]\ngain_db = 0.0\n" * 2
    file = tmp_path / "unit.toml"
    file.write_text(f"{text}[output_stage]\nripple_per_v = 1e-3\n{channels}")
    assert read_unit(file).output_stage == OutputStageModel(ripple_per_v=1e-3)
    file.write_text(f"{text}[output_stage]\nripple_per_w = 1e-3\n{channels}")
    with pytest.raises(TomlProblem, match="ripple_per_w"):
        read_unit(file)
