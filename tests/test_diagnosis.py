"""Failure pictures: a sign's own logic, the table of rules, trials of broken and whole units, and the command.

Truth of the trials is the part that a trial broke (`diagnosis_faults`), in sizes drawn apart from any limit. A share of
them runs each time; all of them, and the table over many units, are wide.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from diagnosis_faults import FAULTS, fault_of, measured
from diagnosis_table import SEED, table, text
from plan_fakes import capture_of
from visits_made import PLAN

import audiomeas
from audiomeas.cli.main import status_of
from audiomeas.diagnosis.evidence import Evidence
from audiomeas.diagnosis.facts import Fact, above, below, either
from audiomeas.diagnosis.judge import judge
from audiomeas.diagnosis.picture import Case, Picture
from audiomeas.diagnosis.shaping import _differences
from audiomeas.diagnosis.table import PICTURES
from audiomeas.errors import EXIT_REQUEST
from audiomeas.present.annex import annex_of
from audiomeas.present.annex_pictures import HEADING, picture_facts
from audiomeas.present.diagnosed import diagnosis_text
from audiomeas.record.entry import Entry, Work
from audiomeas.record.store import PlanAsRun, Snapshot, open_visit
from audiomeas.record.unit import parse_unit
from audiomeas.record.visit import read_visit
from audiomeas.record.void import Later, VoidStep

#: Those that take a tenth of a second or two of processor time each.
CHEAP = ("crossover", "two-clocks", "detector")


def fact(value, half_width=0.1, bound="", unit="dB"):
    return Fact(words="a fact", value=value, unit=unit, half_width=half_width, step="Step", channel=1, bound=bound)


@pytest.mark.parametrize(
    ("value", "half_width", "bound", "beyond_1", "short_of_1"),
    [
        (1.2, 0.1, "", "yes", "no"),
        (1.05, 0.1, "", "open", "open"),  # the limit lies within the uncertainty
        (0.8, 0.1, "", "no", "yes"),
        (9.0, None, "", "open", "open"),  # an uncertainty that is not known makes nothing certain
        (9.0, None, "at least", "yes", "no"),
        (0.5, None, "at least", "open", "open"),
        (0.5, None, "at most", "no", "yes"),
        (9.0, None, "at most", "open", "open"),
        (math.nan, 0.1, "", "open", "open"),
    ],
)
def test_a_sign_holds_only_beyond_doubt(value, half_width, bound, beyond_1, short_of_1):
    assert above(fact(value, half_width, bound), 1.0).holds == beyond_1
    assert below(fact(value, half_width, bound), 1.0).holds == short_of_1


def test_differences_carry_both_uncertainties_and_bounds():
    """Independent ones add by their squares; the project widens two rectangular ones by a fifth at most."""
    apart = fact(3.0, 0.3).less(fact(1.0, 0.4), "apart")
    assert apart.value == 2.0
    assert 0.5 <= apart.half_width <= 0.6
    assert fact(3.0).less(fact(1.0, None), "apart").half_width is None
    assert fact(3.0).less(fact(1.0, bound="at most"), "apart").bound == "at least"
    both = fact(3.0, bound="at most").less(fact(1.0, bound="at most"), "apart")
    assert above(both, 0.0).holds == below(both, 0.0).holds == "open"
    assert fact(4.0).over(fact(2.0), "times").value == 2.0
    assert fact(4.0).over(fact(2.0), "times").step == "Step"
    assert fact(4.0).over(fact(0.0), "times") is None


def test_one_sign_alone_is_no_picture_and_one_that_fails_is_enough_against_it():
    yes, no, unsure = above(fact(2.0), 1.0), above(fact(0.0), 1.0), above(fact(1.0), 1.0)
    with pytest.raises(ValueError, match="2 facts"):
        Case((yes,))
    assert [Case(pair).holds for pair in ((yes, yes), (yes, unsure), (unsure, no))] == ["yes", "open", "no"]
    assert either(no, unsure) is unsure
    assert either(no, unsure, yes) is yes


def test_the_table_is_whole():
    names = [picture.name for picture in PICTURES]
    assert len(set(names)) == len(names) >= 30
    assert {fault.picture for fault in FAULTS} == set(names), "each picture has its fault"
    assert len({fault.name for fault in FAULTS}) == len(FAULTS)
    for picture in PICTURES:
        words = (
            picture.signature,
            picture.consistent_with,
            picture.check,
            picture.bench,
            picture.needs,
            picture.source,
        )
        assert all(words), picture.name
        assert not any(certain in " ".join(words) for certain in ("definitely", "certainly", "must be"))


def test_without_facts_nothing_is_told_but_what_to_measure():
    found = judge(Evidence(kind="", steps=()))
    assert [one.holds for one in found] == [None] * len(PICTURES)
    assert found[0].as_json() == {
        "picture": "asymmetric-clipping",
        "outcome": "can't be judged",
        "signature": PICTURES[0].signature,
        "measure": "clipping",
    }


def test_a_picture_is_that_of_its_kinds():
    tubes = Picture(
        name="", signature="", consistent_with="", check="", bench="", needs="", look=lambda _: (), kinds=("tube",)
    )
    assert tubes.fits("Tube power amplifier")
    assert tubes.fits("")  # not known: it may be one
    assert not tubes.fits("turntable")


def trial_of(picture, *, broken):
    """Return a trial's facts."""
    fault = fault_of(picture)
    return measured(fault, [SEED, 1, FAULTS.index(fault), 0], broken=broken)


