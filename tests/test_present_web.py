"""The web page of a record: whole and balanced, nothing run and nothing fetched, every text in it as a text."""

from __future__ import annotations

import base64
import itertools
import re
from dataclasses import replace

import present_cases as cases
import pytest
import web_pages
from web_pages import HEADINGS, Node, read

from audiomeas.errors import FileProblem, RequestError
from audiomeas.present import style
from audiomeas.present.charts import chart_figure
from audiomeas.present.sentences import conditions_told, topics, verdict_lines
from audiomeas.present.text import clean_text
from audiomeas.present.web_chart import NARROW, WIDE, chart_svg, description
from audiomeas.present.web_elements import anchors, element
from audiomeas.present.web_page import web_page, write_web_page
from audiomeas.present.web_style import sheet

#: What a page is made of; anything else came out of a text.
PARTS = {
    "html", "head", "meta", "link", "title", "style", "body", "header", "main", "section", "footer", "nav", "ul", "li",
    "a", "h1", "h2", "h3", "p", "div", "dl", "dt", "dd", "figure", "figcaption", "table", "caption", "thead", "tbody",
    "tr", "th", "td", "img", "svg", "desc", "defs", "g", "path", "use", "text", "clippath", "rect",
}  # fmt: skip
#: Cheap and far apart; the others are drawn with `-m wide`.
USUAL = ("whole plan", "hostile", "nothing measured", "all missing")
EACH = [
    pytest.param(name, marks=[] if name in USUAL else [pytest.mark.wide]) for name in cases.CONTENTS
]  # fmt: skip
#: Says little, and draws nothing.
CONTENT = cases.CONTENTS["nothing measured"]
NO_STEPS = web_pages.annex(steps=())


@pytest.fixture(scope="module")
def pages():
    drawn: dict[str, Node] = {}

    def page_of(name: str) -> Node:
        if name not in drawn:
            # The annex is the same on each: drawn once.
            drawn[name] = read(web_page(cases.CONTENTS[name], web_pages.annex() if name == "hostile" else NO_STEPS))
        return drawn[name]

    return page_of


@pytest.mark.parametrize("name", EACH)
def test_a_page_is_balanced_and_holds_nothing_else_than_its_parts(pages, name):
    root = pages(name)
    assert {node.tag for node in root.all()} <= PARTS
    identities = [node.attributes["id"] for node in root.all() if "id" in node.attributes]
    assert len(set(identities)) == len(identities)
    assert root.attributes == {"lang": "en"}
    (head, body) = root.children
    assert head.children[0].attributes == {"charset": "utf-8"}
    assert any("width=device-width" in node.attributes.get("content", "") for node in head.all("meta"))
    assert len(body.all("main")) == 1


@pytest.mark.parametrize("name", EACH)
def test_nothing_is_run_or_fetched(pages, name):
    for node in pages(name).all():
        for key, value in node.attributes.items():
            assert not key.startswith("on")
            if key in ("href", "src", "srcset", "action", "clip-path", "aria-labelledby", "aria-describedby"):
                inside = ("#", "data:,", "data:image/png;base64,", "url(#")
                assert value.startswith(inside) or key.startswith("aria"), (key, value)
            assert "://" not in value or key == "data-heading"
    assert not re.search(r"@import|url\(|https?:", sheet(paper="A4", simulated=True))


@pytest.mark.parametrize("name", EACH)
def test_each_address_leads_to_an_element_of_the_same_page(pages, name):
    root = pages(name)
    identities = {node.attributes.get("id") for node in root.all()}
    wanted = [match for node in root.all() for key, value in node.attributes.items()
              for match in re.findall(r"#([\w.-]+)", value) if key in ("href", "clip-path")]  # fmt: skip
    for node in root.all("svg"):
        wanted += [node.attributes["aria-labelledby"], node.attributes["aria-describedby"]]
    assert set(wanted) <= identities


