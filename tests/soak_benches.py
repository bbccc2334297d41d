"""A bench for soaks: a cable of a known gain and latency that moves blocks as fast as numpy can, and what befalls it.

Nothing of the project's simulation takes part, so that days pass in minutes; what befalls the signal is the truth of
the tests, put there frame by frame.
"""

from __future__ import annotations

import threading
import time
from contextlib import contextmanager

import numpy as np
from benches import bench_file

from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.interface.protocol import CARRIER_DTYPE, InterfaceIdentity
from audiomeas.interface.transport import from_fractions, to_fractions
from audiomeas.measurement.session import Session

LATENCY_FRAMES = 2500
#: The simulated card: both scales as its calibration has them, so that a cable has a gain of one.
LOOP = (('range = "50:1"', 'range = "direct"'), ('output_level = "1 W"', 'input_level = "0.5 V"'))


class QuickCable:
    """An interface. befalls(samples, frame, stream) : what becomes of captured volts, (frames, 2), of a stream.

    frame : of the first one. Streams count from 1, the first look's among them.  noise : in fractions.
    """

    def __init__(self, inner, *, gain=1.0, noise=1e-5, befalls=None, block_frames=4096):
        self.identity = InterfaceIdentity(
            name=inner.identity.name,
            host_api=inner.identity.host_api,
            simulated=True,
            max_output_channels=2,
            max_input_channels=2,
        )
        self._gain, self._noise, self._befalls, self._block = gain, noise, befalls, block_frames
        self.streams = 0

    @contextmanager
    def stream(self, form, mover):
        self.streams += 1
        ended, number = threading.Event(), self.streams
        rng = np.random.default_rng([number, 7])
        noise = self._noise * rng.standard_normal((1 << 16, 2))

        def run():
            frame, late = 0, np.zeros((LATENCY_FRAMES, 2))
            while not ended.is_set():
                block = self._block
                late = late if len(late) >= block else np.vstack([np.zeros((block - len(late), 2)), late])
                captured = late[:block] * self._gain
                at = frame % (len(noise) - block)
                captured = captured + noise[at : at + block]
                if self._befalls is not None:
                    captured = self._befalls(captured, frame, number)
                to_play = np.zeros((block, 2), CARRIER_DTYPE[form.sample_format])
                codes = from_fractions(np.clip(captured, -1.0, 1.0), form.sample_format)
                if not mover.exchange(codes, to_play, ()):
                    return
                late = np.vstack([late[block:], to_fractions(to_play, form.sample_format)])
                frame += block
                time.sleep(0.0)

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        try:
            yield
        finally:
            ended.set()
            thread.join()


def quick_session(folder, *, rate_hz=48_000, say=None, **what):
    """A session on such a cable, and the cable."""
    path = bench_file(folder, *LOOP, unit="loop", rate_hz=rate_hz)
    bench = open_bench_file(path)
    cable = QuickCable(bench.interface, **what)
    return Session(Bench(bench.file, cable), say=say), cable
