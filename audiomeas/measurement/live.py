"""The knob: a tone whose level, frequency and channels follow a hand, with the figures of the last moment.

Three threads take part. The audio thread makes the tone and watches what comes in; a thread of its own reads the last
moment several times a second; the caller's turns the knob. When either of the latter two is not heard of for a second,
the audio thread fades. Every change of level goes through the interlock before it is wished for.
"""

from __future__ import annotations

import dataclasses
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from audiomeas.analysis.tone_reading import reading_frames
from audiomeas.bench.live_output import live_transport
from audiomeas.errors import CaptureError, DeviceError, Interrupted, RequestError
from audiomeas.interface.streaming import Heard, StreamingTransport, streamed
from audiomeas.interface.transport import STOPPED_BY_INPUT, Capture
from audiomeas.measurement import registry
from audiomeas.measurement.lasting import highest_level_v_rms
from audiomeas.measurement.live_reading import LiveReading, read_live
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import Result
from audiomeas.measurement.session import Session
from audiomeas.recording import Recording
from audiomeas.stimulus import Sine
from audiomeas.stimulus.live_tone import LiveTone, Wish
from audiomeas.units import db_to_amplitude_ratio

#: A reading is begun this often; it takes a few hundredths of a second, more on a busy machine.
READ_EVERY_S = 0.1
#: The caller is heard of at least this often while it waits.
TURN_S = 0.02
#: After a change and the latency of the first look, so long until figures count: filters come to rest.
SETTLE_S = 0.1
#: How much a take keeps.
TAKE_S = 1.0
TAKE_S_LIMITS = (0.2, 10.0)
#: A take waits so long for a tone that is steady for as long as it keeps, on top of that.
_TAKE_WAITS_S = 2.0
#: The tone must be one that the first look has seen, and that the analysis can find.
LOWEST_HZ, HIGHEST_OF_RATE = 10.0, 0.45
#: How long leaving waits for the reader to end.
_READER_ENDS_S = 1.0
#: Names of those who must be heard of.
HAND, READER = "hand", "reader"

#: Keeps a take: capture, recording, result (None: refused, for the reason that follows) → where.
Store = Callable[[Capture, Recording, Result | None, str], Path | None]


@dataclass(frozen=True, kw_only=True)
class Taken:
    """A take. path : of its capture; None where nothing keeps it.  result : as `analyze distortion` gives it."""

    path: Path | None
    result: Result


