"""Write a record: one folder a visit, append-only. Every file is whole or absent, and none is ever written over.

    visit = open_visit(records, unit, stage, plan=…, snapshot=…)
    step = visit.begin_step(name, measurement, conditions)
    step.keep(capture, recording)          # before the analysis: what was captured stays, whatever comes then
    step.finish(result, verdicts)          # or step.fail(reason, verdicts)
    visit.finish()                         # checksums

A crash between any two of these leaves a record that `read_visit` reads.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from audiomeas import __version__
from audiomeas.errors import FileProblem, Interrupted, StopAsked
from audiomeas.files import (
    free_name,
    sync_folder,
    translated,
    write_new_json,
    write_new_text,
)
from audiomeas.measurement.result import clean, figures_only
from audiomeas.record import journal
from audiomeas.record.chain import head_of
from audiomeas.record.checksums import CHECKSUM_FILE, refuse_unlisted, write_checksums
from audiomeas.record.lock import Held, alone, hold
from audiomeas.record.stage import STAGES, checked_stage, seal_earlier, stay_of
from audiomeas.record.unit import Unit, slug
from audiomeas.record.unit_folder import LOGBOOK_FILE, UNIT_FILE, folder_of, made_folder, refuse_namesakes
from audiomeas.record.verdict_row import Verdict, overall
from audiomeas.record.visit import (
    BENCH_CHECK_EVENT,
    BENCH_CHECK_FOLDER,
    FIGURES_FILE,
    FIRST_LOOK_FILE,
    FIRST_LOOK_FOLDER,
    NO_BENCH_CHECK_EVENT,
    PLAN_FILE,
    RECORD_VERSION,
    RESULT_FILE,
    STEP_FILE,
    VERDICT_FILE,
    VISIT_FILE,
    StepRecord,
    Visit,
    find_visits,
    read_visit,
)

if TYPE_CHECKING:
    from audiomeas.interface.transport import Capture
    from audiomeas.measurement.result import Result
    from audiomeas.recording import Recording

__all__ = [
    "STAGES",
    "BatchPlace",
    "HasBench",
    "PlanAsRun",
    "Snapshot",
    "StepRecord",
    "StepWriter",
    "Visit",
    "VisitWriter",
    "checked_stage",
    "find_visits",
    "new_folder",
    "open_visit",
    "read_visit",
    "refuse_visit",
    "snapshot_of",
]

_BENCH_FOLDER = "bench"


@dataclass(frozen=True, kw_only=True)
class BatchPlace:
    """The place of a visit in a batch: the name of the batch's folder, and the number of the unit in it, from 1."""

    name: str
    number: int


@dataclass(frozen=True, kw_only=True)
class PlanAsRun:
    """The plan that a visit followed. file : its name; text : every character of it; steps : names, in order."""

    title: str
    kind: str
    file: str
    text: str
    steps: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Snapshot:
    """The bench as it stood. hashes, texts : file name → SHA-256, whole text, of bench and calibration files."""

    bench: Mapping[str, Any]
    hashes: Mapping[str, str] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)
    simulated: bool = False
    warnings: tuple[str, ...] = ()


class HasBench(Protocol):
    """A bench in use (`audiomeas.measurement.session.Session` is one)."""

    @property
    def simulated(self) -> bool:
        """The bench is a simulated one."""
        ...

    @property
    def warnings(self) -> tuple[str, ...]:
        """What of the calibration does not fit."""
        ...

    def facts(self) -> dict[str, Any]:
        """Return the bench's snapshot: 'bench', 'hashes', 'texts'."""
        ...


def snapshot_of(session: HasBench) -> Snapshot:
    """Return a bench as it stands."""
    facts = session.facts()
    return Snapshot(
        bench=facts["bench"],
        hashes=facts["hashes"],
        texts=facts["texts"],
        simulated=session.simulated,
        warnings=session.warnings,
    )


def refuse_visit(
    records: Path, unit: Unit, stage: str = "as-found", *, new_stay: bool = False, other_unit: bool = False
) -> None:
    """Raise what `open_visit` would raise for a unit and a stage: to be asked before any sound. Nothing is written."""
    checked_stage(stage)
    refuse_namesakes(Path(records), unit, other_unit=other_unit)
    stay_of(folder_of(Path(records), unit).path, stage, new_stay=new_stay)


def open_visit(
    records: Path,
    unit: Unit,
    stage: str = "as-found",
    *,
    plan: PlanAsRun,
    snapshot: Snapshot,
    new_stay: bool = False,
    other_unit: bool = False,
    batch: BatchPlace | None = None,
) -> VisitWriter:
    """Make a new visit's folder and write down what stands before the first sound; seal the visits before this stage.

    The folder gets its name when all of that is written: a crash before leaves one with a leading dot, which nobody
    reads and in which nothing was captured.   batch : the place in a stack that it belongs to.
    new_stay : the unit was sold and bought again.   other_unit : it is another one than those with its serial number.
    Raises FileProblem (read-only, disk full, another unit in this folder) and RequestError (unknown stage, one that is
    over, a serial number that another unit has, an earlier visit still going on).
    """
    checked_stage(stage)
    unit_folder = made_folder(Path(records), unit, other_unit=other_unit)
    with alone(unit_folder / UNIT_FILE):  # else another program could take up what is being sealed
        stay = stay_of(unit_folder, stage, new_stay=new_stay)
        seal_earlier(unit_folder, stage, stay)
        return _begun(unit_folder, unit, stage, stay, plan, snapshot, batch)


