"""The store: everything comes back as it went in, nothing is written over, and damage is named."""

from __future__ import annotations

import dataclasses
import errno
import json
import os
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from plan_fakes import GOOD, capture_of, checked_by_sha256sum

from audiomeas.errors import AudiomeasError, FileProblem, Interrupted, RequestError
from audiomeas.record import journal
from audiomeas.record.store import PlanAsRun, Snapshot, VisitWriter, find_visits, open_visit, read_visit
from audiomeas.record.unit import Unit, parse_unit
from audiomeas.record.verdict_row import Verdict

UNIT = parse_unit("Demo amplifier A, serial D-0001", kind="power amplifier")
PLAN_AS_RUN = PlanAsRun(
    title="Short", kind="power amplifier", file="plan.toml", text="title = 'Short' # Ω\r\n", steps=("THD", "Response")
)
SNAPSHOT = Snapshot(
    bench={"name": "fake"},
    hashes={"bench.toml": "ab"},
    texts={"bench.toml": "name = 'fake'\n", "../../.bench.toml": "# out\n", "a/bench.toml": "# other\n"},
    simulated=True,
    warnings=("calibration expired",),
)
ROW = Verdict(
    step="THD",
    quantity="thd_percent",
    unit="%",
    words="distortion",
    channel=1,
    value=0.02,
    uncertainty=0.001,
    bound="",
    at_least=None,
    at_most=0.1,
    difference_at_most=None,
    source="maker",
    verdict="pass",
)


def _opened(records: Path, unit: Unit = UNIT, stage: str = "as-found") -> VisitWriter:
    return open_visit(records, unit, stage, plan=PLAN_AS_RUN, snapshot=SNAPSHOT)


def _whole_visit(records: Path, unit: Unit = UNIT) -> Path:
    visit = _opened(records, unit)
    look = visit.begin_first_look()
    look.keep(*capture_of())
    look.keep_look({"silent_channels": []})
    step = visit.begin_step("THD", "distortion", {"frequency_hz": 1000.0})
    step.keep(*capture_of())
    step.keep(*capture_of())
    step.finish(GOOD["distortion"], [ROW])
    visit.begin_step("Response", "response", {}).fail("no tone found", [], status=2)
    visit.finish("pass")
    return visit.path


def test_a_visit_comes_back_as_it_went_in(tmp_path: Path) -> None:
    path = _whole_visit(tmp_path / "records")
    visit = read_visit(path)
    assert (visit.unit, visit.stage, visit.finished, visit.simulated) == (UNIT, "as-found", True, True)
    assert (visit.plan_text, visit.planned_steps) == (PLAN_AS_RUN.text, ("THD", "Response"))
    assert (visit.bench, visit.hashes, visit.warnings) == (SNAPSHOT.bench, SNAPSHOT.hashes, SNAPSHOT.warnings)
    assert visit.first_look is not None
    thd, response = visit.steps
    assert (thd.name, thd.measurement, thd.status, thd.conditions) == (
        "THD",
        "distortion",
        "finished",
        {"frequency_hz": 1000.0},
    )
    assert thd.result is not None
    assert thd.result.channels == GOOD["distortion"].channels
    assert thd.verdicts == (ROW,)
    assert [each.name for each in thd.captures] == ["capture.flac", "capture-2.flac"]
    assert (response.status, response.reason, response.result) == ("failed", "no tone found", None)
    assert visit.verdict == "undecided"  # a planned step gave no result, though every row that there is passes
    assert visit.step("THD") is thd
    with pytest.raises(KeyError):
        visit.step("none")


def test_captures_are_kept_bit_for_bit_with_their_volts(tmp_path: Path) -> None:
    from audiomeas.recording import read_recording

    capture, recording = capture_of()
    path = _opened(tmp_path).begin_step("a", "distortion", {}).keep(capture, recording)
    samples, rate_hz = soundfile.read(path, dtype="int32", always_2d=True)
    assert np.array_equal(samples, capture.samples)
    assert rate_hz == 48_000
    assert read_recording(path).v_rms_at_full_scale == (2.0, 2.1)


def test_a_bench_on_one_input_of_several_keeps_a_capture_that_reads_back(tmp_path: Path) -> None:
    from audiomeas.recording import read_recording

    capture, recording = capture_of()
    second = dataclasses.replace(
        recording,
        counts_fs=recording.counts_fs[:, 1:],
        channels=(2,),
        v_rms_at_full_scale=(2.1,),
        scale_uncertainty=(0.01,),
    )
    read = read_recording(_opened(tmp_path).begin_step("a", "distortion", {}).keep(capture, second))
    assert (read.channels, read.v_rms_at_full_scale) == ((2,), (2.1,))
    # Written as 24 bits and read back: the same codes, scaled by the same largest code; rounding of doubles only.
    assert np.allclose(read.counts_fs, second.counts_fs, rtol=1e-12, atol=0)


