"""Locks between programs: the system gives them back when their owner ends, however it ends, so that none is left over.

Where a system (Windows) or a file system has no such locks, nothing is locked: there one program at a time may write on
a unit.
"""

from __future__ import annotations

import contextlib
import errno
import os
import weakref
from collections.abc import Iterator
from pathlib import Path

from audiomeas.files import translated

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]


#: What a file system without locks answers.
_NO_LOCKS = {errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.EINVAL}
#: Nothing is written, but a network's file system locks only what could be (flock(2), NFS).
_FOR_LOCKS = os.O_RDWR


@contextlib.contextmanager
def locked(descriptor: int) -> Iterator[None]:
    """Hold an open file for oneself while the context lasts; waits until nobody else holds it. Raises OSError."""
    _lock(descriptor, wait=True)
    try:
        yield
    finally:
        if fcntl is not None:
            with contextlib.suppress(OSError):  # closing it gives it back too
                fcntl.flock(descriptor, fcntl.LOCK_UN)


def _lock(descriptor: int, *, wait: bool) -> None:
    """Lock an open file. Raises BlockingIOError when somebody else has it, and other OSErrors."""
    if fcntl is None:
        return
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX if wait else fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno not in _NO_LOCKS:
            raise


class Held:
    """A file that this program works on until `release`, or until nobody uses this object any more."""

    def __init__(self, descriptor: int) -> None:
        self._release = weakref.finalize(self, os.close, descriptor)

    def release(self) -> None:
        """Let others have it. Calling it again does nothing."""
        self._release()


@contextlib.contextmanager
def alone(path: Path) -> Iterator[None]:
    """Hold a file that is there while the context lasts; waits until nobody else holds it.

    Raises FileProblem: missing, or can't be written.
    """
    with translated(path, "write"):
        descriptor = os.open(path, _FOR_LOCKS)
    try:
        with contextlib.ExitStack() as held:
            with translated(path, "write"):
                held.enter_context(locked(descriptor))
            yield
    finally:
        os.close(descriptor)


def hold(path: Path) -> Held | None:
    """Hold a file that is there; None when another program, or another part of this one, holds it.

    Raises FileProblem: missing, or can't be written.
    """
    with translated(path, "write"):
        descriptor = os.open(path, _FOR_LOCKS)
        try:
            _lock(descriptor, wait=False)
        except BlockingIOError:
            os.close(descriptor)
            return None
        except BaseException:
            os.close(descriptor)
            raise
    return Held(descriptor)
