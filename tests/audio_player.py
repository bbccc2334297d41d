"""Plays a tone on a sound card and keeps the capture, as a program of its own: what signals and bad paths are tried on.

Prints one JSON object on stdout; a DeviceError is one line on stderr and exit status 3, as the command has it.
"""

from __future__ import annotations

import argparse
import json
import sys

import numpy as np

from audiomeas.errors import DeviceError
from audiomeas.interface.protocol import StreamFormat
from audiomeas.interface.soundcard import SoundCard
from audiomeas.interface.transport import play


def main() -> int:
    """Play once."""
    parser = argparse.ArgumentParser()
    parser.add_argument("name")
    parser.add_argument("host_api")
    parser.add_argument("--rate", type=float, default=48_000.0)
    parser.add_argument("--format", default="int24")
    parser.add_argument("--seconds", type=float, default=1.0)
    parser.add_argument("--lead", type=float, default=0.25, help="seconds of silence first")
    parser.add_argument("--noise", action="store_true", help="noise of a fixed seed instead of a 1 kHz tone")
    parser.add_argument("--capture", help="file for the samples (npy, fractions of full scale)")
    parser.add_argument("--times", type=int, default=1, help="play so often, and report the last")
    options = parser.parse_args()
    frames, lead = round(options.seconds * options.rate), round(options.lead * options.rate)
    if options.noise:
        sound = 0.25 * np.random.default_rng(20).uniform(-1, 1, frames)
    else:
        sound = 0.5 * np.sin(2 * np.pi * 1_000 * np.arange(frames) / options.rate)
    played = np.zeros((lead + frames, 2))
    played[lead:] = sound[:, None]

    def progress(part: float) -> None:
        if part > 0.1 and not said:
            said.append(part)
            print("playing", file=sys.stderr, flush=True)

    said: list[float] = []
    form = StreamFormat(sample_rate_hz=options.rate, sample_format=options.format)
    try:
        for _ in range(options.times):
            card = SoundCard(options.name, options.host_api)
            capture = play(card, played, form, tail_frames=round(0.25 * options.rate), progress=progress)
    except DeviceError as error:
        print(error, file=sys.stderr)
        return error.exit_status
    if options.capture:
        np.save(options.capture, capture.fractions())
    print(
        json.dumps(
            {
                "stopped": capture.stopped,
                "signal": capture.signal_number,
                "frames": len(capture.samples),
                "played_frames": capture.played_frames,
                "flags": capture.flags,
            }
        )
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
