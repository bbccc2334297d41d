"""A person's own music file as a programme without an end: read in blocks, at the bench's rate, looped by a cross-fade.

Before anything sounds the whole loop is gone through once: its r.m.s. is what the stated watts are made of, and its
peak is what the interlock is asked for. A thread of its own reads ahead, so that a slow disk stops no audio thread.
"""

from __future__ import annotations

import itertools
import math
import queue
import threading
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import sha256_of

if TYPE_CHECKING:
    from audiomeas.recording import Recording

FloatArray = NDArray[np.float64]

#: The end of the file fades into its beginning over this, or over a quarter of a short one.
CROSS_FADE_S = 2.0
_SHORTEST_S = 1.0
#: One block is a second; so many are read ahead, and below so few of them the level falls before they run out.
_AHEAD, _FEWEST = 8, 2
#: Half length of the resampling filter in frames of the lower rate (scipy's `resample_poly` has 10 of them).
_HALF_FILTER = 10
#: An empty queue is waited for at most so long at once: the audio thread must go on.
_WAIT_S = 0.5
_MOST_CHANNELS = 2


@dataclass(frozen=True, kw_only=True)
class MusicFacts:
    """What a file is. rms_fs : of its louder channel over the loop.  crest : its peak over that.  loop_s : a pass."""

    path: Path
    sha256: str
    file_rate_hz: float
    channels: int
    loop_s: float
    rms_fs: float
    crest: float


def music_facts(path: Path, sample_rate_hz: float) -> MusicFacts:
    """Go through a file once, as it will be played. Raises FileProblem, RequestError (silent, too short, surround)."""
    recording = _opened(path)
    peak, squares, frames = 0.0, np.zeros(len(recording.channels)), 0
    for block in itertools.islice(_resampled(recording, sample_rate_hz), _blocks_of_a_pass(recording)):
        peak = max(peak, float(np.max(np.abs(block))))
        squares += np.sum(np.square(block), axis=0)
        frames += len(block)
    rms_fs = math.sqrt(float(np.max(squares)) / frames)
    if rms_fs == 0.0:
        raise RequestError(f"{path} holds nothing but silence: choose another file")
    return MusicFacts(
        path=path,
        sha256=sha256_of(path),
        file_rate_hz=recording.sample_rate_hz,
        channels=len(recording.channels),
        loop_s=(recording.frames - _fade_frames(recording)) / recording.sample_rate_hz,
        rms_fs=rms_fs,
        crest=peak / rms_fs,
    )


def _opened(path: Path) -> Recording:
    from audiomeas.recording_blocks import open_recording

    recording = open_recording(path)
    if len(recording.channels) > _MOST_CHANNELS:
        raise RequestError(f"{path} has {len(recording.channels)} channels: mix it down to one or two")
    if recording.frames < _SHORTEST_S * recording.sample_rate_hz:
        raise RequestError(f"{path} lasts less than {_SHORTEST_S:g} s: choose a longer one")
    if not float(recording.sample_rate_hz).is_integer():
        raise FileProblem(f"{path} states {recording.sample_rate_hz:g} Hz: no such rate can be played")
    return recording


def _blocks_of_a_pass(recording: Recording) -> int:
    """Return in how many seconds each part of the file, and its seam, has been heard."""
    return math.ceil(recording.frames / recording.sample_rate_hz) + 1


