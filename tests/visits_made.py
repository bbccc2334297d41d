"""Small visits for tests of records: made through the store, without a bench."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from plan_fakes import GOOD, capture_of

from audiomeas.record import journal
from audiomeas.record.store import PlanAsRun, Snapshot, VisitWriter, open_visit
from audiomeas.record.unit import Unit, parse_unit
from audiomeas.record.verdict_row import Verdict, overall

UNIT = parse_unit("Demo amplifier A, serial D-0001", kind="power amplifier")
STEPS = {"THD": "distortion", "Response": "response"}
PLAN = PlanAsRun(title="Short", kind="power amplifier", file="plan.toml", text="title = 'Short'\n", steps=tuple(STEPS))
FAKE_BENCH = Snapshot(bench={"name": "fake"})


def row_of(step: str, **changes: Any) -> Verdict:
    """Return a row that passes."""
    facts: dict[str, Any] = {
        "step": step, "quantity": "thd_percent", "unit": "%", "words": "distortion", "channel": 1, "value": 0.02,
        "uncertainty": 0.001, "bound": "", "at_least": None, "at_most": 0.1, "difference_at_most": None,
        "source": "maker", "verdict": "pass",
    }  # fmt: skip
    return Verdict(**{**facts, **changes})


def opened(records: Path, stage: str = "as-found", unit: Unit = UNIT, **how: Any) -> VisitWriter:
    """Open a visit."""
    return open_visit(records, unit, stage, plan=PLAN, snapshot=FAKE_BENCH, **how)


def made(records: Path, stage: str = "as-found", unit: Unit = UNIT, *, close: bool = True, **how: Any) -> Path:
    """Make a visit of two steps with a capture each; the first one has a limit that is kept."""
    visit = opened(records, stage, unit, **how)
    rows = [row_of("THD")]
    for name, word in STEPS.items():
        step = visit.begin_step(name, word, {})
        step.keep(*capture_of())
        step.finish(GOOD[word], rows if name == "THD" else [])
    if close:
        visit.finish(overall(rows))
    return visit.path


def at(monkeypatch: pytest.MonkeyPatch, time: str) -> None:
    """Set the clock: '2026-05-01T10:00:00Z'."""
    moment = datetime.fromisoformat(time)
    monkeypatch.setattr(journal, "utc_now", lambda: moment)
