"""The WAV file of a medium that a simulated machine plays."""

from __future__ import annotations

import io
import warnings
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import FileProblem
from audiomeas.files import translated


def require_medium(path: Path, machine: str, writes: str) -> None:
    """Refuse a medium that is not there. machine : that plays it.   writes : the command that makes one.

    Raises FileProblem: its name stands in the unit's file, not in the command that was typed.
    """
    if not path.exists():
        raise FileProblem(
            f"the simulated {machine} plays {path}, which was not found: write it with `audiomeas {writes} {path}`, or "
            "name another one in the unit's file"
        )


def read_wav(path: Path) -> tuple[float, NDArray[Any]]:
    """Return rate and samples, (frames, channels), as scipy holds them (24 bit as the upper ones of 32).

    Raises FileProblem.
    """
    from scipy.io import wavfile

    with translated(path, "read"):
        held = io.BytesIO(path.read_bytes())
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", wavfile.WavFileWarning)  # of chunks that hold no sound
            rate_hz, samples = wavfile.read(held)
    except ValueError:
        raise FileProblem(f"{path} is no WAV file that can be played: give one with PCM or float samples") from None
    return float(rate_hz), samples if samples.ndim > 1 else samples[:, np.newaxis]
