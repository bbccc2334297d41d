"""Lay out the customer's report: one page where it fits, more pages with the heading repeated where it doesn't.

Texts are measured before they are placed, in points from the top left corner of the paper, so that nothing is cut and
nothing overlaps, however long the names or many the rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError
from audiomeas.present import style
from audiomeas.present.charts import SIMULATED, Margins, draw_chart, margins
from audiomeas.present.content import ReportContent
from audiomeas.present.letters import letters_of
from audiomeas.present.saving import REPORT_SUFFIXES, check_suffix, save_pages
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
from audiomeas.present.stay_words import stay_topics
from audiomeas.present.text import headed, wrap

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from audiomeas.measurement.views import ChartView

#: Layout in points.
_MARGIN_PT = 40.0
_LABEL_PT = 112.0
_INDENT_PT = 9.0
_LONGEST_LABEL = 8
#: A heading that is repeated on each page ends here.
_MOST_NAME_LINES = 2
_FOOT_PT = 62.0
_LEADING = 1.32
_LEAST_AXES_PT = 72.0
_CONTINUED_PT = 16.0
_HAIR_PT = 0.01
_FEWEST_LINES = 3
#: Conditions that take more than this go behind the rows, on another page.
_LONGEST_ENDING_PT = 190.0
_HIGHEST_CHART_PT = 270.0
_LEAST_GAP_PT = 2.5
_NAME_PT = 17.0
_PAGE_NUMBER_PT = 90.0
_HEADING_PT = 11.0


@dataclass(frozen=True)
class _Line:
    """One printed line."""

    text: str
    size_pt: float = style.TEXT_PT
    bold: bool = False
    colour: str = style.INK
    indent: float = 0.0

    @property
    def height(self) -> float:
        return self.size_pt * _LEADING


@dataclass(frozen=True)
class _Block:
    """Lines beside a label in the margin, kept together on a page. gap_pt : air below."""

    label: tuple[_Line, ...]
    lines: tuple[_Line, ...]
    gap_pt: float = 6.0

    @property
    def height(self) -> float:
        return max(sum(line.height for line in part) for part in (self.label, self.lines)) + self.gap_pt


class _Page:
    """One sheet of paper; `y` is where the next thing goes, in points from the top."""

    def __init__(self, paper: str) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.width, self.height = style.PAPERS_PT[paper]
        self.figure = Figure(figsize=(self.width / 72.0, self.height / 72.0))
        FigureCanvasAgg(self.figure)
        self.y = _MARGIN_PT

    @property
    def across(self) -> float:
        return self.width - 2.0 * _MARGIN_PT

    @property
    def room(self) -> float:
        return self.height - _FOOT_PT - self.y

    def write(self, line: _Line, x: float, y: float, **how: Any) -> None:
        """Write one line, its top at y."""
        self.figure.text(
            x / self.width, 1.0 - (y + line.size_pt) / self.height, line.text, fontsize=line.size_pt,
            fontweight="bold" if line.bold else "normal", color=line.colour, va="baseline", **how,
        )  # fmt: skip

    def rule(self, y: float, *, width_pt: float = 0.6) -> None:
        """Draw a line across the page."""
        from matplotlib.lines import Line2D

        ends = [_MARGIN_PT / self.width, 1.0 - _MARGIN_PT / self.width]
        self.figure.add_artist(
            Line2D(
                ends,
                [1.0 - y / self.height] * 2,
                color=style.RULE,
                linewidth=width_pt,
                transform=self.figure.transFigure,
            )
        )

    def put(self, block: _Block) -> None:
        """Place a block at y and move on."""
        for part, x in ((block.label, _MARGIN_PT), (block.lines, _MARGIN_PT + _LABEL_PT)):
            y = self.y
            for line in part:
                self.write(line, x + line.indent, y)
                y += line.height
        self.y += block.height


# ---------------------------------------------------------------- pages


def report_pages(content: ReportContent, *, paper: str = "A4") -> list[Figure]:
    """Return the report's pages as figures. Raises RequestError for an unknown paper."""
    if paper not in style.PAPERS_PT:
        raise RequestError(f"unknown paper {paper!r}: use {' or '.join(style.PAPERS_PT)}")
    with letters_of(content), style.look():
        pages = _lay_out(content, paper)
        for number, page in enumerate(pages, start=1):
            _foot(page, content, number, len(pages))
    return [page.figure for page in pages]


