"""Elements of a web page: each text is cleaned and escaped here, so that none can become markup, whatever it holds."""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import chain, count
from xml.etree.ElementTree import Element, tostring

from audiomeas.present.text import BREAK, clean_text

NO_BREAK_SPACE = "\u00a0"
#: What an anchor is not made of; no underscore either: identities inside charts have one, and none is the same.
_NOT_IN_AN_ANCHOR = re.compile(r"[^a-z0-9]+")


def element(tag: str, *content: Element | str, **attributes: str) -> Element:
    """Return an element that holds elements or one text.

    A text is made one clean line; between a number and its unit no line ends. Attributes: an underscore behind a name
    that Python keeps for itself is dropped (`class_`), other ones become hyphens (`data_heading`).
    Raises ValueError for a text beside other content: the spaces between them would be lost.
    """
    made = Element(tag, {name.rstrip("_").replace("_", "-"): clean_text(value) for name, value in attributes.items()})
    for each in content:
        if isinstance(each, str):
            if len(content) > 1:
                raise ValueError(f"a text stands alone in its element, not beside others: {each!r}")
            made.text = _unbroken(clean_text(each))
        else:
            made.append(each)
    return made


def _unbroken(text: str) -> str:
    return " ".join(piece.replace(" ", NO_BREAK_SPACE) for piece in BREAK.split(text))


def anchors(headings: Iterable[str]) -> list[str]:
    """Return an identity for each heading, none of them twice: 'as-found', 'as-found-2'."""
    found: dict[str, None] = {}
    for heading in headings:
        name = _NOT_IN_AN_ANCHOR.sub("-", heading.lower()).strip("-") or "part"
        others = (f"{name}-{number}" for number in count(2))
        found[next(each for each in chain((name,), others) if each not in found)] = None
    return list(found)


def document(head: Element, body: Element, *, language: str) -> str:
    """Return a whole HTML file."""
    page = Element("html", {"lang": language})
    page.extend([head, body])
    return f"<!DOCTYPE html>\n{tostring(page, encoding='unicode', method='html')}\n"
