"""The plans that ship, one for each kind of unit: each asks before it sounds, says whose its limits are, can be run.

A run of each with its healthy simulated unit is among the wider tests; a person's answers stand in `shipped_plan_runs`.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from shipped_plan_runs import CASES, Case

import audiomeas
from audiomeas.errors import TomlProblem
from audiomeas.measurement.media import generate_disc, generate_tape_side
from audiomeas.plan.answers import refuse_wrong_answers
from audiomeas.plan.check import check_plan
from audiomeas.plan.file import Plan, find_plan, read_plan, refuse_impossible, shipped_plans
from audiomeas.plan.keys import SOURCES
from audiomeas.plan.steps import Instruction, Reading, Step, Topology, sounds
from audiomeas.plan.typed import WIRING
from audiomeas.simulation.unit import read_unit, shipped_units
from audiomeas.stimulus import tape_side

#: What plans must ship for (the issue's own list), and the plan of each; triage is of no kind of its own.
KINDS = {
    "solid-state power amplifier": "solid-state-amplifier",
    "tube power amplifier": "tube-amplifier",
    "preamplifier": "preamplifier",
    "phono stage": "phono-stage",
    "receiver": "receiver",
    "CD player": "cd-player",
    "tuner": "tuner",
    "cassette deck": "cassette-deck",
    "reel deck": "reel-deck",
    "turntable": "turntable",
    "a five-minute triage": "triage",
}
#: Plans for one figure or one claim, that ask nothing: for a unit that stands wired already.
ASK_NOTHING = {"converter", "power-amplifier", "power-amplifier-clipping", "power-amplifier-noise", "power-claim"}
#: At which rates they can be run: a lower one is refused, and says why.
RATES_HZ = (44_100.0, 48_000.0, 96_000.0)
#: A maker's claim of these plans is of a demo amplifier, and says so; the others leave it to the person.
WITH_A_MAKERS_WORDS = {"solid-state-amplifier"}


@pytest.fixture(scope="module")
def disc_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder in which a plan finds its test disc, and its tape's side: of the shortest parts that can be told."""
    folder = tmp_path_factory.mktemp("media")
    generate_disc(folder / "test-disc")
    whole = tape_side.side_parts

    def shorter(*about: Any) -> tuple[tape_side.Part, ...]:
        return tuple(replace(part, duration_s=max(0.2 * part.duration_s, 2.2)) for part in whole(*about))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tape_side, "side_parts", shorter)
        generate_tape_side(folder / "test-side.wav", level_v_rms=10 ** (-12 / 20), sample_rate_hz=33_000)
    return folder