class Knob:
    """A tone in the hand. Made by `opened_knob`; muted until `unmute`.

    The caller must be heard of at least once a second (`reading`, `wait`, `turn` or any change), else the tone fades.
    Every method raises what ended the tone: Interrupted, CaptureError (a ceiling), DeviceError (the stream was lost).
    """

    def __init__(
        self,
        session: Session,
        tone: LiveTone,
        transport: StreamingTransport,
        reader: _Reader,
        *,
        came: list[int],
        channels: tuple[int, ...],
        taker: _Taker,
    ) -> None:
        self._session = session
        self._tone = tone
        self._transport = transport
        self._reader = reader
        self._came = came
        self._driven = channels
        self._taker = taker

    # -- what is played -----------------------------------------------------------------------------------------

    @property
    def wish(self) -> Wish:
        """What is played, or will be once the glide is over."""
        return self._tone.wish

    @property
    def driven(self) -> tuple[int, ...]:
        """The channels that sound when it is not muted."""
        return self._driven

    @property
    def there(self) -> tuple[int, ...]:
        """The channels that the bench has."""
        return self._session.bench.channels

    @property
    def simulated(self) -> bool:
        """The bench is a simulated one."""
        return self._session.simulated

    @property
    def muted(self) -> bool:
        """Nothing is played."""
        return not self._tone.wish.sounding

    @property
    def highest_level_v_rms(self) -> float:
        """The level that the interlock allows."""
        gain_db = self._session.largest_gain_db()
        return highest_level_v_rms(self._session.bench, channels=self._driven, gain_db=gain_db)

    def set_level(self, level_v_rms: float) -> None:
        """Go to a level at the unit's input. Raises InterlockRefusal (the level stays), RequestError."""
        self.turn()
        self._send(level_v_rms=level_v_rms)

    def raise_db(self, decibels: float) -> None:
        """Raise the level (negative: lower it). Raises as `set_level`."""
        self.set_level(self.wish.level_v_rms * db_to_amplitude_ratio(decibels))

    def set_frequency(self, frequency_hz: float) -> None:
        """Go to a frequency, the phase running on. Raises InterlockRefusal, RequestError."""
        self.turn()
        _checked_frequency(frequency_hz, self._session.bench.form.sample_rate_hz)
        self._send(frequency_hz=frequency_hz)

    def drive(self, channels: tuple[int, ...]) -> None:
        """Choose the channels. Raises RequestError for one that the bench has not."""
        self.turn()
        _checked_channels(channels, self._session.bench.channels)
        former, self._driven = self._driven, channels
        try:
            self._send(sounding=() if self.muted else channels)
        except BaseException:
            self._driven = former
            raise

    def mute(self) -> None:
        """Fade to silence; the stream goes on."""
        self._tone.wish = dataclasses.replace(self.wish, sounding=())
        self.turn()

    def unmute(self) -> None:
        """Rise to the level. Raises InterlockRefusal."""
        self.turn()
        self._send(sounding=self._driven)

    def _send(
        self,
        *,
        level_v_rms: float | None = None,
        frequency_hz: float | None = None,
        sounding: tuple[int, ...] | None = None,
    ) -> None:
        """Wish for something else, through the interlock; a level that only falls is always allowed."""
        old = self.wish
        new = Wish(
            frequency_hz=old.frequency_hz if frequency_hz is None else frequency_hz,
            level_v_rms=old.level_v_rms if level_v_rms is None else level_v_rms,
            sounding=old.sounding if sounding is None else sounding,
        )
        only_falls = dataclasses.replace(new, level_v_rms=old.level_v_rms) == old and new.level_v_rms <= old.level_v_rms
        if not only_falls:
            self._session.allow_lasting(
                level_v_rms=new.level_v_rms, frequency_hz=new.frequency_hz, channels=self._driven
            )
        try:
            self._tone.wish = new
        except ValueError as error:
            raise RequestError(str(error)) from None

    # -- what comes back ----------------------------------------------------------------------------------------

    def turn(self) -> None:
        """Say that the caller is alive, and raise what ended the tone."""
        self._transport.hear(HAND)
        self._transport.look_after()
        if self._transport.stopped or self._transport.done.is_set():
            raise self._why_it_ended()
        self._learn_gain()

    def reading(self) -> LiveReading | None:
        """Return the newest reading; None before the first. One from before the last change is not settled."""
        self.turn()
        newest = self._reader.newest
        return newest if newest is None or newest.wish == self.wish else newest.overtaken()

    def wait(self, seconds: float) -> LiveReading | None:
        """Let time pass, being heard of, and return the newest reading."""
        until_s = time.monotonic() + seconds
        while (left_s := until_s - time.monotonic()) > 0.0:
            self.turn()
            time.sleep(min(TURN_S, left_s))
        return self.reading()

    def readings(self) -> Iterator[LiveReading]:
        """Yield each new reading, without an end."""
        number = -1
        while True:
            newest = self.reading()
            if newest is not None and newest.number != number:
                number = newest.number
                yield newest
            time.sleep(TURN_S)

    def _learn_gain(self) -> None:
        """See whether the unit has been turned up since the first look: then what follows is predicted from that."""
        newest = self._reader.newest
        if newest is None or not newest.settled:
            return
        look, wish = self._session.first_look(), newest.wish
        more_db = {
            reading.channel: reading.values["gain_db"]
            - look.most_at_db(reading.channel, wish.frequency_hz, wish.sounding)
            for reading in newest.channels
            if "gain_db" in reading.values
        }
        self._session.learn_raise(more_db)

    def _why_it_ended(self) -> Exception:
        reason = self._transport.stopped
        if self._reader.failure is not None:
            return self._reader.failure
        if self._came:
            return Interrupted(f"stopped by {reason}: the output was faded to silence")
        if reason.startswith(STOPPED_BY_INPUT):
            return CaptureError(f"{reason}: the output was faded to silence; lower the level and look why")
        return DeviceError(
            f"{reason or 'the stream ended'}: the output was faded to silence; look why, and start again"
        )

    # -- takes --------------------------------------------------------------------------------------------------

    def take(self) -> Taken:
        """Keep the last seconds of the steady tone as delivered, and their result; wait until it is steady.

        Raises RequestError (muted), CaptureError (samples were lost; the capture is kept all the same), FileProblem.
        """
        going = self.begin_take()
        while not going.done():
            self.wait(TURN_S)
        return going.result()

    def begin_take(self) -> Future[Taken]:
        """Begin a take in a thread of its own, so that a slow disk holds nothing up. See `take`."""
        self.turn()
        if self.muted:
            raise RequestError("nothing is played, so there is nothing to take: unmute first")
        return self._taker.begin()


