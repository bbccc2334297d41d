"""How a measured response keeps to an equalization: deviation, which of two targets it follows, its time constants.

Sources: the curves of `equalization_curves`; fit by weighted least squares on the logarithm of gain (Gauss–Newton with
the exact Jacobian), covariance after JCGM 100:2008, 5.2 and Bevington & Robinson, ch. 8.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from audiomeas.analysis.equalization_curves import Equalization, TimeConstant
from audiomeas.analysis.factors import DB_PER_NEPER, TWO_SIDED_95

FloatArray = NDArray[np.float64]

#: What no point is better than (standard deviation, dB): otherwise a few clean points would hold the whole fit.
_LEAST_DB = 0.001
#: A placement treats points alike that are better than this (dB): it is a matter of the curve, not of noise.
_ALIKE_DB = 0.01
#: Two targets that differ by less than this over the band (r.m.s., dB, after placement) can't be told apart.
_LEAST_APART_DB = 0.02
#: A constant is not told when its 95 % half-width exceeds this part of it: the band holds too little of its corner.
_WIDEST = 0.3


@dataclass(frozen=True, kw_only=True)
class Deviation:
    """Measured minus target, placed. Arrays are (points,).

    deviation_db, uncertainty_db : at all points, with the 95 % half-width (that of the placement included).
    offset_db : what the placement took away: the gain where the target's curve is 0 dB (at its reference).
    rms_db : over the band, in equal parts of log frequency.
    """

    deviation_db: FloatArray
    uncertainty_db: FloatArray
    offset_db: float
    rms_db: float


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Two targets against one response, both placed by best fit over the band.

    better : 0 or 1, None when the band can't tell them apart.  rms_db : of what is left with each.
    apart_db : r.m.s. by which the targets themselves differ over the band after placement.
    """

    better: int | None
    rms_db: tuple[float, float]
    apart_db: float

    @property
    def by_db(self) -> float:
        """By how much the r.m.s. deviation from the better one is smaller."""
        return abs(self.rms_db[0] - self.rms_db[1])


@dataclass(frozen=True, kw_only=True)
class FittedConstant:
    """A time constant as measured. uncertainty : relative 95 % half-width.  tau_s : None when the band can't tell."""

    nominal: TimeConstant
    tau_s: float | None
    uncertainty: float

    @property
    def error(self) -> float | None:
        """Relative error against the nominal value."""
        return None if self.tau_s is None else self.tau_s / self.nominal.tau_s - 1.0


@dataclass(frozen=True, kw_only=True)
class Fit:
    """All time constants of a target, fitted together with the gain. rms_db : what the fit leaves."""

    constants: tuple[FittedConstant, ...]
    rms_db: float


def deviation(
    frequency_hz: FloatArray,
    gain_db: FloatArray,
    uncertainty_db: FloatArray,
    target: Equalization,
    *,
    reference_hz: float = 1000.0,
    best_fit: bool = False,
    band_hz: tuple[float, float],
) -> Deviation:
    """Return how a measured gain deviates from a target.

    frequency_hz, gain_db, uncertainty_db : (points,), ascending; 95 % half-widths, without the common scale.
    reference_hz : there the deviation is 0 dB, unless `best_fit` places the target by weighted least squares over
    band_hz (equal parts of log frequency count alike).
    Raises ValueError: arrays of other shapes, NaN, no point in the band, reference outside of the points.
    """
    _checked(frequency_hz, gain_db, uncertainty_db)
    raw_db = gain_db - target.gain_db(frequency_hz, reference_hz=reference_hz)
    weights = _band_weights(frequency_hz, uncertainty_db, band_hz)
    if best_fit:
        offset_db = float(weights @ raw_db)
        # As if noise moved all points of the band together: never too small, and it hardly counts.
        offset_uncertainty_db = float(weights @ uncertainty_db)
    else:
        at = _index_of(frequency_hz, reference_hz)
        offset_db, offset_uncertainty_db = float(raw_db[at]), float(uncertainty_db[at])
    placed_db = raw_db - offset_db
    shares = _band_weights(frequency_hz, np.zeros(len(frequency_hz)), band_hz)
    return Deviation(
        deviation_db=placed_db,
        uncertainty_db=np.hypot(uncertainty_db, offset_uncertainty_db),
        offset_db=offset_db,
        rms_db=float(np.sqrt(shares @ placed_db**2)),
    )


