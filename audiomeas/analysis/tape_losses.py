"""What short waves lose between tape and head: by distance and by the width of the gap; fitted to a response.

R. Wallace, Bell Syst. Tech. J. 30 (1951), 1145-1173: a distance d takes 54.6·d/λ dB off the wavelength λ = v/f, a gap g
leaves sin(πg/λ)/(πg/λ).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import stdtrit

FloatArray = NDArray[np.float64]

#: 20·lg(e)·2π: dB of Wallace's exponential for a distance of one wavelength.
SPACING_DB_PER_WAVE = 40.0 * math.pi * math.log10(math.e)
#: A gap of a wavelength reads nothing; no useful one comes so near.
_LARGEST_GAP = 0.9
_COVERED = 0.975


@dataclass(frozen=True, kw_only=True)
class Fitted:
    """A length as fitted, in metres. half_width_m : 95 %.   at_most : not told from none, a bound."""

    metres: float
    half_width_m: float
    at_most: bool


@dataclass(frozen=True, kw_only=True)
class Losses:
    """spacing, gap : together they explain the response.   rms_db : what they leave of it."""

    spacing: Fitted
    gap: Fitted
    rms_db: float


def losses_db(frequency_hz: FloatArray, *, spacing_m: float, gap_m: float, speed_m_per_s: float) -> FloatArray:
    """Return the loss in dB, negative, (points,)."""
    waves = np.asarray(frequency_hz, dtype=np.float64) / speed_m_per_s
    gap = np.maximum(np.abs(np.sinc(gap_m * waves)), 1e-15)
    return np.asarray(20.0 * np.log10(gap) - SPACING_DB_PER_WAVE * spacing_m * waves)


def fitted_losses(
    frequency_hz: FloatArray, level_db: FloatArray, uncertainty_db: FloatArray, *, speed_m_per_s: float
) -> Losses | None:
    """Return the distance and the gap that a response tells, with an offset of its own; None: too few points.

    frequency_hz, level_db, uncertainty_db : (points,); uncertainties are 95 % half-widths.
    """
    if len(frequency_hz) < 5:
        return None
    hz, sigma = np.asarray(frequency_hz, dtype=np.float64), np.maximum(uncertainty_db, 0.01)
    shortest_m = speed_m_per_s / float(np.max(hz))

    # The loss of a small gap goes with its square: that is fitted, so that its scatter is even around none, too.
    def rest(found: FloatArray) -> FloatArray:
        told = losses_db(
            hz,
            spacing_m=found[1] * shortest_m,
            gap_m=math.sqrt(max(found[2], 0.0)) * shortest_m,
            speed_m_per_s=speed_m_per_s,
        )
        return np.asarray((level_db - found[0] - told) / sigma)

    start = [float(np.mean(level_db)), 0.05, 0.1]
    limits = ([-np.inf, 0.0, 0.0], [np.inf, 5.0, _LARGEST_GAP**2])
    fit = least_squares(rest, start, bounds=limits, x_scale=[1.0, 0.1, 0.1])
    freedom = len(hz) - len(start)
    jacobian = np.asarray(fit.jac, dtype=np.float64)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * max(float(np.sum(fit.fun**2)) / freedom, 1.0)
    half = float(stdtrit(freedom, _COVERED)) * np.sqrt(np.diag(covariance))
    return Losses(
        spacing=_fitted(float(fit.x[1]), float(half[1]), power=1, unit_m=shortest_m),
        gap=_fitted(float(fit.x[2]), float(half[2]), power=2, unit_m=shortest_m),
        rms_db=float(np.sqrt(np.mean((fit.fun * sigma) ** 2))),
    )


def _fitted(value: float, half: float, *, power: int, unit_m: float) -> Fitted:
    """Return a length whose power was fitted, in units."""
    if value > half:
        length = value ** (1.0 / power)
        return Fitted(metres=length * unit_m, half_width_m=half * length / (power * value) * unit_m, at_most=False)
    return Fitted(metres=(value + half) ** (1.0 / power) * unit_m, half_width_m=0.0, at_most=True)