def write_report(content: ReportContent, file: Path, *, paper: str = "A4") -> None:
    """Write the report as PDF (or PNG, pages below each other) by its suffix.

    Raises FileProblem (wrong suffix, exists already, can't be written) and RequestError (unknown paper).
    """
    check_suffix(file, REPORT_SUFFIXES)
    save_pages(report_pages(content, paper=paper), file, title=report_title(content), suffixes=REPORT_SUFFIXES)


def _lay_out(content: ReportContent, paper: str) -> list[_Page]:
    page = _Page(paper)
    pages = [page]
    _head(page, content, again=False)
    told = [_topic_block(topic, page.across) for topic in stay_topics(content.stay)]
    for block in [*_verdict_blocks(content, page.across), *told]:
        page = _place(block, pages, content, paper)
    found = [_topic_block(topic, page.across) for topic in topics(content)]
    ending = _ending_blocks(content, page.across)
    ending_height = sum(block.height for block in ending) + 12.0
    chart_height = _chart_height(content, page)
    ending_first = ending_height < _LONGEST_ENDING_PT
    room = page.room - chart_height - (ending_height if ending_first else 0.0)
    first, rest = _shared(_spaced(found, room), room)
    for block in first:
        page.put(block)
    if rest:
        _say_continued(page)
    if content.chart is not None:
        page = _place_chart(content, pages, paper, leave=ending_height if ending_first else 0.0)
    if ending_first and _fits(ending_height, page.room):
        for block in _ruled(ending, page):
            page.put(block)
        ending = []
    for block in rest:
        page = _place(block, pages, content, paper)
    for block in _ruled(ending, page):
        page = _place(block, pages, content, paper)
    return pages


def _fits(height: float, room: float) -> bool:
    """Return whether something has room; what was left for it exactly has, whatever the sums of floats say."""
    return height <= room + _HAIR_PT


def _ruled(ending: list[_Block], page: _Page) -> list[_Block]:
    """Return the blocks, with a line drawn above them."""
    if ending and page.room > 30.0:
        page.rule(page.y + 2.0)
        page.y += 10.0
    return ending


def _spaced(found: list[_Block], room: float) -> list[_Block]:
    """Return the blocks with less air between them, where that makes them fit a page, else as they are."""
    snug = [replace(block, gap_pt=_LEAST_GAP_PT) for block in found]
    fits = sum(block.height for block in snug) <= room < sum(block.height for block in found)
    return snug if fits else found


def _shared(found: Sequence[_Block], room: float) -> tuple[list[_Block], list[_Block]]:
    """Return what stands in the room of the first page, and what goes to the next ones (a block may be parted)."""
    if sum(block.height for block in found) <= room:
        return list(found), []
    room -= _CONTINUED_PT
    first: list[_Block] = []
    for number, block in enumerate(found):
        if block.height > room:
            parts = _parted(block, room)
            return first + parts[:-1], [*parts[-1:], *found[number + 1 :]]
        first.append(block)
        room -= block.height
    return first, []


def _parted(block: _Block, room: float) -> list[_Block]:
    """Return a block in two where at least a few of its lines and its label fit, else whole; the label is repeated."""
    fits = 0
    while fits < len(block.lines) and sum(line.height for line in block.lines[: fits + 1]) <= room:
        fits += 1
    label = sum(line.height for line in block.label)
    if fits < min(_FEWEST_LINES, len(block.lines)) or label > room or fits == len(block.lines):
        return [block]
    return [replace(block, lines=block.lines[:fits], gap_pt=0.0), replace(block, lines=block.lines[fits:])]


