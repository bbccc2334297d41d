"""Lay out the customer's report: one page where it fits, more pages with the heading repeated where it doesn't.

Texts are measured before they are placed, in points from the top left corner of the paper, so that nothing is cut and
nothing overlaps, however long the names or many the rows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from audiomeas.errors import RequestError
from audiomeas.present import style
from audiomeas.present.content import ReportContent
from audiomeas.present.letters import letters_of
from audiomeas.present.saving import REPORT_SUFFIXES, check_suffix, save_pages
from audiomeas.present.sentences import (
    Sentence,
    Topic,
    chart_meaning,
    chart_meaning_of,
    conditions_told,
    report_title,
    topics,
    verdict_headline,
    verdict_lines,
)
from audiomeas.present.sheet import (
    HEADING_PT,
    LABEL_PT,
    Block,
    Line,
    Page,
    chart_height,
    finished,
    fits,
    head,
    place,
    printed,
    put_chart,
)
from audiomeas.present.stay_words import stay_topics
from audiomeas.present.text import wrap

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from audiomeas.measurement.views import ChartView
    from audiomeas.present.annex import Annex

#: Layout in points.
_LONGEST_LABEL = 8
_LEAST_AXES_PT = 56.0
_CONTINUED_PT = 16.0
#: Conditions that take more than this go behind the rows, on another page.
_LONGEST_ENDING_PT = 190.0
_HIGHEST_CHART_PT = 270.0
_LEAST_GAP_PT = 2.5
_BELOW_CHART_PT = 5.0
#: In the label of an axis it is followed by what 0 dB is.
_REFERENCE = " re "
_FOUND_CONTINUED = "What was found, continued"


# ---------------------------------------------------------------- pages


def report_pages(content: ReportContent, *, paper: str = "A4", annex: Annex | None = None) -> list[Figure]:
    """Return the report's pages as figures, the technical annex behind them. Raises RequestError for unknown paper."""
    from audiomeas.present.annex_pages import annex_pages

    if paper not in style.PAPERS_PT:
        raise RequestError(f"unknown paper {paper!r}: use {' or '.join(style.PAPERS_PT)}")
    with letters_of((content, annex)), style.look():
        pages = customer_pages(content, paper, annexed=annex is not None)
        behind = [] if annex is None else annex_pages(annex, content, paper)
        return finished([*pages, *behind], content)


def write_report(content: ReportContent, file: Path, *, paper: str = "A4", annex: Annex | None = None) -> None:
    """Write the report as PDF (or PNG, pages below each other) by its suffix, the technical annex behind it.

    Raises FileProblem (wrong suffix, exists already, can't be written) and RequestError (unknown paper).
    """
    check_suffix(file, REPORT_SUFFIXES)
    pages = report_pages(content, paper=paper, annex=annex)
    save_pages(pages, file, title=report_title(content), suffixes=REPORT_SUFFIXES)


def customer_pages(content: ReportContent, paper: str, *, annexed: bool = False) -> list[Page]:
    """Return the customer's pages: one, where the whole fits, or the main of it where the rest stands elsewhere.

    annexed : a technical annex with every row comes behind. Feet are written when all pages are known.
    """
    if content.chart is not None:
        content = replace(content, chart=_without_sources(content.chart))
    pages = _lay_out(content, paper, short=False)
    if len(pages) == 1:
        return pages
    low = content if content.chart is None else replace(content, chart=_low(content.chart))
    may_leave_out = annexed or content.stay or content.later or content.shop
    tries = (_lay_out(low, paper, short=short) for short in ((False, True) if may_leave_out else (False,)))
    return next((snug for snug in tries if len(snug) == 1), pages)


def _without_sources(view: ChartView) -> ChartView:
    """Return a chart whose legend does not say whose a limit is: the rows above it do, and curves need the height."""
    return replace(view, bands=tuple(replace(band, source="") for band in view.bands))


def _low(view: ChartView) -> ChartView:
    """Return a chart for little height: what 0 dB is stands in the sentence below it, the conditions in the record."""
    what, reference, _ = view.y_label.partition(_REFERENCE)
    return replace(view, caption="", y_label=f"{what})" if reference and chart_meaning_of(view) else view.y_label)


def _lay_out(content: ReportContent, paper: str, *, short: bool) -> list[Page]:
    def fresh(again: bool = True) -> Page:
        page = Page(paper)
        head(page, content, continued=_FOUND_CONTINUED if again else "")
        return page

    page = fresh(again=False)
    pages = [page]
    told = [_topic_block(topic, page.across) for topic in stay_topics(content.stay, short=short)]
    opening = [*_verdict_blocks(content, page.across), *told]
    opening = _snug(opening) if short else opening
    for block in opening:
        page = place(block, pages, fresh)
    found = [_topic_block(topic, page.across) for topic in topics(content, short=short)]
    ending = _ending_blocks(content, page.across)
    ending_height = sum(block.height for block in ending) + 12.0
    chart_needs = _chart_height(content, page)
    ending_first = ending_height < _LONGEST_ENDING_PT
    room = page.room - chart_needs - (ending_height if ending_first else 0.0)
    first, rest = _shared(_spaced(found, room), room)
    for block in first:
        page.put(block)
    if rest:
        _say_continued(page)
    if content.chart is not None:
        page = _place_chart(content, content.chart, pages, fresh, leave=ending_height if ending_first else 0.0)
    if ending_first and fits(ending_height, page.room):
        for block in _ruled(ending, page):
            page.put(block)
        ending = []
    for block in rest:
        page = place(block, pages, fresh)
    for block in _ruled(ending, page):
        page = place(block, pages, fresh)
    return pages


