"""What work on a unit means for what was measured before: which results no longer hold, and what to measure again.

A visit itself never changes. What was written into the unit's logbook after a step was measured tells of it later.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from audiomeas.errors import FileProblem
from audiomeas.record import chain
from audiomeas.record.entry import Correction, Entry, Withdrawal, Work, entry_of
from audiomeas.record.stage import stay_in
from audiomeas.record.unit_folder import LOGBOOK_FILE
from audiomeas.record.verdict_row import Word
from audiomeas.record.visit import VISIT_FILE, StepRecord, Visit, folders, read_visit


@dataclass(frozen=True, kw_only=True)
class VoidStep:
    """A step whose result no longer holds. since : the work in the logbook that voided it first."""

    visit: Path
    step: str
    measurement: str
    since: Entry

    def as_json(self) -> dict[str, Any]:
        """Return its JSON object."""
        return {
            "visit": self.visit.name,
            "step": self.step,
            "measurement": self.measurement,
            "since": self.since.as_json()["at"],
            "entry": self.since.number,
        }


@dataclass(frozen=True, kw_only=True)
class Later:
    """What came into a unit's logbook after a visit. problem : why that is not known; '' when it is."""

    void: tuple[VoidStep, ...] = ()
    corrections: tuple[Entry, ...] = ()
    problem: str = ""

    def __bool__(self) -> bool:
        return bool(self.void or self.corrections or self.problem)


@dataclass(frozen=True, kw_only=True)
class Standing:
    """How a unit stands. void : steps that no longer hold, oldest visit first.

    measure_again : names of steps of the present stay whose newest result is void.
    """

    void: tuple[VoidStep, ...]
    measure_again: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Return its JSON object."""
        return {"void": [each.as_json() for each in self.void], "measure_again": list(self.measure_again)}


def read_entries(unit_folder: Path, *, on_problem: Callable[[FileProblem], None] | None = None) -> tuple[Entry, ...]:
    """Return a unit's logbook, oldest line first.

    on_problem : is told of each line that was changed, is damaged or of a newer version; what can be read of the
    others is returned. Without it the first one raises FileProblem.
    """
    file = unit_folder / LOGBOOK_FILE
    tell = on_problem or _raised
    logbook = chain.checked(file)
    for problem in logbook.problems:
        tell(FileProblem(problem))
    entries = []
    for line in logbook.lines:
        try:
            entries.append(entry_of(line, str(file)))
        except FileProblem as problem:
            tell(problem)
    return tuple(entries)


def counting(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """Return the entries that were not withdrawn by a later one."""
    there = tuple(entries)
    withdrawn = {each.content.entry for each in there if isinstance(each.content, Withdrawal)}
    return tuple(each for each in there if each.number not in withdrawn)


def _raised(problem: FileProblem) -> None:
    raise problem


def later_of(visit: Visit) -> Later:
    """Return what the logbook of a visit's unit says of it. A logbook that was damaged spares the visit."""
    problems: list[FileProblem] = []
    entries: tuple[Entry, ...] = ()
    path = visit.path.resolve()  # '.' has no parent and no name
    try:
        entries = read_entries(path.parent, on_problem=problems.append)
    except FileProblem as problem:  # it can't be read at all
        problems.append(problem)
    corrections = (each for each in counting(entries) if isinstance(each.content, Correction))
    return Later(
        void=void_steps(visit, entries),
        corrections=tuple(each for each in corrections if _visit_of(each) == path.name),
        problem=str(problems[0]) if problems else "",
    )


def verdict_since(visit: Visit, later: Later) -> Word | None:
    """Return a visit's verdict as it stands now: no pass rests on what was voided or corrected since."""
    gone = {each.step for each in later.void}
    gone |= {each.content.step for each in later.corrections if isinstance(each.content, Correction)}
    doubted = bool(later.problem) or any(row.step in gone for row in visit.verdicts)
    return "undecided" if doubted and visit.verdict == "pass" else visit.verdict


def _visit_of(entry: Entry) -> str:
    return entry.content.visit if isinstance(entry.content, Correction) else ""


