"""How long the machine slept while a soak ran: a clock that goes on meanwhile, held against one that stands still."""

from __future__ import annotations

import time
from collections.abc import Callable

Clock = Callable[[], float]
#: Shorter is no sleep: the two clocks can't be read at one moment on a busy machine.
LEAST_S = 0.5
#: Read within this of each other they belong together; a process that was held up meanwhile reads them again, so often.
_TOGETHER_S, _READINGS = 0.05, 5


def _goes_on() -> Clock:
    """Return the clock that a sleep does not stop. Only Linux' is one that nobody sets; elsewhere it is the wall's."""
    number = getattr(time, "CLOCK_BOOTTIME", None)
    return time.time if number is None else lambda: time.clock_gettime(number)


class Sleep:
    """Asked now and then, it tells what was slept since. goes_on, stands : clocks, in seconds."""

    def __init__(self, goes_on: Clock | None = None, stands: Clock = time.monotonic) -> None:
        self._goes_on, self._stands = goes_on or _goes_on(), stands
        self._ahead_s = self._reading()

    def slept_s(self) -> float:
        """Return how long the machine slept since this was asked last; 0: not at all.

        Where the clock that goes on is the wall's, setting it forward looks like a sleep, and back like none.
        """
        ahead_s = self._reading()
        lost_s = ahead_s - self._ahead_s
        self._ahead_s = ahead_s
        return lost_s if lost_s >= LEAST_S else 0.0

    def _reading(self) -> float:
        for _ in range(_READINGS):
            before_s, at_s, after_s = self._stands(), self._goes_on(), self._stands()
            if after_s - before_s <= _TOGETHER_S:
                break
        return at_s - 0.5 * (before_s + after_s)


def sleep_clock(simulated: bool) -> Clock:
    """Return what tells the seconds slept since it was asked last. On a simulated card a sleep costs nothing."""
    return (lambda: 0.0) if simulated else Sleep().slept_s
