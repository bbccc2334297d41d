"""The stages of a visit, and the stays: all visits between buying and selling. A stage seals what came before it.

A stage that has begun closes the visits before it for good: one that was broken off gets its ending and its checksums.
So nobody can add to what was found before the work began.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import translated
from audiomeas.record import journal
from audiomeas.record.checksums import CHECKSUM_FILE, refuse_unlisted, write_checksums
from audiomeas.record.lock import Held, hold
from audiomeas.record.visit import FIRST_STAY, VISIT_FILE, folders, versioned
from audiomeas.tomlfile import nearest

#: In the order of the work.
STAGES = ("as-found", "as-left", "after-run-in", "return")
SEALED_EVENT = "sealed"


def checked_stage(stage: str) -> str:
    """Return a stage that is known. Raises RequestError with the nearest valid word."""
    if stage not in STAGES:
        raise RequestError(f"unknown stage {stage!r}{nearest(stage, list(STAGES))}; known: {', '.join(STAGES)}")
    return stage


def stay_of(unit_folder: Path, stage: str, *, new_stay: bool = False) -> int:
    """Return the number of the stay that a visit of this stage would belong to. Raises RequestError, FileProblem.

    new_stay : the unit was sold and bought again.   Refused: as found, after the work of the same stay has begun; a
    stage that would seal a visit which another program is still making.
    """
    there = list(_visits(unit_folder))
    latest = max((stay for _, _, stay in there), default=FIRST_STAY)
    if new_stay and there:
        latest += 1
    later = [path for path, other, stay in there if stay == latest and _place(other) > _place(STAGES[0])]
    if stage == STAGES[0] and later:
        raise RequestError(
            f"{stage} is over: {later[-1]} came later in the same stay; name the stage (--stage), or, if the unit was "
            "sold and bought again, begin another stay (--new-stay)"
        )
    for path in _open(there, stage, latest):
        if (path / journal.NAME).exists():
            _held(path).release()
    return latest


def seal_earlier(unit_folder: Path, stage: str, stay: int) -> None:
    """Close the visits that are over once a visit of this stage begins. Raises RequestError, FileProblem."""
    for path in _open(list(_visits(unit_folder)), stage, stay):
        refuse_unlisted(path)
        file = path / journal.NAME
        cut_off = journal.mend(file) if file.exists() else ""
        reason = f"the stage {stage} began"
        journal.append(file, SEALED_EVENT, reason=reason, **({"cut_off": cut_off} if cut_off else {}))
        write_checksums(path)


def refuse_over(visit: Path) -> None:
    """Raise RequestError when a later stage or stay of the unit has begun: then nothing is added to a visit any more.

    Raises FileProblem.
    """
    there = {path.name: (stay, _place(stage), path) for path, stage, stay in _visits(visit.resolve().parent)}
    own = there.get(visit.resolve().name, (0, 0, visit))
    if later := max((each for each in there.values() if each[:2] > own[:2]), default=None):
        raise RequestError(f"{visit} is over: {later[-1]} began a later stage; begin another visit")


_Found = tuple[Path, str, int]


def _visits(unit_folder: Path) -> Iterator[_Found]:
    """Yield folder, stage and stay of each visit; what can't be read is for `verify` to tell."""
    with translated(unit_folder, "read"):
        if not unit_folder.exists():
            return
    for path in folders(unit_folder, holding=VISIT_FILE):
        with contextlib.suppress(FileProblem, KeyError):
            facts = versioned(path / VISIT_FILE)
            yield path, str(facts["stage"]), stay_in(facts)


def stay_in(facts: Mapping[str, Any]) -> int:
    """Return the stay that a visit's facts tell; the first one, where there are none."""
    stay = facts.get("stay", FIRST_STAY)
    return stay if isinstance(stay, int) and not isinstance(stay, bool) and stay >= FIRST_STAY else FIRST_STAY


def _place(stage: str) -> int:
    return STAGES.index(stage) if stage in STAGES else 0


def _open(there: list[_Found], stage: str, stay: int) -> list[Path]:
    """Return the visits before a stage that have no checksums yet."""
    before = [path for path, other, its in there if (its, _place(other)) < (stay, _place(stage))]
    return [path for path in before if not (path / CHECKSUM_FILE).exists()]


def _held(path: Path) -> Held:
    held = hold(path / journal.NAME)
    if held is None:
        raise RequestError(f"{path} is still being made by another program: end that one first")
    return held
