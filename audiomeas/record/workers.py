"""Work on many records at once: in this process, in several, or on whatever executor the caller has."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from typing import TypeVar

from audiomeas.errors import RequestError

Item = TypeVar("Item")
Done = TypeVar("Done")
#: Other processes wait for their work: signals end the one that gives it.
_SIGNALS = ("SIGINT", "SIGHUP")
#: One thread for linear algebra in each process, before it loads: the same bits, and none in another's way.
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")


def processors() -> int:
    """Return how many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def checked_workers(workers: int) -> int:
    """Return a number of processes. Raises RequestError: less than one."""
    if workers < 1:
        raise RequestError(f"at least one worker is needed, not {workers}")
    return workers


def mapped(
    work: Callable[[Item], Done], items: Sequence[Item], *, workers: int = 1, executor: Executor | None = None
) -> Iterator[Done]:
    """Yield what a function makes of each item, in their order.

    work, items : what another process can be sent.   workers : processes; one is this process itself.
    executor : any of `concurrent.futures`, or of a cluster's library that offers one; it is not shut down.
    What is left is taken back when the caller stops early. The first item is worked on here, before the others begin:
    what it loads, processes that are copies of this one have then too.
    """
    if executor is not None:
        yield from executor.map(work, items)
    elif workers <= 1 or len(items) < 2:
        yield from map(work, items)
    else:
        for name in _ONE_THREAD:
            os.environ.setdefault(name, "1")
        yield work(items[0])
        pool = ProcessPoolExecutor(min(workers, len(items) - 1), initializer=_ignore_signals)
        try:
            yield from pool.map(work, items[1:])
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _ignore_signals() -> None:
    for name in _SIGNALS:
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)


def parted(items: Sequence[Item], pieces: int) -> list[list[Item]]:
    """Return items in so many groups of neighbours, or fewer."""
    size = max(1, -(-len(items) // max(pieces, 1)))
    return [list(items[start : start + size]) for start in range(0, len(items), size)]
