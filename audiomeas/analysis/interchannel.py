"""By how much one channel comes later than the other: from the phase of what both carry.

A delay d turns the cross spectrum by −2πfd: its phase, unwrapped from low to high, is fitted by a line over frequency
(C. H. Knapp and G. C. Carter, IEEE Trans. ASSP 24, 1976), with the polarity as its constant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft
from scipy.special import stdtrit

from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Bins are joined to bands of so many Hz: noise averages out, and a delay of a millisecond turns a third of a turn.
_BAND_HZ = 100.0
_LEAST_BANDS = 8
#: Phase that may be left beside the line, r.m.s. in radians: more is not one signal on both channels.
_ALIKE_RAD = 0.5


@dataclass(frozen=True, kw_only=True)
class Delay:
    """By how much the second channel is later. half_width_s : 95 %, of what the line leaves."""

    later_s: float
    half_width_s: float


def delay_between(first: FloatArray, second: FloatArray, sample_rate_hz: float, band_hz: tuple[float, float]) -> Delay:
    """Return the delay of the second channel.

    first, second : (frames,) of one signal that fills the band, such as a sweep; any unit.   Less than 1 ms apart.
    Raises SignalError: too narrow a band, silent, or not one signal.
    """
    # The mean delay is that of a circular shift where both are silent at their ends.
    points = next_fast_len(2 * len(first), real=True)
    cross = rfft(second, points) * np.conj(rfft(first, points))
    width = max(round(_BAND_HZ * points / sample_rate_hz), 1)
    low, high = (round(edge_hz * points / sample_rate_hz) for edge_hz in band_hz)
    bands = (min(high, len(cross)) - low) // width
    if bands < _LEAST_BANDS:
        raise SignalError("the band is too narrow to tell a delay between the channels")
    sums = np.sum(cross[low : low + bands * width].reshape(bands, width), axis=1)
    if not np.all(np.abs(sums) > 0.0):
        raise SignalError("a channel is silent: no delay between the channels is told")
    frequency_hz = (low + (np.arange(bands) + 0.5) * width - 0.5) * sample_rate_hz / points
    phase = np.unwrap(np.angle(sums))
    model = np.stack([-2.0 * np.pi * frequency_hz, np.ones(bands)], axis=1)
    # Equal noise in both channels: the variance of a cross spectrum's phase goes with 1/|X|².
    weight = np.sqrt(np.abs(sums) / np.mean(np.abs(sums)))
    model, phase = weight[:, np.newaxis] * model, weight * phase
    found = np.linalg.lstsq(model, phase, rcond=None)[0]
    rest = phase - model @ found
    if not np.sqrt(np.mean(rest**2)) < _ALIKE_RAD:
        raise SignalError("the two channels don't carry one signal: no delay between them is told")
    sigma = float(np.sqrt(rest @ rest / (bands - 2) * np.linalg.inv(model.T @ model)[0, 0]))
    return Delay(later_s=float(found[0]), half_width_s=float(stdtrit(bands - 2, 0.975)) * sigma)
