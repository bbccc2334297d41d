"""A noise reduction that halves levels in dB on the tape and doubles them again: over the whole band, in closed form.

With X the r.m.s. of a steady tone relative to the reference level, and M the most that quiet sounds are raised by:

    recorded    Y = √X for X above M⁻², below that M·X
    replayed    Z = Y² for Y above M⁻¹, below that Y/M

So Z = X, and noise of the tape comes out M lower in silence. Where the tape loses L dB in between, the tone loses
2·L dB as long as both lie above the threshold. The r.m.s. is taken through one time constant; what ripples in it bends
a tone by less than a thousandth from 300 Hz on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from audiomeas.simulation.filters import Recursive, high_cut

FloatArray = NDArray[np.float64]

_DETECTOR_S = 0.05
#: Keeps the root of silence from being 0.
_SILENCE = 1e-20


class _Detector:
    """The r.m.s. of what has been, by one time constant."""

    def __init__(self, rate_hz: float) -> None:
        self._mean = Recursive(high_cut(1.0 / (2.0 * np.pi * _DETECTOR_S), rate_hz)[np.newaxis, :])

    def rms(self, samples: FloatArray) -> FloatArray:
        return np.asarray(np.sqrt(np.maximum(self._mean.process(samples * samples), _SILENCE)))


class Compressor:
    """What is done before recording. most_db : M."""

    def __init__(self, most_db: float, rate_hz: float) -> None:
        self._most, self._detector = 10.0 ** (most_db / 20.0), _Detector(rate_hz)

    def process(self, samples: FloatArray) -> FloatArray:
        """Take and return (frames,), relative to the reference level, r.m.s."""
        return np.asarray(samples * np.minimum(self._detector.rms(samples) ** -0.5, self._most))


class Expander:
    """What is done in replay. most_db : M."""

    def __init__(self, most_db: float, rate_hz: float) -> None:
        self._least, self._detector = 10.0 ** (-most_db / 20.0), _Detector(rate_hz)

    def process(self, samples: FloatArray) -> FloatArray:
        """Take and return (frames,), relative to the reference level, r.m.s."""
        return np.asarray(samples * np.maximum(self._detector.rms(samples), self._least))
