"""Amplifiers that clip, made from formulas, and what is true of them. Nothing here comes from the analysis.

A memoryless amplifier is a function of its input in volts. Its truth is the Fourier series of what a sine becomes,
integrated finely (8,192 points a period; what folds back of a corner is below 1e-7); its bursts are
made from the same series up to the band edge, as an ideal converter delivers them, with noise.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

FloatArray = NDArray[np.float64]
Transfer = Callable[[FloatArray], FloatArray]

_POINTS = 1 << 13


def hard(positive_v: float, negative_v: float | None = None) -> Transfer:
    """Return a straight line between two rails."""
    low = positive_v if negative_v is None else negative_v
    return lambda x: np.clip(x, -low, positive_v)


def rounded(positive_v: float, negative_v: float, width: float) -> Transfer:
    """Return a straight line that bends into each rail along a parabola: from rail·(1 − width) to rail·(1 + width)."""

    def half(x: FloatArray, rail: float) -> FloatArray:
        start, reach = rail * (1.0 - width), 2.0 * rail * width
        inside = np.clip(x - start, 0.0, reach)
        return np.minimum(x, start) + inside - inside**2 / (2.0 * reach)

    return lambda x: np.where(x >= 0.0, half(np.abs(x), positive_v), -half(np.abs(x), negative_v))


def smooth(positive_v: float, negative_v: float, width: float) -> Transfer:
    """Return a straight line that bends into each rail exponentially: the integral of a logistic function."""

    def half(x: FloatArray, rail: float) -> FloatArray:
        scale = rail * width
        return x - scale * (np.logaddexp(0.0, (x - rail) / scale) - np.logaddexp(0.0, -rail / scale))

    return lambda x: np.where(x >= 0.0, half(np.abs(x), positive_v), -half(np.abs(x), negative_v))


def bent(rail_v: float) -> Transfer:
    """Return a tube's way into its rail: tanh."""
    return lambda x: rail_v * np.tanh(x / rail_v)


def uneven(amount: float, after: Transfer) -> Transfer:
    """Return an amplifier whose halves differ in gain by a constant part: the same THD at every level."""
    return lambda x: after(x + amount * np.abs(x))


def cubic(amount: float, rail_v: float, after: Transfer) -> Transfer:
    """Return an amplifier with a third-order part, of `amount` at the rail: THD grows with the square of level."""
    return lambda x: after(x - amount * rail_v * np.clip(x / rail_v, -1.5, 1.5) ** 3)


def with_crossover(dead_v: float, after: Transfer) -> Transfer:
    """Return an amplifier with a dead zone: THD falls with level until it clips."""
    return lambda x: after(x - np.clip(x, -dead_v, dead_v))


@dataclass(frozen=True)
class Amplifier:
    """gain : of the input.   transfer : of the amplified input to the output.   noise_v_rms : at the output, in the
    whole band of the capture.
    """

    gain: float
    transfer: Transfer
    noise_v_rms: float = 0.0
    sample_rate_hz: float = 48_000.0
    frequency_hz: float = 1_000.0

    @property
    def orders(self) -> int:
        """Harmonics below half the sample rate, four bins of a 0.09 s window kept free."""
        return math.floor((self.sample_rate_hz / 2 - 4 / 0.09) / self.frequency_hz)

    def series(self, input_v_rms: float) -> NDArray[np.complex128]:
        """Return the complex peak amplitudes of cosines, DC first, up to the band edge."""
        turns = np.arange(_POINTS) / _POINTS
        wave = self.transfer(self.gain * math.sqrt(2.0) * input_v_rms * np.sin(2 * np.pi * turns))
        lines = np.fft.rfft(wave)[: self.orders + 1] / _POINTS
        lines[1:] *= 2.0
        return lines

    def thd(self, input_v_rms: float) -> float:
        """Return THD relative to the fundamental, up to the band edge."""
        lines = np.abs(self.series(input_v_rms))
        return float(np.sqrt(np.sum(lines[2:] ** 2)) / lines[1])

    def level_v_rms(self, input_v_rms: float) -> float:
        """Return the r.m.s. value of fundamental and harmonics."""
        return float(np.sqrt(np.sum(np.abs(self.series(input_v_rms)[1:]) ** 2) / 2.0))

    def input_at(self, ratio: float, low_v_rms: float, high_v_rms: float) -> float:
        """Return the input level at which THD is a ratio, between one below and one above."""

        def over(log_level: float) -> float:
            return math.log(self.thd(math.exp(log_level)) / ratio)

        return math.exp(brentq(over, math.log(low_v_rms), math.log(high_v_rms), xtol=1e-7))

    def minimum(self, low_v_rms: float, high_v_rms: float) -> tuple[float, float]:
        """Return where THD is least between two input levels, to a 3000th of their distance in dB, and that THD."""
        for _ in range(3):
            levels = np.geomspace(low_v_rms, high_v_rms, 31)
            ratios = [self.thd(level) for level in levels]
            at = int(np.argmin(ratios))
            low_v_rms, high_v_rms = float(levels[max(at - 1, 0)]), float(levels[min(at + 1, len(levels) - 1)])
        return float(levels[at]), ratios[at]

    def onset(self, low_v_rms: float, high_v_rms: float) -> tuple[float, float]:
        """Return the input level at which THD is twice its minimum over levels from `low_v_rms` on, and that THD."""
        least_at, least = self.minimum(low_v_rms, high_v_rms)
        return self.input_at(2.0 * least, least_at, high_v_rms), 2.0 * least

    def burst(self, input_v_rms: float, duration_s: float, generator: np.random.Generator) -> FloatArray:
        """Return a burst as captured: a sine from the first frame on, with noise."""
        frames = round(duration_s * self.sample_rate_hz)
        lines = self.series(input_v_rms)
        lines[0] = lines[0].real
        period = self.sample_rate_hz / self.frequency_hz
        turns = np.arange(round(period) if period == round(period) else frames) / period
        phases = np.exp(2j * np.pi * np.multiply.outer(turns, np.arange(len(lines))))
        wave = np.resize((phases @ lines).real, frames)
        return wave + self.noise_v_rms * generator.standard_normal(frames)