def test_a_capture_is_named_for_its_purpose(tmp_path: Path) -> None:
    capture, recording = capture_of()
    step = _opened(tmp_path).begin_step("a", "distortion", {})
    for purpose in ("setting the level", "../..", "setting the level"):
        step.keep(capture, dataclasses.replace(recording, conditions={"purpose": purpose}))
    names = [path.name for path in read_visit(step.folder.parent).steps[0].captures]
    assert names == ["setting-the-level.flac", "capture.flac", "setting-the-level-2.flac"]  # in the order captured


def test_everything_in_a_record_is_plain_text_or_audio(tmp_path: Path) -> None:
    path = _whole_visit(tmp_path)
    for file in path.rglob("*"):
        if file.suffix == ".json":
            assert isinstance(json.loads(file.read_text(encoding="utf-8")), dict)
    assert (path / "plan.toml").read_bytes() == PLAN_AS_RUN.text.encode()
    copies = json.loads((path / "visit.json").read_text())["copies"]
    assert {name: (path / copy).read_text() for name, copy in copies.items()} == dict(SNAPSHOT.texts)
    assert all((path / copy).resolve().parent == (path / "bench").resolve() for copy in copies.values())
    assert json.loads((path / "visit.json").read_text())["simulated"] is True


def test_the_checksums_are_those_of_the_systems_own_tool(tmp_path: Path) -> None:
    path = _whole_visit(tmp_path)
    assert checked_by_sha256sum(path)
    listed = {line.split("  ", 1)[1] for line in (path / "checksums.sha256").read_text().splitlines()}
    there = {file.relative_to(path).as_posix() for file in path.rglob("*") if file.is_file()}
    assert listed == there - {"checksums.sha256"}
    (path / "journal.jsonl").write_bytes((path / "journal.jsonl").read_bytes().replace(b"THD", b"THE"))
    assert not checked_by_sha256sum(path)


def test_two_visits_of_one_second_get_two_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    moment = journal.utc_now()
    monkeypatch.setattr(journal, "utc_now", lambda: moment)
    first, second = _opened(tmp_path).path, _opened(tmp_path).path
    assert (first.parent, first.name + "-2") == (second.parent, second.name)
    assert first.name == f"{moment:%Y-%m-%dT%H%M%S}Z-as-found"


def test_nothing_is_written_over(tmp_path: Path) -> None:
    visit = _opened(tmp_path)
    step = visit.begin_step("a", "distortion", {})
    step.finish(GOOD["distortion"], [])
    before = {file: file.read_bytes() for file in visit.path.rglob("*.json")}
    with pytest.raises(FileProblem, match="exists already"):
        step.finish(GOOD["distortion"], [ROW])
    with pytest.raises(FileProblem, match="exists already"):
        step.fail("late", [], status=2)
    assert {file: file.read_bytes() for file in visit.path.rglob("*.json")} == before


def test_another_unit_never_moves_into_a_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from audiomeas.record import unit_folder

    # Even if two names came to one folder name (a hash collision), the second is refused.
    monkeypatch.setattr(unit_folder, "folder_name", lambda name: "same")
    _opened(tmp_path)
    with pytest.raises(FileProblem, match=r"belongs to another unit \(Demo amplifier A, serial D-0001\)"):
        _opened(tmp_path, parse_unit("Demo amplifier B, serial D-0002"))


def test_an_unknown_stage_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="did you mean 'as-found'"):
        _opened(tmp_path / "records", stage="as-fond")
    assert not (tmp_path / "records").exists()


def test_a_step_named_like_a_path_stays_in_the_visit(tmp_path: Path) -> None:
    visit = _opened(tmp_path)
    for name in ("../../x", "/", "真空管", "a" * 3000):
        step = visit.begin_step(name, "distortion", {})
        assert step.folder.resolve().parent == visit.path.resolve()
    assert [step.name for step in read_visit(visit.path).steps] == ["../../x", "/", "真空管", "a" * 3000]


def test_what_ended_a_visit_is_told_also_where_the_record_takes_no_more(tmp_path: Path) -> None:
    visit = _opened(tmp_path / "records")
    told: list[str] = []
    (visit.path / "journal.jsonl").unlink()
    (visit.path / "journal.jsonl").mkdir()  # nothing can be added to it, as on a full disk
    visit.break_off(Interrupted("stopped by SIGINT"), told.append)
    assert [line.partition(" could not")[0] for line in told] == [
        "the reason or the checksums",
        f"what was measured until then is kept in {visit.path}",
    ]