def _begun(
    unit_folder: Path, unit: Unit, stage: str, stay: int, plan: PlanAsRun, snapshot: Snapshot, batch: BatchPlace | None
) -> VisitWriter:
    """Write down what stands before the first sound, then give the folder its name."""
    opened_at = journal.utc_now()
    folder = new_folder(unit_folder, f".{opened_at:%Y-%m-%dT%H%M%SZ}-{stage}")
    write_new_text(folder / PLAN_FILE, plan.text)
    copies = _copy_texts(folder, snapshot.texts)
    facts = {
        "audiomeas": __version__,
        "record": RECORD_VERSION,
        "simulated": snapshot.simulated,
        "unit": unit.as_json(),
        "stage": stage,
        "stay": stay,
        "opened_at": journal.iso(opened_at),
        "logbook": asdict(head_of(unit_folder / LOGBOOK_FILE)),
        "plan": {
            "title": plan.title,
            "kind": plan.kind,
            "file": plan.file,
            "sha256": hashlib.sha256(plan.text.encode("utf-8")).hexdigest(),
            "steps": list(plan.steps),
        },
        "bench": clean(dict(snapshot.bench)),
        "hashes": dict(snapshot.hashes),
        "copies": copies,
        "warnings": list(snapshot.warnings),
    }
    if batch is not None:
        facts["batch"] = asdict(batch)
    write_new_json(folder / VISIT_FILE, facts)
    visit = VisitWriter(_named(folder))
    visit.note("opened")
    visit.hold()
    return visit


def new_folder(parent: Path, name: str) -> Path:
    """Make a folder that nobody else has; a second one of the same second gets a number. Raises FileProblem.

    One with a leading dot gets its name later (`open_visit`): that must be free too.
    """
    with translated(parent / name, "write"):
        for number in range(1, 1000):
            folder = parent / (name if number == 1 else f"{name}-{number}")
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            if folder.name.startswith(".") and (parent / folder.name.lstrip(".")).exists():
                folder.rmdir()
                continue
            sync_folder(parent)
            return folder
    raise FileProblem(f"{parent / name}: a thousand visits of one second: is the clock right?")


def _named(folder: Path) -> Path:
    """Give a folder its name, now that all that it needs is in it. Raises FileProblem."""
    whole = folder.with_name(folder.name.lstrip("."))
    with translated(whole, "write"):
        folder.rename(whole)
        sync_folder(whole.parent)
    return whole


def _made_folder(folder: Path) -> Path:
    """Make a folder that must be new."""
    with translated(folder, "write"):
        folder.mkdir()
    return folder


def _copy_texts(folder: Path, texts: Mapping[str, str]) -> dict[str, str]:
    """Copy bench and calibration files; returns their name → where the copy stands in the visit."""
    copies = {}
    if texts:
        _made_folder(folder / _BENCH_FOLDER)
    for name, text in texts.items():
        plain = re.sub(r"[^A-Za-z0-9._-]+", "-", Path(name).name).lstrip(".-") or "file"
        copy = free_name(folder / _BENCH_FOLDER, Path(plain).stem[:60], Path(plain).suffix[:10])
        write_new_text(copy, text)
        copies[name] = f"{_BENCH_FOLDER}/{copy.name}"
    return copies


