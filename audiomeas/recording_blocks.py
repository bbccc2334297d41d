"""A capture in blocks: from memory, or from the disk in constant memory, so that an hour of noise can be analysed.

A recording on disk looks like any other, but holds no samples: they are decoded block by block when they are asked for,
by the same arithmetic, so that both give the same numbers, bit for bit. What can be known only when every sample was
seen (over-range, the step between values) is there after the last block (`completed`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.container import read_container
from audiomeas.errors import FileProblem
from audiomeas.recording import (
    FLOAT_STEPS,
    Recording,
    fractions_of,
    opened,
    plain_words,
    read_recording,
    refuse_form,
    refuse_no_sound,
    unreadable,
    with_sidecar_of,
)


@dataclass
class _Seen:
    """What the blocks read so far have shown of the samples."""

    step_fs: float | None = None
    #: What silence alone would tell of the step; it holds until a block is not silent.
    step_of_silence_fs: float | None = None
    over_range: NDArray[np.int64] | None = None
    last_at_end: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    last_counted: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))

    def note_step(self, step_fs: float | None, *, silent: bool) -> None:
        """Keep the smallest step: steps are powers of two of one unit, so it divides all the others."""
        if silent:
            self.step_of_silence_fs = step_fs
        elif step_fs is not None and (self.step_fs is None or step_fs < self.step_fs):
            self.step_fs = step_fs


@dataclass(frozen=True, kw_only=True)
class RecordingOnDisk(Recording):
    """A recording whose samples stay in its file. counts_fs : (0, channels).  file_frames : how many the file holds."""

    path: Path
    file_frames: int
    seen: _Seen = field(default_factory=_Seen, compare=False)

    @property
    def frames(self) -> int:
        """Samples per channel, in the file."""
        return self.file_frames

    def unread(self) -> RecordingOnDisk:
        """Return the same file as one of which nothing was seen: for a look at parts that are read again."""
        return dataclasses.replace(self, seen=_Seen())

    def completed(self) -> Recording:
        """Return the recording with what the blocks have shown: over-range and resolution. Holds no samples."""
        counts = self.seen.over_range
        return dataclasses.replace(
            self,
            over_range=() if counts is None else tuple(int(count) for count in counts),
            resolution_fs=self.seen.step_of_silence_fs if self.seen.step_fs is None else self.seen.step_fs,
        )


def open_recording(path: Path) -> Recording:
    """Return a capture whose samples are read in blocks, with its sidecar where there is one.

    A file whose header leaves its length open is read whole. Raises FileProblem as `recording.read_recording` does;
    for what its samples alone show, when the blocks are read.
    """
    import soundfile

    container = read_container(path)
    if container.data_size_at is not None:
        return read_recording(path)
    try:
        with opened(path, container) as handle:
            refuse_form(path, handle.subtype, handle.channels)
            frames, channels, rate_hz = handle.frames, handle.channels, float(handle.samplerate)
    except soundfile.LibsndfileError as error:
        raise unreadable(path, error) from None
    if frames == 0:
        raise FileProblem(f"{path} holds no samples")
    plain = RecordingOnDisk(
        counts_fs=np.zeros((0, channels)),
        sample_rate_hz=rate_hz,
        channels=tuple(range(1, channels + 1)),
        v_rms_at_full_scale=(None,) * channels,
        warnings=container.warnings,
        path=path,
        file_frames=frames,
    )
    return with_sidecar_of(path, plain)


def blocks_of(recording: Recording, start: int, stop: int, block_frames: int) -> Iterator[NDArray[np.float64]]:
    """Yield the frames from start to stop in blocks of (block_frames, channels), the last one shorter; in counts_fs.

    Raises FileProblem (a file that was cut, or that holds no sound) while it goes.
    """
    if not isinstance(recording, RecordingOnDisk):
        for first in range(start, stop, block_frames):
            yield recording.counts_fs[first : min(stop, first + block_frames)]
        return
    yield from _blocks_on_disk(recording, start, stop, block_frames)


def _blocks_on_disk(
    recording: RecordingOnDisk, start: int, stop: int, block_frames: int
) -> Iterator[NDArray[np.float64]]:
    import soundfile

    path = recording.path
    try:
        with opened(path, read_container(path)) as handle:
            handle.seek(start)
            place = start
            while place < stop:
                wanted = min(block_frames, stop - place)
                fractions = _read_block(handle, wanted, recording.seen)
                if len(fractions) < wanted:
                    raise FileProblem(
                        f"{path} is truncated: {recording.frames} frames announced, {place + len(fractions)} there"
                    )
                if not handle.subtype.startswith("PCM"):  # codes are always numbers
                    refuse_no_sound(path, fractions)
                _watch_ends(fractions, recording.seen)
                place += wanted
                yield fractions
    except soundfile.LibsndfileError as error:
        raise FileProblem(f"{path} can't be read as audio ({plain_words(error)}): is it truncated?") from None


def _read_block(handle: Any, frames: int, seen: _Seen) -> NDArray[np.float64]:
    """Read a block as fractions of full scale, and note the step of its values."""
    # Floats that stand on no grid have the smallest step there is: nothing to look for any more.
    smaller_yet = seen.step_fs != FLOAT_STEPS.get(handle.subtype)
    fractions, step_fs = fractions_of(handle, frames, with_step=smaller_yet)
    seen.note_step(step_fs, silent=not np.any(fractions))
    return fractions


def _watch_ends(fractions: NDArray[np.float64], seen: _Seen) -> None:
    """Count the frames where two samples in a row stand at an end code, across the seams too."""
    from audiomeas.interface.transport import consecutive_at

    channels, limit = fractions.shape[1], 1.0 - 1e-12
    if seen.over_range is None:
        seen.over_range = np.zeros(channels, dtype=np.int64)
        seen.last_at_end = seen.last_counted = np.zeros(channels, dtype=np.bool_)
    loud = max(float(np.max(fractions)), -float(np.min(fractions))) >= limit
    if loud or np.any(seen.last_at_end):
        at_end = np.abs(fractions) >= limit
        pairs = consecutive_at(np.vstack([seen.last_at_end, at_end]).astype(np.float64), 0.5)
        seen.over_range += np.count_nonzero(pairs[1:], axis=0) + (pairs[0] & ~seen.last_counted)
        seen.last_counted, seen.last_at_end = pairs[-1], at_end[-1]
    else:
        seen.last_counted = seen.last_at_end = np.zeros(channels, dtype=np.bool_)
