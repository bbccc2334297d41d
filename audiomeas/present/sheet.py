"""A sheet of paper: lines of text in blocks, measured before they are placed, with a heading and a foot on each page.

Places are in points from the top left corner of the paper, so that nothing is cut and nothing overlaps, however long
the names or many the rows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from audiomeas.present import style
from audiomeas.present.charts import SIMULATED, draw_chart, margins
from audiomeas.present.sentences import SAFETY, SIMULATED_UNIT, Sentence, head_facts, made_by, unit_name
from audiomeas.present.text import headed, wrap

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from audiomeas.measurement.views import ChartView
    from audiomeas.present.content import ReportContent
    from audiomeas.present.shop import Shop

#: Layout in points.
MARGIN_PT = 40.0
LABEL_PT = 112.0
HEADING_PT = 11.0
_INDENT_PT = 9.0
#: A heading that is repeated on each page ends here.
_MOST_NAME_LINES = 2
_FOOT_PT = 62.0
_LEADING = 1.32
_HAIR_PT = 0.01
_FEWEST_LINES = 3
_NAME_PT = 17.0
_PAGE_NUMBER_PT = 90.0
_SHOP_TOP_PT = 20.0
_LOGO_HIGH_PT = 30.0
_LOGO_WIDE_PT = 90.0
_AIR_PT = 6.0
#: Room that the tick labels take beside a chart's axes.
_BESIDE_AXES_PT = 78.0


@dataclass(frozen=True)
class Line:
    """One printed line."""

    text: str
    size_pt: float = style.TEXT_PT
    bold: bool = False
    colour: str = style.INK
    indent: float = 0.0

    @property
    def height(self) -> float:
        """The height of the line, with air."""
        return self.size_pt * _LEADING


@dataclass(frozen=True)
class Block:
    """Lines beside a label in the margin, kept together on a page. gap_pt : air below."""

    label: tuple[Line, ...]
    lines: tuple[Line, ...]
    gap_pt: float = 6.0

    @property
    def height(self) -> float:
        """The height of the longer column, with air."""
        return max(sum(line.height for line in part) for part in (self.label, self.lines)) + self.gap_pt

    def split(self, room: float) -> list[Block]:
        """Return a block in two where a few of its lines and its label fit, else whole; the label is repeated."""
        count = _lines_that_fit(self.lines, room)
        label = sum(line.height for line in self.label)
        if count < min(_FEWEST_LINES, len(self.lines)) or label > room or count == len(self.lines):
            return [self]
        return [replace(self, lines=self.lines[:count], gap_pt=0.0), replace(self, lines=self.lines[count:])]

    @property
    def parts(self) -> tuple[tuple[float, tuple[Line, ...]], ...]:
        """Where its columns begin, and their lines."""
        return (MARGIN_PT, self.label), (MARGIN_PT + LABEL_PT, self.lines)


@dataclass(frozen=True)
class Cells:
    """One row of a table: where each cell begins from the left margin, and its lines."""

    cells: tuple[tuple[float, tuple[Line, ...]], ...]
    gap_pt: float = 2.0

    @property
    def height(self) -> float:
        """The height of the longest cell."""
        return max(sum(line.height for line in lines) for _, lines in self.cells) + self.gap_pt

    @property
    def parts(self) -> tuple[tuple[float, tuple[Line, ...]], ...]:
        """Where its columns begin, and their lines."""
        return tuple((MARGIN_PT + x, lines) for x, lines in self.cells)

    def split(self, room: float) -> list[Cells]:
        """Return a row in two where a few of its longest cell's lines fit, else whole."""
        longest = max((lines for _, lines in self.cells), key=len)
        count = _lines_that_fit(longest, room)
        if count < min(_FEWEST_LINES, len(longest)) or count == len(longest):
            return [self]
        pieces = [(tuple((x, lines[part]) for x, lines in self.cells)) for part in (slice(count), slice(count, None))]
        return [replace(self, cells=pieces[0], gap_pt=0.0), replace(self, cells=pieces[1])]


def _lines_that_fit(lines: Sequence[Line], room: float) -> int:
    count = 0
    while count < len(lines) and sum(line.height for line in lines[: count + 1]) <= room:
        count += 1
    return count


