"""Read a stack: which units are measured one after the other, by which plan. Every key is checked.

title = "Shelf of November"
plan = "power-amplifier"      # a shipped plan, or a file (its path starts at the stack file)
stage = "as-found"            # as-found unless it says so
bench = "my-bench.toml"       # else that of the command

[[unit]]
name = "Demo amplifier A, serial D-0001"
answers = "d-0001.toml"       # answers to the plan's questions; each of plan, stage and bench may stand here too
new_stay = true               # it was sold and bought again
other_unit = true             # it is another one than those with the same serial number or tag
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from audiomeas.errors import RequestError
from audiomeas.files import is_there
from audiomeas.plan.file import Plan, find_plan, read_plan
from audiomeas.plan.keys import one_line
from audiomeas.record.store import STAGES
from audiomeas.record.unit import Unit, parse_unit
from audiomeas.tomlfile import Table, read_toml


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One unit of a stack. number : its place, from 1.  bench, answers : files; None: as the command says.

    new_stay, other_unit : as in `run`.
    """

    number: int
    unit: Unit
    plan: Plan
    stage: str
    bench: Path | None
    answers: Path | None
    new_stay: bool
    other_unit: bool


@dataclass(frozen=True, kw_only=True)
class Stack:
    """A stack as read. text : the file as it was, for the record."""

    title: str
    entries: tuple[Entry, ...]
    path: Path
    text: str


def read_stack(path: Path) -> Stack:
    """Read and check a stack file, and the plans that it names.

    Raises FileProblem (missing, empty, no text) and TomlProblem (file, line, key, and the nearest valid word).
    """
    table = read_toml(path)
    for key in ("step", "specification"):
        if key in table:
            raise table.problem(key, "this is a plan, and no stack of units: run it on one with `audiomeas run`")
    title = one_line(table, "title")
    common, bench = table.text("plan", None), table.text("bench", None)
    stage = table.choice("stage", list(STAGES), STAGES[0])
    tables = list(table.tables("unit"))
    table.finish()
    plans: dict[str, Plan] = {}
    if common is not None:
        _plan(table, common, plans)
    entries = tuple(
        _entry(each, number, _Common(plan=common, bench=bench, stage=stage), plans)
        for number, each in enumerate(tables, start=1)
    )
    if not entries:
        raise table.problem("unit", "a stack needs at least one [[unit]]")
    _refuse_twins(table, entries)
    return Stack(title=title, entries=entries, path=path, text=table.source)


@dataclass(frozen=True, kw_only=True)
class _Common:
    """What holds for each unit that does not say it itself."""

    plan: str | None
    bench: str | None
    stage: str


def _entry(table: Table, number: int, common: _Common, plans: dict[str, Plan]) -> Entry:
    name = one_line(table, "name")
    named = table.text("plan", common.plan)
    if named is None:
        raise table.problem("plan", "no plan is named, neither here nor for the whole stack")
    plan = _plan(table, named, plans)
    try:
        unit = parse_unit(name, kind=plan.kind)
    except RequestError as error:
        raise table.problem("name", str(error)) from None
    entry = Entry(
        number=number,
        unit=unit,
        plan=plan,
        stage=table.choice("stage", list(STAGES), common.stage),
        bench=_file(table, "bench", common.bench),
        answers=_file(table, "answers", None),
        new_stay=table.truth("new_stay", False),
        other_unit=table.truth("other_unit", False),
    )
    table.finish()
    return entry


def _plan(table: Table, named: str, plans: dict[str, Plan]) -> Plan:
    """Return a plan, read once however many units are measured by it."""
    if named not in plans:
        try:
            file = find_plan(_beside(table, named))
        except RequestError as error:
            raise table.problem("plan", str(error)) from None
        plans[named] = read_plan(file)
    return plans[named]


def _beside(table: Table, named: str) -> Path | str:
    """Return a file beside the stack; what is none there stays as it is (a shipped plan's name, or a whole path)."""
    beside = table.file.parent / named
    return beside if is_there(beside) or Path(named).suffix else named


def _file(table: Table, key: str, otherwise: str | None) -> Path | None:
    text = table.text(key, otherwise)
    return None if text is None else table.file.parent / text


def _refuse_twins(table: Table, entries: tuple[Entry, ...]) -> None:
    """One visit of one unit at one stage: the second would be a repeated one, or another unit's label."""
    seen: dict[tuple[str, str, str], int] = {}
    for entry in entries:
        what = (entry.unit.name, entry.stage, entry.plan.title)
        if what in seen:
            raise table.problem(
                "unit",
                f"{entry.unit.name} stands twice, as unit {seen[what]} and unit {entry.number}: "
                f"leave one out, or give each its own serial or tag",
            )
        seen[what] = entry.number
