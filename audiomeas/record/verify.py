"""Proof that nothing of a record changed: checksums, journals, verdicts of visits, logbooks, attachments, batches."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import sha256_of, translated
from audiomeas.record import chain, journal
from audiomeas.record.batches import BATCHES_FOLDER, batch_folders, batch_notes, batch_problems, is_batch
from audiomeas.record.checksums import CHECKSUM_FILE, differences
from audiomeas.record.entry import Attachment, Correction, entry_of
from audiomeas.record.unit import Unit
from audiomeas.record.unit_folder import ATTACHMENTS_FOLDER, LOGBOOK_FILE, UNIT_FILE, read_unit
from audiomeas.record.visit import VISIT_FILE, Visit, folders, read_visit

Progress = Callable[[str, float], None]


@dataclass(frozen=True, kw_only=True)
class Verified:
    """What a proof came to.

    problems : one line each: file, and what of it is not as it was.   notes : what is no damage, but proves nothing
    either: a visit that was never closed, a file that no line of a logbook tells of.
    """

    units: int
    visits: int
    entries: int
    problems: tuple[str, ...]
    notes: tuple[str, ...]
    batches: int = 0

    @property
    def unchanged(self) -> bool:
        """Nothing was changed, lost or added."""
        return not self.problems

    def words(self) -> str:
        """Return the outcome in one line."""
        checked = _counted(self.visits, "visit", "visits")
        if self.units:
            entries = _counted(self.entries, "logbook entry", "logbook entries")
            checked = f"{checked} of {_counted(self.units, 'unit', 'units')}, {entries}"
        if self.batches:
            checked = f"{checked}, {_counted(self.batches, 'batch', 'batches')}"
        if self.unchanged:
            return f"{checked}: nothing changed"
        return f"{checked}: {_counted(len(self.problems), 'thing is', 'things are')} not as before"

    def as_json(self) -> dict[str, Any]:
        """Return it as one JSON object."""
        return {**asdict(self), "unchanged": self.unchanged}


def _counted(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


@dataclass(kw_only=True)
class _Found:
    """What is being counted and gathered on the way."""

    units: int = 0
    visits: int = 0
    entries: int = 0
    batches: int = 0
    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def verify(*records: Path | str, progress: Progress | None = None) -> Verified:
    """Hold records against their own checksums; what `audiomeas record verify` does. Nothing is written.

    records : folders of records, of units, of visits or of batches; none: 'records'.
    Raises FileProblem and RequestError only for a folder that is missing or holds no record.
    """
    found = _Found()
    work = [each for folder in (records or ("records",)) for each in _parts(Path(folder), found)]
    for place, (path, check) in enumerate(work):
        if progress is not None:
            progress(path.name, place / len(work))
        try:
            check(path, found)
        except FileProblem as problem:
            found.problems.append(str(problem))
    if progress is not None:
        progress("records", 1.0)
    return Verified(
        units=found.units,
        visits=found.visits,
        entries=found.entries,
        problems=tuple(dict.fromkeys(found.problems)),
        notes=tuple(dict.fromkeys(found.notes)),
        batches=found.batches,
    )


_Part = tuple[Path, Callable[[Path, _Found], None]]


def _parts(folder: Path, found: _Found) -> Iterator[_Part]:
    """Yield what is to be checked in a folder: units, visits and batches. Raises FileProblem, RequestError."""
    with translated(folder, "read"):
        if not folder.is_dir():
            raise FileProblem(f"{folder} was not found, or is no folder: name one of records, of a unit or of a visit")
    if is_batch(folder):
        yield folder, _batch
        return
    if _is_visit(folder):
        yield folder, _visit
        return
    units = [folder] if _is_unit(folder) else [each for each in folders(folder, holding="") if _is_unit(each)]
    batches = batch_folders(folder)
    if not units and not batches:
        raise RequestError(f"{folder} holds no record: name a folder of records, of a unit or of a visit")
    for unit in units:
        yield unit, _unit
        for visit in folders(unit, holding=""):
            if visit.name != ATTACHMENTS_FOLDER:
                yield visit, _visit
    for batch in batches:
        yield batch, _batch


def _is_unit(folder: Path) -> bool:
    """Return whether a folder is a unit's, also when its own file was lost."""
    if folder.name == BATCHES_FOLDER:
        return False
    names = (UNIT_FILE, LOGBOOK_FILE, ATTACHMENTS_FOLDER, f"*/{VISIT_FILE}", f"*/{CHECKSUM_FILE}")
    with translated(folder, "read"):
        return any(next(folder.glob(name), None) is not None for name in names)


