"""A record as one web page: the customer's page and the technical annex in one file that needs nothing else.

No script, no address outside, no font of its own: it opens from a disk, from a mail, and in ten years.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element

from audiomeas import __version__
from audiomeas.errors import RequestError
from audiomeas.files import write_new_text
from audiomeas.present import style
from audiomeas.present.annex import ROW_HEADINGS, Row, Section, StepSheet
from audiomeas.present.charts import SIMULATED
from audiomeas.present.letters import letters_of
from audiomeas.present.saving import WEB_SUFFIX, check_suffix
from audiomeas.present.sentences import (
    SAFETY,
    SIMULATED_UNIT,
    Sentence,
    Topic,
    chart_meaning,
    conditions_told,
    head_facts,
    made_by,
    report_title,
    topics,
    unit_name,
    verdict_headline,
    verdict_lines,
)
from audiomeas.present.web_chart import WIDE, chart_svg
from audiomeas.present.web_elements import anchors, document, element
from audiomeas.present.web_style import sheet

if TYPE_CHECKING:
    from audiomeas.measurement.views import ChartView
    from audiomeas.present.annex import Annex
    from audiomeas.present.content import ReportContent

_LANGUAGE = "en"
#: Whatever the texts of a record hold: nothing is run, and nothing is fetched.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
_FOUND, _MEASURED, _ANNEX = "What was found", "How it was measured", "Technical annex"
#: Rows of these verdicts stand out.
_TOLD = ("fail", "undecided")


def write_web_page(content: ReportContent, annex: Annex, file: Path, *, paper: str = "A4") -> None:
    """Write the web page of a record.

    paper : on which it is printed.
    Raises FileProblem (wrong suffix, exists already, can't be written) and RequestError (unknown paper).
    """
    check_suffix(file, (WEB_SUFFIX,))
    write_new_text(file, web_page(content, annex, paper=paper))


def web_page(content: ReportContent, annex: Annex, *, paper: str = "A4") -> str:
    """Return the web page of a record as HTML. Raises RequestError for an unknown paper."""
    if paper not in style.PAPERS_PT:
        raise RequestError(f"unknown paper {paper!r}: use {' or '.join(style.PAPERS_PT)}")
    with letters_of((content, annex)):
        main = element("main", *_customer_part(content), _annex_part(annex))
    badge = [element("p", SIMULATED, class_="simulated")] if content.simulated else []
    body = element("body", *badge, _head(content), main, _foot(content))
    return document(_file_head(content, paper), body, language=_LANGUAGE)


def _file_head(content: ReportContent, paper: str) -> Element:
    css = Element("style")
    css.text = sheet(paper=paper, simulated=content.simulated)
    return element(
        "head",
        Element("meta", charset="utf-8"),
        element("meta", http_equiv="Content-Security-Policy", content=_POLICY),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("meta", name="generator", content=f"audiomeas {__version__}"),
        element("link", rel="icon", href="data:,"),  # else a browser asks for one
        element("title", report_title(content)),
        css,
    )


# ---------------------------------------------------------------- the customer's part


def _head(content: ReportContent) -> Element:
    parts = [element("h1", unit_name(content)), element("p", head_facts(content), class_="facts")]
    if content.simulated:
        parts.append(element("p", SIMULATED_UNIT, class_="strong"))
    return element("header", *parts)


def _customer_part(content: ReportContent) -> Iterator[Element]:
    yield _verdict(content)
    chart = [] if content.chart is None else [_customer_chart(content.chart, chart_meaning(content))]
    if content.findings or chart:
        yield element("section", element("h2", _FOUND), *map(_topic, topics(content)), *chart)
    told = conditions_told(content)
    if told:
        facts = [(topic, text) for topic, texts in told for text in texts]
        yield element("section", element("h2", _MEASURED), *_facts(facts), class_="ending")


def _verdict(content: ReportContent) -> Element:
    lines = [_paragraph(Sentence(line)) for line in verdict_lines(content)]
    return element("section", element("h2", verdict_headline(content)), *lines)


def _topic(topic: Topic) -> Element:
    lines = element("div", *map(_paragraph, topic.lines))
    return element("section", element("h3", topic.words), lines, class_="part")


def _paragraph(sentence: Sentence) -> Element:
    classes = [name for name in ("small", "indented", "strong") if getattr(sentence, name)]
    return element("p", sentence.text, **({"class_": " ".join(classes)} if classes else {}))


def _customer_chart(view: ChartView, meaning: str) -> Element:
    """Return the chart twice, for a desk and for a telephone: only one of them is ever shown."""
    drawn = [chart_svg(view, "chart-wide", size=WIDE, class_="wide"), chart_svg(view, "chart", class_="narrow")]
    told = [element("figcaption", meaning)] if meaning else []
    return element("figure", *drawn, *told)


def _foot(content: ReportContent) -> Element:
    return element("footer", element("p", SAFETY), element("p", made_by(content)))


# ---------------------------------------------------------------- the annex


def _annex_part(annex: Annex) -> Element:
    headings = [*(each.heading for each in annex.first), *(each.name for each in annex.steps)]
    names = anchors([*headings, *(each.heading for each in annex.last)])
    first, steps = names[: len(annex.first)], names[len(annex.first) : len(headings)]
    last = names[len(headings) :]
    return element(
        "section",
        element("h2", _ANNEX),
        _contents([*headings, *(each.heading for each in annex.last)], names),
        *(_section(each, name) for each, name in zip(annex.first, first, strict=True)),
        *(_sheet(each, name) for each, name in zip(annex.steps, steps, strict=True)),
        *(_section(each, name) for each, name in zip(annex.last, last, strict=True)),
        class_="annex",
    )


def _contents(headings: Sequence[str], names: Sequence[str]) -> Element:
    links = [element("a", heading, href=f"#{name}") for heading, name in zip(headings, names, strict=True)]
    return element("nav", element("ul", *(element("li", link) for link in links)), aria_label=_ANNEX)


def _section(section: Section, name: str) -> Element:
    return element("section", element("h3", section.heading), *_facts(section.facts), id=name)


def _facts(facts: Iterable[tuple[str, str]]) -> Iterator[Element]:
    """Yield facts beside their names, several of one name below each other; those without a name as sentences."""
    for named, together in groupby(facts, key=lambda fact: bool(fact[0])):
        if named:
            groups = groupby(together, key=lambda fact: fact[0])
            rows = [(element("dt", name), *(element("dd", text) for _, text in group)) for name, group in groups]
            yield element("dl", *(element("div", *row) for row in rows))
        else:
            yield from (element("p", text) for _, text in together)


def _sheet(sheet: StepSheet, name: str) -> Element:
    parts = [element("h3", sheet.name)]
    parts += [element("p", text, class_="notice") for text in (sheet.state, *sheet.notes) if text]
    parts += _facts(sheet.conditions)
    parts += [_rows(sheet)] if sheet.rows else []
    charts = [element("figure", chart_svg(view, f"{name}-{number}")) for number, view in enumerate(sheet.charts, 1)]
    parts += [element("div", *charts, class_="charts")] if charts else []
    return element("section", *parts, id=name)


def _rows(sheet: StepSheet) -> Element:
    """Return the rows of a step as a table, without columns that none of them has anything in."""
    wanted = [place for place in range(len(ROW_HEADINGS)) if any(row.cells[place] for row in sheet.rows)]
    heading = [element("th", ROW_HEADINGS[place], scope="col") for place in wanted]
    return element(
        "table",
        element("caption", f"Values of {sheet.name}"),
        element("thead", element("tr", *heading)),
        element("tbody", *(_row(row, wanted) for row in sheet.rows)),
    )


def _row(row: Row, wanted: Sequence[int]) -> Element:
    first, *others = wanted
    cells = [element("td", row.cells[place], data_heading=ROW_HEADINGS[place]) for place in others]
    told = {"class_": "told"} if row.verdict in _TOLD else {}
    return element("tr", element("th", row.cells[first], scope="row", data_heading=ROW_HEADINGS[first]), *cells, **told)
