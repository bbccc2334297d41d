"""The table of the failure pictures: how often each is told of units that have it, and of units that have nothing.

    cd tests && python -m diagnosis_table --count 200 --healthy 1000 --workers 2

Each trial draws a unit of physical parts (`diagnosis_units`), breaks one (`diagnosis_faults`) and measures it on the
simulated bench. Equal counts give the same table. `--only crossover,drag` makes a part of it.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
import traceback
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

for _library in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_library, "1")

SEED = 10


@dataclass
class Row:
    """One picture. asked : broken units.  found, open_ : those of which it was told, or stayed open.

    others : what else was told of them.   healthy, alarms : units that have nothing, and of how many it was told.
    """

    name: str
    picture: str
    by: str
    asked: int = 0
    found: int = 0
    open_: int = 0
    unjudged: int = 0
    healthy: int = 0
    alarms: int = 0
    others: Counter[str] = field(default_factory=Counter)


def _told(evidence) -> dict[str, str | None]:  # type: ignore[no-untyped-def]
    from audiomeas.diagnosis.judge import judge

    return {one.picture.name: one.holds for one in judge(evidence)}


def broken(name: str, number: int) -> tuple[str, dict[str, str | None] | str]:
    """Return what is told of one broken unit; a text where it could not be measured."""
    from diagnosis_faults import FAULTS, fault_of, measured

    fault = fault_of(name)
    try:
        return name, _told(measured(fault, [SEED, 1, FAULTS.index(fault), number], broken=True))
    except Exception:
        return name, traceback.format_exc()


def healthy(family: int, number: int) -> tuple[str, dict[str, str | None] | str]:
    """Return what is told of one healthy unit likewise."""
    from diagnosis_faults import healthy_visit

    make = families()[family]
    try:
        return make.__name__, _told(healthy_visit(make, [SEED, 2, family, number]))
    except Exception:
        return make.__name__, traceback.format_exc()


def families():  # type: ignore[no-untyped-def]
    """Return what makes healthy units, each once."""
    from diagnosis_faults import FAULTS

    return list(dict.fromkeys(fault.make for fault in FAULTS))


def table(
    count: int, healthy_count: int, *, only: Sequence[str] = (), workers: int = 1, until_s: float = float("inf")
) -> tuple[dict[str, Row], list[str]]:
    """Return the rows by picture, and what went wrong. until_s : no trial begins after so many seconds."""
    from diagnosis_faults import FAULTS

    rows = {fault.name: Row(fault.name, fault.picture, fault.by) for fault in FAULTS if not only or fault.name in only}
    wanted = [make for make in families() if any(fault.make is make and fault.name in rows for fault in FAULTS)]
    # By number first: whenever it ends, all rows have about as many trials.
    tasks = [
        task
        for number in range(max(count, healthy_count))
        for task in (
            *((broken, name, number) for name in rows if number < count),
            *((healthy, families().index(make), number) for make in wanted if number < healthy_count),
        )
    ]
    problems = []
    began_s = time.monotonic()
    for task, (name, told) in _run(tasks, workers, began_s + until_s):
        if isinstance(told, str):
            problems.append(f"{task[0].__name__} {name} {task[2]}: {told.strip().splitlines()[-1]}")
            print(f"not measured: {problems[-1]}", file=sys.stderr, flush=True)
            if task[0] is broken:
                rows[name].asked += 1
            continue
        if task[0] is broken:
            _count_broken(rows[name], told)
        else:
            _count_healthy(rows, name, told)
    return rows, problems


def _run(tasks, workers, end_s) -> Iterator:  # type: ignore[no-untyped-def, type-arg]
    if workers == 1:
        for task in tasks:
            if time.monotonic() > end_s:
                return
            yield task, task[0](*task[1:])
        return
    with ProcessPoolExecutor(workers) as pool:
        for at in range(0, len(tasks), 8 * workers):
            if time.monotonic() > end_s:
                return
            some = tasks[at : at + 8 * workers]
            futures = [pool.submit(task[0], *task[1:]) for task in some]
            for task, future in zip(some, futures, strict=True):
                yield task, future.result()


def _count_broken(row: Row, told: dict[str, str | None]) -> None:
    row.asked += 1
    holds = told[row.picture]
    row.found += holds == "yes"
    row.open_ += holds == "open"
    row.unjudged += holds is None
    row.others.update(name for name, other in told.items() if other == "yes" and name != row.picture)


def _count_healthy(rows: dict[str, Row], family: str, told: dict[str, str | None]) -> None:
    """Count for each picture all healthy units that could show it; where two words tell it, those of its own word."""
    from diagnosis_faults import FAULTS

    makes = {fault.name: fault.make.__name__ for fault in FAULTS}
    twice = {row.picture for row in rows.values() if row.by}
    for row in rows.values():
        holds = told.get(row.picture)
        if holds is not None and (row.picture not in twice or makes[row.name] == family):
            row.healthy += 1
            row.alarms += holds == "yes"


def text(rows: dict[str, Row]) -> str:
    """Return the table as lines."""
    lines = [f"{'picture':26} {'found':>11} {'open':>5} {'false alarms':>13}   told beside it of broken units"]
    for row in rows.values():
        others = ", ".join(f"{name} {number}" for name, number in row.others.most_common(4))
        found = f"{row.found} of {row.asked}"
        alarms = f"{row.alarms} of {row.healthy}"
        lines.append(f"{row.name:26} {found:>11} {row.open_ + row.unjudged:>5} {alarms:>13}   {others}")
    good = [
        row for row in rows.values() if row.asked and row.found >= 0.95 * row.asked and row.alarms <= 0.02 * row.healthy
    ]
    lines.append(f"{len(good)} of {len(rows)} pictures: at least 95 % found, at most 2 % false alarms")
    return "\n".join(lines)


def main() -> None:
    """Make the table by the command's own options."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=20, help="broken units a picture")
    parser.add_argument("--healthy", type=int, default=20, help="healthy units a family")
    parser.add_argument("--only", default="", help="names of pictures, with commas")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--until-s", type=float, default=float("inf"), help="no trial begins after so many seconds")
    asked = parser.parse_args()
    only = [name for name in asked.only.split(",") if name]
    rows, problems = table(asked.count, asked.healthy, only=only, workers=asked.workers, until_s=asked.until_s)
    print("SIMULATED: made on the simulated bench, not on real units")
    print(text(rows))
    if problems:
        print(f"{len(problems)} trials could not be measured", file=sys.stderr)


if __name__ == "__main__":
    main()
