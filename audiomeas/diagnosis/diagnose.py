"""What `audiomeas diagnose` does: reads a visit, holds its facts against the pictures, and tells what they fit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from audiomeas.diagnosis.evidence import Evidence, Measured
from audiomeas.diagnosis.facts import Holds
from audiomeas.diagnosis.judge import Judged, judge
from audiomeas.errors import RequestError
from audiomeas.record.archive import is_visit, known_unit, place_of
from audiomeas.record.visit import Visit, read_visit
from audiomeas.record.void import Later, later_of, visits_of


@dataclass(frozen=True, kw_only=True)
class Diagnosis:
    """What a visit is consistent with. notes : what of the visit was left out, and why."""

    visit: Visit
    against: Visit | None
    judged: tuple[Judged, ...]
    notes: tuple[str, ...]

    @property
    def simulated(self) -> bool:
        """The visit, or that which it is held against, was made on the simulated bench."""
        return self.visit.simulated or (self.against is not None and self.against.simulated)

    def of(self, holds: Holds | None) -> tuple[Judged, ...]:
        """Return the pictures with one outcome."""
        return tuple(one for one in self.judged if one.holds == holds)

    def as_json(self) -> dict[str, Any]:
        """Return the diagnosis as one JSON object."""
        return {
            "simulated": self.simulated,
            "record": str(self.visit.path),
            "unit": self.visit.unit.as_json(),
            "stage": self.visit.stage,
            "against": None if self.against is None else str(self.against.path),
            "pictures": [one.as_json() for one in self.judged],
            "notes": list(self.notes),
        }


def diagnose(
    record: Visit | Path | str, against: Visit | Path | str | None = None, *, records: Path | str = "records"
) -> Diagnosis:
    """Return which failure pictures a visit's facts fit; what `audiomeas diagnose` does.

    record : a visit, or its folder; or a unit (serial number, tag, name or folder): its newest visit.
    against : another one that is the reference, beside the other channel: the unit as it was left, or another unit of
    its model; its steps count where they have the same names.   records : where units are looked for.
    Raises RequestError: a visit against itself, or simulated against real; FileProblem: no visit, or one that changed.
    """
    visit = _read(record, records)
    reference = None if against is None else _read(against, records)
    if reference is not None:
        _refuse_unlike(visit, reference)
    found, notes = evidence_of(visit)
    if reference is not None:
        others, other_notes = evidence_of(reference)
        found, notes = replace(found, against=others), (*notes, *other_notes)
    return Diagnosis(visit=visit, against=reference, judged=judge(found), notes=notes)


def _read(record: Visit | Path | str, records: Path | str) -> Visit:
    if isinstance(record, Visit):
        return record.verified()
    if is_visit(Path(record)):
        return read_visit(Path(record), hash_audio=False).verified()
    unit = known_unit(record, records)
    visits = sorted(visits_of(unit.path), key=place_of)
    if not visits:
        raise RequestError(f"{unit.path} holds no visit to diagnose")
    return visits[-1].verified()


def _refuse_unlike(visit: Visit, reference: Visit) -> None:
    if visit.path.resolve() == reference.path.resolve():
        raise RequestError(f"{visit.path} can't be held against itself: give another visit")
    if visit.simulated != reference.simulated:
        simulated, real = (visit, reference) if visit.simulated else (reference, visit)
        raise RequestError(f"{simulated.path} is SIMULATED and {real.path} is not: they have nothing in common")


def pictures_of(visit: Visit, later: Later) -> tuple[Judged, ...]:
    """Return the pictures that a visit's own facts fit, in the order of the table. later : what came since."""
    found, _ = evidence_of(visit, later)
    return tuple(one for one in judge(found) if one.holds == "yes")


def evidence_of(visit: Visit, later: Later | None = None) -> tuple[Evidence, tuple[str, ...]]:
    """Return a visit's facts, and what of it was left out: what work on the unit voided since tells of another unit.

    later : what came into the unit's logbook since; None: it is read.
    """
    later = later_of(visit) if later is None else later
    void = dict.fromkeys(step.step for step in later.void)
    steps = tuple(
        Measured(step=step.name, result=step.result)
        for step in visit.steps
        if step.result is not None and step.name not in void
    )
    notes = [f"{visit.path.name}: {step} was left out: the unit was worked on since" for step in void]
    notes += [
        f"{visit.path.name}: {step.name} gave no result: {step.reason or step.status}"
        for step in visit.steps
        if step.result is None
    ]
    if later.problem:
        notes.append(later.problem)
    return Evidence(kind=visit.unit.kind.casefold(), steps=steps, first_look=visit.first_look), tuple(notes)
