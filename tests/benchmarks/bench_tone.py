"""How long a single-tone analysis takes, as a multiple of one scipy.fft.rfft of the same data, and how much it holds.

Run it as `python tests/benchmarks/bench_tone.py`. Ten seconds of stereo at 192 kHz; the limits are 8 times for 1 kHz,
20 times for 20 Hz with its harmonics up to 96 kHz, and 6 times the capture in memory. The two are timed in turn, and
the best of each counts, so that whatever else the machine does weighs on both. Exit status 1: a limit was passed.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from audiomeas.analysis.tone import analyze_tone

RATE_HZ = 192_000
LIMITS = {1000.0: 8.0, 20.0: 20.0}
MEMORY_LIMIT = 6.0
ROUNDS = 9


def capture(frequency_hz: float) -> NDArray[np.float64]:
    """Return (frames, 2): a tone with thirty harmonics, hum and noise."""
    time_s = np.arange(10 * RATE_HZ) / RATE_HZ
    generator = np.random.default_rng(1)
    one = 1e-6 * generator.normal(size=len(time_s)) + 1e-5 * np.sin(2 * np.pi * 49.98 * time_s)
    for order in range(1, 32):
        one += 10 ** (-2.5 * (order > 1) - order / 20) * np.sin(2 * np.pi * order * frequency_hz * time_s + order)
    return np.stack([one, 0.5 * one], axis=1)


def analyse(both: NDArray[np.float64]) -> None:
    """Analyse both channels, one after the other."""
    for column in range(2):
        analyze_tone(np.ascontiguousarray(both[:, column]), RATE_HZ)


def seconds(work: Callable[[], object]) -> float:
    """Return how long a call takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> int:
    """Print the ratios; return 1 when one is beyond its limit."""
    passed = True
    for frequency_hz, limit in LIMITS.items():
        both = capture(frequency_hz)
        times = [(seconds(lambda b=both: rfft(b, axis=0)), seconds(lambda b=both: analyse(b))) for _ in range(ROUNDS)]
        transform_s, analysis_s = (min(column) for column in zip(*times, strict=True))
        tracemalloc.start()
        held = np.copy(both)  # counts the capture itself too
        analyse(held)
        memory = tracemalloc.get_traced_memory()[1] / both.nbytes
        tracemalloc.stop()
        ratio = analysis_s / transform_s
        passed &= ratio <= limit and memory <= MEMORY_LIMIT
        print(
            f"{frequency_hz:6.0f} Hz: {analysis_s:.3f} s, {ratio:.1f} × rfft ({transform_s:.3f} s), limit {limit:g}; "
            f"memory {memory:.1f} × the capture, limit {MEMORY_LIMIT:g}"
        )
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
