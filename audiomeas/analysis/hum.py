"""Hum in a capture of noise: the mains frequency, and the level of each multiple or what it may be at most.

The capture comes in blocks; its lowest part is looked at in stretches of ten seconds (`hum_fit`), within which the
mains may drift, and between which it may wander: each stretch has its own frequency, and the powers are averaged.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainccinv
from scipy.stats import binom

from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.analysis.hum_fit import FALSE_ALARM, LINE_FALSE_ALARM, Stretch, StretchHum, fit_hum
from audiomeas.analysis.lowband import PASS_HZ, LowBand
from audiomeas.analysis.mains import FIRST_MULTIPLES, NOMINAL_HZ, NOT_HUM, TOLERANCE
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: A longer capture is cut into stretches of this length (the last up to twice as long).
STRETCH_S = 10.0
#: Fewer seconds tell no hum: a floor must be seen between its lines.
LEAST_S = 2.0
#: Part of a low sample rate up to which lines are told.
_TOP = 0.45
#: 95 % of a normal law, one side.
_ONE_95 = 1.645


@dataclass(frozen=True, kw_only=True)
class HumLine:
    """A multiple of the mains.

    level_v_rms : its level, noise taken off; or, when `at_most`, what it can be at most (95 %).
    uncertainty_v_rms : 95 % half-width of the level; 0 for a bound.
    """

    multiple: int
    frequency_hz: float
    level_v_rms: float
    uncertainty_v_rms: float
    at_most: bool


@dataclass(frozen=True, kw_only=True)
class Hum:
    """Hum of one channel, in the unit of its samples.

    mains_hz : None where no hum stands out of the noise; `lines` then are bounds, of each system that was looked for.
    mains_uncertainty_hz : 95 % half-width of the mean over the capture.   wander_hz : between the highest and the
    lowest mains frequency within the capture, None where one stretch showed no drift.   stretches : the capture's
    parts.   too_short : less than `LEAST_S`; nothing was looked for.
    """

    mains_hz: float | None
    mains_uncertainty_hz: float | None
    nominal_hz: float | None
    wander_hz: float | None
    lines: tuple[HumLine, ...]
    stretches: int
    duration_s: float
    too_short: bool = False

    @property
    def present(self) -> tuple[HumLine, ...]:
        """The lines that stand out of the noise."""
        return tuple(line for line in self.lines if not line.at_most)

    @property
    def level_v_rms(self) -> float | None:
        """All lines that stand out, as one level; None without hum."""
        return _root(self.present) if self.present else None

    @property
    def odd_percent(self) -> float | None:
        """Share of odd multiples in hum's power, in %; the even ones have the rest. None without hum."""
        if not self.present:
            return None
        odd = sum(line.level_v_rms**2 for line in self.present if line.multiple % 2)
        return 100.0 * odd / sum(line.level_v_rms**2 for line in self.present)


def _root(lines: tuple[HumLine, ...]) -> float:
    return math.sqrt(sum(line.level_v_rms**2 for line in lines))


def hum(signal: FloatArray, sample_rate_hz: float, *, near_hz: float | None = None) -> Hum:
    """Return the hum of one channel, (frames,). near_hz : nominal mains; None looks near 50 and 60 Hz (within 1 %).

    Raises SignalError: values that are no numbers, a rate that can't be.
    """
    watch = HumOf(sample_rate_hz, 1, near_hz=near_hz)
    watch.add(np.asarray(signal, dtype=np.float64)[:, None])
    return watch.result()[0]


