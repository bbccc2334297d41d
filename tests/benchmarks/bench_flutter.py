"""How fast a side of a tape is analysed from the disk, in how much memory; beside scipy reading and filtering it.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_flutter.py [seconds]

Writes a tone with wow and noise, stereo, 96 kHz, 24 bit, to a temporary file. Processor time counts (one core); the
ratio to reading the file and passing it through one third-order filter by scipy alone says how much the whole costs.
"""

from __future__ import annotations

import cProfile
import pstats
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import butter, sosfilt

from audiomeas.measurement.api import analyze

RATE_HZ = 96_000
BLOCK = 1 << 16
TONE_HZ, WOW_HZ, WOW = 3150.0, 0.5556, 8e-4


def _write(path: Path, seconds: float) -> None:
    rng = np.random.default_rng(1)
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, subtype="PCM_24") as handle:
        for first in range(0, round(seconds * RATE_HZ), BLOCK):
            time_s = (first + np.arange(BLOCK)) / RATE_HZ
            moved_s = time_s - WOW * np.cos(2.0 * np.pi * WOW_HZ * time_s) / (2.0 * np.pi * WOW_HZ)
            tone = 0.4 * np.sin(2.0 * np.pi * np.remainder(TONE_HZ * moved_s, 1.0))
            handle.write(tone[:, None] + 1e-3 * rng.standard_normal((BLOCK, 2)))


def _by_scipy(path: Path) -> None:
    sections = butter(3, 1000.0, output="sos", fs=RATE_HZ)
    state = np.zeros((len(sections), 2, 2))
    with soundfile.SoundFile(path) as handle:
        for block in handle.blocks(BLOCK, dtype="float64", always_2d=True):
            _, state = sosfilt(sections, block, axis=0, zi=state)


def main() -> None:
    """Print the figures."""
    seconds = float(next((one for one in sys.argv[1:] if one != "--profile"), 300.0))
    with tempfile.TemporaryDirectory() as folder:
        path, short = Path(folder) / "side.wav", Path(folder) / "short.wav"
        _write(path, seconds)
        _write(short, 10.0)
        analyze("flutter", short)  # loads the modules
        started = time.process_time()
        _by_scipy(path)
        alone = time.process_time() - started
        profile = cProfile.Profile() if "--profile" in sys.argv else None
        started = time.process_time()
        if profile is not None:
            profile.enable()
        analyze("flutter", path)
        if profile is not None:
            profile.disable()
        took = time.process_time() - started
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{seconds:.0f} s: {took:.1f} s of processor time, {took / alone:.1f} times scipy's, {peak_mb:.0f} MB at most"
    )
    if profile is not None:
        pstats.Stats(profile).sort_stats("tottime").print_stats(16)


if __name__ == "__main__":
    main()
