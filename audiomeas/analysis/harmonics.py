"""Harmonics of a tone from the amplitudes of its lines: corrected for noise, with uncertainty or as a bound."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft
from scipy.special import gammaincinv, stdtrit

from audiomeas.analysis.factors import DB_PER_NEPER, ONE_SIDED_95
from audiomeas.analysis.lines import ENBW

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]

#: Least points of the wave that harmonics make, per period and per order: its crest is then read to 0.1 %.
_POINTS, _POINTS_PER_ORDER = 256, 16


@dataclass(frozen=True, kw_only=True)
class PowerSum:
    """A mean-square value, less the noise that was read with it. at_most : it can't be told from zero (95 %)."""

    mean_square: float
    standard_deviation: float
    upper_95: float
    at_most: bool

    @property
    def stated(self) -> float:
        """What can be said: the value, or its 95 % upper limit when it can't be told from noise."""
        return self.upper_95 if self.at_most else self.mean_square


@dataclass(frozen=True, kw_only=True)
class Harmonics:
    """Harmonics from the second up to a limit; arrays of one length, (n,).

    level_db : relative to the fundamental, corrected for noise; where `at_most`, the 95 % upper limit.
    phase_deg : of the harmonic's sine where the fundamental's sine starts to rise; NaN where `at_most`.
    uncertainty_db : 95 % half-width; NaN where `at_most`.
    power : mean-square value less noise (negative by chance where there is nothing).   noise : that noise.
    relative : amplitude as read, noise and all, over the fundamental's; its angle is the phase above, `at_most` or not.
    freedom : degrees of freedom with which the noise is known.
    """

    order: NDArray[np.intp]
    frequency_hz: FloatArray
    level_db: FloatArray
    phase_deg: FloatArray
    uncertainty_db: FloatArray
    at_most: BoolArray
    power: FloatArray
    noise: FloatArray
    relative: ComplexArray
    freedom: FloatArray

    def total(self, chosen: BoolArray | None = None) -> PowerSum:
        """Return the power sum of the harmonics (of the chosen ones)."""
        if chosen is None:
            return power_sum(self.power, self.noise)
        return power_sum(self.power[chosen], self.noise[chosen])

    def crests(self) -> tuple[float, float]:
        """Return the upper and the lower crest of the wave that they make with the fundamental, over its peak.

        Both are positive. Harmonics that can't be told from noise are left out: they would raise both.
        """
        last = int(self.order[-1]) if len(self.order) else 1
        points = max(_POINTS, _POINTS_PER_ORDER * last)
        sines = np.zeros(points // 2 + 1, dtype=np.complex128)
        sines[1] = 1.0
        sines[self.order] = np.where(self.at_most, 0.0, self.relative)
        wave = irfft(sines * (-0.5j * points), points)  # |a|·sin(nθ + φ) = Re(−j·a·exp(jnθ))
        return float(np.max(wave)), -float(np.min(wave))


def power_sum(power: FloatArray, noise: FloatArray) -> PowerSum:
    """Sum noise-corrected powers. noise : mean-square value that noise alone would give each.

    A line with noise has a noncentral χ² distribution with two degrees of freedom; the sum of n of noise alone is a
    gamma distribution of order n, whose 95 % point decides what can be told from nothing.
    """
    total, squares = float(np.sum(power)), float(np.sum(noise**2))
    if squares == 0.0:
        return PowerSum(mean_square=total, standard_deviation=0.0, upper_95=total, at_most=False)
    order = float(np.sum(noise)) ** 2 / squares
    threshold = float(np.sum(noise)) * (float(gammaincinv(order, 0.95)) / order - 1.0)
    upper = _upper_95(np.array(total), np.array(np.max(noise)), np.array(squares))
    deviation = math.sqrt(2.0 * float(np.sum(np.maximum(power, 0.0) * noise)) + squares)
    return PowerSum(mean_square=total, standard_deviation=deviation, upper_95=float(upper), at_most=total <= threshold)


def _upper_95(total: FloatArray, worst: FloatArray, squares: FloatArray) -> FloatArray:
    """Solve upper = total + z·√(2·upper·worst + squares): the value that would seldom have read as low as this."""
    there = np.maximum(total, 0.0)
    half = ONE_SIDED_95**2 * worst
    return np.asarray(there + half + np.sqrt(half**2 + 2.0 * half * there + ONE_SIDED_95**2 * squares))


def line_noise(at_lines: FloatArray) -> FloatArray:
    """Return the mean-square value that noise of a given power per bin adds to a line's, |a|²/2 of `fit_lines`."""
    return at_lines * ENBW


def describe_harmonics(
    amplitudes: ComplexArray,
    orders: NDArray[np.intp],
    at_lines: FloatArray,
    freedom: FloatArray,
    fundamental: complex,
    frequency_hz: float,
) -> Harmonics:
    """Make harmonics of complex peak amplitudes; all phases as of cosines at one instant.

    at_lines : noise per bin around each, known with `freedom` degrees of freedom.
    """
    noise = line_noise(at_lines)
    raw = np.abs(amplitudes) ** 2 / 2
    power = raw - noise
    # One line is the gamma distribution of order 1, whose 95 % point is −ln 0.05 times its mean.
    at_most = power <= noise * (-math.log(0.05) - 1.0)
    stated = np.where(at_most, _upper_95(power, noise, noise**2), power)
    reference = abs(fundamental) ** 2 / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        level_db = 10.0 * np.log10(np.maximum(stated, 0.0) / reference)
        spread_db = DB_PER_NEPER * stdtrit(freedom, 0.975) * np.sqrt(noise / (2.0 * np.maximum(power, 0.0)))
    phase_deg = _relative_phase_deg(amplitudes, orders, fundamental)
    return Harmonics(
        order=orders,
        frequency_hz=np.asarray(orders * frequency_hz, dtype=np.float64),
        level_db=level_db,
        phase_deg=np.where(at_most, np.nan, phase_deg),
        uncertainty_db=np.where(at_most, np.nan, spread_db),
        at_most=at_most,
        power=power,
        noise=noise,
        relative=np.asarray(
            np.abs(amplitudes) / abs(fundamental) * np.exp(1j * np.radians(phase_deg)), dtype=np.complex128
        ),
        freedom=freedom,
    )


def _relative_phase_deg(amplitudes: ComplexArray, orders: NDArray[np.intp], fundamental: complex) -> FloatArray:
    turns = np.angle(amplitudes) / (2 * np.pi) + 0.25 - orders * (np.angle(fundamental) / (2 * np.pi) + 0.25)
    return np.asarray((turns - np.rint(turns)) * 360.0, dtype=np.float64)
