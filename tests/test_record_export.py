"""Tables of records, read back by Python's own csv and json: nothing lost, no formula, changed records left out."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import pytest
from archive_fakes import STEP, gain_result, written
from hypothesis import given
from hypothesis import strategies as st

import audiomeas
from audiomeas.cli.main import status_of
from audiomeas.errors import FileProblem, RequestError
from audiomeas.measurement.entered import instruction_result
from audiomeas.measurement.result import ChannelResult
from audiomeas.record import export as module
from audiomeas.record import tidy
from audiomeas.record.unit import Unit, parse_unit
from audiomeas.record.visit import read_visit

#: A name that a spreadsheet would compute, quotes, a comma and signs of other scripts.
HOSTILE = Unit(maker="=1+1", model='Demo "A", Größe 日本', serial="@SUM(A1)", kind="power amplifier")


@pytest.fixture(scope="module")
def records(tmp_path_factory) -> Path:
    """Three visits of two units; one step failed, one value is not known."""
    folder = tmp_path_factory.mktemp("archive") / "records"
    written(folder, {STEP: gain_result(26.0, None), "Later": "the fuse blew"}, unit=HOSTILE, title="-2 dB plan")
    written(folder, {STEP: gain_result(15.0, -3.5)}, unit=parse_unit("Demo amplifier B, serial D-0002"))
    written(
        folder, {STEP: gain_result(26.5, 26.0)}, unit=parse_unit("Demo amplifier B, serial D-0002"), stage="as-left"
    )
    return folder


def table_of(records: Path, tmp_path: Path, **options) -> list[dict[str, str]]:
    file = audiomeas.export(tmp_path / "table.csv", records=records, **options).file
    with file.open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle, strict=True))


def test_tables_without_curves_are_those_with_them(tmp_path):
    """Each result is kept once more without curves, lists and budgets: what a table says of it must not differ."""
    first = gain_result(26.0, None)
    rows = [dataclasses.replace(row, values={**row.values, "curve_db": [1.0, 2.0]}) for row in first.channels]
    whole = dataclasses.replace(first, channels=tuple(rows), provenance={"interface": "fake"})
    path = written(tmp_path / "records", {STEP: whole}, unit=HOSTILE).path
    thin, full = read_visit(path, curves=False), read_visit(path)
    for of in (tidy.value_rows, tidy.limit_rows):
        assert list(of(thin)) == list(of(full))
    assert tidy.summary_row(thin) == tidy.summary_row(full)
    kept = thin.steps[0].result.channels[0]
    assert "curve_db" not in kept.values and not kept.budget and not thin.steps[0].result.provenance
    assert full.steps[0].result.channels[0].values["curve_db"] == [1.0, 2.0]
    # A record of before holds no such file, and is read whole.
    for file in (path / "checksums.sha256", *path.glob("*/figures.json")):
        file.unlink()
    assert list(read_visit(path, curves=False).steps[0].result.channels) == list(full.steps[0].result.channels)


def test_one_row_a_value(records, tmp_path):
    rows = table_of(records, tmp_path)
    assert [(row["stage"], row["step"], row["channel"], row["value"]) for row in rows] == [
        ("as-found", STEP, "1", "26.0"),
        ("as-found", STEP, "2", ""),
        ("as-found", "Later", "", ""),
        ("as-found", STEP, "1", "15.0"),
        ("as-found", STEP, "2", "-3.5"),
        ("as-left", STEP, "1", "26.5"),
        ("as-left", STEP, "2", "26.0"),
    ]
    first = rows[0]
    assert (first["quantity"], first["words"], first["unit"], first["uncertainty_95"]) == (
        "gain_db",
        "gain",
        "dB",
        "0.05",
    )
    assert (first["simulated"], first["closed"], first["void"], first["stay"]) == ("true", "true", "false", "1")
    assert rows[2]["step_status"] == "failed"


def test_texts_come_back_and_none_of_them_is_a_formula(records, tmp_path):
    row = table_of(records, tmp_path)[0]
    assert row["model"] == HOSTILE.model
    assert (row["maker"], row["serial"], row["plan"]) == ("'=1+1", "'@SUM(A1)", "'-2 dB plan")


def test_it_is_rfc_4180_in_utf_8(records, tmp_path):
    data = audiomeas.export(tmp_path / "t.csv", records=records).file.read_bytes()
    assert data.decode("utf-8").count("\r\n") == data.count(b"\n") == 8  # one heading, seven rows, each with CRLF
    assert b'"Demo ""A"", Gr\xc3\xb6\xc3\x9fe' in data


@given(st.text(max_size=20))
def test_no_text_begins_a_formula_and_each_comes_back(text):
    """Read by Python's csv: what it reads is the text, or the text behind an apostrophe."""
    (row,) = csv.reader(io.StringIO(module._csv_text([[text, 1.5]]), newline=""), strict=True)
    assert row[0] in (text, f"'{text}")
    assert not row[0].startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert float(row[1]) == 1.5


