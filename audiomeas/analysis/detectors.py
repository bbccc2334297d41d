"""Detectors of noise meters: r.m.s., average-responding, and the quasi-peak detector of ITU-R BS.468-4.

The Recommendation gives the quasi-peak meter by its readings of tone bursts (clauses 2.1, 2.2), not by a circuit. Here
it is a full-wave rectifier and two peak rectifiers in tandem; each holds a value v that follows its input x by
dv/dt = max(x − v, 0)/τ_charge − v/τ_discharge. The four time constants were fitted to the nominal readings of the
Recommendation's two tables (those from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: An average-responding meter is calibrated to read the r.m.s. value of a sine: π/√8 times the mean of |x|.
FORM_FACTOR = math.pi / math.sqrt(8.0)
#: Frames of one lane, at most: the detector runs many stretches of a capture beside each other. So many frames fill
#: so many lanes: short ones make wide steps, which numpy likes, and many lanes to chain, which Python doesn't.
_LANE_FRAMES, _FRAMES_PER_SQUARED_LENGTH = 2048, 12
#: Frames of all channels together that are held at once (8 bytes each, a handful of arrays).
_HELD_FRAMES = 1 << 20
#: The lanes' first values are found by Newton's method; they are equal from here on, relative to the largest.
_EQUAL = 1e-11
#: How long the calibrating sine is played, in s: 21 of the slower stage's time constants (0.14 s) while it charges.
_SETTLED_S = 3.0
#: The Recommendation's 1 kHz; a prime number, so that the samples meet all phases of the sine at any rate.
_CALIBRATING_HZ = 997.0


@dataclass(frozen=True, kw_only=True)
class Rectifier:
    """A peak rectifier. charge_s, discharge_s : time constants in s."""

    charge_s: float
    discharge_s: float


#: Fitted to the nominal burst readings of ITU-R BS.468-4, clauses 2.1 and 2.2.
QUASI_PEAK_STAGES = (
    Rectifier(charge_s=0.001_519, discharge_s=0.295_1),
    Rectifier(charge_s=0.232_3, discharge_s=0.353_1),
)


def rms(signal: FloatArray) -> FloatArray:
    """Return the r.m.s. value of each channel. signal : (frames, channels) in V. Raises SignalError (see `checked`)."""
    return np.asarray(np.sqrt(np.mean(np.square(checked(signal)), axis=0)))


def average_responding(signal: FloatArray) -> FloatArray:
    """Return what a meter reads that responds to the mean of |x| and is calibrated in r.m.s. of a sine.

    signal : (frames, channels) in V.  Gaussian noise reads 1.049 dB below its r.m.s. value.  Raises SignalError.
    """
    return np.asarray(FORM_FACTOR * np.mean(np.abs(checked(signal)), axis=0))


def quasi_peak(signal: FloatArray, sample_rate_hz: float) -> FloatArray:
    """Return the course of a quasi-peak meter's reading, (frames, channels) in V, from rest.

    signal : (frames, channels) in V, weighted already.  A steady 1 kHz sine reads its r.m.s. value.
    Raises SignalError for values that are no numbers.  Source: ITU-R BS.468-4, clause 2.
    """
    return QuasiPeak(sample_rate_hz, np.shape(signal)[-1]).add(signal)


def peak_held(samples: FloatArray, sample_rate_hz: float, stages: Sequence[Rectifier]) -> FloatArray:
    """Return what peak rectifiers in tandem hold after each sample, from rest, (frames, channels).

    samples : (frames, channels), not negative.  Raises SignalError for values that are no numbers.
    """
    held = np.ascontiguousarray(checked(samples))
    for one in stages:
        held = _Stage(one, sample_rate_hz, held.shape[1]).run(held)
    return held


def checked(signal: FloatArray) -> FloatArray:
    """Return the signal as float64. Raises SignalError when it is empty, misshapen or holds what is no number."""
    samples = np.asarray(signal, dtype=np.float64)
    if samples.ndim != 2 or not samples.size:
        raise SignalError("a detector needs samples, shaped (frames, channels)")
    if not math.isfinite(float(np.sum(samples))) and not bool(np.all(np.isfinite(samples))):
        raise SignalError("the samples hold values that are no numbers (NaN or infinity); capture again")
    return samples


class RmsOf:
    """The r.m.s. value of blocks."""

    def __init__(self, channels: int) -> None:
        self._sum = np.zeros(channels)
        self._frames = 0

    def add(self, block: FloatArray) -> None:
        """Add samples, (frames, channels). Raises SignalError."""
        samples = checked(block)
        self._sum += np.einsum("ij,ij->j", samples, samples)
        self._frames += len(samples)

    def result(self) -> FloatArray:
        """Return the value of each channel. Raises SignalError when nothing was added."""
        if not self._frames:
            raise SignalError("a detector needs samples; none came")
        return np.asarray(np.sqrt(self._sum / self._frames))


class AverageOf:
    """The reading of an average-responding meter, of blocks."""

    def __init__(self, channels: int) -> None:
        self._sum = np.zeros(channels)
        self._frames = 0

    def add(self, block: FloatArray) -> None:
        """Add samples, (frames, channels). Raises SignalError."""
        samples = checked(block)
        self._sum += np.sum(np.abs(samples), axis=0)
        self._frames += len(samples)

    def result(self) -> FloatArray:
        """Return the value of each channel. Raises SignalError when nothing was added."""
        if not self._frames:
            raise SignalError("a detector needs samples; none came")
        return np.asarray(FORM_FACTOR * self._sum / self._frames)


class QuasiPeak:
    """The quasi-peak meter, block by block; how the samples are cut into blocks changes nothing but rounding."""

    def __init__(self, sample_rate_hz: float, channels: int) -> None:
        """Begin at rest. Raises SignalError for a sample rate that can't be."""
        if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 0.0 and channels > 0):
            raise SignalError("a quasi-peak meter needs a sample rate above 0 Hz and a channel")
        self._scale = _calibration(float(sample_rate_hz))
        self._stages = [_Stage(one, sample_rate_hz, channels) for one in QUASI_PEAK_STAGES]
        self._channels = channels

    def add(self, block: FloatArray) -> FloatArray:
        """Return the reading after each sample of a block, both (frames, channels) in V. Raises SignalError."""
        samples = checked(block)
        if samples.shape[1] != self._channels:
            raise SignalError(f"the block has {samples.shape[1]} channels, the meter {self._channels}")
        reading = np.empty(samples.shape)
        step = max(1, _HELD_FRAMES // self._channels)
        for start in range(0, len(samples), step):
            held = np.abs(samples[start : start + step], order="C")
            for stage in self._stages:
                held = stage.run(held)
            np.multiply(held, self._scale, out=reading[start : start + step])
        return reading


class _Stage:
    """One peak rectifier with its state.

    A step is v → max(d·v, s·v + c·x): d discharge alone; s, c charge and discharge together, exact while x holds. A
    stretch of samples maps its first value to its last by a function that rises, is convex and consists of straight
    pieces. So all stretches can run at once from guessed first values, and Newton's method on the chain of them
    ends, after few rounds, at what running one sample after the other gives.
    """

    def __init__(self, rectifier: Rectifier, sample_rate_hz: float, channels: int) -> None:
        period_s = 1.0 / sample_rate_hz
        rate = 1.0 / rectifier.charge_s + 1.0 / rectifier.discharge_s
        self._discharge = math.exp(-period_s / rectifier.discharge_s)
        self._stay = math.exp(-period_s * rate)
        self._charge = -math.expm1(-period_s * rate) / (rate * rectifier.charge_s)
        self._value = np.zeros(channels)

    def run(self, samples: FloatArray) -> FloatArray:
        """Return the values after each sample, (frames, channels)."""
        frames = len(samples)
        least = min(_LANE_FRAMES, max(1, math.isqrt(frames // _FRAMES_PER_SQUARED_LENGTH)))
        # What is left over is run alone, as slowly as all lanes together: little should be.
        steps = min(range(least, 2 * least), key=lambda length: frames % length)
        lanes = frames // steps
        whole = lanes * steps
        if whole == frames:
            return self._lanes(samples, lanes, steps)
        out = np.empty_like(samples)
        out[:whole] = self._lanes(samples[:whole], lanes, steps)
        out[whole:] = self._lanes(samples[whole:], 1, frames - whole)
        return out

    def _lanes(self, samples: FloatArray, lanes: int, steps: int) -> FloatArray:
        """Run (lanes·steps, channels) samples as lanes."""
        channels = samples.shape[1]
        drive = np.multiply(samples.reshape(lanes, steps, channels).swapaxes(0, 1), self._charge, order="C")
        values = np.empty((steps + 1, lanes, channels))
        values[0] = self._value
        for _ in range(lanes + 1):
            self._sweep(drive, values)
            if not self._improve(drive, values):
                break
        self._value = values[-1, -1].copy()
        return np.asarray(values[1:].swapaxes(0, 1).reshape(lanes * steps, channels))

    def _sweep(self, drive: FloatArray, values: FloatArray) -> None:
        """Run all lanes from their first values."""
        falls = np.empty_like(values[0])
        for now, then, add in zip(values[:-1], values[1:], drive, strict=True):
            np.multiply(now, self._stay, out=then)
            then += add
            np.multiply(now, self._discharge, out=falls)
            np.maximum(then, falls, out=then)

    def _improve(self, drive: FloatArray, values: FloatArray) -> bool:
        """Set the lanes' first values by their ends and slopes; return whether any has changed."""
        first, last = values[0], values[-1]
        if np.max(np.abs(first[1:] - last[:-1]), initial=0.0) <= _EQUAL * np.max(last, initial=0.0):
            return False
        charged = np.count_nonzero(drive > (self._discharge - self._stay) * values[:-1], axis=0)
        logs = charged * math.log(self._stay) + (len(drive) - charged) * math.log(self._discharge)
        slopes = np.exp(logs)
        for channel, value in enumerate(self._value.tolist()):
            # Python's own numbers: one after the other they are quicker than arrays of one.
            lanes = zip(*(part[:-1, channel].tolist() for part in (first, last, slopes)), strict=True)
            first[1:, channel] = [value := end + slope * (value - begin) for begin, end, slope in lanes]
        return True


@lru_cache(maxsize=16)
def _calibration(sample_rate_hz: float) -> float:
    """Return r.m.s. value over held value of a steady sine at a sample rate."""
    angle = 2.0 * np.pi * _CALIBRATING_HZ / sample_rate_hz * np.arange(round(_SETTLED_S * sample_rate_hz))
    held = peak_held(np.abs(np.sin(angle))[:, np.newaxis], sample_rate_hz, QUASI_PEAK_STAGES)
    # The mean of whole periods, a second of them: the value ripples with the rectified sine.
    return math.sqrt(0.5) / float(np.mean(held[-round(sample_rate_hz) :]))
