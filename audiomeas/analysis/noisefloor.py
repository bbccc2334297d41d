"""The noise between the lines of a windowed spectrum, and what it must be under them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.factors import ONE_SIDED_95
from audiomeas.analysis.harmonics import PowerSum
from audiomeas.analysis.lines import ENBW, LOBE_BINS, WINDOW_MEAN_FOURTH, WINDOW_MEAN_SQUARE

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]

#: Bins on each side that tell the noise at a line.
_HALF_WIDTH = 64
#: Fewer free bins than this among them say nothing; then the whole spectrum does.
_LEAST_FREE = 8
#: Variance of a sum of squared bins, relative to that of independent ones: mean(w⁸…) over mean(w²)².
_SUM_VARIANCE = WINDOW_MEAN_FOURTH / WINDOW_MEAN_SQUARE**2
#: Noise below this part of what rounding gives shows that rounding is not spread: it repeats with the tone.
_HIDDEN = 0.5
#: A median of exponential values has 1/ln²2 times the variance of their mean.
_MEDIAN_LOSS = 1.0 / np.log(2.0) ** 2


@dataclass(frozen=True, kw_only=True)
class NoiseFloor:
    """Noise per bin of a capture whose lines were taken out.

    power : (bins,) one-sided mean-square value per bin, filled in under the lines from their surroundings.
    free : (bins,) not under a line.   at_lines : (lines,) local value.   freedom : (lines,) degrees of freedom of it.
    least_per_bin : what rounding the samples must have added, spread evenly; less than that was not seen, but hidden.
    """

    power: FloatArray
    free: BoolArray
    at_lines: FloatArray
    freedom: FloatArray
    bin_hz: float
    frames: int
    least_per_bin: float = 0.0

    def variance_per_sample(self) -> FloatArray:
        """Return, per line, the variance per sample of white noise as strong as the noise around it."""
        return self.at_lines * (self.frames / 2.0)

    def in_band(self, weight: FloatArray) -> tuple[float, float]:
        """Return the mean-square value inside a band and its standard deviation. weight : (bins,), 0 … 1.

        Where less is read than rounding alone must give, all of that is in doubt.
        """
        inside = self.power * weight
        value, least = float(np.sum(inside)), self.least_in_band(weight)
        # A bin of noise has an exponential distribution: the mean of its square is twice its variance.
        deviation = math.sqrt(_SUM_VARIANCE * float(np.sum(inside**2)) / 2.0)
        return value, math.hypot(deviation, least) if value < _HIDDEN * least else deviation

    def least_in_band(self, weight: FloatArray) -> float:
        """Return the mean-square value that rounding the samples must have added inside a band."""
        return self.least_per_bin * float(np.sum(weight))

    def stated(self, value: float, deviation: float, weight: FloatArray) -> PowerSum:
        """Return a mean-square value inside a band; where it is less than rounding alone gives there, as a bound."""
        hidden = value < _HIDDEN * self.least_in_band(weight)
        upper = value + ONE_SIDED_95 * deviation if hidden else value
        return PowerSum(mean_square=value, standard_deviation=deviation, upper_95=upper, at_most=hidden)


def noise_floor(
    cleaned: ComplexArray,
    taken: BoolArray,
    lines: FloatArray,
    frames: int,
    bin_hz: float,
    *,
    least_per_bin: float = 0.0,
    least_at_lines: float = 0.0,
) -> NoiseFloor:
    """Read the noise from a windowed spectrum whose lines were taken out.

    cleaned : (bins,).   taken : (bins,) under a line.   lines : (n,) positions in bins.
    least_per_bin, least_at_lines : what rounding the samples adds, evenly, and on a line that it repeats with.
    """
    power = np.square(cleaned.real)
    power += np.square(cleaned.imag)
    power *= 2.0 / (float(frames) ** 2 * WINDOW_MEAN_SQUARE)
    free = ~taken
    local, freedom = _local(power, free, lines)
    fill = np.rint(lines).astype(np.intp)[:, None] + np.arange(-LOBE_BINS, LOBE_BINS + 1)
    inside = (fill >= 0) & (fill < len(power))
    power[fill[inside]] = np.broadcast_to(local[:, None], fill.shape)[inside]
    return NoiseFloor(
        power=power,
        free=free,
        at_lines=np.maximum(local, least_at_lines),
        freedom=freedom,
        bin_hz=bin_hz,
        frames=frames,
        least_per_bin=least_per_bin,
    )


def median_per_bin(cleaned: ComplexArray, frames: int) -> float:
    """Return the mean-square value per bin of white noise as strong as the median bin of a windowed spectrum."""
    median = float(np.median(np.square(cleaned.real) + np.square(cleaned.imag)))
    return median / math.log(2.0) * 2.0 / (float(frames) ** 2 * WINDOW_MEAN_SQUARE)


def _local(power: FloatArray, free: BoolArray, lines: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean value around each line from the median of the free bins there (spurs don't move it)."""
    bins = np.rint(lines).astype(np.intp)[:, None] + np.arange(-_HALF_WIDTH, _HALF_WIDTH + 1)
    inside = (bins >= 0) & (bins < len(power))
    bins = np.clip(bins, 0, len(power) - 1)
    usable = inside & free[bins]
    count = np.count_nonzero(usable, axis=1)
    ordered = np.sort(np.where(usable, power[bins], np.inf), axis=1)
    row = np.arange(len(lines))
    low, high = np.maximum((count - 1) // 2, 0), np.maximum(count // 2, 0)
    with np.errstate(invalid="ignore"):
        median = (ordered[row, low] + ordered[row, high]) / 2
    independent = np.maximum(count / ENBW, 1.0)
    mean = median / (np.log(2.0) + 0.5 / independent)
    lone = count < _LEAST_FREE
    if np.any(lone):
        everywhere = power[free]
        mean[lone] = float(np.median(everywhere)) / np.log(2.0) if len(everywhere) else 0.0
    return mean, 2.0 * independent / _MEDIAN_LOSS


def band_weight(size: int, bin_hz: float, band_hz: tuple[float, float]) -> FloatArray:
    """Return how much of each bin lies inside a band, (size,): a brick wall, bins on an edge count in part."""
    edges = (np.arange(size + 1) - 0.5) * bin_hz
    low, high = band_hz
    return np.asarray(np.clip(np.minimum(edges[1:], high) - np.maximum(edges[:-1], low), 0.0, bin_hz) / bin_hz)
