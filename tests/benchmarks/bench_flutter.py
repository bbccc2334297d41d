"""How fast a side of a tape is analysed from the disk (`from_disk`): a tone with wow and noise, 96 kHz, 24 bit.

OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_flutter.py [seconds] [--profile]
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from from_disk import BLOCK, timed

RATE_HZ = 96_000
TONE_HZ, WOW_HZ, WOW = 3150.0, 0.5556, 8e-4


def _write(path: Path, seconds: float) -> None:
    rng = np.random.default_rng(1)
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, subtype="PCM_24") as handle:
        for first in range(0, round(seconds * RATE_HZ), BLOCK):
            time_s = (first + np.arange(BLOCK)) / RATE_HZ
            moved_s = time_s - WOW * np.cos(2.0 * np.pi * WOW_HZ * time_s) / (2.0 * np.pi * WOW_HZ)
            tone = 0.4 * np.sin(2.0 * np.pi * np.remainder(TONE_HZ * moved_s, 1.0))
            handle.write(tone[:, None] + 1e-3 * rng.standard_normal((BLOCK, 2)))


if __name__ == "__main__":
    timed("flutter", _write, usual_s=300.0, short_s=10.0)
