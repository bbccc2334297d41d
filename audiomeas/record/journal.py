"""The journal of a visit: one JSON object a line, appended and synced, so that a crash loses at most the last line."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from audiomeas.errors import FileProblem
from audiomeas.files import facts_of_line, read_text, translated

NAME = "journal.jsonl"


def utc_now() -> datetime:
    """Return the time now, UTC, to the second."""
    return datetime.now(UTC).replace(microsecond=0)


def iso(moment: datetime) -> str:
    """Return a UTC time as 2026-11-25T07:47:38Z."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def append(path: Path, event: str, **facts: Any) -> None:
    """Append one line and sync it. Raises FileProblem (disk full …); then the journal is as it was before."""
    line = json.dumps({"at": iso(utc_now()), "event": event, **facts}, ensure_ascii=False, allow_nan=False) + "\n"
    with translated(path, "write"):
        descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o666)
        try:
            append_whole(descriptor, line.encode("utf-8", "backslashreplace"))
        finally:
            os.close(descriptor)


def append_whole(descriptor: int, data: bytes) -> None:
    """Write all bytes and sync, or leave the file as long as it was."""
    before = os.fstat(descriptor).st_size
    try:
        while data:
            data = data[os.write(descriptor, data) :]
        os.fsync(descriptor)
    except OSError:
        os.ftruncate(descriptor, before)
        raise


def mend(path: Path) -> str:
    """Take off a last line that a crash cut short, so that the next one begins its own; return what was taken off.

    A journal whose last line is whole stays as it is. Raises FileProblem.
    """
    with translated(path, "write"), path.open("r+b") as handle:
        data = handle.read()
        whole = data.rfind(b"\n") + 1
        if whole < len(data):
            handle.truncate(whole)
            os.fsync(handle.fileno())
    return data[whole:].decode("utf-8", "replace")


def read(path: Path) -> tuple[dict[str, Any], ...]:
    """Return the lines of a journal. A last line that a crash cut off is left out.

    Raises FileProblem: missing, or damaged before its end (naming the line).
    """
    lines = read_text(path, largest_bytes=512 * 1024 * 1024).split("\n")
    events = []
    for number, line in enumerate(lines, start=1):
        if not line:
            continue
        event = _event(line)
        if event is not None:
            events.append(event)
        elif number < len(lines):  # only what stands behind the last line end can be a line cut off
            raise FileProblem(f"{path}, line {number}: no line of a journal: this file was changed or damaged")
    return tuple(events)


def _event(line: str) -> dict[str, Any] | None:
    event = facts_of_line(line)
    return event if event is not None and isinstance(event.get("event"), str) else None