def _ruled(ending: list[Block], page: Page) -> list[Block]:
    """Return the blocks, with a line drawn above them."""
    if ending and page.room > 30.0:
        page.rule(page.y + 2.0)
        page.y += 10.0
    return ending


def _spaced(found: list[Block], room: float) -> list[Block]:
    """Return the blocks with less air between them, where that makes them fit a page, else as they are."""
    snug = _snug(found)
    fit = sum(block.height for block in snug) <= room < sum(block.height for block in found)
    return snug if fit else found


def _snug(blocks: Sequence[Block]) -> list[Block]:
    return [replace(block, gap_pt=_LEAST_GAP_PT) for block in blocks]


def _shared(found: Sequence[Block], room: float) -> tuple[list[Block], list[Block]]:
    """Return what stands in the room of the first page, and what goes to the next ones (a block may be parted)."""
    if sum(block.height for block in found) <= room:
        return list(found), []
    room -= _CONTINUED_PT
    first: list[Block] = []
    for number, block in enumerate(found):
        if block.height > room:
            parts = block.split(room)
            return first + parts[:-1], [*parts[-1:], *found[number + 1 :]]
        first.append(block)
        room -= block.height
    return first, []


def _say_continued(page: Page) -> None:
    page.put(Block((), (Line("More was measured: see the next page.", colour=style.SOFT_INK),), gap_pt=4.0))


# ---------------------------------------------------------------- parts of a page


def _verdict_blocks(content: ReportContent, across: float) -> list[Block]:
    room = across - LABEL_PT
    # The headline stands beside the sentences; a long list of what failed may run over pages.
    headline = tuple(
        Line(text, HEADING_PT, bold=True)
        for text in wrap(verdict_headline(content), LABEL_PT - 10.0, HEADING_PT, bold=True)
    )
    lines = [line for sentence in verdict_lines(content) for line in printed(Sentence(sentence), room)]
    return [Block(headline, tuple(lines), gap_pt=9.0)]


def _topic_block(topic: Topic, across: float) -> Block:
    room, narrow = across - LABEL_PT, LABEL_PT - 10.0
    label = [Line(text, bold=True) for text in wrap(topic.words, narrow, style.TEXT_PT, bold=True)]
    lines = [line for sentence in topic.lines for line in printed(sentence, room)]
    if len(label) > _LONGEST_LABEL:  # beside such a name the page would be empty: it goes above the lines
        name = wrap(topic.words, room, style.TEXT_PT, bold=True)
        label, lines = [], [*(Line(text, bold=True) for text in name), *lines]
    return Block(tuple(label), tuple(lines), gap_pt=6.0)


def _ending_blocks(content: ReportContent, across: float) -> list[Block]:
    """Return how it was measured and what must be known with it, in small print."""
    room = across - LABEL_PT
    blocks = []
    for topic, sentences in conditions_told(content):
        heading = tuple(
            Line(text, style.SMALL_PT, bold=True) for text in wrap(topic, LABEL_PT - 10.0, style.SMALL_PT, bold=True)
        )
        for number, sentence in enumerate(sentences):
            lines = tuple(Line(text, style.SMALL_PT) for text in wrap(sentence, room, style.SMALL_PT))
            blocks.append(Block(() if number else heading, lines, gap_pt=1.5))
    return blocks


def _chart_sentence(content: ReportContent, page: Page) -> list[Line]:
    texts = wrap(chart_meaning(content), page.across, style.SMALL_PT)
    return [Line(text, style.SMALL_PT, colour=style.SOFT_INK) for text in texts]


def _chart_height(content: ReportContent, page: Page) -> float:
    """Return the least height of the chart with the sentence below it; 0 without a chart."""
    if content.chart is None:
        return 0.0
    below = sum(line.height for line in _chart_sentence(content, page)) + _BELOW_CHART_PT
    return chart_height(content.chart, page, _LEAST_AXES_PT) + below


def _place_chart(
    content: ReportContent, view: ChartView, pages: list[Page], fresh: Callable[[], Page], *, leave: float
) -> Page:
    """Draw the chart over the whole width, as high as the page allows, with a sentence on what it shows."""
    page = pages[-1]
    least = _chart_height(content, page)
    if least > page.room:
        page = fresh()
        pages.append(page)
    sentence = _chart_sentence(content, page)
    below = sum(line.height for line in sentence) + _BELOW_CHART_PT
    put_chart(view, page, max(min(_HIGHEST_CHART_PT, page.room - leave), least) - below)
    page.put(Block(tuple(sentence), (), gap_pt=_BELOW_CHART_PT))
    return page
