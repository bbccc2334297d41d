"""Tables of a web page: what a step found, and what moved between two visits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element

from audiomeas.present.amounts import amount
from audiomeas.present.annex import ROW_HEADINGS
from audiomeas.present.small_words import whose
from audiomeas.present.web_elements import NO_BREAK_SPACE, element

if TYPE_CHECKING:
    from audiomeas.present.annex import Row
    from audiomeas.present.content import Moved

#: Headings of the table of what moved, in the order of its cells.
MOVED_HEADINGS = ("quantity", "channel", "before", "now", "change", "limit", "verdict")
#: Rows of these verdicts stand out.
_TOLD = ("fail", "undecided")


def rows_table(rows: Sequence[Row], *, caption: str) -> Element:
    """Return the rows of a step as a table."""
    return _table(caption, ROW_HEADINGS, [(row.cells, row.verdict in _TOLD) for row in rows])


def moved_table(moved: Sequence[Moved], *, caption: str) -> Element:
    """Return what two visits have in common as a table: a value as it was, as it is, and whether it moved."""
    return _table(caption, MOVED_HEADINGS, [(_moved_cells(each), each.after.verdict in _TOLD) for each in moved])


def _moved_cells(pair: Moved) -> tuple[str, ...]:
    before, after = pair.before, pair.after
    limit = f"{after.limit}{whose(after)}" if after.limit else ""
    verdicts = f"{before.verdict}, now {after.verdict}" if after.limit else ""
    channel = "" if after.channel is None else str(after.channel)
    values = (amount(before, in_full=True), amount(after, in_full=True))
    return (f"{after.words} ({after.step})", channel, *values, pair.change or "", limit, verdicts)


def _table(caption: str, headings: Sequence[str], rows: Sequence[tuple[Sequence[str], bool]]) -> Element:
    """Return a table of texts whose first column names the rows; columns that hold nothing are left out.

    rows : cells, and whether the row stands out.
    """
    wanted = [place for place in range(len(headings)) if any(cells[place] for cells, _ in rows)]
    return element(
        "table",
        element("caption", caption),
        element("thead", element("tr", *(element("th", headings[place], scope="col") for place in wanted))),
        element("tbody", *(_row([(headings[place], cells[place]) for place in wanted], told) for cells, told in rows)),
    )


def _row(cells: Sequence[tuple[str, str]], told: bool) -> Element:
    (heading, name), *others = cells
    return element(
        "tr",
        element("th", name, scope="row", data_heading=heading),
        *(_cell(text, heading) for heading, text in others),
        **({"class_": "told"} if told else {}),
    )


def _cell(text: str, heading: str) -> Element:
    """Return one cell; its column is narrow, so that a line may end before ±."""
    cell = element("td", text, data_heading=heading)
    cell.text = (cell.text or "").replace(f"{NO_BREAK_SPACE}±", " ±")
    return cell
