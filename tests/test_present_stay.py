"""As found and now: what failed and whether it is cured, what was done, and nothing that no row holds."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import present_cases as cases
import pytest
from plan_fakes import GOOD, capture_of
from visits_made import STEPS, UNIT, at, opened, row_of

from audiomeas.present.content import Moved, StayContent
from audiomeas.present.stay import _NOT_KNOWN, page_content
from audiomeas.present.stay_words import stay_topics
from audiomeas.record.logbook import logbook
from audiomeas.record.story import story_of
from audiomeas.record.verdict_row import Verdict, overall
from audiomeas.record.visit import read_visit

FAILED = {"value": 0.3, "verdict": "fail", "reason": "outside"}


def made(records: Path, stage: str, rows: list[Verdict], **how: object) -> Path:
    visit = opened(records, stage, **how)
    for name, word in STEPS.items():
        step = visit.begin_step(name, word, {})
        step.keep(*capture_of())
        step.finish(GOOD[word], rows if name == "THD" else [])
    visit.finish(overall(rows))
    return visit.path


def both_channels(**second: object) -> list[Verdict]:
    return [row_of("THD"), row_of("THD", channel=2, **second)]


@pytest.fixture(scope="module")
def repaired(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Found with a failure on channel 2, repaired, listened to, measured again."""
    records = tmp_path_factory.mktemp("stay")
    with pytest.MonkeyPatch.context() as patch:
        at(patch, "2026-05-01T10:00:00Z")
        found = made(records, "as-found", both_channels(**FAILED))
        book = logbook(UNIT, records=records)
        at(patch, "2026-05-02T10:00:00Z")
        book.repair(
            "output transistor", position="Q7", reason="weak", before="0.4 V", after="0.6 V", by="me", minutes=9
        )
        book.listen("clean", minutes=90)
        book.listen("still clean", minutes=30)
        at(patch, "2026-05-03T10:00:00Z")
        left = made(records, "as-left", both_channels())
        at(patch, "2026-05-04T10:00:00Z")
        book.adjust("bias", reason="later", voids=[])
    return found, left


def lines(stay: StayContent | None) -> dict[str, list[str]]:
    return {topic.words: [line.text for line in topic.lines] for topic in stay_topics(stay)}


def test_what_failed_as_found_is_told_with_both_values_and_that_it_is_cured(repaired: tuple[Path, Path]) -> None:
    told = lines(page_content(read_visit(repaired[1])).stay)
    first, second, *_ = told["As found and now"]
    assert first == "On 2026-05-01 1 value was outside its limit (1 on channel 2): it keeps it now."
    # the rows that were written above: 0.3 ± 0.001 % then, 0.02 ± 0.001 % now; three digits of a percentage at most
    assert second == ("– Distortion on channel 2: 0.300 ± 0.001 %, now 0.0200 ± 0.0010 %: fail, now pass.")


def test_what_was_done_is_the_work_before_the_visit(repaired: tuple[Path, Path]) -> None:
    told = lines(page_content(read_visit(repaired[1])).stay)
    assert told["What was done"] == [
        "2026-05-02, repair: output transistor (Q7); reason: weak; before 0.4 V, after 0.6 V."
    ]
    assert told["Hours of run-in"] == ["2 h of listening are written down in its logbook; no other run-in."]


def test_a_first_visit_tells_of_no_stay(repaired: tuple[Path, Path]) -> None:
    content = page_content(read_visit(repaired[0]))
    assert content.stay is None
    assert stay_topics(content.stay) == []


def test_soaks_are_hours_of_run_in_with_watts_and_events() -> None:
    def told(**stay: object) -> list[str]:
        return lines(StayContent(**stay))["Hours of run-in"]

    assert told(soaks=((4.0, 7.5, 0),)) == [
        "It played for 4 h at 7.5 W a channel while each second was watched, without an event."
    ]
    assert told(soaks=((0.5, None, 0), (0.25, None, 1)), played_h=2.0) == [
        "It played for 45 min while each second was watched, with 1 event; 2 h of listening are written down in its "
        "logbook."
    ]


def test_a_later_stay_does_not_tell_the_work_of_an_earlier_one(repaired: tuple[Path, Path], tmp_path: Path) -> None:
    records = tmp_path / "records"
    shutil.copytree(repaired[0].parent.parent, records)
    again = made(records, "as-found", both_channels(), new_stay=True)
    assert page_content(read_visit(again)).stay is None
    logbook(UNIT, records=records).adjust("balance", reason="off", voids=[])
    left = made(records, "as-left", both_channels())
    stay = page_content(read_visit(left)).stay
    assert stay is not None
    assert [text.partition(": ")[2] for text in stay.done] == ["balance; reason: off"]
    assert lines(stay)["Hours of run-in"] == ["None are written down; hours of playing show faults that come late."]


