"""Running a plan on a bench that does as it is told: what is asked of it, what is kept, and how a run ends."""

from __future__ import annotations

import dataclasses
import errno
import json
import os
from pathlib import Path
from typing import Any

import pytest
from plan_fakes import GOOD, PLAN, FakeSession, capture_of, checked_by_sha256sum, in_fork, result_of, use_fakes

from audiomeas.errors import (
    AudiomeasError,
    CaptureError,
    DeviceError,
    FileProblem,
    InterlockRefusal,
    Interrupted,
    RequestError,
    SignalError,
)
from audiomeas.files import to_json
from audiomeas.measurement.bench_check_findings import Finding
from audiomeas.plan.file import read_plan
from audiomeas.plan.run import BenchCheck, RunOutcome, run, run_on
from audiomeas.record.store import find_visits, read_visit
from audiomeas.record.unit import parse_unit
from audiomeas.units import Level

UNIT = parse_unit("Demo amplifier A, serial D-0001")


@pytest.fixture(autouse=True)
def _fakes(monkeypatch: pytest.MonkeyPatch) -> None:
    use_fakes(monkeypatch)


def _run(
    folder: Path,
    session: FakeSession,
    *,
    said: list[str] | None = None,
    text: str = PLAN,
    check: BenchCheck | None = None,
    without_check: str | None = None,
) -> RunOutcome:
    plan = folder / "plan.toml"
    plan.write_text(text, encoding="utf-8")
    say = (said if said is not None else []).append
    unchecked = {"check": check, "without_check": without_check}
    return run_on(session, read_plan(plan), unit=UNIT, records=folder / "records", say=say, **unchecked)


def test_a_run_asks_what_the_plan_says_and_keeps_it(tmp_path: Path) -> None:
    session, said = FakeSession(), []
    outcome = _run(tmp_path, session, said=said)
    assert session.asked == [
        {
            "measure": "distortion",
            "options": {"frequency_hz": 1000.0},
            "input_level": None,
            "output_level": Level(1.0, "W"),
            "channels": (1, 2),
        },
        {
            "measure": "response",
            "options": {},
            "input_level": Level(0.1, "V"),
            "output_level": None,
            "channels": None,
        },
    ]
    visit = outcome.visit
    assert visit.unit == dataclasses.replace(UNIT, kind="power amplifier")  # the plan says what kind it is
    assert visit.plan_text == PLAN
    assert [step.status for step in visit.steps] == ["finished", "finished"]
    assert [len(step.captures) for step in visit.steps] == [1, 1]
    assert [row.verdict for row in outcome.verdicts] == ["pass"] * 5  # THD ×2, match, deviation ×2
    assert (outcome.verdict, outcome.exit_status, outcome.failures) == ("pass", 0, ())
    assert visit.steps[0].conditions["output_level"] == "1 W"
    assert said[0] == "calibration expired on 2026-01-01"
    assert "step 2 of 2: Response" in said
    assert checked_by_sha256sum(visit.path)


@pytest.mark.parametrize(
    ("thd", "verdict", "status"),
    [
        ((0.02, 0.001), "pass", 0),
        ((0.0995, 0.001), "undecided", 1),
        ((0.2, 0.001), "fail", 1),
        ((None, 0.0), "undecided", 1),
    ],
)
def test_the_verdict_sets_the_exit_status(
    tmp_path: Path, thd: tuple[float | None, float], verdict: str, status: int
) -> None:
    outcomes = {"distortion": result_of("distortion", thd_percent=thd, gain_db=(26.0, 0.1))}
    outcome = _run(tmp_path, FakeSession(outcomes))
    assert (outcome.verdict, outcome.exit_status) == (verdict, status)


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (SignalError("no tone in channel 1"), 2),
        (RequestError("needs a load"), 2),
        (CaptureError("over-range"), 3),
        (InterlockRefusal("3 dB too loud"), 3),
    ],
)
def test_a_step_that_fails_is_kept_with_its_reason_and_the_run_goes_on(
    tmp_path: Path, error: AudiomeasError, status: int
) -> None:
    said: list[str] = []
    outcome = _run(tmp_path, FakeSession({"distortion": error}), said=said)
    first, second = outcome.visit.steps
    assert (first.status, first.reason, first.result) == ("failed", str(error), None)
    assert len(first.captures) == 1  # captured before the analysis failed, and kept
    assert {row.verdict for row in first.verdicts} == {"undecided"}
    assert all(row.reason == f"missing: {error}" for row in first.verdicts)
    assert second.status == "finished"
    assert (outcome.verdict, outcome.exit_status) == ("undecided", status)
    assert f"Distortion at 1 W: {error}" in said
    assert outcome.visit.finished