def _fade_frames(recording: Recording) -> int:
    return min(round(CROSS_FADE_S * recording.sample_rate_hz), recording.frames // 4)


def _looped(recording: Recording) -> Iterator[FloatArray]:
    """Yield the file again and again in blocks of any length, its end laid over its beginning by equal powers."""
    from audiomeas.recording_blocks import blocks_of

    fade, total, block = _fade_frames(recording), recording.frames, round(recording.sample_rate_hz)

    def part(start: int, stop: int) -> FloatArray:
        return np.concatenate(list(blocks_of(recording, start, stop, block)))

    angle = 0.5 * np.pi * (np.arange(fade) + 0.5) / fade
    head, tail = part(0, fade), part(total - fade, total)
    seam = tail * np.cos(angle)[:, None] + head * np.sin(angle)[:, None]
    yield head
    while True:
        yield from blocks_of(recording, fade, total - fade, block)
        yield seam


def _exactly(blocks: Iterator[FloatArray], frames: int) -> Iterator[FloatArray]:
    """Yield the same samples in blocks of one length."""
    held: list[FloatArray] = []
    have = 0
    for block in blocks:
        held.append(block)
        have += len(block)
        while have >= frames:
            joined = np.concatenate(held)
            yield joined[:frames]
            held, have = [joined[frames:]], have - frames


def _resampled(recording: Recording, sample_rate_hz: float) -> Iterator[FloatArray]:
    """Yield the loop in seconds at a rate. A whole second is a whole number of frames at both, so nothing drifts."""
    file_rate, rate = round(recording.sample_rate_hz), round(sample_rate_hz)
    seconds = _exactly(_looped(recording), file_rate)
    if file_rate == rate:
        yield from seconds
        return
    from scipy.signal import resample_poly

    shared = math.gcd(file_rate, rate)
    up, down = rate // shared, file_rate // shared
    # Frames on both sides that the filter reaches into, a whole number of the steps that both rates share.
    reach = down * math.ceil((_HALF_FILTER * max(up, down) / up + 1) / down)
    before = np.zeros((reach, len(recording.channels)))
    this = next(seconds)
    for after in seconds:
        joined = np.concatenate([before, this, after[:reach]])
        start = reach // down * up
        yield np.asarray(resample_poly(joined, up, down, axis=0)[start : start + rate])
        before, this = this[-reach:], after


class Music:
    """A file that plays, r.m.s. 1 of its louder channel. A context manager: leaving it ends its thread."""

    def __init__(self, facts: MusicFacts, sample_rate_hz: float) -> None:
        self.crest = facts.crest
        self._scale = 1.0 / facts.rms_fs
        self._blocks = _resampled(_opened(facts.path), sample_rate_hz)
        self._ahead: queue.Queue[FloatArray] = queue.Queue(_AHEAD)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._read, name="audiomeas-music", daemon=True)
        self._rest: FloatArray = np.zeros((0, facts.channels))
        self.failure: Exception | None = None

    def __enter__(self) -> Music:
        self._thread.start()
        return self

    def __exit__(self, *_: Any) -> None:
        self._over.set()
        with suppress(queue.Empty):
            self._ahead.get_nowait()  # a thread that waits for room sees that it is over
        self._thread.join(_WAIT_S)

    #: Whether `block` may wait for the disk: only where no card waits for samples.
    waits = False

    @property
    def starving(self) -> bool:
        """Fewer seconds are read ahead than a fall of the level needs, or reading has failed."""
        return self.failure is not None or (not self.waits and self._ahead.qsize() < _FEWEST)

    def filled(self) -> bool:
        """Return whether enough is read ahead to begin, or will never be."""
        return self.failure is not None or self._ahead.qsize() >= _FEWEST

    def block(self, frames: int) -> FloatArray:
        """Return the next frames, (frames, channels). Silence where nothing was read in time (`failure`)."""
        parts, have = [], 0
        while have < frames:
            if not len(self._rest):
                self._rest = self._next()
                if not len(self._rest):
                    parts.append(np.zeros((frames - have, self._rest.shape[1])))
                    break
            part, self._rest = self._rest[: frames - have], self._rest[frames - have :]
            parts.append(part)
            have += len(part)
        return np.asarray(np.concatenate(parts) * self._scale)

    def _next(self) -> FloatArray:
        """Return the next second; nothing where it was not read in time."""
        try:
            return self._ahead.get(timeout=_WAIT_S) if self.waits else self._ahead.get_nowait()
        except queue.Empty:
            return self._rest

    def _read(self) -> None:
        try:
            for block in self._blocks:
                self._put(block)
                if self._over.is_set():
                    return
        except Exception as error:
            self.failure = error

    def _put(self, block: FloatArray) -> None:
        while not self._over.is_set():
            try:
                self._ahead.put(block, timeout=_WAIT_S)
                return
            except queue.Full:
                continue
