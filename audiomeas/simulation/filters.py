"""Linear stages that carry their state from block to block: what comes out does not depend on the size of the blocks.

An analog response with real poles and zeros becomes first-order recursive sections (the slow poles, with their exact
time constants) and one short FIR that makes up what is left. So the response is that of the analog network to within
0.001 dB up to 0.45 of the sample rate, with a delay of a whole number of frames and nothing else added.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Taps of the FIR that completes a response; its delay is half of that. The error left is below 0.001 dB.
FIR_TAPS = 97
FIR_DELAY_FRAMES = (FIR_TAPS - 1) // 2
#: Responses are met up to this fraction of the sample rate.
PASSBAND = 0.45
#: Between PASSBAND and half the sample rate the target only keeps the gain from growing.
_TRANSITION_WEIGHT = 1e-4
#: A pole faster than this fraction of the sample rate dies out inside the FIR and needs no recursive section.
_FAST_POLE = 0.1


@dataclass(frozen=True)
class AnalogNetwork:
    """Real poles and zeros: gain · Π s/(s + ω_low) · Π (1 + s/ω_zero) / Π (1 + s/ω_high).

    low_cuts_hz, high_cuts_hz, zeros_hz : corner frequencies.
    """

    gain: float = 1.0
    low_cuts_hz: tuple[float, ...] = ()
    high_cuts_hz: tuple[float, ...] = ()
    zeros_hz: tuple[float, ...] = ()

    def at(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return the complex gain at each frequency."""
        jf = 1j * frequency_hz
        response = np.full(frequency_hz.shape, self.gain, dtype=np.complex128)
        for corner_hz in self.low_cuts_hz:
            response *= (jf / corner_hz) / (1.0 + jf / corner_hz)
        for corner_hz in self.zeros_hz:
            response *= 1.0 + jf / corner_hz
        for corner_hz in self.high_cuts_hz:
            response /= 1.0 + jf / corner_hz
        return response


class Delay:
    """A delay of whole frames."""

    def __init__(self, frames: int) -> None:
        self._held: FloatArray = np.zeros(frames)

    def process(self, samples: FloatArray) -> FloatArray:
        """Take and return (frames,)."""
        joined = np.concatenate([self._held, samples])
        self._held = joined[len(samples) :]
        return joined[: len(samples)]


class Fir:
    """A causal FIR filter."""

    def __init__(self, taps: FloatArray) -> None:
        self._taps = taps
        self._history: FloatArray = np.zeros(len(taps) - 1)

    def process(self, samples: FloatArray) -> FloatArray:
        """Take and return (frames,)."""
        joined = np.concatenate([self._history, samples])
        self._history = joined[len(samples) :]
        return np.convolve(joined, self._taps, "valid")


class Recursive:
    """First-order sections in a row. sections : (sections, 6) as scipy lays them out."""

    def __init__(self, sections: FloatArray) -> None:
        from scipy.signal import lfilter  # loading it takes longer than showing a bench: only what sounds needs it

        self._filtered = lfilter
        self._coefficients = [(row[0:2].copy(), row[3:5].copy()) for row in sections]
        self._states: list[FloatArray] = [np.zeros(1) for _ in sections]

    def process(self, samples: FloatArray) -> FloatArray:
        """Take and return (frames,)."""
        if len(samples) == 0:
            return samples
        for number, (numerator, denominator) in enumerate(self._coefficients):
            # Section by section: scipy's cascaded form spends more on its checks than on a short block.
            filtered, state = self._filtered(numerator, denominator, samples, zi=self._states[number])
            samples, self._states[number] = np.asarray(filtered), np.asarray(state)
        return samples


def low_cut(corner_hz: float, sample_rate_hz: float) -> FloatArray:
    """Return one section of a coupling capacitor: s/(s + ω). Exact at DC; unity at half the sample rate."""
    pole = np.exp(-2.0 * np.pi * corner_hz / sample_rate_hz)
    gain = 0.5 * (1.0 + pole)
    return np.array([gain, -gain, 0.0, 1.0, -pole, 0.0])


def high_cut(corner_hz: float, sample_rate_hz: float) -> FloatArray:
    """Return one section of a capacitor across: ω/(s + ω), with its exact time constant. Unity at DC."""
    pole = np.exp(-2.0 * np.pi * corner_hz / sample_rate_hz)
    return np.array([1.0 - pole, 0.0, 0.0, 1.0, -pole, 0.0])


def recursive_sections(network: AnalogNetwork, sample_rate_hz: float) -> FloatArray:
    """Return the sections, (sections, 6), of the poles that are too slow for the FIR."""
    rows = [low_cut(corner_hz, sample_rate_hz) for corner_hz in network.low_cuts_hz]
    rows += [
        high_cut(corner_hz, sample_rate_hz)
        for corner_hz in network.high_cuts_hz
        if corner_hz < _FAST_POLE * sample_rate_hz
    ]
    return np.array(rows).reshape(-1, 6)


def _sections_at(sections: FloatArray, z_inverse: ComplexArray) -> ComplexArray:
    response = np.ones_like(z_inverse)
    for b0, b1, _, _, a1, _ in sections:
        response *= (b0 + b1 * z_inverse) / (1.0 + a1 * z_inverse)
    return response


def completing_fir(
    target: Callable[[FloatArray], ComplexArray],
    sections: FloatArray,
    sample_rate_hz: float,
    *,
    zero_at_dc: bool = False,
) -> FloatArray:
    """Return the taps that together with the sections have the target's response and a delay of FIR_DELAY_FRAMES.

    target : complex gain at frequencies in Hz.  zero_at_dc : the target has one more zero at DC than the sections; it
    is kept exactly, so that the relative error stays small towards DC.
    Complex least squares on relative error over half the sample rate (rows weighted, see _TRANSITION_WEIGHT).
    """
    from scipy import linalg

    grid = np.asarray((np.arange(400) + 0.5) / 800.0, dtype=np.float64)  # of the sample rate, without DC
    z_inverse = np.exp(-2j * np.pi * grid)
    wanted = target(grid * sample_rate_hz) / _sections_at(sections, z_inverse)
    if zero_at_dc:
        wanted /= 1.0 - z_inverse
    weights = np.where(grid <= PASSBAND + 0.002, 1.0, _TRANSITION_WEIGHT**2) / np.abs(wanted) ** 2
    # The normal equations of a FIR are a Toeplitz system: Levinson's recursion needs milliseconds and no BLAS threads.
    powers = np.exp(2j * np.pi * np.outer(np.arange(FIR_TAPS), grid))
    column = np.sum(weights * powers.real, axis=1)
    values = np.sum((weights * wanted * z_inverse**FIR_DELAY_FRAMES) * powers, axis=1).real
    taps = np.asarray(linalg.solve_toeplitz(column, values), dtype=np.float64)
    return np.convolve(taps, [1.0, -1.0]) if zero_at_dc else taps
