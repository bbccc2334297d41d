"""What a person says while a soak runs: the unit is off, or on again; what a meter reads; a remark; enough.

off · on · offset CHANNEL VALUE · note TEXT · spot · quit
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

from audiomeas.errors import RequestError
from audiomeas.measurement.quantity import Accuracy, Typed, parse_typed
from audiomeas.tomlfile import nearest

Word = Literal["off", "on", "offset", "note", "spot", "quit"]
WORDS: tuple[Word, ...] = ("off", "on", "offset", "note", "spot", "quit")


class Hand(Protocol):
    """Where a person's lines come from."""

    @property
    def there(self) -> bool:
        """Somebody may still say something."""
        ...

    def said(self) -> str | None:
        """Return the next line that was said; None: nothing new. Never waits."""
        ...


class NoHand:
    """Nobody is there."""

    there = False

    def said(self) -> str | None:
        """Nothing."""
        return None


@dataclass(frozen=True, kw_only=True)
class Said:
    """One line, understood. channel, typed : of an offset.  text : of a note."""

    word: Word
    text: str = ""
    channel: int = 0
    typed: Typed | None = None


def understood(line: str, *, channels: tuple[int, ...], meter: Accuracy | None) -> Said | None:
    """Return what a line says; None: nothing. Raises RequestError: what is wrong, and how to say it."""
    first, _, rest = line.strip().partition(" ")
    if not first:
        return None
    found: dict[str, Callable[[str], Said]] = {
        "offset": lambda text: _offset(text, channels, meter),
        "note": lambda text: Said(word="note", text=text.strip()),
    }
    word = first.casefold()
    if word in found:
        return found[word](rest)
    for known in WORDS:
        if known == word:
            if rest.strip():
                raise RequestError(f"{known} stands alone, not with {rest.strip()!r}")
            return Said(word=known)
    raise RequestError(f"{first!r} is none of {', '.join(WORDS)}{nearest(word, list(WORDS))}")


def _offset(text: str, channels: tuple[int, ...], meter: Accuracy | None) -> Said:
    number, _, value = text.strip().partition(" ")
    if not number.isdigit() or int(number) not in channels or not value.strip():
        listed = ", ".join(map(str, channels))
        raise RequestError(f"say 'offset CHANNEL VALUE', such as 'offset {channels[0]} 12 mV' (channels {listed})")
    return Said(word="offset", channel=int(number), typed=parse_typed(value.strip(), "V", meter))
