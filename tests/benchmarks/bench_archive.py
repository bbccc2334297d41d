"""An archive of 10,000 visits (issue 7): how long history, export and the whole table take, and how re-analysis scales.

python tests/benchmarks/bench_archive.py [FOLDER]     # default: a new temporary folder, about 2 GB

One small visit is made on the simulated bench and copied 10,000 times, with its own unit, date and checksums: 5,000
units of two visits. The samples are hard links, everything else is written anew. Each time is that of a whole process.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from audiomeas.files import sha256_of
from audiomeas.plan.run import run
from audiomeas.record.checksums import CHECKSUM_FILE
from audiomeas.record.unit import Unit, folder_name
from audiomeas.record.visit import VISIT_FILE

UNITS, STAGES = 5_000, ("as-found", "as-left")
#: So many of them are analysed again: their work must outweigh what a process needs to start.
ANALYSED_UNITS = 200
PLAN = """title = "Small"
kind = "power amplifier"
[[step]]
name = "Distortion at 1 W"
measure = "distortion"
output_level = "1 W"
  [[step.limit]]
  quantity = "thd_percent"
  at_most = 0.1
  source = "house"
"""
#: What each must take less than (issue 7), in seconds.
MUST = {"history": 1.0, "export of a unit": 1.0, "whole table": 30.0}


def seed_visit(folder: Path) -> Path:
    """Make the visit that is copied."""
    plan = folder / "small.toml"
    plan.write_text(PLAN, encoding="utf-8")
    return run(plan, unit="Demo amplifier, serial D-0", records=folder / "seed").visit.path


def copy(visit: Path, target: Path, unit: Unit, stage: str, opened_at: datetime) -> None:
    """Copy a visit for another unit and day; its audio files are hard links."""
    target.mkdir(parents=True)
    for file in sorted(visit.rglob("*")):
        place = target / file.relative_to(visit)
        if file.is_dir():
            place.mkdir()
        elif file.suffix == ".flac":
            os.link(file, place)
        elif file.name not in (VISIT_FILE, CHECKSUM_FILE):
            shutil.copyfile(file, place)
    facts = json.loads((visit / VISIT_FILE).read_text(encoding="utf-8"))
    changed = {**facts, "unit": unit.as_json(), "stage": stage, "opened_at": f"{opened_at:%Y-%m-%dT%H:%M:%SZ}"}
    (target / VISIT_FILE).write_text(json.dumps(changed, indent=1, ensure_ascii=False), encoding="utf-8")
    lines = (visit / CHECKSUM_FILE).read_text(encoding="utf-8").splitlines(keepends=True)
    own = sha256_of(target / VISIT_FILE)
    (target / CHECKSUM_FILE).write_text(
        "".join(f"{own}  {VISIT_FILE}\n" if line.endswith(f"  {VISIT_FILE}\n") else line for line in lines),
        encoding="utf-8",
    )


def archive(folder: Path) -> Path:
    """Make the archive."""
    records = folder / "records"
    if records.exists():
        return records
    visit = seed_visit(folder)
    begin = datetime(2026, 1, 1, tzinfo=UTC)
    for number in range(UNITS):
        unit = Unit(model="Demo amplifier", serial=f"D-{number:05d}", kind="power amplifier")
        home = records / folder_name(unit.name)
        for place, stage in enumerate(STAGES):
            at = begin + timedelta(minutes=2 * number + place)
            copy(visit, home / f"{at:%Y-%m-%dT%H%M%SZ}-{stage}", unit, stage, at)
        (home / "unit.json").write_text(json.dumps({"record": 1, "unit": unit.as_json()}), encoding="utf-8")
    return records


def seconds(*arguments: str) -> tuple[float, float]:
    """Return how long a command takes, and the time of all processors: on a busy machine only that tells anything."""
    return timed([sys.executable, "-m", "audiomeas", *arguments])


def timed(command: list[str]) -> tuple[float, float]:
    """Return the same of any program."""
    begin, used = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    took, now = time.perf_counter() - begin, resource.getrusage(resource.RUSAGE_CHILDREN)
    return took, now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime


def main() -> None:
    """Print a line a figure."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else tempfile.mkdtemp(prefix="audiomeas-archive-"))
    folder.mkdir(exist_ok=True)
    begin = time.perf_counter()
    records = archive(folder)
    print(f"{len(STAGES) * UNITS} visits in {records} ({time.perf_counter() - begin:.0f} s to make)", flush=True)
    table = folder / "table.csv"
    one = folder / "one.csv"
    for each in (table, one):
        each.unlink(missing_ok=True)
    taken = {
        "history": seconds("history", "D-02500", "--records", str(records)),
        "export of a unit": seconds("export", str(one), "--unit", "D-02500", "--records", str(records)),
        "whole table": seconds("export", str(table), "--records", str(records)),
    }
    for what, (took, used) in taken.items():
        judged = "within" if took < MUST[what] else "BEYOND"
        print(f"{judged}  {took:.2f} s of {MUST[what]:g} s  ({used:.2f} s of processors)  {what}", flush=True)
    some = folder / "some"
    if not some.exists():
        some.mkdir()
        for home in sorted(records.iterdir())[:ANALYSED_UNITS]:
            (some / home.name).symlink_to(home)
    one_took, one_used = seconds("reanalyze", str(some), "--workers", "1")
    two_took, two_used = seconds("reanalyze", str(some), "--workers", "2")
    print(
        f"re-analysis of {len(STAGES) * ANALYSED_UNITS} visits: {one_took:.1f} s with 1 worker, {two_took:.1f} s with "
        f"2: {one_took / two_took:.2f} x (processors: {one_used:.1f} s, {two_used:.1f} s)"
    )


if __name__ == "__main__":
    main()