def test_a_fail_stays_a_fail_when_another_step_has_no_result(tmp_path: Path) -> None:
    outcomes = {"distortion": SignalError("no tone"), "response": result_of("response", deviation_db=(3.0, 0.1))}
    outcome = _run(tmp_path, FakeSession(outcomes))
    assert (outcome.verdict, outcome.exit_status) == ("fail", 2)  # 2 stands before 1


def test_without_a_device_the_run_ends_and_says_what_was_not_run(tmp_path: Path) -> None:
    session = FakeSession({"distortion": DeviceError("the interface is gone")})
    outcome = _run(tmp_path, session)
    assert [asked["measure"] for asked in session.asked] == ["distortion"]
    assert [step.status for step in outcome.visit.steps] == ["failed", "not run"]
    assert "the interface is gone" in outcome.visit.steps[1].reason
    assert {row.verdict for row in outcome.verdicts} == {"undecided"}
    assert (outcome.exit_status, outcome.visit.finished) == (3, True)


def test_without_a_first_look_nothing_is_measured(tmp_path: Path) -> None:
    session = FakeSession(look_error=CaptureError("nothing came back"))
    outcome = _run(tmp_path, session)
    assert session.asked == []
    assert [step.status for step in outcome.visit.steps] == ["not run", "not run"]
    assert [(failure.step, failure.exit_status) for failure in outcome.failures] == [("first look", 3)]
    assert (outcome.verdict, outcome.exit_status) == ("undecided", 3)
    assert list(outcome.visit.path.glob("00-first-look/capture.flac"))


# -- the bench check before the first step --------------------------------------------------------------------------

APART = Finding(check="channels", state="as it should be", text="apart")
SWAPPED = Finding(check="channels", state="found", text="channels are swapped; swap the plugs")
NOISY = Finding(check="foreign sound", state="note", text="-60.0 dBV while nothing played")


def _finding(*findings: Finding) -> BenchCheck:
    def check(keep: Any) -> tuple[Finding, ...]:
        keep(*capture_of())
        return findings

    return check


def test_what_the_bench_check_finds_is_told_and_kept_line_by_line(tmp_path: Path) -> None:
    said: list[str] = []
    outcome = _run(tmp_path, FakeSession(), said=said, check=_finding(APART, NOISY))
    assert (outcome.verdict, outcome.exit_status) == ("pass", 0)  # a note stops nothing
    lines = [(line["check"], line["state"], line["text"]) for line in outcome.visit.bench_check]
    assert lines == [(one.check, one.state, one.text) for one in (APART, NOISY)]
    assert "bench check, note: foreign sound: -60.0 dBV while nothing played" in said
    assert said.index("bench check, as it should be: channels: apart") < said.index("step 1 of 2: Distortion at 1 W")
    assert [file.name for file in outcome.visit.path.glob("00-bench-check/*.flac")] == ["capture.flac"]
    assert [row["check"] for row in outcome.as_json()["bench_check"]] == ["channels", "foreign sound"]
    assert checked_by_sha256sum(outcome.visit.path)


def test_on_a_bench_that_can_not_be_trusted_nothing_is_measured(tmp_path: Path) -> None:
    session = FakeSession()
    outcome = _run(tmp_path, session, check=_finding(SWAPPED, APART))
    assert session.asked == []
    assert (outcome.verdict, outcome.exit_status) == ("undecided", 3)
    assert [step.status for step in outcome.visit.steps] == ["not run", "not run"]
    assert "can't be trusted: bench check: 1 finding (channels)" in outcome.visit.steps[0].reason
    assert [line["text"] for line in outcome.visit.bench_check] == [SWAPPED.text, APART.text]
    assert outcome.visit.finished


