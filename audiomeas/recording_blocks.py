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
    LOSSLESS,
    Recording,
    grid_step,
    opened,
    plain_words,
    refuse_no_sound,
    step_of_codes,
    with_sidecar_of,
)

#: PCM subtypes whose codes are read as integers → the form that turns them into fractions.
_INTEGER_FORMS = {"PCM_16": ("int16", "int16"), "PCM_24": ("int32", "int24")}


@dataclass
class _Seen:
    """What the blocks read so far have shown of the samples."""

    step_fs: float | None = None
    #: What silence alone would tell of the step; it holds until a block is not silent.
    step_of_silence_fs: float | None = None
    on_grid: bool = True
    over_range: NDArray[np.int64] | None = None
    last_at_end: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    last_counted: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    frames: int = 0

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
        from audiomeas.recording import read_recording

        return read_recording(path)
    try:
        with opened(path, container) as handle:
            if handle.subtype not in LOSSLESS:
                raise FileProblem(
                    f"{path} holds {handle.subtype} samples, which lose part of the sound: give a WAV or FLAC file "
                    "with PCM or float samples"
                )
            frames, channels, rate_hz = handle.frames, handle.channels, float(handle.samplerate)
    except soundfile.LibsndfileError as error:
        raise FileProblem(
            f"{path} can't be read as audio ({plain_words(error)}): a whole WAV or FLAC file was expected; is it "
            "truncated?"
        ) from None
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
    from audiomeas.interface.transport import to_fractions

    if handle.subtype in _INTEGER_FORMS:
        dtype, form = _INTEGER_FORMS[handle.subtype]
        codes = handle.read(frames, dtype=dtype, always_2d=True)
        seen.note_step(step_of_codes(codes, form), silent=not np.any(codes))
        return to_fractions(codes, form)
    samples: NDArray[np.float64] = handle.read(frames, dtype="float64", always_2d=True)
    silent = not np.any(samples)
    bits = {"PCM_32": 32, "PCM_S8": 8, "PCM_U8": 8}.get(handle.subtype)
    if bits is not None:
        full = 2.0 ** (bits - 1)
        seen.note_step((grid_step(samples * full) or 1.0) / (full - 1.0), silent=silent)
        return samples * (full / (full - 1.0))
    rounding = FLOAT_STEPS[handle.subtype]
    if seen.on_grid:
        grid = grid_step(samples * 2.0**31)
        seen.on_grid = silent or grid is not None
        seen.note_step(rounding if grid is None else max(grid / 2.0**31, rounding), silent=silent)
    return samples


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
    seen.frames += len(fractions)
