"""Amplifiers that clip, made from formulas, and what is true of them. Nothing here comes from the analysis.

A memoryless amplifier is a function of its input in volts. Its truth is the Fourier series of what a sine becomes,
integrated finely (65,536 points a period: the corner of a hard limit is then met to 5e-5 of its angle); its bursts are
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

_POINTS = 1 << 16


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
