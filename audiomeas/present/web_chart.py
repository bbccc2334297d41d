"""A chart inside a web page: our own drawing as SVG elements, with a title, a description and identities of its own."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element, fromstring

from audiomeas.present.charts import SIMULATED, chart_figure
from audiomeas.present.digits import plain
from audiomeas.present.saving import drawn_svg
from audiomeas.present.web_elements import element

if TYPE_CHECKING:
    from audiomeas.measurement.views import ChartView, Series

#: Width and height of a drawing in its own units: one reads on a telephone as it is, and beside another on a desk.
NARROW, WIDE = (290.0, 300.0), (680.0, 400.0)
_DIGITS = 2
_LONG_NUMBER = re.compile(rf"-?\d+\.\d{{{_DIGITS + 1},}}")
_NUMBERS = ("d", "x", "y", "transform")
#: One address inside the drawing: in an attribute by itself, or as url(#…).
_ADDRESS = re.compile(r"#([A-Za-z_][\w.-]*)")
_FONT_FAMILY = re.compile(r"font-family:[^;]*;?\s*")
#: Parts of the drawing that belong to a file of its own; what they set for all elements would reach the whole page.
_OF_A_FILE = ("metadata", "style")
_JOINTS = "stroke-linejoin: round; stroke-linecap: butt"


def chart_svg(view: ChartView, name: str, *, size: tuple[float, float] = NARROW, class_: str = "") -> Element:
    """Return a chart as an SVG element, without its title and conditions: the page writes them around it.

    name : begins all identities in it, so that no two charts share one.
    """
    figure = chart_figure(replace(view, title="", caption=""), size_pt=size)
    drawing = fromstring(drawn_svg(figure, title=view.title))
    width, height = (72.0 * side for side in figure.get_size_inches())
    titled, told = f"{name}-title", f"{name}-desc"
    made = element(
        "svg", element("title", view.title, id=titled), element("desc", description(view), id=told),
        viewBox=f"0 0 {width:g} {height:g}", role="img", aria_labelledby=titled, aria_describedby=told, style=_JOINTS,
        **({"class_": class_} if class_ else {}),
    )  # fmt: skip
    made.extend(_own(part, name) for part in drawing if _tag(part) not in _OF_A_FILE)
    return made


def _tag(part: Element) -> str:
    """Return the name of an element without its namespace: a web page knows the elements of SVG by name."""
    return str(part.tag).rpartition("}")[2]


def _own(part: Element, name: str) -> Element:
    """Return a part of the drawing with the identities and addresses of one chart, and without needless digits."""
    made = Element(_tag(part))
    made.text = part.text if part.text and part.text.strip() else None
    for key, value in part.attrib.items():
        key = key.rpartition("}")[2]
        if key == "id":
            value = f"{name}-{value}"
        elif key == "style":
            value = _FONT_FAMILY.sub("", value)
        elif key in _NUMBERS:
            value = _LONG_NUMBER.sub(lambda found: f"{float(found[0]):.{_DIGITS}f}", " ".join(value.split()))
        made.set(key, _ADDRESS.sub(rf"#{name}-\1", value) if key in ("href", "clip-path") else value)
    made.extend(_own(child, name) for child in part if _tag(child) not in _OF_A_FILE)
    return made


# ---------------------------------------------------------------- in words


def description(view: ChartView) -> str:
    """Return what a chart shows, for somebody who can't see it: axes, curves with their range, limits, conditions."""
    sentences = [f"{SIMULATED}."] if view.simulated else []
    sentences.append(f"{view.y_label} against {view.x_label}.")
    sentences += [f"{one.label or 'unnamed curve'}: {_range(one)}." for one in view.series]
    sentences += [f"Shaded: {band.words}." for band in view.bands if band.words]
    return " ".join([*sentences, view.caption])


def _range(series: Series) -> str:
    values = list(_finite(series))
    if not values:
        return "no values"
    low, high = plain(min(values)), plain(max(values))
    of = "bounds" if series.hollow else "values"
    return f"{of} of {low}" if low == high else f"{of} from {low} to {high}"


def _finite(series: Series) -> Iterator[float]:
    yield from (float(value) for value in series.y if value is not None and math.isfinite(value))
