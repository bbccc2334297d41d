"""Text that fits: hostile characters out, widths measured with the font that is printed, lines broken to fit."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

from audiomeas.present import style

#: Categories that can't be printed or that steer a terminal or a line of text: control, format, surrogate, separators.
_UNPRINTABLE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


#: A space where a line may end: not beside ±, not between a number and its unit or what it counts.
BREAK = re.compile(r"(?<!±)(?<!\bchannel)(?<!\bmost)(?<!\bleast)(?<!\bat) (?!±|k?Hz\b|dB\b|[WVΩ%s](?:\W|$))")


def clean_text(text: str) -> str:
    """Return one line of printable text: control, format and direction characters become spaces, spaces collapse."""
    kept = "".join(" " if unicodedata.category(character) in _UNPRINTABLE else character for character in text)
    return " ".join(kept.split())


def width_pt(text: str, size_pt: float, bold: bool = False) -> float:
    """Return the printed width in points of one line in the report's font."""
    return _width_pt(text, size_pt, bold, style.families()) if text else 0.0


@lru_cache(maxsize=8192)
def _width_pt(text: str, size_pt: float, bold: bool, families: tuple[str, ...]) -> float:
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family=list(families), size=size_pt, weight="bold" if bold else "normal")
    return float(text_to_path.get_text_width_height_descent(text, font, ismath=False)[0])


def headed(text: str, room_pt: float, size_pt: float, *, most: int) -> list[str]:
    """Return a heading in bold lines that fit a width in points, at most so many; the last ends in '…' where cut."""
    lines = wrap(text, room_pt, size_pt, bold=True)
    if len(lines) <= most:
        return lines
    last = lines[most - 1]
    while last and width_pt(f"{last}…", size_pt, True) > room_pt:
        last = last[:-1]
    return [*lines[: most - 1], f"{last.rstrip()}…"]


def wrap(text: str, room_pt: float, size_pt: float, *, bold: bool = False) -> list[str]:
    """Break a text into lines that fit a width in points; a word that is wider than the line is broken too.

    Line ends in the text are kept. Nothing is dropped: the joined lines hold every printable character.
    """
    lines: list[str] = []
    for paragraph in text.splitlines():
        lines.extend(_wrap_line(clean_text(paragraph), room_pt, size_pt, bold))
    return lines


def _wrap_line(text: str, room_pt: float, size_pt: float, bold: bool) -> list[str]:
    lines: list[str] = []
    current, filled = "", 0.0
    # A line's width is the sum of its words': words come again and again, so that few have to be measured.
    space = width_pt(" ", size_pt, bold)
    for word in BREAK.split(text):
        wide = width_pt(word, size_pt, bold)
        if current and filled + space + wide <= room_pt:
            current, filled = f"{current} {word}", filled + space + wide
            continue
        if current:
            lines.append(current)
        *whole, current = _broken(word, room_pt, size_pt, bold)
        lines.extend(whole)
        filled = width_pt(current, size_pt, bold) if whole else wide
    return [*lines, current] if current else lines


def _broken(word: str, room_pt: float, size_pt: float, bold: bool) -> list[str]:
    """Break one word into pieces that fit (each at least one character)."""
    pieces: list[str] = []
    while word:
        fits = _letters_that_fit(word, room_pt, size_pt, bold)
        pieces.append(word[:fits])
        word = word[fits:]
    return pieces or [""]


def _letters_that_fit(word: str, room_pt: float, size_pt: float, bold: bool) -> int:
    """Return how many letters of a word fit, at least one: by doubling, then by halving, as long texts take long."""

    def fit(letters: int) -> bool:
        return width_pt(word[:letters], size_pt, bold) <= room_pt

    low, high = 1, 2
    while high <= len(word) and fit(high):
        low, high = high, 2 * high
    high = min(high - 1, len(word))
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if fit(middle) else (low, middle - 1)
    return low
