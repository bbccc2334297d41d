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
from audiomeas.present.charts import SIMULATED
from audiomeas.present.letters import letters_of
from audiomeas.present.saving import WEB_SUFFIX, check_suffix
from audiomeas.present.sentences import (
    SAFETY,
    SIMULATED_UNIT,
    STAGES,
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
from audiomeas.present.stay_words import stay_topics
from audiomeas.present.web_chart import WIDE, chart_svg
from audiomeas.present.web_elements import anchors, document, element
from audiomeas.present.web_style import sheet
from audiomeas.present.web_table import moved_table, rows_table

if TYPE_CHECKING:
    from audiomeas.measurement.views import ChartView
    from audiomeas.present.annex import Annex, StepSheet
    from audiomeas.present.content import ReportContent, StayContent
    from audiomeas.present.shop import Shop

_LANGUAGE = "en"
#: Whatever the texts of a record hold: nothing is run, and nothing is fetched.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
_BEFORE, _BOTH_TIMES = "Before, and what was done", "Values that were measured both times"
_FOUND, _MEASURED, _ANNEX = "What was found", "How it was measured", "Technical annex"


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
        main = element("main", *_customer_part(content), _annex_part(content, annex))
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
        parts.append(element("p", SIMULATED_UNIT, class_="told"))
    sender = [] if content.shop is None else [_shop(content.shop)]
    return element("header", *sender, *parts)


def _shop(shop: Shop) -> Element:
    """Return who hands the page out; the logo is inside the page."""
    logo = [] if shop.logo is None else [element("img", src=shop.logo.address, alt=f"Logo of {shop.name}")]
    lines = [element("p", shop.name, class_="told"), *(element("p", line) for line in shop.lines)]
    return element("div", *logo, element("div", *lines), class_="shop")


def _customer_part(content: ReportContent) -> Iterator[Element]:
    yield _verdict(content)
    if content.stay is not None:
        yield element("section", element("h2", _BEFORE), *map(_topic, stay_topics(content.stay)))
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
    drawn = [chart_svg(view, "chart_wide", size=WIDE, class_="wide"), chart_svg(view, "chart_narrow", class_="narrow")]
    return _figure(view, *drawn, below=(meaning,))


def _figure(view: ChartView, *drawn: Element, below: Sequence[str] = ()) -> Element:
    """Return a drawing with its title above, and below it the conditions and whatever else there is to say."""
    told = [element("p", text, class_="small") for text in (view.caption, *below) if text]
    return element("figure", element("figcaption", view.title or view.name), *drawn, *told)


def _foot(content: ReportContent) -> Element:
    return element("footer", element("p", SAFETY), element("p", made_by(content)))


# ---------------------------------------------------------------- the annex


def _annex_part(content: ReportContent, annex: Annex) -> Element:
    parts: list[tuple[str, Iterable[Element]]] = [(each.heading, _facts(each.facts)) for each in annex.first]
    parts += [(each.name, _sheet(each, f"chart_{number}")) for number, each in enumerate(annex.steps, start=1)]
    if content.stay is not None and content.stay.moved:
        parts.append((_BOTH_TIMES, [moved_table(content.stay.moved, caption=_times(content, content.stay))]))
    parts += [(each.heading, _facts(each.facts)) for each in annex.last]
    headings = [heading for heading, _ in parts]
    names = anchors(headings)
    sections = [
        element("section", element("h3", heading), *told, id=name)
        for (heading, told), name in zip(parts, names, strict=True)
    ]
    return element("section", element("h2", _ANNEX), _contents(headings, names), *sections, class_="annex")


def _times(content: ReportContent, stay: StayContent) -> str:
    """Return which two visits a table is of: 'Before: as found, before any work (2024-05-01); now: …'."""
    then, now = (STAGES.get(stage, stage) for stage in (stay.against, content.stage))
    return f"Before: {then} ({stay.against_date}); now: {now} ({content.date})"


def _contents(headings: Sequence[str], names: Sequence[str]) -> Element:
    links = [element("a", heading, href=f"#{name}") for heading, name in zip(headings, names, strict=True)]
    return element("nav", element("ul", *(element("li", link) for link in links)), aria_label=_ANNEX)


def _facts(facts: Iterable[tuple[str, str]]) -> Iterator[Element]:
    """Yield facts beside their names, several of one name below each other; those without a name as sentences."""
    for named, together in groupby(facts, key=lambda fact: bool(fact[0])):
        if named:
            groups = groupby(together, key=lambda fact: fact[0])
            rows = [(element("dt", name), *(element("dd", text) for _, text in group)) for name, group in groups]
            yield element("dl", *(element("div", *row) for row in rows))
        else:
            yield from (element("p", text) for _, text in together)


def _sheet(sheet: StepSheet, name: str) -> Iterator[Element]:
    """Yield what is kept of a step. name : begins the identities of its charts."""
    yield from (element("p", text, class_="notice") for text in (sheet.state, *sheet.notes) if text)
    yield from _facts(sheet.conditions)
    if sheet.rows:
        yield rows_table(sheet.rows, caption=f"Values of {sheet.name}")
    if sheet.charts:
        drawn = [(view, chart_svg(view, f"{name}_{number}")) for number, view in enumerate(sheet.charts, start=1)]
        yield element("div", *(_figure(*each) for each in drawn), class_="charts")
