"""Draw the technical annex behind the customer's page: facts, a table of rows for each step, and its charts."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import groupby
from typing import TYPE_CHECKING

from audiomeas.measurement.entered import INSTRUCTION, READING
from audiomeas.present import style
from audiomeas.present.annex import ROW_HEADINGS, Annex, Row, Section, StepSheet
from audiomeas.present.sheet import HEADING_PT, LABEL_PT, Block, Cells, Line, Page, chart_height, head, place, put_chart
from audiomeas.present.small_words import grouped
from audiomeas.present.text import width_pt, wrap

if TYPE_CHECKING:
    from audiomeas.measurement.views import ChartView
    from audiomeas.present.content import ReportContent

_TITLE = "Technical annex"
_BY_HAND = "Readings, and what was looked at by hand"
#: Layout in points. A heading stands with at least so much of what it heads.
_WITH_A_HEADING_PT = 60.0
_AXES_PT = 130.0
_BETWEEN_PT = 6.0
_GAP_PT = 1.5
#: Columns of a table: the reason stands below its row. Shares of the width, and the air between two columns.
_COLUMNS = ROW_HEADINGS[:-1]
_SHARES = (0.25, 0.09, 0.275, 0.19, 0.08, 0.115)
_AIR_PT = 6.0
_PLUS_MINUS = " ± "
_VALUE = _COLUMNS.index("value")
_NO_LINE = Line("", style.SMALL_PT)


def annex_pages(annex: Annex, content: ReportContent, paper: str) -> list[Page]:
    """Return the annex's pages. Call it inside `style.look()` and `letters_of`; feet are written when all are known.

    content : of the visit, for the heading of each page.
    """

    def fresh() -> Page:
        page = Page(paper)
        head(page, content, continued=_TITLE)
        return page

    pages = [fresh()]
    for section in annex.first:
        _put_section(section, pages, fresh)
    for by_hand, sheets in groupby(annex.steps, key=_is_by_hand):
        if by_hand:
            _put_by_hand(list(sheets), pages, fresh)
        else:
            for sheet in sheets:
                _put_step(sheet, pages, fresh)
    for section in annex.last:
        _put_section(section, pages, fresh)
    return pages


def _put_section(section: Section, pages: list[Page], fresh: Callable[[], Page]) -> None:
    across = pages[-1].across
    _put_heading(section.heading, pages, fresh)
    for name, text in section.facts:
        place(_fact(name, text, across), pages, fresh)
    pages[-1].y += _BETWEEN_PT


def _put_heading(text: str, pages: list[Page], fresh: Callable[[], Page]) -> None:
    """Write a heading, on a new page where too little room is left below it."""
    lines = tuple(Line(line, HEADING_PT, bold=True) for line in wrap(text, pages[-1].across, HEADING_PT, bold=True))
    block = Cells(((0.0, lines),), gap_pt=3.0)
    if pages[-1].room < block.height + _WITH_A_HEADING_PT:
        pages.append(fresh())
    place(block, pages, fresh)


def _fact(name: str, text: str, across: float) -> Block | Cells:
    if not name:
        return Cells(((0.0, _small(text, across)),), gap_pt=_GAP_PT)
    return Block(_small(name, LABEL_PT - 10.0, bold=True), _small(text, across - LABEL_PT), gap_pt=_GAP_PT)


def _small(text: str, room: float, *, bold: bool = False, colour: str = style.INK) -> tuple[Line, ...]:
    lines = wrap(text, room, style.SMALL_PT, bold=bold)
    return tuple(Line(line, style.SMALL_PT, bold=bold, colour=colour) for line in lines)


# ---------------------------------------------------------------- steps


def _put_step(sheet: StepSheet, pages: list[Page], fresh: Callable[[], Page]) -> None:
    across = pages[-1].across
    _put_heading(" · ".join(filter(None, (sheet.name, sheet.measurement))), pages, fresh)
    told = [("no result", sheet.state)] if sheet.state else []
    told += [("note", note) for note in sheet.notes]
    told += (
        [("conditions", "; ".join(f"{name}: {text}" for name, text in sheet.conditions))] if sheet.conditions else []
    )
    for name, text in told:
        place(_fact(name, text, across), pages, fresh)
    if sheet.rows:
        _put_table(sheet.rows, pages, fresh)
    for view in sheet.charts:
        _put_chart(view, pages, fresh)
    pages[-1].y += _BETWEEN_PT


def _is_by_hand(sheet: StepSheet) -> bool:
    return sheet.measurement in (READING, INSTRUCTION)


def _put_by_hand(sheets: Sequence[StepSheet], pages: list[Page], fresh: Callable[[], Page]) -> None:
    """Write steps at which a person read or answered as one table; what all of them share is said once above it."""
    _put_heading(_BY_HAND, pages, fresh)
    shared = [note for note in sheets[0].notes if all(note in each.notes for each in sheets)]
    for note in shared:
        place(_fact("note", note, pages[-1].across), pages, fresh)
    rows = [row for sheet in sheets for row in _rows_by_hand(sheet, shared)]
    _put_table(rows, pages, fresh)
    pages[-1].y += _BETWEEN_PT


def _rows_by_hand(sheet: StepSheet, shared: Sequence[str]) -> Iterator[Row]:
    """Yield a step's rows under its name, what else is known of it below them."""
    notes = [note for note in sheet.notes if note not in shared]
    told = [f"{name}: {text}" for name, text in sheet.conditions]
    for row in sheet.rows or [Row(words="", channel="", value=sheet.state)]:
        words = row.words if row.words.casefold().startswith(sheet.name.casefold()) else f"{sheet.name}: {row.words}"
        yield replace(row, words=words.rstrip(": "), reason="; ".join(filter(None, (row.reason, *notes, *told))))