def compare(
    frequency_hz: FloatArray,
    gain_db: FloatArray,
    uncertainty_db: FloatArray,
    targets: tuple[Equalization, Equalization],
    *,
    band_hz: tuple[float, float],
) -> Comparison:
    """Return which of two targets a response follows more closely over a band. Arguments as in `deviation`.

    The answer is None when the targets differ over the band by less than 0.02 dB or less than the points are known,
    and when the response strays from both by more than that.
    """
    found = [
        deviation(frequency_hz, gain_db, uncertainty_db, target, best_fit=True, band_hz=band_hz) for target in targets
    ]
    between_db = targets[0].gain_db(frequency_hz)
    nothing = np.zeros(len(frequency_hz))
    apart = deviation(frequency_hz, between_db, nothing, targets[1], best_fit=True, band_hz=band_hz)
    shares = _band_weights(frequency_hz, nothing, band_hz)
    known_db = float(np.sqrt(shares @ uncertainty_db**2))
    first_db, second_db = (one.rms_db for one in found)
    # What strays from both by more than they differ follows neither.
    told = apart.rms_db > max(_LEAST_APART_DB, known_db, min(first_db, second_db))
    return Comparison(
        better=int(second_db < first_db) if told else None,
        rms_db=(first_db, second_db),
        apart_db=apart.rms_db,
    )


def fit_time_constants(
    frequency_hz: FloatArray,
    gain_db: FloatArray,
    uncertainty_db: FloatArray,
    target: Equalization,
    *,
    band_hz: tuple[float, float],
    resolution_hz: FloatArray | None = None,
) -> Fit:
    """Return the time constants with which the target's network has the measured gain.

    Arguments as in `deviation`.  resolution_hz : (points,), points closer together than this tell the same thing; they
    count as one (an impulse response kept for W seconds resolves 1/W).
    The uncertainty covers the points' own and, where the network does not explain the response, that (chi-squared per
    degree of freedom above 1); it does not cover parts of the unit that the network doesn't have and that mimic it.
    Raises ValueError as `deviation`, and when the band holds too few points.
    """
    _checked(frequency_hz, gain_db, uncertainty_db)
    inside = _inside(frequency_hz, band_hz)
    count = len(target.constants)
    if np.count_nonzero(inside) < count + 4:
        raise ValueError(f"too few points to fit {count} time constants: widen the band")
    frequency_hz, measured_db = frequency_hz[inside], gain_db[inside]
    sigma_db = np.hypot(uncertainty_db[inside] / TWO_SIDED_95, _LEAST_DB)
    if resolution_hz is not None:
        sigma_db = sigma_db * np.sqrt(np.maximum(1.0, resolution_hz[inside] / np.gradient(frequency_hz)))
    nominal = np.array([constant.tau_s for constant in target.constants])

    def left(parameters: FloatArray) -> FloatArray:
        network = _with(target, nominal * np.exp(parameters[1:]))
        size = np.abs(network.response(frequency_hz))
        return np.asarray((20.0 * np.log10(size) + parameters[0] - measured_db) / sigma_db)

    def slope(parameters: FloatArray) -> FloatArray:
        columns = [np.ones(len(frequency_hz))]
        for constant, change in zip(target.constants, parameters[1:], strict=True):
            columns.append(_slope_db(constant, constant.tau_s * float(np.exp(change)), frequency_hz))
        return np.stack(columns, axis=1) / sigma_db[:, np.newaxis]

    start = np.zeros(count + 1)
    start[0] = -float(np.mean(left(start) * sigma_db))
    # A constant that is off by more than e^3 is another network.
    edge = np.array([np.inf, *[3.0] * count])
    solved = least_squares(left, start, jac=slope, bounds=(-edge, edge), x_scale="jac", xtol=1e-12, ftol=1e-14)
    return _told(target, nominal, solved.x, solved.fun, slope(solved.x), sigma_db)