class Page:
    """One sheet of paper; `y` is where the next thing goes, in points from the top."""

    def __init__(self, paper: str) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.width, self.height = style.PAPERS_PT[paper]
        self.figure = Figure(figsize=(self.width / 72.0, self.height / 72.0))
        FigureCanvasAgg(self.figure)
        self.y = MARGIN_PT

    @property
    def across(self) -> float:
        """The width between the margins."""
        return self.width - 2.0 * MARGIN_PT

    @property
    def room(self) -> float:
        """What is left above the foot."""
        return self.height - _FOOT_PT - self.y

    def write(self, line: Line, x: float, y: float, **how: Any) -> None:
        """Write one line, its top at y."""
        self.figure.text(
            x / self.width, 1.0 - (y + line.size_pt) / self.height, line.text, fontsize=line.size_pt,
            fontweight="bold" if line.bold else "normal", color=line.colour, va="baseline", **how,
        )  # fmt: skip

    def rule(self, y: float, *, width_pt: float = 0.6) -> None:
        """Draw a line across the page."""
        from matplotlib.lines import Line2D

        ends = [MARGIN_PT / self.width, 1.0 - MARGIN_PT / self.width]
        self.figure.add_artist(
            Line2D(
                ends,
                [1.0 - y / self.height] * 2,
                color=style.RULE,
                linewidth=width_pt,
                transform=self.figure.transFigure,
            )
        )

    def put(self, block: Block | Cells) -> None:
        """Place a block at y and move on."""
        for x, lines in block.parts:
            y = self.y
            for line in lines:
                if line.text:
                    self.write(line, x + line.indent, y)
                y += line.height
        self.y += block.height


def fits(height: float, room: float) -> bool:
    """Return whether something has room; what was left for it exactly has, whatever the sums of floats say."""
    return height <= room + _HAIR_PT


def place(block: Block | Cells, pages: list[Page], fresh: Callable[[], Page]) -> Page:
    """Put a block on the last page, or on a new one; one longer than a page is parted. Returns the last page.

    fresh : makes a page with its heading.
    """
    page = pages[-1]
    if block.height <= page.room:
        page.put(block)
        return page
    another = fresh()
    if block.height <= another.room:
        pages.append(another)
        another.put(block)
        return another
    parts = block.split(page.room)
    if len(parts) == 1:  # nothing of it fits here
        if page.room >= another.room:  # nor on any page: what is left runs over the foot
            page.put(block)
            return page
        pages.append(another)
        return place(block, pages, fresh)
    page.put(parts[0])
    return place(parts[1], pages, fresh)


def chart_height(view: ChartView, page: Page, axes_pt: float) -> float:
    """Return the height of a chart with all of its furniture, when its axes are so high."""
    room = margins(view, page.across - _BESIDE_AXES_PT)
    return room.top + room.bottom + axes_pt


def put_chart(view: ChartView, page: Page, height: float) -> None:
    """Draw a chart over the whole width of a page, in a height that holds its furniture, and move on."""
    across = page.across - _BESIDE_AXES_PT
    room = margins(view, across)
    high = height - room.top - room.bottom
    bottom = page.height - page.y - height + room.bottom
    left = MARGIN_PT + room.left
    ax = page.figure.add_axes((left / page.width, bottom / page.height, across / page.width, high / page.height))
    draw_chart(view, ax=ax)
    page.y += height


def finished(pages: Sequence[Page], content: ReportContent) -> list[Figure]:
    """Write the foot of each page, and return their figures."""
    for number, page in enumerate(pages, start=1):
        foot(page, content, number, len(pages))
    return [page.figure for page in pages]