def _put_table(rows: Sequence[Row], pages: list[Page], fresh: Callable[[], Page]) -> None:
    """Write a table; where it goes on over a page its headings are repeated."""
    across = pages[-1].across
    top = _cells(_COLUMNS, across, bold=True)
    told = list(_told_rows(rows, across))
    pages[-1].y += _BETWEEN_PT / 2.0
    if pages[-1].room < top.height + min(told[0].height, _WITH_A_HEADING_PT):
        pages.append(fresh())
    _put_top(top, pages[-1])

    def with_headings() -> Page:
        page = fresh()
        _put_top(top, page)
        return page

    for cells in told:
        place(cells, pages, with_headings)
    pages[-1].y += _BETWEEN_PT / 2.0


def _put_top(top: Cells, page: Page) -> None:
    page.put(top)
    page.rule(page.y)
    page.y += 2.0


def _told_rows(rows: Sequence[Row], across: float) -> Iterator[Cells]:
    """Yield the rows, those of one quantity together: its words stand once beside them."""
    for group in grouped(rows, lambda row: row.words):
        columns = list(_cells(["", *[""] * len(_SHARES[1:])], across).cells)
        for row in group:
            lines = _row_lines(row, across)
            columns = [(x, (*above, *below)) for (x, above), below in zip(columns, lines, strict=True)]
        words = _cells([group[0].words, *[""] * len(_SHARES[1:])], across).cells[0]
        yield Cells((words, *columns[1:]))


def _row_lines(row: Row, across: float) -> list[tuple[Line, ...]]:
    """Return a row's lines, as many in each column; its reason goes on below, from its value to the right."""
    columns = [lines for _, lines in _cells(["", *row.cells[1:-1]], across).cells]
    most = max(map(len, columns))
    columns = [(*lines, *[_NO_LINE] * (most - len(lines))) for lines in columns]
    right_of = sum(_SHARES[:_VALUE]) * across
    reason = _small(row.reason, across - right_of, colour=style.SOFT_INK)
    return [(*lines, *(reason if place == _VALUE else [_NO_LINE] * len(reason))) for place, lines in enumerate(columns)]


def _cells(texts: Sequence[str], across: float, *, bold: bool = False) -> Cells:
    cells = []
    x = 0.0
    for text, share in zip(texts, _SHARES, strict=True):
        wide = share * across
        cells.append((x, _small(_parted(text, wide - _AIR_PT), wide - _AIR_PT, bold=bold)))
        x += wide
    return Cells(tuple(cells))


def _parted(text: str, room: float) -> str:
    """Return a value that is too wide in two lines: no number is ever broken."""
    return text if width_pt(text, style.SMALL_PT) <= room else text.replace(_PLUS_MINUS, "\n± ")


def _put_chart(view: ChartView, pages: list[Page], fresh: Callable[[], Page]) -> None:
    height = chart_height(view, pages[-1], _AXES_PT)
    if height > pages[-1].room:
        pages.append(fresh())
    put_chart(view, pages[-1], min(height, pages[-1].room))
    pages[-1].y += _BETWEEN_PT