class _Taker:
    """Takes the last seconds of the steady tone, one take after the other, in a thread of its own."""

    def __init__(
        self,
        session: Session,
        tone: LiveTone,
        transport: StreamingTransport,
        reader: _Reader,
        *,
        take_s: float,
        store: Store | None,
    ) -> None:
        self._session, self._tone, self._transport, self._reader = session, tone, transport, reader
        self._take_s, self._store = take_s, store
        self._identity = session.bench.interface.identity
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="audiomeas-take")

    def begin(self) -> Future[Taken]:
        return self._thread.submit(self._taken)

    def finish(self) -> None:
        """Wait until what was taken is written down."""
        self._thread.shutdown(wait=True)

    def _taken(self) -> Taken:
        heard, wish = self._steady()
        form = self._session.bench.form
        sine = Sine(
            frequency_hz=wish.frequency_hz,
            level_v_rms=wish.level_v_rms,
            sample_rate_hz=form.sample_rate_hz,
            window_s=len(heard.samples) / form.sample_rate_hz,
            settle_s=0.0,
            ramp_s=0.0,
            driven_channels=wish.sounding,
        )
        capture = Capture(
            samples=heard.samples,
            form=form,
            identity=self._identity,
            started_at=datetime.now(UTC),
            flags=heard.flags,
            played_frames=len(heard.samples),
        )
        recording, problem = self._session.streamed_recording(capture, sine, purpose="live")
        if problem:
            path = self._kept(capture, recording, None, problem)
            raise CaptureError(problem if path is None else f"{problem}; the capture is kept in {path}")
        distortion = registry.find("distortion")
        result = distortion.analyse(recording, complete(distortion, {}))
        return Taken(path=self._kept(capture, recording, result, ""), result=result)

    def _kept(self, capture: Capture, recording: Recording, result: Result | None, problem: str) -> Path | None:
        return None if self._store is None else self._store(capture, recording, result, problem)

    def _steady(self) -> tuple[Heard, Wish]:
        """Wait until the tone has been steady for as long as a take lasts, and return it with what was played."""
        rate_hz = self._session.bench.form.sample_rate_hz
        frames = max(round(self._take_s * rate_hz), reading_frames(self._tone.wish.frequency_hz, rate_hz))
        until_s = time.monotonic() + frames / rate_hz + _TAKE_WAITS_S
        while time.monotonic() < until_s and not self._transport.done.is_set():
            wish = self._tone.wish
            heard = self._transport.newest(frames)
            steady = self._tone.playing is wish and heard.start >= self._reader.counts_from()
            if steady and len(heard.samples) == frames and wish is self._tone.wish and wish.sounding:
                return heard, wish
            time.sleep(TURN_S)
        raise CaptureError(
            f"the tone was not steady for {frames / rate_hz:.2g} s: leave level and frequency alone, then take again"
        )


