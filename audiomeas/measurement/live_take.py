"""Takes: the last seconds of the steady tone in the hand, kept as delivered, and analysed as `distortion`."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from audiomeas.analysis.tone_reading import reading_frames
from audiomeas.errors import CaptureError, RequestError
from audiomeas.interface.streaming import Heard, StreamingTransport
from audiomeas.interface.transport import Capture
from audiomeas.measurement import registry
from audiomeas.measurement.live_reader import LiveReader
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import Result
from audiomeas.measurement.session import Session
from audiomeas.measurement.streamed import captured, tone_through
from audiomeas.recording import Recording
from audiomeas.stimulus.live_tone import LiveTone, Wish

#: How much a take keeps.
TAKE_S = 1.0
_TAKE_S_LIMITS = (0.2, 10.0)
#: A take waits so long for a tone that is steady for as long as it keeps, on top of that.
_TAKE_WAITS_S = 2.0
_LOOK_EVERY_S = 0.02
#: The measurement that a take is.
TAKEN_AS = "distortion"

#: Keeps a take: capture, recording, result (None: refused, for the reason that follows) → where.
Store = Callable[[Capture, Recording, Result | None, str], Path | None]


@dataclass(frozen=True, kw_only=True)
class Taken:
    """A take. path : of its capture; None where nothing keeps it.  result : as `analyze distortion` gives it."""

    path: Path | None
    result: Result


def refuse_take_length(take_s: float) -> None:
    """Raise RequestError for a take that is too short to be read, or too long to be held."""
    least_s, most_s = _TAKE_S_LIMITS
    if not least_s <= take_s <= most_s:
        raise RequestError(f"a take lasts {least_s:g} to {most_s:g} s, not {take_s:g} s")


class Taker:
    """Takes the last seconds of the steady tone, one take after the other, in a thread of its own."""

    def __init__(
        self,
        session: Session,
        tone: LiveTone,
        transport: StreamingTransport,
        reader: LiveReader,
        *,
        take_s: float,
        store: Store | None,
    ) -> None:
        self._session, self._tone, self._transport, self._reader = session, tone, transport, reader
        self._take_s, self._store = take_s, store
        self._identity = session.bench.interface.identity
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="audiomeas-take")

    def begin(self) -> Future[Taken]:
        """Begin a take. Its result raises CaptureError (not steady, samples lost), SignalError, FileProblem."""
        return self._thread.submit(self._taken)

    def finish(self) -> None:
        """Wait until what was taken is written down."""
        self._thread.shutdown(wait=True)

    def _taken(self) -> Taken:
        heard, wish = self._steady()
        form = self._session.bench.form
        sine = tone_through(
            heard,
            form.sample_rate_hz,
            frequency_hz=wish.frequency_hz,
            level_v_rms=wish.level_v_rms,
            channels=wish.sounding,
        )
        capture = captured(heard, form, self._identity)
        recording, problem = self._session.streamed_recording(capture, sine, purpose="live")
        if problem:
            path = self._kept(capture, recording, None, problem)
            raise CaptureError(problem if path is None else f"{problem}; the capture is kept in {path}")
        measurement = registry.find(TAKEN_AS)
        result = measurement.analyse(recording, complete(measurement, {}))
        return Taken(path=self._kept(capture, recording, result, ""), result=result)

    def _kept(self, capture: Capture, recording: Recording, result: Result | None, problem: str) -> Path | None:
        return None if self._store is None else self._store(capture, recording, result, problem)

    def _steady(self) -> tuple[Heard, Wish]:
        """Wait until the tone has been steady for as long as a take lasts, and return it with what was played."""
        rate_hz = self._session.bench.form.sample_rate_hz
        frames = max(round(self._take_s * rate_hz), reading_frames(self._tone.wish.frequency_hz, rate_hz))
        # Counted in the stream's own time: a simulated card on a busy machine may be late.
        until_frame = self._transport.position + frames + round(_TAKE_WAITS_S * rate_hz)
        while self._transport.position < until_frame and not self._transport.done.is_set():
            wish = self._tone.wish
            heard = self._transport.newest(frames)
            if len(heard.samples) == frames and wish.sounding and self._reader.settled(wish, heard):
                return heard, wish
            time.sleep(_LOOK_EVERY_S)
        raise CaptureError(
            f"the tone was not steady for {frames / rate_hz:.2g} s: leave level and frequency alone, then take again"
        )