@pytest.mark.parametrize("name", EACH)
def test_headings_go_down_one_step_at_a_time_and_tables_say_what_their_cells_are(pages, name):
    root = pages(name)
    levels = [int(node.tag[1]) for node in root.all(*HEADINGS)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    for table in root.all("table"):
        assert table.children[0].tag == "caption"
        columns = table.all("thead")[0].all("th")
        assert {cell.attributes["scope"] for cell in columns} == {"col"}
        for row in table.all("tbody")[0].all("tr"):
            assert row.children[0].tag == "th" and row.children[0].attributes["scope"] == "row"
            assert len(row.children) == len(columns)
            # What stands before a value on a telephone is the heading of its column.
            assert [cell.attributes["data-heading"] for cell in row.children] == [cell.words for cell in columns]


@pytest.mark.parametrize("name", EACH)
def test_each_chart_has_a_title_and_says_what_it_shows(pages, name):
    for drawing in pages(name).all("svg"):
        title, told = drawing.children[:2]
        assert (title.tag, told.tag) == ("title", "desc")
        assert title.words and told.words
        assert drawing.attributes["role"] == "img"


@pytest.mark.parametrize("name", EACH)
def test_the_page_says_what_the_paper_says(pages, name):
    content = cases.CONTENTS[name]
    text = pages(name).all("body")[0].words
    told = [*verdict_lines(content), *(line.text for topic in topics(content) for line in topic.lines)]
    told += [each for _, texts in conditions_told(content) for each in texts]
    told += [content.identity, content.date, "not a safety certificate"]
    for each in told:
        assert clean_text(each) in text
    assert ("SIMULATED" in text) is content.simulated


def test_what_is_not_simulated_says_so_nowhere():
    page = web_page(cases.CONTENTS["real unit"], replace(NO_STEPS, simulated=False))
    assert "SIMULATED" not in page
    assert page == web_page(cases.CONTENTS["real unit"], replace(NO_STEPS, simulated=False))  # the same bytes again


def test_the_shop_stands_above_with_its_logo_inside_the_page():
    page = read(web_page(replace(CONTENT, shop=web_pages.shop()), NO_STEPS))
    header = page.all("header")[0]
    assert header.children[0].words == f"Demo audio workshop Example Lane 1 · {cases.FORTY} workshop@example.org"
    (logo,) = page.all("img")
    assert logo.attributes["alt"] == "Logo of Demo audio workshop"
    # RFC 2397: the very bytes of the picture
    assert base64.b64decode(logo.attributes["src"].removeprefix("data:image/png;base64,")) == web_pages.shop().logo.data


# ---------------------------------------------------------------- two visits


def test_what_was_found_before_stands_beside_what_is_now():
    page = read(web_page(replace(CONTENT, stage="as-left", stay=web_pages.STAY), NO_STEPS))
    text = page.words
    assert "2024-04-02: repair, output transistor (Q7)." in text.replace("\xa0", " ")
    (table,) = page.all("table")
    assert table.all("caption")[0].words == (
        "Before: as found, before any work (2024-04-01); now: after the work (2024-05-01)"
    )
    assert [cell.words for cell in table.all("thead")[0].all("th")] == [
        "quantity", "channel", "before", "now", "change", "limit", "verdict",
    ]  # fmt: skip
    rows = [[cell.words for cell in row.children] for row in table.all("tbody")[0].all("tr")]
    thd, limit = "total harmonic distortion (Distortion at 1 W)", "at most 0.1 % (the workshop's limit)"
    assert rows == [
        [thd, "1", "0.3000 ± 0.0005 %", "0.0123 ± 0.0005 %", "changed", limit, "fail, now pass"],
        [thd, "", "not known", "at most 0.0003 %", "", "", ""],
        [thd, "8", "0.0123 ± 0.0005 %", "0.3000 ± 0.0005 %", "can't tell", limit, "pass, now fail"],
    ]
    # What is not in order now is set in bold: no colour says it.
    assert [row.has("told") for row in table.all("tbody")[0].all("tr")] == [False, False, True]


def test_without_an_earlier_visit_nothing_is_said_of_one():
    page = read(web_page(CONTENT, NO_STEPS))
    assert page.all("table") == []
    assert "Before" not in page.words


# ---------------------------------------------------------------- hostile texts

#: OWASP's first lines against cross-site scripting (Cheat Sheet Series, "XSS Filter Evasion"), from memory, and others.
INJECTIONS = (
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "</title><script>alert(1)</script>",
    "</style><b>x</b>", "<!-- -->", "]]>", "&lt;b&gt;", "&#x3C;", "javascript:alert(1)", "' onload='x", "\x00\x1b[31m",
    "\ud800", "\u202eabc", "<svg/onload=alert(1)>", "{{7*7}}", "%s %(ink)s",
)  # fmt: skip


@pytest.mark.parametrize("text", INJECTIONS)
def test_no_text_becomes_markup(text):
    unit = replace(
        CONTENT, maker=text, model=text, identity=text, kind=text, date=text, plan=text,
        gaps=(text,), cautions=(text,), conditions=((text, text),), later=(text,), version=text, stage=text,
        findings=(cases.finding(step=text, words=text, source=text, reason=text, limit=text, verdict="undecided"),),
    )  # fmt: skip
    names = web_pages.StepSheet(
        name=text, measurement=text, state=text, notes=(text,), conditions=((text, text),), charts=(),
        rows=(web_pages.Row(words=text, channel=text, value=text, limit=text, source=text, verdict=text, reason=text),),
    )  # fmt: skip
    section = web_pages.Section(heading=text, facts=((text, text), ("", text)))
    page = web_page(unit, replace(NO_STEPS, first=(section,), steps=(names,), last=(section,)))
    root = read(page)
    assert {node.tag for node in root.all()} <= PARTS - {"svg"}
    assert clean_text(text) in root.all("title")[0].words
    assert clean_text(text) in root.all("td")[0].words
    page.encode()  # half a pair of surrogates could not be written


def test_a_chart_with_hostile_names_stays_a_chart():
    text = " ".join(INJECTIONS)
    view = cases.response_view(1, title=text, caption=text, y_label=text)
    holder = element("div", chart_svg(view, "a"))
    assert {node.tag for node in read(web_document(holder)).all()} <= PARTS


def web_document(holder):
    from audiomeas.present.web_elements import document

    return document(element("head", element("title", "t")), element("body", holder), language="en")


def test_two_charts_of_one_result_share_no_identity():
    view = cases.response_view(2)
    holder = element("div", chart_svg(view, "a"), chart_svg(view, "b", size=WIDE))
    root = read(web_document(holder))
    identities = [node.attributes["id"] for node in root.all() if "id" in node.attributes]
    assert len(identities) > 20
    assert len(set(identities)) == len(identities)
    texts = {node.words for node in root.all("text")}
    # What stood in the drawing still does, and as text.
    assert {"SIMULATED", "Frequency (Hz)", "Level (dB re 1 kHz)", "20", "1k", "10k"} <= texts


def test_a_chart_is_told_in_words_with_the_ends_of_each_curve():
    view = cases._simple([20.0, 1000.0, 20_000.0], [-3.0, None, 0.25], caption="At 1 W.", y_label="Level (dB)")
    assert description(view) == (
        "Level (dB) against Frequency (Hz). channel 1: values from −3 to 0.25. At 1 W."
    )  # fmt: skip
    assert "channel 1: no values." in description(cases.VIEWS["nothing finite"])
    assert "values of 2.828." in description(cases.VIEWS["flat line"])
    assert description(cases.response_view(1)).startswith("SIMULATED. ")
    assert "Shaded: limit ±0.5 dB." in description(cases.response_view(1))


def test_no_step_has_the_identity_of_a_part_of_a_chart():
    step = replace(web_pages.annex().steps[0], rows=(), conditions=(), charts=(cases.response_view(1),))
    names = ("Chart 1 1 title", "chart_1_1-desc", "chart wide", "chart_1_1-figure_1")
    page = read(web_page(CONTENT, replace(NO_STEPS, steps=(step, *(replace(step, name=name) for name in names)))))
    identities = [node.attributes["id"] for node in page.all() if "id" in node.attributes]
    assert len(set(identities)) == len(identities)


SMALL = ("response of 8 channels", "hostile", "long words", "two curves of a channel")


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[] if name in SMALL else [pytest.mark.wide]) for name in cases.VIEWS]
)
def test_a_chart_for_a_telephone_has_no_text_cut_or_covered(name):
    figure = chart_figure(cases.VIEWS[name], size_pt=NARROW)
    assert cases.outside(figure) == []
    assert cases.overlapping(figure) == []


