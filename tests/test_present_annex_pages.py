"""The annex on paper at its extremes: nothing cut, covered or lost, headings repeated, no number broken."""

from __future__ import annotations

from dataclasses import replace

import present_cases as cases
import pytest

from audiomeas.present.annex import ROW_HEADINGS, Annex, Row, Section, StepSheet
from audiomeas.present.report import report_pages
from audiomeas.present.style import PAPERS_PT

LONG_VALUE = "999999.9999997 ± 0.0000000011 V/µs"


def row(channel: int, **changes: str) -> Row:
    facts = {
        "words": f"harmonic distortion of {cases.FORTY}", "channel": str(channel), "value": "0.000300 ± 0.000020 %",
        "limit": "at most 0.0005 %", "source": "house", "verdict": "pass", "reason": "",
    }  # fmt: skip
    return Row(**{**facts, **changes})


def sheet(name: str, rows: tuple[Row, ...], charts: int = 0) -> StepSheet:
    return StepSheet(
        name=name, measurement="distortion", state="", notes=("Void since the repair of 2026-05-01.",),
        conditions=(("load", "8 Ω"), ("level", "−140 dB")), rows=rows, charts=(cases.response_view(2),) * charts,
    )  # fmt: skip


EIGHT = tuple(row(n, words=f"{words}, {cases.FORTY}") for words in ("gain", "power", "noise") for n in range(1, 9))


def by_hand(name: str, value: str, **changes: str) -> StepSheet:
    told = row(1, words=cases.FORTY, value=value, **changes)
    return replace(sheet(name, (told,)), measurement="reading", notes=("read twice",), conditions=(("typed", value),))


ANNEX = Annex(
    simulated=True,
    first=(Section(heading="This record", facts=(("unit", cases.FORTY), ("plan", "p" * 300), ("", cases.HOSTILE))),),
    steps=(
        *(by_hand(f"DC offset {n}", f"{n}.25 ± 0.05 mV") for n in range(1, 4)),
        replace(by_hand("Not read", ""), rows=(), state="not run"),
        sheet("Eight channels", EIGHT, 1),
        sheet("All failed", (row(1, verdict="fail", value="250.0 ± 0.4 W", reason="outside by more than its ±"),)),
        sheet("All undecided", (row(1, verdict="undecided", value="at most 0.0003 %", reason="r" * 90),)),
        replace(sheet("Missing", ()), state="failed: the card was pulled out", charts=()),
        sheet(f"Long {cases.FORTY * 3}", (row(1, words=cases.HOSTILE * 20, value=LONG_VALUE),)),
    ),
    last=(Section(heading="How to verify this record", facts=(("identity", "f" * 64),)),),
)


#: The customer's page has tests of its own.
WITHOUT_CHART = replace(cases.PLAIN, chart=None)


@pytest.fixture(scope="module")
def pages():
    return report_pages(WITHOUT_CHART, annex=ANNEX)


def test_no_text_of_the_annex_is_cut_or_covered(pages):
    assert len(pages) > 3
    for figure in pages:
        assert cases.outside(figure) == []
        assert cases.overlapping(figure) == []


@pytest.mark.wide
@pytest.mark.parametrize("paper", [paper for paper in PAPERS_PT if paper != "A4"])
def test_other_papers_too(paper):
    for figure in report_pages(cases.PLAIN, annex=ANNEX, paper=paper):
        assert cases.outside(figure) == []
        assert cases.overlapping(figure) == []


def texts(figures) -> list[str]:
    return [text for figure in figures for text, _ in cases.drawn_texts(figure)]


def test_every_row_condition_and_fact_is_printed(pages):
    squeezed = "".join("".join(texts(pages)).split())
    for told in ANNEX.steps:
        assert "".join(told.state.split()) in squeezed
        assert all("".join(one.reason.split()) in squeezed for one in told.rows)
        for one in told.rows:
            assert one.verdict in squeezed
            assert "".join(one.limit.split()) in squeezed
    for section in (*ANNEX.first, *ANNEX.last):
        assert "".join(section.heading.split()) in squeezed
    assert "f" * 64 in squeezed


def test_a_table_that_goes_on_over_a_page_repeats_its_headings(pages):
    for figure in pages[1:]:
        words = texts([figure])
        if any(text.startswith("at most 0.0005") for text in words):
            assert set(ROW_HEADINGS) - {"reason"} <= set(words)  # it stands below its row


def test_no_number_is_broken_where_a_line_ends(pages):
    words = texts(pages)
    assert "999999.9999997" in words
    assert "± 0.0000000011 V/µs" in words


def test_the_customer_s_page_stands_first_and_pages_are_counted_through(pages):
    assert "Technical annex" not in texts(pages[:1])
    for number, figure in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in texts([figure])
        assert ("Technical annex" in texts([figure])) is (number > 1)
        assert "SIMULATED" in texts([figure])


def test_readings_that_follow_each_other_share_one_table(pages) -> None:
    words = texts(pages)
    assert words.count("Readings, and what was looked at by hand") == 1
    assert words.count("read twice") == 1
    squeezed = "".join("".join(words).split())
    for n in range(1, 4):
        assert f"DCoffset{n}:" in squeezed
        assert f"typed:{n}.25±0.05mV" in squeezed
    assert "Notread" in squeezed
    assert "notrun" in squeezed