def _is_visit(folder: Path) -> bool:
    """Return whether a folder is a visit's, also when one of its own files was lost."""
    with translated(folder, "read"):
        return any((folder / name).exists() for name in (VISIT_FILE, CHECKSUM_FILE, journal.NAME))


def _batch(path: Path, found: _Found) -> None:
    found.batches += 1
    found.notes += batch_notes(path)
    found.problems += batch_problems(path)


# ---------------------------------------------------------------- a visit


def _visit(path: Path, found: _Found) -> None:
    if not _is_visit(path):
        found.notes.append(f"{path} was broken off before anything was measured, or is no visit")
        return
    found.visits += 1
    changed = list(differences(path, closed=False))
    try:
        visit = read_visit(path, hash_audio=False)
    except FileProblem as problem:
        # A file that was changed tells of itself; what can't be read because of it needs no second line.
        found.problems += changed or [str(problem)]
        return
    found.problems += changed or filter(None, [visit.damage])
    if not visit.finished and not (path / CHECKSUM_FILE).exists():
        found.notes.append(f"{path} was never closed (broken off, or still going on): it has no checksums yet")
    _against_its_unit(visit, found)
    _against_the_logbook(visit, found)


def _against_its_unit(visit: Visit, found: _Found) -> None:
    folder = visit.path.resolve().parent
    if (folder / UNIT_FILE).exists() and (owner := _owner(folder)) is not None and owner.name != visit.unit.name:
        found.problems.append(f"{visit.path} is a visit of {visit.unit.name!r}, and stands in the folder of {owner}")


def _owner(folder: Path) -> Unit | None:
    try:
        return read_unit(folder)
    except FileProblem:  # told where the unit is checked
        return None


def _against_the_logbook(visit: Visit, found: _Found) -> None:
    """Hold the logbook against how it stood when the visit was opened: lines at its end can't be missing since."""
    head = visit.facts.get("logbook")
    if not isinstance(head, dict) or not head.get("lines"):
        return
    path, number = visit.path.resolve(), head["lines"]
    file = path.parent / LOGBOOK_FILE
    known = isinstance(number, int) and chain.sha256_of_line(file, number) == head.get("sha256")
    if not known:
        found.problems.append(f"{file}: line {number} is missing or was changed: {path.name} was opened after it")


# ---------------------------------------------------------------- a unit


def _unit(path: Path, found: _Found) -> None:
    found.units += 1
    try:
        read_unit(path)
    except FileProblem as problem:
        found.problems.append(str(problem))
    file = path / LOGBOOK_FILE
    logbook = chain.checked(file)
    found.entries += len(logbook.lines)
    found.problems += logbook.problems
    found.notes += logbook.notes
    attached: dict[str, str] = {}
    for line in logbook.lines:
        try:
            content = entry_of(line, str(file)).content
        except FileProblem as problem:
            found.problems.append(str(problem))
            continue
        if isinstance(content, Attachment):
            attached[Path(content.file).name] = content.sha256
        if isinstance(content, Correction) and not (path / content.visit).is_dir():
            found.problems.append(f"{file}, line {line.number}: the visit {content.visit} is missing")
    found.problems += _attachments(path / ATTACHMENTS_FOLDER, attached, found)


def _attachments(folder: Path, told: dict[str, str], found: _Found) -> Iterator[str]:
    """Yield what of the attached files is not as the logbook tells; notes tell of a file that it doesn't know."""
    with translated(folder, "read"):
        there = sorted(each for each in folder.iterdir() if not each.name.startswith(".")) if folder.exists() else []
    for name, digest in told.items():
        file = folder / name
        if file not in there:
            yield f"{file} is missing"
        elif not file.is_file() or sha256_of(file) != digest:
            yield f"{file} is not as it was when it was attached"
    for file in there:
        if file.name not in told:
            found.notes.append(f"{file} stands there without a line in the logbook")
