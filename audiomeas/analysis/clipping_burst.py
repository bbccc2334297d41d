"""What one short burst of a sine tells about clipping: harmonics, peaks of each half, steadiness, and what is not ours.

Lines are read as in `tone`, by a weighted fit with the frequency known (`lines`); so hum between them does no harm, and
a window of eight periods is enough. The weight is sin⁴: what happens in the middle of the window counts most.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.harmonics import Harmonics, PowerSum

FloatArray = NDArray[np.float64]

#: Left out at the start of a burst: filters of the card, coupling capacitors and the supply's first fall settle.
SETTLE_S = 0.01
#: Periods that a window must hold: harmonics closer than this leave no noise to be seen between them.
LEAST_PERIODS = 8


@dataclass(frozen=True, kw_only=True)
class OtherTone:
    """A line that is neither the burst's tone nor a harmonic. level_v_rms : in the unit of the signal."""

    frequency_hz: float
    level_v_rms: float


@dataclass(frozen=True, kw_only=True)
class BurstReading:
    """What one channel of one burst tells; volts are those of the signal. Half-widths (`…_uncertainty`) are for 95 %.

    window_s : length of what was read, without the settling.
    level_v_rms : of fundamental and harmonics together, less noise, without DC: what heats the load.
    fundamental_v_rms : of the fundamental alone; fundamental_uncertainty : relative.
    harmonics : relative to the fundamental, less noise; up to `harmonic_limit_hz`.
    distortion : their power sum in V².   residual_v2 : everything in band but fundamental and DC, in V².
    noise_v2 : what of it is no harmonic.
    positive_peak_v, negative_peak_v : of the wave that fundamental and harmonics make, around its DC; both positive.
    drift_db : level of the last quarter of the window over the first.
    other : the strongest line that is not ours, if one stands out of the noise.
    """

    sample_rate_hz: float
    frequency_hz: float
    window_s: float
    level_v_rms: float
    fundamental_v_rms: float
    fundamental_uncertainty: float
    dc_v: float
    harmonics: Harmonics
    harmonic_limit_hz: float
    distortion: PowerSum
    residual_v2: float
    noise_v2: float
    positive_peak_v: float
    negative_peak_v: float
    drift_db: float
    other: OtherTone | None

    @property
    def thd_ratio(self) -> float:
        """THD relative to the fundamental, less noise; an upper limit where `thd_at_most`."""
        return math.sqrt(self.distortion.stated) / self.fundamental_v_rms

    @property
    def thd_at_most(self) -> bool:
        """Whether the harmonics can't be told from noise."""
        return self.distortion.at_most

    @property
    def thd_n_ratio(self) -> float:
        """THD+N relative to the total, in band."""
        return math.sqrt(self.residual_v2 / (self.fundamental_v_rms**2 + self.residual_v2))

    @property
    def flat_positive_db(self) -> float:
        """How far the upper half stays below a sine as strong as the fundamental, dB; 0 for a sine."""
        return 20.0 * math.log10(math.sqrt(2.0) * self.fundamental_v_rms / self.positive_peak_v)

    @property
    def flat_negative_db(self) -> float:
        """How far the lower half stays below a sine as strong as the fundamental, dB; 0 for a sine."""
        return 20.0 * math.log10(math.sqrt(2.0) * self.fundamental_v_rms / self.negative_peak_v)

    @property
    def peak_asymmetry_db(self) -> float:
        """Positive peak over negative peak, dB; negative: the upper half is flatter."""
        return 20.0 * math.log10(self.positive_peak_v / self.negative_peak_v)


def read_burst(
    signal_v: FloatArray,
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    settle_s: float = SETTLE_S,
    band_hz: tuple[float, float] = (20.0, 20_000.0),
    harmonic_limit_hz: float | None = None,
) -> BurstReading:
    """Read one channel of one burst.

    signal_v : (frames,), the part in which the tone stands at its full level (no ramps, no silence), any unit.
    frequency_hz : known to a small part of 1/duration (same clock, or fitted before).   settle_s : left out first.
    band_hz : of THD+N.   harmonic_limit_hz : highest harmonic counted in THD; None: up to the end of the capture's
    bandwidth, four bins below half the sample rate.
    Raises SignalError: too short for the frequency, values that are no numbers, silence.
    Sources: IEC 60268-3 (THD relative to the fundamental; from memory); fit as in `lines`.
    """
    raise NotImplementedError


def least_burst_s(frequency_hz: float, *, settle_s: float = SETTLE_S) -> float:
    """Return the shortest burst that can be read at a frequency, in seconds."""
    raise NotImplementedError
