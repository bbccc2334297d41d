"""Distortion and level against drive, between and around the bursts of one channel: the knee, scaled to the bursts.

Drive is the peak that the output would have without clipping, told by the input level; where that is not known, the
fundamental's peak stands for it. What is there without clipping (crossover distortion, a tube's second harmonic) is
taken from the bursts below the knee, as amplitudes with sign, and the knee's harmonics are added to it. At each burst
the curve passes through what was read; between two, the factor that this takes runs evenly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from audiomeas.analysis.clipping_burst import BurstReading
from audiomeas.analysis.clipping_knee import MOST_ORDERS, Knee, fit_knee
from audiomeas.analysis.factors import DB_PER_NEPER, TWO_SIDED_95
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Onset of clipping: THD (noise removed) is this many times its minimum over level.
ONSET_RATIO = 2.0
#: Bounds of a level: not reached, it lies higher than all bursts; or it lies lower than all, or nowhere.
AT_LEAST, AT_MOST = "at least", "at most"
#: So many bursts that clip are enough for the knee, spread over those that there are.
_FITTED = 8
#: And so many just below the knee.
_FITTED_BELOW = 3
#: What is there without clipping changes by this part from burst to burst.
_BASE_ERROR = 0.1
#: A burst this far below the first that clips is clear of the knee, dB.
_CLEAR_DB = 2.5
#: Distortion of third order grows with the square of level; what grows faster clips. What grows less than this stays.
_GROWTH = 2.5
_LEAST_GROWTH = 0.3
#: Neighbouring bursts are taken at least so far apart (logarithm) when it is told how fast distortion rises.
_LEAST_STEP = 1e-6
#: What the minimum of THD may be wrong by, relative to its distance to the nearest burst (logarithms).
_DRAWN_ERROR = 0.5
#: Bursts at least so far apart (dB) tell apart what distortion does there.
_NEXT_DB = 0.5
#: THD is a limit only where its logarithm has a larger standard deviation.
_TOLD = 0.25
#: The minimum of THD is looked for with so many standard deviations of its noise added.
_DOUBT = 3.0
#: Points between two bursts where a minimum or a crossing is looked for.
_BETWEEN = 16
#: Bursts at levels as near as this (dB) are one level; the later counts.
_SAME_LEVEL_DB = 1e-4
#: What the shape of the knee may be wrong by, relative to the distance to the nearer burst (logarithm of THD, dB).
_SHAPE_ERROR = 0.1
#: Step over which a slope is taken, dB.
_SLOPE_DB = 0.005
#: A relative distortion power that stands for none.
_NOTHING = 1e-40


@dataclass(frozen=True, kw_only=True)
class Crossing:
    """Where a curve rises through a distortion. drive_db : of the peak, dB re 1 V.   half_width_db : 95 %.

    bound : 'at least': not reached, the highest burst; 'at most': passed at the lowest burst already; None: reached.
    """

    drive_db: float
    half_width_db: float
    bound: str | None


class DistortionCurve:
    """The curve of one channel; everything in dB is drive, dB re 1 V (of the peak).

    readings : two levels and more, in any order.   input_v_rms : of each; None: not known.
    Raises SignalError: fewer than two levels, readings of several frequencies.
    """

    def __init__(self, readings: Sequence[BurstReading], input_v_rms: Sequence[float] | None = None) -> None:
        order = _rising(readings, input_v_rms)
        self.readings = [readings[i] for i in order]
        self.input_v_rms = None if input_v_rms is None else np.array([input_v_rms[i] for i in order])
        self._fundamental_v = math.sqrt(2.0) * np.array([one.fundamental_v_rms for one in self.readings])
        self._relative = _stacked([one.harmonics.relative for one in self.readings])
        self._told = np.where(_stacked([one.harmonics.at_most for one in self.readings]), 0.0, self._relative)
        self._log_noise = np.array([_log_noise(one) for one in self.readings])
        self.at_most = np.array([one.thd_at_most for one in self.readings]) | (self._log_noise > _TOLD)
        self._ratio = np.array([_ratio(one, limit) for one, limit in zip(self.readings, self.at_most, strict=True)])
        self.lowest = int(np.argmin(self._ratio * self._doubt(self._log_noise)))
        self._clipped = self._that_clip()
        self.drive_db = self._drives_db()
        self.knee = self._fitted() if len(self._clipped) else None
        self._lay()

    # ------------------------------------------------------------------------------------------------------- building

    def _drives_db(self) -> FloatArray:
        """Return drive; the fundamental stands for it where no input level is known."""
        drive_v = self._fundamental_v
        if self.input_v_rms is not None:
            drive_v = self._fundamental_v[self.lowest] / self.input_v_rms[self.lowest] * self.input_v_rms
        return np.asarray(20.0 * np.log10(drive_v))

    def _that_clip(self) -> NDArray[np.intp]:
        """Return the bursts from the first on that clips: above the minimum, where THD rises faster than a growing
        distortion of second or third order would.
        """
        level_v, ratio = self._fundamental_v, self._ratio
        rise = np.diff(np.log(ratio)) / np.maximum(np.diff(np.log(level_v)), _LEAST_STEP)
        is_first = (ratio[1:] >= ONSET_RATIO * ratio[self.lowest]) & (rise > _GROWTH) & ~self.at_most[1:]
        is_first[: self.lowest] = False
        first = int(np.argmax(is_first)) + 1 if np.any(is_first) else len(ratio)
        return np.arange(first, len(ratio))[~self.at_most[first:]]

    def _fitted(self) -> Knee:
        spread = np.linspace(0, len(self._clipped) - 1, min(_FITTED, len(self._clipped)))
        drive_db, below = self.drive_db, self._below()
        far = max(int(np.searchsorted(drive_db, drive_db[self._clipped[0]] - _CLEAR_DB)), self.lowest + 1)
        far = min(far, below + 1)
        # What has not begun to clip just below the knee tells as much about it as what clips.
        near = np.arange(max(far, below + 1 - _FITTED_BELOW), below + 1)
        chosen = np.concatenate([near, self._clipped[np.rint(spread).astype(np.intp)]])
        base = _Base.of(drive_db[:far], self._told[:far], self._ratio[:far], self.lowest)
        noise = np.array(
            [
                np.sqrt(self.readings[i].harmonics.noise[: base.lines.shape[1]] / 2.0)
                / self.readings[i].fundamental_v_rms
                for i in chosen
            ]
        )
        highest = self.readings[self._clipped[-1]]
        rail_v = min(highest.positive_peak_v, highest.negative_peak_v)
        there = base.lines_at(drive_db[chosen])
        unsteady = _BASE_ERROR * np.sqrt(np.sum(np.abs(there) ** 2, axis=1))[:, None]
        return fit_knee(
            10.0 ** (drive_db[chosen] / 20.0),
            self._relative[chosen] - there,
            np.hypot(noise, unsteady),
            rail_v,
            is_fundamental=self.input_v_rms is None,
        )

    def _below(self) -> int:
        """Return the highest burst that does not clip."""
        return int(self._clipped[0]) - 1 if len(self._clipped) else len(self.readings) - 1

    def _lay(self) -> None:
        """Lay the curve through the bursts: what is there without the knee, and the factors at each burst."""
        plain = slice(0, self._below() + 1)
        drive_db = self.drive_db[plain]
        lines = self._told[plain] - self._of_knee(drive_db)[0]
        self._base = _Base.of(drive_db, lines, self._ratio[plain], self.lowest)
        left = self._ratio[plain] ** 2 - np.sum(np.abs(self._told[plain]) ** 2, axis=1)
        self._floor = np.maximum(left, 0.0)
        self._log_factor = np.log(self._ratio / self._modelled(self.drive_db))
        level_v = np.array([one.level_v_rms for one in self.readings])
        self._log_level = np.log(level_v / self._modelled_level_v(self.drive_db))
        steps = np.arange(_BETWEEN) / _BETWEEN
        inside_db = (self.drive_db[:-1, None] + np.diff(self.drive_db)[:, None] * steps).ravel()
        self._grid_db = np.append(inside_db, self.drive_db[-1])
        self._grid_ratio = self.thd_ratio(self._grid_db)
        doubt = self._doubt(np.interp(self._grid_db, self.drive_db, self._log_noise))
        self._least = int(np.argmin(self._grid_ratio * doubt))

    # ------------------------------------------------------------------------------------------------------- the model

    def _of_knee(self, drive_db: FloatArray) -> tuple[ComplexArray, FloatArray]:
        """Return the knee's harmonics relative to the fundamental, and the fundamental relative to drive."""
        if self.knee is None:
            return np.zeros((len(drive_db), self._told.shape[1]), dtype=np.complex128), np.ones(len(drive_db))
        at_v = 10.0 ** (drive_db / 20.0)
        drive_v = at_v if self.input_v_rms is not None else self.knee.undone(at_v)
        lines = self.knee.lines(drive_v, self._told.shape[1] + 1)
        compression = lines[:, 0].real / drive_v if self.input_v_rms is not None else np.ones(len(drive_v))
        return lines[:, 1:] / lines[:, :1], compression

    def _modelled(self, drive_db: FloatArray) -> FloatArray:
        """Return THD as the knee and what is there without it give it: (levels,)."""
        clipped, _ = self._of_knee(drive_db)
        base = self._base.lines_at(drive_db)
        floor = np.interp(drive_db, self._base.drive_db, self._floor)
        power = np.sum(np.abs(base + clipped) ** 2, axis=1) + floor
        return np.asarray(np.sqrt(np.maximum(power, _NOTHING)))

    def _modelled_level_v(self, drive_db: FloatArray) -> FloatArray:
        clipped, compression = self._of_knee(drive_db)
        level_v = 10.0 ** (drive_db / 20.0) * compression / math.sqrt(2.0)
        return np.asarray(level_v * np.sqrt(1.0 + np.sum(np.abs(clipped) ** 2, axis=1)))

    # ------------------------------------------------------------------------------------------------------- the curve

    def thd_ratio(self, drive_db: FloatArray) -> FloatArray:
        """Return THD at drives: (levels,); beyond the bursts as the knee goes on."""
        return np.asarray(self._modelled(drive_db) * np.exp(np.interp(drive_db, self.drive_db, self._log_factor)))

    def level_v_rms(self, drive_db: float) -> float:
        """Return the output level (fundamental and harmonics) at a drive."""
        at = np.array([drive_db])
        factor = float(np.interp(drive_db, self.drive_db, self._log_level))
        return float(self._modelled_level_v(at)[0]) * math.exp(factor)

    def top_drive_db(self) -> float:
        """Return the drive of the highest burst; where it is not known, what the knee makes of its fundamental."""
        top_db = float(self.drive_db[-1])
        if self.input_v_rms is not None or self.knee is None:
            return top_db
        return 20.0 * math.log10(float(self.knee.undone(np.array([10.0 ** (top_db / 20.0)]))[0]))

    def fundamental_v_rms(self, drive_db: float) -> float:
        """Return the fundamental at the output at a drive."""
        return self.level_v_rms(drive_db) / math.hypot(1.0, float(self.thd_ratio(np.array([drive_db]))[0]))

    def minimum(self) -> tuple[float, float]:
        """Return where THD is least, and how large it is there; a burst that noise reaches is not taken at its word."""
        return float(self._grid_db[self._least]), float(self._grid_ratio[self._least])

    @staticmethod
    def _doubt(log_noise: FloatArray) -> FloatArray:
        return np.asarray(np.exp(_DOUBT * log_noise))

    @property
    def is_minimum_told(self) -> bool:
        """Whether the minimum stands out of noise, and the next burst below it too."""
        least_db, _ = self.minimum()
        below = np.flatnonzero(self.drive_db < least_db - _NEXT_DB)
        nearest = int(np.argmin(np.abs(self.drive_db - least_db)))
        return not (self.at_most[nearest] or (len(below) and self.at_most[below[-1]]))

    def minimum_doubt(self) -> float:
        """Return by how much the minimum may be wrong (logarithm): noise, and how far it was drawn from a burst."""
        least_db, ratio = self.minimum()
        nearest = int(np.argmin(np.abs(self.drive_db - least_db)))
        drawn = _DRAWN_ERROR * abs(math.log(self._ratio[nearest] / ratio))
        return math.hypot(TWO_SIDED_95 * float(self._log_noise[nearest]), drawn)

    def onset(self) -> tuple[Crossing, float]:
        """Return where THD is twice its minimum, and that THD; 'at most' where noise hides the minimum."""
        target = ONSET_RATIO * self.minimum()[1]
        found = self.crossing(target)
        if found.bound is not None:
            return found, target
        slope = self.slope_per_db(found.drive_db)
        half_width_db = math.hypot(found.half_width_db, self.minimum_doubt() / slope)
        bound = None if self.is_minimum_told else AT_MOST
        return Crossing(drive_db=found.drive_db, half_width_db=half_width_db, bound=bound), target

    def crossing(self, ratio: float) -> Crossing:
        """Return where THD rises through a ratio, upwards from its minimum."""
        if self._grid_ratio[self._least] >= ratio:
            return Crossing(drive_db=float(self.drive_db[0]), half_width_db=0.0, bound=AT_MOST)
        above = np.flatnonzero(self._grid_ratio[self._least :] >= ratio)
        if not len(above):
            return Crossing(drive_db=float(self.drive_db[-1]), half_width_db=0.0, bound=AT_LEAST)
        right = self._least + int(above[0])
        at_db = self._root(ratio, float(self._grid_db[right - 1]), float(self._grid_db[right]))
        return Crossing(drive_db=at_db, half_width_db=self._half_width_db(ratio, at_db), bound=None)

    def beyond(self, ratio: float, most_db: float) -> float | None:
        """Return where the knee, going on above the highest burst, reaches a ratio; None when not below `most_db`."""
        top_db = float(self.drive_db[-1])
        if self.knee is None or float(self.thd_ratio(np.array([most_db]))[0]) < ratio or most_db <= top_db:
            return None
        return self._root(ratio, top_db, most_db)

    def _root(self, ratio: float, low_db: float, high_db: float) -> float:
        def over(at_db: float) -> float:
            return math.log(float(self.thd_ratio(np.array([at_db]))[0]) / ratio)

        if over(low_db) >= 0.0:
            return low_db
        return float(brentq(over, low_db, high_db, xtol=1e-6)) if over(high_db) > 0.0 else high_db

    def _half_width_db(self, ratio: float, at_db: float) -> float:
        """Return the 95 % half-width of a crossing: noise of the bursts beside, and what lies between them."""
        right = int(np.clip(np.searchsorted(self.drive_db, at_db), 1, len(self.drive_db) - 1))
        left = right - 1
        part = (at_db - self.drive_db[left]) / (self.drive_db[right] - self.drive_db[left])
        both = np.array([1.0 - part, part])
        noise = float(np.hypot(*(both * [self._log_noise[left], self._log_noise[right]])))
        apart = float(np.min(np.abs(np.log(self._ratio[[left, right]] / ratio))))
        change = abs(self._log_factor[right] - self._log_factor[left]) * float(np.min(both))
        slope = self.slope_per_db(at_db)
        level_db = DB_PER_NEPER * float(np.max([self.readings[i].fundamental_uncertainty for i in (left, right)]))
        nearest_db = float(np.min(np.abs(self.drive_db[[left, right]] - at_db)))
        shape_db = _SHAPE_ERROR * max(apart / slope, nearest_db)
        return math.hypot(TWO_SIDED_95 * noise / slope, shape_db, change / slope, level_db)

    def slope_per_db(self, at_db: float) -> float:
        """Return how fast THD rises there: its logarithm per dB."""
        around = self.thd_ratio(np.array([at_db - _SLOPE_DB, at_db + _SLOPE_DB]))
        return max(float(np.log(around[1] / around[0])) / (2.0 * _SLOPE_DB), np.finfo(np.float64).tiny)