def _told(
    target: Equalization,
    nominal: FloatArray,
    parameters: FloatArray,
    residuals: FloatArray,
    jacobian: FloatArray,
    sigma_db: FloatArray,
) -> Fit:
    """Return the fit with its uncertainties."""
    chi_squared = float(residuals @ residuals) / (len(residuals) - len(parameters))
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * max(1.0, chi_squared)
    widths = TWO_SIDED_95 * np.sqrt(np.diag(covariance))[1:]
    constants = tuple(
        FittedConstant(
            nominal=constant,
            tau_s=float(tau_s * np.exp(change)) if width <= _WIDEST and abs(change) < 2.9 else None,
            uncertainty=float(width),
        )
        for constant, tau_s, change, width in zip(target.constants, nominal, parameters[1:], widths, strict=True)
    )
    return Fit(constants=constants, rms_db=float(np.sqrt(np.mean((residuals * sigma_db) ** 2))))


def _slope_db(constant: TimeConstant, tau_s: float, frequency_hz: FloatArray) -> FloatArray:
    """Return the change of gain in dB per relative change of a time constant."""
    square = (2.0 * np.pi * frequency_hz * tau_s) ** 2
    if constant.kind == "cut":
        return np.asarray(DB_PER_NEPER / (1.0 + square))
    return np.asarray((DB_PER_NEPER if constant.kind == "rise" else -DB_PER_NEPER) * square / (1.0 + square))


def _with(target: Equalization, tau_s: FloatArray) -> Equalization:
    constants = tuple(replace(one, tau_s=float(tau)) for one, tau in zip(target.constants, tau_s, strict=True))
    return replace(target, constants=constants)


def _inside(frequency_hz: FloatArray, band_hz: tuple[float, float]) -> NDArray[np.bool_]:
    low_hz, high_hz = band_hz
    inside = (frequency_hz >= low_hz * (1.0 - 1e-9)) & (frequency_hz <= high_hz * (1.0 + 1e-9))
    if not np.any(inside):
        raise ValueError(f"no measured point lies between {low_hz:g} and {high_hz:g} Hz")
    return inside


def _band_weights(frequency_hz: FloatArray, uncertainty_db: FloatArray, band_hz: tuple[float, float]) -> FloatArray:
    """Return weights that sum to 1: zero outside the band, else the point's part of log frequency over its variance."""
    inside = _inside(frequency_hz, band_hz)
    part = np.gradient(np.log(frequency_hz)) if len(frequency_hz) > 1 else np.ones(1)
    weights = np.where(inside, part / (uncertainty_db**2 + _ALIKE_DB**2), 0.0)
    return np.asarray(weights / np.sum(weights))


def _index_of(frequency_hz: FloatArray, wanted_hz: float) -> int:
    nearest = int(np.argmin(np.abs(np.log(frequency_hz / wanted_hz))))
    if abs(frequency_hz[nearest] / wanted_hz - 1.0) > 1e-6:
        raise ValueError(f"no point was measured at {wanted_hz:g} Hz, the reference")
    return nearest


def _checked(frequency_hz: FloatArray, gain_db: FloatArray, uncertainty_db: FloatArray) -> None:
    if not frequency_hz.ndim == 1 or not frequency_hz.shape == gain_db.shape == uncertainty_db.shape:
        raise ValueError("frequency, gain and uncertainty must be three arrays of one length")
    if not all(np.all(np.isfinite(values)) for values in (frequency_hz, gain_db, uncertainty_db)):
        raise ValueError("a response to compare with an equalization must hold finite numbers only")
    if not (len(frequency_hz) > 1 and frequency_hz[0] > 0.0 and np.all(np.diff(frequency_hz) > 0.0)):
        raise ValueError("the frequencies of a response must rise, from above zero")
    if np.any(uncertainty_db < 0.0):
        raise ValueError("an uncertainty can't be negative")
