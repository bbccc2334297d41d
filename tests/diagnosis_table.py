"""The table of the failure pictures: how often each is told of units that have it, and of units that have nothing.

    cd tests && python -m diagnosis_table --count 200 --healthy 1000 --workers 2 --resume trials.jsonl

Each trial draws a unit of physical parts (`diagnosis_units`), breaks one (`diagnosis_faults`) and measures it on the
simulated bench. Equal counts give the same table. `--only crossover,drag` makes a part of it. Healthy units are of all
kinds in turn, and each picture counts those that could show it. Beside each share stands what its count proves: the
95 % range of Clopper and Pearson (Biometrika 26, 1934); 183 healthy units without an alarm prove at most 2 % of them.

Stopped by SIGTERM, SIGINT or `--until-s`, it prints what it has; `--so-far FILE` is written anew each minute, for what
stops without a word. `--resume FILE` keeps each trial, and makes those alone that the file does not hold yet: so
shorter sittings, or larger counts later, make one table. It refuses trials of other rules.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import time
import traceback
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from pathlib import Path

from diagnosis_kept import Kept, Key, OtherRulesError, Told, made_by

for _library in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_library, "1")

SEED = 10
#: What a picture must reach: found of broken units, told of healthy ones at most.
FOUND, ALARMS = 0.95, 0.02
CONFIDENCE = 0.95
_EACH_S = 60.0


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

    @property
    def good(self) -> bool:
        """Whether its shares reach what they must."""
        return bool(self.asked) and self.found >= FOUND * self.asked and self.alarms <= ALARMS * self.healthy

    @property
    def proven(self) -> bool:
        """Whether their bounds do: so many trials leave no doubt of it."""
        return proven(self.found, self.asked)[0] >= FOUND and proven(self.alarms, self.healthy)[1] <= ALARMS


def proven(hits: int, trials: int) -> tuple[float, float]:
    """Return the range in which a share lies with 95 % confidence (Clopper and Pearson, by scipy); of nothing, all."""
    from scipy.stats import binomtest

    if not trials:
        return 0.0, 1.0
    found = binomtest(hits, trials).proportion_ci(CONFIDENCE, method="exact")
    return float(found.low), float(found.high)


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


def healthy(family: str, number: int) -> tuple[str, dict[str, str | None] | str]:
    """Return what is told of one healthy unit likewise."""
    from diagnosis_faults import healthy_visit

    makes = families()
    place = [make.__name__ for make in makes].index(family)
    try:
        return family, _told(healthy_visit(makes[place], [SEED, 2, place, number]))
    except Exception:
        return family, traceback.format_exc()


def families():  # type: ignore[no-untyped-def]
    """Return what makes healthy units, each once."""
    from diagnosis_faults import FAULTS

    return list(dict.fromkeys(fault.make for fault in FAULTS))


def table(
    count: int,
    healthy_count: int,
    *,
    only: Sequence[str] = (),
    workers: int = 1,
    stop: Callable[[], bool] = lambda: False,
    so_far: Callable[[dict[str, Row]], None] = lambda _: None,
    kept: Kept | None = None,
) -> tuple[dict[str, Row], list[str]]:
    """Return the rows by picture, and what went wrong. stop : no trial begins once it says so.

    count : broken units a picture.   healthy_count : healthy ones over all kinds.   so_far : is given the rows after
    each trial.   kept : trials that are not made again; new ones are added.
    """
    from diagnosis_faults import FAULTS

    kept = Kept(None, {}) if kept is None else kept
    rows = {fault.name: Row(fault.name, fault.picture, fault.by) for fault in FAULTS if not only or fault.name in only}
    wanted = [
        make.__name__ for make in families() if any(fault.make is make and fault.name in rows for fault in FAULTS)
    ]
    problems: list[str] = []
    keys = list(_keys(list(rows), wanted, count, healthy_count))
    for key in keys:
        if key in kept.told:
            _count(rows, key, kept.told[key], problems)
    for key, told in _run(kept.missing(keys), workers, stop):
        kept.add(key, told)
        _count(rows, key, told, problems)
        if isinstance(told, str):
            print(f"not measured: {problems[-1]}", file=sys.stderr, flush=True)
        so_far(rows)
    return rows, problems


def _keys(names: Sequence[str], kinds: Sequence[str], count: int, healthy_count: int) -> Iterator[Key]:
    """Yield the trials by number first: whenever it ends, all rows have about as many, and healthy units as their part.

    names, kinds : of pictures, and of healthy units.
    """
    rounds, given = count or 1, 0
    for number in range(rounds):
        if count:
            yield from ((broken.__name__, name, number) for name in names)
        until = healthy_count * (number + 1) // rounds
        yield from ((healthy.__name__, kinds[n % len(kinds)], n // len(kinds)) for n in range(given, until))
        given = until


def _count(rows: dict[str, Row], key: Key, told: Told, problems: list[str]) -> None:
    """Count one trial."""
    kind, name, number = key
    of_broken = kind == broken.__name__
    if isinstance(told, str):
        problems.append(f"{kind} {name} {number}: {told.strip().splitlines()[-1]}")
        if of_broken:
            rows[name].asked += 1
    elif of_broken:
        _count_broken(rows[name], told)
    else:
        _count_healthy(rows, name, told)


def _run(keys: Sequence[Key], workers: int, stop: Callable[[], bool]) -> Iterator[tuple[Key, Told]]:
    if workers == 1:
        for key in keys:
            if stop():
                return
            yield key, _trial(key)
        return
    with ProcessPoolExecutor(workers, initializer=_leave_signals) as pool:
        waiting: deque[tuple[Key, Future[Told]]] = deque()
        for key in keys:
            if stop():
                break
            waiting.append((key, pool.submit(_trial, key)))
            if len(waiting) >= 4 * workers:
                yield from _oldest(waiting)
        while waiting:
            if stop():
                for _, future in waiting:
                    future.cancel()
                return
            yield from _oldest(waiting)


def _trial(key: Key) -> Told:
    """Make one trial."""
    kind, name, number = key
    return {broken.__name__: broken, healthy.__name__: healthy}[kind](name, number)[1]


def _oldest(waiting: deque[tuple[Key, Future[Told]]]) -> Iterator[tuple[Key, Told]]:
    """Yield the trial that began first, as soon as it is done; none where the workers were ended from outside."""
    key, future = waiting.popleft()
    try:
        yield key, future.result()
    except BrokenProcessPool:
        waiting.clear()
        print("the workers were ended", file=sys.stderr)


def _leave_signals() -> None:
    """What stops the table is the parent's to hear: a worker ends its trial first."""
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_IGN)