def told_of(evidence):
    """Return what facts tell of each picture."""
    return {one.picture.name: one for one in judge(evidence)}


@pytest.fixture(scope="module")
def trials():
    """Facts of the cheap trials, broken and whole."""
    return {picture: [trial_of(picture, broken=broken) for broken in (True, False)] for picture in CHEAP}


@pytest.mark.parametrize("picture", CHEAP)
def test_a_broken_unit_is_told_and_a_whole_one_is_not(trials, picture):
    broken, whole = (told_of(evidence) for evidence in trials[picture])
    assert broken[picture].holds == "yes"
    for case in broken[picture].cases:
        assert len(case.signs) >= 2
        assert all(sign.holds == "yes" for sign in case.signs)
    assert not [name for name, one in whole.items() if one.holds == "yes"]


def test_the_louder_channel_is_told_over_the_other_whichever_it_is():
    (step,) = trial_of("channel-low-flat", broken=True).of("response")
    first, second = step.channels()
    for sign in (1.0, -1.0):  # as it was made, and with the two results exchanged
        gains = sorted((sign * one.values["gain_at_reference_db"], one.channel) for one in (first, second))
        balance = {**second.values, "balance_db": sign * second.values["balance_db"]}
        turned = replace(step.result, channels=(first, replace(second, values=balance)))
        ((told, _),) = _differences(Evidence(kind="amplifier", steps=(replace(step, result=turned),)))
        assert told.words.startswith(f"channel {gains[1][1]} over channel {gains[0][1]} ")
        assert told.value == pytest.approx(gains[1][0] - gains[0][0], abs=0.01)  # dB: both are read at 1 kHz


@pytest.mark.wide
@pytest.mark.parametrize("fault", [fault.name for fault in FAULTS if fault.name not in CHEAP])
def test_every_broken_unit_is_told_and_a_whole_one_is_not(fault):
    assert told_of(trial_of(fault, broken=True))[fault_of(fault).picture].holds == "yes"
    assert not [name for name, one in told_of(trial_of(fault, broken=False)).items() if one.holds == "yes"]


@pytest.mark.wide
def test_the_table_of_many_units():
    """`python -m diagnosis_table` makes it larger."""
    rows, problems = table(10, 60, workers=2)
    print(text(rows))
    assert not problems
    assert sum(row.good for row in rows.values()) >= 30


# -- the command -----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def visits(tmp_path_factory, trials):
    """A unit with too little idle current, and the same one whole: two visits with the steps of a trial."""
    records = tmp_path_factory.mktemp("diagnosis") / "records"
    serials = ("D-0001", "D-0002")
    return [made(records, serial, evidence) for serial, evidence in zip(serials, trials["crossover"], strict=True)]


