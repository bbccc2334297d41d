"""`verify`: a record that nobody touched holds; whatever is changed, lost or added is named, with its file."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from visits_made import UNIT, made

import audiomeas
from audiomeas.cli.main import status_of
from audiomeas.errors import AudiomeasError
from audiomeas.present.outcome import visit_text
from audiomeas.record.checksums import CHECKSUM_FILE, write_checksums
from audiomeas.record.store import read_visit, refuse_visit
from audiomeas.record.unit import parse_unit
from audiomeas.record.verify import Verified
from audiomeas.record.void import later_of


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two units; the first one with two visits, a logbook of three lines and a photo."""
    records = tmp_path_factory.mktemp("archive") / "records"
    book = audiomeas.logbook(UNIT, records=records)
    book.listen("hum")
    made(records)
    book.repair("Q7", reason="shorted")
    made(records, "as-left")
    photo = records.parent / "front.jpg"
    photo.write_bytes(b"a picture of the front")
    book.attach(photo)
    made(records, unit=parse_unit("Demo amplifier B, serial D-0002"))
    return records


@pytest.fixture
def copy(archive: Path, tmp_path: Path) -> Path:
    """The archive once more, to be changed."""
    return Path(shutil.copytree(archive, tmp_path / "records"))


def _unit(records: Path) -> Path:
    return next(records.glob("demo-amplifier-a-*"))


def _visit(records: Path) -> Path:
    return next(_unit(records).glob("*-as-left"))


def test_what_nobody_touched_holds(archive: Path) -> None:
    before = {file: file.read_bytes() for file in archive.rglob("*") if file.is_file()}
    whole = audiomeas.verify(archive)
    assert whole == Verified(units=2, visits=3, entries=3, problems=(), notes=())
    assert audiomeas.verify(_unit(archive)) == Verified(units=1, visits=2, entries=3, problems=(), notes=())
    assert audiomeas.verify(_visit(archive)) == Verified(units=0, visits=1, entries=0, problems=(), notes=())
    both = audiomeas.verify(_unit(archive), _visit(archive))
    assert (both.units, both.visits, both.unchanged) == (1, 3, True)
    assert {file: file.read_bytes() for file in archive.rglob("*") if file.is_file()} == before


def _line_out(file: Path, number: int) -> None:
    lines = file.read_bytes().splitlines(keepends=True)
    del lines[number - 1]
    file.write_bytes(b"".join(lines))


def _swap_sides(records: Path) -> Path:
    visit = _visit(records)
    target = next(records.glob("demo-amplifier-b-*")) / visit.name
    visit.rename(target)
    return target