def head(page: Page, content: ReportContent, *, continued: str = "") -> None:
    """Write what was measured, when and at which stage; smaller where the page goes on with something.

    On the first page the shop that hands it out stands above.
    """
    if content.shop is not None and not continued:
        _put_shop(page, content.shop)
    size = style.TEXT_PT + 2.0 if continued else _NAME_PT
    room = page.across - 110.0
    if content.simulated:
        line = Line(SIMULATED, style.TEXT_PT, bold=True)
        page.write(
            line, page.width - MARGIN_PT - 5.0, page.y + 2.0, ha="right",
            bbox={"boxstyle": "square,pad=0.35", "facecolor": "white", "edgecolor": style.INK, "linewidth": 1.3},
        )  # fmt: skip
    lines = [Line(text, size, bold=True) for text in headed(unit_name(content), room, size, most=_MOST_NAME_LINES)]
    lines += [Line(text) for text in wrap(head_facts(content), page.across, style.TEXT_PT)]
    if content.simulated and not continued:
        lines += [Line(SIMULATED_UNIT, bold=True)]
    if continued:
        lines.append(Line(continued, style.TEXT_PT, colour=style.SOFT_INK))
    for line in lines:
        page.write(line, MARGIN_PT, page.y)
        page.y += line.height + (1.0 if line.bold else 0.0)
    page.rule(page.y + 3.0, width_pt=1.0)
    page.y += 11.0


def _put_shop(page: Page, shop: Shop) -> None:
    """Write who hands the page out, in the margin above the heading; a logo stands left of the name."""
    page.y = _SHOP_TOP_PT
    wide = 0.0
    if shop.logo is not None:
        wide = min(_LOGO_HIGH_PT * shop.logo.shape, _LOGO_WIDE_PT)
        high = wide / shop.logo.shape
        where = (MARGIN_PT / page.width, 1.0 - (page.y + high) / page.height, wide / page.width, high / page.height)
        ax = page.figure.add_axes(where)
        ax.set_axis_off()
        ax.imshow(shop.logo.pixels, aspect="auto")
        wide += _AIR_PT
    room = page.across - wide
    lines = [Line(text, bold=True) for text in wrap(shop.name, room, style.TEXT_PT, bold=True)]
    lines += [Line(text, style.SMALL_PT) for told in shop.lines for text in wrap(told, room, style.SMALL_PT)]
    foot_of_logo = page.y + (_LOGO_HIGH_PT if shop.logo is not None else 0.0)
    for line in lines:
        page.write(line, MARGIN_PT + wide, page.y)
        page.y += line.height
    page.y = max(page.y, foot_of_logo) + _AIR_PT


def foot(page: Page, content: ReportContent, number: int, of: int) -> None:
    """Write what these pages are not, what made them, and the page's number."""
    top = page.height - _FOOT_PT + 8.0
    page.rule(top - 3.0)
    lines = wrap(SAFETY, page.across, style.SMALL_PT)
    for index, text in enumerate(lines):
        page.write(
            Line(text, style.SMALL_PT, colour=style.SOFT_INK), MARGIN_PT, top + index * style.SMALL_PT * _LEADING
        )
    y = top + len(lines) * style.SMALL_PT * _LEADING
    made = " · ".join(filter(None, (content.shop.name if content.shop is not None else "", made_by(content))))
    line = Line(_cut(made, page.across - _PAGE_NUMBER_PT), style.SMALL_PT, colour=style.SOFT_INK)
    page.write(line, MARGIN_PT, y)
    page.write(replace(line, text=f"page {number} of {of}"), page.width - MARGIN_PT, y, ha="right")


def _cut(text: str, room: float) -> str:
    """Return what of a text fits one line of small print; an ellipsis says that it goes on."""
    first, *more = wrap(text, room, style.SMALL_PT)
    return f"{first} …" if more else first


def printed(sentence: Sentence, room: float) -> list[Line]:
    """Return a sentence as lines; what goes on below is set in by a little."""
    size = style.SMALL_PT if sentence.small or sentence.indented else style.TEXT_PT
    colour = style.SOFT_INK if sentence.small else style.INK
    if sentence.strong:
        lines = wrap(sentence.text, room, HEADING_PT, bold=True)
        return [Line(text, HEADING_PT, bold=True) for text in lines]
    start = _INDENT_PT if sentence.indented else 0.0
    further = start if sentence.small or sentence.indented else start + _INDENT_PT
    lines = wrap(sentence.text, room - start, size) or [""]
    if len(lines) > 1:
        lines = wrap(sentence.text, room - further, size)
    indents = [start, *[further] * (len(lines) - 1)]
    return [Line(text, size, colour=colour, indent=indent) for text, indent in zip(lines, indents, strict=True)]