def _log_noise(reading: BurstReading) -> float:
    """Return the standard deviation of a burst's THD, of its logarithm."""
    distortion = reading.distortion
    if distortion.standard_deviation == 0.0:
        return 0.0
    return distortion.standard_deviation / (2.0 * max(distortion.stated, distortion.standard_deviation))


@dataclass(frozen=True)
class _Base:
    """What is there without clipping. drive_db : (bursts,).   lines : (bursts, orders − 1), relative.

    growth : exponent with which it goes on above the highest burst; 0: stays, −1: crossover, 2: third order.
    """

    drive_db: FloatArray
    lines: ComplexArray
    growth: float

    @classmethod
    def of(cls, drive_db: FloatArray, lines: ComplexArray, ratio: FloatArray, lowest: int) -> _Base:
        size = np.sqrt(np.sum(np.abs(lines) ** 2, axis=1))
        last = len(size) - 1
        before = int(np.searchsorted(drive_db, drive_db[last] - _CLEAR_DB, side="right")) - 1
        if before < 0 or not size[before] > 0.5 * ratio[before] or not size[last] > 0.5 * ratio[last]:
            return cls(drive_db, lines, 0.0)
        growth = DB_PER_NEPER * math.log(size[last] / size[before]) / (drive_db[last] - drive_db[before])
        return cls(drive_db, lines, float(np.clip(growth, -1.0, _GROWTH)) if abs(growth) > _LEAST_GROWTH else 0.0)

    def lines_at(self, drive_db: FloatArray) -> ComplexArray:
        """Return the lines at other drives, (levels, orders − 1)."""
        if len(self.drive_db) == 1:
            inside = np.repeat(self.lines, len(drive_db), axis=0)
        else:
            right = np.clip(np.searchsorted(self.drive_db, drive_db), 1, len(self.drive_db) - 1)
            low_db, high_db = self.drive_db[right - 1], self.drive_db[right]
            part = np.clip((drive_db - low_db) / (high_db - low_db), 0.0, 1.0)[:, None]
            inside = (1.0 - part) * self.lines[right - 1] + part * self.lines[right]
        beyond_db = np.maximum(drive_db - self.drive_db[-1], 0.0)
        return np.asarray(inside * np.exp(self.growth * beyond_db / DB_PER_NEPER)[:, None])