def test_a_return_is_held_against_the_unit_as_it_was_shipped(repaired: tuple[Path, Path], tmp_path: Path) -> None:
    records = tmp_path / "records"
    shutil.copytree(repaired[0].parent.parent, records)
    back = made(records, "return", both_channels(**FAILED))
    first, second, *_ = lines(page_content(read_visit(back)).stay)["After the work and now"]
    assert first == "On 2026-05-03 no value was outside its limit."
    assert second.endswith(": pass, now fail.")


def test_a_value_that_was_corrected_is_no_value_of_either_visit(repaired: tuple[Path, Path], tmp_path: Path) -> None:
    records = tmp_path / "records"
    shutil.copytree(repaired[0].parent.parent, records)
    unit = repaired[0].parent.name
    book = logbook(UNIT, records=records)
    book.correct(repaired[0].name, step="THD", quantity="thd_percent", channel=2, to="0.03 %", reason="misread")
    stay = page_content(read_visit(records / unit / repaired[1].name)).stay
    assert stay is not None
    assert all(each.after.channel != 2 or each.after.quantity != "thd_percent" for each in stay.moved)


def test_a_damaged_logbook_is_told_and_spares_the_page(repaired: tuple[Path, Path], tmp_path: Path) -> None:
    records = tmp_path / "records"
    shutil.copytree(repaired[0].parent.parent, records)
    file = records / repaired[0].parent.name / "logbook.jsonl"
    file.write_text(file.read_text().replace("weak", "fine"))
    visit = read_visit(file.parent / repaired[1].name)
    assert "logbook.jsonl" in story_of(visit).problem
    stay = page_content(visit).stay
    assert stay is not None
    assert stay.notes == (_NOT_KNOWN,)
    assert str(tmp_path) not in " ".join(lines(stay)["What was done"])  # no folder on a customer's page


def test_a_first_visit_that_was_changed_is_compared_with_nothing(repaired: tuple[Path, Path], tmp_path: Path) -> None:
    records = tmp_path / "records"
    shutil.copytree(repaired[0].parent.parent, records)
    left = records / repaired[0].parent.name / repaired[1].name
    (left.parent / repaired[0].name / "plan.toml").write_text("title = 'another'\n")
    story = story_of(read_visit(left))
    assert story.comparison is None
    assert "was changed and proves nothing" in story.problem
    assert [each.kind for each in story.work] == ["repair"]


# ---------------------------------------------------------------- words


def moved(before: str, after: str, **changes: object) -> Moved:
    then = cases.finding(value=0.3, verdict=before, **changes)
    return Moved(before=then, after=replace(then, value=0.02, verdict=after), change="changed")


@pytest.mark.parametrize(
    ("pairs", "missed", "said"),
    [
        ([moved("fail", "pass"), moved("fail", "pass", channel=2)], 0,
         "2 values were outside their limit (1 on channel 1 and 1 on channel 2): both keep it now."),
        ([moved("fail", "pass"), moved("fail", "fail", channel=2)], 0,
         "(1 on channel 1 and 1 on channel 2): 1 of them keeps it now, 1 still does not."),
        ([moved("fail", "undecided")], 0, "(1 on channel 1): 0 of them keep it now, 1 is undecided now."),
        ([moved("fail", "pass")], 2, "(3 on channel 1): 1 of them keeps it now, 2 were not held against it again."),
        ([], 1, "1 value was outside its limit (1 on channel 1): 0 of them keep it now, 1 was not held against it"),
        ([moved("fail", "pass", channel=None, quantity="gain_db_difference")], 0, "(1 comparing the channels)"),
        ([moved("fail", "pass", channel=None)], 0, "(1 of the whole unit)"),
        ([moved("pass", "pass")], 0, "no value was outside its limit."),
    ],
)  # fmt: skip
def test_how_many_are_cured_is_counted_and_nothing_else(pairs: list[Moved], missed: int, said: str) -> None:
    stay = StayContent(
        against="as-found", against_date="2026-05-01", moved=tuple(pairs),
        not_again=(cases.finding(verdict="fail"),) * missed,
    )  # fmt: skip
    assert said in lines(stay)["As found and now"][0]


