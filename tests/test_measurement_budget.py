"""Budgets of uncertainty: parts by hand from what bench and calibration state (JCGM 100:2008, 5.1.2), and their sum."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys

import pytest
from benches import bench_file

from audiomeas import measure
from audiomeas.measurement.result import ChannelResult, result_from_json

DB_PER_NEPER = 20.0 / math.log(10.0)


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """1 W of the shipped amplifier; its calibration made unlike at input, output and load, so that none can swap."""
    folder = tmp_path_factory.mktemp("bench")
    path = bench_file(folder, rate_hz=48_000)
    path.write_text(path.read_text().replace("uncertainty_percent = 0.5", "uncertainty_percent = 3.0"))  # loads
    calibration = folder / "simulated-card.toml"
    begin, inputs = calibration.read_text().split("[[input]]", 1)
    outputs = begin.replace("uncertainty_percent = 0.5", "uncertainty_percent = 2.0")
    calibration.write_text(
        outputs + "[[input]]" + inputs.replace("uncertainty_percent = 0.5", "uncertainty_percent = 1.0")
    )
    return measure("distortion", bench=path, output_level="1 W", captures=None)


def test_parts_are_those_that_the_files_state(result):
    for channel in result.channels:
        parts = {key: dict(found) for key, found in channel.budget.items()}
        level_v, level_w = channel.values["level_v_rms"], channel.values["level_w"]
        calibration, load = "input calibration", "load resistance"
        assert parts["level_v_rms"][calibration] == pytest.approx(0.01 * level_v, rel=1e-12)
        # P = U²/R: a relative change of U counts twice, one of R once.
        assert parts["level_w"][calibration] == pytest.approx(0.02 * level_w, rel=1e-12)
        assert parts["level_w"][load] == pytest.approx(0.03 * level_w, rel=1e-12)
        assert parts["gain_db"][calibration] == pytest.approx(0.01 * DB_PER_NEPER, rel=1e-12)
        assert parts["gain_db"]["output calibration"] == pytest.approx(0.02 * DB_PER_NEPER, rel=1e-12)
        assert not {calibration, load} & set(parts["level_dbfs"])  # relative to full scale: no volts in it


def test_the_sum_is_the_uncertainty_that_is_stated(result):
    for channel in result.channels:
        assert set(channel.budget) == {"level_v_rms", "level_w", "gain_db", "level_dbfs"}
        for key, parts in channel.budget.items():
            summed = math.sqrt(sum(half**2 for _, half in parts))
            assert channel.uncertainty[key] == pytest.approx(summed, rel=1e-12)
        # By hand, in percent: √(1² + noise²), √((2·1)² + 3² + noise²), √(1² + 2² + noise²); noise below 0.05 %.
        assert channel.uncertainty["level_v_rms"] / channel.values["level_v_rms"] == pytest.approx(0.01, rel=2e-3)
        assert channel.uncertainty["level_w"] / channel.values["level_w"] == pytest.approx(0.01 * 13**0.5, rel=2e-3)
        assert channel.uncertainty["gain_db"] == pytest.approx(DB_PER_NEPER * 0.01 * 5**0.5, rel=2e-3)


def test_json_holds_the_budget_and_gives_it_back(result):
    facts = json.loads(json.dumps(result.as_json()))
    again = result_from_json(facts)
    assert [dict(channel.budget) for channel in again.channels] == [dict(channel.budget) for channel in result.channels]
    assert "budget" not in again.channels[0].values
    assert again.as_json() == result.as_json()


def test_a_result_without_a_budget_still_reads(result):
    facts = result.as_json()
    for row in facts["channels"]:
        del row["budget"]
    again = result_from_json(facts)
    assert [channel.budget for channel in again.channels] == [{}, {}]
    assert "budget" not in ChannelResult(channel=1, values={}).as_json()


def test_explain_prints_shares_that_sum_to_the_whole(tmp_path):
    bench = bench_file(tmp_path, rate_hz=48_000)
    words = ("measure", "distortion", "--bench", str(bench), "--output-level", "1 W", "--no-captures", "--explain")
    done = subprocess.run(
        [sys.executable, "-m", "audiomeas", *words], capture_output=True, text=True, cwd=tmp_path,
        env={**os.environ, "COLUMNS": "120"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    part = done.stdout.split("Uncertainty: where it comes from")[1]
    rows = [line.split() for line in part.splitlines() if line.startswith("gain ") and line.split()[1] == "1"]
    shares = {" ".join(row[2:4]): float(row[-1]) for row in rows}  # '< 0.1' is read as 0.1
    assert shares.pop("all together") == 100.0
    # Input and output both 0.5 %: half each, but for what noise takes; shares are printed to 0.1.
    assert shares["input calibration"] == pytest.approx(50.0, abs=0.2)
    assert shares["output calibration"] == pytest.approx(50.0, abs=0.2)
    # Two more parts (noise and fit, method), each shown as less than 0.1.
    assert sum(shares.values()) == pytest.approx(100.0, abs=0.4)
    assert len(shares) == 4
