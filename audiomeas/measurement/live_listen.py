"""A stream that only listens: a unit that plays a tone by itself, while a trimmer is turned. Nothing is sent, ever."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.frequency_track import LOWEST_FOUND_HZ
from audiomeas.bench.live_output import live_transport
from audiomeas.errors import RequestError
from audiomeas.interface.streaming import StreamingTransport, streamed
from audiomeas.measurement.live import HIGHEST_OF_RATE
from audiomeas.measurement.live_heard import MOMENT_S, HeardTone
from audiomeas.measurement.live_reader import READER, Reader
from audiomeas.measurement.live_reading import LiveReading
from audiomeas.measurement.live_stream import HAND, HeldStream
from audiomeas.measurement.session import Session


class _Nothing:
    """What is sent: zeros. channels : outputs."""

    def __init__(self, channels: int) -> None:
        self._channels = channels

    def block_v(self, frames: int) -> NDArray[np.float64]:
        return np.zeros((frames, self._channels))


class Ear(HeldStream):
    """A stream that is listened to. Made by `opened_ear`. Its methods raise as those of `HeldStream`."""

    def __init__(
        self, session: Session, transport: StreamingTransport, reader: Reader, tone: HeardTone, *, came: list[int]
    ) -> None:
        super().__init__(session, transport, reader, came=came)
        self._tone = tone

    @property
    def nominal_hz(self) -> float | None:
        """The frequency that the tone was made with; None: a usual one, if it is near."""
        return self._tone.nominal_hz

    def set_nominal(self, frequency_hz: float) -> None:
        """Say what the tone was made with. Raises RequestError."""
        self.turn()
        checked_nominal(frequency_hz, self._session.bench.form.sample_rate_hz)
        self._tone.nominal_hz = frequency_hz


def checked_nominal(frequency_hz: float, sample_rate_hz: float) -> None:
    """Raise RequestError for a tone that is not found at this rate."""
    highest_hz = HIGHEST_OF_RATE * sample_rate_hz
    if not LOWEST_FOUND_HZ <= frequency_hz <= highest_hz:
        raise RequestError(
            f"a tone of {frequency_hz:g} Hz is not found while listening: use {LOWEST_FOUND_HZ:g} to {highest_hz:g} Hz"
        )


@contextmanager
def opened_ear(session: Session, *, nominal_hz: float | None = None) -> Iterator[Ear]:
    """Open a stream that sends nothing, and hand over what it hears. No first look is taken, since nothing sounds.

    nominal_hz : what the tone was made with.  Raises RequestError, CaptureError, DeviceError, Interrupted.
    """
    bench = session.bench
    rate_hz, frames = bench.form.sample_rate_hz, round(MOMENT_S * bench.form.sample_rate_hz)
    if nominal_hz is not None:
        checked_nominal(nominal_hz, rate_hz)
    transport = live_transport(
        bench,
        _Nothing(bench.form.output_channels),
        ears=(HAND, READER),
        hold_s=MOMENT_S,
        feeder_late_s=math.inf,  # nobody need be heard of: there is no tone to fade
    )
    tone = HeardTone(bench, nominal_hz)

    def read(number: int) -> LiveReading | None:
        heard = transport.newest(frames)
        return tone.read(heard, number) if len(heard.samples) == frames else None

    reader = Reader(transport, read)
    with streamed(bench.interface, transport) as came:
        reader.start()
        try:
            yield Ear(session, transport, reader, tone, came=came)
        finally:
            transport.request_fade("ended")
            reader.stop()
