"""How fast a long file is analysed from the disk, in how much memory, beside scipy reading and filtering it.

Processor time counts (one core); the ratio to reading the file and passing it through one third-order filter by scipy
alone says how much the whole analysis costs.
"""

from __future__ import annotations

import cProfile
import pstats
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy.signal import butter, sosfilt

from audiomeas.measurement.api import analyze

BLOCK = 1 << 16
_PROFILE = "--profile"
_LINES = 22


def _by_scipy(path: Path) -> None:
    with soundfile.SoundFile(path) as handle:
        sections = butter(3, 1000.0, output="sos", fs=handle.samplerate)
        state = np.zeros((len(sections), 2, 2))
        for block in handle.blocks(BLOCK, dtype="float64", always_2d=True):
            _, state = sosfilt(sections, block, axis=0, zi=state)


def timed(
    word: str,
    write: Callable[[Path, float], None],
    *,
    usual_s: float,
    short_s: float,
    options: Callable[[Path], Mapping[str, Any]] = lambda _: {},
) -> None:
    """Print the figures of one measurement. Arguments of the program: seconds of signal, and --profile.

    write : a stereo file of so many seconds.   short_s : of one that is analysed first, which loads the modules.
    options : of the analysis of a file.
    """
    seconds = float(next((one for one in sys.argv[1:] if one != _PROFILE), usual_s))
    with tempfile.TemporaryDirectory() as folder:
        path, short = Path(folder) / "long.wav", Path(folder) / "short.wav"
        write(path, seconds)
        write(short, short_s)
        analyze(word, short, **options(short))
        started = time.process_time()
        _by_scipy(path)
        alone_s = time.process_time() - started
        profile = cProfile.Profile() if _PROFILE in sys.argv else None
        started = time.process_time()
        if profile is not None:
            profile.enable()
        analyze(word, path, **options(path))
        if profile is not None:
            profile.disable()
        whole_s = time.process_time() - started
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{seconds:g} s of stereo: {whole_s:.2f} s of processor time, {seconds / whole_s:.1f} x real time")
    print(f"reading and one filter by scipy alone: {alone_s:.2f} s; ratio {whole_s / alone_s:.1f}")
    print(f"largest memory of the process: {peak_mb:.0f} MB")
    if profile is not None:
        pstats.Stats(profile).sort_stats("tottime").print_stats(_LINES)
