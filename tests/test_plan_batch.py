"""A stack of units: read, run, broken off at any point and taken up again. The bench is a fake: nothing is analysed."""

from __future__ import annotations

import errno
import json
import os
import shutil

import pytest
from plan_fakes import GOOD, PLAN, FakeSession, in_fork, result_of, use_fakes
from stacks import name_of, stack_file, visit_folders

from audiomeas.errors import (
    CaptureError,
    DeviceError,
    DiskFull,
    FileProblem,
    Interrupted,
    OtherBench,
    RequestError,
    StopAsked,
    TomlProblem,
)
from audiomeas.plan import batch as batch_module
from audiomeas.plan.batch import batch
from audiomeas.plan.batch_folder import BatchFolder
from audiomeas.plan.file import read_plan
from audiomeas.plan.run import run_on
from audiomeas.plan.stack import read_stack
from audiomeas.record.unit import parse_unit
from audiomeas.record.verify import verify
from audiomeas.record.visit import read_visit

UNITS = ("A", "B", "C")


@pytest.fixture(autouse=True)
def fakes(monkeypatch):
    use_fakes(monkeypatch)


@pytest.fixture
def sessions(monkeypatch):
    """Let batches run on fake sessions: unit name → session; others get a healthy one."""
    special = {}

    def run(plan, *, unit, records, say, **more):
        who = unit if not isinstance(unit, str) else parse_unit(unit)
        session = special.get(who.name) or FakeSession()
        if isinstance(session, BaseException):
            raise session
        passed_on = {name: more[name] for name in ("stage", "new_stay", "other_unit", "batch", "resume")}
        return run_on(session, read_plan(plan), unit=who, records=records, say=say, **passed_on)

    monkeypatch.setattr(batch_module, "run", run)
    return special


def stack_of(folder, units=UNITS, extra=""):
    return stack_file(folder, units, PLAN, extra)


def assert_whole(folder, units=UNITS):
    """Each unit has one visit, finished, verified, each step ended once; each unit is told done once."""
    records = folder / "records"
    visits = [read_visit(path).verified() for path in visit_folders(records)]
    assert sorted(visit.unit.name for visit in visits) == [name_of(letter) for letter in units]
    for visit in visits:
        assert visit.complete and visit.verdict == "pass"
        assert tuple(step.name for step in visit.steps) == visit.planned_steps
        ended = [line["step"] for line in visit.journal if line["event"] == "step finished"]
        assert sorted(ended) == sorted(step.folder.name for step in visit.steps)
    (folder_of_batch,) = (path for path in records.glob("batches/*") if (path / "batch.json").exists())
    events = [json.loads(line) for line in (folder_of_batch / "journal.jsonl").read_text().splitlines()]
    done = [event["number"] for event in events if event["event"] == "unit done"]
    assert done == list(range(1, len(units) + 1))
    assert not verify(records).problems


def test_a_stack_is_run_in_its_order(tmp_path, sessions):
    said = []
    outcome = batch(stack_of(tmp_path), records=tmp_path / "records", say=said.append)
    assert [each.entry.unit.name for each in outcome.units] == [name_of(letter) for letter in UNITS]
    assert [each.outcome for each in outcome.units] == ["done"] * 3
    assert outcome.exit_status == 0
    assert f"unit 2 of 3: {name_of('B')}, as-found" in said
    assert [row["verdict"] for row in outcome.as_json()["units"]] == ["pass"] * 3
    assert_whole(tmp_path)


def test_a_unit_that_fails_or_is_refused_does_not_stop_the_others(tmp_path, sessions):
    bad = result_of("distortion", thd_percent=(3.0, 0.01), gain_db=(26.0, 0.05))
    sessions[name_of("A")] = FakeSession({"distortion": bad})
    sessions[name_of("B")] = RequestError("the bench file is wrong")
    sessions[name_of("C")] = FakeSession({"response": CaptureError("samples were lost")})
    outcome = batch(stack_of(tmp_path, "ABCD"), records=tmp_path / "records")
    assert [each.outcome for each in outcome.units] == ["done", "failed", "done", "done"]
    assert [each.exit_status for each in outcome.units] == [1, 2, 3, 0]
    assert [each.visit and each.visit.verdict for each in outcome.units] == ["fail", None, "undecided", "pass"]
    assert outcome.units[1].reason == "the bench file is wrong"
    assert outcome.exit_status == 3
    with pytest.raises(RequestError, match=r"no batch of .* is unfinished"):
        batch(stack_of(tmp_path, "ABCD"), records=tmp_path / "records", resume=True)


