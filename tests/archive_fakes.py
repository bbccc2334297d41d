"""Small records for tests of archives: results said beforehand, written by the store as a run writes them."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from plan_fakes import capture_of

from audiomeas.bench.parts import Part
from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.record.store import PlanAsRun, Snapshot, open_visit
from audiomeas.record.unit import Unit, parse_unit
from audiomeas.record.verdict_row import Verdict
from audiomeas.record.visit import Visit, read_visit

UNIT = parse_unit("Demo amplifier A, serial D-0001", kind="power amplifier")
STEP = "Gain at 1 W"
BENCH_HASH = "be" * 32
SNAPSHOT = Snapshot(
    bench={"name": "fake", "sha256": BENCH_HASH},
    hashes={"bench.toml": BENCH_HASH, "card.toml": "ca" * 32},
    texts={"bench.toml": "name = 'fake'\n"},
    simulated=True,
)


def gain_result(*gains_db: float | None, half_db: float = 0.05, noise_db: float = 0.001, **changes: Any) -> Result:
    """Return a result of `gain`, a channel each: a rectangular calibration's part, and noise."""
    channels = tuple(
        ChannelResult(
            channel=number,
            values={"gain_db": gain_db},
            uncertainty={} if gain_db is None else {"gain_db": half_db},
            budget={}
            if gain_db is None
            else {
                "gain_db": (
                    Part("input calibration", half_db, "rectangular", f"input {number}"),
                    Part("noise and fit", noise_db),
                )
            },
        )
        for number, gain_db in enumerate(gains_db, start=1)
    )
    facts = {"conditions": {"load_ohm": {"1": 8.0, "2": 8.0}, "driven_channels": [1, 2]}, "simulated": True, **changes}
    return Result(measurement="gain", sample_rate_hz=48_000.0, channels=channels, **facts)


def row_of(value: float | None, *, at_least: float = 20.0, step: str = STEP) -> Verdict:
    """Return a verdict row on the gain of channel 1."""
    return Verdict(
        step=step, quantity="gain_db", unit="dB", words="gain", channel=1, value=value,
        uncertainty=None if value is None else 0.05, bound="", at_least=at_least, at_most=None, difference_at_most=None,
        source="house", verdict="undecided" if value is None else "pass" if value >= at_least + 0.05 else "fail",
    )  # fmt: skip


def written(
    records: Path,
    results: Mapping[str, Result | str],
    *,
    unit: Unit = UNIT,
    stage: str = "as-found",
    calibration: str = "ca" * 32,
    simulated: bool = True,
    asked: Mapping[str, Any] | None = None,
    title: str = "Short",
    planned: tuple[str, ...] | None = None,
    **opening: Any,
) -> Visit:
    """Write a visit and read it back. results : step → its result, or why there is none."""
    plan = PlanAsRun(
        title=title, kind=unit.kind, file="short.toml", text="title = 'Short'\n", steps=planned or tuple(results)
    )
    hashes = {**SNAPSHOT.hashes, "card.toml": calibration}
    snapshot = dataclasses.replace(SNAPSHOT, hashes=hashes, simulated=simulated)
    visit = open_visit(records, unit, stage, plan=plan, snapshot=snapshot, **opening)
    for name, result in results.items():
        word = result.measurement if isinstance(result, Result) else "gain"
        step = visit.begin_step(name, word, {"input_level": "100 mV", "output_level": None, **(asked or {})})
        step.keep(*capture_of())
        if isinstance(result, Result):
            value = result.channels[0].values.get("gain_db")
            step.finish(result, () if value is None else (row_of(value, step=name),))
        else:
            step.fail(result, (row_of(None, step=name),), status=3)
    visit.finish(None)
    return read_visit(visit.path)
