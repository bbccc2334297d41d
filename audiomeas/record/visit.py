"""Read records: one visit of one unit, and all visits in a folder. Nothing here writes.

A visit's folder (see `store` for how it is written) is readable with a text editor and a sound player:

    RECORDS/demo-amplifier-a-serial-d-0001-1f0c…/unit.json            the unit's true name
        2026-11-25T074738Z-as-found/
            visit.json      unit, stage, plan, bench snapshot, program version, SIMULATED or not
            plan.toml       the plan as it was run
            bench/          copies of the bench and calibration files, as they were
            journal.jsonl   what happened, a line each
            00-first-look/  the quiet sweep before any level: capture and what it told
        00-bench-check/ captures of the quiet check of the bench before the first step; its findings are in the journal
            01-distortion-at-1-w/   step.json, distortion.flac and its sidecar, result.json, verdict.json
            checksums.sha256        written at the end: SHA-256 of every file, checked whenever the record is read
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, TypeVar

from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import AUDIO, read_json, read_text, translated
from audiomeas.measurement.result import Result, result_from_json
from audiomeas.record import journal
from audiomeas.record.checksums import CHECKSUM_FILE, damage
from audiomeas.record.unit import Unit, unit_from_json
from audiomeas.record.verdict_row import Verdict, Word, overall, verdict_from_json

#: The form of a record; a newer one is refused.
RECORD_VERSION = 1
#: Stays are counted from here.
FIRST_STAY = 1
VISIT_FILE = "visit.json"
PLAN_FILE = "plan.toml"
STEP_FILE = "step.json"
RESULT_FILE = "result.json"
#: The result once more, without its curves and lists: so a table of many visits need not read those.
FIGURES_FILE = "figures.json"
VERDICT_FILE = "verdict.json"
FIRST_LOOK_FOLDER = "00-first-look"
FIRST_LOOK_FILE = "first-look.json"
BENCH_CHECK_FOLDER = "00-bench-check"
#: Journal event: a visit that was broken off is taken up.
RESUMED_EVENT = "resumed"
#: Journal events: one a finding, or why there is none.
BENCH_CHECK_EVENT, NO_BENCH_CHECK_EVENT = "bench check", "bench check left out"

__all__ = ["CHECKSUM_FILE", "StepRecord", "Visit", "find_visits", "read_visit", "refuse_inside_a_record"]

Status = Literal["finished", "failed", "not run", "broken off"]
#: journal event → what it makes of a step.
_STATUS: dict[str, Status] = {
    "step started": "broken off",
    "step finished": "finished",
    "step failed": "failed",
    "step not run": "not run",
}
Read = TypeVar("Read")


@dataclass(frozen=True, kw_only=True)
class StepRecord:
    """What is kept of one step. status : 'broken off' when neither its end nor its failure was reached.

    captures : audio files, in order, sidecars beside them; the last one is what the result was made of (of a search:
    all of its bursts, joined), those before it set the level or were refused.   reason : why it failed or was not run.
    """

    number: int
    name: str
    measurement: str
    conditions: Mapping[str, Any]
    folder: Path
    status: Status
    reason: str
    captures: tuple[Path, ...]
    result: Result | None
    verdicts: tuple[Verdict, ...]


@dataclass(frozen=True, kw_only=True)
class Visit:
    """One visit of one unit, as its folder holds it.

    planned_steps : names in the plan as run.   finished : all steps were gone through, and the record was closed.
    damage : what of its files is not as it was when the record was closed, in one line; '' when all is.
    first_look : what the quiet sweep told; None when it was not reached.
    broken_off : earlier tries of steps that were made again when the visit was taken up.
    hashes : bench and calibration file → SHA-256.   facts : the whole of visit.json.
    """

    path: Path
    unit: Unit
    stage: str
    opened_at: datetime
    version: str
    simulated: bool
    plan_title: str
    plan_text: str
    planned_steps: tuple[str, ...]
    bench: Mapping[str, Any]
    hashes: Mapping[str, str]
    warnings: tuple[str, ...]
    facts: Mapping[str, Any]
    journal: tuple[Mapping[str, Any], ...]
    finished: bool
    first_look: Mapping[str, Any] | None
    steps: tuple[StepRecord, ...]
    broken_off: tuple[StepRecord, ...] = ()
    damage: str = ""

    def verified(self) -> Visit:
        """Return the visit itself. Raises FileProblem when its files are not those that were closed."""
        if self.damage:
            raise FileProblem(self.damage)
        return self

    @property
    def complete(self) -> bool:
        """Every planned step gave its result, and the record stands as it was closed."""
        measured = {step.name for step in self.steps if step.result is not None}
        return self.finished and not self.damage and measured.issuperset(self.planned_steps)

    @property
    def bench_check(self) -> tuple[Mapping[str, Any], ...]:
        """The journal's lines of the last bench check: 'check', 'state', 'text' each, or 'reason' when left out."""
        lines: list[Mapping[str, Any]] = []
        again = False
        for line in self.journal:
            if line["event"] == RESUMED_EVENT:
                again = True
            elif line["event"] in (BENCH_CHECK_EVENT, NO_BENCH_CHECK_EVENT):
                lines, again = ([line] if again else [*lines, line]), False
        return tuple(lines)

    @property
    def verdicts(self) -> tuple[Verdict, ...]:
        """The rows of all steps, in order."""
        return tuple(row for step in self.steps for row in step.verdicts)

    @property
    def verdict(self) -> Word | None:
        """The verdict of the whole visit: fail, undecided, pass; None without limits.

        A visit that was broken off, lacks a step or was changed is at best undecided: what is missing is never a pass.
        """
        return overall(self.verdicts, complete=self.complete)

    def step(self, name: str) -> StepRecord:
        """Return a step by its name. Raises KeyError."""
        for step in self.steps:
            if step.name == name:
                return step
        raise KeyError(name)


