"""Hum in one stretch of noise: the mains frequency and its drift by maximum likelihood, all lines by least squares.

The likelihood of lines at multiples of one frequency in Gaussian noise is Σ |B|²/E over the lines, B the transform of
the samples at the line and E what noise alone gives there; its peak is the estimate that reaches the Cramér-Rao bound.
Sources: B. G. Quinn and P. J. Thomson, Biometrika 78 (1991), 65-74 (one fundamental, many harmonics, coloured noise);
D. Rife and R. Boorstyn, IEEE Trans. Inf. Theory IT-20 (1974). The phase's quadratic term stands for a mains that
wanders.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft

from audiomeas.analysis.mains import FIRST_MULTIPLES, MULTIPLES, NOT_HUM, TOLERANCE

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]

#: Part of the stretch that is faded, both ends together: strong neighbours leak less, and the spread grows by 3 %.
_FADED = 0.1
_PADDED = 4
#: Chance that noise alone shows hum in a stretch, over all lines and both mains systems.
FALSE_ALARM = 0.02
#: Chance that noise alone shows a given line once the mains is known; the mains was chosen to show much.
LINE_FALSE_ALARM = 1e-5
#: The floor is fitted over this many Hz or bins on each side, whichever is more.
_FLOOR_HZ, _FLOOR_BINS = 8.0, 80.0
#: Bins on each side of a line that are no floor.
_LINE_BINS = 4.0
#: Pieces of a demodulated stretch; within one the phase hardly turns.
_PIECES = 64
#: Drift over the stretch that is looked for, in Hz, and by how much it must raise the likelihood (p = 0.001).
_MOST_DRIFT_HZ, _DRIFT_WORTH = 0.05, 5.5
#: Turns over the stretch that are none.
_NO_MOVE = 1e-6
#: Mean of the logarithm of an exponential variate of mean 1: minus Euler's constant.
_LOG_MEAN = -0.5772156649015329


@dataclass(frozen=True, kw_only=True)
class StretchHum:
    """Hum of one stretch. Arrays: (MULTIPLES,), NaN beyond the band.

    mains_hz, drift_hz_per_s : at the middle of the stretch.   mains_variance : Hz².   mean_square : of each line, noise
    included, and `noise`, what noise alone would give there.   found : hum stands out of the noise.
    """

    nominal_hz: float
    found: bool
    mains_hz: float
    drift_hz_per_s: float
    mains_variance: float
    mean_square: FloatArray
    noise: FloatArray

    @property
    def ratio(self) -> FloatArray:
        """Each line's power over the noise's, (MULTIPLES,)."""
        return self.mean_square / self.noise


class Stretch:
    """One channel's stretch of noise at a low rate, ready to be looked at near any nominal frequency."""

    def __init__(self, samples: FloatArray, rate_hz: float, *, top_hz: float) -> None:
        """Take (frames,). top_hz : up to where lines can be told."""
        frames = len(samples)
        self.rate_hz, self.duration_s, self._top_hz = rate_hz, frames / rate_hz, top_hz
        self.time_s = (np.arange(frames) - (frames - 1) / 2) / rate_hz
        self.window = _faded(frames)
        self.sum, self.sum_squares = float(np.sum(self.window)), float(np.sum(self.window**2))
        self.samples = samples - np.sum(samples * self.window) / self.sum
        self._least = 1e-30 * float(np.mean(samples**2)) * self.sum_squares
        self._whole = next_fast_len(frames, real=True)
        self._power = np.abs(rfft(self.samples * self.window, _PADDED * self._whole)) ** 2
        self.as_captured = self._logarithms(self._power, _PADDED)

    def multiples(self, nominal_hz: float) -> NDArray[np.int64]:
        """Return which multiples lie in the band."""
        top = int(self._top_hz / (nominal_hz * (1 + TOLERANCE)))
        return np.arange(1, min(MULTIPLES, top) + 1)

    def search(self, nominal_hz: float) -> Search:
        """Look for the mains within 1 % of nominal_hz."""
        multiples = self.multiples(nominal_hz)
        step = 0.25 / (MULTIPLES * self.duration_s)
        mains_hz = np.arange(nominal_hz * (1 - TOLERANCE), nominal_hz * (1 + TOLERANCE) + step, step)
        line_hz = np.multiply.outer(multiples, mains_hz)
        fine_hz = self.as_captured.bin_hz / _PADDED
        places = np.minimum(np.rint(line_hz / fine_hz).astype(np.intp), len(self._power) - 1)
        power = self._power[places]
        floor = np.empty(places.shape)
        for row, multiple in enumerate(multiples):
            floor[row] = self.floor(self.as_captured, int(multiple), nominal_hz, line_hz[row])
        # A line stronger than any of hum's counts no more than hum's may: else a tone would be taken for it.
        most = NOT_HUM * np.max(power[: max(FIRST_MULTIPLES)])
        score = np.sum(np.log1p(np.minimum(power, most) / floor), axis=0)
        best, level = int(np.argmax(score)), 2.0 / self.sum**2
        return Search(
            nominal_hz=nominal_hz,
            mains_hz=float(mains_hz[best]),
            score=float(score[best]),
            most=np.max(power, axis=1) * level,
            noise=np.max(floor, axis=1) * level,
        )

    def floor(
        self, spectrum: Spectrum, multiple: int, nominal_hz: float, at_hz: FloatArray, line_hz: float | None = None
    ) -> FloatArray:
        """Return what noise alone gives of |B|² at given frequencies, (n,): the logarithm fitted by a parabola around.

        A line's own bins, few among many, hardly move a mean of logarithms; line_hz : where known, they are left out.
        """
        centre = multiple * nominal_hz
        around = max(_FLOOR_HZ, _FLOOR_BINS / self.duration_s) + TOLERANCE * centre
        half = max(min(around, 0.45 * nominal_hz), TOLERANCE * centre + 0.2 * nominal_hz)
        low = max(1, int((centre - half) / spectrum.bin_hz))
        bins = np.arange(low, min(len(spectrum.logs), int((centre + half) / spectrum.bin_hz)))
        if line_hz is not None:
            bins = bins[np.abs(bins * spectrum.bin_hz - line_hz) > _LINE_BINS / self.duration_s]
        terms = _powers((bins.astype(np.float64) * spectrum.bin_hz - centre) / half)
        fitted = np.linalg.solve(terms @ terms.T, terms @ spectrum.logs[bins])
        return np.maximum(np.exp(fitted @ _powers((at_hz - centre) / half)), self._least)

    def spectrum(self, samples: FloatArray) -> Spectrum:
        """Return the logarithms of samples' spectrum, (frames,), for `floor`."""
        power = np.abs(rfft(samples * self.window, self._whole)) ** 2
        return self._logarithms(power, 1)

    def _logarithms(self, power: FloatArray, every: int) -> Spectrum:
        # Bins nearer than one over the duration hold nothing new.
        kept = power[::every]
        logs = np.log(np.maximum(kept, self._least)) - _LOG_MEAN
        return Spectrum(logs=logs, bin_hz=self.rate_hz / self._whole)

    def threshold(self) -> float:
        """Return the ratio that noise alone passes anywhere, in any line of 50 and 60 Hz, with FALSE_ALARM."""
        cells = 2.0 * TOLERANCE * (50.0 + 60.0) * self.duration_s * MULTIPLES * (MULTIPLES + 1) / 2
        # Maxima between the bins count twice. The floor's own spread makes the ratio's tail longer.
        exact = math.log((2.0 * cells + 4 * MULTIPLES) / (FALSE_ALARM / 2))
        bins = 2.0 * self.duration_s * max(_FLOOR_HZ, _FLOOR_BINS / self.duration_s)
        spread = 3.7 / bins  # variance of the fitted logarithm in the middle: π²/6 · 9/4 over the bins
        return exact * (1.0 + 0.5 * spread * exact)