# ---------------------------------------------------------------- look


def _luminance(colour: str) -> float:
    """Return the relative luminance of #rrggbb (WCAG 2.2, "relative luminance")."""
    parts = [int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_texts_are_dark_enough_on_white_paper():
    colours = set(re.findall(r"(?<![-\w])color: (#[0-9A-Fa-f]{6})", sheet(paper="A4", simulated=True)))
    assert colours == {style.INK, style.SOFT_INK, style.BLUE}
    for colour in colours:
        # WCAG 2.2, 1.4.3 (level AA): text has a contrast of at least 4.5 to what is behind it; white has luminance 1
        assert 1.05 / (_luminance(colour) + 0.05) >= 4.5


def test_each_printed_page_says_simulated_and_has_its_paper():
    assert 'content: "SIMULATED"' in sheet(paper="letter", simulated=True)
    assert "size: letter;" in sheet(paper="letter", simulated=True)
    assert "SIMULATED" not in sheet(paper="A4", simulated=False)


# ---------------------------------------------------------------- small parts


def test_headings_of_one_name_have_anchors_of_their_own():
    assert anchors(["Bench", "At 1 W, 1 kHz", "Bench", "日本", "…", "bench 2", "BENCH"]) == [
        "bench", "at-1-w-1-khz", "bench-2", "part", "part-2", "bench-2-2", "bench-3",
    ]  # fmt: skip


def test_between_a_number_and_its_unit_no_line_ends():
    assert (
        element("p", "At 1 W: 26.83 ± 0.06 dB on channel 1").text
        == "At 1\xa0W: 26.83\xa0±\xa00.06\xa0dB on channel\xa01"
    )


def test_a_text_beside_elements_is_refused():
    with pytest.raises(ValueError, match="stands alone"):
        element("p", "a text", element("b", "and more"))


def test_a_page_is_written_whole_and_never_over_another(tmp_path):
    file = tmp_path / "page.html"
    content = CONTENT
    write_web_page(content, NO_STEPS, file)
    before = file.read_bytes()
    assert before.startswith(b'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">')
    with pytest.raises(FileProblem, match="exists already"):
        write_web_page(content, NO_STEPS, file)
    with pytest.raises(FileProblem, match=r"must end in"):
        write_web_page(content, NO_STEPS, tmp_path / "page.htm")
    with pytest.raises(RequestError, match="unknown paper 'A3'"):
        write_web_page(content, NO_STEPS, tmp_path / "other.html", paper="A3")
    assert [each.name for each in tmp_path.iterdir()] == ["page.html"]
    assert file.read_bytes() == before
