"""Tables of records for spreadsheets and data-frame libraries (CSV), and all of them as one JSON object.

CSV is that of RFC 4180, in UTF-8: commas, CRLF, quotes doubled, one heading row whose names end in their units. A text
that a spreadsheet would take for a formula gets an apostrophe before it; numbers are plain. What is not known is empty.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import chain
from pathlib import Path
from typing import Any, Literal, get_args

from audiomeas import __version__
from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import refuse_unwritable, write_new
from audiomeas.measurement.result import clean
from audiomeas.record import tidy
from audiomeas.record.archive import known_unit
from audiomeas.record.unit import Unit
from audiomeas.record.unit_folder import UNIT_FILE
from audiomeas.record.visit import VISIT_FILE, Visit, folders, read_visit, refuse_inside_a_record
from audiomeas.record.void import later_of, read_entries, visits_of
from audiomeas.record.workers import checked_workers, mapped, parted, processors
from audiomeas.tomlfile import nearest

Table = Literal["values", "limits", "visits", "wide", "points"]
TABLES: tuple[Table, ...] = get_args(Table)
#: Tables whose columns are the same for all records: their text can be made piece by piece.
_COLUMNS: dict[str, tuple[str, ...]] = {
    "values": tidy.VALUE_COLUMNS,
    "limits": tidy.LIMIT_COLUMNS,
    "visits": tidy.SUMMARY_COLUMNS,
}
CSV, JSON = ".csv", ".json"
#: What spreadsheets take for the beginning of a formula (also in their full-width forms), or of a command.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
#: With fewer units than this another process costs more than it saves.
_FEW_UNITS = 50
#: So many pieces of work for each process: enough to keep all busy from the first one on to the end.
_PIECES = 32

Say = Callable[[str], None]
Progress = Callable[[str, float], None]


@dataclass(frozen=True, kw_only=True)
class Exported:
    """What an export wrote. visits : how many are in it.  left_out : what could not be read, a line each."""

    file: Path
    visits: int
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Piece:
    """What one piece of work gave: text of fixed columns or JSON, or rows whose columns are not known beforehand."""

    text: str
    rows: list[dict[str, tidy.Cell]]
    visits: int
    problems: list[str]


def export(
    file: Path | str,
    *,
    records: Path | str = "records",
    unit: Unit | str | Path | None = None,
    visit: Path | str | Sequence[Path | str] | None = None,
    table: str | None = None,
    workers: int | None = None,
    executor: Executor | None = None,
    say: Say | None = None,
    progress: Progress | None = None,
) -> Exported:
    """Write what records hold into a new CSV or JSON file; what `audiomeas export` does.

    file : .csv or .json.   unit : only this one (serial number, tag, name, folder); visit : only the one in this
    folder, or those in several; neither: all of `records`.
    table : 'values' (one row a value, the usual one), 'limits' (one row a limit with its verdict), 'visits' (one row a
    visit), 'wide' (one row a channel of a step, one column a value, its unit in the heading), 'points' (curves,
    harmonics, spectra; of one unit or visit). None: values; for .json everything that is kept, whole.
    workers : processes for a whole archive (None: as many as there are processors); executor : any of
    `concurrent.futures` instead.   say : is told of each record that can't be read, or was changed, and is left out.
    Raises RequestError and FileProblem (exists already, another ending).
    """
    target = Path(file)
    chosen = _checked(target, table, whole=unit is None and visit is None)
    refuse_inside_a_record(target)
    refuse_unwritable(target)
    chosen_visits = _folders_of(visit)
    homes = _homes(Path(records), unit, chosen_visits)
    number = processors() if workers is None else checked_workers(workers)
    enough = number if len(homes) >= _FEW_UNITS or workers is not None else 1
    only = None if chosen_visits is None else frozenset(folder.resolve() for folder in chosen_visits)
    work = partial(_piece, table=chosen, only=only, as_json=target.suffix.lower() == JSON)
    groups = parted(homes, 1 if len(homes) < _FEW_UNITS else _PIECES * max(number, 2))
    found = _Collected(say, progress, len(groups))
    pieces = found.through(mapped(work, groups, workers=enough, executor=executor))
    write_new(target, lambda temporary: _write(temporary, pieces, chosen, as_json=target.suffix.lower() == JSON))
    return Exported(file=target, visits=found.visits, left_out=tuple(found.problems))


def refuse_other_ending(target: Path) -> None:
    """Raise RequestError when a file's name says neither CSV nor JSON."""
    if target.suffix.lower() not in (CSV, JSON):
        raise RequestError(f"{target}: give a name that ends in {CSV} (a table) or {JSON}")


