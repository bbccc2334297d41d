"""A file that is only ever added to: one JSON object a line, each with the SHA-256 of the whole line before it.

So that no line can be changed, taken out or put in without a sign. `sed -n 3p logbook.jsonl | sha256sum` gives what
line 4 must hold as 'previous'. That lines are missing at its end it can't tell by itself: each visit notes how many
there were when it was opened (`head`), and is held against them.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import takewhile
from pathlib import Path
from typing import Any

from audiomeas.errors import FileProblem
from audiomeas.files import facts_of_line, sync_folder, translated
from audiomeas.measurement.result import clean
from audiomeas.record import journal
from audiomeas.record.lock import locked

#: How each line begins.
_BEGINNING = b'{"at": "'
_PREVIOUS, _CUT_OFF_BEFORE = "previous", "cut_off_before"


@dataclass(frozen=True, kw_only=True)
class Line:
    """One whole line. number : from 1, as an editor counts.   sha256 : of its bytes, line end included."""

    number: int
    facts: Mapping[str, Any]
    sha256: str


@dataclass(frozen=True, kw_only=True)
class Chain:
    """What a file holds. problems : one line each, of what was changed or damaged.   notes : what a crash left."""

    lines: tuple[Line, ...] = ()
    problems: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Head:
    """How a file stood at a moment. lines : how many.   sha256 : of the last one; '' when there was none."""

    lines: int
    sha256: str


def append(path: Path, event: str, **facts: Any) -> Line:
    """Add one line and sync it; return it. Several programs may do so at once: each line is whole and in turn.

    Raises FileProblem (disk full, read-only …); then the file is as it was before.
    """
    with translated(path, "write"):
        new = not path.exists()
        descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT, 0o666)
        try:
            with locked(descriptor):
                line = _append(descriptor, path.read_bytes(), event, facts)
        finally:
            os.close(descriptor)
        if new:
            sync_folder(path.parent)
    return line


def _append(descriptor: int, there: bytes, event: str, facts: Mapping[str, Any]) -> Line:
    # What a crash left behind the last line end is ended first, so that nothing is taken away.
    ending = b"\n" if there and not there.endswith(b"\n") else b""
    before = there + ending
    torn = _cut_off_at_the_end(before)
    line = {
        "at": journal.iso(journal.utc_now()),
        "event": event,
        _PREVIOUS: _last(before),
        **({_CUT_OFF_BEFORE: torn} if torn else {}),
        **clean(dict(facts)),
    }
    text = json.dumps(line, ensure_ascii=False, allow_nan=False) + "\n"
    data = text.encode("utf-8", "backslashreplace")
    journal.append_whole(descriptor, ending + data)
    return Line(number=before.count(b"\n") + 1, facts=line, sha256=_sha256(data))


def _cut_off_at_the_end(data: bytes) -> int:
    """Return how many lines at the end are what a crash left of one: a beginning without an end."""
    pieces = data.split(b"\n")[:-1]
    return sum(1 for _ in takewhile(_is_beginning, reversed(pieces)))


def _is_beginning(raw: bytes) -> bool:
    return facts_of_line(raw) is None and raw[: len(_BEGINNING)] == _BEGINNING[: len(raw)] and not raw.endswith(b"}")


def _last(data: bytes) -> str:
    """Return the SHA-256 of the last line that has its end; '' when there is none."""
    whole = data[: data.rfind(b"\n") + 1]
    return _sha256(whole[whole[:-1].rfind(b"\n") + 1 :]) if whole else ""


def _sha256(line: bytes) -> str:
    return hashlib.sha256(line).hexdigest()


def head_of(path: Path) -> Head:
    """Return how many whole lines a file has, and the SHA-256 of the last one. Raises FileProblem."""
    data = _bytes(path)
    return Head(lines=data.count(b"\n"), sha256=_last(data))


def sha256_of_line(path: Path, number: int) -> str:
    """Return the SHA-256 of a whole line, counted from 1; '' when the file is shorter. Raises FileProblem."""
    ended = _bytes(path).split(b"\n")[:-1]
    return _sha256(ended[number - 1] + b"\n") if 1 <= number <= len(ended) else ""


def read(path: Path) -> tuple[Line, ...]:
    """Return a file's lines; none when there is no file. Raises FileProblem at the first that was changed."""
    chain = checked(path)
    if chain.problems:
        raise FileProblem(chain.problems[0])
    return chain.lines


def checked(path: Path) -> Chain:
    """Read a file and hold each line against the one before it. Raises FileProblem when it can't be read at all."""
    *ended, last = _bytes(path).split(b"\n")
    lines: list[Line] = []
    problems: list[str] = []
    notes: list[str] = []
    previous = ""
    torn: list[int] = []  # numbers of the lines just before that are none
    for number, raw in enumerate([*ended, last] if last else ended, start=1):
        facts = facts_of_line(raw)
        if facts is None:
            torn.append(number)
        else:
            if len(torn) != facts.get(_CUT_OFF_BEFORE, 0):
                problems += [_not_a_line(path, each) for each in torn]
            if facts.get(_PREVIOUS) != previous:
                where = f"{path}, line {number}"
                problems.append(f"{where}: it does not follow the line before it: one of them was changed or taken out")
            torn = []
            lines.append(Line(number=number, facts=facts, sha256=_sha256(raw + b"\n")))
        previous = _sha256(raw + b"\n")
    for number in torn:
        if _is_beginning(ended[number - 1] if number <= len(ended) else last):
            notes.append(f"{path}, line {number}, was cut off while it was written, and is left out")
        else:
            problems.append(_not_a_line(path, number))
    return Chain(lines=tuple(lines), problems=tuple(problems), notes=tuple(notes))


def _not_a_line(path: Path, number: int) -> str:
    return f"{path}, line {number}: no line of this file: it was changed or damaged"


def _bytes(path: Path) -> bytes:
    with translated(path, "read"):
        return path.read_bytes() if path.exists() else b""
