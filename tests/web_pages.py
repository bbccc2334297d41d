"""Web pages read strictly, as no browser does: tags that balance, and each attribute once; an annex for them."""

from __future__ import annotations

import io
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser

import numpy as np
import present_cases as cases
from matplotlib.image import imsave

from audiomeas.present.annex import Annex, Row, Section, StepSheet
from audiomeas.present.content import Moved, StayContent
from audiomeas.present.shop import Logo, Shop

#: Elements that have no content and no end (HTML Living Standard, 13.1.2, "void elements").
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
HEADINGS = ("h1", "h2", "h3", "h4", "h5", "h6")


@dataclass
class Node:
    tag: str
    attributes: dict[str, str]
    children: list[Node] = field(default_factory=list)
    text: str = ""

    def all(self, *tags: str) -> list[Node]:
        own = [self] if not tags or self.tag in tags else []
        return [*own, *(found for child in self.children for found in child.all(*tags))]

    def has(self, word: str) -> bool:
        return word in self.attributes.get("class", "").split()

    @property
    def words(self) -> str:
        return " ".join(" ".join([self.text, *(child.words for child in self.children)]).split())


class _Strict(HTMLParser):
    """Refuses what browsers mend: an end tag of another element, one left open, an attribute twice."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Node("", {})
        self._open = [self.root]
        self.declarations: list[str] = []

    def handle_decl(self, decl: str) -> None:
        self.declarations.append(decl)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert len({name for name, _ in attrs}) == len(attrs), f"<{tag}> has an attribute twice: {attrs}"
        assert all(value is not None for _, value in attrs), f"<{tag}> has an attribute without a value: {attrs}"
        node = Node(tag, {name: value or "" for name, value in attrs})
        self._open[-1].children.append(node)
        if tag not in VOID:
            self._open.append(node)

    def handle_endtag(self, tag: str) -> None:
        assert self._open[-1].tag == tag, f"</{tag}> ends <{self._open[-1].tag}>"
        self._open.pop()

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        raise AssertionError(f"<{tag}/> is no HTML")

    def handle_data(self, data: str) -> None:
        assert data.isspace() or len(self._open) > 1, f"text outside of all elements: {data!r}"
        self._open[-1].text += f" {data}"

    def handle_comment(self, data: str) -> None:
        raise AssertionError(f"a comment: {data!r}")

    def handle_pi(self, data: str) -> None:
        raise AssertionError(f"a processing instruction: {data!r}")


def read(page: str) -> Node:
    """Return the one root element of a page. Fails on whatever a browser would have to mend."""
    parser = _Strict()
    parser.feed(page)
    parser.close()
    assert parser.declarations == ["DOCTYPE html"]
    assert len(parser._open) == 1, f"left open: {[node.tag for node in parser._open[1:]]}"
    (root,) = parser.root.children
    return root


def _rows(count: int, **changes: str) -> tuple[Row, ...]:
    facts = {
        "words": "harmonic distortion, overtones counted up to 48 kHz", "value": "at most 0.0003 %",
        "limit": "at most 0.1 %", "source": "house", "verdict": "undecided", "reason": "the limit lies inside",
    }  # fmt: skip
    return tuple(Row(channel=str(1 + number % 8), **{**facts, **changes}) for number in range(count))


def annex(**changes: object) -> Annex:
    """Return an annex that has something of everything: long, hostile, missing, and eight channels."""
    sheet = StepSheet(
        name=f"Distortion at 250 W, {cases.FORTY}", measurement="distortion", state="", notes=(cases.HOSTILE,),
        conditions=(("band", "20 Hz, 20 kHz"), ("band", "22 Hz"), (cases.HOSTILE, "W" * 200)),
        rows=(*_rows(8), *_rows(1, words="W" * 60, limit="L" * 60, source="S" * 60, reason="R" * 200),
              *_rows(1, value="−140.0 ± 0.4 dB", limit="", source="", verdict="", reason="")),
        charts=(cases.response_view(8), cases.response_view(1)),
    )  # fmt: skip
    empty = StepSheet(
        name=sheet.name, measurement="", state="not run", notes=(), conditions=(), rows=(), charts=()
    )  # fmt: skip
    facts: dict[str, object] = {
        "simulated": True, "steps": (sheet, empty),
        "first": (Section(heading="Bench", facts=(("name", "a" * 300), ("", "one sentence"), ("", "another"))),),
        "last": (Section(heading="Bench", facts=(("identity", "0123456789abcdef" * 4),)),),
    }  # fmt: skip
    return Annex(**{**facts, **changes})  # type: ignore[arg-type]


#: Width of the logo below.
LOGO_PX = 3


def shop() -> Shop:
    """Return a shop with a logo of a few dots, made by matplotlib."""
    pixels = np.zeros((2, LOGO_PX, 3), dtype=np.uint8)
    picture = io.BytesIO()
    imsave(picture, pixels, format="png")
    logo = Logo(data=picture.getvalue(), kind="image/png", pixels=pixels)
    address = ("Example Lane 1", cases.FORTY)
    return Shop(name="Demo audio workshop", address=address, contact=("workshop@example.org",), logo=logo)


FAILED = cases.finding(value=0.3, verdict="fail")
STAY = StayContent(
    against="as-found", against_date="2024-04-01", done=("2024-04-02: repair, output transistor (Q7)",), played_h=2.0,
    moved=(
        Moved(before=FAILED, after=cases.finding(), change="changed"),
        Moved(before=cases.finding(value=None, limit="", verdict=None),
              after=cases.finding(value=0.0003, bound="at most", channel=None, limit="", verdict=None), change=None),
        Moved(before=cases.finding(channel=8), after=replace(FAILED, channel=8), change="can't tell"),
    ),
)  # fmt: skip