def made(records: Path, serial: str, evidence: Evidence) -> Path:
    names = tuple(one.step for one in evidence.steps)
    plan = PlanAsRun(title="Trial", kind="power amplifier", file="plan.toml", text=PLAN.text, steps=names)
    unit = parse_unit(f"Demo amplifier A, serial {serial}", kind="power amplifier")
    visit = open_visit(records, unit, "as-found", plan=plan, snapshot=Snapshot(bench={"name": "fake"}))
    for one in evidence.steps:
        step = visit.begin_step(one.step, one.result.measurement, {})
        step.keep(*capture_of())
        step.finish(one.result, [])
    visit.finish(None)
    return visit.path


def test_the_command_says_what_it_is_consistent_with_and_what_to_check(visits, capsys):
    assert status_of(["diagnose", str(visits[0])]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "consistent with crossover distortion" in out
    assert "check idle current when warm" in out
    assert out.count("fact ") >= 2
    assert "bench a card behind a high attenuation" in out
    assert "can't be judged: measure" in out
    assert "never a proof" in out
    assert status_of(["diagnose", str(visits[1])]) == 0
    assert "No failure picture fits" in capsys.readouterr().out


def test_a_unit_stands_for_its_newest_visit_and_json_holds_every_number(visits, capsys):
    records = str(visits[0].parent.parent)
    assert status_of(["diagnose", "D-0001", "--records", records, "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    rows = {row["picture"]: row for row in facts["pictures"]}
    assert rows["crossover"]["outcome"] == "found"
    for case in rows["crossover"]["cases"]:
        for sign in case:
            assert sign["holds"] == "yes"
            assert sign["value"] - sign["uncertainty"] > sign["limit"]
    assert rows["supply-sag"] == {
        "picture": "supply-sag",
        "outcome": "can't be judged",
        "signature": rows["supply-sag"]["signature"],
        "measure": "clipping with driving = 'alone', which plays each channel alone too",
    }


def test_a_reference_is_another_visit(visits):
    found = audiomeas.diagnose(visits[0], visits[1])
    assert found.against is not None
    assert found.as_json()["against"] == str(visits[1])
    assert "held against" in diagnosis_text(found)


def test_the_annex_tells_what_fits_with_its_facts_and_nothing_of_a_whole_unit(visits):
    broken, whole = (annex_of(read_visit(path)) for path in visits)
    (told,) = [section.facts for section in broken.last if section.heading == HEADING]
    assert ("consistent with", "crossover distortion: too little idle current") in told
    assert [name for name, _ in told].count("fact") >= 2
    assert {"check", "bench"} <= {name for name, _ in told}
    assert "never a proof" in told[-1][1]
    assert HEADING not in {section.heading for section in whole.last}


def test_the_annex_tells_nothing_of_a_step_that_was_voided(visits):
    """Idle current that was set since is another one: a step that is void is no fact of the unit as it is."""
    visit = read_visit(visits[0])
    turned = Work(part="idle current", reason="it was too low")
    work = Entry(number=1, at=visit.opened_at, kind="adjustment", by="", content=turned)
    void = tuple(
        VoidStep(visit=visit.path, step=step.name, measurement=step.measurement, since=work) for step in visit.steps
    )
    assert list(picture_facts(visit, Later()))
    assert not list(picture_facts(visit, Later(void=void)))


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["nowhere"], "nowhere"),
        (["{0}", "--against", "{0}"], "can't be held against itself"),
        (["{0}", "--against", "{0}/.."], "D-0001"),
        ([], "Missing argument 'RECORD'"),
    ],
)
def test_wrong_input_is_one_line(visits, capsys, arguments, said, monkeypatch):
    monkeypatch.chdir(visits[0].parent.parent.parent)
    status = status_of(["diagnose", *(argument.format(visits[0]) for argument in arguments)])
    error = capsys.readouterr().err
    if "--against" in arguments and ".." in arguments[-1]:
        assert status == EXIT_REQUEST  # the unit's newest visit is the same one
        assert "itself" in error
        return
    assert status == EXIT_REQUEST
    assert said in error
    assert error.count("\n") == 1
