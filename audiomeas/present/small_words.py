"""Small words that all sentences of a page share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from audiomeas.present.content import Finding
    from audiomeas.record.verdict_row import Verdict

_SOURCES = {"maker": "maker's specification", "house": "the workshop's limit", "era": "standard of its time"}
_Each = TypeVar("_Each")
_Key = TypeVar("_Key")


def grouped(members: Iterable[_Each], key: Callable[[_Each], _Key]) -> list[list[_Each]]:
    """Return what is alike by a key in groups, each where its first member stood."""
    groups: dict[_Key, list[_Each]] = {}
    for each in members:
        groups.setdefault(key(each), []).append(each)
    return list(groups.values())


def steps_of(findings: Iterable[Finding]) -> list[str]:
    """Return the steps that findings come from, each once."""
    return list(dict.fromkeys(each.step for each in findings))


def on_channel(channel: int | None) -> str:
    """Return ' on channel 2'; '' where there is none."""
    return "" if channel is None else f" on channel {channel}"


def source_words(finding: Finding | Verdict) -> str:
    """Return whose limit holds a finding, in words."""
    return _SOURCES.get(finding.source, finding.source)


def whose(finding: Finding | Verdict) -> str:
    """Return the same in brackets; '' where nobody's."""
    return f" ({source_words(finding)})" if source_words(finding) else ""


def capital(text: str) -> str:
    """Return a text with a capital at its front."""
    return f"{text[:1].upper()}{text[1:]}"


def before_value(words: str) -> str:
    """Return words as they stand before a value: 'Gain:'; a question keeps its own sign."""
    return words if words.endswith("?") else f"{words}:"


def listed(words: Sequence[str]) -> str:
    """Return 'one, two and three'."""
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1]))) if words else ""