def test_the_person_skips_a_unit_and_stops_between_two(tmp_path, sessions):
    stack, records = stack_of(tmp_path), tmp_path / "records"
    answers = iter(["skip", "go", "stop"])
    with pytest.raises(Interrupted):
        batch(stack, records=records, ready=lambda entry, units: next(answers))
    with pytest.raises(RequestError, match="not finished: go on with resume"):
        batch(stack, records=records)
    asked = []
    outcome = batch(stack, records=records, resume=True, ready=lambda entry, units: asked.append(entry.number) or "go")
    assert asked == [3]
    assert [each.outcome for each in outcome.units] == ["skipped", "done", "done"]
    assert len(visit_folders(records)) == 2


def test_stopped_while_it_measures_it_goes_on_at_that_step(tmp_path, sessions):
    stack, records = stack_of(tmp_path), tmp_path / "records"
    sessions[name_of("B")] = FakeSession({"response": Interrupted("stopped by SIGINT")})
    with pytest.raises(Interrupted):
        batch(stack, records=records)
    sessions[name_of("B")] = again = FakeSession()
    batch(stack, records=records, resume=True)
    assert [asked["measure"] for asked in again.asked] == ["response"]
    assert_whole(tmp_path)
    (b,) = (path for path in visit_folders(records) if "0002" in str(path))
    visit = read_visit(b)
    assert [step.status for step in visit.broken_off] == ["broken off"]
    assert visit.broken_off[0].captures  # what was captured then is still there
    assert (b / "checksums-until-taken-up.sha256").exists()
    assert [line["event"] for line in visit.journal if line["event"] in ("interrupted", "resumed", "finished")] == [
        "interrupted", "resumed", "finished",
    ]  # fmt: skip


@pytest.mark.parametrize("stop", [StopAsked("SIGINT"), KeyboardInterrupt()])
def test_ctrl_c_between_two_units_is_kept_and_says_how_to_go_on(tmp_path, sessions, stop):
    def stopped(entry, units):
        raise stop

    said = []
    with pytest.raises(type(stop)):
        batch(stack_of(tmp_path), records=tmp_path / "records", ready=stopped, say=said.append)
    assert said[-1].endswith("shelf.toml --resume")
    (journal,) = tmp_path.glob("records/batches/*/journal.jsonl")
    assert [json.loads(line)["event"] for line in journal.read_text().splitlines()] == ["opened", "interrupted"]


def test_a_batch_is_run_by_one_program_at_a_time(tmp_path, sessions):
    stack, records, tried = stack_of(tmp_path, "AB"), tmp_path / "records", []

    def another():
        if not tried:  # while a unit is being measured
            tried.append(True)
            with pytest.raises(RequestError, match="is being run by another program"):
                batch(stack, records=records, resume=True)

    sessions[name_of("A")] = FakeSession(on_measure=another)
    batch(stack, records=records)
    assert tried
    assert_whole(tmp_path, "AB")


def _broken_off_at_b(tmp_path, sessions):
    sessions[name_of("B")] = FakeSession({"response": Interrupted("stopped by SIGINT")})
    stack, records = stack_of(tmp_path), tmp_path / "records"
    with pytest.raises(Interrupted):
        batch(stack, records=records)
    sessions.clear()
    return stack, records


@pytest.mark.parametrize("letter", "AB")
@pytest.mark.parametrize("name", ["visit.json", "01-distortion-at-1-w/step.json"])
def test_a_visit_that_was_damaged_meanwhile_stops_no_other_unit(tmp_path, sessions, letter, name):
    stack, records = _broken_off_at_b(tmp_path, sessions)
    (damaged,) = (path for path in visit_folders(records) if name_of(letter)[-4:] in path.parent.name)
    (damaged / name).write_text("{")
    outcome = batch(stack, records=records, resume=True)
    again = letter == "B" and name == "visit.json"  # nobody can tell that it was of this batch
    assert [each.visit is None for each in outcome.units] == [each == letter and not again for each in "ABC"]
    assert outcome.exit_status == (0 if again else 2)
    if not again:
        assert str(damaged / name) in outcome.units["ABC".index(letter)].reason