@pytest.fixture(autouse=True)
def beside_the_disc(disc_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(disc_folder)


@pytest.fixture(scope="module")
def plans() -> dict[str, Plan]:
    return {name: read_plan(find_plan(name)) for name in CASES}


def test_each_kind_has_its_plan(plans: dict[str, Plan]) -> None:
    assert set(KINDS.values()) <= set(CASES)
    assert set(shipped_plans()) == set(CASES) | ASK_NOTHING
    for words, name in KINDS.items():
        kind = "power amplifier" if name in ("triage", "solid-state-amplifier") else words
        assert plans[name].kind == kind == CASES[name].kind


@pytest.mark.parametrize("name", CASES)
def test_what_sounds_is_wired_and_checked_first(plans: dict[str, Plan], name: str) -> None:
    steps = plans[name].steps
    first_measured = next(number for number, step in enumerate(steps) if isinstance(step, Step))
    wiring = next(number for number, step in enumerate(steps) if step.name == WIRING)
    asked = [step for step in steps[wiring + 1 :] if not isinstance(step, Step) and step.must_pass]
    assert wiring < first_measured
    assert asked
    assert all(steps.index(step) < first_measured for step in asked[:2])
    if "loads" in steps[wiring].text.lower():  # what has power outputs: their minus, the limiter bulb and the mains
        assert [isinstance(step, Topology) for step in steps[:2]] == [True, True]
        assert any("Limiter bulb out" in step.name for step in steps)
        assert any(isinstance(step, Reading) and step.what == "Mains voltage" for step in steps)


@pytest.mark.parametrize("name", CASES)
def test_each_limit_says_whose_it_is(plans: dict[str, Plan], name: str) -> None:
    steps = plans[name].steps
    sources = {limit.source for step in steps for limit in (*step.limits, *step.masks)}
    assert sources <= set(SOURCES)
    assert ("maker" in sources) == (name in WITH_A_MAKERS_WORDS)
    assert all(step.limits or step.masks for step in steps if isinstance(step, Step))
    text = plans[name].text.lower()
    assert "common practice" in text  # where the house's limits come from
    assert ("din 45500" in text or "from memory" in text) or "era" not in sources


@pytest.mark.parametrize("name", shipped_plans())
def test_it_can_be_run_at_the_rates_that_it_is_for(name: str) -> None:
    plan = read_plan(find_plan(name))
    lowest_hz = CASES[name].lowest_rate_hz if name in CASES else RATES_HZ[0]
    for rate_hz in RATES_HZ:
        if rate_hz >= lowest_hz:
            refuse_impossible(plan, rate_hz)
        else:
            with pytest.raises(TomlProblem, match="higher sample rate"):
                refuse_impossible(plan, rate_hz)


@pytest.mark.parametrize("name", CASES)
def test_its_bench_can_run_it_and_its_questions_have_answers(plans: dict[str, Plan], name: str, tmp_path: Path) -> None:
    case = CASES[name]
    found = check_plan(find_plan(name), bench=case.bench_file(tmp_path, 96_000))
    assert (found.missing, found.exit_status) == ((), 0)
    answers = case.answers(plans[name])
    assert set(answers) == set(found.asked)
    refuse_wrong_answers(plans[name].steps, answers)


@pytest.mark.parametrize(
    "name", ["cd-player", "cd-player-disc", "tuner", "turntable", "cassette-deck-side", "reel-deck-side"]
)
def test_nothing_is_sent_to_what_plays_by_itself(plans: dict[str, Plan], name: str) -> None:
    assert not any(sounds(step) for step in plans[name].steps)
    before = [step for step in plans[name].steps if isinstance(step, Instruction) and "silent, too" in step.text]
    assert before  # a cable that is out would pass
    assert before[0].must_pass


@pytest.mark.parametrize("name", ["cassette-deck", "reel-deck", "turntable"])
def test_what_turns_is_held_to_speed_and_flutter(plans: dict[str, Plan], name: str) -> None:
    (step,) = [one for one in plans[name].steps if isinstance(one, Step) and one.measure == "flutter"]
    assert {limit.quantity for limit in step.limits} == {
        "speed_error_percent",
        "weighted_percent",
        "weighted_rms_percent",
    }
    assert not sounds(step)


@pytest.mark.parametrize("name", ["cassette-deck-side", "reel-deck-side"])
def test_a_deck_is_held_to_both_its_tapes(plans: dict[str, Plan], name: str) -> None:
    test_tape, own = [one for one in plans[name].steps if isinstance(one, Step) and one.measure == "tape"]
    assert {limit.quantity for limit in test_tape.limits} >= {"speed_error_percent", "azimuth_deg", "weighted_percent"}
    assert {limit.quantity for limit in own.limits} >= {"mol_db", "snr_a_db", "crosstalk_db", "erasure_db"}


def test_readme_names_each_of_them() -> None:
    # It does not travel in the wheel.
    text = Path(__file__).parents[1].joinpath("README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([\w-]+)`", text))
    assert set(shipped_plans()) <= named


def test_shipped_units_are_of_the_kinds_that_their_plans_are_for() -> None:
    for name, case in CASES.items():
        kind = read_unit(shipped_units()[case.unit]).kind
        assert kind == case.kind or name == "receiver"  # its amplifier is an amplifier's


def _run(name: str, case: Case, folder: Path, rate_hz: int) -> None:
    outcome = audiomeas.run(
        name,
        unit=f"Demo {case.kind}, serial D-0100",
        bench=case.bench_file(folder, rate_hz),
        records=folder / "records",
        answers=case.answers(read_plan(find_plan(name))),
    )
    left = [(row.words, row.verdict, row.reason) for row in outcome.verdicts if row.verdict != "pass"]
    assert left == []
    assert (outcome.verdict, outcome.exit_status, outcome.failures) == ("pass", 0, ())
    assert outcome.visit.simulated


def test_a_healthy_player_passes(tmp_path: Path) -> None:
    """The quickest of them: it plays nothing."""
    _run("cd-player", CASES["cd-player"], tmp_path, 48_000)


@pytest.mark.wide
@pytest.mark.parametrize(
    ("unit", "failed"),
    [
        # Its file: dead bands of a few millivolts; 27.0 and 25.4 dB of gain.
        ("amplifier-under-biased", {("Distortion at 0.1 W", "thd_percent")}),
        ("amplifier-weak-channel", {("Distortion and gain at 1 W", "gain_db")}),
    ],
)
def test_triage_finds_what_is_wrong(unit: str, failed: set[tuple[str, str]], tmp_path: Path) -> None:
    case = replace(CASES["triage"], unit=unit)
    outcome = audiomeas.run(
        "triage",
        unit="Demo amplifier, serial D-0101",
        bench=case.bench_file(tmp_path, 48_000),
        records=tmp_path / "records",
        answers=case.answers(read_plan(find_plan("triage"))),
    )
    assert (outcome.verdict, outcome.exit_status) == ("fail", 1)
    assert {(row.step, row.quantity) for row in outcome.verdicts if row.verdict == "fail"} == failed


@pytest.mark.wide
@pytest.mark.parametrize("name", CASES)
def test_a_healthy_unit_passes(name: str, tmp_path: Path) -> None:
    _run(name, CASES[name], tmp_path, CASES[name].run_rate_hz)
