"""Run a plan on a unit: through the bench's gates, each capture kept before it is analysed, each limit judged.

A step that the bench or the analysis refuses is written down with its reason, its limits are undecided, and the run
goes on with the next one; without a bench (DeviceError) it ends there, and in a batch so does the batch, which can be
resumed. What was captured is kept in either case.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from audiomeas.errors import (
    EXIT_DONE,
    EXIT_VERDICT,
    AudiomeasError,
    BenchError,
    DeviceError,
    FileProblem,
    Interrupted,
    RequestError,
)
from audiomeas.files import refuse_full_disk
from audiomeas.measurement import registry
from audiomeas.measurement.bench_check_findings import refuse_untrusted
from audiomeas.measurement.result import clean
from audiomeas.plan.answers import NOT_ENTERED, Answers, entered, read_answers, refuse_wrong_answers
from audiomeas.plan.file import Plan, find_plan, read_plan, refuse_impossible
from audiomeas.plan.former import Former
from audiomeas.plan.steps import Instruction, PlanStep, Reading, Step, sounds
from audiomeas.plan.verdict import Verdict, judge_step, overall
from audiomeas.record.resume import FAILED_ENDING, Resumed, resume_visit
from audiomeas.record.store import (
    BatchPlace,
    HasBench,
    PlanAsRun,
    StepWriter,
    Visit,
    VisitWriter,
    open_visit,
    read_visit,
    refuse_visit,
    snapshot_of,
)
from audiomeas.record.unit import Unit
from audiomeas.record.unit_folder import unit_meant
from audiomeas.record.verdict_row import Word

if TYPE_CHECKING:
    from audiomeas.interface.transport import Capture
    from audiomeas.measurement.base import Measurement
    from audiomeas.measurement.bench_check_findings import Finding
    from audiomeas.measurement.result import Result
    from audiomeas.recording import Recording
    from audiomeas.units import Level

Say = Callable[[str], None]
Progress = Callable[[str, float], None]
#: Checks the bench with the unit connected; is given what keeps each capture.
BenchCheck = Callable[["Callable[[Capture, Recording], Path | None]"], "tuple[Finding, ...]"]
#: What comes before the steps, as lines, failures and the record call it.
_FIRST_LOOK, _BENCH_CHECK = "first look", "bench check"


class HasFacts(Protocol):
    """What a first look gives back."""

    def facts(self) -> dict[str, Any]:
        """Return what it found, as JSON."""
        ...

    def lines(self, load_ohm: Mapping[int, float]) -> tuple[str, ...]:
        """Return what it found in words, a line a channel. load_ohm : channel → load that the bench file enters."""
        ...


class BenchSession(HasBench, Protocol):
    """What a run needs of a bench in use (`audiomeas.measurement.session.Session` is one)."""

    def first_look(self, *, keep: Callable[[Capture, Recording], Path | None] | None = None) -> HasFacts:
        """Look at the unit with a quiet sweep, before any level."""
        ...

    def measure(
        self,
        measurement: Measurement,
        options: Mapping[str, Any] | None = None,
        *,
        input_level: Level | None = None,
        output_level: Level | None = None,
        channels: tuple[int, ...] | None = None,
        keep: Callable[[Capture, Recording], Path | None] | None = None,
    ) -> Result:
        """Play, capture, keep, analyse."""
        ...


@dataclass(frozen=True, kw_only=True)
class Failure:
    """A step (or the first look) without a result. reason : one line.  exit_status : of the error."""

    step: str
    reason: str
    exit_status: int


@dataclass(frozen=True, kw_only=True)
class RunOutcome:
    """What a run came to. visit : the record, read back from the disk."""

    visit: Visit
    failures: tuple[Failure, ...] = ()

    @property
    def verdicts(self) -> tuple[Verdict, ...]:
        """All rows, in the order of the plan."""
        return self.visit.verdicts

    @property
    def verdict(self) -> Word | None:
        """The verdict of the whole visit: fail, undecided, pass; None when the plan has no limits."""
        return self.visit.verdict

    @property
    def exit_status(self) -> int:
        """The highest that applies: 3 the bench refused, 2 a request was wrong, 1 not all pass, 0 done."""
        judged = EXIT_DONE if self.verdict in (None, "pass") else EXIT_VERDICT
        return max([judged, *(failure.exit_status for failure in self.failures)])

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as one JSON object."""
        return {
            "audiomeas": self.visit.version,
            "simulated": self.visit.simulated,
            "unit": self.visit.unit.as_json(),
            "stage": self.visit.stage,
            "plan": self.visit.plan_title,
            "record": str(self.visit.path),
            "bench_check": [
                {key: line[key] for key in ("check", "state", "text", "reason") if key in line}
                for line in self.visit.bench_check
            ],
            "verdict": self.verdict,
            "verdicts": [clean(row.as_json()) for row in self.verdicts],
            "failures": [asdict(failure) for failure in self.failures],
        }


