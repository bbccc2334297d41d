"""What the hand holds of a stream: its readings, and what ended it."""

from __future__ import annotations

import time
from collections.abc import Iterator

from audiomeas.interface.streaming import StreamingTransport
from audiomeas.measurement.live_reader import Reader
from audiomeas.measurement.live_reading import LiveReading
from audiomeas.measurement.session import Session
from audiomeas.measurement.streamed import why_it_ended

#: The caller is heard of at least this often while it waits.
TURN_S = 0.02
#: The caller, as one who must be heard of.
HAND = "hand"


class HeldStream:
    """A stream in the hand.

    Every method raises what ended it: Interrupted, CaptureError (a ceiling), DeviceError (the stream was lost).
    """

    def __init__(self, session: Session, transport: StreamingTransport, reader: Reader, *, came: list[int]) -> None:
        self._session, self._transport = session, transport
        self._reader, self._came = reader, came

    @property
    def there(self) -> tuple[int, ...]:
        """The channels that the bench has."""
        return self._session.bench.channels

    @property
    def listened(self) -> tuple[int, ...]:
        """The channels whose figures come first: those that sound, or all."""
        return self.there

    @property
    def simulated(self) -> bool:
        """The bench is a simulated one."""
        return self._session.simulated

    @property
    def notes(self) -> tuple[str, ...]:
        """What must be known of the bench with every reading: loudspeakers, a calibration that does not hold."""
        connected = self._session.bench.file.loudspeakers
        return (*(() if connected is None else (connected.words(),)), *self._session.warnings)

    def turn(self) -> None:
        """Say that the caller is alive, and raise what ended the tone."""
        self._transport.hear(HAND)
        self._transport.look_after()
        if self._transport.stopped or self._transport.done.is_set():
            raise self._why_it_ended()

    def reading(self) -> LiveReading | None:
        """Return the newest reading; None before the first."""
        self.turn()
        return self._reader.newest

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

    def _why_it_ended(self) -> Exception:
        reason = self._transport.stopped
        if self._reader.failure is not None:
            return self._reader.failure
        return why_it_ended(reason, by_signal=bool(self._came), then="start again")