def _place(block: _Block, pages: list[_Page], content: ReportContent, paper: str) -> _Page:
    """Put a block on the last page, or on a new one with the heading repeated; one longer than a page is parted."""
    page = pages[-1]
    if block.height <= page.room:
        page.put(block)
        return page
    fresh = _Page(paper)
    _head(fresh, content, again=True)
    if block.height <= fresh.room:
        pages.append(fresh)
        fresh.put(block)
        return fresh
    parts = _parted(block, page.room)
    if len(parts) == 1:  # nothing of it fits here
        pages.append(fresh)
        return _place(block, pages, content, paper)
    page.put(parts[0])
    return _place(parts[1], pages, content, paper)


def _say_continued(page: _Page) -> None:
    page.put(_Block((), (_Line("More was measured: see the next page.", colour=style.SOFT_INK),), gap_pt=4.0))


# ---------------------------------------------------------------- parts of a page


def _head(page: _Page, content: ReportContent, *, again: bool) -> None:
    """Write what was measured, when and at which stage; smaller on the following pages."""
    size = style.TEXT_PT + 2.0 if again else _NAME_PT
    room = page.across - 110.0
    if content.simulated:
        line = _Line(SIMULATED, style.TEXT_PT, bold=True)
        page.write(
            line, page.width - _MARGIN_PT - 5.0, page.y + 2.0, ha="right",
            bbox={"boxstyle": "square,pad=0.35", "facecolor": "white", "edgecolor": style.INK, "linewidth": 1.3},
        )  # fmt: skip
    lines = [_Line(text, size, bold=True) for text in headed(unit_name(content), room, size, most=_MOST_NAME_LINES)]
    lines += [_Line(text) for text in wrap(head_facts(content), page.across, style.TEXT_PT)]
    if content.simulated and not again:
        lines += [_Line(SIMULATED_UNIT, bold=True)]
    if again:
        lines.append(_Line("What was found, continued", style.TEXT_PT, colour=style.SOFT_INK))
    for line in lines:
        page.write(line, _MARGIN_PT, page.y)
        page.y += line.height + (1.0 if line.bold else 0.0)
    page.rule(page.y + 3.0, width_pt=1.0)
    page.y += 11.0


def _foot(page: _Page, content: ReportContent, number: int, of: int) -> None:
    top = page.height - _FOOT_PT + 8.0
    page.rule(top - 3.0)
    lines = wrap(SAFETY, page.across, style.SMALL_PT)
    for index, text in enumerate(lines):
        page.write(
            _Line(text, style.SMALL_PT, colour=style.SOFT_INK), _MARGIN_PT, top + index * style.SMALL_PT * _LEADING
        )
    y = top + len(lines) * style.SMALL_PT * _LEADING
    line = _Line(_cut(made_by(content), page.across - _PAGE_NUMBER_PT), style.SMALL_PT, colour=style.SOFT_INK)
    page.write(line, _MARGIN_PT, y)
    page.write(replace(line, text=f"page {number} of {of}"), page.width - _MARGIN_PT, y, ha="right")


def _cut(text: str, room: float) -> str:
    """Return what of a text fits one line of small print; an ellipsis says that it goes on."""
    first, *more = wrap(text, room, style.SMALL_PT)
    return f"{first} …" if more else first


def _verdict_blocks(content: ReportContent, across: float) -> list[_Block]:
    room = across - _LABEL_PT
    # The headline stands beside the sentences; a long list of what failed may run over pages.
    headline = tuple(
        _Line(text, _HEADING_PT, bold=True)
        for text in wrap(verdict_headline(content), _LABEL_PT - 10.0, _HEADING_PT, bold=True)
    )
    lines = [line for sentence in verdict_lines(content) for line in _printed(Sentence(sentence), room)]
    return [_Block(headline, tuple(lines), gap_pt=9.0)]


