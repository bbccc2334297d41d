"""Photos and papers of a unit: any file, copied whole beside its visits, named for what it holds, never overwritten."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import sha256_of, sync_folder, translated, write_new
from audiomeas.record.entry import Attachment
from audiomeas.record.unit import slug
from audiomeas.record.unit_folder import ATTACHMENTS_FOLDER

#: The largest file that is copied: a film of minutes, or a book of scans.
MOST_BYTES = 512 * 1024 * 1024
#: Endings that pictures and films have; everything else is a paper.
_PICTURES = frozenset({
    ".avif", ".bmp", ".dng", ".gif", ".heic", ".heif", ".jpeg", ".jpg", ".m4v", ".mov", ".mp4", ".png", ".tif", ".tiff",
    ".webm", ".webp",
})  # fmt: skip
_CHUNK_BYTES = 1024 * 1024
_LONGEST_STEM = 40
_DIGEST_LETTERS = 10


def kind_of(file: Path) -> str:
    """Return 'photo' or 'paper', by a file's ending."""
    return "photo" if file.suffix.lower() in _PICTURES else "paper"


def attached(unit_folder: Path, source: Path, *, caption: str) -> Attachment:
    """Copy a file into a unit's folder, and return what it is. A file that is there already is not copied again.

    Its name is made of plain letters, with the beginning of its SHA-256: two different files never share one.
    Raises FileProblem: missing, no regular file, empty, too large, changed while it was copied; disk full.
    """
    size_bytes = checked_size(source)
    digest = sha256_of(source)
    folder = unit_folder / ATTACHMENTS_FOLDER
    with translated(folder, "write"):
        folder.mkdir(exist_ok=True)
    sync_folder(unit_folder)
    copy = folder / _safe_name(source, digest)
    if not copy.exists():
        write_new(copy, lambda temporary: _copy(source, temporary, digest))
    elif sha256_of(copy) != digest:
        raise FileProblem(f"{copy} is not the file that its name tells of: move it away, then attach {source} again")
    return Attachment(
        file=f"{ATTACHMENTS_FOLDER}/{copy.name}",
        name=_printable(source.name),
        sha256=digest,
        size_bytes=size_bytes,
        caption=caption,
    )


def checked_size(source: Path) -> int:
    """Return how many bytes a file has that can be attached. Raises FileProblem, RequestError: it can't."""
    with translated(source, "read"):
        if source.exists() and not source.is_file():
            raise FileProblem(f"{source} is no regular file: attach one file after the other")
        size_bytes = source.stat().st_size
    if size_bytes == 0:
        raise FileProblem(f"{source} is empty: there is nothing to attach")
    if size_bytes > MOST_BYTES:
        raise RequestError(
            f"{source} has {size_bytes // 1_000_000} MB, and at most {MOST_BYTES // 1_000_000} MB are attached: make "
            "it smaller, or keep it elsewhere and attach a note"
        )
    return size_bytes


def _safe_name(source: Path, digest: str) -> str:
    stem = slug(source.stem, otherwise="file", longest=_LONGEST_STEM)
    suffix = re.sub(r"[^a-z0-9]", "", source.suffix.lower())[:10]
    return f"{stem}-{digest[:_DIGEST_LETTERS]}" + (f".{suffix}" if suffix else "")


def _printable(name: str) -> str:
    """Return a file's name as it may stand in a line: what can't be printed becomes '?'."""
    return "".join(sign if sign.isprintable() else "?" for sign in name)


def _copy(source: Path, target: Path, digest: str) -> None:
    """Copy, and hold what was written against the digest: it must be what was read before. Raises OSError."""
    copied = hashlib.sha256()
    with source.open("rb") as reading, target.open("wb") as writing:
        while chunk := reading.read(_CHUNK_BYTES):
            copied.update(chunk)
            writing.write(chunk)
    if copied.hexdigest() != digest:
        raise FileProblem(f"{source} changed while it was copied: close it in other programs, then attach it again")
