"""How fast a capture of a tape's side is analysed from the disk (`from_disk`): our side, and noise after it, 96 kHz.

OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_tape.py [seconds] [--profile]
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from from_disk import BLOCK, timed

RATE_HZ = 96_000
LEVEL, NOISE = 0.7, 1e-3


def _side_of(path: Path) -> Path:
    return path.parent / "side.wav"


def _write(path: Path, seconds: float) -> None:
    """Write the side as a faultless deck would play it; in a process of its own, whose memory does not count."""
    side = _side_of(path)
    if not side.exists():
        command = ("-m", "audiomeas", "generate", "tape-side", str(side), "--rate", str(RATE_HZ))
        subprocess.run([sys.executable, *command], check=True)
    rng = np.random.default_rng(1)
    left = round(seconds * RATE_HZ)
    with soundfile.SoundFile(side) as source, soundfile.SoundFile(path, "w", RATE_HZ, 2, subtype="PCM_24") as handle:
        while left > 0:
            block = np.zeros((BLOCK, 2))
            read = source.read(BLOCK, always_2d=True)
            block[: len(read)] = LEVEL * read
            handle.write(block + NOISE * rng.standard_normal((BLOCK, 2)))
            left -= BLOCK


def _options(path: Path) -> Mapping[str, Any]:
    return {"side": str(_side_of(path)), "track_format": "cassette"}


if __name__ == "__main__":
    timed("tape", _write, usual_s=1200.0, short_s=340.0, options=_options)
