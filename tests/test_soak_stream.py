"""Which seconds of a stream are steady, with a source that is late to hear what was asked. Frames alone are counted."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from audiomeas.interface.pace import Pace
from audiomeas.interface.streaming import Heard
from audiomeas.measurement.soak_source import SoakSound, playing
from audiomeas.measurement.soak_stream import SETTLE_S, SoakStream
from audiomeas.stimulus import pink_noise

RATE_HZ = 1000
LATENCY_FRAMES = 100


class Came:
    """A transport to which so many frames have come already."""

    stopped, done = "", SimpleNamespace(is_set=lambda: False)

    def __init__(self, frames):
        self.position = frames

    def hear(self, ear):
        """Nobody is late here."""

    def look_after(self):
        """Nothing hangs here."""

    def part(self, start, frames):
        if start + frames > self.position:
            return None
        return Heard(samples=np.zeros((frames, 2)), start=start, flags=())


@pytest.fixture
def stream():
    session = SimpleNamespace(
        bench=SimpleNamespace(form=SimpleNamespace(sample_rate_hz=float(RATE_HZ))),
        first_look=lambda: SimpleNamespace(latency_frames=float(LATENCY_FRAMES)),
    )
    # The source has not looked yet at what was asked: its last change is that of the beginning.
    played = SimpleNamespace(steady_from=0, failure=None, starved=0, sound=lambda on: None)
    kept = SimpleNamespace(pace=Pace(RATE_HZ, waits=False))
    return SoakStream(session, SoakSound(frequency_hz=100.0), played, Came(4 * RATE_HZ), kept, None, [])


def steady_seconds(stream):
    found = []
    while (second := stream.second()) is not None:
        found.append(second.steady)
    return found


def test_what_came_before_it_was_asked_for_is_never_steady(stream):
    """4 s wait to be read when the sound is asked for: silent ones that must not pass for a signal that is gone."""
    stream.sound(True)
    assert steady_seconds(stream) == [False] * 4
    stream._transport.position = 9 * RATE_HZ
    # From 4 s on, and the latency and a second of settling behind that: the second that begins at 6 s is the first.
    first = int(np.ceil(4 + LATENCY_FRAMES / RATE_HZ + SETTLE_S))
    assert steady_seconds(stream) == [number >= first for number in range(4, 9)]


def test_the_noise_of_a_soak_is_made_once_and_each_stream_begins_it(monkeypatch):
    """Streams play the same frames from the first on, and only the first of them computes a period."""
    made = []
    spectrum_of = np.fft.rfftfreq
    monkeypatch.setattr(pink_noise.np.fft, "rfftfreq", lambda *size: made.append(size) or spectrum_of(*size))
    heard = []
    for _ in range(2):
        with playing(
            SoakSound(kind="pink noise", crest_db=9.0),
            level_v_rms=1.0,
            sample_rate_hz=RATE_HZ,
            channels=2,
            driven=(1,),
            waits=True,
        ) as played:
            played.sound(True)
            heard.append(played.block_v(3 * RATE_HZ))
    assert len(made) <= 1  # none where another test had the same noise
    assert np.any(heard[0][:, 0])
    assert np.array_equal(heard[0], heard[1])
