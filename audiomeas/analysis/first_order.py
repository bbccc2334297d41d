"""Time constants of the first-order high-pass and low-pass that explain the ends of a response.

A coupling capacitor makes |H|² = 1/(1 + (f1/f)²) with f1 = 1/(2π·τ1), one dominant pole |H|² = 1/(1 + (f/f2)²) with
f2 = 1/(2π·τ2) (circuit theory, closed form). Each end is fitted on its own side of the reference, the other end's
filter taken out, by least squares on the logarithm of the gain (Gauss and Newton).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: What the curve may stray from first order, as a part of the fall at its end: a second pole a decade away stays below.
_STRAYS = 0.02
#: The fall at the end must be this many times its uncertainty, for its shape to be told.
_TOLD = 4.0
#: Fewer points than this on a side tell no shape.
_FEWEST_POINTS = 6
#: The two ends take each other's filter out this many times; each time the rest shrinks as the square of their ratio.
_ROUNDS = 4
_STEPS = 40


@dataclass(frozen=True, kw_only=True)
class FirstOrder:
    """One end of a response as a first-order filter.

    tau_s, corner_hz : time constant and corner 1/(2π·τ); None where the end is not that of one first-order filter.
    tau_uncertainty_s, corner_uncertainty_hz : 95 % half-widths.  why : 'told', 'flat' (no fall that could be told from
    the uncertainty), 'other' (falls, and not as first order), or 'few' (too few points).
    """

    tau_s: float | None
    corner_hz: float | None
    tau_uncertainty_s: float = 0.0
    corner_uncertainty_hz: float = 0.0
    why: Literal["told", "flat", "other", "few"] = "told"


def first_order_ends(
    frequency_hz: FloatArray, gain: FloatArray, gain_uncertainty: FloatArray, reference_hz: float
) -> tuple[FirstOrder, FirstOrder]:
    """Return the high-pass that explains the lower end of a response and the low-pass that explains the upper.

    frequency_hz : (points,), rising.  gain : magnitudes, any scale.  gain_uncertainty : relative 95 % half-widths.
    """
    nepers = np.log(np.maximum(gain, 1e-300))
    below, above = frequency_hz <= reference_hz, frequency_hz >= reference_hz
    fits = [_End(frequency_hz, nepers, gain_uncertainty, side, sign) for side, sign in ((below, -1), (above, 1))]
    for _ in range(_ROUNDS):
        for one, other in (fits, fits[::-1]):
            one.fit(without=other.nepers_at(frequency_hz))
    return fits[0].found(), fits[1].found()


class _End:
    """The fit of one end. sign : −1 the lower (high-pass), +1 the upper (low-pass)."""

    def __init__(
        self, frequency_hz: FloatArray, nepers: FloatArray, uncertainty: FloatArray, side: NDArray[np.bool_], sign: int
    ) -> None:
        self._side = side
        self._nepers = nepers
        self._uncertainty = np.maximum(uncertainty[side], 1e-9)
        self._sign = sign
        self._frequency_hz = frequency_hz[side]
        #: Logarithm of corner over end frequency, or of its inverse: the smaller, the flatter.
        self._u: float | None = None
        self._end_hz = float(self._frequency_hz[0 if sign < 0 else -1]) if len(self._frequency_hz) else 1.0
        self._rest = np.zeros(0)
        self._covariant = np.zeros((2, 0))

    def _filter(self, u: float, frequency_hz: FloatArray) -> FloatArray:
        """Return ln|H|: u is the logarithm of how far the corner reaches into the measured band, e-folds."""
        ratio = (frequency_hz / self._end_hz) ** self._sign
        return np.asarray(-0.5 * np.log1p((ratio * np.exp(u)) ** 2))

    def nepers_at(self, frequency_hz: FloatArray) -> FloatArray:
        """Return ln|H| of what was fitted; zeros before."""
        return np.zeros(len(frequency_hz)) if self._u is None else self._filter(self._u, frequency_hz)

    def fit(self, *, without: FloatArray) -> None:
        """Fit level and corner to what is left when another filter, ln|H|, is taken out."""
        if len(self._frequency_hz) < _FEWEST_POINTS:
            return
        wanted = (self._nepers - without)[self._side]
        weight = 1.0 / self._uncertainty
        ratio = (self._frequency_hz / self._end_hz) ** self._sign
        u = -1.0 if self._u is None else self._u
        for _ in range(_STEPS):
            power = (ratio * np.exp(u)) ** 2
            columns = np.stack([np.ones(len(ratio)), -power / (1.0 + power)], axis=1)
            inverse = np.linalg.pinv(columns * weight[:, np.newaxis])
            level, step = inverse @ ((wanted - self._filter(u, self._frequency_hz)) * weight)
            step = float(np.clip(step, -1.0, 1.0))
            u = float(np.clip(u + step, -12.0, 12.0))
            if abs(step) < 1e-10:
                break
        self._u = u
        self._rest = wanted - self._filter(u, self._frequency_hz) - level
        self._covariant = inverse * weight

    def found(self) -> FirstOrder:
        """Return the outcome."""
        if self._u is None:
            return FirstOrder(tau_s=None, corner_hz=None, why="few")
        at_end = 0 if self._sign < 0 else -1
        fall = float(-self._filter(self._u, self._frequency_hz)[at_end])
        # Errors of neighbouring points may go together, and what the method leaves does: their sizes are added.
        spread = float(np.abs(self._covariant[1]) @ self._uncertainty)
        if fall < _TOLD * self._uncertainty[at_end] or spread > 1.0 / _TOLD:
            return FirstOrder(tau_s=None, corner_hz=None, why="flat")
        if np.any(np.abs(self._rest) > np.maximum(_STRAYS * fall, 2.0 * self._uncertainty)):
            return FirstOrder(tau_s=None, corner_hz=None, why="other")
        # What strays counts as well, as if it all pulled one way.
        spread += float(np.abs(self._covariant[1] @ np.abs(self._rest)))
        corner_hz = self._end_hz * float(np.exp(-self._sign * self._u))
        tau_s = 1.0 / (2.0 * np.pi * corner_hz)
        return FirstOrder(
            tau_s=tau_s,
            corner_hz=corner_hz,
            tau_uncertainty_s=tau_s * spread,
            corner_uncertainty_hz=corner_hz * spread,
        )
