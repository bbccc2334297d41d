"""Octave and third-octave bands (IEC 61260-1, base ten) from a density, and a density thinned for a chart."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.density import DC_BINS, Density, NoiseLevel

FloatArray = NDArray[np.float64]

#: IEC 61260-1 (2014), 5.2: the octave ratio of the base-ten system is 10^(3/10); midbands of 1/1 and 1/3 octaves are
#: 1000·10^(x/10), x a multiple of 3 for octaves.
_REFERENCE_HZ = 1000.0
_TENTHS = {1: 3, 3: 1}
#: R10 numbers that name the bands (IEC 61260-1, annex; ISO 266).
_NOMINAL = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


@dataclass(frozen=True, kw_only=True)
class Band:
    """A band. nominal_hz : its name.   midband_hz, lower_hz, upper_hz : exact."""

    nominal_hz: float
    midband_hz: float
    lower_hz: float
    upper_hz: float


@dataclass(frozen=True, kw_only=True)
class BandLevel:
    """A band and the level in it."""

    band: Band
    level: NoiseLevel


def octave_bands(low_hz: float, high_hz: float, *, per_octave: int) -> tuple[Band, ...]:
    """Return the bands that lie wholly between two frequencies, rising. per_octave : 1 or 3."""
    tenths = _TENTHS.get(per_octave)
    if tenths is None:
        raise ValueError("bands are octaves (1) or third octaves (3)")
    if not (0 < low_hz < high_hz and math.isfinite(high_hz)):
        raise ValueError("bands lie between two frequencies above 0")
    first = math.ceil(10.0 * math.log10(low_hz / _REFERENCE_HZ) / tenths) - 1
    last = math.floor(10.0 * math.log10(high_hz / _REFERENCE_HZ) / tenths) + 1
    every = (_band(number * tenths, tenths) for number in range(first, last + 1))
    # Edges that are asked for as such must not be lost to rounding.
    return tuple(b for b in every if b.lower_hz >= low_hz * (1 - 1e-9) and b.upper_hz <= high_hz * (1 + 1e-9))


def band_levels(density: Density, *, per_octave: int, least_bins: float = 2.0) -> tuple[BandLevel, ...]:
    """Return the level in each band that the density can tell: inside its range, at least `least_bins` bins wide."""
    low = (DC_BINS - 0.5) * density.bin_hz
    bands = octave_bands(low, density.sample_rate_hz / 2, per_octave=per_octave)
    told = (band for band in bands if band.upper_hz - band.lower_hz >= least_bins * density.bin_hz)
    return tuple(BandLevel(band=band, level=density.level((band.lower_hz, band.upper_hz))) for band in told)


def thinned(
    frequency_hz: FloatArray, values: FloatArray, *, per_decade: int = 300
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (frequency, mean, peak) of a density in steps of equal ratio, for a chart: no peak is lost.

    frequency_hz, values : (bins,), power density; frequencies not above 0 and values that are no numbers are left out.
    mean : power mean of a step (what the noise is).   peak : its largest value (where a line stands), at that step's
    centre.  Steps that hold one bin or none leave the bin as it is.
    """
    usable = (frequency_hz > 0) & np.isfinite(values)
    frequency, values = frequency_hz[usable], values[usable]
    if len(frequency) == 0:
        return frequency, values, values
    step = np.floor(np.log10(frequency) * per_decade + 0.5).astype(np.intp)
    starts = np.flatnonzero(np.diff(step, prepend=step[0] - 1))
    count = np.diff(starts, append=len(step))
    mean = np.add.reduceat(values, starts) / count
    centre = np.add.reduceat(frequency, starts) / count
    return np.asarray(centre), np.asarray(mean), np.asarray(np.maximum.reduceat(values, starts))


def _band(tenth: int, tenths: int) -> Band:
    midband = _REFERENCE_HZ * 10.0 ** (tenth / 10.0)
    half = 10.0 ** (tenths / 20.0)
    decade, place = divmod(tenth, 10)
    # Through the text: 0.8 and 31.5 as they are written, without the rounding of a product.
    nominal = float(f"{_NOMINAL[place]}e{decade + 3}")
    return Band(nominal_hz=nominal, midband_hz=midband, lower_hz=midband / half, upper_hz=midband * half)