@dataclass(frozen=True)
class SaggingAmplifier:
    """A hard limit whose rails fall with the current that it delivers, one time constant.

    Period by period: rail → rail_v − ohms·mean|output|/load_ohms, approached with exp(−period/time_constant_s). A burst
    begins with full rails. Truth is for the window from `settle_s` to its end: the mean amplitude of each line,
    weighted as the reading of a burst is said to be, by sin⁴ over the window.
    """

    gain: float = 20.0
    rail_v: float = 40.0
    supply_ohms: float = 0.8
    load_ohms: float = 8.0
    time_constant_s: float = 0.03
    unevenness: float = 2e-3
    sample_rate_hz: float = 48_000.0
    frequency_hz: float = 1_000.0
    settle_s: float = 0.01
    orders: int = 23

    def periods(self, input_v_rms: float, duration_s: float) -> NDArray[np.complex128]:
        """Return the complex peak amplitudes of cosines in each period: (periods, orders + 1)."""
        drive = self.gain * math.sqrt(2.0) * input_v_rms * np.sin(2 * np.pi * np.arange(1024) / 1024)
        drive = drive + self.unevenness * np.abs(drive)
        towards = 1.0 - math.exp(-1.0 / self.frequency_hz / self.time_constant_s)
        rail_v, found = self.rail_v, []
        for _ in range(round(duration_s * self.frequency_hz)):
            wave = np.clip(drive, -rail_v, rail_v)
            found.append(np.fft.rfft(wave)[: self.orders + 1] / 512)
            aim_v = self.rail_v - self.supply_ohms * float(np.mean(np.abs(wave))) / self.load_ohms
            rail_v += towards * (aim_v - rail_v)
        return np.array(found)

    def thd(self, input_v_rms: float, duration_s: float) -> float:
        """Return THD of the mean amplitudes over the window, weighted as a burst is by its definition: sin⁴."""
        lines = self.periods(input_v_rms, duration_s)[round(self.settle_s * self.frequency_hz) :]
        weight = np.sin(np.pi * (np.arange(len(lines)) + 0.5) / len(lines)) ** 4
        lines = np.abs(np.average(lines, axis=0, weights=weight))
        return float(np.sqrt(np.sum(lines[2:] ** 2)) / lines[1])

    def input_at(self, ratio: float, low_v_rms: float, high_v_rms: float, duration_s: float) -> float:
        """Return the input level at which THD is a ratio."""
        return brentq(lambda level: math.log(self.thd(level, duration_s) / ratio), low_v_rms, high_v_rms, xtol=1e-6)

    def burst(self, input_v_rms: float, duration_s: float) -> FloatArray:
        """Return a burst as captured, without noise."""
        width = round(self.sample_rate_hz / self.frequency_hz)
        lines = self.periods(input_v_rms, duration_s)
        lines[:, 0] = lines[:, 0].real / 2.0
        turns = np.exp(2j * np.pi * np.outer(np.arange(width) / width, np.arange(self.orders + 1)))
        return (lines @ turns.T).real.ravel()