def test_one_row_a_limit_and_one_a_visit(records, tmp_path):
    limits = table_of(records, tmp_path, table="limits")
    assert [(row["verdict"], row["limit"], row["limit_at_least"]) for row in limits] == [
        ("pass", "at least 20 dB", "20.0"),
        ("undecided", "at least 20 dB", "20.0"),
        ("fail", "at least 20 dB", "20.0"),
        ("pass", "at least 20 dB", "20.0"),
    ]
    (tmp_path / "table.csv").unlink()
    visits = table_of(records, tmp_path, table="visits")
    assert [(row["verdict"], row["fail"], row["steps_with_result"]) for row in visits] == [
        ("undecided", "0", "1"), ("fail", "1", "1"), ("pass", "0", "1"),
    ]  # fmt: skip


def test_a_column_a_value_with_its_unit_in_the_heading(records, tmp_path):
    rows = table_of(records, tmp_path, table="wide", unit="D-0002")
    assert [(row["channel"], row["gain_db (dB)"], row["gain_db uncertainty_95 (dB)"]) for row in rows] == [
        ("1", "15.0", "0.05"), ("2", "-3.5", "0.05"), ("1", "26.5", "0.05"), ("2", "26.0", "0.05"),
    ]  # fmt: skip


def test_answers_and_notes_are_texts_of_their_own(tmp_path):
    answer = instruction_result("Look", "Clean?", "=yes", expected="", right=None, simulated=True)
    written(tmp_path / "r", {"Asked": answer})
    (row,) = table_of(tmp_path / "r", tmp_path)
    assert (row["quantity"], row["value"], row["text"], row["channel"]) == ("answer", "", "'=yes", "")
    (tmp_path / "table.csv").unlink()
    assert table_of(tmp_path / "r", tmp_path, table="wide")[0]["answer"] == "'=yes"


def test_points_of_lists(tmp_path):
    channel = ChannelResult(
        channel=1,
        values={
            "gain_db": 26.0,
            "frequency_hz": [20.0, 1000.0],
            "phase_deg": [1.0, None],
            "harmonics": [{"order": 2, "level_db": -80.0, "bound": "at most", "uncertainty": {"level_db": 0.1}}],
            "spectrum": {"frequency_hz": [1.0], "level_db": [-100.0]},
        },
    )
    visit = written(tmp_path / "r", {STEP: dataclasses.replace(gain_result(26.0), channels=(channel,))})
    rows = table_of(tmp_path / "r", tmp_path, table="points", visit=visit.path)
    assert [(row["list"], row["frequency_hz"], row["phase_deg"], row["level_db"]) for row in rows] == [
        ("harmonics", "", "", "-80.0"),
        ("spectrum", "1.0", "", "-100.0"),
        ("curve", "20.0", "1.0", ""),
        ("curve", "1000.0", "", ""),
    ]
    assert (rows[0]["order"], rows[0]["bound"], rows[0]["level_db_uncertainty_95"]) == ("2", "at most", "0.1")


