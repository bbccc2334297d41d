"""The logbook: entries come back as they were written, and what work voids is told, never more and never less."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from visits_made import UNIT, at, made

import audiomeas
from audiomeas.errors import AudiomeasError, FileProblem, RequestError
from audiomeas.record import attachments, chain
from audiomeas.record.entry import Attachment, Correction, Listening, Withdrawal, Work
from audiomeas.record.logbook import Logbook
from audiomeas.record.visit import read_visit
from audiomeas.record.void import later_of, verdict_since

NAME = UNIT.name


def _book(records: Path, unit: str = NAME) -> Logbook:
    return audiomeas.logbook(unit, records=records)


def _again(records: Path) -> tuple[str, ...]:
    return _book(records).standing().measure_again


def test_entries_come_back_as_they_were_written(tmp_path: Path) -> None:
    visit = made(tmp_path)
    book = _book(tmp_path)
    photo = tmp_path / "front.JPG"
    photo.write_bytes(b"picture")
    written = [
        book.repair("Q7", reason="shorted", position="left", before="0 Ω", after="new", minutes=40, by="Demo"),
        book.adjust("bias", reason="manual", before="3 mV", after="20 mV", voids=["thd"]),
        book.listen("  no hum\nat 1 m ", minutes=30),
        book.attach(photo, caption="as found"),
        book.correct(visit, step="THD", quantity="thd_percent", channel=1, to="0.2 %", reason="wrong load"),
        book.correct(visit.name, step="Response", to="taken at the tape output", reason="wrong socket"),
    ]
    digest = hashlib.sha256(b"picture").hexdigest()
    assert [each.content for each in written] == [
        Work(part="Q7", reason="shorted", position="left", before="0 Ω", after="new", minutes=40),
        Work(part="bias", reason="manual", before="3 mV", after="20 mV", voids=("thd",)),
        Listening(text="no hum at 1 m", minutes=30),
        Attachment(
            file=f"attachments/front-{digest[:10]}.jpg", name="front.JPG", sha256=digest, size_bytes=7,
            caption="as found",
        ),
        Correction(
            visit=visit.name, step="THD", to="0.2 %", reason="wrong load", quantity="thd_percent", channel=1,
            stood="0.02 %",
        ),
        Correction(visit=visit.name, step="Response", to="taken at the tape output", reason="wrong socket"),
    ]  # fmt: skip
    kinds = ["repair", "adjustment", "listening", "photo", "correction", "correction"]
    assert [(each.number, each.kind) for each in written] == list(enumerate(kinds, start=1))
    assert _book(tmp_path, "D-0001").entries == tuple(written)
    assert (book.path / written[3].as_json()["file"]).read_bytes() == b"picture"


def test_a_new_unit_is_made_by_its_first_entry(tmp_path: Path) -> None:
    records = tmp_path / "records"
    book = _book(records)
    assert (book.entries, book.standing().void) == ((), ())
    assert not records.exists()  # nothing is written before
    book.listen("dead")
    assert json.loads((book.path / "unit.json").read_text())["unit"]["serial"] == "D-0001"
    assert len(_book(records, "D-0001").entries) == 1
    with pytest.raises(RequestError, match="is known already"):
        _book(records, "Demo amplifier B, serial D-0001")


@pytest.mark.parametrize(
    ("write", "match"),
    [
        (lambda book: book.repair(" ", reason="x"), "part: say it"),
        (lambda book: book.repair("Q7", reason=""), "reason: say it"),
        (lambda book: book.repair("Q7\x1b[2J", reason="x"), r"part holds a control character \(U\+001B"),
        (lambda book: book.listen("a\u202eb"), r"text holds a control character \(U\+202E"),
        (lambda book: book.listen("x" * 10_001), "10001 characters are too many"),
        (lambda book: book.listen("x", minutes=float("nan")), "minutes: nan"),
        (lambda book: book.listen("x", minutes=-1), "minutes: -1"),
        (lambda book: book.listen("x", by="\x00"), "by holds a control character"),
        (lambda book: book.repair("Q7", reason="x", voids=["Respons"]), r"called 'Respons' \(did you mean 'Response'"),
        (lambda book: book.attach("nowhere.jpg"), "nowhere.jpg was not found"),
        (lambda book: book.attach("/dev/null"), "no regular file"),
        (lambda book: book.attach(__file__, kind="foto"), r"unknown kind 'foto' \(did you mean 'photo'"),
        (lambda book: book.attach(__file__, caption="\x07"), "caption holds a control character"),
        (lambda book: book.correct("2020", step="THD", to="x", reason="y"), "not the folder of a visit"),
        (lambda book: book.correct("/etc", step="THD", to="x", reason="y"), "is no visit of"),
        (lambda book: book.correct("../x", step="THD", to="x", reason="y"), "is no visit of"),
    ],
)
def test_what_is_wrong_is_one_line_and_nothing_is_written(
    tmp_path: Path, write: Callable[[Logbook], object], match: str
) -> None:
    made(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(AudiomeasError, match=match) as caught:
        write(_book(tmp_path))
    assert "\n" not in str(caught.value)
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    ("what", "match"),
    [
        ({"step": "TDH"}, r"has no step 'TDH' \(did you mean 'THD'\?\); steps: THD, Response"),
        ({"quantity": "thd_percnt"}, r"no quantity 'thd_percnt' \(did you mean 'thd_percent'"),
        ({"quantity": "thd_percent"}, "has channels 1, 2: say which one"),
        ({"quantity": "thd_percent", "channel": 3}, "has channels 1, 2"),
        ({"to": ""}, "to: say it"),
        ({"reason": " "}, "reason: say it"),
    ],
)
def test_a_correction_names_what_is_there(tmp_path: Path, what: dict[str, object], match: str) -> None:
    visit = made(tmp_path)
    with pytest.raises(RequestError, match=match):
        _book(tmp_path).correct(visit, **{"step": "THD", "to": "x", "reason": "y", **what})


def test_only_a_sound_visit_is_corrected(tmp_path: Path) -> None:
    visit = made(tmp_path)
    (visit / "01-thd" / "result.json").write_text("{}")
    with pytest.raises(FileProblem, match=r"result\.json"):
        _book(tmp_path).correct(visit, step="THD", to="x", reason="y")


# -- what is attached ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "kept", "kind"),
    [
        ("Front view (1).PNG", "front-view-1-", "photo"),
        (".hidden", "hidden-", "paper"),
        ("真空管.tiff", "file-", "photo"),
        ("a" * 200 + ".pdf", "a" * 40 + "-", "paper"),
        ("con", "con-", "paper"),
        ("x.p h/p".replace("/", ""), "x-", "paper"),
        ("turned\u202ename.pdf", "turnedname-", "paper"),
    ],
)
def test_names_are_made_safe(tmp_path: Path, name: str, kept: str, kind: str) -> None:
    source = tmp_path / name
    source.write_bytes(b"content")
    book = _book(tmp_path / "records")
    entry = book.attach(source)
    assert isinstance(entry.content, Attachment)
    copy = book.path / entry.content.file
    assert copy.resolve().parent == (book.path / "attachments").resolve()
    assert (copy.name.startswith(kept), entry.kind, copy.read_bytes()) == (True, kind, b"content")
    assert all(sign.isascii() and (sign.isalnum() or sign in "-.") for sign in copy.name)
    assert entry.content.name.isprintable()


def test_what_is_attached_is_never_copied_twice_or_written_over(tmp_path: Path) -> None:
    book = _book(tmp_path / "records")
    source = tmp_path / "a.jpg"
    source.write_bytes(b"one")
    first = book.attach(source).content
    with pytest.raises(RequestError, match=r"a\.jpg is attached already: attachments/a-.*line 1 of .*logbook\.jsonl"):
        book.attach(source)
    source.write_bytes(b"two")
    second = book.attach(source).content
    assert isinstance(first, Attachment) and isinstance(second, Attachment)
    assert [(book.path / each.file).read_bytes() for each in (first, second)] == [b"one", b"two"]
    (book.path / second.file).write_bytes(b"other")
    (book.path / "logbook.jsonl").unlink()
    with pytest.raises(FileProblem, match="is not the file that its name tells of"):
        book.attach(source)


def test_too_large_and_empty_files_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = _book(tmp_path / "records")
    source = tmp_path / "a.jpg"
    source.write_bytes(b"")
    with pytest.raises(FileProblem, match="is empty"):
        book.attach(source)
    monkeypatch.setattr(attachments, "MOST_BYTES", 2_000_000)
    with source.open("wb") as handle:
        handle.truncate(3_000_000)
    with pytest.raises(RequestError, match="has 3 MB, and at most 2 MB are attached"):
        book.attach(source)
    assert not any((tmp_path / "records").rglob("attachments/*"))


@pytest.mark.parametrize("name", ["nosuch.jpg", "empty.jpg", "."])
def test_what_can_not_be_attached_makes_no_new_unit(tmp_path: Path, name: str) -> None:
    (tmp_path / "empty.jpg").touch()
    with pytest.raises(FileProblem):
        audiomeas.logbook(UNIT, records=tmp_path / "records").attach(tmp_path / name)
    assert not (tmp_path / "records").exists()


def test_a_number_that_no_computer_holds_is_said_with_its_line(tmp_path: Path) -> None:
    book = _book(tmp_path)
    book.listen("x", minutes=7)
    book.file.write_text(book.file.read_text().replace('"minutes": 7', f'"minutes": {10**400}'))
    with pytest.raises(FileProblem, match=r"logbook\.jsonl, line 1: no line of this file"):
        book.readable_entries()


def test_a_file_that_changes_meanwhile_is_not_attached(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = _book(tmp_path / "records")
    source = tmp_path / "a.jpg"
    source.write_bytes(b"one")
    monkeypatch.setattr(attachments, "sha256_of", lambda _: "0" * 64)  # as if it was other when it was looked at first
    with pytest.raises(FileProblem, match="changed while it was copied"):
        book.attach(source)
    assert not list((book.path / "attachments").iterdir())
    assert book.entries == ()


# -- what work voids -------------------------------------------------------------------------------------------------


def test_a_repair_voids_what_was_measured_before_until_it_is_measured_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at(monkeypatch, "2026-05-01T10:00:00+00:00")
    found = made(tmp_path)
    assert _again(tmp_path) == ()
    at(monkeypatch, "2026-05-02T10:00:00+00:00")
    entry = _book(tmp_path).repair("Q7", reason="shorted")
    void = _book(tmp_path).standing().void
    assert [(each.visit, each.step, each.since) for each in void] == [
        (found, "THD", entry),
        (found, "Response", entry),
    ]
    assert _again(tmp_path) == ("THD", "Response")
    at(monkeypatch, "2026-05-03T10:00:00+00:00")
    left = made(tmp_path, "as-left")
    assert _again(tmp_path) == ()  # measured since
    assert not later_of(read_visit(left))
    at(monkeypatch, "2026-05-04T10:00:00+00:00")
    _book(tmp_path).adjust("bias", reason="manual", voids=["DISTORTION"])  # by the measurement's word
    assert _again(tmp_path) == ("THD",)
    assert [each.step for each in later_of(read_visit(left)).void] == ["THD"]
    assert later_of(read_visit(found)).void[0].since == entry  # since the first work that voided it


@pytest.mark.parametrize(
    ("voids", "void"), [(None, ("THD", "Response")), ([], ()), ("Response", ("Response",)), (["thd"], ("THD",))]
)
def test_work_voids_what_it_names(tmp_path: Path, voids: list[str] | None, void: tuple[str, ...]) -> None:
    made(tmp_path)
    _book(tmp_path).repair("Q7", reason="shorted", voids=voids)
    assert _again(tmp_path) == void


def test_an_entry_that_was_withdrawn_counts_no_longer(tmp_path: Path) -> None:
    path = made(tmp_path)
    book = _book(tmp_path)
    repair = book.repair("Q7", reason="shorted")
    book.correct(path, step="THD", to="x", reason="wrong load")
    for number, reason in ((1, "that was another amplifier"), (2, "it was right")):
        entry = book.withdraw(number, reason=reason)
        assert entry.content == Withdrawal(entry=number, reason=reason)
    assert (_again(tmp_path), bool(later_of(read_visit(path)))) == ((), False)
    assert book.entries[0] == repair  # it stays
    for number in (1, 3, 9, 0):  # already, a withdrawal itself, none
        with pytest.raises(RequestError, match=f"entry {number} of .* can't be withdrawn; lines that can: none"):
            book.withdraw(number, reason="x")


def test_what_is_only_heard_or_attached_voids_nothing(tmp_path: Path) -> None:
    made(tmp_path)
    _book(tmp_path).listen("hum")
    _book(tmp_path).attach(__file__)
    assert _again(tmp_path) == ()


def test_order_is_told_by_the_logbook_where_the_clock_was_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    at(monkeypatch, "2026-05-02T10:00:00+00:00")
    _book(tmp_path).repair("Q6", reason="shorted")
    at(monkeypatch, "2026-05-01T10:00:00+00:00")  # set back: the visit seems to come before the repair
    visit = made(tmp_path)
    assert not later_of(read_visit(visit))
    at(monkeypatch, "2026-04-01T10:00:00+00:00")  # and the next repair before the visit
    _book(tmp_path).repair("Q7", reason="shorted")
    assert {each.since.number for each in later_of(read_visit(visit)).void} == {2}


def test_work_between_two_steps_voids_the_first_one_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from plan_fakes import GOOD
    from visits_made import opened

    at(monkeypatch, "2026-05-01T10:00:00+00:00")
    visit = opened(tmp_path)
    visit.begin_step("THD", "distortion", {}).finish(GOOD["distortion"], [])
    at(monkeypatch, "2026-05-01T10:05:00+00:00")
    _book(tmp_path).repair("Q7", reason="shorted")
    at(monkeypatch, "2026-05-01T10:10:00+00:00")
    visit.begin_step("Response", "response", {}).finish(GOOD["response"], [])
    visit.finish(None)
    assert [each.step for each in later_of(read_visit(visit.path)).void] == ["THD"]


def test_an_earlier_stay_is_not_to_be_measured_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    at(monkeypatch, "2026-05-01T10:00:00+00:00")
    made(tmp_path, "as-left")
    at(monkeypatch, "2026-05-02T10:00:00+00:00")
    _book(tmp_path).repair("Q7", reason="shorted")
    at(monkeypatch, "2027-05-02T10:00:00+00:00")
    made(tmp_path, new_stay=True)
    assert (_again(tmp_path), len(_book(tmp_path).standing().void)) == ((), 2)


def test_no_pass_rests_on_what_was_voided_or_corrected_or_may_have_been(tmp_path: Path) -> None:
    path = made(tmp_path)
    visit = read_visit(path)
    assert (visit.verdict, verdict_since(visit, later_of(visit))) == ("pass", "pass")
    _book(tmp_path).repair("knob", reason="lost", voids=["Response"])  # a step without a limit
    assert verdict_since(visit, later_of(visit)) == "pass"
    _book(tmp_path).correct(path, step="THD", quantity="thd_percent", channel=1, to="0.2 %", reason="wrong load")
    assert verdict_since(visit, later_of(visit)) == "undecided"
    file = path.parent / "logbook.jsonl"
    file.write_bytes(file.read_bytes().replace(b"knob", b"foot"))
    later = later_of(visit)
    assert str(file) in later.problem and verdict_since(visit, later) == "undecided"
    assert read_visit(path).verified().verdict == "pass"  # the visit itself stays what it is


# -- logbooks that were changed --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("facts", "match"),
    [
        ({"record": 2}, "line 2 was written by a newer audiomeas"),
        ({"record": True}, "line 2: no line of a logbook"),
        ({"event": "sale"}, "line 2 is damaged: 'sale' is not one of repair"),
        ({"minutes": "4"}, "line 2 is damaged: minutes is no number"),
        ({"minutes": 1e9}, "line 2 is damaged: minutes"),
        ({"part": 5}, "line 2 is damaged: part is no text"),
        ({"part": "a\x1bb"}, "line 2 is damaged: part holds a control character"),
        ({"voids": 5}, "line 2 is damaged"),
        ({"at": "yesterday"}, "line 2 is damaged"),
        ({"at": "2026-05-01"}, "line 2 is damaged"),
    ],
)
def test_a_damaged_or_newer_line_is_named_and_spares_visits_and_further_entries(
    tmp_path: Path, facts: dict[str, object], match: str
) -> None:
    path = made(tmp_path)
    book = _book(tmp_path)
    book.repair("Q7", reason="shorted")
    line = {**json.loads((book.path / "logbook.jsonl").read_text()), "previous": chain.head_of(book.file).sha256}
    with book.file.open("a") as handle:
        handle.write(json.dumps({**line, **facts}) + "\n")
    with pytest.raises(FileProblem, match=match) as caught:
        _ = book.entries
    assert str(book.file) in str(caught.value)
    assert book.listen("still possible").number == 3
    problems: list[FileProblem] = []
    read = book.readable_entries(on_problem=problems.append)
    assert ([each.number for each in read], len(problems)) == ([1, 3], 1)
    assert later_of(read_visit(path)).void[0].since.number == 1  # what can be read of it still counts
    assert read_visit(path).verified().finished


def test_a_key_that_is_missing_is_named(tmp_path: Path) -> None:
    book = _book(tmp_path)
    book.listen("hum")
    chain.append(book.file, "listening", record=1, by="", minutes=None)
    with pytest.raises(FileProblem, match=r"logbook\.jsonl, line 2 is damaged: the key 'text' is missing"):
        _ = book.entries
