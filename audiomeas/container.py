"""What an audio file says of itself before it is decoded: its form, and whether all bytes that it announces are there.

Sources: RIFF/WAVE (IBM and Microsoft, Multimedia Programming Interface 1.0, 1991), RF64 (EBU Tech 3306), FLAC
(RFC 9639); chunk layouts from memory. A library that decodes shortens a cut file without a word: so it is read here.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from audiomeas.errors import FileProblem
from audiomeas.files import translated

#: No card has more channels each way, and no capture.
MOST_CHANNELS = 64
#: What is said to everything that is not accepted.
_WANTED = "give a WAV or FLAC file with PCM or float samples"
#: Byte order of the sizes in each form of WAV.
_WAV_ORDER = {b"RIFF": "<", b"RF64": "<", b"RIFX": ">"}
#: Programs that write to a stream can't know the length: they leave one of these.
_UNKNOWN_SIZES = (0, 0xFFFFFFFF)
#: Lowest and highest sample rate that a header may state.
_RATES_HZ = (1_000, 1_536_000)
#: First bytes of what is often given instead, for a better word than 'foreign'.
_FOREIGN = {b"OggS": "Ogg", b"FORM": "AIFF", b"ID3": "MP3", b"\xff\xfb": "MP3", b"caff": "CAF", b".snd": "AU"}


@dataclass(frozen=True, kw_only=True)
class Container:
    """The form of an audio file. form : 'WAV' or 'FLAC'.

    data_size_at, data_bytes : WAV whose header leaves its length open: where the size of the samples belongs, and how
    many bytes of them are there.   warnings : what can't be known of the file.
    """

    form: str
    order: str = "<"
    data_size_at: int | None = None
    data_bytes: int = 0
    warnings: tuple[str, ...] = ()


def read_container(path: Path) -> Container:
    """Look at an audio file's header.

    Raises FileProblem: missing, empty, neither WAV (RIFF, RIFX, RF64) nor FLAC, or fewer bytes there than announced.
    """
    with translated(path, "read"), path.open("rb") as handle:
        size = os.fstat(handle.fileno()).st_size
        if size == 0:
            raise FileProblem(f"{path} is empty: {_WANTED}")
        head = handle.read(12)
        if head[:4] == b"fLaC":
            return Container(form="FLAC")
        if head[:4] in _WAV_ORDER and head[8:12] == b"WAVE":
            return _wav(path, handle, size, _WAV_ORDER[head[:4]], is_rf64=head[:4] == b"RF64")
    named = next((name for magic, name in _FOREIGN.items() if head.startswith(magic)), None)
    what = "is no WAV or FLAC file" if named is None else f"is {named}, not WAV or FLAC"
    raise FileProblem(f"{path} can't be read as audio: it {what}; {_WANTED}")


def _wav(path: Path, handle: BinaryIO, size: int, order: str, *, is_rf64: bool) -> Container:
    """Walk the chunks to the samples."""
    place, long_bytes = 12, None
    while place + 8 <= size:
        handle.seek(place)
        name, announced = struct.unpack(f"{order}4sI", handle.read(8))
        if name == b"ds64" and is_rf64 and place + 24 <= size:
            long_bytes = int(struct.unpack("<QQ", handle.read(16))[1])
        if name == b"fmt " and announced >= 16 and place + 24 <= size:
            _refuse_rate(path, struct.unpack(f"{order}HHI", handle.read(8))[2])
        if name == b"data":
            if is_rf64 and announced == 0xFFFFFFFF and long_bytes is not None:
                announced = long_bytes or 0xFFFFFFFF
            return _samples(path, handle, size, place + 8, announced, order)
        place += 8 + announced + announced % 2
    raise FileProblem(f"{path} can't be read as audio: its header holds no samples (no data chunk); is it cut?")


def _refuse_rate(path: Path, rate_hz: int) -> None:
    """Raise FileProblem for a sample rate that no converter has: every frequency would be wrong by it."""
    low_hz, high_hz = _RATES_HZ
    if not low_hz <= rate_hz <= high_hz:
        raise FileProblem(
            f"{path} can't be read as audio: its header states a sample rate of {rate_hz} Hz, which no converter has "
            f"({low_hz} to {high_hz} Hz); is it damaged?"
        )


def _samples(path: Path, handle: BinaryIO, size: int, start: int, announced: int, order: str) -> Container:
    """Compare what the header announces with what is there. start : first byte of the samples."""
    there = size - start
    if announced in _UNKNOWN_SIZES:
        if there == 0:
            raise FileProblem(f"{path} holds no samples")
        warning = (
            f"{path.name}: its header leaves the length open, as programs that stream do: whether its end is missing "
            "can't be told"
        )
        return Container(form="WAV", order=order, data_size_at=start - 4, data_bytes=there, warnings=(warning,))
    if there < announced:
        raise FileProblem(
            f"{path} is truncated: {announced} bytes of samples are announced, {there} are there; copy or capture it "
            "again"
        )
    behind = start + announced + announced % 2
    return Container(form="WAV", order=order, warnings=_behind(path, handle, size, behind))


def _behind(path: Path, handle: BinaryIO, size: int, place: int) -> tuple[str, ...]:
    """Return a warning when what follows the samples is no chunk: a writer that never finished its header."""
    handle.seek(place)
    name = handle.read(4)
    if size - place < 8 or all(32 <= byte < 127 for byte in name):
        return ()
    return (
        f"{path.name}: {size - place} bytes follow the samples that its header announces and belong to nothing: its "
        "writing was not finished, or the header is wrong; they are left out",
    )
