"""A sweep that a machine plays by its own motor, of no known law or beginning: its line is followed through spectra.

Each spectrum tells the frequency that is there just then, and its level in both channels. So neither the law of the
sweep, nor the speed of the machine, nor wow needs to be known; what is read is the mean over the width that the line
moves through within a spectrum. Levels are then averaged as power within twelfths of an octave.
Source of the window: F. Harris, Proc. IEEE 66 (1978), 51-83; the search itself is our own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from audiomeas.analysis.tone_bands import LOWEST_HZ
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Spectra below this frequency are long, those above it short; one of each every so many seconds.
_LONG_S, _SHORT_S, _STEP_S, _PARTED_HZ = 0.4, 0.1, 0.1, 250.0
#: The line: within this (relative: a fast sweep moves so far within a spectrum), or so many bins of its strongest one.
_NEAR, _LOBE_BINS = 0.08, 3
#: It holds this part of the power, moves on by no more than this from one spectrum to the next, and may waver back.
_LEAST_SHARE, _MOST_MOVED, _WAVERS = 0.5, 1.3, 0.02
#: A sweep covers at least so much in so many spectra; a second a slow hum does not.
_LEAST_RANGE, _LEAST_POINTS = 4.0, 30
#: Spectra that reach over its ends.
_OVER_AN_END = round(_LONG_S / _STEP_S)
_PER_OCTAVE = 12


@dataclass(frozen=True, kw_only=True)
class PlayedSweep:
    """A sweep. begin_s, end_s : in the capture.   frequency_hz : (points,).   level_rms : (points, 2).

    One point a spectrum; levels in the unit of the samples.
    """

    begin_s: float
    end_s: float
    frequency_hz: FloatArray
    level_rms: FloatArray


@dataclass(frozen=True)
class _Line:
    frequency_hz: float
    level_rms: tuple[float, float]


class SweepFinder:
    """Follows the strongest line through blocks of a capture of two channels; constant memory but for the line."""

    def __init__(self, sample_rate_hz: float) -> None:
        """Begin. Raises SignalError for a rate that holds no sweep."""
        if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 100.0 * LOWEST_HZ):
            raise SignalError(f"a sample rate of {sample_rate_hz} Hz holds no sweep; give the rate of the capture")
        self._rate_hz = sample_rate_hz
        self._step = round(_STEP_S * sample_rate_hz)
        self._long, self._short = (2 * round(0.5 * seconds * sample_rate_hz) for seconds in (_LONG_S, _SHORT_S))
        self._windows = {frames: np.hanning(frames + 1)[:-1] for frames in (self._long, self._short)}
        self._held = np.zeros((0, 2))
        self._lines: list[_Line | None] = []

    def add(self, block: FloatArray) -> None:
        """Take samples, (frames, 2)."""
        held, at = np.concatenate([self._held, block]), 0
        while at + self._long <= len(held):
            self._lines.append(self._line(held[at : at + self._long]))
            at += self._step
        self._held = held[at:].copy()

    def _line(self, piece: FloatArray) -> _Line | None:
        found = self._strongest(piece)
        if found is None or found.frequency_hz < _PARTED_HZ:
            return found
        middle = (self._long - self._short) // 2
        return self._strongest(piece[middle : middle + self._short])

    def _strongest(self, piece: FloatArray) -> _Line | None:
        frames = len(piece)
        window = self._windows[frames]
        power = np.square(np.abs(np.fft.rfft((piece - np.mean(piece, axis=0)) * window[:, None], axis=0)))
        bin_hz = self._rate_hz / frames
        power[: math.ceil(LOWEST_HZ / bin_hz)] = 0.0
        both = power[:, 0] + power[:, 1]
        top = int(np.argmax(both))
        reach = max(_LOBE_BINS, math.ceil(_NEAR * top))
        near = slice(max(0, top - reach), top + reach + 1)
        own, whole = float(np.sum(both[near])), float(np.sum(both))
        if not own > _LEAST_SHARE * whole or not whole > 0.0:
            return None
        # Sum over the line of a windowed sine of r.m.s. V: V²·N·Σw²/2, one-sided.
        scale = 2.0 / (frames * float(np.sum(window**2)))
        left, right = (math.sqrt(scale * float(np.sum(power[near, column]))) for column in range(2))
        hz = np.arange(near.start, near.start + len(both[near])) * bin_hz
        return _Line(float(np.dot(hz, both[near])) / own, (left, right))

    def sweeps(self) -> tuple[PlayedSweep, ...]:
        """Return the sweeps, in the order in which they were played."""
        return tuple(self._sweep(begin, end) for begin, end in _runs(self._lines))

    def _sweep(self, begin: int, end: int) -> PlayedSweep:
        lines = [line for line in self._lines[begin:end] if line is not None]
        return PlayedSweep(
            begin_s=begin * self._step / self._rate_hz,
            end_s=((end - 1) * self._step + self._long) / self._rate_hz,
            frequency_hz=np.array([line.frequency_hz for line in lines]),
            level_rms=np.array([line.level_rms for line in lines]),
        )


def _runs(lines: Sequence[_Line | None]) -> list[tuple[int, int]]:
    """Return (begin, end) of runs in which the line moves one way, far enough; without the spectra over their ends."""
    found, begin = [], 0
    for end in range(1, len(lines) + 1):
        if end < len(lines) and _goes_on(lines, begin, end):
            continue
        first, last = begin + _OVER_AN_END, end - _OVER_AN_END
        hz = [line.frequency_hz for line in lines[first : max(first, last)] if line is not None]
        if len(hz) >= _LEAST_POINTS and max(hz) / min(hz) >= _LEAST_RANGE:
            found.append((first, last))
        begin = end
    return found


def _goes_on(lines: Sequence[_Line | None], begin: int, at: int) -> bool:
    before, now = lines[at - 1], lines[at]
    if before is None or now is None or not 1.0 / _MOST_MOVED <= now.frequency_hz / before.frequency_hz <= _MOST_MOVED:
        return False
    first = lines[begin] or before
    gone = math.log(before.frequency_hz / first.frequency_hz)
    onward = math.log(now.frequency_hz / before.frequency_hz) * math.copysign(1.0, gone)
    return abs(gone) < _WAVERS or onward > -_WAVERS


@dataclass(frozen=True, kw_only=True)
class Averaged:
    """Levels in twelfths of an octave. frequency_hz, level_rms, relative : (points,); relative: 95 % half-width."""

    frequency_hz: FloatArray
    level_rms: FloatArray
    relative: FloatArray


def averaged(frequency_hz: FloatArray, level_rms: FloatArray) -> Averaged:
    """Return the mean power in each twelfth of an octave that holds a spectrum. frequency_hz, level_rms : (points,).

    A mean of several is as uncertain as their scatter tells (Student's law), one alone as all others scatter about a
    line through their neighbours.
    """
    place = np.rint(_PER_OCTAVE * np.log2(frequency_hz / 1000.0)).astype(np.int64)
    rough = float(np.std(np.diff(np.log(level_rms), 2)) / math.sqrt(6.0)) if len(level_rms) > 3 else 0.0
    rows = []
    for one in np.unique(place):
        inside = place == one
        level, count = level_rms[inside], int(np.count_nonzero(inside))
        half = 1.96 * rough
        if count > 2:
            scatter = float(np.std(np.log(level), ddof=1)) / math.sqrt(count)
            half = max(float(stdtrit(count - 1, 0.975)) * scatter, half / math.sqrt(count))
        rows.append((float(np.exp(np.mean(np.log(frequency_hz[inside])))), float(np.sqrt(np.mean(level**2))), half))
    hz, levels, halves = np.array(rows).T
    return Averaged(frequency_hz=hz, level_rms=levels, relative=halves)
