"""The demo: the whole job on the simulated bench, in a new folder. Everything in it is SIMULATED.

It stands above plan, record and present because it joins them: a stack of three invented amplifiers, one of them
faulty, measured by the shipped plan, judged, drawn and reported.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from audiomeas.bench.opened import default_bench_file
from audiomeas.errors import RequestError
from audiomeas.files import free_name, read_text, shipped, translated, write_new_text
from audiomeas.plan.run import RunOutcome, run

Say = Callable[[str], None]
Progress = Callable[[str, float], None]

#: What stands on the simulated bench: shipped unit → how it is written down. All invented.
STACK = {
    "amplifier-healthy": "Demo amplifier A, serial D-0001",
    "amplifier-under-biased": "Demo amplifier B, serial D-0002",
    "amplifier-weak-channel": "Demo amplifier C, serial D-0003",
}
PLAN = "power-amplifier.toml"


@dataclass(frozen=True, kw_only=True)
class DemoOutcome:
    """What the demo left: its folder, the outcome of each run, charts and reports."""

    folder: Path
    runs: tuple[RunOutcome, ...]
    charts: tuple[Path, ...]
    reports: tuple[Path, ...]

    def text(self) -> str:
        """Return the closing lines: verdicts, what to look at, what to try next."""
        lines = ["", "SIMULATED: three invented amplifiers on the simulated bench", ""]
        for outcome, report in zip(self.runs, self.reports, strict=True):
            lines += [f"  {outcome.visit.unit.name}: {_outcome_words(outcome)}", f"      report  {report}"]
        lines += ["", "Look at", *(f"  {path}" for path in self.charts), "Try next", *self._next()]
        return "\n".join(lines)

    def _next(self) -> list[str]:
        """Return commands that can be copied as they stand: in the folder where the demo was called, quoted."""
        faulty = _quoted(self.runs[-1].visit.path)
        shipped_unit, unit = next(iter(STACK.items()))
        bench = self.folder / "benches" / f"{shipped_unit}.toml"
        return [
            f"  audiomeas report {faulty} another.pdf --paper letter",
            f"  audiomeas chart {faulty} harmonics.png --measurement distortion --name harmonics",
            f"  audiomeas run {_quoted(self.folder / PLAN)} --unit {_quoted(unit)} \\",
            f"      --bench {_quoted(bench)} --records {_quoted(self.folder / 'records')} --stage as-left",
            "  audiomeas measure distortion --output-level '1 W'",
        ]


def _quoted(word: Path | str) -> str:
    return shlex.quote(str(word))


def _outcome_words(outcome: RunOutcome) -> str:
    rows = outcome.verdicts
    failed = sum(row.verdict == "fail" for row in rows)
    undecided = sum(row.verdict == "undecided" for row in rows)
    counted = [f"{failed} fail"] * bool(failed) + [f"{undecided} undecided"] * bool(undecided)
    gaps = "" if outcome.visit.complete else "; a step gave no result"
    return f"{outcome.verdict or 'no limits'} ({', '.join(counted) or 'all kept'} of {len(rows)} limits{gaps})"


def demo(folder: Path | str | None = None, *, say: Say | None = None, progress: Progress | None = None) -> DemoOutcome:
    """Run the shipped plan on three simulated amplifiers and leave records, charts and reports in a new folder.

    folder : made here; None: 'audiomeas-demo' or the next free name. AUDIOMEAS_BENCH takes no part.
    Raises FileProblem (exists already, can't be written), Interrupted (what was measured is kept).
    """
    tell = say or _quiet
    place = Path(folder) if folder is not None else free_name(Path(), "audiomeas-demo", "")
    benches = _prepare(place)
    runs = []
    for number, (shipped_unit, unit) in enumerate(STACK.items(), start=1):
        tell(f"{unit} ({number} of {len(STACK)}, SIMULATED)")
        bench = benches[shipped_unit]
        runs.append(run(place / PLAN, unit=unit, bench=bench, records=place / "records", say=tell, progress=progress))
    tell("drawing charts and reports")
    return DemoOutcome(
        folder=place,
        runs=tuple(runs),
        charts=_draw(place, runs),
        reports=tuple(_report(place, outcome) for outcome in runs),
    )


def _quiet(_: str) -> None:
    """Say nothing."""


def _prepare(place: Path) -> dict[str, Path]:
    """Make the folder with the plan and a bench file for each unit; return the bench files."""
    if place.exists():
        raise RequestError(f"{place} exists already: give the demo a new folder")
    bench_text = read_text(default_bench_file())
    calibration_line = 'calibration = "../../calibrations/simulated-card.toml" # beside this file'
    unit_line = 'unit = "amplifier-healthy"'
    assert calibration_line in bench_text and unit_line in bench_text
    with translated(place, "write"):
        (place / "benches").mkdir(parents=True)
        (place / "charts").mkdir()
        (place / "reports").mkdir()
    calibration = shipped("calibrations", "simulated-card.toml")
    write_new_text(place / "benches" / calibration.name, read_text(calibration))
    write_new_text(place / PLAN, read_text(shipped("examples", "plans", PLAN)))
    found = {}
    for shipped_unit in STACK:
        path = place / "benches" / f"{shipped_unit}.toml"
        text = bench_text.replace(calibration_line, f'calibration = "{calibration.name}" # beside this file')
        write_new_text(path, text.replace(unit_line, f'unit = "{shipped_unit}"'))
        found[shipped_unit] = path
    return found


def _draw(place: Path, runs: list[RunOutcome]) -> tuple[Path, ...]:
    from audiomeas.present.api import chart

    drawn = []
    for outcome in runs:
        serial = outcome.visit.unit.serial
        drawn.append(chart(outcome.visit.path, place / "charts" / f"{serial}-response.png"))
        drawn.append(chart(outcome.visit.path, place / "charts" / f"{serial}-spectrum.png", measurement="distortion"))
    return tuple(drawn)


def _report(place: Path, outcome: RunOutcome) -> Path:
    from audiomeas.present.api import report

    return report(outcome.visit.path, place / "reports" / f"{outcome.visit.unit.serial}.pdf")