def _checked(target: Path, table: str | None, *, whole: bool) -> str | None:
    refuse_other_ending(target)
    if table is None:
        return None if target.suffix.lower() == JSON else "values"
    if table not in TABLES:
        raise RequestError(f"unknown table {table!r}{nearest(table, list(TABLES))}; known: {', '.join(TABLES)}")
    if table == "points" and whole:
        raise RequestError("the points of a whole archive are too many for a table: name a unit (--unit) or a visit")
    return table


def _folders_of(visit: Path | str | Sequence[Path | str] | None) -> list[Path] | None:
    if visit is None:
        return None
    return [Path(visit)] if isinstance(visit, (str, Path)) else [Path(each) for each in visit]


def _homes(records: Path, unit: Unit | str | Path | None, visits: Sequence[Path] | None) -> list[Path]:
    """Return the folders of the units that are asked for. Raises RequestError, FileProblem."""
    if unit is not None and visits is not None:
        raise RequestError("give a unit or a visit, not both")
    if visits is not None:
        for visit in visits:
            read_visit(visit, hash_audio=False)  # says what is wrong with it
        return list(dict.fromkeys(visit.resolve().parent for visit in visits))
    if unit is not None:
        return [known_unit(unit, records).path]
    homes = folders(records, holding=UNIT_FILE)
    if not homes:
        hint = " (it is a visit: give it as one)" if (records / VISIT_FILE).exists() else ""
        raise RequestError(f"{records} holds no records{hint}")
    return homes


class _Collected:
    """Counts and tells while pieces come in."""

    def __init__(self, say: Say | None, progress: Progress | None, pieces: int) -> None:
        self._say, self._progress, self._pieces = say, progress, pieces
        self.visits = 0
        self.problems: list[str] = []

    def through(self, pieces: Iterable[_Piece]) -> Iterator[_Piece]:
        """Yield the pieces again, telling what was left out of each."""
        for number, piece in enumerate(pieces, start=1):
            self.visits += piece.visits
            self.problems += piece.problems
            for problem in piece.problems if self._say else ():
                assert self._say is not None
                self._say(f"left out: {problem}")
            if self._progress is not None:
                self._progress("reading records", number / self._pieces)
            yield piece


def _piece(homes: Sequence[Path], *, table: str | None, only: frozenset[Path] | None, as_json: bool) -> _Piece:
    """Read some units, in whichever process."""
    problems: list[str] = []
    rows: list[dict[str, tidy.Cell]] = []
    texts: list[str] = []
    visits = 0
    for home in homes:
        read = list(_readable(home, only, problems, curves=table in (None, "points")))
        visits += len(read)
        if table is None:
            texts.append(_json_of_unit(home, read, problems))
            continue
        own = [row for visit in read for row in _rows(visit, table)]
        if table in _COLUMNS and not as_json:
            texts.append(_csv_text([row.get(name) for name in _COLUMNS[table]] for row in own))
        elif table in _COLUMNS:
            texts += [_json_line({name: row.get(name) for name in _COLUMNS[table]}) for row in own]
        else:
            rows += own
    return _Piece((",\n" if as_json else "").join(texts), rows, visits, problems)


def _readable(home: Path, only: frozenset[Path] | None, problems: list[str], *, curves: bool) -> Iterator[Visit]:
    """Yield a unit's visits that stand as they were closed."""
    try:
        for visit in visits_of(home, on_problem=lambda problem: problems.append(str(problem)), curves=curves):
            if only is not None and visit.path.resolve() not in only:
                continue
            if visit.damage:
                problems.append(visit.damage)
            else:
                yield visit
    except FileProblem as problem:
        problems.append(str(problem))


def _rows(visit: Visit, table: str) -> list[dict[str, tidy.Cell]]:
    if table == "visits":
        return [tidy.summary_row(visit)]
    if table == "limits":
        return list(tidy.limit_rows(visit))
    if table == "points":
        return list(tidy.point_rows(visit))
    values = list(tidy.value_rows(visit))
    return values if table == "values" else _wide(values)


