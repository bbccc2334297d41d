"""What a person sees of the logbook: the commands, a visit's text and its page; wrong words get one line."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import click
import pytest
from plan_fakes import MEASUREMENTS
from visits_made import UNIT, at, made

import audiomeas
from audiomeas.cli import visits as asking
from audiomeas.cli.main import status_of
from audiomeas.measurement import registry
from audiomeas.present.content import content_of
from audiomeas.present.outcome import visit_text
from audiomeas.present.sentences import verdict_headline, verdict_lines
from audiomeas.record.visit import read_visit
from audiomeas.record.void import later_of

NAME = UNIT.name


@pytest.fixture
def there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of work with a visit of 1 May; today is the 2nd. Measurements are faked ones without charts."""
    undrawn = {word: dataclasses.replace(each, charts=lambda _: ()) for word, each in MEASUREMENTS.items()}
    monkeypatch.setattr(registry, "find", undrawn.__getitem__)
    monkeypatch.chdir(tmp_path)
    at(monkeypatch, "2026-05-01T10:00:00+00:00")
    made(tmp_path / "records")
    at(monkeypatch, "2026-05-02T10:00:00+00:00")
    return tmp_path


def _visit() -> Path:
    return next(Path("records").glob("*/*-as-found"))


def _run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = status_of(["logbook", *words])
    out, err = capsys.readouterr()
    return status, out, err


def test_the_commands_write_what_they_show(there: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (there / "front.jpg").write_bytes(b"x")
    repair = ("repair", "D-0001", "--part", "output transistor", "--position", "Q7", "--reason", "shorted")
    assert _run(capsys, *repair, "--before", "0 Ω", "--minutes", "40", "--by", "Demo") == (
        0,
        "1  2026-05-02, repair: output transistor, Q7; shorted; before 0 Ω; 40 min; by\n    Demo\n"
        "void since the repair of 2026-05-02 (output transistor, Q7), in\n    2026-05-01T100000Z-as-found: "
        "THD / Response\nmeasure again: THD / Response\n",
        f"kept as line 1 in {_visit().parent / 'logbook.jsonl'}\n",
    )
    adjust = ("adjust", "d0001", "--part", "bias", "--reason", "manual", "--after", "20 mV", "--voids", "THD")
    assert _run(capsys, *adjust)[0] == 0
    assert _run(capsys, "listen", NAME, "--note", "no hum at 1 m")[0] == 0
    assert _run(capsys, "attach", str(_visit().parent), "front.jpg", "--caption", "front")[0] == 0
    correct = ("correct", str(_visit()), "--step", "THD", "--quantity", "thd_percent", "--channel", "1")
    assert _run(capsys, *correct, "--to", "0.2 %", "--reason", "wrong load")[0] == 0
    status, out, err = _run(capsys, "show", "D-0001")
    assert (status, err) == (0, "")
    for line in (
        "2  2026-05-02, adjustment: bias; manual; after 20 mV; voids THD",
        "3  2026-05-02, listening: no hum at 1 m",
        "4  2026-05-02, photo: front; front.jpg; attachments/front-",
        "5  2026-05-02, correction: THD, thd_percent, channel 1: 0.2 % instead",
        "measure again: THD / Response",
    ):
        assert line in out
    assert _run(capsys, "withdraw", "D-0001", "2", "--reason", "another unit")[1:2] == (
        "6  2026-05-02, withdrawal: entry 2 counts no longer; another unit\n",
    )
    shown = json.loads(_run(capsys, "show", "D-0001", "--json")[1])
    assert [each["kind"] for each in shown["entries"]] == [
        "repair", "adjustment", "listening", "photo", "correction", "withdrawal",
    ]  # fmt: skip
    assert shown["measure_again"] == ["THD", "Response"]
    assert {(each["step"], each["entry"], each["since"]) for each in shown["void"]} == {
        ("THD", 1, "2026-05-02T10:00:00Z"),
        ("Response", 1, "2026-05-02T10:00:00Z"),
    }


def test_json_of_a_repair_tells_what_it_voids_itself(there: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ("repair", "D-0001", "--part", "x", "--reason", "y", "--json")
    told = json.loads(_run(capsys, *words, "--voids", "response")[1])
    assert (told["kind"], told["voids"], [each["step"] for each in told["void"]]) == (
        "repair",
        ["response"],
        ["Response"],
    )
    told = json.loads(_run(capsys, *words, "--voids-nothing")[1])
    assert (told["voids"], told["void"], told["measure_again"]) == ([], [], ["Response"])


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("repair", "D-0001", "--part", "x"), "Missing option '--reason'"),
        (("repair", "D-0001", "--part", "x", "--reason", "y", "--voids", "THC"), "called 'THC' (did you mean 'THD'?)"),
        (
            ("repair", "D-0001", "--part", "x", "--reason", "y", "--voids", "THD", "--voids-nothing"),
            "--voids and --voids-nothing exclude each other",
        ),
        (("repair", "D-0001", "--part", "x", "--reason", "y", "--minutes", "long"), "'long' is not a valid float"),
        (("listen", "D-001", "--note", "x"), "has the serial or tag 'D-001' (did you mean 'D-0001'?)"),
        (("listen", "Demo amplifier B, serial D-0001", "--note", "x"), "is known already: 'Demo amplifier A, serial"),
        (("listen", "D-0001", "--note", "a\x1b[2Jb"), "text holds a control character (U+001B"),
        (("attach", "D-0001", "none.jpg"), "none.jpg was not found"),
        (("attach", "D-0001", "records"), "records is no regular file"),
        (("correct", "records", "--step", "THD", "--to", "x", "--reason", "y"), "unit.json was not found"),
        (("show", "../.."), "no unit in records"),
        (("shew", "D-0001"), "No such command 'shew'"),
    ],
)  # fmt: skip
def test_wrong_words_get_one_line(
    there: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str
) -> None:
    before = sorted(there.rglob("*"))
    status, out, err = _run(capsys, *words)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert told in err
    assert sorted(there.rglob("*")) == before


