"""The checksums of a record: written once, when nothing more is added, and held against its files whenever it is read.

The file is that of the system's own tool: `sha256sum --check checksums.sha256`.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from audiomeas.errors import FileProblem
from audiomeas.files import AUDIO, read_text, sha256_of, translated, write_new_text

CHECKSUM_FILE = "checksums.sha256"
_LINE = re.compile(r"([0-9a-f]{64})  (.+)")
_AUDIO = tuple(AUDIO)


def write_checksums(folder: Path) -> None:
    """Write the SHA-256 of every file of a record.

    Raises FileProblem: exists already, disk full, a name that no line holds.
    """
    lines = [f"{sha256_of(folder / name)}  {name}\n" for name in _listable(folder)]
    write_new_text(folder / CHECKSUM_FILE, "".join(lines))


def refuse_unlisted(folder: Path) -> None:
    """Raise FileProblem where a name that somebody put there can't stand in a line: asked before a record is closed."""
    _listable(folder)


def _listable(folder: Path) -> list[str]:
    names = _files(folder)
    for name in names:
        if name.splitlines() != [name] or not _is_utf8(name):
            raise FileProblem(
                f"{folder} holds a file named {name!r}, which {CHECKSUM_FILE} can't list: take it out or rename it "
                "(one line of UTF-8), then go on with the record"
            )
    return names


def _is_utf8(name: str) -> bool:
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


@dataclass(frozen=True, kw_only=True)
class Identity:
    """What tells a closed record from any other: the SHA-256 of its checksums, which themselves cover so many files."""

    sha256: str
    files: int


def identity_of(folder: Path) -> Identity | None:
    """Return a record's identity; None where it has no checksums, for it was not closed. Raises FileProblem."""
    file = folder / CHECKSUM_FILE
    return Identity(sha256=sha256_of(file), files=len(read_text(file).splitlines())) if file.exists() else None


def damage(folder: Path, *, closed: bool, hash_audio: bool = True) -> str:
    """Return in one line what of a record is not as it was when its checksums were written; '' when all is.

    closed : its journal says that it was finished: then it has checksums, or somebody took them away.
    hash_audio : False only looks whether captures are there (results and verdicts don't need their samples).
    Raises FileProblem when a file can't be read.
    """
    found = list(differences(folder, closed=closed, hash_audio=hash_audio))
    return _told(found[0], len(found)) if found else ""


def differences(folder: Path, *, closed: bool, hash_audio: bool = True) -> Iterator[str]:
    """Yield what `damage` sums up: each file of a record that is not as it was, in words. Raises FileProblem."""
    file = folder / CHECKSUM_FILE
    if file.exists():
        yield from _differences(folder, read_text(file), hash_audio=hash_audio)
    elif closed:
        yield f"{file} is missing, although the record was closed"


def _told(first: str, number: int) -> str:
    more = f" (and {number - 1} more {'file' if number == 2 else 'files'})" if number > 1 else ""
    return f"{first}{more}: this record was changed and proves nothing; bring it back from a copy, or measure again"


def _differences(folder: Path, text: str, *, hash_audio: bool) -> Iterator[str]:
    listed = {}
    for number, line in enumerate(text.splitlines(), start=1):
        match = _LINE.fullmatch(line)
        if match is None:
            yield f"{folder / CHECKSUM_FILE}, line {number}, is no checksum"
            continue
        listed[match[2]] = match[1]
    there = frozenset(_files(folder))
    for name in sorted(there.union(listed)):
        if name not in there:
            yield f"{folder / name} is missing"
        elif name not in listed:
            yield f"{folder / name} was added after the record was closed"
        elif (hash_audio or not name.endswith(_AUDIO)) and sha256_of(f"{folder}/{name}") != listed[name]:
            yield f"{folder / name} is not as it was when the record was closed"


def _files(folder: Path) -> list[str]:
    """Return the names of the record's files, in order. Those with a leading dot are what a crash left half written."""
    with translated(folder, "read"):
        return sorted(name for name in _below(str(folder), "") if name != CHECKSUM_FILE)


def _below(folder: str, before: str) -> Iterator[str]:
    """Yield the name of each file in a folder and in those below it: thousands of records ask for no more."""
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir(follow_symlinks=False):
                yield from _below(entry.path, f"{before}{entry.name}/")
            elif entry.is_file() and not entry.name.startswith("."):
                yield f"{before}{entry.name}"
