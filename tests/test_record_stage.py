"""Stages and stays: what came before a stage is sealed by it, as found is over once the work began, and no unit is
taken for another one with its serial number."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from plan_fakes import checked_by_sha256sum
from visits_made import FAKE_BENCH, PLAN, UNIT, made, opened

from audiomeas.errors import FileProblem, Interrupted, RequestError
from audiomeas.record import store
from audiomeas.record.resume import resume_visit
from audiomeas.record.stage import STAGES, refuse_over
from audiomeas.record.stage import seal_earlier as seals
from audiomeas.record.store import find_visits, read_visit, refuse_visit
from audiomeas.record.unit import Unit, parse_unit
from audiomeas.record.unit_folder import find_unit, namesakes, unit_meant


def _stays(records: Path) -> list[tuple[str, int]]:
    return [(visit.stage, visit.facts["stay"]) for visit in find_visits(records)]


def test_as_found_is_over_once_the_work_began(tmp_path: Path) -> None:
    for stage in ("as-found", "as-found", "as-left"):
        made(tmp_path, stage)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(RequestError, match=r"as-found is over: .*-as-left came later in the same stay; .*new_stay"):
        opened(tmp_path)
    with pytest.raises(RequestError, match="as-found is over"):
        refuse_visit(tmp_path, UNIT)
    assert sorted(tmp_path.rglob("*")) == before  # refused before anything is written
    refuse_visit(tmp_path, UNIT, new_stay=True)
    made(tmp_path, "after-run-in")
    made(tmp_path, "as-left")  # a repair after the run-in leads back to it
    made(tmp_path, "as-found", new_stay=True)
    made(tmp_path, "as-found")
    first = [("as-found", 1), ("as-found", 1), ("as-left", 1), ("after-run-in", 1), ("as-left", 1)]
    assert sorted(_stays(tmp_path)) == sorted([*first, ("as-found", 2), ("as-found", 2)])


@pytest.mark.parametrize("stage", STAGES)
def test_the_first_visit_may_be_of_any_stage_and_stay(tmp_path: Path, stage: str) -> None:
    made(tmp_path, stage, new_stay=True)
    assert _stays(tmp_path) == [(stage, 1)]


def test_another_unit_has_stages_of_its_own(tmp_path: Path) -> None:
    made(tmp_path, "as-left")
    made(tmp_path, "as-found", parse_unit("Demo amplifier B, serial D-0002"))
    assert len(find_visits(tmp_path)) == 2


def test_a_later_stage_seals_what_was_broken_off(tmp_path: Path) -> None:
    path = made(tmp_path, close=False)  # as after a power cut: no ending, no checksums
    assert not (path / "checksums.sha256").exists()
    made(tmp_path, "as-found")
    assert not (path / "checksums.sha256").exists()  # the same stage seals nothing
    made(tmp_path, "as-left")
    assert checked_by_sha256sum(path)
    visit = read_visit(path).verified()
    assert (visit.finished, visit.verdict) == (False, "undecided")
    assert visit.journal[-1]["event"] == "sealed" and visit.journal[-1]["reason"] == "the stage as-left began"
    assert sum(event["event"] == "sealed" for other in find_visits(tmp_path) for event in other.journal) == 1


def test_a_journal_that_a_power_cut_left_torn_is_sealed_and_reads(tmp_path: Path) -> None:
    path = made(tmp_path, close=False)
    with (path / "journal.jsonl").open("ab") as handle:
        handle.write(b'{"at": "2026-05-01T10:00:00Z", "ev')
    made(tmp_path, "as-left")
    last = read_visit(path).verified().journal[-1]
    assert (last["event"], last["cut_off"]) == ("sealed", '{"at": "2026-05-01T10:00:00Z", "ev')


def test_nothing_is_added_to_a_visit_once_a_later_stage_began(tmp_path: Path) -> None:
    visit = opened(tmp_path)
    visit.break_off(Interrupted("stopped by SIGINT"), lambda _: None)  # closed: it needs no seal
    refuse_over(visit.path)
    later = made(tmp_path, "as-left")
    with pytest.raises(RequestError, match=f"is over: .*{later.name} began a later stage"):
        refuse_over(visit.path)
    refuse_over(later)
    made(tmp_path, "as-found", new_stay=True)
    with pytest.raises(RequestError, match="is over"):
        refuse_over(later)


def test_another_stay_seals_all_before_it(tmp_path: Path) -> None:
    path = made(tmp_path, "return", close=False)
    made(tmp_path, "as-found", new_stay=True)
    assert read_visit(path).journal[-1]["event"] == "sealed"


def test_a_visit_that_is_going_on_is_not_sealed(tmp_path: Path) -> None:
    going = opened(tmp_path)
    with pytest.raises(RequestError, match=f"{going.path.name} is still being made by another program"):
        opened(tmp_path, "as-left")
    assert len(find_visits(tmp_path)) == 1
    going.finish(None)
    opened(tmp_path, "as-left")


def test_a_visit_is_not_taken_up_while_a_later_stage_begins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    visit = opened(tmp_path)
    visit.break_off(Interrupted("stopped by SIGINT"), lambda _: None)
    outcome: list[object] = []

    def take_up() -> None:
        try:
            outcome.append(resume_visit(visit.path, unit=UNIT, stage="as-found", plan=PLAN, snapshot=FAKE_BENCH))
        except RequestError as refused:
            outcome.append(str(refused))

    other = threading.Thread(target=take_up)

    def seal_earlier(*which: Any) -> None:
        other.start()
        other.join(0.2)  # long enough to take it up, if nothing kept it from that
        seals(*which)

    monkeypatch.setattr(store, "seal_earlier", seal_earlier)
    later = opened(tmp_path, "as-left")
    other.join()
    assert outcome == [f"{visit.path} is over: {later.path} began a later stage; begin another visit"]


@pytest.mark.parametrize("name", ["nosuch", ".", "records", "records/unit", "records/unit/attachments"])
def test_what_is_no_visit_is_not_taken_up_and_gets_no_journal(tmp_path: Path, name: str) -> None:
    made(tmp_path / "records").parent.rename(tmp_path / "records" / "unit")
    (tmp_path / "records/unit/attachments").mkdir()
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(FileProblem, match=r"holds no visit\.json: it is not the folder of a visit"):
        resume_visit(tmp_path / name, unit=UNIT, stage="as-found", plan=PLAN, snapshot=FAKE_BENCH)
    assert sorted(tmp_path.rglob("*")) == before


def test_a_lock_asks_for_a_file_that_could_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a network's file system flock(2) refuses one that is only read (EBADF)."""
    fcntl = pytest.importorskip("fcntl")

    def flock(descriptor: int, how: int) -> None:
        if fcntl.fcntl(descriptor, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY:
            raise OSError(errno.EBADF, "Bad file descriptor")

    monkeypatch.setattr(fcntl, "flock", flock)
    made(tmp_path, close=False)
    made(tmp_path, "as-left")


_DIES = """
import os, sys
from pathlib import Path
sys.path[:0] = sys.argv[2:]
from visits_made import opened
visit = opened(Path(sys.argv[1]))
os.kill(os.getpid(), 9)
"""


@pytest.mark.wide
def test_a_program_that_was_killed_holds_no_visit(tmp_path: Path) -> None:
    command = [sys.executable, "-c", _DIES, str(tmp_path), str(Path(__file__).parent)]
    assert subprocess.run(command, check=False).returncode != 0
    made(tmp_path, "as-left")
    assert sum(event["event"] == "sealed" for visit in find_visits(tmp_path) for event in visit.journal) == 1


def test_a_damaged_visit_stops_no_other(tmp_path: Path) -> None:
    path = made(tmp_path)
    (path / "visit.json").write_text("{}")
    made(tmp_path, "as-left")


# -- whose serial number it is ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["Demo amplifier B, serial D-0001", "Demo, amplifier A, serial d 0001", "Demo amplifier A, serial d-0001"]
)
def test_a_serial_number_that_another_unit_has_is_asked_about(tmp_path: Path, name: str) -> None:
    made(tmp_path)
    other = parse_unit(name)
    with pytest.raises(RequestError, match=r"is known already: 'Demo amplifier A, serial D-0001' .*other_unit"):
        refuse_visit(tmp_path, other)
    with pytest.raises(RequestError, match="is known already"):
        opened(tmp_path, unit=other)
    assert len(list(tmp_path.iterdir())) == 1
    made(tmp_path, unit=other, other_unit=True)
    made(tmp_path, unit=other)  # known by now: nobody is asked again
    assert {visit.unit.name for visit in find_visits(tmp_path)} == {UNIT.name, other.name}  # and nothing is merged