@pytest.mark.parametrize(("answer", "units"), [(True, 2), (False, 1)])
def test_at_a_terminal_the_question_is_asked(
    there: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, answer: bool, units: int
) -> None:
    asked: list[str] = []

    def confirm(question: str, **_: Any) -> bool:
        asked.append(question)
        return answer

    monkeypatch.setattr(asking, "on_terminal", lambda *_: True)
    monkeypatch.setattr(click, "confirm", confirm)
    other = "Demo amplifier B, serial D-0001"
    assert _run(capsys, "listen", other, "--note", "x")[0] == (0 if answer else 2)
    assert len(list((there / "records").iterdir())) == units
    assert len(asked) == 1
    assert "serial D-0001 is known already: 'Demo amplifier A, serial D-0001'" in asked[0]
    assert asked[0].endswith(f"Is {other!r} another unit?")
    _run(capsys, "listen", NAME, "--note", "x")
    assert len(asked) == 1  # a known unit is not asked about


# -- a visit that is shown later -------------------------------------------------------------------------------------


def test_a_page_and_a_text_without_anything_later_say_nothing_of_it(there: Path) -> None:
    visit = read_visit(_visit())
    assert content_of(visit, later=later_of(visit)) == content_of(visit)
    assert visit_text(visit, later=later_of(visit)) == visit_text(visit)


def test_a_page_and_a_text_say_what_no_longer_holds(there: Path) -> None:
    visit = read_visit(_visit())
    book = audiomeas.logbook(NAME)
    book.repair("$\\frac{1}{2}$ Q7", reason="shorted", voids=["THD"])
    book.correct(visit.path, step="THD", quantity="thd_percent", channel=1, to="0.2 %", reason="wrong load")
    content = content_of(visit, later=later_of(visit))
    void = "Void since the repair of 2026-05-02 ($\\frac{1}{2}$ Q7): THD. To know how the unit is now, measure again."
    corrected = "Corrected on 2026-05-02: THD, distortion, channel 1: 0.2 % instead of 0.02 %; wrong load."
    assert content.later == (void, corrected)
    assert verdict_headline(content) == "Verdict: undecided"
    assert verdict_lines(content)[:2] == [void, corrected]
    text = visit_text(visit, later=later_of(visit), width=200)
    assert f"\n{void}\n{corrected}\n\nverdict: undecided (what no longer holds is never a pass)\n" in text
    book.repair("all", reason="shorted")
    assert (
        content_of(visit, later=later_of(visit)).later[1].startswith("Void since the repair of 2026-05-02 (all): Resp")
    )


def test_a_damaged_logbook_is_shown_as_far_as_it_goes_and_work_is_still_written(
    there: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = audiomeas.logbook(NAME)
    book.listen("hum")
    with book.file.open("a") as handle:
        handle.write("nonsense\n")
    status, out, err = _run(capsys, "repair", "D-0001", "--part", "Q7", "--reason", "shorted")
    assert (status, "3  2026-05-02, repair: Q7; shorted" in out, "line 2: no line of this file" in err) == (
        0,
        True,
        True,
    )
    status, out, err = _run(capsys, "show", "D-0001")
    assert (status, "hum" in out, "Q7" in out, err.count("\n")) == (2, True, True, 2)


def test_all_values_are_said_at_once(there: Path) -> None:
    visit = read_visit(_visit())
    audiomeas.logbook(NAME).adjust("bias", reason="manual")
    (line,) = content_of(visit, later=later_of(visit)).later
    assert line.startswith("Void since the adjustment of 2026-05-02 (bias): all values. ")


def test_a_logbook_that_can_not_be_read_is_said_on_the_page(there: Path) -> None:
    visit = read_visit(_visit())
    (visit.path.parent / "logbook.jsonl").write_text("nonsense\n")
    content = content_of(visit, later=later_of(visit))
    assert content.verdict == "undecided"
    assert content.later[0].startswith("Whether later work voids these values is not known: ")
    assert "logbook.jsonl, line 1" in content.later[0]


def test_the_report_reads_the_logbook_also_from_within_the_visit(there: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from audiomeas.present import report as pages

    audiomeas.logbook(NAME).repair("Q7", reason="shorted")
    written: list[Any] = []
    monkeypatch.setattr(pages, "write_report", lambda content, file, **_: written.append(content))
    audiomeas.report(_visit(), there / "page.pdf")
    monkeypatch.chdir(_visit())
    audiomeas.report(".", there / "page.pdf")
    assert [content.later[0].startswith("Void since the repair") for content in written] == [True, True]
    audiomeas.logbook("..").correct(".", step="Response", to="x", reason="y")
    assert audiomeas.logbook("..").entries[-1].as_json()["visit"] == Path.cwd().name
    assert audiomeas.verify(".").unchanged
    Path("../logbook.jsonl").write_text("")
    Path("../unit.json").write_text(Path("../unit.json").read_text().replace("D-0001", "D-0002"))
    assert len(audiomeas.verify(".").problems) == 1  # the unit; the logbook was empty when this visit was opened
