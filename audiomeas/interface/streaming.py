"""A sound without an end: made block by block while it plays, its level and frequency in a person's hand.

The blocks pass through `Transport`: the same watch, flags and fade, and the same dead-man. Only the last seconds of
what comes in are held, in a ring of fixed size. Whoever takes part (the person's thread, the analysis) is an ear: when
one of them has not been heard of for a second, the output fades.
"""

from __future__ import annotations

import collections
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from audiomeas.interface.protocol import CARRIER_DTYPE, Interface, StreamFormat
from audiomeas.interface.transport import (
    FEEDER_LATE_S,
    Transport,
    Watch,
    fading_on_signals,
    give_up_when_it_hangs,
    suspend_when_asked,
)

#: The driver's flags that are held, at most: those of many minutes of trouble.
_FLAGS_HELD = 1000
#: The ring holds this much more than is ever asked of it, so that what is being copied is not written over.
_SPARE_S = 1.0
#: How long leaving waits for the fade: a fade and the longest block, many times over.
_FADED_WITHIN_S = 0.5
#: How often a copy that the audio thread has caught up with is made again.
_COPIES = 3


class Source(Protocol):
    """What makes the sound, in the audio thread."""

    def block_fs(self, frames: int) -> NDArray[np.float64]:
        """Return the next frames in fractions of full scale, (frames, output channels)."""
        ...


