"""Limits of a plan on crosstalk: negative dB with the bounds of noise; what noise leaves open is undecided."""

from __future__ import annotations

from pathlib import Path

import pytest

from audiomeas.errors import TomlProblem
from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.plan.file import read_plan
from audiomeas.plan.verdict import judge_step

PLAN = """
title = "Leakage"
kind = "preamplifier"

[[step]]
name = "Leakage at 0.1 V"
measure = "crosstalk"
input_level = "100 mV"

  [[step.limit]]
  quantity = "crosstalk_at_1khz_db"
  at_most = -60.0
  source = "house"

  [[step.limit]]
  quantity = "worst_crosstalk_db"
  at_most = -40.0
  source = "house"
"""
KEYS = ("crosstalk_at_1khz_db", "worst_crosstalk_db")


def _channel(number: int, value_db: float | None, uncertainty_db: float | None, bound: str = "") -> ChannelResult:
    return ChannelResult(
        channel=number,
        values={KEYS[0]: value_db, KEYS[1]: -45.0},
        uncertainty={KEYS[1]: 0.1, **({} if uncertainty_db is None else {KEYS[0]: uncertainty_db})},
        bound={KEYS[0]: bound} if bound else {},
    )


@pytest.mark.parametrize(
    ("value_db", "uncertainty_db", "bound", "verdict"),
    [
        # Larger leakage is nearer to 0 dB: −60.5 ± 0.2 stays below −60, −59.5 ± 0.2 above, −60.1 ± 0.2 reaches both.
        (-60.5, 0.2, "", "pass"),
        (-59.5, 0.2, "", "fail"),
        (-60.1, 0.2, "", "undecided"),
        # What the bench limits is undecided, on whichever side of the limit its bound lies (correction 6).
        (-80.0, None, "at most", "undecided"),
        (-50.0, None, "at most", "undecided"),
        (None, None, "", "undecided"),
    ],
)
def test_limits_hold_each_direction(
    tmp_path: Path, value_db: float | None, uncertainty_db: float | None, bound: str, verdict: str
) -> None:
    (tmp_path / "plan.toml").write_text(PLAN)
    (step,) = read_plan(tmp_path / "plan.toml", sample_rate_hz=48_000.0).steps
    channels = (_channel(1, value_db, uncertainty_db, bound), _channel(2, -70.0, 0.2))
    result = Result(measurement="crosstalk", sample_rate_hz=48e3, conditions={}, channels=channels)
    verdicts = {(row.quantity, row.channel): row.verdict for row in judge_step(step, result)}
    assert verdicts == {
        (KEYS[0], 1): verdict,
        (KEYS[0], 2): "pass",
        (KEYS[1], 1): "pass",
        (KEYS[1], 2): "pass",
    }


def test_a_quantity_that_crosstalk_has_not_is_refused(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(PLAN.replace("worst_crosstalk_db", "worst_crosstalk_percent"))
    with pytest.raises(TomlProblem, match=r"plan\.toml.*worst_crosstalk_percent"):
        read_plan(tmp_path / "plan.toml", sample_rate_hz=48_000.0)
