"""A unit in the loop: a JACK client with two inputs and two outputs, run in its own process by tests/audio_path.py.

What it does to the samples is given as JSON on the command line, so what a test must find is known by construction.
It prints 'ready' when it takes part, ends on SIGTERM, and then writes what it was given to hear (float32) to a file.
"""

from __future__ import annotations

import argparse
import json
import signal
import threading
from importlib import import_module
from typing import Any

import jack
import numpy as np
from numpy.typing import NDArray


class Unit:
    """The unit's law, block by block: (frames, 2) float64 in and out."""

    def __init__(self, law: dict[str, Any]) -> None:
        self.gain = np.array(law.get("gain", [1.0, 1.0]))
        self.swap = bool(law.get("swap", False))
        self.clip_fs = law.get("clip_fs")
        self.noise_rms_fs = float(law.get("noise_rms_fs", 0.0))
        self.random = np.random.default_rng(law.get("seed", 1))
        #: Number of the block, counted from the first with sound in it, that comes out silent.
        self.lost_block = law.get("lost_block")
        self.not_a_number_block = law.get("not_a_number_block")
        #: Name of a fault in tests/bench_faults.py: function(block, frame, state) → block.
        self.fault = getattr(import_module("bench_faults"), law["fault"]) if "fault" in law else None
        self.frame, self.state = 0, {}
        #: Every so many blocks one is dropped, and the time after that one comes twice (so the delay stays bounded).
        self.slip_every = law.get("slip_every")
        self.line: list[NDArray[np.float64]] = []
        #: Every so many blocks the buffer holds 'nan', or 'memory' that nobody wrote (any bits).
        self.broken, self.broken_every = law.get("broken", ""), int(law.get("broken_every", 20))
        self.block = -1

    def process(self, samples: NDArray[np.float64]) -> NDArray[np.float64]:
        if self.block >= 0 or np.any(samples):
            self.block += 1
        out = samples[:, ::-1] * self.gain if self.swap else samples * self.gain
        if self.noise_rms_fs:
            out = out + self.noise_rms_fs * self.random.standard_normal(out.shape)
        if self.clip_fs is not None:
            out = np.clip(out, -self.clip_fs, self.clip_fs)
        if self.lost_block is not None and self.block == self.lost_block:
            out = np.zeros_like(out)
        if self.not_a_number_block is not None and self.block == self.not_a_number_block:
            out = np.full_like(out, np.nan)
        if self.fault is not None:
            out = self.fault(out, self.frame, self.state)
        self.frame += len(samples)
        if self.slip_every:
            out = self.slipped(out)
        if self.broken and self.frame // len(samples) % self.broken_every == 0:
            bits = self.random.integers(0, 2**32, out.shape, dtype=np.uint32)
            with np.errstate(invalid="ignore"):  # among any bits are some that are no numbers
                out = np.full_like(out, np.nan) if self.broken == "nan" else bits.view(np.float32).astype(np.float64)
        return out

    def slipped(self, block: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what comes out of a delay line of two blocks that loses one, or repeats one, now and then."""
        slips, rest = divmod(self.frame // len(block), self.slip_every)
        if not self.line:
            self.line = [np.zeros_like(block)] * 2
        self.line.append(block)
        if rest == 0 and slips % 2 == 0 and len(self.line) > 2:
            self.line.pop(0)
        repeat = rest == 0 and slips % 2 == 1
        return self.line[0] if repeat else self.line.pop(0)


def main() -> None:
    """Take part until SIGTERM."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--server", required=True)
    parser.add_argument("--name", required=True)
    parser.add_argument("--law", type=json.loads, default={})
    parser.add_argument("--heard", help="file for what came in, raw float32, two channels")
    options = parser.parse_args()
    over = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: over.set())
    unit = Unit(options.law)
    heard: list[NDArray[np.float32]] = []
    client = jack.Client(options.name, servername=options.server, no_start_server=True)
    inputs = [client.inports.register(f"in_{number}") for number in (1, 2)]
    outputs = [client.outports.register(f"out_{number}") for number in (1, 2)]

    @client.set_process_callback
    def process(_: int) -> None:
        samples = np.stack([port.get_array() for port in inputs], axis=1)
        if options.heard and (heard or np.any(samples)):
            heard.append(samples)
        out = unit.process(samples.astype(np.float64))
        for column, port in enumerate(outputs):
            port.get_array()[:] = out[:, column]

    with client:
        print("ready", flush=True)
        over.wait()
    if options.heard:
        np.concatenate(heard or [np.zeros((0, 2), np.float32)]).tofile(options.heard)


if __name__ == "__main__":
    main()
