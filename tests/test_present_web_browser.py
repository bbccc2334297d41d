"""The web page in a real browser: nothing wider than a telephone or cut, nothing fetched, no word on its console."""

from __future__ import annotations

import subprocess
from dataclasses import replace

import pytest
import web_pages
from browsers import DESK, PHONE, look, print_to
from present_cases import CONTENTS

from audiomeas.present.style import PAPERS_PT
from audiomeas.present.web_page import web_page

pytestmark = pytest.mark.browser

#: Letters of a chart on a telephone: half as high as a line of the text around it. Common practice asks for 9 px.
_SMALLEST_CHART_PX, _SMALLEST_PX = 9.0, 13.0
#: What a page must not be; the one of these that passed would show that nothing is looked at.
BROKEN = """<!DOCTYPE html><html lang="en"><body style="font-size: 4px"><div style="width: 2000px">wide</div>
<svg viewBox="0 0 100 100" style="width: 100%"><text x="90" y="50">cut off</text><text x="80" y="50">covered</text>
</svg><img src="data:,"></body></html>"""
#: Just wide enough for tables to stand as such (54 times 16 px): there they have the least room.
NARROW_DESK = 864
NO_STEPS = web_pages.annex(steps=())


@pytest.fixture(scope="module")
def looked(tmp_path_factory):
    pages = {
        "everything": web_page(CONTENTS["hostile"], web_pages.annex()),
        "plan": web_page(replace(CONTENTS["whole plan"], shop=web_pages.shop()), NO_STEPS),
        "two visits": web_page(replace(CONTENTS["nothing measured"], stay=web_pages.STAY), NO_STEPS),
        "broken": BROKEN,
    }
    return look(pages, (PHONE, NARROW_DESK, DESK), tmp_path_factory.mktemp("browser"))


@pytest.mark.parametrize("width", [PHONE, NARROW_DESK, DESK])
@pytest.mark.parametrize("name", ["everything", "plan", "two visits"])
def test_a_page_comes_out_whole(looked, name, width):
    _whole(looked[0][name, width], width)
    assert "SIMULATED" in looked[0][name, width]["text"]


def _whole(facts, width):
    assert facts["across"] == width
    assert facts["scrolls_to"] == width
    assert facts["wide"] == []
    assert facts["cut"] == []
    assert facts["covered"] == []
    assert facts["fetched"] == []
    assert facts["smallest_px"] >= _SMALLEST_PX
    if facts["drawings"]:
        assert facts["smallest_chart_px"] >= _SMALLEST_CHART_PX


def test_the_customers_chart_is_shown_once_and_columns_have_headings_where_there_is_room(looked):
    assert [looked[0]["plan", width]["drawings"] for width in (PHONE, DESK)] == [1, 1]
    assert [looked[0]["everything", width]["headings_of_columns"] for width in (PHONE, NARROW_DESK)] == [0, 1]


def test_the_logo_is_shown_although_nothing_may_be_fetched(looked):
    assert looked[0]["plan", PHONE]["pictures_px"] == [web_pages.LOGO_PX]


def test_the_console_stays_empty(looked):
    assert looked[1] == []


def test_what_is_broken_is_seen(looked):
    facts = looked[0]["broken", PHONE]
    assert facts["scrolls_to"] > PHONE
    assert facts["wide"][0] == "DIV wide"
    assert facts["cut"] == ["text cut off"]
    assert facts["covered"] == ["text covered / text cut off"]
    assert facts["smallest_px"] < _SMALLEST_PX


@pytest.mark.wide
def test_every_case_comes_out_whole(tmp_path):
    pages = {name: web_page(content, NO_STEPS) for name, content in CONTENTS.items()}
    facts, console = look(pages, (PHONE, 700, DESK), tmp_path)
    assert console == []
    assert len(facts) == 3 * len(CONTENTS)
    for (_, width), each in facts.items():
        _whole(each, width)


@pytest.mark.wide
def test_a_policy_that_is_broken_is_written_to_the_console_that_is_read(tmp_path):
    page = web_page(CONTENTS["nothing measured"], NO_STEPS)
    told = look({"page": page.replace("</main>", "</main><script>alert(1)</script>")}, (PHONE,), tmp_path)[1]
    assert any("Content Security Policy" in line for line in told)


@pytest.mark.wide
@pytest.mark.poppler
@pytest.mark.parametrize("paper", PAPERS_PT)
def test_each_printed_page_says_that_it_is_simulated(tmp_path, paper):
    page, pdf = tmp_path / "page.html", tmp_path / "page.pdf"
    page.write_text(web_page(CONTENTS["many rows"], web_pages.annex(), paper=paper), "utf-8")
    print_to(pdf, page)
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout
    sheets = text.split("\f")[:-1]
    assert len(sheets) > 2
    assert all("SIMULATED" in sheet for sheet in sheets)
    facts = subprocess.run(["pdfinfo", pdf], capture_output=True, text=True, check=True).stdout
    assert f"({paper})" in next(line for line in facts.splitlines() if line.startswith("Page size"))
