"""What a unit's logbook holds: one entry a line, each of one kind. Frozen facts, their JSON, and their checks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import MISSING, asdict, dataclass, fields
from datetime import datetime
from typing import Any, Literal

from audiomeas.errors import FileProblem, RequestError
from audiomeas.record.chain import Line
from audiomeas.record.unit import checked_text
from audiomeas.record.visit import newer_words, version_of

Kind = Literal["repair", "adjustment", "listening", "photo", "paper", "correction", "withdrawal"]
#: More than anybody types; a line of the logbook stays readable.
LONGEST_TEXT = 10_000
#: A day and a night and more: who writes more minutes than this meant another unit of time.
_MOST_MINUTES = 100_000.0


@dataclass(frozen=True, kw_only=True)
class Work:
    """A repair or an adjustment. part : what was replaced, repaired or turned.   before, after : values, as typed.

    voids : steps or measurements whose earlier results no longer hold; None: all of them.
    """

    part: str
    reason: str
    position: str = ""
    before: str = ""
    after: str = ""
    minutes: float | None = None
    voids: tuple[str, ...] | None = None


@dataclass(frozen=True, kw_only=True)
class Listening:
    """What was heard."""

    text: str
    minutes: float | None = None


@dataclass(frozen=True, kw_only=True)
class Attachment:
    """A photo or a paper. file : where its copy stands in the unit's folder.   name : of the file that was copied."""

    file: str
    name: str
    sha256: str
    size_bytes: int
    caption: str = ""


@dataclass(frozen=True, kw_only=True)
class Correction:
    """What should have stood in a visit, which itself stays as it is.

    visit : its folder.   quantity, channel : of a row; '' and None: the whole step.   stood : what stands there.
    """

    visit: str
    step: str
    to: str
    reason: str
    quantity: str = ""
    channel: int | None = None
    stood: str = ""


@dataclass(frozen=True, kw_only=True)
class Withdrawal:
    """An earlier entry that should not stand in this logbook: it counts no longer. entry : its line."""

    entry: int
    reason: str


Content = Work | Listening | Attachment | Correction | Withdrawal
KINDS: dict[str, type[Content]] = {
    "repair": Work,
    "adjustment": Work,
    "listening": Listening,
    "photo": Attachment,
    "paper": Attachment,
    "correction": Correction,
    "withdrawal": Withdrawal,
}


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One line of a logbook. number : its line.   at : UTC.   by : who wrote it, '' when nobody said."""

    number: int
    at: datetime
    kind: str
    by: str
    content: Content

    def as_json(self) -> dict[str, Any]:
        """Return the entry's JSON object."""
        at = self.at.isoformat().replace("+00:00", "Z")
        return {"number": self.number, "at": at, "kind": self.kind, "by": self.by, **asdict(self.content)}


def checked_content(content: Content) -> Content:
    """Return a content whose texts are safe to print and to keep: one line each, no spaces around.

    Raises RequestError: an empty text that is needed, one that is too long or holds control characters, minutes that
    are none.
    """
    checked: dict[str, Any] = {}
    for item in fields(content):
        value = getattr(content, item.name)
        words = item.name.replace("_", " ")
        if isinstance(value, str):
            value = plain_text(value, words, needed=item.default is MISSING)
        elif isinstance(value, tuple):
            value = tuple(plain_text(each, words, needed=True) for each in value)
        checked[item.name] = value
    minutes = checked.get("minutes")
    if minutes is not None and not (math.isfinite(minutes) and 0.0 <= minutes <= _MOST_MINUTES):
        raise RequestError(f"minutes: {minutes:g} is no time that work takes: give minutes from 0 to {_MOST_MINUTES:g}")
    return type(content)(**checked)


def plain_text(text: str, what: str, *, needed: bool) -> str:
    """Return a typed text on one line. Raises RequestError."""
    plain = checked_text(" ".join(text.split()), what)
    if needed and not plain:
        raise RequestError(f"{what}: say it, an entry without it tells nothing")
    if len(plain) > LONGEST_TEXT:
        raise RequestError(f"{what}: {len(plain)} characters are too many, {LONGEST_TEXT} are possible; attach a file")
    return plain


def entry_of(line: Line, file: str) -> Entry:
    """Return the entry that a line of a logbook holds. Raises FileProblem: damaged, or of a newer version."""
    where = f"{file}, line {line.number}"
    version = version_of(line.facts)
    if version is None:
        raise FileProblem(f"{where}: no line of a logbook: the key 'record' with a version is missing")
    if newer := newer_words(version):
        raise FileProblem(f"{where} {newer}")
    try:
        return _entry(line)
    except KeyError as error:
        raise FileProblem(f"{where} is damaged: the key {error} is missing") from None
    except (TypeError, ValueError, OverflowError, RequestError) as error:
        raise FileProblem(f"{where} is damaged: {error}") from None


def _entry(line: Line) -> Entry:
    facts = line.facts
    kind = facts["event"]
    if kind not in KINDS:
        raise ValueError(f"{kind!r} is not one of {', '.join(KINDS)}")
    content = KINDS[kind]
    values = {item.name: _read(item.name, facts[item.name]) for item in fields(content)}
    return Entry(
        number=line.number,
        at=_moment(facts["at"]),
        kind=kind,
        by=_text("by", facts["by"]),
        content=checked_content(content(**values)),
    )


def _moment(text: Any) -> datetime:
    moment = datetime.fromisoformat(_text("at", text))
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} is no time with its zone")
    return moment


def _read(name: str, value: Any) -> Any:
    """Return a value of the type that its key has. Raises TypeError."""
    if name in ("minutes", "channel") and value is None:
        return None
    if name == "voids":
        return None if value is None else tuple(_text(name, each) for each in value)
    if name == "minutes" and not isinstance(value, (int, float)):
        raise TypeError(f"{name} is no number")
    if name in ("channel", "size_bytes", "entry") and (isinstance(value, bool) or not isinstance(value, int)):
        raise TypeError(f"{name} is no whole number")
    return value if name in ("minutes", "channel", "size_bytes", "entry") else _text(name, value)


def _text(name: str, value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{name} is no text")
    return value


def facts_of(content: Content, *, by: str, version: int) -> Mapping[str, Any]:
    """Return what a line of the logbook holds of an entry, beside its time and kind."""
    return {"record": version, "by": by, **asdict(content)}
