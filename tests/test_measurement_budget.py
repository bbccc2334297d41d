"""Budgets of uncertainty: parts by hand from what bench and calibration state, and their sum in closed form."""

from __future__ import annotations

import json
import math
import subprocess
import sys

import pytest
from benches import bench_file
from coverage_truth import of_two

from audiomeas import measure
from audiomeas.bench.parts import Part, combined
from audiomeas.cli.common import print_result
from audiomeas.measurement.budget import budget_tables
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import ChannelResult, Result, result_from_json

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
        parts = {key: {one.component: one.half_width for one in found} for key, found in channel.budget.items()}
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
        assert {"level_v_rms", "level_w", "gain_db", "level_dbfs", "thd_percent"} <= set(channel.budget)
        # In percent: 1; 2·1 and 3; 1 and 2; all rectangular. Noise is below 0.05 %.
        assert channel.uncertainty["level_v_rms"] / channel.values["level_v_rms"] == pytest.approx(0.01, rel=2e-3)
        assert channel.uncertainty["level_w"] / channel.values["level_w"] == pytest.approx(of_two(0.02, 0.03), rel=2e-3)
        assert channel.uncertainty["gain_db"] == pytest.approx(DB_PER_NEPER * of_two(0.01, 0.02), rel=2e-3)


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


def test_shares_are_of_the_variance_and_sum_to_the_whole(result):
    tables = {table.title: table for table in budget_tables(result, find("distortion").figures)}
    rows = {row[0]: row for row in tables["Uncertainty of gain"].rows}
    # Rectangular parts of 1 % and 2 %: their variances are as 1 to 4; noise and method stay below 0.05 %.
    assert [rows[name][3] for name in ("input calibration", "output calibration")] == ["20.0", "80.0"]
    assert {rows[name][3] for name in ("noise and fit", "method")} == {"< 0.1"}
    assert rows["all together"][3] == "100.0"
    half_db = result.channel(1).uncertainty["gain_db"]
    assert float(rows["all together"][2]) == pytest.approx(half_db, rel=5e-3)  # three digits are printed


def test_headings_are_the_words_that_tables_and_limits_have():
    """No heading is made of a key: words of a figure first, then those of the row that shows it, else none."""
    part = (Part("input calibration", 1.0),)
    values = {"level_v_rms": 2.0, "level_w": 0.5, "gain_db": 20.0, "sensitivity_v_rms": 1.0, "made_up_key_v": 1.0}
    channel = ChannelResult(channel=1, values={**values, "balance_db": 0.0}, budget=dict.fromkeys(values, part))
    gain = find("gain")
    conditions = {"rated_level": None, "frequency_hz": 1000.0}
    told = Result(measurement="gain", sample_rate_hz=48_000.0, conditions=conditions, warnings=(), channels=(channel,))
    found = budget_tables(told, gain.figures, gain.tables(told))
    assert [(table.title, table.columns[2].unit) for table in found] == [
        ("Uncertainty of gain", "dB"),
        ("Uncertainty of input for the rated output", "V"),
        ("Uncertainty of output", "V"),
        ("Uncertainty of power into the load", "W"),
    ]
    assert "left out: --json holds" in found[-1].notes[-1]


def test_what_is_printed_holds_each_figure_and_its_parts(result, capsys):
    print_result(result, as_json=False, explain=True)
    _check_printed(capsys.readouterr().out)


@pytest.mark.wide
def test_the_option_prints_the_same(tmp_path):
    bench = bench_file(tmp_path, rate_hz=48_000)
    words = ("measure", "distortion", "--bench", str(bench), "--output-level", "1 W", "--no-captures", "--explain")
    done = subprocess.run(
        [sys.executable, "-m", "audiomeas", *words], capture_output=True, text=True, cwd=tmp_path
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    _check_printed(done.stdout)


def _check_printed(text):
    titles = [line for line in text.splitlines() if line.startswith("Uncertainty of ")]
    assert {"Uncertainty of gain", "Uncertainty of output power into the load"} <= set(titles)
    gain = text.split("Uncertainty of gain")[1].split("\n\n")[0]
    assert "load" not in gain
    assert "rectangular" in gain


#: Words → options that keep them short. What each tells as a figure with a half-width must also tell its parts.
SHORT = {
    "gain": {"output_level": "1 W", "rated_level": "10 W", "window_s": 0.2},
    "power": {"rated_level": "2 W", "lowest_level": "1 W", "frequencies_hz": (1000.0,), "hold_s": 0.05},
    "distortion-steps": {"output_level": "10 W", "frequencies_hz": (1000.0,), "falls_db": (0.0, 6.0)},
    "intermodulation": {"output_level": "1 W", "window_s": 0.2},
    "multitone": {"output_level": "1 W", "window_s": 0.5},
    "response": {"input_level": "50 mV", "duration_s": 1.0},
    "response-steps": {"input_level": "50 mV", "frequencies_hz": (100.0, 1000.0, 10_000.0)},
    "crosstalk": {"input_level": "50 mV", "duration_s": 0.5},
    "noise": {"reference": "1 W", "duration_s": 2.0},
    "dynamic-range": {"output_level": "1 W", "window_s": 0.5, "idle_s": 0.5},
    "linearity": {"output_level": "1 W", "falls_db": (0.0, 20.0, 40.0), "window_s": 0.2},
}
#: Counts have no parts: they are exact, or their interval is the Poisson law's own. Nor has a frequency: noise alone.
WHOLE = {"reversals", "clicks", "clicks_per_minute", "frequency_hz"}


COMPONENTS = {
    "noise and fit",
    "noise and fit at the reference",
    "method",
    "level of the tone",
    "input calibration",
    "output calibration",
    "response of the bench",
    "response of the bench, not measured",
    "load resistance",
    "noise of the bench",
    "distortion of the bench",
    "gain",
}


def test_a_tone_tells_the_parts_of_its_figures(result):
    _check_parts(result, "distortion")


# Each takes about a second.
@pytest.mark.wide
@pytest.mark.parametrize("word", SHORT)
def test_every_word_tells_the_parts_of_its_figures(word, tmp_path):
    bench = bench_file(tmp_path, ('range = "50:1"', 'range = "10:1"'), rate_hz=48_000)
    _check_parts(measure(word, bench=bench, captures=None, **SHORT[word]), word)


def _check_parts(found, word):
    keys = {figure.key for figure in find(word).figures} - WHOLE
    for channel in found.channels:
        # Of the first channel beside itself nothing is open.
        stated = {key: half for key, half in channel.uncertainty.items() if half > 0.0}
        assert keys & stated.keys() <= channel.budget.keys()
        assert channel.budget
        assert not channel.budget.keys() & channel.bound.keys()
        for key, parts in channel.budget.items():
            assert {part.component for part in parts} <= COMPONENTS
            if key in stated:
                assert combined(parts) == pytest.approx(stated[key], rel=1e-9), key