def read_visit(path: Path, *, hash_audio: bool = True, curves: bool = True, of_step: str | None = None) -> Visit:
    """Read a visit's folder, and hold its files against its checksums (`Visit.damage`, `Visit.verified`).

    hash_audio : False only looks whether captures are there (for many visits at once).   curves : False reads results
    without their curves, lists, budgets and provenance, where the record keeps them so (likewise).   of_step : steps of
    another name are left out, so that the visit is at best undecided (likewise).
    Raises FileProblem that names the file: missing, unreadable, or of a newer version.
    """
    with translated(path, "read"):
        facts = _facts(path)
        events = journal.read(path / journal.NAME) if (path / journal.NAME).exists() else ()
        visit = guarded(path / VISIT_FILE, lambda: _visit(path, facts, events, curves=curves, of_step=of_step))
        return replace(visit, damage=damage(path, closed=visit.finished, hash_audio=hash_audio))


def find_visits(
    records: Path,
    serial: str | None = None,
    *,
    on_problem: Callable[[FileProblem], None] | None = None,
) -> tuple[Visit, ...]:
    """Return all visits in a records folder, oldest first; with `serial`, those of this serial number or tag.

    Those that were changed are among them (`Visit.damage`); the samples of captures are not looked at.
    on_problem : is told of each unreadable record, which is then left out; without it the first one raises FileProblem.
    """
    found: list[Visit] = []
    with _told(on_problem):
        for unit_folder in folders(Path(records), holding=""):
            with _told(on_problem):
                # A folder without visit.json was broken off before anything was measured.
                for folder in folders(unit_folder, holding=VISIT_FILE):
                    with _told(on_problem):
                        if serial is None or serial in _identities(folder):
                            found.append(read_visit(folder, hash_audio=False))
    return tuple(sorted(found, key=lambda visit: (visit.opened_at, str(visit.path))))


