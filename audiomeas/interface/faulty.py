"""An interface that misbehaves on purpose, around any other, so that what bench, plan and person do can be rehearsed.

The faults lie between the card and the `Transport`, where a driver's own faults lie, so that all above meets them as it
would meet true ones. A card's capture passes a store of a few blocks, from which frames are taken away, doubled or
changed in order; what is played is left alone.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import DeviceError
from audiomeas.interface.protocol import BlockMover, Interface, InterfaceIdentity, StreamFormat
from audiomeas.interface.transport import from_fractions, to_fractions

#: What each fault does, in words; its size, where it has one, is put in.
KINDS = {
    "lost": "{frames} frames are lost",
    "repeated": "{frames} frames are repeated",
    "swapped": "two blocks of {frames} frames are swapped",
    "delayed": "{frames} frames of silence come between, and all after them is late",
    "zeros": "{frames} frames are exact zeros",
    "over-range": "{frames} frames stand at the end code",
    "not a number": "{frames} frames are no numbers",
    "gain step": "the level steps by {size:g} dB",
    "clock step": "the capturing clock runs {size:g} ppm faster",
    "other rate": "the card captures at {size:g} times the rate that was asked for",
    "hangs": "the driver moves no samples any more",
    "gone": "the card is gone",
    "flag": "the driver reports an overflow",
}
#: Kinds with a size, and what it is usually; all others but the last three have a number of frames.
SIZES = {"gain step": -6.0, "clock step": 100.0, "other rate": 48_000.0 / 44_100.0}
WITHOUT_FRAMES = (*SIZES, "hangs", "gone", "flag")
#: Frames of a fault that says none.
USUAL_FRAMES = 512
#: So many of a fault's blocks must be in the store when it begins.
_BLOCKS_AHEAD = {"lost": 2, "swapped": 2, "repeated": 1}
#: A stream without samples any more looks so often whether it may end.
_IDLE_S = 0.01


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One fault. kind : of KINDS.  at_s : after a stream's beginning.  frames, size : see KINDS.

    stream : the first stream that it hits, counted from 1 (the first look is the first of a session).  times : how
    many streams from there on; None: all.  A card that is 'gone' is missing for so many streams more, then it is back.
    """

    kind: str
    at_s: float = 0.0
    frames: int = USUAL_FRAMES
    size: float = 0.0
    stream: int = 1
    times: int | None = 1

    def words(self) -> str:
        """Return what happens, where and how often."""
        what = KINDS[self.kind].format(frames=self.frames, size=self.size)
        which = f"from stream {self.stream} on" if self.times is None else f"in {self.times} from stream {self.stream}"
        return f"{what} {self.at_s:g} s after the beginning, {which}"

    def hits(self, stream: int) -> bool:
        """Return whether a stream is hit, counted from 1."""
        return stream >= self.stream and (self.times is None or stream < self.stream + self.times)

    def keeps_out(self, stream: int) -> bool:
        """Return whether a stream can't be opened, as the card was lost in one before."""
        return self.kind == "gone" and (
            stream > self.stream and (self.times is None or stream <= self.stream + self.times)
        )


class FaultyInterface:
    """Another interface with faults; an `Interface`."""

    def __init__(self, interface: Interface, faults: Sequence[Fault]) -> None:
        self._interface = interface
        self._faults = tuple(faults)
        self._streams = 0

    @property
    def identity(self) -> InterfaceIdentity:
        """The other interface's."""
        return self._interface.identity

    @contextmanager
    def stream(self, form: StreamFormat, mover: BlockMover) -> Iterator[None]:
        """Run a stream of the other interface with the faults that hit it. Raises DeviceError. See `Interface`."""
        self._streams += 1
        if any(fault.keeps_out(self._streams) for fault in self._faults):
            raise DeviceError(f"{self.identity.name} is not there (a rehearsed fault): plug it in again")
        # A card that is gone ends one stream; those after it can't be opened.
        hit = [
            fault
            for fault in self._faults
            if (fault.stream == self._streams if fault.kind == "gone" else fault.hits(self._streams))
        ]
        with self._interface.stream(form, _Between(mover, form, hit) if hit else mover):
            yield


