"""Single figures of a response curve: gain at a frequency, deviation within a band, corners."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Half the power: what the trade calls the −3 dB point.
HALF_POWER_DB = 10.0 * float(np.log10(0.5))


@dataclass(frozen=True, kw_only=True)
class Deviation:
    """Lowest and highest gain within a band, in dB relative to the reference, and where they stand."""

    low_db: float
    high_db: float
    low_index: int
    high_index: int

    @property
    def largest_db(self) -> float:
        """The larger of the two without its sign."""
        return max(abs(self.low_db), abs(self.high_db))

    @property
    def largest_index(self) -> int:
        """Index of the point that deviates most."""
        return self.low_index if abs(self.low_db) >= abs(self.high_db) else self.high_index


@dataclass(frozen=True, kw_only=True)
class Corner:
    """Where a response has fallen to a level; None when it does not within what was measured.

    slope_db : dB per natural logarithm of frequency at the corner.
    """

    frequency_hz: float | None
    beyond_hz: float
    slope_db: float = 0.0
    index: int = 0


def index_of(frequency_hz: FloatArray, wanted_hz: float) -> int:
    """Return the index of the point nearest to a frequency. Raises ValueError when it lies outside the points."""
    if not frequency_hz[0] * (1 - 1e-9) <= wanted_hz <= frequency_hz[-1] * (1 + 1e-9):
        raise ValueError(f"{wanted_hz:g} Hz lies outside {frequency_hz[0]:g} to {frequency_hz[-1]:g} Hz")
    return int(np.argmin(np.abs(np.log(frequency_hz / wanted_hz))))


def deviation_within(frequency_hz: FloatArray, gain_db: FloatArray, low_hz: float, high_hz: float) -> Deviation:
    """Return how far a gain (dB relative to the reference) strays within a band. Raises ValueError: no point in it."""
    inside = np.flatnonzero((frequency_hz >= low_hz * (1 - 1e-9)) & (frequency_hz <= high_hz * (1 + 1e-9)))
    if not len(inside):
        raise ValueError(f"no measured point lies between {low_hz:g} and {high_hz:g} Hz")
    low, high = inside[np.argmin(gain_db[inside])], inside[np.argmax(gain_db[inside])]
    return Deviation(low_db=float(gain_db[low]), high_db=float(gain_db[high]), low_index=int(low), high_index=int(high))


def corner(
    frequency_hz: FloatArray, gain_db: FloatArray, reference: int, *, upwards: bool, drop_db: float = HALF_POWER_DB
) -> Corner:
    """Return where the gain first falls to drop_db (negative) when one goes from the reference point up or down.

    gain_db : relative to the reference.  Between points the gain is taken as straight over the logarithm of frequency.
    """
    step = 1 if upwards else -1
    path = np.arange(reference, len(gain_db) if upwards else -1, step)
    fallen = np.flatnonzero(gain_db[path] <= drop_db)
    if not len(fallen) or fallen[0] == 0:
        return Corner(frequency_hz=None, beyond_hz=float(frequency_hz[path[-1]]))
    inner, outer = path[fallen[0] - 1], path[fallen[0]]
    octave = np.log(frequency_hz)
    slope_db = float((gain_db[outer] - gain_db[inner]) / (octave[outer] - octave[inner]))
    at = octave[inner] + (drop_db - gain_db[inner]) / slope_db
    return Corner(
        frequency_hz=float(np.exp(at)), beyond_hz=float(frequency_hz[path[-1]]), slope_db=slope_db, index=int(outer)
    )