def refuse_inside_a_record(file: Path) -> None:
    """Raise FileProblem when a new file would stand inside a visit's folder: then it were no longer as it was."""
    with translated(file, "write"):
        for folder in file.resolve().parents:
            if (folder / VISIT_FILE).exists():
                raise FileProblem(
                    f"{file} would stand in the record {folder}, which is never changed: write it elsewhere"
                )


@contextlib.contextmanager
def _told(on_problem: Callable[[FileProblem], None] | None) -> Iterator[None]:
    """Tell of a problem with one folder, and let the others be read."""
    try:
        yield
    except FileProblem as problem:
        if on_problem is None:
            raise
        on_problem(problem)


def folders(parent: Path, *, holding: str, named: Callable[[str], bool] = lambda _: True) -> list[Path]:
    """Return the folders in a folder that hold a file, by name ('' for all of them). Raises FileProblem.

    named : which names are looked at. Those with a leading dot are what a crash left half made.
    """
    with translated(parent, "read"):
        return sorted(
            each
            for each in parent.iterdir()
            if not each.name.startswith(".") and named(each.name) and each.is_dir() and (each / holding).exists()
        )


def _identities(folder: Path) -> set[str]:
    unit = guarded(folder / VISIT_FILE, lambda: unit_from_json(_facts(folder)["unit"]))
    return {unit.serial, unit.tag} - {""}


def _facts(path: Path) -> dict[str, Any]:
    file = path / VISIT_FILE
    if not file.exists():
        if (path / PLAN_FILE).exists():  # visit.json is the last file of those that are written before the first sound
            raise FileProblem(f"{path} was broken off before anything was measured: it holds no {VISIT_FILE}")
        raise FileProblem(
            f"{path} holds no {VISIT_FILE}: it is not the folder of a visit; give such a one, records/UNIT/VISIT"
        )
    return versioned(file)


def versioned(file: Path) -> dict[str, Any]:
    """Read one of the record's JSON objects. Raises FileProblem: foreign, or of a newer version."""
    data = read_json(file)
    version = version_of(data)
    if version is None:
        raise FileProblem(f"{file} is not part of a record: the key 'record' with a version is missing")
    if newer := newer_words(version):
        raise FileProblem(f"{file} {newer}")
    return dict(data)


def version_of(data: Any) -> int | None:
    """Return the version that a JSON object of a record tells; None when it tells none."""
    version = data.get("record") if isinstance(data, dict) else None
    return version if isinstance(version, int) and not isinstance(version, bool) else None


def newer_words(version: int) -> str:
    """Return what to say of a version that this program can't read; '' when it can."""
    if version <= RECORD_VERSION:
        return ""
    return f"was written by a newer audiomeas (record version {version}): update to read it"


def guarded(file: Path, read: Callable[[], Read]) -> Read:
    """Turn what a wrong value in a file raises into an error that names the file."""
    try:
        return read()
    except FileProblem:
        raise
    except (KeyError, TypeError, ValueError, OverflowError, AttributeError, RequestError) as error:
        what = f"the key {error} is missing" if isinstance(error, KeyError) else str(error)
        raise FileProblem(f"{file} is damaged: {what}") from None


def _visit(
    path: Path, facts: dict[str, Any], events: tuple[dict[str, Any], ...], *, curves: bool, of_step: str | None
) -> Visit:
    folders = [each for each in _step_folders(path) if of_step is None or _name_of(each) == of_step]
    steps = [_step(folder, events, curves=curves) for folder in folders]
    newest = {step.name: step for step in steps}  # names are unique in a plan: a later one is another try
    return Visit(
        path=path,
        unit=unit_from_json(facts["unit"]),
        stage=str(facts["stage"]),
        opened_at=datetime.fromisoformat(facts["opened_at"]),
        version=str(facts["audiomeas"]),
        simulated=bool(facts["simulated"]),
        plan_title=str(facts["plan"]["title"]),
        plan_text=read_text(path / PLAN_FILE),
        planned_steps=tuple(str(name) for name in facts["plan"]["steps"]),
        bench=dict(facts["bench"]),
        hashes=dict(facts["hashes"]),
        warnings=tuple(str(line) for line in facts["warnings"]),
        facts=facts,
        journal=events,
        finished=_ending(events) == "finished",
        first_look=_first_look(path),
        steps=tuple(step for step in steps if newest[step.name] is step),
        broken_off=tuple(step for step in steps if newest[step.name] is not step),
    )