class VisitWriter:
    """A visit that is being written. It only ever adds."""

    def __init__(self, folder: Path) -> None:
        self.path = folder
        self._steps = 0
        self._looks = 0
        self._held: Held | None = None

    def go_on(self, *, steps: int, looks: int) -> None:
        """Count on from the folders of steps and of first looks that are there already (`resume_visit`)."""
        self._steps, self._looks = steps, looks

    def hold(self) -> bool:
        """Let other programs see that this visit is going on, until it ends or this program does.

        Returns False when another one is making it. Raises FileProblem.
        """
        self._held = hold(self.path / journal.NAME)
        return self._held is not None

    def _release(self) -> None:
        if self._held is not None:
            self._held.release()

    def note(self, event: str, **facts: Any) -> None:
        """Add a line to the journal. Raises FileProblem."""
        journal.append(self.path / journal.NAME, event, **clean(facts))

    def begin_first_look(self) -> StepWriter:
        """Open the folder of the first look, which comes before all steps. Raises FileProblem."""
        self._looks += 1
        return StepWriter(self, self._before_steps(FIRST_LOOK_FOLDER))

    def begin_bench_check(self) -> StepWriter:
        """Open the folder of the bench check, which comes between first look and steps. Raises FileProblem."""
        return StepWriter(self, self._before_steps(BENCH_CHECK_FOLDER))

    def _before_steps(self, name: str) -> Path:
        """Make a folder of what comes before all steps, once each time that the visit is taken up."""
        return _made_folder(self.path / (name if self._looks <= 1 else f"{name}-{self._looks}"))

    def note_finding(self, finding: Mapping[str, str]) -> None:
        """Add what the bench check found ('check', 'state', 'text') to the journal. Raises FileProblem."""
        self.note(BENCH_CHECK_EVENT, **finding)

    def note_no_bench_check(self, reason: str) -> None:
        """Add to the journal why the bench was not checked. Raises FileProblem."""
        self.note(NO_BENCH_CHECK_EVENT, reason=reason)

    def begin_step(self, name: str, measurement: str, conditions: Mapping[str, Any]) -> StepWriter:
        """Open the next step's folder, NN-name. Raises FileProblem."""
        self._steps += 1
        folder = _made_folder(self.path / f"{self._steps:02d}-{slug(name, otherwise='step', longest=40)}")
        facts = {
            "audiomeas": __version__,
            "record": RECORD_VERSION,
            "number": self._steps,
            "name": name,
            "measurement": measurement,
            "conditions": clean(dict(conditions)),
        }
        write_new_json(folder / STEP_FILE, facts)
        self.note("step started", step=folder.name, name=name)
        return StepWriter(self, folder)

    def finish(self, verdict: str | None) -> None:
        """Close the record: a last line in the journal, then the checksums of every file. Raises FileProblem."""
        refuse_unlisted(self.path)
        self.note("finished", verdict=verdict)
        write_checksums(self.path)
        self._release()

    def break_off(self, error: BaseException, say: Callable[[str], None]) -> None:
        """Write down what ended a visit early, where the disk still lets us; say where the record stands.

        The checksums of what there is are written too; nothing on a record that is closed. Raises nothing: what ended
        the visit is what must be told.
        """
        try:
            if not (self.path / CHECKSUM_FILE).exists():
                interrupted = isinstance(error, (Interrupted, StopAsked, KeyboardInterrupt))
                self.note("interrupted" if interrupted else "stopped", reason=str(error) or type(error).__name__)
                write_checksums(self.path)
        except FileProblem:
            say("the reason or the checksums could not be written into the record")
        finally:
            self._release()
        say(f"what was measured until then is kept in {self.path}")


class StepWriter:
    """A step that is being written."""

    def __init__(self, visit: VisitWriter, folder: Path) -> None:
        self._visit = visit
        self.folder = folder

    def keep(self, capture: Capture, recording: Recording) -> Path:
        """Store a capture as it was delivered, with its sidecar, named for its purpose. Never overwrites.

        Raises FileProblem.
        """
        from audiomeas.recording import suffix_for, write_capture

        form = capture.form
        samples = capture.of_channels(recording.channels)  # inputs that the bench uses
        suffix = suffix_for(form.sample_format, samples.shape[1], form.sample_rate_hz)
        purpose = str(recording.conditions.get("purpose", ""))  # 'setting the level', 'distortion' …
        path = free_name(self.folder, slug(purpose, otherwise="capture"), suffix)
        write_capture(path, samples, form.sample_format, recording)
        self._note("captured", file=f"{self.folder.name}/{path.name}")
        return path

    def keep_look(self, facts: Mapping[str, Any]) -> None:
        """Store what the first look found. Raises FileProblem."""
        write_new_json(
            self.folder / FIRST_LOOK_FILE, {"audiomeas": __version__, "record": RECORD_VERSION, **clean(dict(facts))}
        )

    def finish(self, result: Result, verdicts: Sequence[Verdict]) -> None:
        """Store the result and its verdict rows. Raises FileProblem."""
        write_new_json(self.folder / RESULT_FILE, result.as_json())
        write_new_json(self.folder / FIGURES_FILE, figures_only(result).as_json())
        self._write_verdicts(verdicts)
        self._note("step finished", verdict=overall(verdicts))

    def fail(self, reason: str, verdicts: Sequence[Verdict], *, status: int) -> None:
        """Store why there is no result, and the rows that are undecided for that. Raises FileProblem."""
        self._write_verdicts(verdicts)
        self._note("step failed", reason=reason, status=status)

    def pass_over(self, reason: str, verdicts: Sequence[Verdict]) -> None:
        """Store that the step was not run, and why. Raises FileProblem."""
        self._write_verdicts(verdicts)
        self._note("step not run", reason=reason)

    def _write_verdicts(self, verdicts: Sequence[Verdict]) -> None:
        rows = [clean(row.as_json()) for row in verdicts]
        write_new_json(self.folder / VERDICT_FILE, {"audiomeas": __version__, "record": RECORD_VERSION, "rows": rows})

    def _note(self, event: str, **facts: Any) -> None:
        self._visit.note(event, step=self.folder.name, **facts)
