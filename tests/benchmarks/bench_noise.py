"""How fast noise in a long file is analysed from the disk, in how much memory; beside scipy reading and filtering it.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_noise.py [seconds]

Writes white noise, stereo, 192 kHz, 24 bit, to a temporary file. Processor time counts (one core); the ratio to reading
the file and passing it through one third-order filter by scipy alone says how much the whole analysis costs.
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

RATE_HZ = 192_000
BLOCK = 1 << 16


def _write(path: Path, seconds: float) -> None:
    rng = np.random.default_rng(1)
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, subtype="PCM_24") as handle:
        for _ in range(round(seconds * RATE_HZ / BLOCK)):
            handle.write(1e-4 * rng.standard_normal((BLOCK, 2), dtype=np.float32))


def _by_scipy(path: Path) -> None:
    sections = butter(3, 1000.0, output="sos", fs=RATE_HZ)
    state = np.zeros((len(sections), 2, 2))
    with soundfile.SoundFile(path) as handle:
        for block in handle.blocks(BLOCK, dtype="float64", always_2d=True):
            _, state = sosfilt(sections, block, axis=0, zi=state)


def main() -> None:
    """Print the figures."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 120.0
    with tempfile.TemporaryDirectory() as folder:
        path, short = Path(folder) / "noise.wav", Path(folder) / "short.wav"
        _write(path, seconds)
        _write(short, 4.0)
        analyze("noise", short)  # loads the modules, which takes as long as some seconds of noise
        started = time.process_time()
        _by_scipy(path)
        alone = time.process_time() - started
        profile = cProfile.Profile() if "--profile" in sys.argv else None
        started = time.process_time()
        if profile is not None:
            profile.enable()
        analyze("noise", path)
        if profile is not None:
            profile.disable()
            pstats.Stats(profile).sort_stats("tottime").print_stats(22)
        whole = time.process_time() - started
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{seconds:g} s of stereo at {RATE_HZ} Hz: {whole:.2f} s of processor time, {seconds / whole:.1f} x real time"
    )
    print(f"reading and one filter by scipy alone: {alone:.2f} s; ratio {whole / alone:.1f}")
    print(f"largest memory of the process: {peak_mb:.0f} MB")


if __name__ == "__main__":
    main()
