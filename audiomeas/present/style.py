"""The one look of charts and reports: white paper, colours and line styles that also work in grey, sizes for A5.

Colours are those of Okabe and Ito, "Color Universal Design" (2008, jfly.uni-koeln.de/color), chosen there so that
people with any common form of colour-blindness can tell them apart. The palette's yellow is left out: on white paper
it can't be read. Each channel also has its own dashes (and, from the fifth on, its own mark), so that nothing depends
on colour alone.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any

BLACK = "#000000"
ORANGE = "#E69F00"
SKY_BLUE = "#56B4E9"
BLUISH_GREEN = "#009E73"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
REDDISH_PURPLE = "#CC79A7"

INK = BLACK
SOFT_INK = "#404040"
RULE = "#8A8A8A"
GRID = "#D9D9D9"
FINE_GRID = "#EEEEEE"
BAND = "#EBEBEB"
BAND_EDGE = "#6E6E6E"
#: Pale enough that a curve on top of it stays readable, dark enough to survive a photocopier.
WATERMARK = "#DEDEDE"

#: Font sizes in points, on paper. 8 pt is the smallest that stays readable on A5 at arm's length (common practice).
TITLE_PT = 11.0
TEXT_PT = 9.0
TICK_PT = 8.5
SMALL_PT = 8.0

MM_PT = 72.0 / 25.4
#: Width and height in points (ISO 216; ANSI/ASME Y14.1 for letter).
A5_LANDSCAPE_PT = (210.0 * MM_PT, 148.0 * MM_PT)
PAPERS_PT = {"A4": (210.0 * MM_PT, 297.0 * MM_PT), "letter": (612.0, 792.0)}
PNG_DPI = 200


@dataclass(frozen=True, kw_only=True)
class Stroke:
    """How a curve is drawn. dashes : on and off lengths in line widths; () is a solid line.  marker : '' for none."""

    colour: str
    dashes: tuple[float, ...] = ()
    width_pt: float = 1.6
    marker: str = ""
    point: str = "o"


_CHANNELS = (
    Stroke(colour=BLUE, point="o"),
    Stroke(colour=VERMILLION, dashes=(5.0, 2.0), point="s"),
    Stroke(colour=BLUISH_GREEN, dashes=(6.0, 1.6, 1.4, 1.6), point="^"),
    Stroke(colour=BLACK, dashes=(1.2, 1.4), point="D"),
    Stroke(colour=REDDISH_PURPLE, marker="v", point="v"),
    Stroke(colour=ORANGE, dashes=(5.0, 2.0), marker="o", point="P"),
    Stroke(colour=SKY_BLUE, dashes=(6.0, 1.6, 1.4, 1.6), marker="s", point="X"),
    Stroke(colour=BLUE, dashes=(1.2, 1.4), marker="D", point="*"),
)
#: So many curves differ in colour, dashes or marks.
TOLD_APART = len(_CHANNELS)
#: For what belongs to no channel (a bench's residual, a reference): black and grey, thin.
_OTHERS = (
    Stroke(colour=SOFT_INK, width_pt=1.0, dashes=(2.0, 2.0), point="x"),
    Stroke(colour=BLACK, width_pt=1.0, point="+"),
    Stroke(colour=RULE, width_pt=1.4, dashes=(8.0, 2.0), point="d"),
    Stroke(colour=REDDISH_PURPLE, width_pt=1.2, dashes=(4.0, 1.5), point="p"),
)
#: None is the mark of a channel, so that a curve of channel 2 is never taken for one of channel 1 in grey.
_REPEAT_MARKERS = ("", "x", "+", "<", ">", "h")


def stroke(channel: int | None, *, repeat: int = 0) -> Stroke:
    """Return the stroke of a channel (1-based; None: no channel).

    repeat : how many curves of this channel are drawn already; a second one is thinner and carries marks.
    """
    family = _OTHERS if channel is None else _CHANNELS
    index = repeat if channel is None else channel - 1
    base = family[index % len(family)]
    if channel is None or repeat == 0:
        return base
    marker = _REPEAT_MARKERS[repeat % len(_REPEAT_MARKERS)] or "P"
    return Stroke(colour=base.colour, dashes=base.dashes, width_pt=1.0, marker=marker, point=base.point)


#: Ships with matplotlib, so that each machine draws the same.
FONT = "DejaVu Sans"
_fallbacks: ContextVar[tuple[str, ...]] = ContextVar("fallbacks", default=())


def families() -> tuple[str, ...]:
    """Return the fonts that texts are set in: ours, and behind it those that stand in for letters that it lacks."""
    return (FONT, *_fallbacks.get())


@contextmanager
def with_fallbacks(names: tuple[str, ...]) -> Iterator[None]:
    """Let other fonts stand in for missing letters inside this context."""
    token = _fallbacks.set(names)
    try:
        yield
    finally:
        _fallbacks.reset(token)


@contextmanager
def quiet_fonts() -> Iterator[None]:
    """Keep matplotlib's remarks on weights of fonts off the terminal."""
    logger = logging.getLogger("matplotlib.font_manager")
    before = logger.level
    logger.setLevel(logging.ERROR)
    try:
        yield
    finally:
        logger.setLevel(before)


#: matplotlib's settings; everything else is its own default, whatever the person's matplotlibrc says.
_SETTINGS: dict[str, Any] = {
    "font.size": TEXT_PT,
    "text.parse_math": False,  # a '$' in the name of a unit is a '$'
    "text.color": INK,
    "axes.edgecolor": RULE,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.unicode_minus": True,
    "xtick.color": INK,
    "ytick.color": INK,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.fonttype": "none",  # text stays text
    "svg.hashsalt": "audiomeas",  # the same chart gives the same file
    "pdf.fonttype": 42,  # TrueType, embedded: text can be selected
    "pdf.compression": 6,
}


@contextmanager
def look() -> Iterator[None]:
    """Draw and save inside this context: our settings hold here, and the person's own come back afterwards."""
    import matplotlib

    with matplotlib.rc_context(), quiet_fonts(), warnings.catch_warnings():
        # A name may hold letters that no font has: `letters.warning_of` says so, once and in our words.
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from")
        matplotlib.rcdefaults()
        settings: Any = {**_SETTINGS, "font.family": list(families())}
        matplotlib.rcParams.update(settings)
        yield
