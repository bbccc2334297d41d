"""The corner of 1/f noise: white + 1/f fitted to a density whose lines are left out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.density import Density
from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.analysis.noise_lines import line_bins

FloatArray = NDArray[np.float64]

#: The fit begins above what couplings and subsonic filters take away (Hz and bins), and ends below anti-alias filters
#: and shaped converter noise.
_LOWEST_HZ, _LOWEST_BINS, _HIGHEST_HZ, _HIGHEST_PART = 10.0, 4, 20_000.0, 0.4
#: Bands per octave that the fit is made over; with less than _LEAST_BANDS there is none.
_PER_OCTAVE, _LEAST_BANDS = 3, 6
#: A part stands out when it is this many of its standard deviations …
_SIGNIFICANT = 4.0
#: … and the law holds when the bands keep within their own deviation and this one (5 %, 0.2 dB), in the mean square.
_LAW, _WORST_FIT = 0.05, 2.5
_ROUNDS = 12


@dataclass(frozen=True, kw_only=True)
class Flicker:
    """White + 1/f. corner_hz : where both are equal.   uncertainty_hz : 95 % half-width.   white_v2_per_hz : density
    of the white part.
    """

    corner_hz: float
    uncertainty_hz: float
    white_v2_per_hz: float

    def v2_per_hz(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the fitted density at frequencies above 0."""
        return np.asarray(self.white_v2_per_hz * (1.0 + self.corner_hz / frequency_hz))


def fit_flicker(density: Density, band_hz: tuple[float, float] | None = None) -> Flicker | None:
    """Return the corner of the 1/f part, or None: no such part, no white part, or noise of another law.

    band_hz : fitted, None for 10 Hz (at least four bins) to 20 kHz (at most 0.4 of the rate).
    The law S = W·(1 + f_c/f) is linear in W and W·f_c: least squares over third octaves, weighted by the fitted
    values, which is the maximum of the likelihood of averaged periodograms (P. Whittle, Ark. Mat. 2, 1953, 423-434).
    """
    bands = _bands(density, band_hz)
    if bands is None:
        return None
    value, inverse, relative = bands
    design = np.stack([np.ones_like(inverse), inverse], axis=1)
    parts, covariance = _fitted(design, value, relative)
    fit = design @ parts
    if not bool(np.all(parts > _SIGNIFICANT * np.sqrt(np.diagonal(covariance)))):
        return None
    strays = (value / fit - 1.0) / np.hypot(relative, _LAW)
    if float(np.sum(strays**2)) / (len(value) - 2) > _WORST_FIT:
        return None
    corner = float(parts[1] / parts[0])
    slope = np.array([-corner, 1.0]) / parts[0]
    deviation = math.sqrt(float(slope @ covariance @ slope))
    return Flicker(corner_hz=corner, uncertainty_hz=TWO_SIDED_95 * deviation, white_v2_per_hz=float(parts[0]))


def _bands(density: Density, band_hz: tuple[float, float] | None) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Return the mean density of each band, the mean of 1/f over the same bins, and the relative deviation."""
    low, high = band_hz or (
        max(_LOWEST_HZ, _LOWEST_BINS * density.bin_hz),
        min(_HIGHEST_HZ, _HIGHEST_PART * density.sample_rate_hz),
    )
    free, frequency = ~line_bins(density), density.frequency_hz
    edges = low * 2.0 ** (np.arange(math.ceil(_PER_OCTAVE * math.log2(high / low)) + 1) / _PER_OCTAVE)
    at = np.searchsorted(edges, frequency, side="right") - 1
    usable = free & (frequency >= low) & (frequency <= high) & (density.v2_per_hz > 0)
    count = np.bincount(at[usable], minlength=len(edges))
    held = count > 0
    if int(np.count_nonzero(held)) < _LEAST_BANDS:
        return None
    value = np.bincount(at[usable], density.v2_per_hz[usable], len(edges))[held] / count[held]
    inverse = np.bincount(at[usable], 1.0 / frequency[usable], len(edges))[held] / count[held]
    # Bins of a Hann window depend on their neighbours: a sum of n of them varies like one of n/1.94 (35/18).
    relative = np.sqrt(np.minimum(35.0 / 18.0, count[held]) / (density.averages * count[held]))
    return value, inverse, relative


def _fitted(design: FloatArray, value: FloatArray, relative: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return W and W·f_c, and their covariance. The first weights are the values' own, then the fit's."""
    level = value
    for _ in range(_ROUNDS):
        weight = 1.0 / (relative * level)
        weighted = design * weight[:, None]
        parts = np.linalg.lstsq(weighted, value * weight, rcond=None)[0]
        # A part below 0 would make a level of nothing; the fit is judged by its significance afterwards.
        level = np.maximum(design @ parts, 1e-3 * value)
    return np.asarray(parts, dtype=np.float64), np.asarray(np.linalg.inv(weighted.T @ weighted), dtype=np.float64)