class HumOf:
    """Hum of a capture that comes in blocks; it keeps 20 seconds of the lowest part, whatever the capture's length."""

    def __init__(self, sample_rate_hz: float, channels: int, *, near_hz: float | None = None) -> None:
        """Begin a capture. Raises SignalError: a rate or a mains frequency that can't be."""
        if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 0):
            raise SignalError(f"a sample rate of {sample_rate_hz} Hz cannot be; give the rate of the capture")
        if near_hz is not None and not 10.0 <= near_hz <= 500.0:
            raise SignalError(
                f"a mains frequency of {near_hz} Hz cannot be; give 50 or 60, or another from 10 to 500 Hz"
            )
        self._nominal_hz = NOMINAL_HZ if near_hz is None else (float(near_hz),)
        self._low = LowBand(sample_rate_hz, channels)
        self._top_hz = min(PASS_HZ, _TOP * self._low.rate_hz)
        self._length = round(STRETCH_S * self._low.rate_hz)
        self._held: list[FloatArray] = []
        self._count, self._frames = 0, 0
        self._seen: list[list[_Seen]] = [[] for _ in range(channels)]

    def add(self, block: FloatArray) -> None:
        """Take (frames, channels), of any length. Raises SignalError: values that are no numbers."""
        low = self._low.take(block)
        if not np.all(np.isfinite(low)):
            raise SignalError("the capture holds values that are no numbers (NaN or infinite): capture it again")
        self._held.append(low)
        self._count += len(low)
        self._frames += len(low)
        while self._count >= 2 * self._length:
            joined = np.concatenate(self._held)
            self._look(joined[: self._length])
            self._held, self._count = [joined[self._length :].copy()], len(joined) - self._length

    def result(self) -> tuple[Hum, ...]:
        """Return each channel's hum; nothing can be taken afterwards."""
        if self._frames < LEAST_S * self._low.rate_hz:
            return tuple(_none((), 0, self._frames / self._low.rate_hz) for _ in self._seen)
        self._look(np.concatenate(self._held))
        self._held, self._count = [], 0
        duration_s = self._frames / self._low.rate_hz
        return tuple(_combined(seen, self._nominal_hz, duration_s) for seen in self._seen)

    def _look(self, samples: FloatArray) -> None:
        for seen, channel in zip(self._seen, samples.T, strict=True):
            before = next((one.fit for one in reversed(seen) if one.fit is not None and one.fit.found), None)
            seen.append(_seen(channel, self._low.rate_hz, self._top_hz, self._nominal_hz, before))


@dataclass(frozen=True, kw_only=True)
class _Seen:
    """What one stretch has shown.

    most, noise : nominal frequency → mean square at each line, the largest there and of noise.   fit : None of zeros.
    """

    duration_s: float
    most: dict[float, FloatArray]
    noise: dict[float, FloatArray]
    fit: StretchHum | None


def _seen(
    samples: FloatArray, rate_hz: float, top_hz: float, nominals: tuple[float, ...], before: StretchHum | None
) -> _Seen:
    duration_s = len(samples) / rate_hz
    if not np.any(samples != samples[0]):
        nothing = {nominal: np.zeros(int(top_hz / (nominal * (1 + TOLERANCE)))) for nominal in nominals}
        return _Seen(duration_s=duration_s, most=nothing, noise=nothing, fit=None)
    stretch = Stretch(samples, rate_hz, top_hz=top_hz)
    searches = [stretch.search(nominal) for nominal in nominals]
    best = max(searches, key=lambda one: one.score)
    fit = fit_hum(stretch, best.nominal_hz, best.mains_hz)
    if not fit.found and before is not None:
        # What can't be found on its own is read where it was before.
        fit = fit_hum(stretch, before.nominal_hz, before.mains_hz, moves=False)
    return _Seen(
        duration_s=duration_s,
        most={one.nominal_hz: one.most for one in searches},
        noise={one.nominal_hz: one.noise for one in searches},
        fit=fit,
    )


def _combined(seen: list[_Seen], nominals: tuple[float, ...], duration_s: float) -> Hum:
    fits = [(one.duration_s, one.fit) for one in seen if one.fit is not None]
    for_nominal = {
        n: [(duration, fit) for duration, fit in fits if fit.found and fit.nominal_hz == n] for n in nominals
    }
    nominal = max(nominals, key=lambda n: len(for_nominal[n]))
    # By chance a few stretches of many show hum.
    by_chance = max(1, int(binom.ppf(1.0 - FALSE_ALARM, len(fits), FALSE_ALARM)) + 1) if fits else 1
    lines: tuple[HumLine, ...] = ()
    if len(for_nominal[nominal]) >= by_chance:
        mean_hz, variance, wander_hz = _mains(for_nominal[nominal])
        lines = _lines([(duration, fit) for duration, fit in fits if fit.nominal_hz == nominal], mean_hz)
    if not any(not line.at_most for line in lines):
        bounds = tuple(line for n in nominals for line in _bounds(seen, n))
        return _none(bounds, len(seen), duration_s)
    return Hum(
        mains_hz=mean_hz,
        mains_uncertainty_hz=TWO_SIDED_95 * math.sqrt(variance),
        nominal_hz=nominal,
        wander_hz=wander_hz,
        lines=lines,
        stretches=len(seen),
        duration_s=duration_s,
    )


