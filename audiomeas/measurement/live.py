"""The knob: a tone whose level, frequency and channels follow a hand, with the figures of the last moment.

Three threads take part. The audio thread makes the tone and watches what comes in; a thread of its own reads the last
moment several times a second; the caller's turns the knob. When either of the latter two is not heard of for a second,
the audio thread fades. Every change of level goes through the interlock before it is wished for.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import contextmanager

from audiomeas.analysis.tone_reading import reading_frames
from audiomeas.bench.live_output import live_transport
from audiomeas.errors import RequestError
from audiomeas.interface.streaming import StreamingTransport, streamed
from audiomeas.measurement.lasting import highest_level_v_rms
from audiomeas.measurement.live_reader import READER, LiveReader
from audiomeas.measurement.live_reading import LiveReading
from audiomeas.measurement.live_stream import HAND, TURN_S, HeldStream
from audiomeas.measurement.live_take import TAKE_S, Store, Taken, Taker, refuse_take_length
from audiomeas.measurement.session import Session
from audiomeas.stimulus.live_tone import LiveTone, Wish
from audiomeas.units import db_to_amplitude_ratio

#: The tone must be one that the first look has seen, and that the analysis can find.
LOWEST_HZ, HIGHEST_OF_RATE = 10.0, 0.45


class Knob(HeldStream):
    """A tone in the hand. Made by `opened_knob`; muted until `unmute`.

    The caller must be heard of at least once a second (`reading`, `wait`, `turn` or any change), else the tone fades.
    Every method raises what ended the tone: Interrupted, CaptureError (a ceiling), DeviceError (the stream was lost).
    """

    def __init__(
        self,
        session: Session,
        tone: LiveTone,
        transport: StreamingTransport,
        reader: LiveReader,
        *,
        came: list[int],
        channels: tuple[int, ...],
        taker: Taker,
    ) -> None:
        super().__init__(session, transport, reader, came=came)
        self._tone = tone
        self._driven = channels
        self._taker = taker
        self._compared = -1

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
    def listened(self) -> tuple[int, ...]:
        """The channels whose figures come first: those that sound."""
        return self._driven

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
        """Say that the caller is alive, and raise what ended the tone; gain that came since the first look counts."""
        super().turn()
        self._learn_gain()

    def reading(self) -> LiveReading | None:
        """Return the newest reading; None before the first. One from before the last change is not settled."""
        self.turn()
        newest = self._reader.newest
        return newest if newest is None or newest.wish == self.wish else newest.overtaken()

    def _learn_gain(self) -> None:
        """See whether the unit has been turned up since the first look: then what follows is predicted from that."""
        newest = self._reader.newest
        if newest is None or not newest.settled or newest.number == self._compared:
            return
        look, wish = self._session.first_look(), newest.wish
        more_db = {
            reading.channel: reading.values["gain_db"]
            - look.most_at_db(reading.channel, wish.frequency_hz, wish.sounding)
            for reading in newest.channels
            if "gain_db" in reading.values
        }
        self._session.learn_raise(more_db)
        self._compared = newest.number  # not before: too much gain is told to whoever asks

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
    refuse_take_length(take_s)
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
    reader = LiveReader(session, tone, transport)
    taker = Taker(session, tone, transport, reader, take_s=take_s, store=store)
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


__all__ = ["HAND", "Knob", "Wish", "opened_knob"]