def test_what_has_no_serial_number_is_told_by_its_tag(tmp_path: Path) -> None:
    made(tmp_path, unit=parse_unit("Demo tuner, tag 7"))
    assert [each.unit.name for each in namesakes(tmp_path, parse_unit("Demo deck, tag 7"))] == ["Demo tuner, tag 7"]
    assert namesakes(tmp_path, parse_unit("Demo deck, serial 7")) == ()  # a serial number is no tag
    assert namesakes(tmp_path, parse_unit("Demo deck, tag 8")) == ()
    made(tmp_path, unit=parse_unit("Demo deck, serial 5, tag 9"))
    assert find_unit(tmp_path, "9").unit.serial == "5"
    assert len(namesakes(tmp_path, parse_unit("Demo tuner, tag 9"))) == 1


def test_a_known_unit_comes_back_under_its_serial_number_and_a_new_one_must_be_named(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="neither a serial number nor a tag: write for example"):
        unit_meant(tmp_path, "D-0001")
    made(tmp_path)
    assert unit_meant(tmp_path, "d0001", kind="tuner") == replace(UNIT, kind="tuner")
    assert unit_meant(tmp_path, "D-0001") == UNIT
    assert unit_meant(tmp_path, "Demo deck, tag 8") == parse_unit("Demo deck, tag 8")
    made(tmp_path, unit=Unit(model="Demo deck", serial="D-0001"), other_unit=True)
    with pytest.raises(RequestError, match="2 units have the serial or tag"):
        unit_meant(tmp_path, "D-0001")


