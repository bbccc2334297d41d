"""Run a stack: one visit for each of its units, one after the other, resumable at any point.

A unit that fails or is refused does not stop the others. What ends the whole batch is a stop by the person, a full
disk, an interface that is gone, another bench than the one that a visit was begun on, or the machine; then
`resume=True` goes on at the first step that was not finished.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from audiomeas.errors import (
    EXIT_DONE,
    AudiomeasError,
    DeviceError,
    DiskFull,
    FileProblem,
    Interrupted,
    OtherBench,
    RequestError,
    StopAsked,
)
from audiomeas.plan.batch_folder import BatchFolder, Done, begin_anew, begin_batch, find_batch
from audiomeas.plan.run import Progress, RunOutcome, Say, quiet, run
from audiomeas.plan.stack import Entry, Stack, read_stack
from audiomeas.record.batches import DONE, FAILED, SKIPPED
from audiomeas.record.resume import visit_of_batch
from audiomeas.record.store import BatchPlace, read_visit
from audiomeas.record.unit_folder import folder_of

if TYPE_CHECKING:
    from audiomeas.plan.answers import Answers
    from audiomeas.record.visit import Visit

Go = Literal["go", "skip", "stop"]
#: Gives what answers the questions of an entry: a file, a mapping, or what asks the person; None where nothing does.
Asked = Callable[[Entry], "Answers | Path | None"]
#: Asks the person to connect a unit.
Ready = Callable[[Entry, int], Go]


@dataclass(frozen=True, kw_only=True)
class UnitOutcome:
    """What became of one unit of a stack. event : done, failed, skipped.  visit : None where none was opened.

    reason : why it failed or was skipped.   exit_status : as of `audiomeas run`.
    """

    entry: Entry
    event: str
    visit: Visit | None
    reason: str = ""
    exit_status: int = EXIT_DONE

    @property
    def outcome(self) -> str:
        """'done', 'failed' or 'skipped'."""
        return self.event.removeprefix("unit ")

    def as_json(self) -> dict[str, Any]:
        """Return it as one JSON object."""
        return {
            "number": self.entry.number,
            "unit": self.entry.unit.as_json(),
            "stage": self.entry.stage,
            "outcome": self.outcome,
            "record": None if self.visit is None else str(self.visit.path),
            "verdict": None if self.visit is None else self.visit.verdict,
            "reason": self.reason,
            "exit_status": self.exit_status,
        }


@dataclass(frozen=True, kw_only=True)
class BatchOutcome:
    """What a batch came to. path : its folder."""

    path: Path
    title: str
    units: tuple[UnitOutcome, ...]

    @property
    def visits(self) -> tuple[Visit, ...]:
        """The visits, in the order of the stack."""
        return tuple(each.visit for each in self.units if each.visit is not None)

    @property
    def exit_status(self) -> int:
        """The highest of all units."""
        return max(each.exit_status for each in self.units)

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as one JSON object."""
        return {"batch": str(self.path), "title": self.title, "units": [each.as_json() for each in self.units]}


@dataclass(frozen=True, kw_only=True)
class _Way:
    """How each unit is run."""

    records: Path
    bench: Path | str | None
    loudspeakers: str | None
    without_check: str | None
    answers: Asked | None
    ready: Ready | None
    say: Say
    progress: Progress | None


def batch(
    stack: Path | str,
    *,
    records: Path | str = "records",
    bench: Path | str | None = None,
    loudspeakers: str | None = None,
    resume: bool = False,
    anew: bool = False,
    without_check: str | None = None,
    answers: Asked | None = None,
    ready: Ready | None = None,
    say: Say | None = None,
    progress: Progress | None = None,
) -> BatchOutcome:
    """Run a stack of units and keep a record of each; what `audiomeas batch` does.

    stack : the stack file.   resume : go on with the newest batch of this stack that is not finished.   anew : begin
    another one although there is such a one.   ready : is asked before each unit ('go', 'skip', 'stop'); None goes on.
    answers : gives what answers the questions of an entry; None: the file that the entry names.   The rest as in `run`.
    Raises RequestError (also while another program runs this batch), FileProblem, TomlProblem before any sound;
    Interrupted when stopped, DiskFull, DeviceError (the interface is gone), OtherBench (of a visit that would be taken
    up): all leave a batch that can be resumed.
    """
    read, folder = read_stack(Path(stack)), Path(records)
    if resume and anew:
        raise RequestError("resume goes on with a batch, anew begins another one: give one of them")
    _refuse_bad_bench(read, bench, loudspeakers)
    found = find_batch(folder, read) if resume else (begin_anew if anew else begin_batch)(folder, read)
    way = _Way(
        records=folder, bench=bench, loudspeakers=loudspeakers, without_check=without_check, answers=answers,
        ready=ready, say=say or quiet, progress=progress,
    )  # fmt: skip
    held = found.hold()
    try:
        return _through(found, read, way)
    finally:
        held.release()


