"""The log of a soak on the disk: one JSON object a line, only ever added to, synced once a second and with each event.

It can be read at any moment, also while it grows; a line that a crash cut short is left out. A log of days is read line
by line and never held whole.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from audiomeas.errors import FileProblem
from audiomeas.files import facts_of_line, sync_folder, translated
from audiomeas.record import journal

if TYPE_CHECKING:
    from audiomeas.record.visit import Visit

LOG_FILE = "soak-log.jsonl"
#: Lines are synced at least this often; events at once.
_SYNC_EVERY_S = 1.0


class SoakLog:
    """A log that grows. A context manager."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with translated(path, "write"):
            self._descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL, 0o666)
        sync_folder(path.parent)
        self._synced_s = time.monotonic()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with translated(self.path, "write"):
            os.fsync(self._descriptor)
            os.close(self._descriptor)

    def write(self, line: Mapping[str, Any], *, at_once: bool = False) -> None:
        """Add a line with the time of day. at_once : it is on the disk when this returns.

        Raises FileProblem (disk full …); then the log is as it was before.
        """
        whole = {"line": line["line"], "at": journal.iso(journal.utc_now()), **line}
        data = (json.dumps(whole, ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8", "backslashreplace")
        with translated(self.path, "write"):
            now_s = time.monotonic()
            if at_once or now_s - self._synced_s >= _SYNC_EVERY_S:
                journal.append_whole(self._descriptor, data)
                self._synced_s = now_s
            else:
                self._added(data)

    def _added(self, data: bytes) -> None:
        before = os.fstat(self._descriptor).st_size
        try:
            while data:
                data = data[os.write(self._descriptor, data) :]
        except OSError:
            os.ftruncate(self._descriptor, before)
            raise


def read_log(path: Path) -> Iterator[dict[str, Any]]:
    """Yield the lines of a log, one after the other. A last line that a crash cut off is left out.

    Raises FileProblem: missing, or damaged before its end (naming the line).
    """
    with translated(path, "read"), path.open("rb") as handle:
        for number, data in enumerate(handle, start=1):
            line = _line(data)
            if line is not None:
                yield line
            elif data.endswith(b"\n"):  # only what stands behind the last line end can be a line cut off
                raise FileProblem(f"{path}, line {number}: no line of a soak's log: this file was changed or damaged")


def parts_of(visit: Visit, name: str) -> list[Path]:
    """Return the folders of the parts that a soak has in a visit, oldest first. name : of its step."""
    tries = [step for step in (*visit.broken_off, *visit.steps) if step.name == name]
    return [step.folder for step in sorted(tries, key=lambda step: step.number)]


def read_parts(folders: Sequence[Path]) -> Iterator[dict[str, Any]]:
    """Yield the lines of all parts of a soak. One that was broken off before its first line has none."""
    for folder in folders:
        if (folder / LOG_FILE).exists():
            yield from read_log(folder / LOG_FILE)


def _line(data: bytes) -> dict[str, Any] | None:
    line = facts_of_line(data)
    return line if line is not None and isinstance(line.get("line"), str) else None