def test_of_many_failures_a_few_are_named_and_the_rest_counted() -> None:
    pairs = tuple(moved("fail", "pass", quantity=f"q{n}", words=f"quantity {n}") for n in range(9))
    told = lines(StayContent(against="as-found", against_date="2026-05-01", moved=pairs))["As found and now"]
    assert [text for text in told if text.startswith("– and")] == ["– and 4 more."]


def test_what_changed_without_a_limit_is_told_power_first() -> None:
    no_limit = {"limit": "", "source": ""}
    pairs = (
        moved("pass", "pass", quantity="gain_db", words="gain", unit="dB", **no_limit),
        moved("pass", "pass", quantity="level_w", words="output power", unit="W", **no_limit),
    )
    told = lines(StayContent(against="as-found", against_date="2026-05-01", moved=pairs, counts={"changed": 2}))
    assert [text.partition(" on ")[0] for text in told["As found and now"][1:3]] == ["– Output power", "– Gain"]
    assert all(text.endswith(": changed, no limit.") for text in told["As found and now"][1:3])
    assert told["As found and now"][-1] == "Of 2 figures measured both times, beyond their ±: 2 changed."


@pytest.fixture
def long_stay() -> Callable[[str], StayContent]:
    def stay(word: str) -> StayContent:
        pairs = tuple(moved("fail", word, quantity=f"q{n}", words=f"{cases.FORTY} {n}") for n in range(12))
        return StayContent(
            against="as-found", against_date="2026-05-01", moved=pairs, counts={"changed": 300, "can't tell": 7},
            done=(f"2026-05-02: repair, {cases.FORTY * 4}: {'W' * 200}",) * 3, notes=(cases.HOSTILE,),
        )  # fmt: skip

    return stay


@pytest.mark.parametrize(
    "word", ["fail", *(pytest.param(word, marks=pytest.mark.wide) for word in ("pass", "undecided"))]
)
def test_a_long_stay_is_neither_cut_nor_covered(long_stay: Callable[[str], StayContent], word: str) -> None:
    from audiomeas.present.report import report_pages

    for figure in report_pages(replace(cases.PLAIN, stay=long_stay(word), chart=None)):
        assert cases.outside(figure) == []
        assert cases.overlapping(figure) == []


def _usual_stay() -> StayContent:
    """Return what a repaired amplifier's stay tells: four limits failed, all are kept now."""
    after = cases.CONTENTS["whole plan"].findings
    pairs = tuple(
        Moved(before=each, after=replace(each, verdict="pass"), change="changed")
        for each in after
        if each.verdict == "fail"
    )
    power = next(each for each in after if each.quantity == "level_w")
    return StayContent(
        against="as-found", against_date="2026-05-01", counts={"changed": 28, "unchanged": 40, "can't tell": 2},
        moved=(*pairs, Moved(before=power, after=power, change="changed")), played_h=2.0,
        done=("2026-05-02, repair: output transistors, channel 2 (Q7, Q8); reason: weak, one resistor burnt",) * 2,
    )  # fmt: skip


@pytest.mark.parametrize("paper", ["letter", pytest.param("A4", marks=pytest.mark.wide)])  # letter has less room
def test_a_repaired_amplifier_with_its_stay_and_a_shop_is_one_page_that_answers_a_customer(paper: str) -> None:
    """Is it healthy, how many watts, which channel was faulty, is it cured: all on one page, whose words are these."""
    from audiomeas.present.report import report_pages
    from audiomeas.present.shop import Shop

    kept = tuple(replace(each, verdict="pass" if each.limit else None) for each in _whole_plan().findings)
    content = replace(
        _whole_plan(), stage="as-left", verdict="pass", findings=kept, stay=_usual_stay(),
        shop=Shop(name="Demo audio workshop", address=("Example Lane 1",), contact=("workshop@example.org",)),
    )  # fmt: skip
    (figure,) = report_pages(content, paper=paper)
    assert cases.outside(figure) == []
    assert cases.overlapping(figure) == []
    text = " ".join(words for words, _ in cases.drawn_texts(figure))
    for answer in (
        "Verdict: pass", "The unit did all that these tests asked of it.", "29.99 to 30.01 ± 0.33 W on channel 1",
        "4 values were outside their limit (3 on channel 2 and 1 comparing the channels)", "all 4 keep it now",
        "Demo audio workshop", "resistors in place of loudspeakers",
    ):  # fmt: skip
        assert answer in " ".join(text.split())


def _whole_plan() -> cases.ReportContent:
    return cases.CONTENTS["whole plan"]
