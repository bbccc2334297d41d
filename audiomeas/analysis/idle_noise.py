"""What is left when nothing plays: its mean-square value in a band, under weightings, DC left out."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from audiomeas.analysis.harmonics import PowerSum, line_noise
from audiomeas.analysis.lines import add_lines, fit_lines, lobes, windowed
from audiomeas.analysis.mains import find_mains
from audiomeas.analysis.noisefloor import NoiseFloor, band_weight, noise_floor
from audiomeas.analysis.tone import PowerGain
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Periods of the band's low edge that a capture must hold.
_LEAST_PERIODS = 4


def idle_noise(
    signal: FloatArray,
    sample_rate_hz: float,
    *,
    band_hz: tuple[float, float],
    weightings: Mapping[str, PowerGain],
    resolution: float | None,
) -> dict[str, PowerSum]:
    """Return the mean-square value of a quiet capture under each weighting, in the signal's unit squared.

    signal : (frames,), one channel.   band_hz : a brick wall.   weightings : name → power gain against Hz.
    resolution : step between neighbouring values; less than its rounding gives (q²/12, spread evenly) is told as a
    bound. None: unknown, then digital silence can't be told.

    The spectrum is weighted with sin⁴(πn/N) in time, and bins on an edge of the band count in part (see `noisefloor`).
    Raises SignalError: too short for the band, values that are no numbers, digital silence of unknown step.
    """
    frames, bin_hz = len(signal), sample_rate_hz / max(len(signal), 1)
    if frames == 0 or band_hz[0] < _LEAST_PERIODS * bin_hz:
        raise SignalError(
            f"{frames / sample_rate_hz:.3g} s are too short for noise from {band_hz[0]:g} Hz on: capture at least "
            f"{_LEAST_PERIODS / max(band_hz[0], 1.0):.3g} s, or raise low_hz (not below 1 Hz)"
        )
    if not np.all(np.isfinite(signal)):
        raise SignalError("the capture holds values that are no numbers (NaN or infinite): capture it again")
    if resolution is None and not np.any(signal):
        raise SignalError("digital silence in samples of unknown step: nothing can be told; capture integer samples")
    floor, hum_hz, hum = _floor_and_hum(signal, bin_hz, resolution)
    inside, bins_hz = band_weight(len(floor.power), bin_hz, band_hz), np.arange(float(len(floor.power))) * bin_hz
    heard = (hum_hz >= band_hz[0]) & (hum_hz <= band_hz[1])
    return {
        name: _read(floor, inside * gain(bins_hz), hum[heard] * gain(hum_hz[heard]))
        for name, gain in weightings.items()
    }


def _floor_and_hum(
    signal: FloatArray, bin_hz: float, resolution: float | None
) -> tuple[NoiseFloor, FloatArray, FloatArray]:
    """Return the noise between the lines of the mains, and where these are (Hz) and their mean-square values."""
    frames = len(signal)
    least_per_bin = 0.0 if resolution is None else 2.0 * (resolution**2 / 12.0) / frames
    spectrum = rfft(signal - np.mean(signal))
    cleaned, places = windowed(spectrum, frames), np.zeros(1)
    mains = find_mains(cleaned, places, frames, bin_hz, least_per_bin=least_per_bin)
    if mains is not None:
        places = np.concatenate([places, mains.positions])
    amplitudes = fit_lines(spectrum, frames, places)
    add_lines(cleaned, frames, places, -amplitudes)
    floor = noise_floor(cleaned, lobes(places, len(cleaned)), places, frames, bin_hz, least_per_bin=least_per_bin)
    hum = np.abs(amplitudes) ** 2 / 2 - line_noise(floor.at_lines)
    return floor, places[1:] * bin_hz, np.maximum(hum[1:], 0.0)


def _read(floor: NoiseFloor, weight: FloatArray, hum: FloatArray) -> PowerSum:
    """Return noise and hum under a weight; where rounding alone must have given more, what it may be at most.

    A line that stands in noise of a bin's size n spreads by √(2·P·n).
    """
    noise, of_noise = floor.in_band(weight)
    of_hum = float(np.max(line_noise(floor.at_lines))) * 2.0 * float(np.sum(hum))
    return floor.stated(noise + float(np.sum(hum)), math.sqrt(of_noise**2 + of_hum), weight)
