"""The half-width that holds 95 % of a sum of rectangular and normal parts.

By propagation of distributions (JCGM 101:2008), by the sum's characteristic function instead of by drawing: the same
input gives the same bits. The factor over the standard uncertainty comes out as it is: 1.65 for one rectangular part
alone, 1.96 for normal ones.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from audiomeas.bench.parts import COVERED, NORMAL_95

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Terms of the Fourier series; of a rectangular part alone, the worst, the half-width is right to 1 part in 10,000.
_TERMS = 1000
#: Terms of the series that are summed as one row.
_ROW = 40
#: A normal part is followed out to so many standard deviations.
_NORMAL_REACH = 6.0
#: Steps of Newton's method at most, and how near (relative) it comes.
_MOST_STEPS, _NEAR = 60, 1e-7
#: Points of a curve done at once: what fits into the processor's caches.
_POINTS_AT_ONCE = 64


def standard_uncertainty(rectangular: Sequence[float], normal: float = 0.0) -> float:
    """Return the root of the sum of squares, a/√3 for a rectangular half-width a (JCGM 100:2008, 4.3.7)."""
    return math.sqrt(sum(half * half / 3.0 for half in rectangular) + normal * normal)


def half_width_95(rectangular: Sequence[float], normal: float = 0.0) -> float:
    """Return the half-width that holds 95 % of the sum.

    rectangular : half-widths of what lies within them evenly.  normal : standard uncertainty; all in one unit.
    Raises ValueError for negative or non-finite parts.
    """
    if not all(math.isfinite(part) and part >= 0.0 for part in (*rectangular, normal)):
        raise ValueError("parts of an uncertainty must be finite and not negative")
    limits = [limit for limit in rectangular if limit > 0.0]
    if not limits:
        return NORMAL_95 * normal
    if len(limits) == 1 and normal == 0.0:
        return COVERED * limits[0]
    return float(_half_widths(limits, np.array([normal]))[0])


def half_widths_95(rectangular: Sequence[float], normal: FloatArray) -> FloatArray:
    """Return `half_width_95` of the same rectangular parts beside each of some normal ones.

    normal : (points,), standard uncertainties. Returns (points,). Points that are no number stay so.
    """
    limits = [limit for limit in rectangular if limit > 0.0]
    if not limits:
        return np.asarray(NORMAL_95 * normal)
    found = np.full(len(normal), np.nan)
    (known,) = np.nonzero(np.isfinite(normal))
    for start in range(0, len(known), _POINTS_AT_ONCE):
        some = known[start : start + _POINTS_AT_ONCE]
        found[some] = _half_widths(limits, normal[some])
    return found


def _half_widths(limits: Sequence[float], sigmas: FloatArray) -> FloatArray:
    """Return the half-widths of rectangular parts beside each of some normal ones, (points,).

    Within ±span, which holds all of it, the sum's density is a Fourier series whose coefficients are its
    characteristic function: a product of sin(x)/x and of exp(−x²/2). What lies within ±h then grows as
    h/span + Σ 2/(πk) φ(πk/span) sin(πk·h/span), in h concave (all parts are even with one hump), so that Newton's
    method rises to 95 % of it from any h too small, as the widest part's own half-width is.
    """
    span = sum(limits) + _NORMAL_REACH * sigmas
    order = np.pi * np.arange(1, _TERMS + 1)[None, :] / span[:, None]
    characteristic = np.exp(-0.5 * (order * sigmas[:, None]) ** 2)
    for limit in limits:
        characteristic *= np.sinc(order * (limit / np.pi))
    integral, half = characteristic / order, np.maximum(COVERED * max(limits), NORMAL_95 * sigmas)
    for _ in range(_MOST_STEPS):
        angle = np.pi * half / span
        inside = half / span + 2.0 * _series(integral, angle).imag / span
        density = (1.0 + 2.0 * _series(characteristic, angle).real) / span
        step = np.maximum(COVERED - inside, 0.0) / density
        half = np.minimum(half + step, span)
        if np.all(step <= _NEAR * half):
            break
    return np.asarray(half)


def _series(coefficients: FloatArray, angle: FloatArray) -> ComplexArray:
    """Return Σ c_k exp(jkα) from k = 1 on of each point, (points,). coefficients : (points, terms).   angle : α.

    Row by row of terms: so few turns are needed, within a row and from row to row.
    """
    rows = coefficients.reshape(len(angle), -1, _ROW)
    within = angle[:, None] * np.arange(1, _ROW + 1)
    between = angle[:, None] * (_ROW * np.arange(rows.shape[1]))
    sums = np.matmul(rows, np.stack([np.cos(within), np.sin(within)], axis=-1))
    return np.asarray(np.sum((sums[..., 0] + 1j * sums[..., 1]) * np.exp(1j * between), axis=1))