def standing(unit_folder: Path, *, on_problem: Callable[[FileProblem], None] | None = None) -> Standing:
    """Return which results of a unit no longer hold, and which to measure again.

    on_problem : is told of each visit and each line of the logbook that can't be read, which is then left out; without
    it the first one raises FileProblem.
    """
    entries = read_entries(unit_folder, on_problem=on_problem)
    visits = list(visits_of(unit_folder, on_problem=on_problem, curves=False))
    void = tuple(each for visit in visits for each in void_steps(visit, entries))
    return Standing(void=void, measure_again=tuple(_again(visits, void)))


def visits_of(
    unit_folder: Path, *, on_problem: Callable[[FileProblem], None] | None = None, curves: bool = True
) -> Iterable[Visit]:
    """Yield a unit's visits, oldest first. curves : as in `read_visit`. Raises FileProblem."""
    found = []
    for path in folders(unit_folder, holding=VISIT_FILE):
        try:
            found.append(read_visit(path, hash_audio=False, curves=curves))
        except FileProblem as problem:
            if on_problem is None:
                raise
            on_problem(problem)
    return sorted(found, key=lambda visit: (visit.opened_at, str(visit.path)))


def _again(visits: Sequence[Visit], void: Sequence[VoidStep]) -> Iterable[str]:
    """Yield the planned steps of the present stay whose newest result is void, in the order of the work."""
    present = max((stay_in(visit.facts) for visit in visits), default=0)
    no_longer = {(each.visit, each.step) for each in void}
    holds: dict[str, bool] = {}
    for visit in visits:
        for step in visit.steps:
            if stay_in(visit.facts) == present and step.result is not None and step.name in visit.planned_steps:
                holds[step.name] = (visit.path, step.name) not in no_longer
    return (name for name, held in holds.items() if not held)


def void_steps(visit: Visit, entries: Iterable[Entry]) -> tuple[VoidStep, ...]:
    """Return the steps of a visit that work of these entries has voided since, each with the first such work."""
    known = lines_at_opening(visit)
    work = [each for each in counting(entries) if isinstance(each.content, Work) and each.number > known]
    found = []
    for step in visit.steps:
        since = next((each for each in work if step.result is not None and _voids(each, visit, step)), None)
        if since is not None:
            found.append(VoidStep(visit=visit.path, step=step.name, measurement=step.measurement, since=since))
    return tuple(found)


def lines_at_opening(visit: Visit) -> int:
    """Return how many lines the logbook had when a visit was opened: what stood there came before it."""
    head = visit.facts.get("logbook")
    lines = head.get("lines") if isinstance(head, dict) else None
    return lines if isinstance(lines, int) else 0


def _voids(entry: Entry, visit: Visit, step: StepRecord) -> bool:
    """Return whether work voids a step: it came after the step's end, and names it (or everything).

    In the same second the step counts as the earlier one. Work that was written down after the visit was opened with a
    time before it tells of a clock that was set: then the step counts as the earlier one too.
    """
    assert isinstance(entry.content, Work)
    after = entry.at >= _ended(visit, step) or (lines_known(visit) and entry.at < visit.opened_at)
    return after and names_step(entry.content.voids, step)


def lines_known(visit: Visit) -> bool:
    """Return whether a visit tells how long the logbook was when it was opened: older ones don't."""
    return isinstance(visit.facts.get("logbook"), dict)


def _ended(visit: Visit, step: StepRecord) -> datetime:
    """Return when a step was finished; when the visit was opened, where its journal doesn't tell."""
    times = [event.get("at") for event in visit.journal if event.get("step") == step.folder.name]
    try:
        return datetime.fromisoformat(str(times[-1])) if times else visit.opened_at
    except ValueError:
        return visit.opened_at


def names_step(voids: Iterable[str] | None, step: StepRecord) -> bool:
    """Return whether a step is among those that work voids: by its name or by its measurement's word."""
    if voids is None:
        return True
    named = {each.casefold() for each in voids}
    return step.name.casefold() in named or step.measurement.casefold() in named
