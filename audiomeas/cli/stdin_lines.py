"""Lines that a person or a script types while something plays."""

from __future__ import annotations

import queue
import sys
import threading

from audiomeas.cli.common import say

#: Lines that are read before they are taken; more wait in the pipe.
_LINES_AHEAD = 100


class StdinLines:
    """Lines of stdin, read by a thread of its own as they come.

    there : more may come.   over : it has ended, and all that came was taken.
    """

    def __init__(self) -> None:
        self._given: queue.Queue[str | None] = queue.Queue(_LINES_AHEAD)
        self.there = sys.stdin is not None and not sys.stdin.closed
        self.over = False
        threading.Thread(target=self._listen, name="audiomeas-stdin", daemon=True).start()

    def said(self) -> str | None:
        """Return the next line; None: nothing new."""
        try:
            line = self._given.get_nowait()
        except queue.Empty:
            return None
        self.over = line is None
        return line

    def _listen(self) -> None:
        try:
            for line in sys.stdin or ():
                self._given.put(line)
        except (OSError, ValueError) as error:
            say(f"stdin can't be read ({error})")
        self.there = False
        self._given.put(None)