@dataclass(frozen=True, kw_only=True)
class Spectrum:
    """Logarithms of power, (bins,), raised so that their mean tells the power's."""

    logs: FloatArray
    bin_hz: float


@dataclass(frozen=True, kw_only=True)
class Search:
    """The likeliest mains near a nominal frequency.

    most : (multiples,) largest mean square that stands there, `noise`, of noise alone.
    """

    nominal_hz: float
    mains_hz: float
    score: float
    most: FloatArray
    noise: FloatArray


def fit_hum(stretch: Stretch, nominal_hz: float, mains_hz: float, *, moves: bool = True) -> StretchHum:
    """Fit all lines of hum near a mains frequency. moves : False keeps the frequency as given."""
    multiples = stretch.multiples(nominal_hz)
    spectrum, variance, start_hz = stretch.as_captured, math.nan, mains_hz
    base = _Demodulated(stretch, multiples, mains_hz, 0.0)
    noise = _noise(stretch, spectrum, base, nominal_hz)
    # Once with the lines' skirts in the floor, once without.
    for _ in range(2):
        power = np.abs(base.whole) ** 2
        standing = _standing(power / noise, power)
        if moves and np.any(standing):
            base, variance = _moved(stretch, base, noise, standing)
        amplitudes, residual = base.solved()
        noise = _noise(stretch, stretch.spectrum(residual), base, nominal_hz)
        if not np.any(standing):
            break
    mains_hz, drift = base.mains_hz, base.drift
    square = np.abs(amplitudes) ** 2 / 2.0
    level_noise = noise * 2.0 / stretch.sum**2
    ratio = square / level_noise
    first = ratio[: max(FIRST_MULTIPLES)]
    found = bool(np.any(_standing(ratio, square)) and np.max(first, initial=0.0) > stretch.threshold())
    found = found and abs(mains_hz - start_hz) < 1.0 and abs(mains_hz / nominal_hz - 1) < 1.5 * TOLERANCE
    return StretchHum(
        nominal_hz=nominal_hz,
        found=found,
        mains_hz=mains_hz,
        drift_hz_per_s=drift,
        mains_variance=variance,
        mean_square=_filled(square),
        noise=_filled(level_noise),
    )


