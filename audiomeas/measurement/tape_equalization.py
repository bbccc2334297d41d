"""A tape recorded with one equalization and played with another: what is expected, and what looks like it."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from audiomeas.analysis.equalization_curves import Equalization

#: Pairs that are taken for one another: switches of decks, machines of two standards (trade notes 2.9, and 4, row 43).
_TAKEN_FOR = (
    ("tape-iec-cass-i", "tape-iec-cass-ii-iv"),
    ("tape-nab-19", "tape-iec1-19"),
    ("tape-nab-38", "tape-iec1-38"),
)
#: A response looks like a wrong choice when that explains so much of it, and it is so large to begin with.
_EXPLAINED, _LEAST_DB = 0.4, 0.7
_LEAST_POINTS = 8


def mismatch_db(recorded: str, played: str, frequency_hz: Any, reference_hz: float) -> Any:
    """Return the response of a tape of one equalization played with another, in dB re reference_hz, (points,)."""
    from audiomeas.analysis.equalization_curves import equalization

    return _flux_db(equalization(recorded), frequency_hz, reference_hz) - _flux_db(
        equalization(played), frequency_hz, reference_hz
    )


def _flux_db(one: Equalization, frequency_hz: Any, reference_hz: float) -> Any:
    from audiomeas.analysis.equalization_curves import tape_flux_db

    assert one.tape_high_s is not None
    return tape_flux_db(frequency_hz, high_s=one.tape_high_s, low_s=one.tape_low_s, reference_hz=reference_hz)


def looks_like(frequency_hz: Any, level_db: Any, recorded: str | None) -> str | None:
    """Return which wrong choice a response is consistent with, in words; None: none.

    frequency_hz, level_db : (points,).   recorded : how the tape was, None: not known.
    """
    import numpy as np

    from audiomeas.analysis.equalization_curves import equalization

    if len(frequency_hz) < _LEAST_POINTS:
        return None
    plain_db = float(np.std(level_db))
    candidates = []
    for one, other in itertools.chain.from_iterable(((a, b), (b, a)) for a, b in _TAKEN_FOR):
        if recorded in (None, one):
            shape_db = mismatch_db(one, other, frequency_hz, float(frequency_hz[0]))
            candidates.append((float(np.std(level_db - shape_db)), one, other))
    left_db, one, other = min(candidates, default=(plain_db, "", ""))
    if plain_db < _LEAST_DB or left_db > _EXPLAINED * plain_db:
        return None
    return f"a tape of {equalization(one).words} that is played as {equalization(other).words}"
