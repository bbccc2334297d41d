"""Indicators of wow and flutter: the 2-sigma method, and the quasi-peak meter that came before it.

2-sigma: the threshold that the size of the deviation exceeds during 5 % of the time (IEC 60386, Amendment 1, method 1;
AES6-2008; the 5 % from memory).  Quasi-peak: IEC 60386 (1972) / DIN 45507 give the meter by its readings of pulses, not
by a circuit. Here two peak rectifiers in tandem (`detectors`) hold each side of the deviation, and half the sum of
both sides is read; their time constants were fitted to those readings (partly from memory) and to a reading that does
not hang on the modulation's frequency.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.detectors import Rectifier, peak_held

FloatArray = NDArray[np.float64]

#: Part of the time that the threshold is exceeded.
EXCEEDED = 0.05
#: The standard's least measuring time.
LEAST_S = 5.0
#: The readings have stopped rising after so long.
SETTLED_S = 3.0
_STAGES = (
    Rectifier(charge_s=0.048_74, discharge_s=0.550_0),
    Rectifier(charge_s=0.104_64, discharge_s=0.822_7),
)
_CALIBRATING_HZ = 4.0
_CALIBRATING_S = 8.0


def two_sigma(deviation: NDArray[np.floating]) -> float:
    """Return the threshold that |deviation| exceeds for 5 % of the time. deviation : (moments,), evenly spaced."""
    return float(np.quantile(np.abs(deviation), 1.0 - EXCEEDED))


def quasi_peak(deviation: NDArray[np.floating], rate_hz: float) -> FloatArray:
    """Return the course of the quasi-peak reading, (moments,), from rest; in the unit of the deviation.

    deviation : (moments,), weighted already where that is wanted.  rate_hz : of the moments, at least 400 a second.
    A steady modulation of 4 Hz reads its peak. Raises SignalError for values that are no numbers.
    """
    return _held(deviation, rate_hz) / _calibration(float(rate_hz))


def _held(deviation: NDArray[np.floating], rate_hz: float) -> FloatArray:
    sides = np.stack([np.maximum(deviation, 0.0), np.maximum(-deviation, 0.0)], axis=1).astype(np.float64)
    return np.asarray(0.5 * np.sum(peak_held(sides, rate_hz, _STAGES), axis=1))


@lru_cache(maxsize=16)
def _calibration(rate_hz: float) -> float:
    """Return the largest held value over the peak of a steady 4 Hz modulation."""
    angle = 2.0 * np.pi * _CALIBRATING_HZ / rate_hz * np.arange(round(_CALIBRATING_S * rate_hz))
    return float(np.max(_held(np.sin(angle), rate_hz)[-round(rate_hz) :]))
