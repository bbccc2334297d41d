"""Spectra thinned for charts: the highest bin of each cell, so that no line is lost."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.lines import LOBE_BINS, WINDOW_MEAN

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True)
class Spectrum:
    """A spectrum thinned for a chart: the highest bin of each cell. level_db : of lines, re the fundamental."""

    frequency_hz: FloatArray
    level_db: FloatArray


def thinned(
    whole: ComplexArray, frames: int, bin_hz: float, reference_peak: float, edges: NDArray[np.intp]
) -> Spectrum:
    """Return a windowed spectrum at the highest bin of each cell between two edges.

    Levels are those of lines, relative to a line of amplitude `reference_peak`.  edges : (cells + 1,) bins, rising
    (see `log_edges`, `even_edges`); fewer than two give an empty spectrum.
    """
    if len(edges) < 2:
        return Spectrum(frequency_hz=np.empty(0), level_db=np.empty(0))
    power = np.square(whole.real)
    power += np.square(whole.imag)
    where = np.array([a + int(np.argmax(power[a:b])) for a, b in itertools.pairwise(edges)])
    full = (frames * WINDOW_MEAN / 2 * reference_peak) ** 2
    level_db = 10.0 * np.log10(np.maximum(power[where] / full, np.finfo(np.float64).tiny))
    return Spectrum(frequency_hz=where * bin_hz, level_db=level_db)


def log_edges(bins: int, points: int) -> NDArray[np.intp]:
    """Return edges of cells that are equally wide in log frequency, up to the last bin."""
    if points <= 0:
        return np.empty(0, dtype=np.intp)
    return np.unique(np.rint(np.geomspace(LOBE_BINS, bins - 1, points + 1)).astype(np.intp))


def even_edges(bins: int, points: int, from_bin: float, to_bin: float) -> NDArray[np.intp]:
    """Return edges of equally wide cells between two places in bins, DC's lobe left out."""
    first, last = max(from_bin, LOBE_BINS), min(to_bin, bins - 1)
    if points <= 0 or first >= last:
        return np.empty(0, dtype=np.intp)
    return np.unique(np.rint(np.linspace(first, last, points + 1)).astype(np.intp))