def test_a_line_of_its_journal_that_a_power_cut_left_torn_spoils_no_batch(tmp_path, sessions):
    stack, records = _broken_off_at_b(tmp_path, sessions)
    (journal,) = records.glob("batches/*/journal.jsonl")
    with journal.open("a") as handle:
        handle.write('{"at": "2026-')
    batch(stack, records=records, resume=True)
    assert_whole(tmp_path)


#: A batch of two units syncs about 110 times: all of them in the wide form, each ninth in the other.
SYNCS = [pytest.param(range(4, 400, 9), id="some"), pytest.param(range(1, 400), id="all", marks=pytest.mark.wide)]


def taken_up(stack, records):
    """Run what is left of a batch; begin it where it never began."""
    begun = [BatchFolder(file.parent) for file in records.glob("batches/*/batch.json")]
    if not any(each.finished for each in begun):
        batch(stack, records=records, resume=bool(begun))


@pytest.mark.parametrize("numbers", SYNCS)
def test_a_power_cut_at_any_sync_and_taken_up(tmp_path, sessions, numbers):
    """A process of its own ends (os._exit) in the middle of each sync to the disk, one after the other."""
    for number in numbers:
        folder = tmp_path / str(number)
        folder.mkdir()
        stack, records = stack_of(folder, "AB"), folder / "records"

        def dying(number=number, stack=stack, records=records):
            left, real = [number], os.fsync

            def sync(descriptor):
                left[0] -= 1
                if not left[0]:
                    os._exit(77)
                real(descriptor)

            os.fsync = sync  # in the forked process only
            batch(stack, records=records)

        status = in_fork(dying)
        if status == 0:
            break
        assert status == 77
        taken_up(stack, records)
        assert_whole(folder, "AB")
    assert status == 0 and number > 60  # in the end the cut came after everything: all places were tried


@pytest.mark.parametrize("numbers", SYNCS)
def test_a_full_disk_at_any_sync_and_taken_up_once_there_is_room(tmp_path, sessions, monkeypatch, numbers):
    real = os.fsync
    for number in numbers:
        folder = tmp_path / str(number)
        folder.mkdir()
        stack, records = stack_of(folder, "AB"), folder / "records"
        left = [number]

        def full(descriptor, left=left):
            left[0] -= 1
            if left[0] <= 0:
                raise OSError(errno.ENOSPC, "no space")
            real(descriptor)

        monkeypatch.setattr(os, "fsync", full)
        try:
            batch(stack, records=records)
            ended = True
        except DiskFull:
            ended = False
        monkeypatch.setattr(os, "fsync", real)
        if ended:
            break
        taken_up(stack, records)
        assert_whole(folder, "AB")
    assert ended and number > 60


def test_a_batch_is_taken_up_only_as_it_was_begun(tmp_path, sessions):
    stack, records = stack_of(tmp_path), tmp_path / "records"
    sessions[name_of("B")] = FakeSession({"response": Interrupted("stopped")})
    with pytest.raises(Interrupted):
        batch(stack, records=records)
    del sessions[name_of("B")]
    (tmp_path / "short.toml").write_text(PLAN.replace("at_most = 0.1", "at_most = 5.0"))
    with pytest.raises(RequestError, match="another plan than when"):
        batch(stack, records=records, resume=True)
    stack_of(tmp_path, "ABCD")
    with pytest.raises(RequestError, match=r"was changed since .* began"):
        batch(stack, records=records, resume=True)
    outcome = batch(stack, records=records, anew=True)
    assert [each.outcome for each in outcome.units] == ["done"] * 4
    with pytest.raises(RequestError, match="one of them"):
        batch(stack, records=records, anew=True, resume=True)


def test_a_batch_taken_up_on_another_bench_waits_for_the_right_one(tmp_path, sessions):
    """Were the unit told as failed, the batch would end without it, and nothing would ever go on with its visit."""
    stack, records = stack_of(tmp_path), tmp_path / "records"
    sessions[name_of("B")] = FakeSession({"response": Interrupted("stopped")})
    with pytest.raises(Interrupted):
        batch(stack, records=records)
    said, other = [], FakeSession()
    facts = {**other.facts(), "hashes": {"bench.toml": "cd" * 32}}
    other.facts = lambda: facts
    sessions[name_of("B")] = other
    with pytest.raises(OtherBench, match=r"another bench .*: bring that one back"):
        batch(stack, records=records, resume=True, say=said.append)
    assert said[-1] == f"go on later with: audiomeas batch {stack} --resume"
    del sessions[name_of("B")]
    taken_up(stack, records)
    assert_whole(tmp_path)