def _topic_block(topic: Topic, across: float) -> _Block:
    room, narrow = across - _LABEL_PT, _LABEL_PT - 10.0
    label = [_Line(text, bold=True) for text in wrap(topic.words, narrow, style.TEXT_PT, bold=True)]
    lines = [line for sentence in topic.lines for line in _printed(sentence, room)]
    if len(label) > _LONGEST_LABEL:  # beside such a name the page would be empty: it goes above the lines
        name = wrap(topic.words, room, style.TEXT_PT, bold=True)
        label, lines = [], [*(_Line(text, bold=True) for text in name), *lines]
    return _Block(tuple(label), tuple(lines), gap_pt=6.0)


def _printed(sentence: Sentence, room: float) -> list[_Line]:
    """Return a sentence as lines; what goes on below is set in by a little."""
    size = style.SMALL_PT if sentence.small or sentence.indented else style.TEXT_PT
    colour = style.SOFT_INK if sentence.small else style.INK
    if sentence.strong:
        lines = wrap(sentence.text, room, _HEADING_PT, bold=True)
        return [_Line(text, _HEADING_PT, bold=True) for text in lines]
    start = _INDENT_PT if sentence.indented else 0.0
    further = start if sentence.small or sentence.indented else start + _INDENT_PT
    lines = wrap(sentence.text, room - start, size) or [""]
    if len(lines) > 1:
        lines = wrap(sentence.text, room - further, size)
    indents = [start, *[further] * (len(lines) - 1)]
    return [_Line(text, size, colour=colour, indent=indent) for text, indent in zip(lines, indents, strict=True)]


def _ending_blocks(content: ReportContent, across: float) -> list[_Block]:
    """Return how it was measured and what must be known with it, in small print."""
    room = across - _LABEL_PT
    blocks = []
    for topic, sentences in conditions_told(content):
        heading = tuple(
            _Line(text, style.SMALL_PT, bold=True) for text in wrap(topic, _LABEL_PT - 10.0, style.SMALL_PT, bold=True)
        )
        for number, sentence in enumerate(sentences):
            lines = tuple(_Line(text, style.SMALL_PT) for text in wrap(sentence, room, style.SMALL_PT))
            blocks.append(_Block(() if number else heading, lines, gap_pt=1.5))
    return blocks


def _chart_sentence(content: ReportContent, page: _Page) -> list[_Line]:
    texts = wrap(chart_meaning(content), page.across, style.SMALL_PT)
    return [_Line(text, style.SMALL_PT, colour=style.SOFT_INK) for text in texts]


def _chart_furniture(view: ChartView, page: _Page) -> tuple[float, Margins]:
    """Return the width of the chart's axes and the room around them."""
    across = page.across - 78.0
    return across, margins(view, across)


def _chart_height(content: ReportContent, page: _Page) -> float:
    """Return the least height of the chart with the sentence below it; 0 without a chart."""
    if content.chart is None:
        return 0.0
    _, room = _chart_furniture(content.chart, page)
    below = sum(line.height for line in _chart_sentence(content, page)) + 5.0
    return room.top + room.bottom + _LEAST_AXES_PT + below


def _place_chart(content: ReportContent, pages: list[_Page], paper: str, *, leave: float) -> _Page:
    """Draw the chart over the whole width, as high as the page allows, with a sentence on what it shows."""
    assert content.chart is not None
    page, view = pages[-1], content.chart
    least = _chart_height(content, page)
    if least > page.room:
        page = _Page(paper)
        pages.append(page)
        _head(page, content, again=True)
    across, room = _chart_furniture(view, page)
    sentence = _chart_sentence(content, page)
    below = sum(line.height for line in sentence) + 5.0
    height = max(min(_HIGHEST_CHART_PT, page.room - leave), least) - below
    high = height - room.top - room.bottom
    bottom = page.height - page.y - height + room.bottom
    left = _MARGIN_PT + room.left
    ax = page.figure.add_axes((left / page.width, bottom / page.height, across / page.width, high / page.height))
    draw_chart(view, ax=ax)
    page.y += height
    for line in sentence:
        page.write(line, _MARGIN_PT, page.y)
        page.y += line.height
    page.y += 5.0
    return page
