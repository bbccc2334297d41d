"""A simulated card has no time of its own: it waits for who takes what comes in."""

from __future__ import annotations

import threading

#: A simulated card is at most so far ahead.
_AHEAD_S = 4.0
#: So long is waited at a time.
PACE_S = 0.05


class Pace:
    """Holds the one that fills a stream back. waits : False, something else gives the time."""

    def __init__(self, sample_rate_hz: float, *, waits: bool) -> None:
        self._ahead = round(_AHEAD_S * sample_rate_hz)
        self._may_go_to: int | None = self._ahead if waits else None
        self._moved = threading.Condition()

    def wait(self, frame: int) -> None:
        """Wait until the stream may go on to a frame; of one whose taker is gone one block at a time, so that it ends.

        frame : from the beginning of the stream.
        """
        with self._moved:
            while self._may_go_to is not None and frame > self._may_go_to:
                if not self._moved.wait(PACE_S):
                    break

    def took(self, frames: int) -> None:
        """Say how many frames have been taken since the beginning."""
        with self._moved:
            if self._may_go_to is not None:
                self._may_go_to = frames + self._ahead
                self._moved.notify_all()

    def let_go(self) -> None:
        """Wait no more."""
        with self._moved:
            self._may_go_to = None
            self._moved.notify_all()