class Stop:
    """Says whether to stop: so many seconds are over, or a signal came."""

    def __init__(self, until_s: float) -> None:
        self._end_s, self._asked = time.monotonic() + until_s, False
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._ask)

    def _ask(self, *_: object) -> None:
        self._asked = True

    def __call__(self) -> bool:
        return self._asked or time.monotonic() > self._end_s


class SoFar:
    """Writes the table to a file each minute."""

    def __init__(self, path: Path) -> None:
        self._path, self._next_s = path, 0.0

    def __call__(self, rows: dict[str, Row]) -> None:
        if time.monotonic() >= self._next_s:
            self.write(rows)
            self._next_s = time.monotonic() + _EACH_S

    def write(self, rows: dict[str, Row]) -> None:
        """Write it now, in one piece."""
        beside = self._path.with_name(f"{self._path.name}.new")
        beside.write_text(f"{SIMULATED}\n{text(rows)}\n", encoding="utf-8")
        beside.replace(self._path)


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


SIMULATED = "SIMULATED: made on the simulated bench, not on real units"


def text(rows: dict[str, Row]) -> str:
    """Return the table as lines."""
    lines = [
        f"{'picture':26} {'found':>11} {'proven':>15} {'open':>5} {'false alarms':>13} {'proven':>15}   "
        "told beside it of broken units"
    ]
    for row in rows.values():
        often = sorted(row.others.items(), key=lambda item: (-item[1], item[0]))[:4]
        others = ", ".join(f"{name} {number}" for name, number in often)
        found = f"{row.found} of {row.asked}"
        alarms = f"{row.alarms} of {row.healthy}"
        lines.append(
            f"{row.name:26} {found:>11} {_range(row.found, row.asked):>15} {row.open_ + row.unjudged:>5} "
            f"{alarms:>13} {_range(row.alarms, row.healthy):>15}   {others}".rstrip()
        )
    good = [row for row in rows.values() if row.good]
    must = f"at least {100.0 * FOUND:.0f} % found, at most {100.0 * ALARMS:.0f} % false alarms"
    lines.append(f"{len(good)} of {len(rows)} pictures: {must}")
    lines.append(f"{sum(row.proven for row in rows.values())} of them with both ends of their 95 % ranges")
    return "\n".join(lines)


def _range(hits: int, trials: int) -> str:
    low, high = proven(hits, trials)
    return f"{100.0 * low:.1f}..{100.0 * high:.1f} %"


def _healthy_kinds(kept: Kept) -> str:
    """Return how many healthy units of each kind were measured."""
    kinds = Counter(
        name for (kind, name, _), told in kept.told.items() if kind == healthy.__name__ and isinstance(told, dict)
    )
    each = ", ".join(f"{number} {name.strip('_').replace('_', ' ')}" for name, number in sorted(kinds.items()))
    return f"{sum(kinds.values())} healthy units: {each}"


def main() -> None:
    """Make the table by the command's own options."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=20, help="broken units a picture")
    parser.add_argument("--healthy", type=int, default=120, help="healthy units, of all kinds in turn")
    parser.add_argument("--only", default="", help="names of pictures, with commas")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--until-s", type=float, default=float("inf"), help="no trial begins after so many seconds")
    parser.add_argument("--so-far", type=Path, help="a file for the table of what is done, anew each minute")
    parser.add_argument(
        "--resume", type=Path, help="a file of trials: those in it are not made again, new ones are added"
    )
    asked = parser.parse_args()
    try:
        kept = Kept(asked.resume, made_by(SEED))
    except OtherRulesError as error:
        parser.exit(2, f"{error}\n")
    only = [name for name in asked.only.split(",") if name]
    writes = None if asked.so_far is None else SoFar(asked.so_far)
    rows, problems = table(
        asked.count,
        asked.healthy,
        only=only,
        workers=asked.workers,
        stop=Stop(asked.until_s),
        so_far=writes or (lambda _: None),
        kept=kept,
    )
    if writes is not None:
        writes.write(rows)
    print(SIMULATED)
    print(text(rows))
    print(_healthy_kinds(kept))
    if problems:
        print(f"{len(problems)} trials could not be measured", file=sys.stderr)


if __name__ == "__main__":
    main()