_CHANGES: dict[str, tuple[Callable[[Path], object], str]] = {
    "a capture": (
        lambda r: (_visit(r) / "01-thd" / "capture.flac").write_bytes(b"x"), "01-thd/capture.flac is not as it was"
    ),
    "a capture lost": (lambda r: (_visit(r) / "01-thd" / "capture.flac").unlink(), "01-thd/capture.flac is missing"),
    "a result": (
        lambda r: (_visit(r) / "01-thd" / "result.json").write_text("{}"), "01-thd/result.json is not as it was"
    ),
    "a journal": (lambda r: _line_out(_visit(r) / "journal.jsonl", 2), "journal.jsonl is not as it was"),
    "visit.json lost": (lambda r: (_visit(r) / "visit.json").unlink(), "visit.json is missing"),
    "a file added": (lambda r: (_visit(r) / "note.txt").write_text("x"), "note.txt was added"),
    "checksums lost": (lambda r: (_visit(r) / CHECKSUM_FILE).unlink(), "checksums.sha256 is missing"),
    "checksums damaged": (lambda r: (_visit(r) / CHECKSUM_FILE).write_text("x\n"), "line 1, is no checksum"),
    "a visit in another unit's folder": (_swap_sides, "stands in the folder of Demo amplifier B"),
    "a logbook line": (
        lambda r: (_unit(r) / "logbook.jsonl").write_bytes(
            (_unit(r) / "logbook.jsonl").read_bytes().replace(b"Q7", b"Q8")
        ),
        "logbook.jsonl, line 3: it does not follow the line before it",
    ),
    "a logbook line taken out": (lambda r: _line_out(_unit(r) / "logbook.jsonl", 2), "logbook.jsonl, line 2"),
    "the last logbook lines cut off": (
        lambda r: [_line_out(_unit(r) / "logbook.jsonl", n) for n in (3, 2)], "logbook.jsonl: line 2 is missing or was"
    ),
    "the logbook lost": (lambda r: (_unit(r) / "logbook.jsonl").unlink(), "logbook.jsonl: line 1 is missing or was"),
    "an attachment": (
        lambda r: next((_unit(r) / "attachments").iterdir()).write_bytes(b"x"), "is not as it was when it was attached"
    ),
    "an attachment lost": (lambda r: next((_unit(r) / "attachments").iterdir()).unlink(), ".jpg is missing"),
    "unit.json": (lambda r: (_unit(r) / "unit.json").write_text("[]"), "unit.json is not part of a record"),
    "a newer record": (
        lambda r: (_unit(r) / "unit.json").write_text('{"record": 2}'), "unit.json was written by a newer audiomeas"
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", _CHANGES)
def test_every_change_is_named_and_the_rest_is_still_checked(
    copy: Path, what: str, capsys: pytest.CaptureFixture[str]
) -> None:
    change, words = _CHANGES[what]
    change(copy)
    found = audiomeas.verify(copy)
    assert not found.unchanged
    assert any(words in problem for problem in found.problems), found.problems
    assert all("\n" not in problem and str(copy) in problem for problem in found.problems)
    other = next(copy.glob("demo-amplifier-b-*/*-as-found")) / "more.txt"
    other.write_text("")  # one problem hides no other
    assert len(audiomeas.verify(copy).problems) == len(found.problems) + 1
    assert status_of(["record", "verify", str(copy)]) == 2
    out, err = capsys.readouterr()
    assert words in out and "audiomeas: these records are not as they were" in err


def test_a_record_whose_checksums_were_made_anew_is_found_by_its_own_numbers(copy: Path) -> None:
    file = _visit(copy) / "01-thd" / "verdict.json"
    file.write_text(file.read_text().replace('"value": 0.02', '"value": 0.2'))
    (_visit(copy) / CHECKSUM_FILE).unlink()
    write_checksums(_visit(copy))
    assert ["its own numbers say fail" in problem for problem in audiomeas.verify(copy).problems] == [True]


def test_what_proves_nothing_is_a_note_and_no_damage(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    open_visit = made(copy, "as-left", close=False)
    (open_visit.parent / "attachments" / "stray.jpg").write_bytes(b"x")
    with (open_visit.parent / "logbook.jsonl").open("ab") as handle:
        handle.write(b'{"at": "2026')  # cut off by a crash
    (open_visit.parent / "2026-05-01T100000Z-as-found").mkdir()
    found = audiomeas.verify(copy)
    assert found.unchanged
    for words in ("was never closed", "stray.jpg stands there without a line", "was cut off", "broken off before"):
        assert sum(words in note for note in found.notes) == 1, words
    assert status_of(["record", "verify", str(copy), "--json"]) == 0
    out, err = capsys.readouterr()
    assert (json.loads(out)["visits"], json.loads(out)["unchanged"], err.count("note: ")) == (4, True, 4)


def test_a_folder_without_records_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for folder in (tmp_path, tmp_path / "none"):
        with pytest.raises(AudiomeasError):
            audiomeas.verify(folder)
        assert status_of(["record", "verify", str(folder)]) == 2
    assert capsys.readouterr().err.count("\n") == 2


@pytest.mark.wide
def test_no_flipped_bit_of_an_archive_goes_unseen(archive: Path, tmp_path: Path) -> None:
    """Any bit of any file, but one: the logbook's last line is held by no later line or visit yet."""
    draw = random.Random(7)
    whole = shutil.copytree(archive, tmp_path / "records")
    files = sorted(file for file in whole.rglob("*") if file.is_file())
    for _ in range(400):
        file = draw.choice(files)
        data = file.read_bytes()
        end = data[:-1].rindex(b"\n") if file.name == "logbook.jsonl" else len(data)
        place = draw.randrange(end)
        if file.name == "unit.json" and not _is_harmful(data, place):
            continue
        file.write_bytes(data[:place] + bytes([data[place] ^ (1 << draw.randrange(8))]) + data[place + 1 :])
        assert not audiomeas.verify(whole).unchanged, (file, place)
        file.write_bytes(data)
    assert audiomeas.verify(whole).unchanged


def _is_harmful(data: bytes, place: int) -> bool:
    """unit.json carries no checksum of its own: only the name in it is held against the visits."""
    start = data.index(b'"model"')
    return start <= place < data.index(b'"tag"')


#: What stands in no record of ours.
_ODD = (None, True, -1, 5, 1e9, "", "x\n\x1b", "../../x", "2026", [], [1], {}, {"a": 1}, float("nan"))


def _places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if path:
        yield path
    keys = value if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    for key in keys:
        yield from _places(value[key], (*path, key))


def _made_odd(text: str, draw: random.Random) -> str:
    """Return JSON with one key taken out, or one value of another kind."""
    facts = json.loads(text)
    *way, last = draw.choice(list(_places(facts)))
    inner = facts
    for key in way:
        inner = inner[key]
    if isinstance(inner, dict) and draw.random() < 0.3:
        del inner[last]
    else:
        inner[last] = draw.choice(_ODD)
    return json.dumps(facts)


def _chained(lines: list[str]) -> list[str]:
    """Return lines that follow each other again, whatever they hold."""
    chained, previous = [], ""
    for line in lines:
        facts = json.loads(line)
        chained.append(json.dumps({**facts, "previous": previous}))
        previous = hashlib.sha256(f"{chained[-1]}\n".encode()).hexdigest()
    return chained


@pytest.mark.wide
def test_whatever_stands_in_a_record_is_said_and_never_an_internal_error(archive: Path, tmp_path: Path) -> None:
    """Checksums are made anew each time, so that the values themselves are read."""
    draw = random.Random(11)
    for trial in range(250):
        records = shutil.copytree(archive, tmp_path / str(trial))
        unit = _unit(records)
        files = sorted(file for file in unit.rglob("*") if file.suffix in (".json", ".jsonl"))
        file = draw.choice([*files, *[unit / "logbook.jsonl"] * 6])
        lines = file.read_text().splitlines() if file.suffix == ".jsonl" else [file.read_text()]
        place = draw.randrange(len(lines))
        lines[place] = _made_odd(lines[place], draw)
        file.write_text("".join(f"{line}\n" for line in (_chained(lines) if file.name == "logbook.jsonl" else lines)))
        for visit in unit.glob("*-as-*"):
            (visit / CHECKSUM_FILE).unlink()
            write_checksums(visit)
        actions: list[Callable[[], object]] = [
            lambda records=records: audiomeas.verify(records).words(),
            lambda records=records: audiomeas.logbook("D-0001", records=records).standing(on_problem=lambda _: None),
            lambda records=records: audiomeas.logbook("D-0001", records=records).listen("hum"),
            lambda records=records: refuse_visit(records, UNIT, "as-left"),
            *(lambda visit=visit: _told(visit) for visit in unit.glob("*-as-*")),
        ]
        for action in actions:
            try:
                action()
            except AudiomeasError as error:
                assert "\n" not in str(error)
        shutil.rmtree(records)


def _told(path: Path) -> str:
    visit = read_visit(path)
    return visit_text(visit, later=later_of(visit))
