"""What an eraser leaves of a tone: narrow around it, so that hiss and hum don't count.

Source: common practice of the trade (a narrow filter at the tone, before and after); levels as `analysis.tape_tones`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.tape_tones import ToneLevel, tone_levels
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: The level is looked at in pieces of so long; ends of a stretch hold something else, too.
_PIECE_S, _EDGE_PIECES = 0.5, 2
#: Less than this is no erasing but a drop-out, or a worn tape.
_LEAST_DB = 10.0
#: Pieces that a stretch has at least, without its ends.
_LEAST_PIECES = 2


@dataclass(frozen=True, kw_only=True)
class Erased:
    """A tone before and after. whole, left : its level where it was not erased, and where it was."""

    whole: ToneLevel
    left: ToneLevel


def erased_of(samples: FloatArray, sample_rate_hz: float, near_hz: float) -> Erased | None:
    """Return what is left of a tone of which a stretch was erased. samples : (frames,).

    Returns None where nothing was erased. Raises SignalError: no stretch that holds the tone as it was recorded.
    """
    piece = round(_PIECE_S * sample_rate_hz)
    count = len(samples) // piece
    if count < 2 * (_LEAST_PIECES + 2 * _EDGE_PIECES):
        raise SignalError(f"{len(samples) / sample_rate_hz:.1f} s are too short to hold a tone and where it was erased")
    levels = [tone_levels(samples[n * piece : (n + 1) * piece], sample_rate_hz, near_hz)[0] for n in range(count)]
    rms = np.array([one.rms for one in levels])
    loudest = float(np.max(rms))
    quiet = rms < loudest * 10.0 ** (-_LEAST_DB / 20.0)
    loud = _longest(~quiet)
    if loud is None:
        raise SignalError(f"no stretch of {near_hz:.0f} Hz is left to compare with: erase only the middle of its part")
    silent = _longest(quiet)
    if silent is None:
        return None
    whole = tone_levels(samples[loud[0] * piece : loud[1] * piece], sample_rate_hz, near_hz)[0]
    left = tone_levels(samples[silent[0] * piece : silent[1] * piece], sample_rate_hz, whole.frequency_hz)[0]
    return Erased(whole=whole, left=left)


def _longest(here: NDArray[np.bool_]) -> tuple[int, int] | None:
    """Return the longest stretch of pieces without its ends; None when none is long enough."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], here.astype(np.int8), [0]])))
    stretches = [(int(a) + _EDGE_PIECES, int(b) - _EDGE_PIECES) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    first, last = max(stretches, key=lambda one: one[1] - one[0], default=(0, 0))
    return (first, last) if last - first >= _LEAST_PIECES else None
