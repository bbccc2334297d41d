"""White noise, whose level everything simulated states in one bandwidth."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Noise voltages of units and cards are stated in this bandwidth.
NOISE_BANDWIDTH_HZ = 20_000.0


class WhiteNoise:
    """White noise of a level stated in 20 kHz; at a sample rate it reaches to half of that rate."""

    def __init__(self, v_rms_in_20_khz: float, rate_hz: float, seed: np.random.SeedSequence) -> None:
        self._v_rms = v_rms_in_20_khz * float(np.sqrt(0.5 * rate_hz / NOISE_BANDWIDTH_HZ))
        self._generator = np.random.default_rng(seed)

    def added_to(self, volts: FloatArray) -> FloatArray:
        """Return the volts, (frames,), with noise."""
        if self._v_rms == 0.0:
            return volts
        return volts + self._v_rms * self._generator.standard_normal(len(volts))
