"""Listening for as long as a side lasts, in constant memory: nothing is sent, and what comes in goes to the disk.

The audio thread only fills a ring; the caller's thread writes from there into a file without a name, and what was
captured is then seen through that file, as if it were in memory.
"""

from __future__ import annotations

import mmap
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.files import translated
from audiomeas.interface.pace import PACE_S, Pace
from audiomeas.interface.protocol import CARRIER_DTYPE, Interface, StreamFormat
from audiomeas.interface.streaming import StreamingTransport, streamed
from audiomeas.interface.transport import Capture, Watch

#: Where what is large waits: on a disk, which the folder for small things need not be (FHS 3.0, 5.15).
_SCRATCH = Path("/var/tmp")
#: The ring holds so much: a disk that is busy for long is waited for.
_HELD_S = 16.0
_LOOK_EVERY_S = 0.02
_WRITER = "writer"
#: Frames that are looked at or written at a time.
BLOCK_FRAMES = 1 << 17


class _Silence:
    """Zeros; waits where nothing else gives the time."""

    def __init__(self, channels: int, pace: Pace) -> None:
        self._channels, self._pace = channels, pace
        self._sent = 0

    def block_fs(self, frames: int) -> NDArray[np.float64]:
        self._pace.wait(self._sent + frames)
        self._sent += frames
        return np.zeros((frames, self._channels))


def listened(
    interface: Interface,
    form: StreamFormat,
    frames: int,
    *,
    watch: Watch | None = None,
    progress: Callable[[float], None] | None = None,
) -> Capture:
    """Capture so many frames with nothing sent; `Capture.samples` lie in a file that is gone with them.

    Returns what came, as `transport.play` does; `stopped` says why it ended early. Raises DeviceError, FileProblem (no
    room on the disk).
    """
    identity, started_at = interface.identity, datetime.now(UTC)
    pace = Pace(form.sample_rate_hz, waits=identity.simulated)
    transport = StreamingTransport(
        _Silence(form.output_channels, pace), form, watch=watch, ears=(_WRITER,), hold_s=_HELD_S
    )
    transport.total_frames = frames
    with translated(scratch_folder(), "write"):
        file = tempfile.TemporaryFile(dir=scratch_folder())  # noqa: SIM115  the mapping keeps it open
    with streamed(interface, transport) as came:
        written = _written(transport, pace, file, progress)
    return Capture(
        samples=_mapped(file, written, form),
        form=form,
        identity=identity,
        started_at=started_at,
        flags=tuple(transport.flags),
        stopped=transport.stopped if written < frames else "",
        signal_number=came[0] if came else None,
        played_frames=written,
    )


def scratch_folder() -> Path:
    """Return the folder where what is large waits; that for small things often is in the memory."""
    return _SCRATCH if _SCRATCH.is_dir() else Path(tempfile.gettempdir())


def _written(
    transport: StreamingTransport, pace: Pace, file: IO[bytes], progress: Callable[[float], None] | None
) -> int:
    """Write what comes until the stream ends; return how many frames are there."""
    written = 0
    while True:
        transport.hear(_WRITER)
        transport.look_after()
        over = transport.done.is_set()
        ready = min(transport.position, transport.total_frames) - written
        size = min(ready, BLOCK_FRAMES)
        if size == 0 and over:
            break
        if size < BLOCK_FRAMES and not over and size < transport.form.sample_rate_hz * PACE_S:
            time.sleep(_LOOK_EVERY_S)
            continue
        try:
            heard = transport.part(written, size)
        except LookupError:
            transport.request_fade("the disk was too slow for the capture")
            break
        if heard is None:
            continue
        with translated(scratch_folder(), "write"):
            file.write(np.ascontiguousarray(heard.samples).tobytes())
        written += size
        pace.took(written)
        if progress is not None:
            progress(min(1.0, written / transport.total_frames))
    with translated(scratch_folder(), "write"):
        file.flush()
    return written


def _mapped(file: IO[bytes], frames: int, form: StreamFormat) -> NDArray[Any]:
    dtype = CARRIER_DTYPE[form.sample_format]
    if frames == 0:
        return np.zeros((0, form.input_channels), dtype)
    return np.memmap(file, dtype=dtype, mode="r", shape=(frames, form.input_channels))


def sample_blocks(
    samples: NDArray[Any], block_frames: int = BLOCK_FRAMES, *, overlap: int = 0
) -> Iterator[NDArray[Any]]:
    """Yield samples, (frames, channels), in blocks, each with so many frames of the one before it.

    What is seen through a file is let go of behind each block, so that the memory stays free.
    """
    for start in range(0, len(samples), block_frames):
        yield samples[max(0, start - overlap) : start + block_frames]
        held = getattr(samples, "_mmap", None)
        if held is not None and hasattr(mmap, "MADV_DONTNEED"):
            with suppress(ValueError, OSError):
                held.madvise(mmap.MADV_DONTNEED)