def _filled(values: FloatArray) -> FloatArray:
    return np.concatenate([values, np.full(MULTIPLES - len(values), np.nan)])


def _noise(stretch: Stretch, spectrum: Spectrum, base: _Demodulated, nominal_hz: float) -> FloatArray:
    """Return what noise alone gives of |B|² at each line, (multiples,)."""
    line_hz = base.multiples * base.mains_hz
    rows = [
        stretch.floor(spectrum, int(m), nominal_hz, np.array([hz]), float(hz))[0]
        for m, hz in zip(base.multiples, line_hz, strict=True)
    ]
    return np.asarray(rows)


def _moved(stretch: Stretch, base: _Demodulated, noise: FloatArray, standing: BoolArray) -> tuple[_Demodulated, float]:
    """Return the lines demodulated at the peak of the likelihood, and the variance (Hz²) of the mains there."""
    offset, turn, variance = _likeliest(base, noise, standing, stretch.duration_s)
    if abs(offset) * stretch.duration_s < _NO_MOVE and abs(turn) * stretch.duration_s**2 < _NO_MOVE:
        return base, variance
    return _Demodulated(stretch, base.multiples, base.mains_hz + offset, base.drift + turn), variance


def _powers(x: FloatArray) -> FloatArray:
    return np.stack([np.ones(len(x)), x, x * x])


def _standing(ratio: FloatArray, power: FloatArray) -> BoolArray:
    """Return which lines are hum's; none unless one of its first multiples is among them."""
    standing = ratio > -math.log(LINE_FALSE_ALARM)
    first = standing[: max(FIRST_MULTIPLES)]
    if not np.any(first):
        return np.zeros(len(ratio), dtype=np.bool_)
    strongest = float(np.max(power[: max(FIRST_MULTIPLES)][first]))
    return np.asarray(standing & (power <= NOT_HUM * strongest))


class _Demodulated:
    """A stretch turned back by each line's phase: what is left turns slowly, and is kept in a few pieces."""

    def __init__(self, stretch: Stretch, multiples: NDArray[np.int64], mains_hz: float, drift: float) -> None:
        self._stretch, self.multiples, self.mains_hz, self.drift = stretch, multiples, mains_hz, drift
        time_s = stretch.time_s
        self._turn = np.exp(-2j * np.pi * (mains_hz + drift * time_s / 2) * time_s)
        weighted = stretch.samples * stretch.window
        edges = np.linspace(0, len(time_s), _PIECES + 1).astype(np.intp)[:-1]
        self.piece_s = np.add.reduceat(time_s, edges) / np.diff(np.append(edges, len(time_s)))
        self.pieces = np.empty((len(multiples), _PIECES), dtype=np.complex128)
        # Lines further apart than all the multiples don't touch: the window's transform is below 1e-7 there.
        self._kernel = np.zeros(2 * len(multiples) + 1, dtype=np.complex128)
        self._kernel[0] = stretch.sum
        window = stretch.window.astype(np.complex128)
        phase = np.ones(len(time_s), dtype=np.complex128)
        for order in range(1, len(multiples) + 1):
            phase *= self._turn
            self._kernel[order] = np.dot(phase, window)
            self.pieces[order - 1] = np.add.reduceat(phase * weighted, edges)
        self.whole = np.sum(self.pieces, axis=1)

    def solved(self) -> tuple[ComplexArray, FloatArray]:
        """Return the peak amplitudes of all lines by joint least squares (DC too), and what they leave, (frames,)."""
        count = len(self.multiples)
        places = np.arange(-count, count + 1)
        apart = places[:, None] - places
        kernel = self._kernel[np.abs(apart)]
        matrix = np.where(apart >= 0, kernel, np.conj(kernel))
        dc = np.sum(self._stretch.samples * self._stretch.window)
        right = np.concatenate([np.conj(self.whole[::-1]), [dc], self.whole])
        solution = np.asarray(np.linalg.solve(matrix, right), dtype=np.complex128)
        residual = self._stretch.samples - solution[count].real
        amplitudes = 2.0 * solution[count + 1 :]
        phase, back = np.ones(len(residual), dtype=np.complex128), np.conj(self._turn)
        for amplitude in amplitudes:
            phase *= back
            residual -= amplitude.real * phase.real - amplitude.imag * phase.imag
        return amplitudes, residual