def quiet(_: str) -> None:
    """Say nothing."""


def run(
    plan: Path | str,
    *,
    unit: Unit | str,
    bench: Path | str | None = None,
    loudspeakers: str | None = None,
    records: Path | str = "records",
    stage: str = "as-found",
    new_stay: bool = False,
    other_unit: bool = False,
    without_check: str | None = None,
    answers: Answers | Path | None = None,
    batch: BatchPlace | None = None,
    resume: Path | str | None = None,
    say: Say | None = None,
    progress: Progress | None = None,
) -> RunOutcome:
    """Run a plan on a unit and keep the record of this visit.

    plan : a file, or the name of a shipped plan ('power-amplifier').   bench : a file; None: AUDIOMEAS_BENCH, else the
    simulated bench.   loudspeakers : '8 ohm' when such are connected, 'none' when none are; None: as the bench file
    says.   unit : a Unit, or as it is written: 'Demo amplifier A, serial D-0001'.   new_stay : it was sold and bought
    again.   other_unit : it is another one than those with the same serial number.
    without_check : why the quiet check of the bench before the first step is left out; None: it is made.
    answers : to what the plan asks: key → answer, a TOML file of such lines, or what gives the answer to each
    `plan.steps.Question`; what is not answered stays undecided.
    Raises RequestError, FileProblem, TomlProblem before any sound; Interrupted when stopped (what was captured is
    kept); FileProblem when the record can't be written on.
    """
    read = read_plan(find_plan(plan))
    who = unit_meant(Path(records), unit, kind=read.kind) if isinstance(unit, str) else unit
    if resume is None:
        refuse_visit(Path(records), who, stage, new_stay=new_stay, other_unit=other_unit)
    _refuse_no_reason(without_check)
    given = read_answers(answers) if isinstance(answers, Path) else answers
    refuse_wrong_answers(read.steps, given)
    from audiomeas.measurement.api import open_bench
    from audiomeas.measurement.bench_check import check_with_unit
    from audiomeas.measurement.session import Session

    with Session(open_bench(bench, loudspeakers=loudspeakers), say=say, progress=progress) as session:
        refuse_impossible(read, session.bench.form.sample_rate_hz, channels=session.bench.channels)
        check = partial(check_with_unit, session) if without_check is None else None
        return run_on(
            session,
            read,
            unit=who,
            records=Path(records),
            stage=stage,
            new_stay=new_stay,
            other_unit=other_unit,
            check=check,
            without_check=without_check,
            answers=given,
            batch=batch,
            resume=None if resume is None else Path(resume),
            say=say,
        )


def run_on(
    session: BenchSession,
    plan: Plan,
    *,
    unit: Unit,
    records: Path,
    stage: str = "as-found",
    new_stay: bool = False,
    other_unit: bool = False,
    check: BenchCheck | None = None,
    without_check: str | None = None,
    answers: Answers | None = None,
    batch: BatchPlace | None = None,
    resume: Path | None = None,
    say: Say | None = None,
) -> RunOutcome:
    """Run a plan on a bench that is open already (several units of a stack, one after the other). Raises as `run`.

    check : checks the bench before the first step; None leaves it out, which the record tells with the reason given.
    """
    tell = say or quiet
    if unit.kind and unit.kind != plan.kind:
        tell(f"this plan is for a {plan.kind}, the unit is a {unit.kind}")
    unit = unit if unit.kind else replace(unit, kind=plan.kind)
    for line in session.warnings:
        tell(line)
    as_run, snapshot = _as_run(plan), snapshot_of(session)
    if resume is not None:
        taken_up = resume_visit(resume, unit=unit, stage=stage, plan=as_run, snapshot=snapshot)
        if taken_up.closed:
            return _outcome(taken_up.visit, _failures(taken_up))
        visit = taken_up.writer
    else:
        taken_up = None
        visit = open_visit(
            records, unit, stage, plan=as_run, snapshot=snapshot, new_stay=new_stay, other_unit=other_unit, batch=batch
        )  # fmt: skip
    try:
        before_sound = partial(_before_sound, check, without_check)
        going = _Run(session, plan, visit, tell, answers, before_sound, resumable=batch is not None)
        if taken_up is not None:
            going.take_up(taken_up)
        going.through_all()
        visit.finish(overall(going.rows, complete=not going.failures and going.all_entered))
    except BaseException as error:
        visit.break_off(error, tell)
        if batch is None:
            tell(f"go on with it later by: --resume {visit.path}")
        raise
    return _outcome(read_visit(visit.path), going.failures)


