"""Write files so that nothing is lost or overwritten, and read them with errors of our own.

A new file is written beside its place under a temporary name, synced, then linked into place: a crash leaves either the
whole file or none, and an existing file is never touched.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import math
import os
import shutil
import signal
import stat
import tempfile
import threading
from collections.abc import Callable, Iterator
from io import FileIO
from pathlib import Path
from typing import Any

from audiomeas.errors import DiskFull, FileProblem

#: What the system says where there is no room: on the disk, or left of the user's share of it.
_NO_ROOM = frozenset({errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)})
#: Makes each digit a 0, and a plus too: a number that may be too large then has one of two forms, which are found much
#: faster than a pattern is: an exponent of three digits (or two behind a plus), or so many digits that one of two makes
#: it too large (99 and 210 digits do).
_FORM = bytes.maketrans(b"123456789+E", b"0000000000e")
_MAYBE_TOO_LARGE = (b"e000", b"0" * 200)
#: Endings of the audio files that are written.
AUDIO = frozenset({".flac", ".wav", ".rf64"})
#: So many bytes of a file are hashed at once.
_HASHED_BYTES = 256 * 1024


@contextlib.contextmanager
def translated(path: Path | str, doing: str) -> Iterator[None]:
    """Turn operating-system errors into one line of ours. `doing` is 'read' or 'write'."""
    try:
        yield
    except FileExistsError:
        raise FileProblem(f"{path} exists already and is never overwritten: give another name") from None
    except FileNotFoundError:
        folder = Path(path).parent
        if doing == "write" and not folder.is_dir():
            raise FileProblem(f"can't write {path}: there is no folder {folder}; make it first") from None
        raise FileProblem(f"{path} was not found: check the name and the folder") from None
    except IsADirectoryError:
        raise FileProblem(f"{path} is a folder, not a file") from None
    except NotADirectoryError:
        raise FileProblem(f"{path}: part of this path is a file, not a folder") from None
    except PermissionError:
        raise FileProblem(f"can't {doing} {path}: permission denied") from None
    except OSError as error:
        if error.errno in _NO_ROOM:
            raise DiskFull(f"can't write {path}: the disk is full; free some space and try again") from None
        if error.errno == errno.EROFS:
            raise FileProblem(f"can't write {path}: the file system is read-only") from None
        if error.errno == errno.ENAMETOOLONG:
            raise FileProblem(f"can't {doing} {str(path)[:60]}…: the name is too long") from None
        raise FileProblem(f"can't {doing} {path}: {error.strerror or error}") from None
    except ValueError as error:  # a NUL inside a path
        raise FileProblem(f"can't {doing} {str(path)!r}: {error}") from None


def read_text(path: Path, *, largest_bytes: int = 16 * 1024 * 1024) -> str:
    """Return the text (UTF-8) of a file. Raises FileProblem."""
    with translated(path, "read"):
        facts = path.stat()  # asked once: an archive has thousands of files
        if not (stat.S_ISREG(facts.st_mode) or stat.S_ISDIR(facts.st_mode)):
            raise FileProblem(f"{path} is no regular file")
        if facts.st_size > largest_bytes:
            raise FileProblem(f"{path} is larger than {largest_bytes // 1024 // 1024} MiB: not a file of this kind")
        data = path.read_bytes()
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FileProblem(f"{path} is not a text file (UTF-8)") from None


def is_there(path: Path) -> bool:
    """Return whether a file or folder exists. Raises FileProblem: no name of a file, or a folder on the way is shut."""
    with translated(path, "read"):
        return path.exists()


def read_json(path: Path) -> Any:
    """Return the content of a JSON file; NaN, infinities and what no computer holds are refused. Raises FileProblem."""
    text = read_text(path, largest_bytes=512 * 1024 * 1024)
    try:
        return _loaded(text)
    except json.JSONDecodeError as error:
        raise FileProblem(f"{path}, line {error.lineno}: not valid JSON: {error.msg}") from None
    except _NumberNotHeldError as error:
        raise FileProblem(f"{path}: {error} is not a JSON number that a computer holds") from None
    except RecursionError:
        raise FileProblem(f"{path}: nested too deeply for a file of ours") from None


def facts_of_line(line: bytes | str) -> dict[str, Any] | None:
    """Return the facts that a line of a JSON Lines file holds; None: it is none, or holds what `read_json` refuses."""
    try:
        facts = _loaded(line if isinstance(line, str) else line.decode("utf-8"))
    except (ValueError, RecursionError):
        return None
    return facts if isinstance(facts, dict) else None


class _NumberNotHeldError(ValueError):
    """A number that no computer holds. Its text is the number's beginning."""