def _refuse_bad_bench(stack: Stack, bench: Path | str | None, loudspeakers: str | None) -> None:
    """Open the bench of all units once, before a batch begins: were it wrong, each of them would count as failed."""
    from audiomeas.measurement.api import open_bench

    named = {entry.bench for entry in stack.entries}
    if None in named:
        open_bench(bench, loudspeakers=loudspeakers)
    elif len(named) == 1:
        open_bench(*named, loudspeakers=loudspeakers)


def _through(folder: BatchFolder, stack: Stack, way: _Way) -> BatchOutcome:
    before, outcomes = folder.done(), []
    try:
        for entry in stack.entries:
            if entry.number in before:
                outcomes.append(_told(entry, before[entry.number], way))
            else:
                outcomes.append(_measured(folder, entry, len(stack.entries), way))
    except (Interrupted, DeviceError, StopAsked, KeyboardInterrupt) as error:
        folder.note("interrupted", reason=str(error) or type(error).__name__)
        way.say(_later(stack))
        raise
    except (DiskFull, OtherBench):
        way.say(_later(stack))
        raise
    folder.finish()
    return BatchOutcome(path=folder.path, title=stack.title, units=tuple(outcomes))


def _later(stack: Stack) -> str:
    return f"go on later with: audiomeas batch {stack.path} --resume"


def _told(entry: Entry, done: Done, way: _Way) -> UnitOutcome:
    """Return what became of a unit before this batch was resumed."""
    visit, problem = None, ""
    if done.visit:
        visit, problem = _as_kept(folder_of(way.records, entry.unit).path / done.visit, way)
    status = max(done.status, FileProblem.exit_status) if problem else done.status
    return UnitOutcome(entry=entry, event=done.event, visit=visit, reason=done.reason or problem, exit_status=status)


def _as_kept(path: Path, way: _Way) -> tuple[Visit | None, str]:
    """Return a visit, or why it can't be read: that is told, and keeps no other unit from being measured."""
    try:
        return read_visit(path), ""
    except FileProblem as problem:
        way.say(str(problem))
        return None, str(problem)


def _measured(folder: BatchFolder, entry: Entry, number_of_units: int, way: _Way) -> UnitOutcome:
    way.say(f"unit {entry.number} of {number_of_units}: {entry.unit.name}, {entry.stage}")
    go = "go" if way.ready is None else way.ready(entry, number_of_units)
    if go == "stop":
        raise Interrupted("stopped between two units: nothing was being measured")
    if go == "skip":
        folder.note_unit(SKIPPED, entry.number, reason="skipped by the person at the bench")
        return UnitOutcome(entry=entry, event=SKIPPED, visit=None, reason="skipped")
    try:
        outcome = _visited(folder, entry, way)
    except (Interrupted, DeviceError, DiskFull, OtherBench):
        raise
    except AudiomeasError as error:
        way.say(f"{entry.unit.name}: {error}")
        return _failed(folder, entry, error, way)
    folder.note_unit(DONE, entry.number, visit=outcome.visit.path.name, status=outcome.exit_status)
    return UnitOutcome(entry=entry, event=DONE, visit=outcome.visit, exit_status=outcome.exit_status)


def _failed(folder: BatchFolder, entry: Entry, error: AudiomeasError, way: _Way) -> UnitOutcome:
    """Note that a unit failed, with the visit that it has, where it came so far."""
    try:
        path = visit_of_batch(way.records, entry.unit, _place(folder, entry))
    except FileProblem:  # the unit's own folder: that is why it failed
        path = None
    folder.note_unit(FAILED, entry.number, visit=path.name if path else "", reason=str(error), status=error.exit_status)
    visit = _as_kept(path, way)[0] if path else None
    return UnitOutcome(entry=entry, event=FAILED, visit=visit, reason=str(error), exit_status=error.exit_status)


def _visited(folder: BatchFolder, entry: Entry, way: _Way) -> RunOutcome:
    """Run the plan on a unit, from where an earlier try of this batch broke off."""
    place = _place(folder, entry)
    return run(
        entry.plan.path,
        unit=entry.unit,
        bench=entry.bench if entry.bench is not None else way.bench,
        loudspeakers=way.loudspeakers,
        records=way.records,
        stage=entry.stage,
        new_stay=entry.new_stay,
        other_unit=entry.other_unit,
        without_check=way.without_check,
        answers=_answers(entry, way),
        batch=place,
        resume=visit_of_batch(way.records, entry.unit, place),
        say=way.say,
        progress=way.progress,
    )


def _answers(entry: Entry, way: _Way) -> Answers | Path | None:
    return entry.answers if way.answers is None else way.answers(entry)


def _place(folder: BatchFolder, entry: Entry) -> BatchPlace:
    return BatchPlace(name=folder.name, number=entry.number)