class _Reader:
    """Reads the last moment, again and again, in a thread of its own."""

    def __init__(self, session: Session, tone: LiveTone, transport: StreamingTransport) -> None:
        self._session, self._tone, self._transport = session, tone, transport
        rate_hz = session.bench.form.sample_rate_hz
        self._late_frames = round(session.first_look().latency_frames + SETTLE_S * rate_hz)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="audiomeas-reader", daemon=True)
        self.newest: LiveReading | None = None
        self.failure: Exception | None = None

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._over.set()
        self._thread.join(_READER_ENDS_S)  # one that hangs is left behind: the tone has faded without it

    def counts_from(self) -> int:
        """Return the captured frame from which on the present tone has come back settled."""
        return self._tone.steady_from + self._late_frames

    def _run(self) -> None:
        number, due_s = 0, time.monotonic()
        try:
            while not self._over.wait(max(0.0, due_s - time.monotonic())):
                due_s = time.monotonic() + READ_EVERY_S
                self._transport.hear(READER)
                reading = self._read(number)
                if reading is not None:
                    number, self.newest = number + 1, reading
        except Exception as error:
            self.failure = error
            self._transport.request_fade(f"reading failed ({type(error).__name__}: {error})")

    def _read(self, number: int) -> LiveReading | None:
        wish, bench = self._tone.wish, self._session.bench
        frames = reading_frames(wish.frequency_hz, bench.form.sample_rate_hz)
        heard = self._transport.newest(frames)
        if len(heard.samples) < frames:
            return None
        settled = self._tone.playing is wish and heard.start >= self.counts_from() and wish is self._tone.wish
        return read_live(heard, wish, bench, number=number, settled=settled)


def _checked_frequency(frequency_hz: float, sample_rate_hz: float) -> None:
    highest_hz = HIGHEST_OF_RATE * sample_rate_hz
    if not LOWEST_HZ <= frequency_hz <= highest_hz:
        raise RequestError(f"{frequency_hz:g} Hz can't be played here: use {LOWEST_HZ:g} to {highest_hz:g} Hz")


def _checked_channels(channels: tuple[int, ...], there: tuple[int, ...]) -> None:
    if not channels or not set(channels) <= set(there):
        raise RequestError(f"this bench has the channels {', '.join(map(str, there))}: choose of them")


@contextmanager
def opened_knob(
    session: Session,
    *,
    frequency_hz: float = 1000.0,
    level_v_rms: float | None = None,
    channels: tuple[int, ...] | None = None,
    take_s: float = TAKE_S,
    store: Store | None = None,
) -> Iterator[Knob]:
    """Take the first look, open the stream, and hand over the knob, muted; leaving it fades to silence first.

    level_v_rms : at the unit's input; None: as quiet as the first look.  store : keeps what is taken.
    Raises RequestError, InterlockRefusal (before any tone), CaptureError, DeviceError, Interrupted.
    """
    bench = session.bench
    driven = bench.channels if channels is None else channels
    _checked_channels(driven, bench.channels)
    _checked_frequency(frequency_hz, bench.form.sample_rate_hz)
    if not TAKE_S_LIMITS[0] <= take_s <= TAKE_S_LIMITS[1]:
        raise RequestError(f"a take lasts {TAKE_S_LIMITS[0]:g} to {TAKE_S_LIMITS[1]:g} s, not {take_s:g} s")
    look = session.first_look()
    level_v_rms = look.level_v_rms if level_v_rms is None else level_v_rms
    session.allow_lasting(level_v_rms=level_v_rms, frequency_hz=frequency_hz, channels=driven)
    tone = LiveTone(
        Wish(frequency_hz=frequency_hz, level_v_rms=level_v_rms),
        sample_rate_hz=bench.form.sample_rate_hz,
        channels=bench.form.output_channels,
    )
    longest_s = reading_frames(LOWEST_HZ, bench.form.sample_rate_hz) / bench.form.sample_rate_hz
    transport = live_transport(
        bench, tone, ears=(HAND, READER), hold_s=max(take_s, longest_s), also=session.load_watch()
    )
    reader = _Reader(session, tone, transport)
    taker = _Taker(session, tone, transport, reader, take_s=take_s, store=store)
    try:
        with streamed(bench.interface, transport) as came:
            reader.start()
            try:
                yield Knob(session, tone, transport, reader, came=came, channels=driven, taker=taker)
            finally:
                transport.request_fade("ended")
                reader.stop()
    finally:
        taker.finish()


__all__ = ["TAKE_S", "Knob", "Store", "Taken", "Wish", "opened_knob"]
