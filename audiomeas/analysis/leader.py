"""What sounds before a medium's first tone: a voice over the leader, music, or a tone that is none of its own."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Sound is looked at in pieces of this length.
_PIECE_S = 0.1
#: Louder than this, relative to the tone (26 dB below): hiss, hum and crackle of a leader or lead-in groove are less.
_LOUD = 0.05
#: So much of it is a voice, and no click or switch.
_LEAST_S = 1.0


class LeaderWatch:
    """Keeps how loud each tenth of a second is, block by block. Ripple of bass counts; a steady voltage does not."""

    def __init__(self, sample_rate_hz: float, channels: int) -> None:
        self._size = max(1, round(_PIECE_S * sample_rate_hz))
        self._piece_s = self._size / sample_rate_hz
        self._held: FloatArray = np.zeros((0, channels))
        self._powers: list[FloatArray] = []

    def add(self, block: FloatArray) -> None:
        """Take the next samples, (frames, channels)."""
        held = np.concatenate([self._held, block]) if len(self._held) else block
        whole = len(held) // self._size
        pieces = held[: whole * self._size].reshape(whole, self._size, block.shape[1])
        self._powers.append(np.max(np.var(pieces, axis=1), axis=1, initial=0.0))
        self._held = held[whole * self._size :].copy()

    def loud_s(self, begin_s: float, end_s: float) -> float:
        """Return for how long something sounds before a tone that stands from begin_s to end_s; 0.0 for a moment.

        How loud it must be is relative to the median of the tone's time.
        """
        powers = np.concatenate(self._powers) if self._powers else np.zeros(0)
        first, last = (int(seconds / self._piece_s) for seconds in (begin_s, end_s))
        tone = powers[first:last]
        # The piece before the first one may hold the tone's begin.
        before = powers[: max(0, first - 1)]
        if len(tone) == 0 or len(before) == 0:
            return 0.0
        found_s = float(np.count_nonzero(before > _LOUD**2 * np.median(tone))) * self._piece_s
        return found_s if found_s >= _LEAST_S else 0.0