def _wide(values: Iterable[dict[str, tidy.Cell]]) -> list[dict[str, tidy.Cell]]:
    """Return one row a channel of a step: each value, its half-width and its bound in columns of their own."""
    found: dict[tuple[tidy.Cell, ...], dict[str, tidy.Cell]] = {}
    head = (*tidy.VISIT_COLUMNS, *tidy.STEP_COLUMNS, "channel", "void")
    for row in values:
        key = (row["record"], row["step_number"], row.get("channel"))
        into = found.setdefault(key, {name: row.get(name) for name in head})
        if "quantity" not in row:
            continue
        unit = f" ({row['unit']})" if row["unit"] else ""
        into[f"{row['quantity']}{unit}"] = row["text"] or row["value"]
        if row["uncertainty_95"] is not None:
            into[f"{row['quantity']} uncertainty_95{unit}"] = row["uncertainty_95"]
        if row["bound"]:
            into[f"{row['quantity']} bound"] = row["bound"]
        if row["corrected_to"]:
            into[f"{row['quantity']} corrected_to"] = row["corrected_to"]
    return list(found.values())


# ---------------------------------------------------------------- writing


def _write(path: Path, pieces: Iterator[_Piece], table: str | None, *, as_json: bool) -> None:
    with path.open("w", encoding="utf-8", newline="") as handle:
        if as_json:
            _write_json(handle, pieces, table)
            return
        assert table is not None
        if table in _COLUMNS:
            handle.write(_csv_text([_COLUMNS[table]]))
            for piece in pieces:
                handle.write(piece.text)
            return
        rows = [row for piece in pieces for row in piece.rows]
        columns = tuple(dict.fromkeys(chain.from_iterable(rows)))
        handle.write(_csv_text([columns, *([row.get(name) for name in columns] for row in rows)]))


def _write_json(handle: io.TextIOBase, pieces: Iterator[_Piece], table: str | None) -> None:
    name = "units" if table is None else "rows"
    handle.write(f'{{"audiomeas": {json.dumps(__version__)}, "{name}": [\n')
    first = True
    for piece in pieces:
        text = piece.text or ",\n".join(map(_json_line, piece.rows))
        if text:
            handle.write(text if first else f",\n{text}")
            first = False
    handle.write("\n]}\n")


def _json_of_unit(home: Path, visits: Sequence[Visit], problems: list[str]) -> str:
    """Return all that is kept of a unit: its visits with whole results, verdict rows and journals; its logbook."""
    logbook: list[dict[str, Any]] = []
    try:
        logbook = [entry.as_json() for entry in read_entries(home)]
    except FileProblem as problem:
        problems.append(str(problem))
    return _json_line({"records": home.as_posix(), "visits": [_all_of(visit) for visit in visits], "logbook": logbook})


def _all_of(visit: Visit) -> dict[str, Any]:
    later = later_of(visit)
    return {
        **visit.facts,
        "path": visit.path.as_posix(),
        "finished": visit.finished,
        "verdict_now": tidy.summary_row(visit, later)["verdict"],
        "first_look": visit.first_look,
        "journal": list(visit.journal),
        "steps": [
            {
                "number": step.number,
                "name": step.name,
                "measurement": step.measurement,
                "conditions": dict(step.conditions),
                "status": step.status,
                "reason": step.reason,
                "captures": [capture.relative_to(visit.path).as_posix() for capture in step.captures],
                "result": None if step.result is None else {**step.result.as_json(), "audiomeas": visit.version},
                "verdicts": [clean(row.as_json()) for row in step.verdicts],
                "void": any(each.step == step.name for each in later.void),
            }
            for step in visit.steps
        ],
    }


def _json_line(facts: Any) -> str:
    return json.dumps(facts, ensure_ascii=False, allow_nan=False)


def _csv_text(rows: Iterable[Sequence[tidy.Cell]]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text).writerows([_plain(cell) for cell in row] for row in rows)
    return text.getvalue()


def _plain(cell: tidy.Cell) -> str:
    """Return a cell as text: a number as it is, a text so that no spreadsheet computes it."""
    if cell is None:
        return ""
    if cell is True or cell is False:
        return "true" if cell else "false"
    return _no_formula(cell) if isinstance(cell, str) else repr(cell)


@lru_cache(maxsize=4096)  # most texts stand in a thousand rows
def _no_formula(text: str) -> str:
    return f"'{text}" if text.startswith(_FORMULA) else text