# -- reading what is broken, and finding ---------------------------------------------------------------------------


def _change(file: Path, **facts: Any) -> None:
    data = json.loads(file.read_text())
    data.update(facts)
    file.write_text(json.dumps(data))


@pytest.mark.parametrize("name", ["visit.json", "01-thd/step.json", "01-thd/verdict.json"])
def test_records_of_a_newer_version_are_refused_by_name(tmp_path: Path, name: str) -> None:
    path = _whole_visit(tmp_path)
    _change(path / name, record=2)
    with pytest.raises(FileProblem, match="newer audiomeas") as caught:
        read_visit(path)
    assert str(path / name) in str(caught.value)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("visit.json", b""),
        ("visit.json", b"{}"),
        ("visit.json", b'{"record": 1}'),
        ("visit.json", b'{"record": true}'),
        ("visit.json", b"[]"),
        ("visit.json", b"\xff"),
        ("plan.toml", None),
        ("journal.jsonl", b"nonsense\n{}\n"),
        ("journal.jsonl", b"[1]\n{}\n"),
        ("00-first-look/first-look.json", b"[]"),
        ("01-thd/step.json", b'{"record": 1}'),
        ("01-thd/result.json", b"{}"),
        ("01-thd/result.json", b"[]"),
        ("01-thd/result.json", b'{"a": NaN}'),
        ("01-thd/verdict.json", b'{"record": 1, "rows": [{}]}'),
        ("01-thd/verdict.json", b'{"record": 1, "rows": 5}'),
    ],
)
def test_damage_is_named_and_spares_the_others(tmp_path: Path, name: str, content: bytes | None) -> None:
    path = _whole_visit(tmp_path)
    other = _whole_visit(tmp_path, parse_unit("Demo amplifier B, serial D-0002"))
    (path / name).unlink()
    if content is not None:
        (path / name).write_bytes(content)
    with pytest.raises(FileProblem) as caught:
        read_visit(path)
    assert str(path / name) in str(caught.value)
    assert "\n" not in str(caught.value)
    with pytest.raises(FileProblem):
        find_visits(tmp_path)
    problems: list[AudiomeasError] = []
    assert [visit.path for visit in find_visits(tmp_path, on_problem=problems.append)] == [other]
    assert [str(path / name) in str(problem) for problem in problems] == [True]


@pytest.mark.parametrize(
    "unit", [5, None, {}, {"kind": "", "maker": "", "model": "a\nb", "serial": "1", "tag": ""}, {"model": "a"}]
)
def test_a_damaged_unit_is_said_by_file(tmp_path: Path, unit: object) -> None:
    path = _whole_visit(tmp_path)
    _change(path / "visit.json", unit=unit)
    with pytest.raises(FileProblem, match=r"visit\.json is damaged"):
        find_visits(tmp_path, "D-0001")
    with pytest.raises(FileProblem, match=r"visit\.json is damaged"):
        read_visit(path)


def test_a_wrong_word_is_no_verdict(tmp_path: Path) -> None:
    path = _whole_visit(tmp_path)
    file = path / "01-thd" / "verdict.json"
    file.write_text(file.read_text().replace('"pass"', '"good"'))
    with pytest.raises(FileProblem, match="'good' is not one of pass, fail, undecided"):
        read_visit(path)


@pytest.mark.parametrize(
    ("name", "what", "key", "value", "said"),
    [
        ("verdict.json", "rows", "quantity", None, "quantity is no text"),
        ("verdict.json", "rows", "step", ["THD"], "step is no text"),
        ("verdict.json", "rows", "channel", "left", "channel is no number"),
        ("result.json", "channels", "uncertainty", {"thd_percent": -1.0}, "the uncertainty of thd_percent is negative"),
        ("result.json", "channels", "uncertainty", {"thd_percent": 1e308}, "the uncertainty of thd_percent is larger"),
        ("result.json", "channels", "gain_db", 1e31, "gain_db is larger than anything that is measured"),
        ("result.json", "channels", "uncertainty", {"thd_percent": "1"}, "the uncertainty of thd_percent is no number"),
        ("result.json", "channels", "bound", {"thd_percent": 5}, "bound of thd_percent is no text"),
    ],
)
def test_a_value_of_another_type_is_said_by_file_and_key(
    tmp_path: Path, name: str, what: str, key: str, value: object, said: str
) -> None:
    """In a record that was not closed nothing but its own words tells of damage."""
    file = _whole_visit(tmp_path) / "01-thd" / name
    data = json.loads(file.read_text())
    data[what][0][key] = value
    file.write_text(json.dumps(data))
    with pytest.raises(FileProblem, match=f"{name} is damaged: {said}"):
        read_visit(file.parent.parent)


