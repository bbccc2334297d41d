"""The stream of a soak, second by second and without a gap: what came back, and what was played then.

The audio thread plays and watches; the caller reads each second once, in order, and must be heard of at least once a
second. What could not be read in time is counted and told, never passed over. A simulated card has no time of its own:
it runs as fast as the seconds are read.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.programme_second import CONTEXT_S
from audiomeas.bench.live_output import live_transport
from audiomeas.interface.pace import PACE_S, Pace
from audiomeas.interface.protocol import StreamFormat
from audiomeas.interface.streaming import Heard, Ring, StreamingTransport, ring_of, streamed
from audiomeas.interface.transport import FEEDER_LATE_S
from audiomeas.measurement.session import Session
from audiomeas.measurement.soak_source import PlayedSound, SoakSound, playing
from audiomeas.measurement.streamed import why_it_ended

#: The caller, as one who must be heard of.
READER = "reader"
#: So much of the capture is held: what stands around an event, and what a busy machine is late by.
HELD_S = 16.0
#: Where no time passes but that of the computer, nobody is late who is only slow.
_NOBODY_LATE_S = 60.0
#: Behind a change of level and the latency, so long until seconds count: couplings and supplies come to rest.
SETTLE_S = 1.0


@dataclass(frozen=True, kw_only=True)
class Second:
    """One second of the stream. start : its first frame.  heard : it, with context on both sides of a programme.

    played_v : what was played then, as long as `heard`; None for a tone.  steady : nothing changed in it.
    missed_frames : before it, that were written over before they were read.   context_frames : before and after it.
    lead : of a tone, what came before `heard` and was as steady, for who looks over the border of two seconds.
    """

    start: int
    heard: Heard
    played_v: NDArray[np.float64] | None
    steady: bool
    missed_frames: int
    context_frames: int
    lead: Heard | None = None


@dataclass(frozen=True, kw_only=True)
class SoakRings:
    """What the streams of a soak hold in, one after the other. played : None for a tone.

    Made once: what a spot measurement leaves of the memory has no room for rings of each stream's own.
    """

    captured: Ring
    played: Ring | None

    def begin_again(self) -> None:
        """Hold nothing of the stream before."""
        self.captured.begin_again()
        if self.played is not None:
            self.played.begin_again()


def soak_rings(form: StreamFormat, sound: SoakSound) -> SoakRings:
    """Return the rings for the streams of a sound."""
    played = None if sound.is_tone else Ring(round(HELD_S * form.sample_rate_hz), form.output_channels, "float32")
    return SoakRings(captured=ring_of(form, HELD_S), played=played)


class _Kept:
    """Passes a sound on, keeps what was played where it is wanted, and waits where nothing else gives the time."""

    def __init__(self, sound: PlayedSound, ring: Ring | None, pace: Pace) -> None:
        self._sound, self._ring, self.pace = sound, ring, pace
        self.frame = 0

    def block_v(self, frames: int) -> NDArray[np.float64]:
        self.pace.wait(self.frame + frames)
        block = self._sound.block_v(frames)
        if self._ring is not None:
            self._ring.write(block.astype(np.float32))
        self.frame += frames
        return block


class SoakStream:
    """A stream that sounds until it is left. Made by `soak_stream`; silent until `sound(True)`.

    Every method raises what ended it: Interrupted, CaptureError (a ceiling), DeviceError (the stream was lost).
    """

    def __init__(
        self,
        session: Session,
        sound: SoakSound,
        played: PlayedSound,
        transport: StreamingTransport,
        kept: _Kept,
        ring: Ring | None,
        came: list[int],
    ) -> None:
        self._session, self._sound, self._played = session, sound, played
        self._transport, self._kept, self._ring, self._came = transport, kept, ring, came
        self.rate_hz = session.bench.form.sample_rate_hz
        self.second_frames = round(self.rate_hz)
        self._context = 0 if sound.is_tone else round(CONTEXT_S * self.rate_hz)
        #: By how many frames the capture lags; told more exactly by whoever reads a programme.
        self.latency_frames = round(session.first_look().latency_frames)
        self._next = self._context
        self._sounding = False
        #: What came before this has not heard yet what was asked last, even while the source does not know of it.
        self._asked_at = 0

    def sound(self, on: bool) -> None:
        """Rise to the level, or fall to silence."""
        self._sounding = on
        self._asked_at = self.frame
        self._played.sound(on)

    @property
    def sounding(self) -> bool:
        """It plays, or is on its way there."""
        return self._sounding

    @property
    def frame(self) -> int:
        """Frames that have come."""
        return self._transport.position

    def turn(self) -> None:
        """Say that the caller is alive, and raise what ended the stream."""
        self._transport.hear(READER)
        self._transport.look_after()
        if self._played.failure is not None:
            raise self._played.failure
        if self._transport.stopped or self._transport.done.is_set():
            raise self._why_it_ended()

    def second(self) -> Second | None:
        """Return the next second; None while it has not come."""
        self.turn()
        missed = 0
        while True:
            try:
                heard = self._transport.part(self._next - self._context, self.second_frames + 2 * self._context)
                break
            except LookupError:
                # Whole seconds are passed over, so that a tone's phase stays comparable.
                late = self._transport.oldest - (self._next - self._context)
                seconds = max(1, -(-late // self.second_frames))
                missed += seconds * self.second_frames
                self._next += seconds * self.second_frames
        if heard is None:
            self._next -= missed
            return None
        start, self._next = self._next, self._next + self.second_frames
        late_frames = self.latency_frames + round(SETTLE_S * self.rate_hz)
        steady_from = max(self._played.steady_from, self._asked_at) + late_frames
        lead = self._lead(start, steady_from)
        self._kept.pace.took(self._next)
        return Second(
            start=start,
            heard=heard,
            played_v=self._played_then(start),
            steady=start - self._context >= steady_from,
            missed_frames=missed,
            context_frames=self._context,
            lead=lead,
        )

    def _lead(self, start: int, steady_from: int) -> Heard | None:
        """Return what came before a second of a tone; None where it was not as steady, or is not held any more."""
        first = start - 2 * round(CONTEXT_S * self.rate_hz)
        return self.around(first, start) if self._sound.is_tone and first >= steady_from else None

    def around(self, start: int, stop: int) -> Heard | None:
        """Return what was captured between two frames, as delivered; None where it is not held (any more)."""
        start = max(start, 0)
        try:
            return self._transport.part(start, stop - start)
        except LookupError:
            return None

    @property
    def starved(self) -> int:
        """See `PlayedSound.starved`."""
        return self._played.starved

    def _played_then(self, start: int) -> NDArray[np.float64] | None:
        """Return what was played while a second was captured, (frames, outputs); None where it is not held."""
        if self._ring is None:
            return None
        first = start - self._context - self.latency_frames
        if first < 0:
            return None
        try:
            found = self._ring.part(first, self.second_frames + 2 * self._context)
        except LookupError:
            return None
        return None if found is None else found.astype(np.float64)

    def _why_it_ended(self) -> Exception:
        return why_it_ended(self._transport.stopped, by_signal=bool(self._came), then="go on")


@contextmanager
def soak_stream(
    session: Session, sound: SoakSound, rings: SoakRings, *, level_v_rms: float, channels: tuple[int, ...]
) -> Iterator[SoakStream]:
    """Open the stream, silent; leaving it fades first. The gates were asked before (`Session.allow_lasting`).

    rings : of `soak_rings`, for this stream alone while it lasts.  Raises DeviceError (absent, busy).
    """
    bench = session.bench
    form = bench.form
    in_real_time = not bench.simulated
    with playing(
        sound,
        level_v_rms=level_v_rms,
        sample_rate_hz=form.sample_rate_hz,
        channels=form.output_channels,
        driven=channels,
        waits=not in_real_time,
    ) as played:
        rings.begin_again()
        kept = _Kept(played, rings.played, Pace(form.sample_rate_hz, waits=not in_real_time))
        transport = live_transport(
            bench,
            kept,
            ears=(READER,),
            hold_s=HELD_S,
            also=session.load_watch(),
            in_real_time=in_real_time,
            feeder_late_s=FEEDER_LATE_S if in_real_time else _NOBODY_LATE_S,
            ring=rings.captured,
        )
        if played.music is not None:
            _wait_for(played.music.filled)
        with streamed(bench.interface, transport) as came:
            try:
                yield SoakStream(session, sound, played, transport, kept, rings.played, came)
            finally:
                transport.request_fade("ended")
                kept.pace.let_go()


def _wait_for(filled: Callable[[], bool]) -> None:
    """Wait until a file is read ahead; nothing sounds yet."""
    while not filled():
        time.sleep(PACE_S)
