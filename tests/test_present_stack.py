"""A stack in lines and in one chart: who passed, what kept the others from it, and which figure stands out."""

from __future__ import annotations

from dataclasses import replace

import pytest
from plan_fakes import PLAN, FakeSession, result_of, use_fakes
from stacks import name_of, stack_file

from audiomeas.errors import CaptureError
from audiomeas.measurement.views import ChartView, Series
from audiomeas.plan.file import read_plan
from audiomeas.plan.run import run_on
from audiomeas.present.overlay import laid_over
from audiomeas.present.stack import StackLine, stack_text
from audiomeas.record.standing_out import standing_out
from audiomeas.record.unit import parse_unit


def session_of(thd_percent, gain_db=26.0):
    return FakeSession(
        {"distortion": result_of("distortion", thd_percent=(thd_percent, 0.001), gain_db=(gain_db, 0.02))}
    )


@pytest.fixture(scope="module")
def lines(tmp_path_factory):
    """Five units: four alike with gains that scatter by 0.05 dB, D with 1.5 dB less and a failed response."""
    folder = tmp_path_factory.mktemp("stack")
    stack_file(folder, "A", PLAN)
    plan, found = None, []
    with pytest.MonkeyPatch.context() as patch:
        use_fakes(patch)
        plan = read_plan(folder / "short.toml")
        for number, (letter, gain_db) in enumerate(zip("ABCDE", (26.0, 26.05, 25.95, 24.5, 26.02), strict=True), 1):
            session = session_of(0.02, gain_db)
            if letter == "D":
                session.outcomes["response"] = CaptureError("samples were lost")
            visit = run_on(session, plan, unit=parse_unit(name_of(letter)), records=folder / "records").visit
            found.append(
                StackLine(
                    number=number, name=visit.unit.name, stage=visit.stage, outcome="done", reason="", visit=visit
                )
            )
    return found


@pytest.fixture(autouse=True)
def fakes(monkeypatch):
    use_fakes(monkeypatch)


def test_what_stands_out_is_the_one_unit_and_figure(lines):
    """Median 26.0 dB, deviations 0, 0.05, 0.05, 1.5, 0.02: sigma 1.48 · 0.05; D is 20 of them off (needed: 18.65)."""
    found = standing_out([line.visit for line in lines])
    assert [(one.visit.unit.name, one.found.channel, one.found.figure.key) for one in found] == [
        (name_of("D"), 1, "gain_db"), (name_of("D"), 2, "gain_db"),
    ]  # fmt: skip
    assert (found[0].found.value, found[0].found.median, found[0].found.results) == (24.5, 26.0, 5)
    assert standing_out([line.visit for line in lines[:4]]) == ()  # of four nobody can tell


def test_the_lines_of_a_stack(lines):
    skipped = StackLine(
        number=6, name="Demo amplifier F, tag 6", stage="as-found", outcome="skipped", reason="", visit=None
    )
    text = stack_text("Shelf", [*lines, skipped])
    assert max(map(len, text.splitlines())) <= 80
    rows = {line.split()[0]: line.split()[-1] for line in text.splitlines() if line[:4].strip().isdigit()}
    assert rows == {"1": "pass", "2": "pass", "3": "pass", "4": "undecided", "5": "pass", "6": "skipped"}
    assert f"- unit 4, {name_of('D')}: Response (undecided)" in text
    assert f"{name_of('D')}, channel 1:\n- Distortion at 1 W: gain 24.5 dB, median of 5 units 26 dB" in text
    assert "SIMULATED" in text


def test_few_units_say_that_nobody_can_tell(lines):
    assert "What stands out is told from 5 units on; these are 2." in stack_text("Shelf", lines[:2])


def test_of_many_curves_only_those_that_stand_out_have_names():
    curve = Series(label="channel 1", x=(20.0, 20_000.0), y=(0.0, -1.0), channel=1)
    view = ChartView(
        name="response", title="Response", x_label="Frequency (Hz)", y_label="Gain (dB)", series=(curve,), caption=""
    )  # fmt: skip
    low = replace(view, series=(replace(curve, y=(-5.0, -6.0)),))
    drawn = laid_over([view, low, view], ["D-1", "D-2", "D-3"], title="all", named=[False, True, False])
    assert [one.label for one in drawn.series] == ["the other 2", "D-2, channel 1"]
    others = drawn.series[0]
    assert list(others.y) == [0.0, -1.0, None, 0.0, -1.0, None] and others.channel is None
    assert [one.label for one in laid_over([view] * 3, ["a", "b", "c"], title="all", named=[False] * 3).series] == [
        "all 3"
    ]