def test_a_value_that_no_computer_holds_is_said_by_file(tmp_path: Path) -> None:
    file = _whole_visit(tmp_path) / "01-thd" / "verdict.json"
    data = json.loads(file.read_text())
    data["rows"][0]["value"] = 10**400
    file.write_text(json.dumps(data))
    with pytest.raises(FileProblem, match=r"verdict\.json: 10{19} is not a JSON number that a computer holds"):
        read_visit(file.parent.parent)


def test_a_folder_that_is_no_visit_is_said(tmp_path: Path) -> None:
    with pytest.raises(FileProblem, match="not the folder of a visit"):
        read_visit(tmp_path)
    with pytest.raises(FileProblem, match="not found"):
        find_visits(tmp_path / "nowhere")


def test_visits_are_found_by_serial_oldest_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    moment = journal.utc_now()
    other = parse_unit("Demo amplifier B, tag 7")
    paths = []
    for days, unit in ((3, UNIT), (1, other), (2, UNIT)):
        monkeypatch.setattr(journal, "utc_now", lambda days=days: moment.replace(day=days))
        paths.append(_opened(tmp_path, unit).path)
    assert [visit.path for visit in find_visits(tmp_path)] == [paths[1], paths[2], paths[0]]
    assert [visit.path for visit in find_visits(tmp_path, "D-0001")] == [paths[2], paths[0]]
    assert [visit.path for visit in find_visits(tmp_path, "7")] == [paths[1]]
    assert find_visits(tmp_path, "D-000") == find_visits(tmp_path, "") == ()
    (tmp_path / "a-file").write_text("")
    (tmp_path / "empty" / "folder").mkdir(parents=True)
    assert len(find_visits(tmp_path)) == 3


# -- journal -------------------------------------------------------------------------------------------------------


def test_a_line_that_was_cut_off_is_left_out(tmp_path: Path) -> None:
    path = _whole_visit(tmp_path)
    file = path / "journal.jsonl"
    whole = journal.read(file)
    assert [event["event"] for event in whole] == [
        "opened",
        "captured",
        "step started",
        "captured",
        "captured",
        "step finished",
        "step started",
        "step failed",
        "finished",
    ]
    (path / "checksums.sha256").unlink()  # the journal's last line comes before the checksums
    data = file.read_bytes()
    last = data.rindex(b"\n", 0, -1) + 1
    for length in range(last, len(data) - 1):
        file.write_bytes(data[:length])
        assert journal.read(file) == whole[:-1]
        assert read_visit(path).finished is False
    assert read_visit(path).verdict == "undecided"  # broken off: at best undecided, though all its rows pass


def test_a_full_disk_leaves_the_journal_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "journal.jsonl"
    journal.append(path, "opened")
    before = path.read_bytes()
    write = os.write

    def half(descriptor: int, data: bytes) -> int:
        if len(data) < 20:
            raise OSError(errno.ENOSPC, "full")
        return write(descriptor, data[: len(data) // 2])

    monkeypatch.setattr(os, "write", half)
    with pytest.raises(FileProblem, match="disk is full"):
        journal.append(path, "captured", file="x" * 100)
    monkeypatch.undo()
    assert path.read_bytes() == before
    journal.append(path, "finished")
    assert [event["event"] for event in journal.read(path)] == ["opened", "finished"]


def test_times_are_utc_whatever_the_clock_on_the_wall_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "XXX-11")
    time.tzset()
    try:
        path = tmp_path / "journal.jsonl"
        journal.append(path, "opened")
        (event,) = journal.read(path)
        now = time.strftime("%Y-%m-%dT%H:%M", time.gmtime())
    finally:
        monkeypatch.undo()
        time.tzset()
    assert event["at"].endswith("Z")
    assert event["at"][:13] == now[:13] or event["at"][14:16] in ("59", "00")  # the hour may just have turned


def test_names_that_no_system_takes_are_said_in_one_line(tmp_path: Path) -> None:
    for read in (read_visit, find_visits):
        with pytest.raises(FileProblem, match="name is too long"):
            read(tmp_path / ("a" * 5000))
    with pytest.raises(FileProblem, match="name is too long"):
        _opened(tmp_path / ("a" * 5000))
    with pytest.raises(FileProblem, match="is a file, not a folder"):
        (tmp_path / "file").write_text("")
        _opened(tmp_path / "file" / "records")