def test_the_bench_of_all_units_is_read_before_a_batch_begins(tmp_path, sessions):
    stack, records = stack_of(tmp_path), tmp_path / "records"
    with pytest.raises(FileProblem, match=r"typo\.toml was not found"):
        batch(stack, records=records, bench=tmp_path / "typo.toml")
    assert not records.exists()
    text = stack.read_text()
    stack.write_text(text.replace("[[unit]]", 'bench = "typo.toml"\n\n[[unit]]', 1))
    with pytest.raises(FileProblem, match=r"typo\.toml was not found"):
        batch(stack, records=records)
    assert not records.exists()
    # Of one unit it is its own affair (and the fakes open none).
    stack.write_text(text.replace("[[unit]]", '[[unit]]\nbench = "typo.toml"', 1))
    assert [each.outcome for each in batch(stack, records=records).units] == ["done"] * 3


@pytest.mark.parametrize(
    "changed, message",
    [
        ({'plan = "short.toml"': 'plna = "short.toml"'}, r"shelf.toml, line 2: plna: .*did you mean 'plan'"),
        ({'plan = "short.toml"': ""}, "no plan is named"),
        ({'plan = "short.toml"': 'plan = "shrot"'}, r"line 2: plan: .*neither a file here nor a shipped plan"),
        ({"Demo amplifier B, serial D-0002": "Demo amplifier A, serial D-0001"}, "stands twice, as unit 1 and unit 2"),
        (
            {"Demo amplifier B, serial D-0002": "Demo amplifier B"},
            r"unit\[2\].name: .*neither a serial number nor a tag",
        ),
        ({"[[unit]]": "[[units]]"}, "units"),
        ({"[[unit]]": "[[step]]"}, r"line 4: step: this is a plan, and no stack"),
        (
            {'plan = "short.toml"': 'plan = "shelf.toml"'},
            r"shelf.toml, line 4: unit: this is a stack of units",
        ),
    ],
)
def test_a_wrong_stack_is_refused_with_its_line(tmp_path, changed, message):
    stack = stack_of(tmp_path)
    for old, new in changed.items():
        stack.write_text(stack.read_text().replace(old, new))
    with pytest.raises(TomlProblem, match=message):
        read_stack(stack)


def test_each_unit_may_have_its_own_stage_and_answers(tmp_path):
    extra = 'stage = "as-left"\nbench = "mine.toml"\n'
    stack = stack_of(tmp_path, "AB", extra)
    stack.write_text(stack.read_text() + 'stage = "return"\nanswers = "b.toml"\nbench = "other.toml"\n')
    first, second = read_stack(stack).entries
    assert (first.stage, first.answers, first.bench) == ("as-left", None, tmp_path / "mine.toml")
    assert (second.stage, second.answers, second.bench) == ("return", tmp_path / "b.toml", tmp_path / "other.toml")
    assert GOOD.keys() == {"distortion", "response"}


def test_a_unit_that_was_bought_again_and_another_one_of_its_serial_number_are_said_in_the_stack(tmp_path, sessions):
    records = tmp_path / "records"
    batch(stack_file(tmp_path, "A", PLAN, 'stage = "return"\n'), records=records)
    twin = '\n[[unit]]\nname = "Demo amplifier Z, serial D-0001"\n'
    stack = stack_file(tmp_path, "A", PLAN)
    alone = stack.read_text() + twin
    stack.write_text(alone)
    again, other = batch(stack, records=records).units
    assert again.outcome == other.outcome == "failed"
    assert again.reason.endswith("begin another stay (new_stay)") and other.reason.endswith("say so (other_unit)")
    stack.write_text(alone.replace(twin, f"new_stay = true\n{twin}other_unit = true\n"))
    again, other = batch(stack, records=records).units
    assert (again.visit.facts["stay"], other.visit.facts["stay"]) == (2, 1)


