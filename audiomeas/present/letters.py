"""Letters that the report's own font lacks: other installed fonts that have them; what none has is said, not boxed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields, is_dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from audiomeas.present import style
from audiomeas.present.text import clean_text

#: More fonts than this on one page are no help to a reader.
_MOST_FONTS = 4
_NAMED_LETTERS = 12
_WITHOUT_TEXTS = frozenset({int, float, bool, type(None)})


@dataclass(frozen=True)
class Letters:
    """families : fonts that stand in for missing letters.   missing : letters that no installed font has."""

    families: tuple[str, ...] = ()
    missing: str = ""


@contextmanager
def letters_of(content: Any) -> Iterator[None]:
    """Lay out and draw inside this context: letters that the usual font lacks come from other installed fonts."""
    with style.with_fallbacks(_letters(content).families):
        yield


def warning_of(content: Any) -> str:
    """Return in one line which letters no installed font has; '' when all are there."""
    missing = _letters(content).missing
    if not missing:
        return ""
    more = f" and {len(missing) - _NAMED_LETTERS} more" if len(missing) > _NAMED_LETTERS else ""
    return (
        f"warning: no installed font has {' '.join(missing[:_NAMED_LETTERS])}{more}: boxes are printed instead; "
        "install a font with these letters, and make the file again"
    )


def _letters(content: Any) -> Letters:
    return _found(frozenset(letter for text in _texts(content) for letter in clean_text(text) if not letter.isspace()))


def _texts(value: Any) -> Iterator[str]:
    """Yield every text inside dataclasses, lists and mappings."""
    if isinstance(value, str):
        yield value
    elif is_dataclass(value):
        for item in fields(value):
            yield from _texts(getattr(value, item.name))
    elif isinstance(value, Mapping):
        yield from _texts(list(value.values()))
    # Curves have numbers by the hundred thousand: their kinds are asked at once.
    elif isinstance(value, (list, tuple)) and not _WITHOUT_TEXTS.issuperset(map(type, value)):
        for each in value:
            yield from _texts(each)


@lru_cache(maxsize=64)
def _found(wanted: frozenset[str]) -> Letters:
    """Return the fonts that have the most of what is missing, one after the other."""
    missing = {ord(letter) for letter in wanted} - _codes_of(style.FONT)
    chosen: list[str] = []
    while missing and len(chosen) < _MOST_FONTS:
        # Of two with as many letters TrueType comes first: each PDF reader shows it.
        best = max(_families(), key=lambda family: (len(missing & _codes_of(family)), _is_truetype(family)))
        if not missing & _codes_of(best):
            break
        chosen.append(best)
        missing -= _codes_of(best)
    return Letters(tuple(chosen), "".join(map(chr, sorted(missing))))


def _families() -> list[str]:
    """Return the installed families by name; not those that have a box for every letter."""
    from matplotlib.font_manager import fontManager

    names = {entry.name for entry in fontManager.ttflist}
    return sorted((name for name in names if "last resort" not in name.casefold()), reverse=True)


def _file_of(family: str) -> str:
    from matplotlib.font_manager import FontProperties, fontManager

    with style.quiet_fonts():
        return str(fontManager.findfont(FontProperties(family=family), fallback_to_default=False))


@lru_cache(maxsize=4096)
def _codes_of(family: str) -> frozenset[int]:
    """Return the code points of a family's usual face; none where it can't be read or drawn in any size."""
    from matplotlib.ft2font import FT2Font

    try:
        font = FT2Font(_file_of(family))
        return frozenset(font.get_charmap()) if font.scalable else frozenset()
    except (OSError, RuntimeError, ValueError):
        return frozenset()


def _is_truetype(family: str) -> bool:
    """Return whether a font file holds TrueType outlines (its first bytes say so)."""
    try:
        with Path(_file_of(family)).open("rb") as file:
            return file.read(4) in (b"\x00\x01\x00\x00", b"true")
    except (OSError, ValueError):
        return False
