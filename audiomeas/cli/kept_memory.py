"""Memory that stays as it is for days: what was freed is kept for what comes next.

A process' setting, so a program of ours makes it and never a call from Python. Left to itself the C library gives each
thread a heap of its own and hands large arrays back or not, by what came before: a soak then moved over 29 MB.
"""

from __future__ import annotations

import ctypes
from contextlib import suppress

#: The C library's own numbers (malloc.h of glibc) of what can be set.
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8
#: So much that is free is kept at most: several times the arrays of a spot measurement at 192 kHz.
_KEPT_BYTES = 512 * 2**20
#: Blocks up to this size come from the heap (the most that glibc takes).
_FROM_HEAP_BYTES = 32 * 2**20


def keep_freed_memory() -> bool:
    """Let all threads share one heap that keeps what is freed, up to 512 MB. Call it before threads begin.

    Then memory grows until the largest work was done once, and no further. Returns False where the C library has no
    such setting (all but glibc, which means Linux): there memory rises and falls with each spot measurement.
    """
    with suppress(OSError, TypeError, AttributeError):
        mallopt = ctypes.CDLL(None).mallopt
        wanted = ((_ARENA_MAX, 1), (_MMAP_THRESHOLD, _FROM_HEAP_BYTES), (_TRIM_THRESHOLD, _KEPT_BYTES))
        return all(mallopt(what, value) == 1 for what, value in wanted)
    return False
