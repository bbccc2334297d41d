"""Two visits side by side: which rows are compared, which are named with their reason, and what a logbook adds."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path

import pytest
from archive_fakes import STEP, UNIT, gain_result, written
from click.testing import CliRunner

import audiomeas
from audiomeas.cli.main import audiomeas as command
from audiomeas.cli.main import status_of
from audiomeas.errors import FileProblem, RequestError
from audiomeas.measurement.entered import instruction_result
from audiomeas.measurement.result import WHOLE_UNIT, Result
from audiomeas.present.compared import comparison_text
from audiomeas.record.archive import pair_of
from audiomeas.record.compare import Comparison, compare_visits
from audiomeas.record.unit import parse_unit
from audiomeas.record.unit_folder import find_unit


def compared(tmp_path: Path, before: Result | str, after: Result | str, **of_after) -> Comparison:
    one = written(tmp_path / "records", {STEP: before})
    other = written(tmp_path / "records", {STEP: after}, stage="as-left", **of_after)
    return compare_visits(one, other)


def found(comparison: Comparison) -> dict[tuple[str, int], tuple[str, float | None]]:
    return {(row.quantity, row.channel): (row.change.word, row.change.difference) for row in comparison.rows}


def test_on_one_calibration_a_small_change_is_seen_that_its_error_would_hide(tmp_path):
    """0.3 dB between values of ± 0.2 dB each: told, because both ± are one and the same error; noise alone is left."""
    comparison = compared(tmp_path, gain_result(26.0, 26.0, half_db=0.2), gain_result(26.3, 26.0, half_db=0.2))
    assert comparison.shared_calibration
    assert found(comparison)["gain_db", 1] == ("changed", pytest.approx(0.3))
    assert found(comparison)["gain_db", 2] == ("unchanged", 0.0)
    assert comparison.counts() == {"changed": 1, "unchanged": 1, "can't tell": 0}


def test_the_difference_of_two_levels_below_full_scale_is_told_in_decibels(tmp_path):
    """A ratio of two levels has no full scale: −110 and −104 dBFS are 6 dB apart."""
    comparison = compared(tmp_path, gain_result(-110.0), gain_result(-104.0))
    rows = tuple(dataclasses.replace(row, unit="dBFS") for row in comparison.rows)
    lines = comparison_text(dataclasses.replace(comparison, rows=rows), width=200).splitlines()
    assert any(re.search(r"then .104\.00 ± \S+ dBFS: \+6\.0+ ± \S+ dB$", line) for line in lines)


def test_on_another_calibration_nobody_can_tell(tmp_path):
    values = gain_result(26.0, half_db=0.2), gain_result(26.3, half_db=0.2)
    comparison = compared(tmp_path, *values, calibration="cb" * 32)
    assert not comparison.shared_calibration
    assert found(comparison)["gain_db", 1][0] == "can't tell"
    assert "calibrations are not the same" in comparison_text(comparison, width=1000)


def test_a_bound_stays_a_bound(tmp_path):
    bounded = dataclasses.replace(gain_result(26.0).channels[0], bound={"gain_db": "at most"}, uncertainty={})
    comparison = compared(tmp_path, dataclasses.replace(gain_result(), channels=(bounded,)), gain_result(27.0))
    (row,) = comparison.rows
    assert (row.change.word, row.change.difference) == ("changed", None)
    assert "at most 26 dB, then 27.00 ± 0.05 dB; at least 0.95 more, by the bound" in comparison_text(
        comparison, width=200
    )


def not_compared(comparison: Comparison) -> list[tuple[str, str]]:
    assert not comparison.rows
    return [(row.what, row.reason) for row in comparison.not_compared]


@pytest.mark.parametrize(
    ("after", "asked", "reason"),
    [
        ("the fuse blew", {}, "has no result after: the fuse blew"),
        (gain_result(26.0), {"frequency_hz": 100.0}, "other conditions: frequency_hz was 1000.0 before, 100.0 after"),
        (gain_result(26.0), {"input_level": "1 V"}, "other conditions: input_level was 100 mV before, 1 V after"),
        (
            gain_result(26.0, conditions={"load_ohm": {"1": 4.0, "2": 8.0}, "driven_channels": [1, 2]}),
            {},
            "other conditions: load_ohm was {'1': 8.0, '2': 8.0} before, {'1': 4.0, '2': 8.0} after",
        ),
        (
            gain_result(26.0, conditions={"load_ohm": {"1": 8.0, "2": 8.0}, "driven_channels": [1]}),
            {},
            "other conditions: driven_channels was [1, 2] before, [1] after",
        ),
        (dataclasses.replace(gain_result(26.0), measurement="distortion"), {}, "was gain before, distortion after"),
    ],
)
def test_a_step_that_cant_be_compared_is_named_with_its_reason(tmp_path, after, asked, reason):
    comparison = compared(tmp_path, gain_result(26.0), after, asked=asked)
    assert not_compared(comparison) == [("", reason)]
    assert f"{STEP}: {reason}" in comparison_text(comparison, width=1000)


def test_a_load_measured_again_and_a_default_written_down_are_no_other_conditions(tmp_path):
    again = gain_result(26.0, conditions={"load_ohm": {"1": 8.05, "2": 7.98}, "driven_channels": [1, 2]})
    comparison = compared(tmp_path, gain_result(26.0), again, asked={"frequency_hz": 1000.0})
    assert found(comparison)["gain_db", 1][0] == "unchanged"


def test_a_missing_step_channel_and_value_are_named(tmp_path):
    one = written(tmp_path, {STEP: gain_result(26.0, None)}, planned=(STEP, "Never reached"))
    other = written(tmp_path, {"New": gain_result(26.0), STEP: gain_result(26.0, 26.0)}, stage="as-left")
    comparison = compare_visits(one, other)
    assert {(row.step, row.what, row.reason) for row in comparison.not_compared} == {
        (STEP, "channel 2, gain", "could not be measured before"),
        ("Never reached", "", "was not made before"),
        ("New", "", "was not made before"),
    }
    third = written(tmp_path, {STEP: gain_result(26.0)}, stage="after-run-in")
    reasons = [row.reason for row in compare_visits(other, third).not_compared]
    assert reasons == ["was not made after", "was not measured after"]
    assert "was not measured before" in [row.reason for row in compare_visits(third, other).not_compared]


def test_another_answer_is_told(tmp_path):
    answers = [
        instruction_result("Listen", "Does it hum?", answer, expected="", right=None, simulated=True)
        for answer in ("yes", "no")
    ]
    comparison = compared(tmp_path, *answers)
    assert [(each.step, each.before, each.after) for each in comparison.answers] == [(STEP, "yes", "no")]
    assert comparison.as_json()["answers"] == [{"step": STEP, "before": "yes", "after": "no"}]
    assert not_compared(comparison) == []
    text = comparison_text(comparison)
    assert f"{STEP}\n  changed     answer: 'yes', then 'no'\n" in text
    assert "0 can't tell, 1 answered otherwise, 0 can't be compared" in text
    assert compared(tmp_path / "same", answers[0], answers[0]).answers == ()
    assert answers[0].channels[0].channel == WHOLE_UNIT


def test_what_has_nothing_in_common_is_refused(tmp_path):
    one = written(tmp_path / "records", {STEP: gain_result(26.0)})
    real = written(tmp_path / "others", {STEP: gain_result(26.0)}, simulated=False)
    with pytest.raises(RequestError, match="can't be compared with itself"):
        compare_visits(one, one)
    with pytest.raises(RequestError, match=r"is SIMULATED and .* is not"):
        compare_visits(real, one)
    (one.path / "plan.toml").write_text("title = 'Changed'\n")
    other = written(tmp_path / "records", {STEP: gain_result(26.0)}, stage="as-left")
    with pytest.raises(FileProblem, match="this record was changed and proves nothing"):
        audiomeas.compare(one.path, other.path)


def test_two_units_are_told(tmp_path):
    other = written(tmp_path, {STEP: gain_result(26.0)}, unit=parse_unit("Demo amplifier A, serial D-0002"))
    notes = compare_visits(written(tmp_path, {STEP: gain_result(26.0)}), other).notes
    assert any(note.startswith("these are two units") for note in notes)


def test_a_corrected_value_is_not_compared_and_void_results_are_told(tmp_path):
    one = written(tmp_path, {STEP: gain_result(26.0, 26.0)})
    other = written(tmp_path, {STEP: gain_result(26.0, 26.0)}, stage="as-left")
    book = audiomeas.logbook("D-0001", records=tmp_path)
    book.correct(one.path, step=STEP, quantity="gain_db", channel=1, to="20 dB", reason="control was not at maximum")
    book.repair("output transistor", reason="shorted")
    comparison = audiomeas.compare("D-0001", records=tmp_path)
    assert (comparison.before.path, comparison.after.path) == (one.path, other.path)
    assert [(row.what, row.reason) for row in comparison.not_compared] == [
        ("channel 1, gain", "corrected before to '20 dB'")
    ]
    assert list(found(comparison)) == [("gain_db", 2)]
    assert f"after, since work on the unit, no longer holds: {STEP}" in comparison.notes


def test_a_return_is_held_against_the_unit_as_shipped(tmp_path):
    stages = ("as-found", "as-left", "after-run-in", "return")
    visits = [written(tmp_path, {STEP: gain_result(26.0)}, stage=stage) for stage in stages]
    shipped, returned = pair_of(find_unit(tmp_path, "D-0001"))
    assert (shipped.path, returned.path) == (visits[2].path, visits[3].path)


def test_a_single_visit_has_nothing_to_be_held_against(tmp_path):
    only = written(tmp_path, {STEP: gain_result(26.0)})
    with pytest.raises(RequestError, match="the only visit of its stay"):
        audiomeas.compare("D-0001", records=tmp_path)
    with pytest.raises(RequestError, match="is one visit: give a second one"):
        audiomeas.compare(only.path)
    with pytest.raises(RequestError, match="holds nothing of"):
        audiomeas.compare("Demo amplifier Z, serial D-0026", records=tmp_path)
    with pytest.raises(RequestError, match="least change of levels"):
        audiomeas.compare("D-0001", records=tmp_path, levels_db=-0.1)


def test_the_command_tells_it_in_80_columns_and_as_json(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for stage, gain_db in (("as-found", 25.0), ("as-left", 26.0)):
        written(Path("records"), {STEP: gain_result(gain_db, 26.0)}, stage=stage)
    done = CliRunner().invoke(command, ["compare", "D-0001"])
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("SIMULATED")
    assert "  changed     channel 1, gain: 25.00 ± 0.05 dB, then 26.00 ± 0.05 dB:" in done.stdout
    assert "  unchanged   channel 2: gain\n" in done.stdout  # by name alone
    assert max(len(line) for line in done.stdout.splitlines() if "records" not in line) <= 80
    everything = CliRunner().invoke(command, ["compare", "D-0001", "--all"]).stdout
    assert "  unchanged   channel 2, gain: 26.00 ± 0.05 dB, then 26.00 ± 0.05 dB:" in everything
    facts = json.loads(CliRunner().invoke(command, ["compare", "D-0001", "--json"]).stdout)
    assert facts["counts"] == {"changed": 1, "unchanged": 1, "can't tell": 0}
    assert facts["rows"][0]["change"]["difference"] == 1.0
    assert facts["before"]["stage"] == "as-found" and facts["after"]["unit"]["serial"] == UNIT.serial


def test_a_chart_that_cant_be_written_is_refused_before_anything_is_told(tmp_path, capsys):
    for stage in ("as-found", "as-left"):
        written(tmp_path, {STEP: gain_result(26.0)}, stage=stage)
    assert status_of(["compare", "D-0001", "--records", str(tmp_path), "--chart", str(tmp_path / "x.txt")]) == 2
    assert capsys.readouterr().out == ""
