"""A figure that can be read from two metres in a terminal: digits seven lines tall, of full blocks.

In a window of 24 lines on a usual screen that is about 4 cm, three times what an eye needs at two metres (20 minutes of
arc are 12 mm there; common practice for signs). A taller window gets larger digits.
"""

from __future__ import annotations

#: Each digit on five by seven dots, our own drawing. One dot is two columns wide: cells are twice as tall as wide.
_DOTS = {
    "0": ("01110", "10001", "10001", "10001", "10001", "10001", "01110"),
    "1": ("00100", "01100", "00100", "00100", "00100", "00100", "01110"),
    "2": ("01110", "10001", "00001", "00110", "01000", "10000", "11111"),
    "3": ("11110", "00001", "00001", "01110", "00001", "00001", "11110"),
    "4": ("00011", "00101", "01001", "10001", "11111", "00001", "00001"),
    "5": ("11111", "10000", "11110", "00001", "00001", "10001", "01110"),
    "6": ("00110", "01000", "10000", "11110", "10001", "10001", "01110"),
    "7": ("11111", "00001", "00010", "00100", "00100", "01000", "01000"),
    "8": ("01110", "10001", "10001", "01110", "10001", "10001", "01110"),
    "9": ("01110", "10001", "10001", "01111", "00001", "00010", "01100"),
    "−": ("000", "000", "000", "111", "000", "000", "000"),
    ".": ("0", "0", "0", "0", "0", "0", "1"),
    " ": ("0", "0", "0", "0", "0", "0", "0"),
}
DOT_LINES = 7
_DOT_COLUMNS = 2


def big_figure(text: str, *, width: int, height: int, block: str = "█") -> list[str]:
    """Return a number as lines of blocks, as large as fits; [] where not even the smallest does.

    text : digits, a point, a minus sign.  block : what a dot is made of, where a terminal lacks the full block.
    Raises ValueError for a sign that has no drawing.
    """
    unknown = set(text) - set(_DOTS)
    if unknown:
        raise ValueError(f"no drawing for {''.join(sorted(unknown))!r}")
    rows = ["0".join(_DOTS[sign][row] for sign in text) for row in range(DOT_LINES)]
    scale = min(height // DOT_LINES, width // (_DOT_COLUMNS * max(len(rows[0]), 1)))
    if scale < 1:
        return []
    wide = _DOT_COLUMNS * scale
    lines = ["".join((block if dot == "1" else " ") * wide for dot in row).rstrip() for row in rows]
    return [line for line in lines for _ in range(scale)]
