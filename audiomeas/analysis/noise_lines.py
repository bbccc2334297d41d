"""Single lines in a noise density: what stands above the floor and is no hum, and a tone that was left on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainccinv

from audiomeas.analysis.density import DC_BINS, Density
from audiomeas.analysis.factors import TWO_SIDED_95

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Chance that noise alone shows a line anywhere in a spectrum.
_FALSE_ALARM = 0.001
#: The floor is an estimate, and noise has slopes: a line stands at least this much (power) above it, and above what
#: chance makes of the floor by this factor.
_LEAST_OVER, _FLOOR_DOUBT = 4.0, 1.5
#: Bins on each side that hold a line's power, all but 4e-5 of it, wherever it lies between two.
_LOBE = 3
#: A line's skirt falls with the third power of the distance, from 0.64 of its peak (amplitude).
_SKIRT = 0.64
#: Bins within which a stated frequency and a line are one.
_SAME = 1.0
#: A line that holds this part of the power makes a capture of noise one of a tone.
_MOST = 0.5
#: Hum is strong at its first multiples; what holds most of the power above this is another tone at such a place
#: (1 kHz is the 20th multiple of 50 Hz).
_HUM_ENDS_HZ = 400.0
#: Lines below this part of all that was captured, DC included, are the rounding of the computation, not the signal.
_ROUNDING = 1e-13


@dataclass(frozen=True, kw_only=True)
class NoiseLine:
    """A line: frequency, level (noise under it taken off), and 95 % half-width of the level."""

    frequency_hz: float
    level_v_rms: float
    uncertainty_v_rms: float


def noise_lines(density: Density, *, without_hz: Sequence[float] = ()) -> tuple[NoiseLine, ...]:
    """Return the lines of a density, rising in frequency. without_hz : lines told elsewhere (hum), left out."""
    known = np.asarray(without_hz, dtype=np.float64)
    found = (_line(density, peak) for peak in _peaks(density))
    least = _ROUNDING * math.sqrt(density.total_mean_square + density.mean_v**2)
    return tuple(line for line in found if line.level_v_rms > least and not _is_known(line, known, density.bin_hz))


def left_on(density: Density, *, without_hz: Sequence[float] = ()) -> NoiseLine | None:
    """Return the line that holds most of a capture's power, or None. without_hz : hum, which is no tone left on."""
    lines = noise_lines(density, without_hz=[hz for hz in without_hz if hz <= _HUM_ENDS_HZ])
    whole = density.level().mean_square
    strongest = max(lines, key=lambda line: line.level_v_rms, default=None)
    if strongest is None or strongest.level_v_rms**2 <= _MOST * whole:
        return None
    return strongest


def line_bins(density: Density) -> BoolArray:
    """Return which bins lie under a line or its skirt, (bins,); DC's are among them."""
    taken = np.zeros(len(density.v2_per_hz), dtype=np.bool_)
    taken[:DC_BINS] = True
    for peak in _peaks(density):
        reach = _reach(density, peak)
        taken[max(0, peak - reach) : peak + reach + 1] = True
    return taken


def _peaks(density: Density) -> list[int]:
    """Return the bins of the lines, rising; a weaker one on another's skirt is part of it."""
    power, floor = density.v2_per_hz, density.floor
    over = np.where(floor > 0, power / np.where(floor > 0, floor, 1.0), np.where(power > 0, np.inf, 0.0))
    over[:DC_BINS] = 0.0
    averages = density.averages
    chance = float(gammainccinv(averages, _FALSE_ALARM / len(power))) / averages
    places = np.flatnonzero(over > max(_LEAST_OVER, _FLOOR_DOUBT * chance))
    taken = np.zeros(len(power), dtype=np.bool_)
    peaks = []
    for place in places[np.argsort(-power[places], kind="stable")]:
        if taken[place]:
            continue
        reach = _reach(density, int(place))
        taken[max(0, place - reach) : place + reach + 1] = True
        peaks.append(int(place))
    return sorted(peaks)


def _reach(density: Density, peak: int) -> int:
    """Return how many bins from a line its skirt stays above the floor."""
    floor = float(density.floor[peak])
    if floor <= 0:
        return _LOBE
    amplitude = math.sqrt(max(float(density.v2_per_hz[peak]) / floor, 1.0))
    return _LOBE + math.ceil(math.cbrt(_SKIRT * amplitude))


def _line(density: Density, peak: int) -> NoiseLine:
    low, high = max(peak - _LOBE, DC_BINS), min(peak + _LOBE + 1, len(density.v2_per_hz))
    around = density.v2_per_hz[low:high]
    power = float(np.sum(np.clip(around - density.floor[low:high], 0.0, None))) * density.bin_hz
    band = ((low - 0.5) * density.bin_hz, min((high - 0.5) * density.bin_hz, density.sample_rate_hz / 2))
    deviation = density.level(band).standard_deviation
    level = math.sqrt(power)
    return NoiseLine(
        frequency_hz=_place(density, peak) * density.bin_hz,
        level_v_rms=level,
        uncertainty_v_rms=math.sqrt(power + TWO_SIDED_95 * deviation) - level,
    )


def _place(density: Density, peak: int) -> float:
    """Return a line's place in bins: δ = (2r − 1)/(1 + r) for Hann, r the ratio of the larger neighbour to the peak.

    Source: D. Rife and G. Vincent, Bell Syst. Tech. J. 49 (1970), for windows of the family sin^2p.
    """
    if not DC_BINS < peak < len(density.v2_per_hz) - 1:
        return float(peak)
    clear = np.sqrt(np.clip(density.v2_per_hz - density.floor, 0.0, None)[peak - 1 : peak + 2])
    side = 1 if clear[2] >= clear[0] else -1
    ratio = float(max(clear[0], clear[2]) / clear[1]) if clear[1] > 0 else 0.5
    return peak + side * float(np.clip((2.0 * ratio - 1.0) / (1.0 + ratio), 0.0, 0.5))


def _is_known(line: NoiseLine, known: FloatArray, bin_hz: float) -> bool:
    return bool(np.any(np.abs(known - line.frequency_hz) <= _SAME * bin_hz))
