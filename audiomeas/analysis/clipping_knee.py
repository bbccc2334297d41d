"""The knee of a unit seen in the waves that it makes: a memoryless transfer with a rail and a sharpness for each half.

A half is straight at first and flat at last, and bends between in one of two ways, the one that fits better:
- y = x/(1 + (x/r)^s)^(1/s): bends a little everywhere, as tubes and units without feedback do (s about 2 … 10);
- a parabola from r(1 − 1/s) to r(1 + 1/s): straight up to where it begins to bend, as feedback makes it.
r is the rail, s the sharpness (a hard limit: s → ∞). Rails may fall with level (`fall`: a supply that sags).
The harmonics that a sine gets from it are integrals over a quarter of a period (midpoint rule); the transfer is fitted
to those of the bursts that clip, in size and sign, so that a unit's halves are told apart. It need not be true: it
says how distortion runs between two bursts, and the bursts say how high it is.
"""

from __future__ import annotations

import enum
import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from audiomeas.analysis.factors import DB_PER_NEPER

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Points of a quarter of a period.
_POINTS = 256
#: Orders that the knee is fitted to and told for; what lies above is small and scaled by the bursts.
MOST_ORDERS = 40
#: Sharpness: the least, and where a fit starts, above the least.
_LEAST_SHARPNESS = 1.2
_USUAL_SHARPNESS = 30.0
#: A burst's harmonics count with this relative error, and with one as large again at this much distortion: the nearer
#: to the knee a burst is, the more it tells about it.
_MODEL_ERROR = 0.01
_FAR_DISTORTION = 0.03
#: Trials of a fit at most; some fifty are usual.
_MOST_TRIALS = 300
#: Where drive is looked for, relative to the fundamentals, and in how many steps; in fewer while the knee is fitted.
_UNDONE, _UNDONE_POINTS, _UNDONE_FITTING = (0.9, 4.0), 400, 60
#: A fit that changes by less than this (relative) is done.
_CLOSE = 1e-5
#: A half has shown its rail when bursts went so far into its bend, dB. By 200 random amplifiers: with it, as many rails
#: are within their half-widths as there should be; without it, halves that had not clipped were given a rail just above
#: the loudest burst.
_SHOWN_DB = 0.1
#: No sharper than this (logarithm): harder is no different.
_MOST_LOG_SHARPNESS = 8.0
#: What is usual, as standard deviations that hold the fit where the bursts don't: halves alike in rail (relative) and
#: in sharpness (logarithm), the sharpness (logarithm) itself, and rails that fall little with level (relative, per dB).
_ALIKE_RAIL, _ALIKE_SHARPNESS, _ANY_SHARPNESS, _LITTLE_FALL = 0.3, 1.0, 2.0, 0.02


class Bend(enum.Enum):
    """How a half bends into its rail."""

    EVERYWHERE = "everywhere"
    PARABOLA = "parabola"


@dataclass(frozen=True, kw_only=True)
class Knee:
    """rail_v, sharpness : of the upper and the lower half.   fall : relative fall of both rails per neper of drive
    above `at_drive_v`.   asymmetry_spread_db : standard deviation of `asymmetry_db`, as the fit leaves it open.
    """

    rail_v: tuple[float, float]
    sharpness: tuple[float, float]
    fall: float
    at_drive_v: float
    bend: Bend
    asymmetry_spread_db: float

    @property
    def asymmetry_db(self) -> float:
        """Upper rail over lower rail, dB; negative: the upper half clips first."""
        return 20.0 * math.log10(self.rail_v[0] / self.rail_v[1])

    def over_db(self, drive_db: float) -> float:
        """Return how far a drive lies above the rail that is met first."""
        return drive_db - 20.0 * math.log10(min(self.rail_v))

    def shows_both(self, drive_db: float) -> bool:
        """Tell whether bursts up to a drive reach into the bend of the half that clips last."""
        rail_v, sharpness = max(zip(self.rail_v, self.sharpness, strict=True))
        return drive_db > 20.0 * math.log10(rail_v * (1.0 - 1.0 / sharpness)) + _SHOWN_DB

    def lines(self, drive_v: FloatArray, orders: int) -> ComplexArray:
        """Return what a sine becomes: (levels, orders) complex peak amplitudes of sines, from the fundamental on.

        drive_v : (levels,) peak that the output would have without clipping.
        """
        log_drive = np.log(drive_v)
        log_fall = -self.fall * (log_drive - math.log(self.at_drive_v))
        grid = _grid(orders)
        upper, lower = (
            _LIMITED[self.bend](log_drive[:, None] + grid.log_sine, (math.log(rail) + log_fall)[:, None], sharpness)
            for rail, sharpness in zip(self.rail_v, self.sharpness, strict=True)
        )
        return np.asarray((upper + lower) @ grid.odd + 1j * ((upper - lower) @ grid.even), dtype=np.complex128)

    def undone(self, fundamental_v: FloatArray, points: int = _UNDONE_POINTS) -> FloatArray:
        """Return the drives at which it gives fundamentals; the most that it can give stands for more.

        points : of the drives between which it is drawn.
        """
        low_v, high_v = _UNDONE[0] * float(np.min(fundamental_v)), _UNDONE[1] * float(np.max(fundamental_v))
        drive_v = np.geomspace(low_v, high_v, points)
        made_v = np.maximum.accumulate(self.lines(drive_v, 2)[:, 0].real)
        return np.asarray(np.exp(np.interp(np.log(fundamental_v), np.log(made_v), np.log(drive_v))))


