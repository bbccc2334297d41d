"""`audiomeas bench check`: the bench proves itself before a session; one line a finding."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from audiomeas.cli.common import (
    Command,
    bench_option,
    json_option,
    print_json,
    say,
    show_progress,
    show_progress_end,
    tell,
)

if TYPE_CHECKING:
    from pathlib import Path

    from audiomeas.measurement.bench_check_findings import CheckReport, Finding

#: How wide the states of findings are.
_COLUMN = 16


@click.command(cls=Command)
@bench_option
@click.option(
    "--connected",
    type=click.Choice(["auto", "cable", "unit"]),
    default="auto",
    show_default=True,
    help="A loop cable from output to input allows all checks; with a unit connected they stay quiet.",
)
@click.option(
    "--baseline",
    type=click.Path(),
    metavar="FILE",
    help="Compare with a baseline: what moved, and how much; the first time it is made.",
)
@click.option("--save-baseline", type=click.Path(), metavar="FILE", help="Keep this check's figures as a baseline.")
@click.option("--captures", type=click.Path(file_okay=False), metavar="FOLDER", help="Keep every capture here.")
@json_option
def check(
    bench: str | None,
    connected: str,
    baseline: str | None,
    save_baseline: str | None,
    captures: str | None,
    as_json: bool,
) -> None:
    """Check that results of this bench can be trusted; exit status 3 when not.

    Plays quiet tones, 40 dB below every ceiling; louder ones only when the first look proves a loop cable. Looks at
    calibration, channels, polarity, level controls, foreign sound, gaps; through a cable also at gain, linearity,
    drift, rate, bits and clock.

    \b
    Example: audiomeas bench check --bench my-bench.toml --connected cable --baseline good-day.json
    """
    from pathlib import Path

    from audiomeas.files import refuse_unwritable
    from audiomeas.measurement.api import CaptureFolder, open_bench
    from audiomeas.measurement.bench_check import check_bench, with_findings
    from audiomeas.measurement.bench_check_baseline import read_baseline, write_baseline
    from audiomeas.measurement.bench_check_findings import refuse_untrusted
    from audiomeas.measurement.session import Session

    if baseline is not None and save_baseline is None and not Path(baseline).exists():
        say(f"{baseline} is not there yet: what this check finds is kept as the first baseline")
        baseline, save_baseline = None, baseline
    kept = None if baseline is None else read_baseline(Path(baseline))
    if save_baseline is not None:
        refuse_unwritable(Path(save_baseline))
    keep = None if captures is None else CaptureFolder(Path(captures), "bench-check")
    with Session(open_bench(bench), say=say, progress=show_progress) as session:
        report = check_bench(session, connected=connected, keep=keep)
    show_progress_end()
    if kept is not None and baseline is not None:
        report = with_findings(report, _moved(Path(baseline), kept, report))
    _print(report, as_json=as_json)
    refuse_untrusted(report.bench, report.findings)
    if save_baseline is not None:
        write_baseline(Path(save_baseline), report)
        say(f"baseline: {save_baseline}")


def _moved(path: Path, kept: dict[str, Any], report: CheckReport) -> tuple[Finding, ...]:
    """Return what moved since the baseline; figures of a check that found faults are not held against it."""
    from audiomeas.measurement.bench_check_baseline import compare
    from audiomeas.measurement.bench_check_findings import Finding

    if report.found:
        return (Finding(check="baseline", state="not checked", text="what was found stands in the way"),)
    return compare(path, kept, report)


def _print(report: CheckReport, *, as_json: bool) -> None:
    from audiomeas.measurement.result import SIMULATED_NOTE

    if as_json:
        print_json(report.as_json())
        return
    if report.simulated:
        click.echo(SIMULATED_NOTE)
    for finding in report.findings:
        tell(finding.state, f"{finding.check}: {finding.text}", column=_COLUMN)
    for channel, figures in report.figures.items():
        if figures:
            told = ", ".join(_figure(key, value) for key, value in figures.items())
            tell(f"channel {channel}", told, column=_COLUMN)


def _figure(key: str, value: float) -> str:
    """Return a figure as words: its key ends in its unit."""
    what, _, unit = key.rpartition("_")
    shown = {"dbv": "dBV", "db": "dB"}.get(unit, unit)
    return f"{what} {value:z.3f} {shown}" if what == "gain" else f"{what} {value:z.1f} {shown}"  # z: no zero has a sign
