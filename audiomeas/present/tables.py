"""Text tables for the terminal: aligned, units in the heading, digits by the uncertainty, never wider than asked."""

from __future__ import annotations

import os
import shutil
import sys
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TextIO

from audiomeas.measurement.views import Column, TableView
from audiomeas.present.digits import fixed, value_digits, with_uncertainty
from audiomeas.present.text import clean_text
from audiomeas.shown_units import shown_in

__all__ = ["NOT_KNOWN", "render_table", "value_digits", "wants_colour", "with_uncertainty"]

NOT_KNOWN = "not known"
_GAP = "  "
_WIDTH = 80
_LEAST_WIDTH = 40
#: A column of text is wrapped, never made narrower than this.
_NARROWEST = 10
#: In a table that is too wide, texts longer than this go below their row instead of into a thin column.
_LONG_TEXT = 24
_INDENT = 4
#: Verdict words are coloured besides (ECMA-48, SGR; 256-colour table): blue, vermillion and bold, underlined.
_PAINT = {"pass": "\x1b[34m", "fail": "\x1b[1;38;5;166m", "undecided": "\x1b[4m"}
_PLAIN = "\x1b[0m"


@dataclass(frozen=True)
class _Shown:
    """A column as it is printed: its heading in lines, its cells, and whether they are numbers."""

    heading: str
    cells: tuple[str, ...]
    numeric: bool

    @property
    def natural(self) -> int:
        return max(map(columns_of, (self.heading, *self.cells)))


