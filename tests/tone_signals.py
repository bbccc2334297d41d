"""Signals for the tests of tones, made from formulas. Nothing here comes from the analysis."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def sine(
    frequency_hz: float, sample_rate_hz: float, frames: int, *, peak: float = 1.0, phase_deg: float = 0.0
) -> FloatArray:
    """Return peak·sin(2πft + phase), whole turns taken off first, so that the sine is good to the last digits."""
    turns = np.remainder(np.arange(frames) * (frequency_hz / sample_rate_hz), 1.0)
    return peak * np.sin(2 * np.pi * (turns + phase_deg / 360.0))


def series(
    coefficients: Mapping[int, float],
    frequency_hz: float,
    sample_rate_hz: float,
    frames: int,
    *,
    cosines: bool = False,
) -> FloatArray:
    """Return Σ b_n·sin(nωt) (or cos) of the orders below half the sample rate, four bins kept free."""
    highest = sample_rate_hz / 2 - 4 * sample_rate_hz / frames
    total = np.zeros(frames)
    for order, value in coefficients.items():
        if order * frequency_hz <= highest and value:
            total += sine(order * frequency_hz, sample_rate_hz, frames, peak=value, phase_deg=90.0 if cosines else 0.0)
    return total


def clipped_coefficients(overdrive_db: float, orders: int) -> dict[int, float]:
    """Return b_n of A·sin limited to ±1 (formula in the head of thd_clipped_sine.csv)."""
    a = 10 ** (overdrive_db / 20)
    theta = math.asin(1 / a)
    found = {1: (2 * a / math.pi) * (theta + math.sqrt(1 - 1 / a**2) / a)}
    for n in range(3, orders + 1, 2):
        found[n] = (4 / math.pi) * (
            (a / 2) * (math.sin((n - 1) * theta) / (n - 1) - math.sin((n + 1) * theta) / (n + 1))
            + math.cos(n * theta) / n
        )
    return found


def gate_coefficients(dead: float, orders: int) -> dict[int, float]:
    """Return b_n of a sine that is zero where it is smaller than `dead` (head of thd_deadband_sine.csv)."""
    phi = math.asin(dead)
    found = {1: 1 - (2 / math.pi) * (phi - math.sin(phi) * math.cos(phi))}
    for n in range(3, orders + 1, 2):
        found[n] = -(2 / math.pi) * (math.sin((n - 1) * phi) / (n - 1) - math.sin((n + 1) * phi) / (n + 1))
    return found


def dead_zone_coefficients(dead: float, orders: int) -> dict[int, float]:
    """Return b_n of x − d·sign(x) outside the dead zone: minus those of a sine clipped at d, and its own b_1."""
    phi = math.asin(dead)
    clipped = clipped_coefficients(-20 * math.log10(dead), orders)
    found = {n: -dead * value for n, value in clipped.items()}
    found[1] = 1 - (2 / math.pi) * (phi + dead * math.sqrt(1 - dead**2))
    return found


def square_coefficients(orders: int) -> dict[int, float]:
    """Return b_n = 4/(πn), n odd."""
    return {n: 4 / (math.pi * n) for n in range(1, orders + 1, 2)}


def triangle_coefficients(orders: int) -> dict[int, float]:
    """Return b_n = 8/(π²n²)·(−1)^((n−1)/2), n odd."""
    return {n: 8 / (math.pi * n) ** 2 * (-1) ** ((n - 1) // 2) for n in range(1, orders + 1, 2)}


WAVES: dict[str, Callable[[int], dict[int, float]]] = {
    "square": square_coefficients,
    "triangle": triangle_coefficients,
    "clipped 0.1 dB": lambda orders: clipped_coefficients(0.1, orders),
    "clipped 1 dB": lambda orders: clipped_coefficients(1.0, orders),
    "clipped 6 dB": lambda orders: clipped_coefficients(6.0, orders),
    "dead zone 0.01": lambda orders: dead_zone_coefficients(0.01, orders),
    "dead zone 0.3": lambda orders: dead_zone_coefficients(0.3, orders),
    "gate 0.05": lambda orders: gate_coefficients(0.05, orders),
}


def tpdf_24_bit(signal: FloatArray, seed: int) -> FloatArray:
    """Return a signal as a 24-bit converter with triangular dither (two steps wide) delivers it."""
    step = 2.0**-23
    generator = np.random.default_rng(seed)
    dither = generator.uniform(-0.5, 0.5, len(signal)) + generator.uniform(-0.5, 0.5, len(signal))
    return np.rint(signal / step + dither) * step


def db(ratio: float) -> float:
    """Return 20·lg(ratio)."""
    return 20 * math.log10(ratio)