def test_a_unit_that_can_not_be_read_is_not_told_as_never_seen(tmp_path: Path) -> None:
    path = made(tmp_path).parent / "unit.json"
    path.write_text("{", encoding="utf-8")
    with pytest.raises(RequestError, match=r"no unit that can be read has .*unit\.json, line 1: not valid JSON"):
        find_unit(tmp_path, "D-0001")


def test_a_unit_is_found_by_serial_name_or_folder(tmp_path: Path) -> None:
    path = made(tmp_path).parent
    for text in ("D-0001", "d0001", "Demo amplifier A, serial D-0001", str(path)):
        found = find_unit(tmp_path, text)
        assert (found.unit.name, found.path, found.known) == (UNIT.name, path, True)
    assert not find_unit(tmp_path, "Demo deck, tag 8").known
    with pytest.raises(RequestError, match=r"no unit in .* has the serial or tag 'D-001' \(did you mean 'D-0001'"):
        find_unit(tmp_path, "D-001")
    with pytest.raises(RequestError, match="no unit"):
        find_unit(tmp_path, "x" * 5000)
    made(tmp_path, unit=Unit(model="Demo deck", serial="D-0001"), other_unit=True)
    with pytest.raises(RequestError, match=r"2 units have the serial or tag 'D-0001': .*write the whole name"):
        find_unit(tmp_path, "D-0001")


@pytest.mark.parametrize(
    ("content", "match"),
    [("{}", "is not part of a record"), ("[", "line 1: not valid JSON"), ('{"record": 9}', "newer audiomeas")],
)
def test_a_damaged_unit_is_named_and_stops_no_other(tmp_path: Path, content: str, match: str) -> None:
    file = made(tmp_path).parent / "unit.json"
    file.write_text(content)
    with pytest.raises(FileProblem, match=match) as caught:
        opened(tmp_path)
    assert str(file) in str(caught.value)
    made(tmp_path, unit=parse_unit("Demo amplifier B, serial D-0002"))
    assert find_unit(tmp_path, "D-0002").known