class _Between:
    """What moves blocks while a stream is hit."""

    def __init__(self, mover: BlockMover, form: StreamFormat, faults: Sequence[Fault]) -> None:
        self._mover, self._form = mover, form
        self._faults = sorted(faults, key=lambda fault: fault.at_s)
        self._position = 0  # of the first frame in the store, on the card's own count
        # What may be lost, doubled or changed in order must have come before it is delivered.
        reserve = sum(_BLOCKS_AHEAD.get(fault.kind, 0) * fault.frames for fault in faults)
        self._store = np.zeros((reserve, form.input_channels))
        self._done: set[Fault] = set()
        self._left_over = 0.0  # of a frame, where a faster clock reads next

    def exchange(self, captured: NDArray[Any], to_play: NDArray[Any], flags: tuple[str, ...]) -> bool:
        """Hand a block on, with the faults that belong to it. See `BlockMover.exchange`."""
        self._store = np.concatenate([self._store, to_fractions(captured, self._form.sample_format)])
        for fault in self._due(("hangs", "gone"), len(to_play)):
            self._done.add(fault)
        if any(fault.kind in ("hangs", "gone") for fault in self._done):
            to_play[:] = 0
            time.sleep(_IDLE_S)
            return True
        for fault in self._due(("flag",), len(to_play)):
            self._done.add(fault)
            flags = (*flags, "input overflow")
        for fault in self._due(("lost", "repeated", "swapped", "delayed"), len(to_play)):
            self._done.add(fault)
            self._move(fault)
        block = self._taken(len(to_play))
        return self._mover.exchange(from_fractions(block, self._form.sample_format), to_play, flags)

    def _frame(self, fault: Fault) -> int:
        return round(fault.at_s * self._form.sample_rate_hz)

    def _due(self, kinds: tuple[str, ...], frames: int) -> list[Fault]:
        """Return the faults of these kinds that begin in the next frames and were not met yet."""
        end = self._position + frames
        return [one for one in self._faults if one.kind in kinds and one not in self._done and self._frame(one) < end]

    def _move(self, fault: Fault) -> None:
        """Take frames out of the store, double them, or change their order."""
        at = max(0, self._frame(fault) - self._position)
        before, block, after = np.split(self._store, [at, at + fault.frames])
        if fault.kind == "lost":
            self._store = np.concatenate([before, after])
        elif fault.kind == "repeated":
            self._store = np.concatenate([before, block, block, after])
        elif fault.kind == "delayed":
            self._store = np.concatenate([before, np.zeros((fault.frames, before.shape[1])), block, after])
        else:
            next_block, rest = np.split(after, [fault.frames])
            self._store = np.concatenate([before, next_block, block, rest])

    def _taken(self, frames: int) -> NDArray[np.float64]:
        """Take a block out of the store, as a clock reads it, with what changes its values."""
        faster = 1.0
        for fault in self._faults:
            if self._frame(fault) < self._position + frames:
                if fault.kind == "clock step":
                    faster *= 1.0 + fault.size * 1e-6
                elif fault.kind == "other rate":
                    faster *= fault.size
        if faster == 1.0:
            block = self._store[:frames].copy()
            self._store = self._store[frames:]
        else:
            block = self._read_by(faster, frames)
        for fault in self._faults:
            self._change(fault, block)
        self._position += frames
        return block

    def _read_by(self, faster: float, frames: int) -> NDArray[np.float64]:
        """Return a block as a faster clock reads it. Straight lines between samples: this is a fault, no converter."""
        read = self._left_over + np.arange(frames) / faster
        places = np.arange(len(self._store))
        block = np.stack([np.interp(read, places, channel) for channel in self._store.T], axis=1)
        ahead = read[-1] + 1.0 / faster
        self._left_over = ahead % 1.0
        self._store = self._store[int(ahead) :]
        return np.asarray(block)

    def _change(self, fault: Fault, block: NDArray[np.float64]) -> None:
        """Change the values of a block that a fault lies in."""
        first = self._frame(fault) - self._position
        if first >= len(block):
            return
        rest = block[max(0, first) :]
        part = block[max(0, first) : max(0, first + fault.frames)]
        if fault.kind == "zeros":
            part[:] = 0.0
        elif fault.kind == "over-range":
            part[:] = 1.0
        elif fault.kind == "not a number":
            part[:] = np.nan
        elif fault.kind == "gain step":
            rest *= 10.0 ** (fault.size / 20.0)
