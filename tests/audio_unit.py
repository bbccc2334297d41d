"""A unit in the loop: a JACK client with two inputs and two outputs, run in its own process by tests/audio_path.py.

What it does to the samples is given as JSON on the command line, so what a test must find is known by construction.
It prints 'ready' when it takes part, ends on SIGTERM, and then writes what it was given to hear (float32) to a file.
"""

from __future__ import annotations

import argparse
import json
import signal
import threading
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
        return out


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