def wants_colour(stream: TextIO) -> bool:
    """Return whether a stream is a terminal that may be coloured (NO_COLOR unset or empty, see no-color.org)."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def terminal_width(stream: TextIO | None) -> int:
    """Return how many columns a table may take: 80, or fewer where a stream is a narrower terminal (at least 40)."""
    if stream is None or not stream.isatty():
        return _WIDTH
    return max(min(_WIDTH, shutil.get_terminal_size().columns), _LEAST_WIDTH)


def columns_of(text: str) -> int:
    """Return how many columns of a terminal a text takes: wide letters two, combining ones none (UAX #11)."""
    return sum(
        0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        for letter in text
    )


def render_table(view: TableView, *, width: int | None = None, colour: bool = False) -> str:
    """Return a table as text that ends in a line end.

    In a table that is wider than `width`, long texts go below their row, other texts are wrapped, and then columns are
    set below each other in groups, each with the leading columns repeated. Cells that are None say 'not known'.
    width : in columns; None: 80, or that of the terminal where it is narrower.
    colour : verdict words are painted as well.
    Raises ValueError for a row that is longer or shorter than the heading, or a number that is not finite.
    """
    width = terminal_width(sys.stdout) if width is None else width
    shown = [_shown(view, index) for index in range(len(view.columns))]
    beside, below = _parted(shown, view.leading, width)
    groups = _groups(beside, view.leading, width) if beside else []
    blocks = [_block(group, width, below if number == 0 else []) for number, group in enumerate(groups)]
    lines = wrapped(clean_text(view.title), width)
    for number, block in enumerate(blocks):
        lines += ([""] if number else []) + block
    if not view.rows:
        lines.append("(no rows)")
    for note in view.notes:
        lines += wrapped(clean_text(note), width)
    return "".join(f"{_painted(line) if colour else line}\n" for line in lines)


def _shown(view: TableView, index: int) -> _Shown:
    column = view.columns[index]
    unit, factor = _column_unit(view, index)
    cells, numeric = [], False
    for row_number, row in enumerate(view.rows):
        if len(row) != len(view.columns):
            raise ValueError(f"row {row_number + 1} of {view.title!r} has {len(row)} cells, not {len(view.columns)}")
        cell = row[index]
        numeric = numeric or isinstance(cell, (int, float))
        cells.append(_cell(cell, column, view.uncertainties[row_number][index] if view.uncertainties else None, factor))
    heading = clean_text(column.heading) + (f" ({unit})" if unit else "")
    return _Shown(heading, tuple(_on_the_point(cells) if numeric else cells), numeric)


def _column_unit(view: TableView, index: int) -> tuple[str, float]:
    """Return the unit of a column as shown, and the factor to it; one whose texts or decimals are set stays."""
    cells, column = [row[index] for row in view.rows if len(row) == len(view.columns)], view.columns[index]
    numbers = [cell for cell in cells if not isinstance(cell, str)]
    if column.decimals is not None or len(numbers) < len(cells):
        return column.unit, 1.0
    return shown_in(column.unit, *numbers)


def _cell(cell: str | float | None, column: Column, uncertainty: float | None, factor: float) -> str:
    if cell is None:
        return NOT_KNOWN
    if isinstance(cell, str):
        return clean_text(cell)
    if column.decimals is not None:
        return fixed(cell, column.decimals)
    if isinstance(cell, int) and uncertainty is None:
        return str(cell)
    return with_uncertainty(cell * factor, None if uncertainty is None else uncertainty * factor)


def _on_the_point(cells: Sequence[str]) -> list[str]:
    """Return number cells padded so that their decimal points stand below each other."""
    parts = []
    for cell in cells:
        value, sign, rest = cell.partition(" ± ")
        whole, point, decimals = value.partition(".")
        is_number = cell[:1].isdigit() or cell[:1] == "−"
        parts.append((is_number, whole, point + decimals, sign + rest))
    before = max((len(part[1]) for part in parts if part[0]), default=0)
    behind = max((len(part[2]) for part in parts if part[0]), default=0)
    return [
        f"{whole:>{before}}{decimals:<{behind}}{rest}" if is_number else cell
        for cell, (is_number, whole, decimals, rest) in zip(cells, parts, strict=True)
    ]


def _parted(shown: list[_Shown], leading: int, width: int) -> tuple[list[_Shown], list[_Shown]]:
    """Return the columns that stand beside each other, and those whose long texts go below the rows."""
    if sum(column.natural for column in shown) + len(_GAP) * (len(shown) - 1) <= width:
        return shown, []
    below = [column for column in shown[leading:] if not column.numeric and column.natural > _LONG_TEXT]
    return [column for column in shown if not any(column is one for one in below)], below


def _groups(shown: list[_Shown], leading: int, width: int) -> list[list[_Shown]]:
    """Return columns in groups that fit the width, the leading columns in front of each: they tell rows apart."""
    lead, others = shown[:leading], shown[leading:]
    groups: list[list[_Shown]] = []
    current = lead
    for column in others:
        if len(current) > leading and _least([*current, column]) > width:
            groups.append(current)
            current = lead
        current = [*current, column]
    return [*groups, current]


def _least(group: list[_Shown]) -> int:
    return sum(_whole_words(column) for column in group) + len(_GAP) * (len(group) - 1)


def _whole_words(column: _Shown) -> int:
    """Return the least width that breaks no number and no word, of the cells or of the heading."""
    texts = [column.heading] if column.numeric else [column.heading, *column.cells]
    words = max((columns_of(word) for text in texts for word in text.split()), default=0)
    if not column.numeric:
        return max(words, min(column.natural, _NARROWEST))
    return max([words, *map(columns_of, column.cells)])


def _narrowest(column: _Shown) -> int:
    """Return the least width where a word is too long for the page: then it is broken, as numbers never are."""
    if not column.numeric:
        return min(column.natural, _NARROWEST)
    words = max((columns_of(word) for word in column.heading.split()), default=0)
    return max([min(words, _NARROWEST), *map(columns_of, column.cells)])


def _block(group: list[_Shown], width: int, below: list[_Shown]) -> list[str]:
    widths = _narrowed([column.natural for column in group], [_whole_words(column) for column in group], width)
    widths = _narrowed(widths, [_narrowest(column) for column in group], width)
    if len(group) == 1:
        widths = [min(widths[0], width)]
    lines = _line([column.heading for column in group], group, widths)
    lines.append(_GAP.join("-" * wide for wide in widths))
    for row in range(len(group[0].cells)):
        lines += _line([column.cells[row] for column in group], group, widths)
        for column in below:
            if column.cells[row]:
                text = f"{column.heading}: {column.cells[row]}"
                lines += [" " * _INDENT + line for line in wrapped(text, width - _INDENT)]
    return lines


def _narrowed(widths: list[int], least: list[int], width: int) -> list[int]:
    """Return the widths made smaller until they fit the page, the widest first, none below its least."""
    widths = list(widths)
    while (excess := sum(widths) + len(_GAP) * (len(widths) - 1) - width) > 0:
        room = [wide - narrow for wide, narrow in zip(widths, least, strict=True)]
        widest = max((index for index in range(len(widths)) if room[index] > 0), key=widths.__getitem__, default=None)
        if widest is None:
            break
        widths[widest] -= min(excess, max(1, room[widest] // 2))
    return widths


def _line(texts: list[str], group: list[_Shown], widths: list[int]) -> list[str]:
    """Return one row as lines: cells that are too wide go on below."""
    cells = [
        [text] if columns_of(text) <= wide else wrapped(text, wide) for text, wide in zip(texts, widths, strict=True)
    ]
    lines = []
    for index in range(max(map(len, cells))):
        parts = []
        for cell, column, wide in zip(cells, group, widths, strict=True):
            text = cell[index] if index < len(cell) else ""
            blank = " " * (wide - columns_of(text))
            parts.append(blank + text if column.numeric else text + blank)
        lines.append(_GAP.join(parts).rstrip())
    return lines


def wrapped(text: str, width: int) -> list[str]:
    """Break a text at spaces into lines of so many columns; a wider word is broken too. Nothing is lost."""
    lines: list[str] = []
    current = ""
    for word in text.split():
        while columns_of(word) > width:
            if current:
                lines.append(current)
                current = ""
            head = _head(word, width)
            lines.append(head)
            word = word[len(head) :]
        candidate = f"{current} {word}".strip()
        if columns_of(candidate) > width:
            lines.append(current)
            candidate = word
        current = candidate
    return [*lines, current] if current else lines


def _head(word: str, width: int) -> str:
    """Return the longest beginning of a word that fits, at least one letter."""
    fits = 1
    while fits < len(word) and columns_of(word[: fits + 1]) <= width:
        fits += 1
    return word[:fits]


def _painted(line: str) -> str:
    """Return a line with its verdict words painted (whole words that stand as a cell)."""
    parts = line.split(_GAP)
    painted = []
    for part in parts:
        word = part.strip()
        painted.append(part.replace(word, f"{_PAINT[word]}{word}{_PLAIN}") if word in _PAINT else part)
    return _GAP.join(painted)