def _loaded(text: str) -> Any:
    """Return the content of JSON text. Raises ValueError, also for NaN and what is too large; RecursionError."""

    def refuse(constant: str) -> Any:
        raise _NumberNotHeldError(constant[:20])

    def held(number: str) -> float:
        return value if math.isfinite(value := float(number)) else refuse(number)

    def whole(number: str) -> int:
        return int(number) if math.isfinite(held(number)) else refuse(number)

    # Python's own reading of numbers is several times as fast, and makes infinity of one that is too large.
    checked: dict[str, Any] = {"parse_float": held, "parse_int": whole} if _may_be_too_large(text) else {}
    return json.loads(text, parse_constant=refuse, **checked)


def _may_be_too_large(text: str) -> bool:
    form = text.encode().translate(_FORM)
    return any(large in form for large in _MAYBE_TOO_LARGE)


def to_json(value: Any) -> str:
    """Return JSON text. NaN and infinities raise ValueError: unknown is null, and that is for the caller to say."""
    return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def write_new(path: Path, write: Callable[[Path], None]) -> None:
    """Create a file whole or not at all, and never over another one.

    write : called with a temporary path in the same folder; the file that it makes is synced and linked into place.
    Raises FileProblem: exists already, folder missing, read-only, disk full.
    """
    with translated(path, "write"):
        # Opening the folder's own temporary file first: a missing or read-only folder is found before any work.
        handle, name = tempfile.mkstemp(prefix=".writing-", suffix=path.suffix, dir=path.parent)
        os.close(handle)
    temporary = Path(name)
    try:
        with translated(path, "write"):
            if path.exists():
                raise FileExistsError(path)
            write(temporary)
            temporary.chmod(0o666 & ~_umask())
            _sync(temporary)
            try:
                os.link(temporary, path)  # atomic, and fails when the name is taken
            except FileExistsError:
                raise
            except OSError:  # a file system without hard links
                if path.exists():
                    raise FileExistsError(path) from None
                temporary.rename(path)
            sync_folder(path.parent)
    finally:
        temporary.unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _sync(path: Path) -> None:
    with path.open("rb") as handle:
        os.fsync(handle.fileno())


def sync_folder(folder: Path) -> None:
    """Make a new name in a folder survive a power cut (where the system can)."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def refuse_unwritable(path: Path) -> None:
    """Raise FileProblem where a new file can't be made: before what it is for has been done, or has sounded."""
    with translated(path, "write"):
        if path.exists():
            raise FileExistsError
        if not path.parent.is_dir():
            raise FileNotFoundError
        if not os.access(path.parent, os.W_OK):
            raise PermissionError


def write_new_text(path: Path, text: str) -> None:
    """Create a text file whole or not at all, never over another one."""
    write_new(path, lambda temporary: _write_bytes(temporary, text.encode("utf-8")))


def write_new_json(path: Path, value: Any) -> None:
    """Create a JSON file whole or not at all, never over another one."""
    write_new_text(path, to_json(value))


def _write_bytes(path: Path, data: bytes) -> None:
    path.write_bytes(data)


@contextlib.contextmanager
def undisturbed() -> Iterator[None]:
    """Keep signals waiting while the context lasts, so that files that belong together are written together."""
    came: list[int] = []
    former: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGTSTP"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                former[number] = signal.signal(number, lambda number, _: came.append(number))
    try:
        yield
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)
    for number in came[:1]:
        signal.raise_signal(number)


#: What must be free before something is captured: more than any one capture of a plan takes.
ROOM_BYTES = 64 * 1024 * 1024


def refuse_full_disk(folder: Path, *, needed_bytes: int = ROOM_BYTES) -> None:
    """Raise DiskFull when a capture would not fit: before it is played, so that none is lost."""
    with translated(folder, "write"):
        free = shutil.disk_usage(folder).free
    if free < needed_bytes:
        raise DiskFull(
            f"only {free // 1_000_000} MB are free in {folder}, and captures need {needed_bytes // 1_000_000} MB: free "
            "some space first; nothing was played"
        )


def sha256_of(path: Path | str) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal. Raises FileProblem."""
    hashed = hashlib.sha256()
    # hashlib.file_digest clears a large buffer for each file: thousands of small ones would wait for that.
    with translated(path, "read"), FileIO(path) as handle:
        while block := handle.read(_HASHED_BYTES):
            hashed.update(block)
    return hashed.hexdigest()


def shipped(*parts: str) -> Path:
    """Return the path of a file that ships with audiomeas (calibrations/…, examples/…).

    In a wheel these folders travel inside the package; in a checkout they stand at the top level.
    """
    package = Path(__file__).resolve().parent
    inside = package.joinpath("shipped", *parts)
    return inside if inside.exists() else package.parent.joinpath(*parts)


def free_name(folder: Path, stem: str, suffix: str) -> Path:
    """Return a path in a folder that no file has yet: stem.suffix, stem-2.suffix, …"""
    candidate = folder / f"{stem}{suffix}"
    number = 2
    while candidate.exists():
        candidate = folder / f"{stem}-{number}{suffix}"
        number += 1
    return candidate
