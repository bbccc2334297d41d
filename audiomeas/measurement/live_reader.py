"""The thread that reads the last moment of a stream, again and again; what it reads of a tone in the hand."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from audiomeas.analysis.tone_reading import reading_frames
from audiomeas.interface.streaming import Heard, StreamingTransport
from audiomeas.measurement.live_reading import LiveReading, read_live
from audiomeas.measurement.session import Session
from audiomeas.stimulus.live_tone import LiveTone, Wish

#: A reading is begun this often; it takes a few hundredths of a second, more on a busy machine.
READ_EVERY_S = 0.1
#: After a change and the latency of the first look, so long until figures count: filters come to rest.
SETTLE_S = 0.1
#: How long leaving waits for the reader to end.
_READER_ENDS_S = 1.0
#: The reader, as one who must be heard of.
READER = "reader"


class Reader:
    """Reads while it runs. newest : the last reading; failure : what ended it, if anything did.

    read : gets the number of the reading, and returns it; None: not yet.
    """

    def __init__(self, transport: StreamingTransport, read: Callable[[int], LiveReading | None]) -> None:
        self._transport, self._read = transport, read
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="audiomeas-reader", daemon=True)
        self.newest: LiveReading | None = None
        self.failure: Exception | None = None

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End."""
        self._over.set()
        self._thread.join(_READER_ENDS_S)  # one that hangs is left behind: the tone has faded without it

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


class LiveReader(Reader):
    """Reads a tone in the hand."""

    def __init__(self, session: Session, tone: LiveTone, transport: StreamingTransport) -> None:
        super().__init__(transport, self._of_tone)
        self._session, self._tone = session, tone
        rate_hz = session.bench.form.sample_rate_hz
        self._late_frames = round(session.first_look().latency_frames + SETTLE_S * rate_hz)

    def settled(self, wish: Wish, heard: Heard) -> bool:
        """Return whether what was heard is nothing but a wish that still holds, come back settled."""
        tone = self._tone  # who sees its `playing` first sees a `steady_from` that belongs to it
        return tone.playing is wish and heard.start >= tone.steady_from + self._late_frames and tone.wish is wish

    def _of_tone(self, number: int) -> LiveReading | None:
        wish, bench = self._tone.wish, self._session.bench
        frames = reading_frames(wish.frequency_hz, bench.form.sample_rate_hz)
        heard = self._transport.newest(frames)
        if len(heard.samples) < frames:
            return None
        return read_live(heard, wish, bench, number=number, settled=self.settled(wish, heard))