def _ending(events: tuple[dict[str, Any], ...]) -> str:
    """Return how a visit ended; '' when the journal tells of no end. What failed after 'finished' takes it back."""
    ends = [str(event["event"]) for event in events if event["event"] in ("finished", "interrupted", "stopped")]
    return ends[-1] if ends else ""


def _first_look(path: Path) -> dict[str, Any] | None:
    """Return what the last first look told: each time that a visit is taken up there is one."""
    looks = [path / name / FIRST_LOOK_FILE for name in look_folders(path)]
    there = [file for file in looks if file.exists()]
    return versioned(there[-1]) if there else None


def look_folders(path: Path) -> list[str]:
    """Return the names of the folders of a visit's first looks, oldest first."""
    found = [each.name for each in path.glob(f"{FIRST_LOOK_FOLDER}*") if each.is_dir()]
    return sorted(found, key=lambda name: (len(name), name))


def _step_folders(path: Path) -> list[Path]:
    found = [each for each in path.iterdir() if (each / STEP_FILE).is_file()]
    return sorted(found, key=lambda each: (len(each.name.partition("-")[0]), each.name))  # 99-… stands before 100-…


def _name_of(folder: Path) -> str:
    return str(versioned(folder / STEP_FILE)["name"])


def _step(folder: Path, events: tuple[dict[str, Any], ...], *, curves: bool) -> StepRecord:
    facts = versioned(folder / STEP_FILE)
    figures = folder / FIGURES_FILE
    status, reason = _outcome(folder.name, events)
    return guarded(
        folder / STEP_FILE,
        lambda: StepRecord(
            number=int(facts["number"]),
            name=str(facts["name"]),
            measurement=str(facts["measurement"]),
            conditions=dict(facts["conditions"]),
            folder=folder,
            status=status,
            reason=reason,
            captures=_captures(folder, events),
            result=_result(folder / RESULT_FILE if curves or not figures.exists() else figures),
            verdicts=_verdicts(folder / VERDICT_FILE),
        ),
    )


def _outcome(folder: str, events: tuple[dict[str, Any], ...]) -> tuple[Status, str]:
    """Return what the journal says last of a step."""
    last: Mapping[str, Any] = {}
    for event in events:
        if event.get("step") == folder and event["event"] in _STATUS:
            last = event
    return _STATUS.get(last.get("event", ""), "broken off"), str(last.get("reason", ""))


def _captures(folder: Path, events: tuple[dict[str, Any], ...]) -> tuple[Path, ...]:
    """Return the captures in the order they were made; one that a crash left out of the journal comes last."""
    told = [str(event.get("file")) for event in events if event["event"] == "captured"]
    there = [each for each in folder.iterdir() if each.suffix in AUDIO and not each.name.startswith(".")]
    order = {name: place for place, name in enumerate(told)}
    return tuple(sorted(there, key=lambda each: (order.get(f"{folder.name}/{each.name}", len(order)), each.name)))


def _result(file: Path) -> Result | None:
    if not file.exists():
        return None
    data = read_json(file)
    return guarded(file, lambda: result_from_json(data))


def _verdicts(file: Path) -> tuple[Verdict, ...]:
    if not file.exists():
        return ()
    data = versioned(file)
    return guarded(file, lambda: tuple(verdict_from_json(row) for row in data["rows"]))
