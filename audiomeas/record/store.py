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
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from audiomeas import __version__
from audiomeas.errors import FileProblem, Interrupted, RequestError, StopAsked
from audiomeas.files import (
    free_name,
    read_json,
    sync_folder,
    translated,
    write_new_json,
    write_new_text,
)
from audiomeas.measurement.result import clean
from audiomeas.record import journal
from audiomeas.record.checksums import CHECKSUM_FILE, write_checksums
from audiomeas.record.unit import Unit, folder_name, slug, unit_from_json
from audiomeas.record.verdict_row import Verdict, overall
from audiomeas.record.visit import (
    BENCH_CHECK_EVENT,
    BENCH_CHECK_FOLDER,
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
from audiomeas.tomlfile import nearest

if TYPE_CHECKING:
    from audiomeas.interface.transport import Capture
    from audiomeas.measurement.result import Result
    from audiomeas.recording import Recording

__all__ = [
    "STAGES",
    "HasBench",
    "PlanAsRun",
    "Snapshot",
    "StepRecord",
    "StepWriter",
    "Visit",
    "VisitWriter",
    "checked_stage",
    "find_visits",
    "open_visit",
    "read_visit",
    "snapshot_of",
]

STAGES = ("as-found", "as-left", "after-run-in", "return")
_UNIT_FILE = "unit.json"
_BENCH_FOLDER = "bench"


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


def checked_stage(stage: str) -> str:
    """Return a stage that is known. Raises RequestError with the nearest valid word."""
    if stage not in STAGES:
        raise RequestError(f"unknown stage {stage!r}{nearest(stage, list(STAGES))}; known: {', '.join(STAGES)}")
    return stage


def open_visit(
    records: Path, unit: Unit, stage: str = "as-found", *, plan: PlanAsRun, snapshot: Snapshot
) -> VisitWriter:
    """Make a new visit's folder and write down what stands before the first sound.

    visit.json is written last: a folder without it is one that was never opened fully.
    Raises FileProblem (read-only, disk full, another unit in this folder) and RequestError (unknown stage).
    """
    checked_stage(stage)
    opened_at = journal.utc_now()
    folder = _new_folder(_unit_folder(Path(records), unit), f"{opened_at:%Y-%m-%dT%H%M%SZ}-{stage}")
    write_new_text(folder / PLAN_FILE, plan.text)
    copies = _copy_texts(folder, snapshot.texts)
    facts = {
        "audiomeas": __version__,
        "record": RECORD_VERSION,
        "simulated": snapshot.simulated,
        "unit": unit.as_json(),
        "stage": stage,
        "opened_at": journal.iso(opened_at),
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
    write_new_json(folder / VISIT_FILE, facts)
    visit = VisitWriter(folder)
    visit.note("opened")
    return visit


def _unit_folder(records: Path, unit: Unit) -> Path:
    """Return the unit's folder, made when it is new. It holds the true name, so that no other unit can move in."""
    folder = records / folder_name(unit.name)
    with translated(folder, "write"):
        folder.mkdir(parents=True, exist_ok=True)
    file = folder / _UNIT_FILE
    if not file.exists():
        write_new_json(file, {"record": RECORD_VERSION, "unit": unit.as_json()})
        return folder
    try:
        owner = unit_from_json(read_json(file)["unit"])
    except (KeyError, TypeError, RequestError) as error:
        raise FileProblem(f"{file} is damaged ({error}): move this folder away, or mend the file") from None
    if owner.name != unit.name:
        raise FileProblem(f"{folder} belongs to another unit ({owner.name}): use another records folder")
    return folder


def _new_folder(parent: Path, name: str) -> Path:
    """Make a folder that nobody else has; a second one of the same second gets a number."""
    with translated(parent / name, "write"):
        for number in range(1, 1000):
            folder = parent / (name if number == 1 else f"{name}-{number}")
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            sync_folder(parent)
            return folder
    raise FileProblem(f"{parent / name}: a thousand visits of one second: is the clock right?")


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

    def note(self, event: str, **facts: Any) -> None:
        """Add a line to the journal. Raises FileProblem."""
        journal.append(self.path / journal.NAME, event, **clean(facts))

    def begin_first_look(self) -> StepWriter:
        """Open the folder of the first look, which comes before all steps. Raises FileProblem."""
        return StepWriter(self, _made_folder(self.path / FIRST_LOOK_FOLDER))

    def begin_bench_check(self) -> StepWriter:
        """Open the folder of the bench check, which comes between first look and steps. Raises FileProblem."""
        return StepWriter(self, _made_folder(self.path / BENCH_CHECK_FOLDER))

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
        self.note("finished", verdict=verdict)
        write_checksums(self.path)

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
        samples = capture.samples[:, [channel - 1 for channel in recording.channels]]  # inputs that the bench uses
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
