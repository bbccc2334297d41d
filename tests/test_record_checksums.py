"""A record holds its files against its own checksums: what was changed, lost or added is never printed or drawn."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from plan_fakes import PLAN, FakeSession, checked_by_sha256sum, result_of, use_fakes

import audiomeas
from audiomeas.cli.main import status_of
from audiomeas.errors import FileProblem, Interrupted
from audiomeas.plan.file import read_plan
from audiomeas.plan.run import run_on
from audiomeas.record.store import VisitWriter, find_visits, read_visit
from audiomeas.record.unit import parse_unit

FAILS = {"distortion": result_of("distortion", thd_percent=(0.5, 0.001), gain_db=(26.0, 0.05))}


def _run(folder: Path, session: FakeSession) -> None:
    plan = folder / "plan.toml"
    plan.write_text(PLAN, encoding="utf-8")
    run_on(session, read_plan(plan), unit=parse_unit("Demo amplifier A, serial D-0001"), records=folder / "records")


@pytest.fixture
def failed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A visit whose first step fails and whose second passes."""
    use_fakes(monkeypatch)
    _run(tmp_path, FakeSession(FAILS))
    (visit,) = find_visits(tmp_path / "records")
    assert (visit.verdict, visit.damage) == ("fail", "")
    return visit.path


def _lose_the_step(path: Path) -> None:
    for file in (path / "01-distortion-at-1-w").iterdir():
        file.unlink()
    (path / "01-distortion-at-1-w").rmdir()


def _edit_the_result(path: Path) -> None:
    file = path / "01-distortion-at-1-w" / "result.json"
    file.write_text(file.read_text().replace("0.5", "0.05"))


def _edit_value_and_words(path: Path) -> None:
    """Make the failed rows agree with themselves: only the checksums can tell."""
    file = path / "01-distortion-at-1-w" / "verdict.json"
    data = json.loads(file.read_text())
    for row in data["rows"]:
        row.update(verdict="pass", reason="", **({"value": 0.05} if row["quantity"] == "thd_percent" else {}))
    file.write_text(json.dumps(data))


def _no_longer_simulated(path: Path) -> None:
    file = path / "visit.json"
    file.write_text(file.read_text().replace('"simulated": true', '"simulated": false'))


def _a_sample(path: Path) -> None:
    file = path / "01-distortion-at-1-w" / "capture.flac"
    data = bytearray(file.read_bytes())
    data[-20] ^= 1
    file.write_bytes(data)


def _add_a_step(path: Path) -> None:
    (path / "notes.txt").write_text("passed")