class Ring:
    """The last frames that came in, as delivered. One thread writes, others copy; neither waits for the other."""

    def __init__(self, frames: int, channels: int, sample_format: str) -> None:
        # Filled, not only asked for: its memory is taken here, not page by page in the audio thread.
        self._held = np.full((frames, channels), 0, CARRIER_DTYPE[sample_format])
        self.written = 0

    def begin_again(self) -> None:
        """Hold nothing, in the same memory: for another stream, once the old one is closed."""
        self.written = 0

    def write(self, block: NDArray[Any]) -> None:
        """Add a block, (frames, channels), over the oldest."""
        size, whole = len(self._held), len(block)
        block = block[-size:]
        at = (self.written + whole - len(block)) % size
        first = min(len(block), size - at)
        self._held[at : at + first] = block[:first]
        self._held[: len(block) - first] = block[first:]
        self.written += whole

    def last(self, frames: int) -> tuple[int, NDArray[Any]]:
        """Return the newest frames (fewer where fewer came), (frames, channels), and the number of the first.

        Raises ValueError for more than the ring can give whole.
        """
        size = len(self._held)
        if frames > size:
            raise ValueError(f"the ring holds {size} frames, not {frames}")
        for _ in range(_COPIES):
            stop = self.written
            start = max(0, stop - frames)
            copied = self._copied(start, stop - start)
            if copied is not None:
                return start, copied
        raise ValueError("the newest frames are written over faster than they can be copied")

    def part(self, start: int, frames: int) -> NDArray[Any] | None:
        """Return frames by the number of the first, (frames, channels); None while they have not all come.

        Raises LookupError where they are written over already: whoever reads on without gaps came too late.
        """
        if self.written < start + frames:
            return None
        copied = self._copied(start, frames)
        if copied is None:
            raise LookupError(f"frame {start} is written over: {self.written} frames have come")
        return copied

    @property
    def oldest(self) -> int:
        """Number of the oldest frame that it surely still holds while a second more is written."""
        return max(0, self.written - len(self._held) // 2)

    def _copied(self, start: int, frames: int) -> NDArray[Any] | None:
        """Return a copy of frames that have come; None where they were written over before it was made."""
        size = len(self._held)
        at = start % size
        head = self._held[at : at + frames]  # two plain copies: they hold the audio thread up least
        copied = np.concatenate([head, self._held[: frames - len(head)]])
        return copied if self.written - start <= size else None


def ring_of(form: StreamFormat, hold_s: float) -> Ring:
    """Return an empty ring that a `StreamingTransport` of this form can give `hold_s` seconds from."""
    return Ring(round((hold_s + _SPARE_S) * form.sample_rate_hz), form.input_channels, form.sample_format)


@dataclass(frozen=True, kw_only=True)
class Heard:
    """The newest frames of a stream. samples : as delivered; start : number of the first; flags : as in `Capture`."""

    samples: NDArray[Any]
    start: int
    flags: tuple[tuple[int, str], ...]


class StreamingTransport(Transport):
    """A `Transport` whose sound has no end and comes from a source.

    ears : names of those who must be heard of, each at least once in `feeder_late_s`; none is late before `begin`.
    hold_s : how many seconds `newest` can give.
    ring : an empty one of `ring_of`, where streams follow each other and each is to hold in the same memory.
    """

    def __init__(
        self,
        source: Source,
        form: StreamFormat,
        *,
        watch: Watch | None,
        ears: Sequence[str],
        hold_s: float,
        feeder_late_s: float = FEEDER_LATE_S,
        ring: Ring | None = None,
    ) -> None:
        nothing = np.zeros((0, form.output_channels))
        super().__init__(output_fs=nothing, form=form, watch=watch, feeder_late_s=feeder_late_s)
        self.total_frames = sys.maxsize
        self.flags = collections.deque(maxlen=_FLAGS_HELD)
        self._source = source
        self._ring = ring_of(form, hold_s) if ring is None else ring
        self._heard_at_s = dict.fromkeys(ears, float("inf"))

    def begin(self) -> None:
        """From now on every ear must be heard of."""
        self.block_at_s = time.monotonic()
        for ear in self._heard_at_s:
            self.hear(ear)

    def hear(self, ear: str) -> None:
        """Say that an ear is alive. Raises KeyError for one that does not take part."""
        if ear not in self._heard_at_s:
            raise KeyError(ear)
        self._heard_at_s[ear] = time.monotonic()

    def newest(self, frames: int) -> Heard:
        """Return the newest frames; fewer where the stream is younger than that."""
        start, samples = self._ring.last(frames)
        flags = tuple((frame - start, flag) for frame, flag in tuple(self.flags) if frame >= start)
        return Heard(samples=samples, start=start, flags=flags)

    def part(self, start: int, frames: int) -> Heard | None:
        """Return frames by the number of the first; None while they have not all come. Raises as `Ring.part`."""
        samples = self._ring.part(start, frames)
        if samples is None:
            return None
        flags = tuple((frame - start, flag) for frame, flag in tuple(self.flags) if start <= frame < start + frames)
        return Heard(samples=samples, start=start, flags=flags)

    @property
    def oldest(self) -> int:
        """See `Ring.oldest`."""
        return self._ring.oldest

    def look_after(self) -> None:
        """Notice that the driver moves nothing any more. Raises DeviceError when it never moved anything."""
        give_up_when_it_hangs(self, time.monotonic())

    def _store(self, captured: NDArray[Any]) -> None:
        self._ring.write(captured)

    def _last_heard_s(self) -> float:
        return min(self._heard_at_s.values(), default=float("inf"))

    def _next_block(self, frames: int) -> NDArray[np.float64]:
        return self._source.block_fs(frames)


@contextmanager
def streamed(interface: Interface, transport: StreamingTransport) -> Iterator[list[int]]:
    """Run a stream while the context lasts; leaving it, for whatever reason, fades to silence first.

    Yields the signals that came (each asks for a fade; the body sees `stopped` and leaves). After SIGTSTP the program
    is suspended once the stream is closed. Raises DeviceError: absent, busy, format refused.
    """
    came: list[int] = []
    try:
        with fading_on_signals(transport) as came, interface.stream(transport.form, transport):
            transport.begin()
            try:
                yield came
            finally:
                transport.request_fade("ended")
                transport.done.wait(_FADED_WITHIN_S)
    finally:
        suspend_when_asked(came)