def test_a_bench_check_that_ends_in_an_error_ends_the_run_with_its_status(tmp_path: Path) -> None:
    def gone(keep: Any) -> tuple[Finding, ...]:
        raise DeviceError("the interface is gone")

    session = FakeSession()
    outcome = _run(tmp_path, session, check=gone)
    assert session.asked == []
    assert [(failure.step, failure.exit_status) for failure in outcome.failures] == [("bench check", 3)]


def test_a_bench_check_that_is_left_out_is_on_record_with_its_reason(tmp_path: Path) -> None:
    said: list[str] = []
    outcome = _run(tmp_path, FakeSession(), said=said, without_check="checked by cable at nine")
    assert [line["reason"] for line in outcome.visit.bench_check] == ["checked by cable at nine"]
    assert "bench check left out: checked by cable at nine" in said
    assert outcome.as_json()["bench_check"] == [{"reason": "checked by cable at nine"}]
    with pytest.raises(RequestError, match="for a reason"):
        run(tmp_path / "plan.toml", unit="Demo, tag 1", records=tmp_path / "records", without_check="  ")


def test_no_bench_check_follows_a_first_look_that_failed(tmp_path: Path) -> None:
    outcome = _run(tmp_path, FakeSession(look_error=CaptureError("nothing came back")), check=_finding(APART))
    assert outcome.visit.bench_check == ()
    assert [failure.step for failure in outcome.failures] == ["first look"]


@pytest.mark.parametrize("error", [Interrupted("stopped by SIGINT"), KeyboardInterrupt(), RuntimeError("a bug")])
def test_what_ends_a_run_early_keeps_everything(tmp_path: Path, error: BaseException) -> None:
    said: list[str] = []
    with pytest.raises(type(error)):
        _run(tmp_path, FakeSession({"response": error}), said=said)
    (visit,) = find_visits(tmp_path / "records")
    assert [step.status for step in visit.steps] == ["finished", "broken off"]
    assert [len(step.captures) for step in visit.steps] == [1, 1]
    assert (visit.finished, visit.verdict) == (False, "undecided")
    stopped = "stopped" if isinstance(error, RuntimeError) else "interrupted"
    assert (visit.journal[-1]["event"], visit.journal[-1]["reason"]) == (stopped, str(error) or "KeyboardInterrupt")
    assert str(visit.path) in said[-1]
    assert checked_by_sha256sum(visit.path)  # what was kept until then has checksums too
    assert visit.damage == ""


def test_the_exit_status_of_a_plan_without_limits(tmp_path: Path) -> None:
    text = 'title = "a"\nkind = "b"\n[[step]]\nname = "c"\nmeasure = "response"\n'
    outcome = _run(tmp_path, FakeSession(), text=text)
    assert (outcome.verdict, outcome.verdicts, outcome.exit_status) == (None, (), 0)


def test_a_step_without_limits_that_gave_no_result_is_no_pass(tmp_path: Path) -> None:
    text = PLAN + '[[step]]\nname = "Again"\nmeasure = "response"\n'
    session = FakeSession()

    def fail_the_third() -> None:
        if len(session.asked) == 3:
            raise SignalError("no sweep")

    session.on_measure = fail_the_third
    outcome = _run(tmp_path, session, text=text)
    assert {row.verdict for row in outcome.verdicts} == {"pass"}
    assert (outcome.verdict, outcome.exit_status) == ("undecided", 2)
    assert outcome.visit.journal[-1]["verdict"] == "undecided"


def test_a_plan_for_another_kind_is_said(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    said: list[str] = []
    unit = dataclasses.replace(UNIT, kind="tuner")
    outcome = run_on(FakeSession(), read_plan(plan), unit=unit, records=tmp_path, say=said.append)
    assert "this plan is for a power amplifier, the unit is a tuner" in said
    assert outcome.visit.unit.kind == "tuner"


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"unit": "Demo"}, "neither a serial number nor a tag"),
        ({"unit": "Demo, tag 1", "stage": "found"}, "unknown stage"),
    ],
)
def test_a_wrong_request_is_refused_before_the_bench_is_opened(
    tmp_path: Path, asked: dict[str, str], said: str
) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    with pytest.raises(RequestError, match=said):
        run(plan, bench=tmp_path / "no-such-bench.toml", records=tmp_path / "records", **asked)
    assert not (tmp_path / "records").exists()