def _none(bounds: tuple[HumLine, ...], stretches: int, duration_s: float) -> Hum:
    return Hum(
        mains_hz=None,
        mains_uncertainty_hz=None,
        nominal_hz=None,
        wander_hz=None,
        lines=bounds,
        stretches=stretches,
        duration_s=duration_s,
        too_short=stretches == 0,
    )


def _mains(used: list[tuple[float, StretchHum]]) -> tuple[float, float, float | None]:
    """Return mean (Hz), its variance (Hz²) and the wander (Hz). used : each stretch's duration in s, and its hum."""
    weights, fits = np.array([duration_s for duration_s, _ in used]), [fit for _, fit in used]
    values = np.array([fit.mains_hz for fit in fits])
    mean = float(np.average(values, weights=weights))
    variance = float(np.sum(weights**2 * [fit.mains_variance for fit in fits]) / np.sum(weights) ** 2)
    within = np.array([abs(fit.drift_hz_per_s) for fit in fits]) * weights / 2
    if len(fits) == 1:
        return mean, variance, float(2 * within[0]) or None
    return mean, variance, float(np.max(values + within) - np.min(values - within))


def _lines(used: list[tuple[float, StretchHum]], mains_hz: float) -> tuple[HumLine, ...]:
    share = np.array([duration for duration, _ in used])
    share = (share / share.sum())[:, None]
    square = np.array([fit.mean_square for _, fit in used])
    noise = np.array([fit.noise for _, fit in used])
    square, noise = square[:, np.isfinite(square[0])], noise[:, np.isfinite(square[0])]
    mean, under = np.sum(share * square, axis=0), np.sum(share * noise, axis=0)
    # |B|² of a line with power P in noise of power E: variance 2·P·E + E².
    power = np.maximum(square - noise, 0.0)
    deviation = np.sqrt(np.sum(share**2 * (2.0 * power * noise + noise**2), axis=0))
    standing = np.sum(square / noise, axis=0) > gammainccinv(len(used), LINE_FALSE_ALARM)
    first = mean[: max(FIRST_MULTIPLES)][standing[: max(FIRST_MULTIPLES)]]
    standing &= mean <= NOT_HUM * np.max(first, initial=0.0)
    rows = zip(mean, under, deviation, standing, strict=True)
    return tuple(_line(n + 1, (n + 1) * mains_hz, *row) for n, row in enumerate(rows))


def _line(multiple: int, frequency_hz: float, square: float, noise: float, deviation: float, standing: bool) -> HumLine:
    if not standing or square <= noise:
        return _at_most(multiple, frequency_hz, square, noise)
    level = math.sqrt(square - noise)
    half = TWO_SIDED_95 * deviation / (2.0 * level)
    return HumLine(
        multiple=multiple, frequency_hz=frequency_hz, level_v_rms=level, uncertainty_v_rms=half, at_most=False
    )


def _at_most(multiple: int, frequency_hz: float, square: float, noise: float) -> HumLine:
    """A bound: amplitudes add at worst, and the noise's part along the line has a variance of half its power."""
    bound = math.sqrt(square) + _ONE_95 * math.sqrt(noise / 2.0)
    return HumLine(multiple=multiple, frequency_hz=frequency_hz, level_v_rms=bound, uncertainty_v_rms=0.0, at_most=True)


def _bounds(seen: list[_Seen], nominal: float) -> tuple[HumLine, ...]:
    """Return what each line can be at most anywhere near its place. Zeros tell nothing: 0 there."""
    share = np.array([one.duration_s for one in seen])
    most = np.average([one.most[nominal] for one in seen], axis=0, weights=share)
    noise = np.average([one.noise[nominal] for one in seen], axis=0, weights=share)
    rows = zip(most, noise, strict=True)
    return tuple(_at_most(n + 1, (n + 1) * nominal, float(m), float(e)) for n, (m, e) in enumerate(rows))
