"""Move one stimulus out and one capture in, block by block, with the fade always at hand.

`Transport.exchange` runs in the interface's audio thread; `play` runs in the caller's thread, waits, and answers
signals. The same code serves the sound card and the simulated bench.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator, MutableSequence, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from types import FrameType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import CaptureError, DeviceError, Interrupted
from audiomeas.interface.protocol import CARRIER_DTYPE, Interface, InterfaceIdentity, StreamFormat

#: A fade lasts this long; with one block before it, the output is silent within 50 ms of the reason.
FADE_S = 0.02
#: The audio thread fades by itself when the caller's thread has not been heard of for this long.
FEEDER_LATE_S = 1.0
#: No block for this long means that the driver hangs.
DRIVER_HANGS_S = 3.0
#: So begins why a capture was stopped, where the captured signal was the reason; the channel's number follows.
STOPPED_BY_INPUT = "input channel"
#: Integer formats: the largest code; float: full scale.
FULL_SCALE_CODE = {"int16": 32767.0, "int24": 8388607.0, "float32": 1.0}

Progress = Callable[[float], None]
#: Asked with each captured block (fractions, (frames, channels)) and its length in seconds, in the audio thread:
#: what it protects has had enough, in words; '' while it has not.
Also = Callable[[NDArray[np.float64], float], str]


@dataclass(frozen=True, kw_only=True)
class Watch:
    """Ceilings on what is captured, per input channel, in fractions of a full-scale peak; beyond them the output fades.

    peak_fs : largest allowed instantaneous value.  rms_fs : largest allowed r.m.s. over `rms_s` (in peak full-scale
    units: a full-scale sine has 0.7071).  what : says what a ceiling protects, for the message.
    also : what else is asked of each block (see `Also`).
    """

    peak_fs: tuple[float, ...]
    rms_fs: tuple[float, ...]
    rms_s: float = 0.1
    what: str = "the ceiling of unit or load"
    also: Also | None = None


@dataclass(frozen=True, kw_only=True)
class Capture:
    """Samples as delivered, and all that is known of how they came.

    samples : (frames, channels) in the carrier dtype of `form.sample_format`.
    flags : (first frame of the block, what the driver said).
    stopped : why it ended early ('' when it ran to its end).  unwell : the samples can't be trusted because of …
    """

    samples: NDArray[Any]
    form: StreamFormat
    identity: InterfaceIdentity
    started_at: datetime
    flags: tuple[tuple[int, str], ...] = ()
    stopped: str = ""
    signal_number: int | None = None
    played_frames: int = 0

    def of_channels(self, channels: Sequence[int]) -> NDArray[Any]:
        """Return the samples of some channels, (frames, len(channels)); of all of them no copy. channels : 1-based."""
        columns = [channel - 1 for channel in channels]
        return self.samples if columns == list(range(self.samples.shape[1])) else self.samples[:, columns]

    def fractions(self) -> NDArray[np.float64]:
        """Return the samples as fractions of full scale, (frames, channels): 1.0 is the largest code."""
        return to_fractions(self.samples, self.form.sample_format)


def to_fractions(samples: NDArray[Any], sample_format: str) -> NDArray[np.float64]:
    """Return samples in a carrier dtype as float64 fractions of a full-scale peak."""
    if sample_format == "float32":
        return samples.astype(np.float64)
    # One division: that by 256 is exact, so nothing is rounded twice.
    unit = 256.0 if sample_format == "int24" else 1.0
    return np.asarray(np.divide(samples, unit * FULL_SCALE_CODE[sample_format], dtype=np.float64))


def from_fractions(fractions: NDArray[np.float64], sample_format: str) -> NDArray[Any]:
    """Return float64 fractions of full scale in a carrier dtype: rounded to the format's step, limited to its codes."""
    if sample_format == "float32":
        return fractions.astype(np.float32)
    code = FULL_SCALE_CODE[sample_format]
    codes = np.clip(np.rint(fractions * code), -code, code)
    if sample_format == "int24":
        return (codes.astype(np.int64) * 256).astype(np.int32)
    return codes.astype(np.int16)


