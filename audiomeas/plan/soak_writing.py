"""The log of a soak while it is written: by a thread of its own, in order, so that nobody waits for a disk."""

from __future__ import annotations

import collections
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from audiomeas.measurement.session import Say
from audiomeas.measurement.soak_fold import SoakFold
from audiomeas.measurement.soak_lines import EVENT, SECOND
from audiomeas.measurement.soak_views import clock
from audiomeas.record.soak_log import SoakLog

#: So many lines may wait for the disk.
_LINES_AHEAD = 600


class SoakWriting:
    """Logs lines, says events, and takes both into what is told. disk : its one worker, for captures too."""

    def __init__(self, path: Path, fold: SoakFold, say: Say) -> None:
        self._fold, self._say = fold, say
        self._log = SoakLog(path)
        self.disk = ThreadPoolExecutor(max_workers=1, thread_name_prefix="audiomeas-soak-disk")
        self._being_written: collections.deque[Future[None]] = collections.deque()

    def write(self, line: dict[str, Any]) -> None:
        """Log a line, and take it into what is told; what is no second is on the disk at once, and said.

        Raises FileProblem where an earlier line could not be written. A disk that stands still for minutes is waited
        for: then the sound fades, as nobody is heard of.
        """
        self._being_written.append(self.disk.submit(self._log.write, line, at_once=line["line"] != SECOND))
        while self._being_written and (self._being_written[0].done() or len(self._being_written) > _LINES_AHEAD):
            self._being_written.popleft().result()
        self._fold.add(line)
        if line["line"] == EVENT:
            where = "" if line["channel"] is None else f", channel {line['channel']}"
            self._say(f"{clock(line['after_s'])} {line['kind']}{where}: {line['words']}")

    def wait(self) -> None:
        """Wait until the disk has all that it was given so far."""
        self.disk.submit(int).result()  # one worker: all before it is done

    def check(self) -> None:
        """Wait for each line. Raises FileProblem where one could not be written."""
        while self._being_written:
            self._being_written.popleft().result()

    @contextmanager
    def open(self) -> Iterator[None]:
        """Leaving it, nothing is being written any more, and the log is closed."""
        with self._log:
            try:
                yield
            finally:
                self.disk.shutdown(wait=True)