def _ratio(reading: BurstReading, at_most: bool) -> float:
    power_v2 = reading.distortion.upper_95 if at_most else reading.distortion.mean_square
    return math.sqrt(max(power_v2 / reading.fundamental_v_rms**2, _NOTHING))


def _rising(readings: Sequence[BurstReading], input_v_rms: Sequence[float] | None) -> list[int]:
    """Return the bursts in order of level, one of each."""
    if len({one.frequency_hz for one in readings}) > 1:
        raise SignalError("the bursts are of several frequencies: clipping is read at one")
    level = [one.fundamental_v_rms for one in readings] if input_v_rms is None else list(input_v_rms)
    kept: list[int] = []
    for i in sorted(range(len(readings)), key=lambda one: (level[one], one)):
        if kept and DB_PER_NEPER * math.log(level[i] / level[kept[-1]]) < _SAME_LEVEL_DB:
            kept[-1] = i
        else:
            kept.append(i)
    if len(kept) < 2:
        raise SignalError("one level tells nothing about clipping: two and more are needed")
    return kept


def _stacked(rows: Sequence[NDArray[np.generic]]) -> NDArray[np.generic]:
    """Return rows of harmonics as one array, as many as all have."""
    orders = min(MOST_ORDERS - 1, *(len(row) for row in rows))
    return np.array([row[:orders] for row in rows])