def test_a_bench_named_in_the_environment_is_the_one_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    monkeypatch.setenv("AUDIOMEAS_BENCH", str(tmp_path / "mine.toml"))
    with pytest.raises(FileProblem, match=r"mine\.toml was not found"):
        run(plan, unit="Demo, tag 1", records=tmp_path / "records")


def test_the_outcome_as_json(tmp_path: Path) -> None:
    outcomes = {
        "distortion": result_of("distortion", thd_percent=(0.5123, 0.012), gain_db=(26.0, 0.1)),
        "response": SignalError("no sweep"),
    }
    outcome = _run(tmp_path, FakeSession(outcomes))
    data = json.loads(to_json(outcome.as_json()))
    assert (data["simulated"], data["verdict"], data["record"]) == (True, "fail", str(outcome.visit.path))
    assert data["unit"]["serial"] == "D-0001"
    assert data["failures"] == [{"step": "Response", "reason": "no sweep", "exit_status": 2}]
    assert [row["verdict"] for row in data["verdicts"]] == ["fail", "fail", "pass", "undecided"]


# -- power cuts and full disks -------------------------------------------------------------------------------------


def _cut_at(number: int, folder: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    """Run in a process that dies without a word (as by a power cut) at its n-th sync."""

    def dying() -> None:
        syncs = 0
        real = os.fsync

        def sync(descriptor: int) -> None:
            nonlocal syncs
            syncs += 1
            if syncs == number:
                os._exit(77)
            real(descriptor)

        os.fsync = sync  # in the forked process only
        _run(folder, FakeSession())

    return in_fork(dying)


def test_a_power_cut_between_any_two_steps_leaves_a_readable_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: set[tuple[str, ...]] = set()
    for number in range(1, 200):
        folder = tmp_path / str(number)
        folder.mkdir()
        status = _cut_at(number, folder, monkeypatch)
        visits = find_visits(folder / "records")
        for visit in visits:
            seen.add(tuple(step.status for step in visit.steps))
            # Between the journal's last line and the checksums a cut can't be told from checksums taken away.
            assert visit.verdict == ("pass" if visit.finished and not visit.damage else "undecided")
            for step in visit.steps:
                if step.status == "finished":
                    assert step.result is not None
                    assert step.verdicts
                    assert step.captures
        if status == 0:
            break
        if number % 7 == 0:  # what was left is not in the way of the next run
            assert _run(folder, FakeSession()).verdict == "pass"
            assert len(find_visits(folder / "records")) == len(visits) + 1
    assert status == 0  # in the end the cut came after everything: all places were tried
    assert {(), ("broken off",), ("finished",), ("finished", "broken off"), ("finished", "finished")} <= seen


def test_a_full_disk_at_any_moment_is_said_and_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.fsync
    for number in range(1, 200):
        folder = tmp_path / str(number)
        folder.mkdir()
        syncs = 0

        def full(descriptor: int, number: int = number) -> None:
            nonlocal syncs
            syncs += 1
            if syncs >= number:
                raise OSError(errno.ENOSPC, "no space")
            real(descriptor)

        monkeypatch.setattr(os, "fsync", full)
        try:
            outcome = _run(folder, FakeSession())
        except FileProblem as problem:
            assert "disk is full" in str(problem)
            outcome = None
        finally:
            monkeypatch.setattr(os, "fsync", real)
        for visit in find_visits(folder / "records"):
            assert (visit.finished and not visit.damage) or visit.verdict == "undecided"
            assert not list(visit.path.rglob(".writing-*"))  # half-written files are taken away again
        if outcome is not None:
            break
    assert outcome is not None
    assert read_visit(outcome.visit.path).verdict == "pass"
    assert GOOD["distortion"].channels == outcome.visit.steps[0].result.channels  # type: ignore[union-attr]
