"""Take up a visit that was broken off: by a crash, a power cut, a full disk, or the person.

Nothing that is there is written over. A step that gave its result stays; one that was broken off is made again in a
folder of its own, its first try stays where it is. The journal says when it was taken up, and the checksums of what
was there before are kept beside those of the whole.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from audiomeas import __version__
from audiomeas.errors import FileProblem, OtherBench, RequestError
from audiomeas.files import free_name, sync_folder, translated
from audiomeas.record import journal
from audiomeas.record.checksums import CHECKSUM_FILE
from audiomeas.record.lock import alone
from audiomeas.record.stage import SEALED_EVENT, refuse_over
from audiomeas.record.store import BatchPlace, PlanAsRun, Snapshot, VisitWriter
from audiomeas.record.unit import Unit
from audiomeas.record.unit_folder import UNIT_FILE, folder_of
from audiomeas.record.verdict_row import overall
from audiomeas.record.visit import (
    PLAN_FILE,
    RESUMED_EVENT,
    VERDICT_FILE,
    VISIT_FILE,
    Visit,
    folders,
    look_folders,
    read_visit,
    versioned,
)

#: How a step can have ended that is not made again.
_DONE = ("finished", "failed")
#: How journal events end that tell of a failed first look or bench check.
FAILED_ENDING = " failed"


@dataclass(frozen=True, kw_only=True)
class Resumed:
    """A visit that was taken up. visit : as it stood; writer : goes on with it.  closed : nothing was left to do."""

    visit: Visit
    writer: VisitWriter
    closed: bool

    @property
    def done(self) -> frozenset[str]:
        """Names of the steps that are not made again."""
        return frozenset(step.name for step in self.visit.steps if step.status in _DONE)

    @property
    def failures(self) -> tuple[tuple[str, str, int], ...]:
        """Name, reason and exit status of each step that failed, and of what came before the steps."""
        status = {event.get("step"): event.get("status") for event in self.visit.journal if "status" in event}
        steps = tuple(
            (step.name, step.reason, int(status.get(step.folder.name) or FileProblem.exit_status))
            for step in self.visit.steps
            if step.status == "failed"
        )
        return (*(_failed_before(self.visit) if self.closed else ()), *steps)


def _failed_before(visit: Visit) -> Iterator[tuple[str, str, int]]:
    """Yield what failed before the steps since a visit was begun or last taken up."""
    began = max((place for place, event in enumerate(visit.journal) if event["event"] == RESUMED_EVENT), default=0)
    for event in visit.journal[began:]:
        name, failed, _ = str(event["event"]).partition(FAILED_ENDING)
        if failed and "step" not in event:
            yield name, str(event.get("reason", "")), int(event.get("status") or FileProblem.exit_status)


def visit_of_batch(records: Path, unit: Unit, place: BatchPlace) -> Path | None:
    """Return the visit that a batch has made of a unit; None when it has none. Raises FileProblem.

    One that can't be read stops no other: `record verify` names it.
    """
    unit_folder = folder_of(records, unit)
    if unit_folder.known:
        for folder in reversed(folders(unit_folder.path, holding=VISIT_FILE)):
            with contextlib.suppress(FileProblem):
                if versioned(folder / VISIT_FILE).get("batch") == asdict(place):
                    return folder
    return None


def resume_visit(folder: Path, *, unit: Unit, stage: str, plan: PlanAsRun, snapshot: Snapshot) -> Resumed:
    """Take up a visit that was broken off, on the same bench with the same plan.

    Raises FileProblem: missing, or its files were changed. Raises RequestError: another unit, stage, plan, bench or
    calibration than before; a later stage began; another program is making it.
    """
    if not (folder / VISIT_FILE).exists():
        read_visit(folder)  # says what is wrong; nothing is written into a folder that is no visit's
    with alone(folder.resolve().parent / UNIT_FILE):  # else another program could begin a later stage meanwhile
        return _taken_up(folder, unit, stage, plan, snapshot)


def _taken_up(folder: Path, unit: Unit, stage: str, plan: PlanAsRun, snapshot: Snapshot) -> Resumed:
    closed = (folder / CHECKSUM_FILE).exists()
    file = folder / journal.NAME
    if not closed and not file.exists():
        journal.append(file, "opened")  # the very first line is missing
    writer = VisitWriter(folder)
    if not writer.hold():
        raise RequestError(f"{folder} is still being made by another program: end that one first")
    cut_off = "" if closed else journal.mend(file)
    before = read_visit(folder)
    if closed:
        before.verified()
    if (before.unit.name, before.stage) != (unit.name, stage):
        raise RequestError(
            f"{folder} is the visit of {before.unit.name}, {before.stage}; not of {unit.name}, {stage}: name the unit "
            "and the stage that it is of"
        )
    _refuse_other(before, plan, snapshot)
    if closed and before.finished:
        return Resumed(visit=before, writer=writer, closed=True)
    writer.go_on(steps=_last_number(before), looks=len(look_folders(folder)))
    _set_checksums_aside(folder)
    writer.note(RESUMED_EVENT, audiomeas=__version__, **({"cut_off": cut_off} if cut_off else {}))
    _end_what_was_told(writer, before)
    return Resumed(visit=read_visit(folder), writer=writer, closed=False)


def _refuse_other(visit: Visit, plan: PlanAsRun, snapshot: Snapshot) -> None:
    if any(event["event"] == SEALED_EVENT for event in visit.journal):
        raise RequestError(f"{visit.path} is sealed, as a later stage of this unit has begun: begin another visit")
    if not visit.finished:
        refuse_over(visit.path)
    if visit.plan_text != plan.text:
        raise RequestError(
            f"{visit.path} was begun with another plan: go on with its own ({visit.path / PLAN_FILE}), or begin anew"
        )
    for name, digest in visit.hashes.items():
        if snapshot.hashes.get(name) != digest:
            raise OtherBench(
                f"{visit.path} was begun on another bench ({name} was other, or is not used now): bring that one back, "
                "or begin another visit"
            )
    if dict(snapshot.hashes).keys() != dict(visit.hashes).keys() or snapshot.simulated != visit.simulated:
        raise OtherBench(f"{visit.path} was begun on another bench: bring that one back, or begin another visit")


def _last_number(visit: Visit) -> int:
    """Return the highest number of a step's folder, also of one that holds nothing yet."""
    numbers = [each.name.partition("-")[0] for each in visit.path.iterdir() if each.is_dir()]
    return max((int(number) for number in numbers if number.isdigit()), default=0)


def _set_checksums_aside(folder: Path) -> None:
    """Keep the checksums of what there was when the visit was interrupted under another name."""
    file = folder / CHECKSUM_FILE
    with translated(file, "write"):
        if file.exists():
            file.rename(free_name(folder, f"{file.stem}-until-taken-up", file.suffix))
            sync_folder(folder)


def _end_what_was_told(writer: VisitWriter, visit: Visit) -> None:
    """A step whose rows were written, but not yet its line in the journal, is finished: add the line."""
    for step in visit.steps:
        if step.status == "broken off" and step.result is not None and (step.folder / VERDICT_FILE).exists():
            facts: Mapping[str, Any] = {"step": step.folder.name, "verdict": overall(step.verdicts)}
            writer.note("step finished", **facts)
