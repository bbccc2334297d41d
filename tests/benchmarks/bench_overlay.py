"""500 responses over each other, and the report of a whole amplifier plan (issue 8): how long both take.

python tests/benchmarks/bench_overlay.py [FOLDER]     # default: a new temporary folder, about 100 MB

The demo's plan is run once on the simulated bench, and its visit is copied 500 times, with its own unit, date and
checksums. Each time is that of a whole process; beside it the one that matplotlib alone needs for as many curves.
"""

from __future__ import annotations

import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

from bench_archive import copy, seconds, timed

from audiomeas.files import shipped
from audiomeas.plan.run import run
from audiomeas.record.unit import Unit, folder_name

VISITS = 500
#: What each must take less than (issue 8), in seconds.
MUST = {"overlay": 5.0, "report": 5.0, "report with annex": 5.0, "web page": 5.0}
OVERLAY = """
import sys
from pathlib import Path
import audiomeas
audiomeas.overlay(sorted(Path(sys.argv[1]).glob("*/*-as-found")), sys.argv[2], say=print)
"""
#: The same number of curves of as many points, drawn by matplotlib into a file of the same kind.
ALONE = """
import sys
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
figure = Figure()
FigureCanvasAgg(figure)
ax = figure.add_subplot()
for each in np.random.default_rng(8).normal(size=(1000, 300)):
    ax.plot(each)
figure.savefig(sys.argv[1])
"""


def archive(folder: Path) -> list[Path]:
    """Make the archive, and return its visits."""
    records = folder / "records"
    if not records.exists():
        plan = shipped("examples", "plans", "power-amplifier.toml")
        visit = run(plan, unit="Demo amplifier, serial D-0", records=folder / "seed").visit.path
        for number in range(VISITS):
            unit = Unit(model="Demo amplifier", serial=f"D-{number:05d}", kind="power amplifier")
            at = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=number)
            copy(visit, records / folder_name(unit.name) / f"{at:%Y-%m-%dT%H%M%SZ}-as-found", unit, "as-found", at)
    return sorted(records.glob("*/*-as-found"))


def python(text: str, *arguments: str) -> tuple[float, float]:
    """Return how long a small program takes, and the time of all processors."""
    return timed([sys.executable, "-c", text, *arguments])


def main() -> None:
    """Print a line a figure."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else tempfile.mkdtemp(prefix="audiomeas-overlay-"))
    folder.mkdir(exist_ok=True)
    visit = str(archive(folder)[0])
    files = {what: folder / name for what, name in zip(MUST, ("o.png", "r.pdf", "a.pdf", "w.html"), strict=True)}
    alone = folder / "alone.png"
    for file in (*files.values(), alone):
        file.unlink(missing_ok=True)
    taken = {
        "overlay": python(OVERLAY, str(folder / "records"), str(files["overlay"])),
        "report": seconds("report", visit, str(files["report"])),
        "report with annex": seconds("report", visit, str(files["report with annex"]), "--annex"),
        "web page": seconds("report", visit, str(files["web page"])),
    }
    for what, (took, used) in taken.items():
        judged = "within" if took < MUST[what] else "BEYOND"
        size = files[what].stat().st_size / 1000.0
        times = f"{took:.2f} s of {MUST[what]:g} s  ({used:.2f} s of processors)"
        print(f"{judged}  {times}  {what}, {size:.0f} kB", flush=True)
    took, used = python(ALONE, str(alone))
    print(f"matplotlib alone with as many curves: {took:.2f} s ({used:.2f} s of processors)")


if __name__ == "__main__":
    main()