@dataclass
class Transport:
    """The state of one playing. Filled blocks out, captured blocks in; fades on request, on a ceiling, when alone."""

    output_fs: NDArray[np.float64]
    form: StreamFormat
    watch: Watch | None = None
    #: Frames captured after the last one played, for the latency.
    tail_frames: int = 0
    feeder_late_s: float = FEEDER_LATE_S

    position: int = 0
    flags: MutableSequence[tuple[int, str]] = field(default_factory=list)
    stopped: str = ""
    done: threading.Event = field(default_factory=threading.Event)
    heard_at_s: float = field(default_factory=time.monotonic)
    block_at_s: float = field(default_factory=time.monotonic)

    def __post_init__(self) -> None:
        rate_hz = self.form.sample_rate_hz
        self.total_frames = len(self.output_fs) + self.tail_frames
        self.captured = np.zeros((self.total_frames, self.form.input_channels), CARRIER_DTYPE[self.form.sample_format])
        self._fade_frames = max(1, round(FADE_S * rate_hz))
        self._fade = 0.5 * (1.0 + np.cos(np.pi * (np.arange(self._fade_frames) + 0.5) / self._fade_frames))
        self._fade_from: int | None = None
        self._recent: list[tuple[int, NDArray[np.float64]]] = []

    def request_fade(self, reason: str) -> None:
        """Fade to silence from the next block on (callable from any thread and from a signal handler)."""
        if not self.stopped:
            self.stopped = reason

    def exchange(self, captured: NDArray[Any], to_play: NDArray[Any], flags: tuple[str, ...]) -> bool:
        """Take one captured block and fill one to play. See `BlockMover.exchange`."""
        self.block_at_s = time.monotonic()
        if self.done.is_set():
            to_play[:] = 0
            return False
        try:
            return self._exchange(captured, to_play, flags)
        except Exception as error:
            to_play[:] = 0
            self.stopped = f"an internal error while playing ({type(error).__name__}: {error})"
            self.done.set()
            return False

    def _exchange(self, captured: NDArray[Any], to_play: NDArray[Any], flags: tuple[str, ...]) -> bool:
        frames = len(to_play)
        self.flags.extend((self.position, flag) for flag in flags)
        self._store(captured)
        if self.watch is not None and not self.stopped:
            self._look_at(captured)
        if not self.stopped and self.block_at_s - self._last_heard_s() > self.feeder_late_s:
            self.stopped = f"the program did not answer for {self.feeder_late_s:g} s"
        self._fill(to_play)
        self.position += frames
        faded = self._fade_from is not None and self.position >= self._fade_from + self._fade_frames + self.tail_frames
        if self.position >= self.total_frames or faded:
            self.position = min(self.position, self.total_frames)
            self.done.set()
            return False
        return True

    def _store(self, captured: NDArray[Any]) -> None:
        """Keep a captured block. (A stream without an end keeps only its last seconds: `interface.streaming`.)"""
        keep = min(len(captured), self.total_frames - self.position)
        self.captured[self.position : self.position + keep] = captured[:keep]

    def _last_heard_s(self) -> float:
        """Return when the caller's thread was heard of last."""
        return self.heard_at_s

    def _next_block(self, frames: int) -> NDArray[np.float64]:
        """Return what comes next, in fractions of full scale, (frames, output channels)."""
        block = np.zeros((frames, self.form.output_channels))
        part = self.output_fs[self.position : self.position + frames]
        block[: len(part)] = part
        return block

    def _fill(self, to_play: NDArray[Any]) -> None:
        frames = len(to_play)
        block = self._next_block(frames)
        if self.stopped:
            if self._fade_from is None:
                self._fade_from = self.position
            done = self.position - self._fade_from
            gain = np.zeros(frames)
            rest = self._fade[done : done + frames]
            gain[: len(rest)] = rest
            block *= gain[:, None]
        to_play[:] = from_fractions(block, self.form.sample_format)

    def _look_at(self, captured: NDArray[Any]) -> None:
        """Fade when the captured block passes a ceiling (peak at once; r.m.s. over the last blocks)."""
        assert self.watch is not None
        block = to_fractions(captured, self.form.sample_format)
        if not np.all(np.isfinite(block)):
            self.stopped = "the driver delivered values that are no numbers"
            return
        squares: NDArray[np.float64] = np.sum(block * block, axis=0)
        self._recent.append((len(block), squares))
        while sum(frames for frames, _ in self._recent[1:]) >= self.watch.rms_s * self.form.sample_rate_hz:
            self._recent.pop(0)
        frames = sum(count for count, _ in self._recent)
        rms = np.sqrt(np.sum([total for _, total in self._recent], axis=0) / frames)
        full = frames >= self.watch.rms_s * self.form.sample_rate_hz
        for channel, (peak_fs, rms_fs) in enumerate(zip(self.watch.peak_fs, self.watch.rms_fs, strict=True)):
            peak = float(np.max(np.abs(block[:, channel])))
            if peak > peak_fs or (full and float(rms[channel]) > rms_fs):
                self.stopped = f"{STOPPED_BY_INPUT} {channel + 1} passed {self.watch.what}"
        if self.watch.also is not None and not self.stopped:
            self.stopped = self.watch.also(block, len(block) / self.form.sample_rate_hz)


def interrupted(stopped: str) -> Interrupted:
    """Return what a playing that a signal stopped is told as. stopped : why."""
    return Interrupted(f"stopped by {stopped}: the output was faded to silence")


