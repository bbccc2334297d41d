"""How fast noise in a long file is analysed from the disk (`from_disk`): white noise, 192 kHz, 24 bit.

OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_noise.py [seconds] [--profile]
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from from_disk import BLOCK, timed

RATE_HZ = 192_000


def _write(path: Path, seconds: float) -> None:
    rng = np.random.default_rng(1)
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, subtype="PCM_24") as handle:
        for _ in range(round(seconds * RATE_HZ / BLOCK)):
            handle.write(1e-4 * rng.standard_normal((BLOCK, 2), dtype=np.float32))


if __name__ == "__main__":
    timed("noise", _write, usual_s=120.0, short_s=4.0)