CHANGES: dict[str, tuple[Callable[[Path], None], str]] = {
    "lost step": (_lose_the_step, r"01-distortion-at-1-w/capture\.flac is missing \(and 5 more files\)"),
    "edited result": (_edit_the_result, r"01-distortion-at-1-w/result\.json is not as it was when the record"),
    "edited verdict": (_edit_value_and_words, r"01-distortion-at-1-w/verdict\.json is not as it was"),
    "no SIMULATED": (_no_longer_simulated, r"visit\.json is not as it was"),
    "another sample": (_a_sample, r"capture\.flac is not as it was"),
    "added file": (_add_a_step, r"notes\.txt was added after the record was closed"),
    "no checksums": (lambda path: (path / "checksums.sha256").unlink(), r"checksums\.sha256 is missing, although"),
    "empty checksums": (lambda path: (path / "checksums.sha256").write_text(""), r"was added after .* more files"),
    "nonsense": (lambda path: (path / "checksums.sha256").write_text("pass\n"), r"line 1, is no checksum"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_record_that_was_changed_is_neither_printed_nor_drawn(
    failed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], change: str
) -> None:
    make, said = CHANGES[change]
    make(failed)
    visit = read_visit(failed)
    assert visit.verdict != "pass"
    with pytest.raises(FileProblem, match=said):
        visit.verified()
    for call, file in ((audiomeas.report, "a.pdf"), (audiomeas.chart, "a.png")):
        with pytest.raises(FileProblem, match=said) as caught:
            call(failed, tmp_path / file)
        assert "\n" not in str(caught.value)
        assert not (tmp_path / file).exists()
    assert status_of(["report", str(failed), str(tmp_path / "a.pdf")]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_many_visits_are_read_without_their_samples_but_not_without_a_lost_capture(failed: Path) -> None:
    records = failed.parent.parent
    _a_sample(failed)
    assert [visit.damage for visit in find_visits(records)] == [""]
    (failed / "01-distortion-at-1-w" / "capture.flac").unlink()
    assert "capture.flac is missing" in find_visits(records)[0].damage


def test_words_that_their_own_numbers_contradict_are_refused(failed: Path) -> None:
    """Also where checksums were made anew: the word is never believed, it is worked out again."""
    file = failed / "01-distortion-at-1-w" / "verdict.json"
    file.write_text(file.read_text().replace('"fail"', '"pass"'))
    _new_checksums(failed)
    assert checked_by_sha256sum(failed)
    with pytest.raises(
        FileProblem, match=r"verdict\.json is damaged: the verdict on thd_percent says pass, .* say fail"
    ):
        read_visit(failed)


def _new_checksums(path: Path) -> None:
    files = sorted(file for file in path.rglob("*") if file.is_file() and file.name != "checksums.sha256")
    lines = [f"{hashlib.sha256(file.read_bytes()).hexdigest()}  {file.relative_to(path)}\n" for file in files]
    (path / "checksums.sha256").write_text("".join(lines))


def test_a_lost_step_is_no_pass_even_with_new_checksums(failed: Path) -> None:
    _lose_the_step(failed)
    _new_checksums(failed)
    visit = read_visit(failed).verified()
    assert {row.verdict for row in visit.verdicts} == {"pass"}
    assert visit.verdict == "undecided"


def test_a_visit_that_was_stopped_is_drawn_with_a_warning_and_never_passes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    use_fakes(monkeypatch)
    with pytest.raises(Interrupted):
        _run(tmp_path, FakeSession({"response": Interrupted("stopped")}))
    (visit,) = find_visits(tmp_path / "records")
    assert (visit.finished, visit.damage, visit.verdict) == (False, "", "undecided")
    monkeypatch.undo()  # the real measurements, which draw; the fake results have nothing to draw, and that is fine
    monkeypatch.setattr("audiomeas.present.content._customer_chart", lambda results: None)
    assert status_of(["report", str(visit.path), str(tmp_path / "a.pdf")]) == 0
    captured = capsys.readouterr()
    assert "was not closed" in captured.err
    _edit_the_step_of(visit.path)
    with pytest.raises(FileProblem, match=r"step\.json is not as it was"):
        read_visit(visit.path).verified()


def _edit_the_step_of(path: Path) -> None:
    file = path / "01-distortion-at-1-w" / "step.json"
    file.write_text(file.read_text() + " ")


@pytest.mark.parametrize("name", [b"Icon\r", b"two\nlines", "a\u2028b".encode(), b"\xff.jpg"])
def test_a_record_is_not_called_finished_with_a_name_that_no_line_holds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: bytes
) -> None:
    """One file system's folder icons are called Icon and a carriage return."""

    def write_beside(folder: Path) -> None:
        (folder / os.fsdecode(name)).touch()

    use_fakes(monkeypatch)
    writer = VisitWriter.note
    monkeypatch.setattr(VisitWriter, "note", lambda visit, *a, **k: (write_beside(visit.path), writer(visit, *a, **k)))
    with pytest.raises(FileProblem, match="can't list: take it out or rename it"):
        _run(tmp_path, FakeSession({}))
    (visit,) = find_visits(tmp_path / "records")
    assert (visit.finished, visit.damage) == (False, "")


def test_a_visit_that_crashed_has_no_checksums_and_is_not_called_changed(failed: Path) -> None:
    (failed / "checksums.sha256").unlink()
    journal = failed / "journal.jsonl"
    journal.write_text("".join(line for line in journal.read_text().splitlines(True) if '"finished"' not in line))
    visit = read_visit(failed).verified()
    assert (visit.finished, visit.verdict) == (False, "fail")


def test_a_folder_that_was_left_before_the_first_sound_says_so(failed: Path) -> None:
    (failed / "visit.json").unlink()
    with pytest.raises(FileProblem, match="was broken off before anything was measured"):
        read_visit(failed)


@pytest.mark.parametrize("inside", ["a.pdf", "01-distortion-at-1-w/a.pdf"])
def test_no_report_and_no_chart_is_written_into_a_record(failed: Path, inside: str) -> None:
    for call in (audiomeas.report, audiomeas.chart):
        with pytest.raises(FileProblem, match="is never changed: write it elsewhere"):
            call(failed, failed / inside)
    assert read_visit(failed).damage == ""