def _likeliest(
    base: _Demodulated, noise: FloatArray, standing: BoolArray, duration_s: float
) -> tuple[float, float, float]:
    """Return offset (Hz), drift (Hz/s) and the offset's variance (Hz²) at the peak of the likelihood."""
    pieces = base.pieces[standing] / np.sqrt(noise[standing])[:, None]
    turns = base.multiples[standing].astype(np.float64)
    likelihood = _Likelihood(pieces, turns, base.piece_s)
    top = float(turns.max())
    offsets = np.arange(-3.0, 3.01, 0.25) / (top * duration_s)
    drift_step = 2.0 / (top * duration_s**2)
    most = math.ceil(_MOST_DRIFT_HZ / duration_s / drift_step)
    steady = likelihood.climbed(*likelihood.best(offsets, np.zeros(1)), drifts=False)
    drifting = likelihood.climbed(*likelihood.best(offsets, drift_step * np.arange(-most, most + 1.0)), drifts=True)
    chosen = drifting if likelihood.at(*drifting) - likelihood.at(*steady) > _DRIFT_WORTH else steady
    curvature = likelihood.slopes(*chosen)[1][0, 0]
    return chosen[0], chosen[1], -1.0 / curvature if curvature < 0 else math.nan


class _Likelihood:
    """Log likelihood of offset and drift, and its climb by Newton's method."""

    def __init__(self, pieces: ComplexArray, turns: FloatArray, time_s: FloatArray) -> None:
        self._pieces = pieces
        self._offset = -2j * np.pi * np.multiply.outer(turns, time_s)
        self._drift = -1j * np.pi * np.multiply.outer(turns, time_s**2)

    def at(self, offset: float, drift: float) -> float:
        """Return the log likelihood."""
        whole = np.sum(self._pieces * np.exp(offset * self._offset + drift * self._drift), axis=1)
        return float(np.sum(np.abs(whole) ** 2))

    def best(self, offsets: FloatArray, drifts: FloatArray) -> tuple[float, float]:
        """Return the best of a grid."""
        by_offset = np.exp(offsets[:, None, None] * self._offset)
        values = np.empty((len(drifts), len(offsets)))
        for row, drift in enumerate(drifts):
            turned = self._pieces * np.exp(drift * self._drift)
            values[row] = np.sum(np.abs(np.einsum("okp,kp->ok", by_offset, turned)) ** 2, axis=1)
        at = divmod(int(np.argmax(values)), len(offsets))
        return float(offsets[at[1]]), float(drifts[at[0]])

    def slopes(self, offset: float, drift: float) -> tuple[FloatArray, FloatArray]:
        """Return gradient (2,) and second derivatives (2, 2)."""
        turned = self._pieces * np.exp(offset * self._offset + drift * self._drift)
        whole, factors = np.sum(turned, axis=1), (self._offset, self._drift)
        first = [np.sum(turned * factor, axis=1) for factor in factors]
        gradient = np.array([2.0 * np.sum((np.conj(whole) * one).real) for one in first])
        second = np.empty((2, 2))
        for i in range(2):
            for j in range(2):
                mixed = np.sum(turned * factors[i] * factors[j], axis=1)
                second[i, j] = 2.0 * np.sum((np.conj(first[i]) * first[j] + np.conj(whole) * mixed).real)
        return gradient, second

    def climbed(self, offset: float, drift: float, *, drifts: bool) -> tuple[float, float]:
        """Return the peak near a point; the point itself where the surface is no hill."""
        size, place = (2 if drifts else 1), np.array([offset, drift])
        for _ in range(6):
            gradient, second = self.slopes(*place)
            try:
                step = np.linalg.solve(second[:size, :size], gradient[:size])
            except np.linalg.LinAlgError:
                break
            new = place.copy()
            new[:size] -= step
            if self.at(*new) < self.at(*place) * (1 - 1e-12):
                break
            place = new
        return float(place[0]), float(place[1])


def _faded(frames: int) -> FloatArray:
    """Return a window with raised-cosine ends, (frames,)."""
    ends = max(1, int(frames * _FADED / 2))
    window = np.ones(frames)
    window[:ends] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(ends) + 0.5) / ends)
    window[-ends:] = window[:ends][::-1]
    return window