def beyond_ceiling(stopped: str) -> CaptureError:
    """Return what a playing that the watch stopped is told as. stopped : why, beginning with STOPPED_BY_INPUT."""
    return CaptureError(f"{stopped}: the output was faded to silence; lower the level and look why")


#: Signals that fade first. Not all exist on every system.
_FADING = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGTSTP") if hasattr(signal, name)]


@contextmanager
def fading_on_signals(transport: Transport) -> Iterator[list[int]]:
    """While the context lasts, signals ask for a fade instead of ending the program; which came is in the list."""
    came: list[int] = []

    def answer(number: int, _: FrameType | None) -> None:
        came.append(number)
        transport.request_fade(signal.Signals(number).name)

    if threading.current_thread() is not threading.main_thread():
        yield came
        return
    former: dict[int, Any] = {}
    try:
        for number in _FADING:
            if signal.getsignal(number) is not signal.SIG_IGN:  # under nohup, SIGHUP stays ignored
                former[number] = signal.signal(number, answer)
        yield came
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)


def play(
    interface: Interface,
    output_fs: NDArray[np.float64],
    form: StreamFormat,
    *,
    tail_frames: int = 0,
    watch: Watch | None = None,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Capture:
    """Play fractions of full scale, (frames, channels), and return what came in over the same time and the tail.

    Always returns what was captured: when it ended early, `stopped` says why and the output was faded first.
    Raises DeviceError when the interface is absent, busy, refuses the format, or delivers nothing at all.
    """
    transport = Transport(output_fs=output_fs, form=form, watch=watch, tail_frames=tail_frames)
    identity = interface.identity
    started_at = datetime.now(UTC)
    with fading_on_signals(transport) as came:
        transport.heard_at_s = float("inf")  # opening a device may take its time: nobody is late before the wait
        with interface.stream(form, transport):
            transport.block_at_s = time.monotonic()
            _wait(transport, progress, cancelled)
    suspend_when_asked(came)
    return Capture(
        samples=transport.captured[: transport.position],
        form=form,
        identity=identity,
        started_at=started_at,
        flags=tuple(transport.flags),
        stopped=transport.stopped,
        signal_number=came[0] if came else None,
        played_frames=min(transport.position, len(output_fs)),
    )


def _wait(transport: Transport, progress: Progress | None, cancelled: Callable[[], bool] | None) -> None:
    transport.heard_at_s = time.monotonic()
    while not transport.done.wait(0.02):
        now_s = time.monotonic()
        transport.heard_at_s = now_s
        if cancelled is not None and cancelled():
            transport.request_fade("cancelled")
        if progress is not None:
            progress(min(1.0, transport.position / transport.total_frames))
        give_up_when_it_hangs(transport, now_s)
    if progress is not None:
        progress(1.0)


def give_up_when_it_hangs(transport: Transport, now_s: float) -> None:
    """End a transport whose driver moves no samples any more. Raises DeviceError when it never moved any."""
    if now_s - transport.block_at_s <= DRIVER_HANGS_S:
        return
    transport.stopped = transport.stopped or (f"the driver moved no samples for {DRIVER_HANGS_S:g} s")
    transport.done.set()
    if transport.position == 0:
        raise DeviceError(
            "the interface opened but moved no samples: check that no other program holds it, then try again"
        )


def suspend_when_asked(came: Sequence[int]) -> None:
    """Suspend the program when Ctrl-Z is among the signals that came, now that the output is silent."""
    if getattr(signal, "SIGTSTP", None) not in came:  # not on every system
        return
    with suppress(OSError, ValueError):
        former = signal.signal(signal.SIGTSTP, signal.SIG_DFL)
        signal.raise_signal(signal.SIGTSTP)
        signal.signal(signal.SIGTSTP, former)


def at_end_code(samples: NDArray[Any], sample_format: str) -> NDArray[np.bool_]:
    """Return where two consecutive samples of a channel stand at an end code, (frames, channels)."""
    fractions = np.abs(to_fractions(samples, sample_format))
    return consecutive_at(fractions, 1.0)


def consecutive_at(fractions: NDArray[np.float64], limit: float) -> NDArray[np.bool_]:
    """Return where a channel has two samples in a row at or beyond a limit, (frames, channels)."""
    at_end = fractions >= limit
    pairs: NDArray[np.bool_] = np.zeros_like(at_end)
    pairs[:-1] |= at_end[:-1] & at_end[1:]
    pairs[1:] |= at_end[:-1] & at_end[1:]
    return pairs


def flags_within(capture_flags: Sequence[tuple[int, str]], start: int, stop: int, block_frames: int) -> list[str]:
    """Return the driver's flags of the blocks that overlap a span of frames."""
    return [flag for frame, flag in capture_flags if frame < stop and frame + block_frames > start]