@dataclass(frozen=True)
class _Grid:
    """ln sin θ at the midpoints of a quarter period, and the weights of each order there: (points, orders)."""

    log_sine: FloatArray
    odd: FloatArray
    even: FloatArray


@functools.lru_cache(maxsize=8)
def _grid(orders: int) -> _Grid:
    angle = (np.arange(_POINTS) + 0.5) * (np.pi / 2 / _POINTS)
    order = np.arange(1, orders + 1)
    turns = np.multiply.outer(angle, order)
    return _Grid(
        log_sine=np.log(np.sin(angle)),
        odd=np.where(order % 2 == 1, np.sin(turns), 0.0) / _POINTS,
        even=np.where(order % 2 == 0, np.cos(turns), 0.0) / _POINTS,
    )


def _bent_everywhere(log_x: FloatArray, log_rail: FloatArray, sharpness: float) -> FloatArray:
    return np.asarray(np.exp(log_x - np.logaddexp(0.0, sharpness * (log_x - log_rail)) / sharpness))


def _bent_as_parabola(log_x: FloatArray, log_rail: FloatArray, sharpness: float) -> FloatArray:
    x, rail = np.exp(log_x), np.exp(log_rail)
    start, reach = rail * (1.0 - 1.0 / sharpness), 2.0 * rail / sharpness
    bending = np.clip(x - start, 0.0, reach)
    return np.asarray(np.minimum(x, start) + bending - bending**2 / (2.0 * reach))


_LIMITED = {Bend.EVERYWHERE: _bent_everywhere, Bend.PARABOLA: _bent_as_parabola}


def fit_knee(
    drive_v: FloatArray, relative: ComplexArray, spread: FloatArray, rail_v: float, *, is_fundamental: bool = False
) -> Knee:
    """Fit the knee to bursts that clip.

    drive_v : (bursts,) peak that the output would have without clipping.   relative : (bursts, orders − 1) harmonics
    from the second on as sines relative to the fundamental, less those that are there without clipping.
    spread : (bursts, orders − 1) standard deviation of each.   rail_v : where to start, about the clipped peak.
    is_fundamental : drive is not known; `drive_v` holds the fundamentals' peaks instead.
    """
    found = [_fitted(bend, drive_v, relative, spread, rail_v, is_fundamental) for bend in Bend]
    return min(found, key=lambda one: one[0])[1]


def _fitted(
    bend: Bend,
    drive_v: FloatArray,
    relative: ComplexArray,
    spread: FloatArray,
    rail_v: float,
    is_fundamental: bool,
) -> tuple[float, Knee]:
    """Return how badly a kind of knee fits, and the best of it."""
    orders = relative.shape[1] + 1
    distortion = np.sqrt(np.sum(np.abs(relative) ** 2, axis=1))[:, None]
    scale = 1.0 / np.hypot(_MODEL_ERROR * distortion * (1.0 + distortion / _FAR_DISTORTION), spread)
    is_odd = np.arange(2, orders + 1) % 2 == 1
    seen = np.where(is_odd, relative.real, relative.imag) * scale
    at_drive_v = float(np.exp(np.mean(np.log(drive_v))))

    def knee(parameters: FloatArray, asymmetry_spread_db: float = math.inf) -> Knee:
        rails = np.exp(parameters[:2])
        sharpness = _LEAST_SHARPNESS + np.exp(np.minimum(parameters[2:4], _MOST_LOG_SHARPNESS))
        return Knee(
            rail_v=(float(rails[0]), float(rails[1])),
            sharpness=(float(sharpness[0]), float(sharpness[1])),
            fall=float(parameters[4]),
            at_drive_v=at_drive_v,
            bend=bend,
            asymmetry_spread_db=asymmetry_spread_db,
        )

    def strain(parameters: FloatArray) -> FloatArray:
        now = knee(parameters)
        lines = now.lines(now.undone(drive_v, _UNDONE_FITTING) if is_fundamental else drive_v, orders)
        told = np.where(is_odd, lines[:, 1:].real, lines[:, 1:].imag) / lines[:, :1].real * scale
        usual = (
            (parameters[0] - parameters[1]) / _ALIKE_RAIL,
            (parameters[2] - parameters[3]) / _ALIKE_SHARPNESS,
            (parameters[2] + parameters[3] - 2.0 * math.log(_USUAL_SHARPNESS)) / _ANY_SHARPNESS,
            parameters[4] / (_LITTLE_FALL * DB_PER_NEPER),
        )
        return np.concatenate([(told - seen).ravel(), usual])

    start = np.array([math.log(rail_v)] * 2 + [math.log(_USUAL_SHARPNESS)] * 2 + [0.0])
    best = least_squares(strain, start, method="lm", ftol=_CLOSE, xtol=_CLOSE, max_nfev=_MOST_TRIALS)
    return float(best.cost), knee(best.x, _rails_apart_db(np.asarray(best.jac), float(best.cost)))


def _rails_apart_db(jacobian: FloatArray, cost: float) -> float:
    """Return the standard deviation of the rails' ratio in dB, from a fit's Jacobian (strains, parameters) and cost.

    Strains are in standard deviations. Where the fit leaves more than these, as where a knee has another shape, all
    that it tells is as much less sure.
    """
    left = max(1.0, 2.0 * cost / max(len(jacobian) - jacobian.shape[1], 1))
    apart = np.array([1.0, -1.0, 0.0, 0.0, 0.0])
    return DB_PER_NEPER * math.sqrt(left * float(apart @ np.linalg.pinv(jacobian.T @ jacobian) @ apart))