def test_a_single_visit_is_taken_up_by_its_folder_and_by_no_other_unit(tmp_path):
    stack_of(tmp_path)
    plan, records, unit = read_plan(tmp_path / "short.toml"), tmp_path / "records", parse_unit(name_of("A"))
    said = []
    with pytest.raises(Interrupted):
        run_on(FakeSession({"response": Interrupted("stopped")}), plan, unit=unit, records=records, say=said.append)
    (folder,) = visit_folders(records)
    assert said[-1] == f"go on with it later by: --resume {folder}"
    for other, stage in ((name_of("B"), "as-found"), (name_of("A"), "as-left")):
        with pytest.raises(RequestError, match="is the visit of Demo amplifier A, serial D-0001, as-found; not of"):
            run_on(FakeSession(), plan, unit=parse_unit(other), records=records, stage=stage, resume=folder)
    assert run_on(FakeSession(), plan, unit=unit, records=records, resume=folder).verdict == "pass"
    # What is closed is told again, not measured again.
    assert run_on(FakeSession({"response": AssertionError()}), plan, unit=unit, records=records, resume=folder).verdict


def test_a_closed_visit_that_is_told_again_keeps_what_failed_before_its_steps(tmp_path):
    stack_of(tmp_path)
    plan, how = read_plan(tmp_path / "short.toml"), {"unit": parse_unit(name_of("A")), "records": tmp_path / "records"}
    first = run_on(FakeSession(look_error=CaptureError("samples were lost")), plan, **how)
    again = run_on(FakeSession(), plan, **how, resume=first.visit.path)
    assert first.exit_status == again.exit_status == 3
    assert again.failures == first.failures


@pytest.mark.parametrize("where", ["the first look", "a step"])
def test_a_card_that_is_unplugged_stops_the_batch_and_keeps_the_rest_for_resume(tmp_path, sessions, where):
    gone = DeviceError("sound card 'card' is not there")
    stack, records, said = stack_of(tmp_path), tmp_path / "records", []
    sessions[name_of("B")] = (
        FakeSession(look_error=gone) if where == "the first look" else FakeSession({"response": gone})
    )
    with pytest.raises(DeviceError):
        batch(stack, records=records, say=said.append)
    assert said[-1].endswith("shelf.toml --resume")
    assert len(visit_folders(records)) == 2  # nobody was asked to connect the third one
    sessions[name_of("B")] = again = FakeSession()
    outcome = batch(stack, records=records, resume=True)
    assert [each.outcome for each in outcome.units] == ["done"] * 3
    assert [asked["measure"] for asked in again.asked][-1] == "response"
    assert_whole(tmp_path)


def batch_of(records):
    (folder,) = (records / "batches").iterdir()
    return folder


CHANGED_BATCHES = {
    "a reason in the journal": (lambda b: (b / "journal.jsonl").write_text("x\n"), "journal.jsonl is not as it was"),
    "the stack": (lambda b: (b / "stack.toml").write_text(""), "stack.toml is not as it was"),
    "its units lost": (lambda b: (b / "batch.json").unlink(), "batch.json is missing"),
    "a file added": (lambda b: (b / "note.txt").write_text("x"), "note.txt was added"),
    "a visit lost": (lambda b: shutil.rmtree(visit_folders(b.parent.parent)[0]), "is missing: "),
}


@pytest.mark.parametrize("what", CHANGED_BATCHES)
def test_verify_looks_into_batches(tmp_path, sessions, what):
    records = tmp_path / "records"
    batch(stack_of(tmp_path), records=records)
    whole = verify(records)
    assert (whole.batches, whole.problems, whole.notes) == (1, (), ())
    assert whole.words() == "3 visits of 3 units, 0 logbook entries, 1 batch: nothing changed"
    assert verify(batch_of(records)).batches == 1
    change, words = CHANGED_BATCHES[what]
    change(batch_of(records))
    (problem,) = verify(records).problems
    assert words in problem and str(batch_of(records)) in problem


def test_a_batch_that_is_not_finished_has_no_checksums_yet(tmp_path, sessions):
    sessions[name_of("B")] = FakeSession({"response": Interrupted("stopped by SIGINT")})
    with pytest.raises(Interrupted):
        batch(stack_of(tmp_path), records=tmp_path / "records")
    found = verify(tmp_path / "records")
    assert not found.problems
    assert any("has no checksums yet" in note and "batches" in note for note in found.notes)