def test_json_holds_everything_and_tables_too(records, tmp_path):
    file = audiomeas.export(tmp_path / "all.json", records=records).file
    facts = json.loads(file.read_text(encoding="utf-8"))
    visits = [visit for unit in facts["units"] for visit in unit["visits"]]
    assert [visit["unit"]["serial"] for visit in visits] == ["@SUM(A1)", "D-0002", "D-0002"]  # JSON needs no apostrophe
    step = visits[1]["steps"][0]
    assert step["result"]["channels"][1]["gain_db"] == -3.5
    assert step["result"]["channels"][0]["budget"]["gain_db"][0]["shape"] == "rectangular"
    assert step["captures"] and step["verdicts"][0]["verdict"] == "fail"
    assert {line["event"] for line in visits[0]["journal"]} >= {"opened", "step failed", "finished"}
    rows = json.loads(audiomeas.export(tmp_path / "v.json", records=records, table="visits").file.read_text())["rows"]
    assert [row["verdict"] for row in rows] == ["undecided", "fail", "pass"]


def test_a_changed_record_is_left_out_and_named(tmp_path, capsys):
    changed = written(tmp_path / "records", {STEP: gain_result(26.0)})
    other = written(tmp_path / "records", {STEP: gain_result(27.0)}, stage="as-left")
    (changed.path / "plan.toml").write_text("title = 'Changed'\n")
    arguments = ["export", str(tmp_path / "t.csv"), "--records", str(tmp_path / "records")]
    assert status_of(arguments) == 2
    told = capsys.readouterr()
    assert str(changed.path) in told.err and "proves nothing" in told.err
    with (tmp_path / "t.csv").open(newline="") as handle:
        assert [row["record"] for row in csv.DictReader(handle)] == [other.path.as_posix()]


def test_a_corrected_value_says_so(tmp_path):
    visit = written(tmp_path / "records", {STEP: gain_result(26.0, 26.0)})
    book = audiomeas.logbook("D-0001", records=tmp_path / "records")
    book.correct(visit.path, step=STEP, quantity="gain_db", channel=2, to="20 dB", reason="control not at maximum")
    rows = table_of(tmp_path / "records", tmp_path)
    assert [(row["channel"], row["value"], row["corrected_to"]) for row in rows] == [
        ("1", "26.0", ""), ("2", "26.0", "20 dB"),
    ]  # fmt: skip


def test_wrong_requests_are_refused_and_write_nothing(records, tmp_path):
    for file, options, words in (
        ("t.txt", {}, "ends in .csv"),
        ("t.csv", {"table": "value"}, "did you mean 'values'"),
        ("t.csv", {"table": "points"}, "too many for a table"),
        ("t.csv", {"unit": "D-0002", "visit": records}, "not both"),
        ("t.csv", {"unit": "D-0009"}, "D-0009"),
        ("t.csv", {"workers": 0}, "at least one worker"),
        ("t.csv", {"records": tmp_path}, "holds no records"),
    ):
        with pytest.raises(RequestError, match=words):
            audiomeas.export(tmp_path / file, **{"records": records, **options})
    (tmp_path / "there.csv").write_text("mine")
    with pytest.raises(FileProblem, match="exists already"):
        audiomeas.export(tmp_path / "there.csv", records=records)
    assert {each.name for each in tmp_path.iterdir()} == {"there.csv"}
    assert (tmp_path / "there.csv").read_text() == "mine"


def test_any_executor_gives_the_same_table(records, tmp_path):
    alone = audiomeas.export(tmp_path / "1.csv", records=records).file.read_bytes()
    with ThreadPoolExecutor(2) as executor:
        assert audiomeas.export(tmp_path / "2.csv", records=records, executor=executor).file.read_bytes() == alone


@pytest.mark.wide
def test_several_processes_give_the_same_table(records, tmp_path, monkeypatch):
    monkeypatch.setattr(module, "_FEW_UNITS", 1)
    alone = audiomeas.export(tmp_path / "1.csv", records=records, workers=1).file.read_bytes()
    assert audiomeas.export(tmp_path / "2.csv", records=records, workers=2).file.read_bytes() == alone
    with ProcessPoolExecutor(2) as executor:
        assert audiomeas.export(tmp_path / "3.csv", records=records, executor=executor).file.read_bytes() == alone
