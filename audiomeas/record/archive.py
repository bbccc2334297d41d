"""An archive of records: all that is kept of one unit, in the order of time, and which two of its visits to compare."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from audiomeas.errors import FileProblem, RequestError
from audiomeas.record.change import Practice
from audiomeas.record.compare import Compared, Comparison, NotCompared, compare_visits
from audiomeas.record.entry import Correction, Entry
from audiomeas.record.stage import STAGES, stay_in
from audiomeas.record.unit import Unit
from audiomeas.record.unit_folder import UnitFolder, find_unit, folder_of
from audiomeas.record.verdict_row import WORDS, Word
from audiomeas.record.visit import VISIT_FILE, Visit, read_visit
from audiomeas.record.void import Later, Standing, later_of, read_entries, standing, verdict_since, visits_of

Say = Callable[[str], None]
#: The stages that come before a unit is sold.
_BEFORE_SOLD, _RETURN = STAGES[:-1], STAGES[-1]


def _quiet(_: str) -> None:
    """Say nothing."""


@dataclass(frozen=True, kw_only=True)
class History:
    """All that is kept of a unit. visits, entries : oldest first.

    standing : which results work on the unit has voided since, and what to measure again.
    verdicts : of each visit as it stands now (`void.verdict_since`); None without limits.
    unreadable : what could not be read, a line each.
    """

    unit: Unit
    path: Path
    visits: tuple[Visit, ...]
    verdicts: tuple[Word | None, ...]
    entries: tuple[Entry, ...]
    standing: Standing
    unreadable: tuple[str, ...] = ()

    @property
    def stays(self) -> tuple[int, ...]:
        """The stay of each visit: all visits between buying and selling are one."""
        return tuple(stay_in(visit.facts) for visit in self.visits)

    def as_json(self) -> dict[str, Any]:
        """Return the history as one JSON object."""
        return {
            "unit": self.unit.as_json(),
            "records": str(self.path),
            "visits": [
                {
                    "record": str(visit.path),
                    "stage": visit.stage,
                    "stay": stay,
                    "opened_at": visit.facts["opened_at"],
                    "simulated": visit.simulated,
                    "audiomeas": visit.version,
                    "plan": visit.plan_title,
                    "finished": visit.finished,
                    "damage": visit.damage,
                    "verdict": verdict,
                    "counts": counts_of(visit),
                }
                for visit, stay, verdict in zip(self.visits, self.stays, self.verdicts, strict=True)
            ],
            "logbook": [entry.as_json() for entry in self.entries],
            **self.standing.as_json(),
            "unreadable": list(self.unreadable),
        }


def place_of(visit: Visit) -> tuple[datetime, int, int]:
    """Return a key of the order of the work: two visits of one second stand by their stages."""
    return visit.opened_at, stay_in(visit.facts), STAGES.index(visit.stage) if visit.stage in STAGES else 0


def counts_of(visit: Visit) -> dict[str, int]:
    """Return how many rows of a visit passed, failed, and are undecided."""
    return {word: sum(row.verdict == word for row in visit.verdicts) for word in WORDS}


def known_unit(unit: Unit | str | Path, records: Path | str) -> UnitFolder:
    """Return the folder of a unit that has one. Raises RequestError (unknown, or several of this serial number)."""
    found = folder_of(Path(records), unit) if isinstance(unit, Unit) else find_unit(Path(records), str(unit))
    if not found.known:
        raise RequestError(f"{records} holds nothing of {found.unit.name!r}: is it the right folder (--records)?")
    return found


def history(unit: Unit | str | Path, *, records: Path | str = "records", say: Say | None = None) -> History:
    """Return all that is kept of a unit; what `audiomeas history` does.

    unit : its serial number or tag, its whole name, its folder, or a Unit.   say : is told what can't be read, and so
    is left out. The samples of captures are not looked at.
    Raises RequestError (unknown, or several units of this serial number) and FileProblem.
    """
    found = known_unit(unit, records)
    problems: list[str] = []

    def tell(problem: FileProblem) -> None:
        problems.append(str(problem))
        (say or _quiet)(str(problem))

    visits = tuple(sorted(visits_of(found.path, on_problem=tell), key=place_of))
    entries: tuple[Entry, ...] = ()
    stands = Standing(void=(), measure_again=())
    try:
        entries = read_entries(found.path, on_problem=tell)
        stands = standing(found.path, on_problem=lambda _: None)
    except FileProblem as problem:  # it can't be read at all
        tell(problem)
    return History(
        unit=found.unit,
        path=found.path,
        visits=visits,
        verdicts=tuple(verdict_since(visit, later_of(visit)) for visit in visits),
        entries=entries,
        standing=stands,
        unreadable=tuple(problems),
    )


def compare(
    before: Visit | str | Path,
    after: Visit | str | Path | None = None,
    *,
    records: Path | str = "records",
    levels_db: float | None = None,
    residuals_db: float | None = None,
) -> Comparison:
    """Compare two visits; what `audiomeas compare` does.

    before, after : folders of visits (or visits), the earlier one first.   Without `after`, `before` is a unit (serial
    number, tag, name or folder): its newest visit is compared with what it is held against (`pair_of`).
    levels_db, residuals_db : the least change that counts (`Practice`); None: what is usual.
    Raises RequestError and FileProblem.
    """
    practice = _practice(levels_db, residuals_db)
    if after is None and not isinstance(before, Visit) and not is_visit(Path(before)):
        return _as_it_stands(compare_visits(*pair_of(known_unit(before, records)), practice=practice))
    if after is None:
        raise RequestError(f"{before} is one visit: give a second one, or a unit for its newest against an earlier one")
    one, other = (
        each if isinstance(each, Visit) else read_visit(Path(each), hash_audio=False) for each in (before, after)
    )
    return _as_it_stands(compare_visits(one, other, practice=practice))


def _as_it_stands(comparison: Comparison) -> Comparison:
    """Return a comparison with what the logbook says of its visits since: corrected values, and void results."""
    sides = (("before", comparison.before), ("after", comparison.after))
    later = {when: later_of(visit) for when, visit in sides}
    rows, left_out = [], [*comparison.not_compared]
    for row in comparison.rows:
        to = next((f"{when} to {text!r}" for when in later if (text := _corrected(later[when], row))), "")
        if to:
            what = ", ".join(filter(None, (f"channel {row.channel}" if row.channel else "", row.words)))
            left_out.append(NotCompared(step=row.step, what=what, reason=f"corrected {to}"))
        else:
            rows.append(row)
    notes = [
        f"{when}, since work on the unit, no longer holds: {', '.join(dict.fromkeys(each.step for each in found.void))}"
        for when, found in later.items()
        if found.void and when == "after"
    ]
    notes += [found.problem for found in later.values() if found.problem]
    return replace(
        comparison,
        rows=tuple(rows),
        not_compared=tuple(left_out),
        notes=tuple(dict.fromkeys((*comparison.notes, *notes))),
    )


def _corrected(later: Later, row: Compared) -> str:
    """Return to what a figure was corrected since; '' when it was not."""
    for each in later.corrections:
        found = each.content
        if isinstance(found, Correction) and corrects(found, row.step, row.quantity, row.channel):
            return found.to
    return ""


def corrects(correction: Correction, step: str, quantity: str, channel: int) -> bool:
    """Return whether a correction is one of this figure, or of the whole step."""
    of_figure = correction.quantity in ("", quantity)
    return correction.step == step and of_figure and correction.channel in (None, channel)


def _practice(levels_db: float | None, residuals_db: float | None) -> Practice:
    usual = Practice()
    chosen = {
        "levels": usual.levels_db if levels_db is None else levels_db,
        "residuals": usual.residuals_db if residuals_db is None else residuals_db,
    }
    for what, within_db in chosen.items():
        if not 0.0 <= within_db < float("inf"):
            raise RequestError(f"the least change of {what} that counts is a number of dB, not negative: {within_db}")
    return Practice(levels_db=chosen["levels"], residuals_db=chosen["residuals"])


def is_visit(path: Path) -> bool:
    """Return whether a path is the folder of a visit."""
    try:
        return (path / VISIT_FILE).exists()
    except (OSError, ValueError):  # a text that can be no path
        return False


def pair_of(unit: UnitFolder) -> tuple[Visit, Visit]:
    """Return what a unit's newest visit is held against, and that visit.

    A return is held against the unit as it was shipped: the last visit before it was sold. Any other against the
    earliest visit of its stay, as it was found. Raises RequestError: there are no two; FileProblem.
    """
    visits = sorted((visit for visit in visits_of(unit.path) if not visit.damage), key=place_of)
    if not visits:
        raise RequestError(f"{unit.path} holds no visit to compare")
    newest = visits[-1]
    earlier = [visit for visit in visits[:-1] if stay_in(visit.facts) == stay_in(newest.facts)]
    if newest.stage == _RETURN:
        sold = [visit for visit in visits[:-1] if visit.stage in _BEFORE_SOLD]
        if sold:
            return sold[-1], newest
    if not earlier:
        raise RequestError(
            f"{newest.path} is the only visit of its stay: nothing to compare it with; two others can be named"
        )
    return earlier[0], newest