def _outcome(visit: Visit, failures: Sequence[Failure]) -> RunOutcome:
    return RunOutcome(visit=visit.verified(), failures=tuple(failures))


def _failures(taken_up: Resumed) -> list[Failure]:
    return [Failure(step=name, reason=reason, exit_status=status) for name, reason, status in taken_up.failures]


def _refuse_no_reason(without_check: str | None) -> None:
    if without_check is not None and not without_check.strip():
        raise RequestError("the bench check is left out for a reason: say it, it is kept in the record")


def _as_run(plan: Plan) -> PlanAsRun:
    names = tuple(step.name for step in plan.steps)
    return PlanAsRun(title=plan.title, kind=plan.kind, file=plan.path.name, text=plan.text, steps=names)


def _loads_ohm(session: BenchSession) -> dict[int, float]:
    loads = snapshot_of(session).bench.get("loads") or {}
    return {int(channel): float(load["resistance_ohm"]) for channel, load in loads.items()}


def _before_sound(check: BenchCheck | None, without_check: str | None, going: _Run) -> None:
    going.look()
    going.check(check, without_check or "it was not asked for")


class _Run:
    """One run on its way through the steps."""

    def __init__(
        self,
        session: BenchSession,
        plan: Plan,
        visit: VisitWriter,
        tell: Say,
        answers: Answers | None,
        before_sound: Callable[[_Run], None],
        *,
        resumable: bool,
    ) -> None:
        self._session = session
        self._plan = plan
        self._visit = visit
        self._tell = tell
        self._answers = answers
        self._before_sound: Callable[[_Run], None] | None = before_sound
        self._former = Former(visit.path, snapshot_of(session).hashes)
        self.failures: list[Failure] = []
        self.rows: list[Verdict] = []
        self.all_entered = True
        self._ended = ""  # why no further step is run
        # A card that was unplugged would fail each later unit of a batch: there it leaves the step to be made again.
        self._passed_on = (Interrupted, FileProblem, *((DeviceError,) if resumable else ()))
        self._done: frozenset[str] = frozenset()

    def take_up(self, taken_up: Resumed) -> None:
        """Go on from what a visit has already."""
        self._done = taken_up.done
        self.failures += _failures(taken_up)
        there = {step.name: step for step in taken_up.visit.steps if step.name in self._done}
        for step in self._plan.steps:
            if step.name not in there:
                continue
            self.rows += there[step.name].verdicts
            if not isinstance(step, Step):
                self._heed(step, there[step.name].result, there[step.name].verdicts)
        self._tell(f"going on with {taken_up.visit.path}: {len(self._done)} of {len(self._plan.steps)} steps are there")

    def through_all(self) -> None:
        """Go through the steps, noting what fails. Raises Interrupted, FileProblem, and DeviceError in a batch."""
        for number, step in enumerate(self._plan.steps, start=1):
            if step.name in self._done:
                continue
            if sounds(step) and not self._ended:
                self._first_sound()
            self._tell(f"step {number} of {len(self._plan.steps)}: {step.name}")
            self._step(step)

    def _first_sound(self) -> None:
        """Look at the unit and check the bench, once, before the first step that sounds: what is asked comes first."""
        if self._before_sound is not None:
            before, self._before_sound = self._before_sound, None
            before(self)

    def look(self) -> None:
        """Take the first look, noting why it fails. Raises as `through_all`."""
        look = self._visit.begin_first_look()
        try:
            found = self._session.first_look(keep=look.keep)
            look.keep_look(found.facts())
            for line in found.lines(_loads_ohm(self._session)):
                self._tell(line)
        except self._passed_on:
            raise
        except AudiomeasError as error:
            # Without a first look no gain is known, and no level may be played.
            self._failed_before_steps(_FIRST_LOOK, error)
            self._ended = f"the {_FIRST_LOOK}{FAILED_ENDING}: {error}"

    def check(self, check: BenchCheck | None, why_none: str) -> None:
        """Check the bench, the unit connected; what it finds is told and written down, a line each.

        A bench whose results could not be trusted measures nothing. Raises as `through_all`.
        """
        if self._ended:
            return
        if check is None:
            self._visit.note_no_bench_check(why_none)
            self._tell(f"{_BENCH_CHECK} left out: {why_none}")
            return
        try:
            findings = check(self._visit.begin_bench_check().keep)
            for finding in findings:
                self._visit.note_finding(finding.as_json())
                self._tell(f"{_BENCH_CHECK}, {finding.state}: {finding.check}: {finding.text}")
            refuse_untrusted(_BENCH_CHECK, findings)
        except self._passed_on:
            raise
        except AudiomeasError as error:
            self._failed_before_steps(_BENCH_CHECK, error)
            self._ended = f"the bench can't be trusted: {error}"

    def _step(self, step: PlanStep) -> None:
        refuse_full_disk(self._visit.path)
        writer = self._visit.begin_step(step.name, step.measure, step.conditions())
        if self._ended:
            writer.pass_over(self._ended, self._judged(step, None, f"not run, {self._ended}"))
            return
        try:
            result = self._measured(step, writer) if isinstance(step, Step) else self._entered(step)
        except self._passed_on:
            raise
        except AudiomeasError as error:
            self._failed(step.name, error)
            rows = self._judged(step, None, str(error))
            writer.fail(str(error), rows, status=error.exit_status)
            if not isinstance(step, Step):
                self._heed(step, None, rows)
            elif isinstance(error, DeviceError):
                self._ended = f"the run ended at {step.name}: {error}"
            return
        self._finish(step, writer, result)

    def _finish(self, step: PlanStep, writer: StepWriter, result: Result | None) -> None:
        rows = self._judged(step, result, NOT_ENTERED)
        if not isinstance(step, Step):
            self._heed(step, result, rows)
        if result is None:
            self._tell(f"{step.name}: {NOT_ENTERED}")
            writer.pass_over(NOT_ENTERED, rows)
        else:
            writer.finish(result, rows)

    def _entered(self, step: Reading | Instruction) -> Result | None:
        if isinstance(step, Instruction) and step.text != step.name:
            for line in step.text.splitlines():
                self._tell(line)
        return entered(step, self._answers, simulated=self._session.simulated)

    def _heed(self, step: Reading | Instruction, result: Result | None, rows: tuple[Verdict, ...]) -> None:
        """Measure nothing behind a step that must pass and did not. Nobody is asked on the simulated bench."""
        missing = result is None or len(result.channels) < len(step.questions())
        self.all_entered = self.all_entered and not missing
        if not step.must_pass:
            return
        failed = any(row.verdict == "fail" for row in rows)
        open_ones = [row.reason for row in rows if row.verdict == "undecided"]
        if failed or (not self._session.simulated and (missing or open_ones)):
            undecided = f", and is undecided: {open_ones[0]}" if open_ones else ""
            why = NOT_ENTERED if missing and not failed else f"it must pass first{'' if failed else undecided}"
            self._ended = f"the run ended at {step.name}: {why}"
            self._tell(self._ended)

    def _measured(self, step: Step, writer: StepWriter) -> Result:
        step.refuse_other_loads(_loads_ohm(self._session))
        if step.not_stated:
            self._tell(f"{step.name}: not stated: {'; '.join(step.not_stated)}")
        try:
            return self._session.measure(
                registry.find(step.measure),
                step.options,
                input_level=step.input_level,
                output_level=step.output_level,
                channels=step.channels,
                keep=writer.keep,
            )
        except RequestError as error:
            if step.specification and type(error) is RequestError:
                # The maker's words can't be wrong for being more than this bench can show.
                raise BenchError(str(error)) from None
            raise

    def _judged(self, step: PlanStep, result: Result | None, reason: str = "") -> tuple[Verdict, ...]:
        rows = judge_step(step, result, reason=reason, former=self._former)
        self.rows.extend(rows)
        return rows

    def _failed_before_steps(self, name: str, error: AudiomeasError) -> None:
        self._failed(name, error)
        self._visit.note(f"{name}{FAILED_ENDING}", reason=str(error), status=error.exit_status)

    def _failed(self, name: str, error: AudiomeasError) -> None:
        self.failures.append(Failure(step=name, reason=str(error), exit_status=error.exit_status))
        self._tell(f"{name}: {error}")
