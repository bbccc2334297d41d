"""The folder of a unit: found by what a person writes, made when it is new, never shared by two units.

RECORDS/demo-amplifier-a-serial-d-0001-1f0c…/
    unit.json         the unit's true name
    logbook.jsonl     what was done and noted outside of visits (`logbook`)
    attachments/      photos and papers
    2026-11-25T074738Z-as-found/ …   its visits (`visit`)
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import translated, write_new_json
from audiomeas.record.unit import HOW_TO_WRITE, Unit, folder_name, may_hold, parse_unit, unit_from_json
from audiomeas.record.visit import RECORD_VERSION, folders, guarded, versioned
from audiomeas.tomlfile import nearest

UNIT_FILE = "unit.json"
LOGBOOK_FILE = "logbook.jsonl"
ATTACHMENTS_FOLDER = "attachments"


@dataclass(frozen=True, kw_only=True)
class UnitFolder:
    """A unit and the folder that it has, or would have. known : it is there."""

    unit: Unit
    path: Path
    known: bool


def read_unit(folder: Path) -> Unit:
    """Return the unit whose folder this is. Raises FileProblem: missing, damaged, of a newer version."""
    file = folder / UNIT_FILE
    return guarded(file, lambda: unit_from_json(versioned(file)["unit"]))


def units_in(
    records: Path, *, known_as: Iterable[str] = (), on_problem: Callable[[FileProblem], None] | None = None
) -> Iterator[UnitFolder]:
    """Yield the units of a records folder, by the name of their folder. Nothing is yielded where there is no folder.

    known_as : only those that may have one of these serial numbers and tags, by the name of their folder: an archive's
    thousands are not read for one of them. Empty: all units.
    on_problem : is told of each that can't be read, which is then left out; without it the first one raises.
    Raises FileProblem.
    """
    if not _there(records):
        return
    wanted = tuple(known_as) or ("",)
    for folder in folders(records, holding=UNIT_FILE, named=lambda name: any(may_hold(name, one) for one in wanted)):
        try:
            yield UnitFolder(unit=read_unit(folder), path=folder, known=True)
        except FileProblem as problem:
            if on_problem is None:
                raise
            on_problem(problem)


def folder_of(records: Path, unit: Unit) -> UnitFolder:
    """Return the folder that a unit has or would have. Raises FileProblem when another unit stands in it."""
    path = records / folder_name(unit.name)
    if not _there(path / UNIT_FILE):
        return UnitFolder(unit=unit, path=path, known=False)
    owner = read_unit(path)
    if owner.name != unit.name:
        raise FileProblem(f"{path} belongs to another unit ({owner.name}): use another records folder")
    return UnitFolder(unit=unit, path=path, known=True)


def made_folder(records: Path, unit: Unit, *, other_unit: bool = False) -> Path:
    """Return a unit's folder, made when it is new. It holds the true name, so that no other unit can move in.

    Raises FileProblem (read-only, another unit in it) and RequestError (`refuse_namesakes`).
    """
    refuse_namesakes(records, unit, other_unit=other_unit)
    found = folder_of(records, unit)
    if found.known:
        return found.path
    with translated(found.path, "write"):
        found.path.mkdir(parents=True, exist_ok=True)
    try:
        write_new_json(found.path / UNIT_FILE, {"record": RECORD_VERSION, "unit": unit.as_json()})
    except FileProblem:
        if not folder_of(records, unit).known:  # else another program was as fast
            raise
    return found.path


def namesakes(records: Path, unit: Unit) -> tuple[UnitFolder, ...]:
    """Return the other units with this serial number or tag, when this unit is new: is it one of them? Nobody knows.

    Capitals, spaces and hyphens don't tell serial numbers apart: 'd 0001' and 'D-0001' are one. What can't be read is
    left out. Raises FileProblem.
    """
    with contextlib.suppress(FileProblem):  # what stands in its own folder is for those to tell who use it
        if folder_of(records, unit).known:
            return ()
    # A tag stands in a folder's name only where there is no serial number.
    identities = () if unit.tag else (unit.serial,)
    there = units_in(records, known_as=identities, on_problem=lambda _: None)
    return tuple(each for each in there if each.unit.name != unit.name and _same_identity(each.unit, unit))


def refuse_namesakes(records: Path, unit: Unit, *, other_unit: bool) -> None:
    """Raise RequestError for a new unit whose serial number or tag another one has, unless it is said to be another."""
    if other_unit:
        return
    if found := namesakes(records, unit):
        raise RequestError(
            f"{identity_words(unit)} is known already: {named(found)}; write the unit as it stands there, or, if "
            "this is another one, say so (--other-unit)"
        )


def identity_words(unit: Unit) -> str:
    """Return 'serial D-0001' or 'tag 12'."""
    return f"serial {unit.serial}" if unit.serial else f"tag {unit.tag}"


def named(found: tuple[UnitFolder, ...]) -> str:
    """Return the names of units, with their folders."""
    return "; ".join(f"{each.unit.name!r} ({each.path})" for each in found)


def find_unit(records: Path, text: str) -> UnitFolder:
    """Return the unit that a person means: by its folder, its whole name, or its serial number or tag alone.

    A whole name may be that of a new unit (`known` is False). Raises RequestError: none or several have this serial
    number; FileProblem.
    """
    if _names_a_folder(text):
        return UnitFolder(unit=read_unit(Path(text)), path=Path(text), known=True)
    if (unit := whole_name(text)) is not None:
        return folder_of(records, unit)
    found, there, problems = _searched(records, text)
    if len(found) == 1:
        return found[0]
    if found:
        raise RequestError(f"{len(found)} units have the serial or tag {text!r}: {named(found)}; write the whole name")
    if problems:  # it may be the unit that is meant
        raise RequestError(f"no unit that can be read has the serial or tag {text!r}; {'; '.join(map(str, problems))}")
    known = sorted(each.unit.serial or each.unit.tag for each in there)
    raise RequestError(f"no unit in {records} has the serial or tag {text!r}{nearest(text, known)}; {HOW_TO_WRITE}")


def unit_meant(records: Path, text: str, *, kind: str = "") -> Unit:
    """Return the unit of a visit that begins: named in full or, where it is known, by its serial number or tag alone.

    Raises RequestError that says what to write.
    """
    try:
        return parse_unit(text, kind=kind)
    except RequestError:
        if not _searched(records, text)[0]:
            raise
    found = find_unit(records, text).unit
    return replace(found, kind=kind or found.kind)


def _searched(records: Path, text: str) -> tuple[tuple[UnitFolder, ...], tuple[UnitFolder, ...], list[FileProblem]]:
    """Return the units with this serial number or tag; where there are none, also all units, and what can't be read."""
    problems: list[FileProblem] = []
    if found := _known_as(text, units_in(records, known_as=(text,), on_problem=lambda _: None)):
        return found, (), problems
    # A tag stands in a folder's name only where there is no serial number.
    there = tuple(units_in(records, on_problem=problems.append))
    return _known_as(text, there), there, problems


def _known_as(text: str, there: Iterable[UnitFolder]) -> tuple[UnitFolder, ...]:
    return tuple(each for each in there if _plain(text) in _identities(each.unit))


def whole_name(text: str) -> Unit | None:
    """Return the unit that a text names in full; None when it is a serial number, a tag or a folder."""
    with contextlib.suppress(RequestError):
        return None if _names_a_folder(text) else parse_unit(text)
    return None


def _names_a_folder(text: str) -> bool:
    try:
        return bool(text) and _there(Path(text) / UNIT_FILE)
    except FileProblem:  # a text that can be no path
        return False


def _there(path: Path) -> bool:
    with translated(path, "read"):
        return path.exists()


def _plain(identity: str) -> str:
    """Return the letters and digits of a serial number, small; where it has none, its signs."""
    small = "".join(identity.split()).casefold()
    return "".join(filter(str.isalnum, small)) or small


def _identities(unit: Unit) -> set[str]:
    return {_plain(unit.serial), _plain(unit.tag)} - {""}


def _same_identity(one: Unit, other: Unit) -> bool:
    pairs = ((one.serial, other.serial), (one.tag, other.tag))
    return any(first and _plain(first) == _plain(second) for first, second in pairs)
