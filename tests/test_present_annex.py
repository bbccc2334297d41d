"""The technical annex as data: each row of a record with what it rests on, and how anybody proves the record."""

from __future__ import annotations

import hashlib
import subprocess
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from plan_fakes import GOOD
from visits_made import UNIT, made, row_of

from audiomeas.present.annex import ROW_HEADINGS, Annex, _in_words, _validity, annex_of
from audiomeas.record.checksums import CHECKSUM_FILE, identity_of
from audiomeas.record.logbook import logbook
from audiomeas.record.visit import Visit, read_visit
from audiomeas.record.void import later_of, read_entries


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Visit:
    return read_visit(made(tmp_path_factory.mktemp("annex")))


@pytest.fixture(scope="module")
def annex(visit: Visit) -> Annex:
    return annex_of(visit, identity=identity_of(visit.path))


def facts(annex: Annex, heading: str) -> dict[str, str]:
    return dict(next(each.facts for each in (*annex.first, *annex.last) if each.heading == heading))


def test_each_row_of_each_step_is_there_with_limit_source_and_verdict(visit: Visit, annex: Annex) -> None:
    assert [each.name for each in annex.steps] == list(visit.planned_steps)
    (judged,) = [row for sheet in annex.steps for row in sheet.rows if row.limit]
    # the row that `visits_made` writes: 0.02 ± 0.001 % against at most 0.1 %; digits by the ±
    assert judged.cells == ("distortion", "1", "0.0200 ± 0.0010 %", "at most 0.1 %", "maker", "pass", "")
    assert len(judged.cells) == len(ROW_HEADINGS)
    measured = {key for sheet in annex.steps for row in sheet.rows for key in (row.words,)}
    assert len(measured) > 3


def test_reasons_bounds_and_what_is_missing_are_told(visit: Visit) -> None:
    rows = (
        row_of("THD", value=None, uncertainty=None, verdict="undecided", reason="missing: no tone"),
        row_of("THD", quantity="thd_n_percent", bound="at most", value=0.05, verdict="undecided", reason="the bench"),
    )
    steps = (replace(visit.steps[0], verdicts=rows), replace(visit.steps[1], result=None, status="failed", reason="no"))
    told = annex_of(replace(visit, steps=steps, planned_steps=("THD", "Response", "Noise")))
    first, second, third = told.steps
    assert [row.value for row in first.rows if row.limit] == ["not known", "at most 0.0500 %"]
    assert [row.reason for row in first.rows if row.limit] == ["missing: no tone", "the bench"]
    assert (second.state, third.state) == ("failed: no", "not run")
    assert second.rows == third.rows == ()


@pytest.mark.parametrize(
    ("until", "words"),
    [
        ("2026-05-01", "2026-05-01; valid on the day of this visit"),
        ("2026-04-30", "2026-04-30; expired on the day of this visit"),
        ("not known", "not known"),
    ],
)
def test_a_calibration_is_valid_to_the_end_of_its_last_day(until: str, words: str) -> None:
    assert _validity(until, date(2026, 5, 1)) == words


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        ("input_level_v_rms", 0.1289, ("input level", "0.1289 V")),
        ("band_hz", [20.0, 20_000.0], ("band", "20 Hz, 20 kHz")),
        ("load_ohm", {"1": 8.0, "2": 8.0}, ("load", "8 Ω")),
        ("load_ohm", {"1": 8.0, "2": 4.0}, ("load", "8 Ω (channel 1), 4 Ω (channel 2)")),
        ("load_uncertainty", {"1": 0.005}, ("load ±", "0.5 %")),
        ("polarity", {"1": -1}, ("polarity", "inverted")),
        ("level_v_rms", float("nan"), ("level", "not known")),
        ("notch", False, ("notch", "no")),
    ],
)
def test_conditions_are_told_in_words_with_their_unit(key: str, value: object, told: tuple[str, str]) -> None:
    assert list(_in_words([(key, value)])) == [told]


@pytest.mark.parametrize("value", [list(range(9)), [[1.0, 2.0]], {"1": {"a": 1}}, None, {}])
def test_tables_and_long_lists_are_left_to_the_record(value: object) -> None:
    assert list(_in_words([("curve_db", value)])) == []


def test_what_all_steps_share_is_said_once(annex: Annex) -> None:
    shared = facts(annex, "Conditions of all steps")
    assert shared
    for sheet in annex.steps:
        assert not shared.items() & dict(sheet.conditions).items()


def test_the_identity_is_what_the_system_s_own_tool_prints(visit: Visit, annex: Annex) -> None:
    """By coreutils' sha256sum where it is there, else by hashlib (FIPS 180-4 both)."""
    try:
        said = subprocess.run(["sha256sum", CHECKSUM_FILE], cwd=visit.path, capture_output=True, text=True, check=True)
        printed = said.stdout.split()[0]
    except FileNotFoundError:
        printed = hashlib.sha256((visit.path / CHECKSUM_FILE).read_bytes()).hexdigest()
    assert printed in facts(annex, "How to verify this record")["identity"]


def test_a_record_that_was_not_closed_proves_nothing(tmp_path: Path) -> None:
    visit = read_visit(made(tmp_path, close=False))
    told = annex_of(visit, identity=identity_of(visit.path))
    assert "was not closed" in facts(told, "How to verify this record")[""]
    assert "missing" in facts(told, "This record")["closed"]


def test_later_work_and_corrections_stand_in_it(tmp_path: Path) -> None:
    visit = read_visit(made(tmp_path))
    book = logbook(UNIT, records=tmp_path)
    book.correct(visit.path.name, step="THD", to="0.03 %", reason="misread", quantity="thd_percent", channel=1)
    told = annex_of(visit, later=later_of(visit), entries=read_entries(visit.path.parent))
    assert "0.03 %" in facts(told, "Void and corrected since")[""]
    assert any("correction" in name for name in facts(told, "Work on the unit"))


def test_a_result_that_can_t_be_drawn_is_said_and_its_rows_stay(annex: Annex) -> None:
    # the fake response of `plan_fakes` has figures and no curve, as a result of another version may
    response = annex.steps[1]
    assert response.charts == ()
    assert "can't be drawn" in response.notes[-1]
    assert response.rows


def test_simulated_results_make_a_simulated_annex(visit: Visit) -> None:
    real = tuple(replace(each, result=replace(GOOD[each.measurement], simulated=False)) for each in visit.steps)
    assert annex_of(visit).simulated
    assert not annex_of(replace(visit, steps=real)).simulated
