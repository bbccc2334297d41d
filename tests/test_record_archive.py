"""The history of a unit in the order of time, and that one unit among many is found without reading the others."""

from __future__ import annotations

import itertools
import json
from datetime import UTC, datetime, timedelta

import pytest
from archive_fakes import STEP, gain_result, written

import audiomeas
from audiomeas.cli.main import status_of
from audiomeas.errors import RequestError
from audiomeas.present.history import history_text
from audiomeas.record import journal, unit_folder
from audiomeas.record.unit import Unit, folder_name, may_hold, parse_unit


def test_a_history_is_told_in_the_order_of_time(tmp_path, monkeypatch):
    days = (datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=each) for each in itertools.count())
    monkeypatch.setattr(journal, "utc_now", lambda: next(days))
    written(tmp_path, {STEP: gain_result(15.0)})
    book = audiomeas.logbook("D-0001", records=tmp_path)
    book.repair("output transistor", position="Q7", reason="shorted")
    left = written(tmp_path, {STEP: gain_result(26.0)}, stage="as-left")
    book.listen("no hum at 1 m")
    written(tmp_path, {STEP: gain_result(26.0)}, stage="as-found", new_stay=True)
    found = audiomeas.history("d 0001", records=tmp_path)
    assert [visit.stage for visit in found.visits] == ["as-found", "as-left", "as-found"]
    assert found.stays == (1, 1, 2)
    assert found.verdicts == ("fail", "pass", "pass")
    assert [entry.kind for entry in found.entries] == ["repair", "listening"]
    assert [step.visit.name for step in found.standing.void] == [found.visits[0].path.name]
    text = history_text(found)
    places = [text.index(words) for words in ("stay 1", "as-found: fail", "repair", "as-left: pass", "stay 2")]
    assert places == sorted(places)
    assert left.path.name in text
    assert json.loads(json.dumps(found.as_json()))["visits"][1]["counts"] == {"pass": 1, "fail": 0, "undecided": 0}


def test_a_unit_of_which_nothing_can_be_read_is_not_told_as_empty(tmp_path):
    broken = written(tmp_path, {STEP: gain_result(26.0)})
    (broken.path / "visit.json").write_text("{")
    text = history_text(audiomeas.history("D-0001", records=tmp_path))
    assert "can't be read" in text
    assert "nothing was measured" not in text


def test_what_was_changed_or_cant_be_read_is_told_and_spares_the_rest(tmp_path, capsys):
    changed = written(tmp_path, {STEP: gain_result(26.0)})
    (changed.path / "plan.toml").write_text("title = 'Changed'\n")
    broken = written(tmp_path, {STEP: gain_result(26.0)}, stage="as-left")
    (broken.path / "visit.json").write_text("{")
    written(tmp_path, {STEP: gain_result(26.0)}, stage="return")
    assert status_of(["history", "D-0001", "--records", str(tmp_path)]) == 2
    told = capsys.readouterr().out
    assert "this record was changed and proves nothing" in " ".join(told.split())
    assert "can't be read:" in told
    assert "return: pass (1 pass)" in told


def test_a_changed_line_of_the_logbook_hides_no_work_from_the_history(tmp_path):
    visit = written(tmp_path, {STEP: gain_result(26.0)})
    book = audiomeas.logbook("D-0001", records=tmp_path)
    book.repair("output transistor", reason="shorted")
    book.listen("no hum at 1 m")
    book.file.write_text(book.file.read_text().replace("shorted", "leaking"))
    found = audiomeas.history("D-0001", records=tmp_path)
    assert [entry.kind for entry in found.entries] == ["repair", "listening"]
    assert [each.visit.name for each in found.standing.void] == [visit.path.name]
    assert found.standing.measure_again == (STEP,)
    assert len(found.unreadable) == 1 and "one of them was changed" in found.unreadable[0]


def test_nothing_of_a_unit_is_said_plainly(tmp_path):
    written(tmp_path, {STEP: gain_result(26.0)})
    with pytest.raises(RequestError, match=r"D-0002.*did you mean 'D-0001'"):
        audiomeas.history("D-0002", records=tmp_path)


#: What people write on units; each must be found by the name of the folder that it gets.
AWKWARD = ["D-0001", "0001", "№ 5/b", "Ω12", "serial with many words", "ÄÖÜ", "d_1.2", "x" * 50, "--", "1", "日本"]


@pytest.mark.parametrize("serial", AWKWARD)
def test_a_folder_name_never_hides_its_own_unit(serial):
    for model in ("Demo amplifier", "A model whose name is so long that nothing of the number is left in the folder's"):
        unit = Unit(model=model, serial=serial)
        for written_so in (serial, serial.lower(), serial.replace("-", ""), f" {serial} "):
            assert may_hold(folder_name(unit.name), written_so), unit.name


def test_of_many_units_only_those_that_may_be_it_are_read(tmp_path, monkeypatch):
    for number in range(200):
        unit = parse_unit(f"Demo amplifier, serial D-{number:04d}")
        folder = tmp_path / folder_name(unit.name)
        folder.mkdir()
        (folder / "unit.json").write_text(json.dumps({"record": 1, "unit": unit.as_json()}))
    read, plainly = [], unit_folder.read_unit
    monkeypatch.setattr(unit_folder, "read_unit", lambda folder: read.append(folder) or plainly(folder))
    assert audiomeas.history("D-0123", records=tmp_path).unit.serial == "D-0123"
    assert len(read) == 1
