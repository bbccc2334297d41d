"""Sweeps through chains whose answer is known in closed form, for the tests of the sweep analysis.

Linear chains multiply the spectrum of the zero-padded sweep: that is the chain's exact steady and transient answer to
the band-limited sweep. Polynomials act on the sweep at eight times its rate, so that nothing folds back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len
from scipy.signal import resample

from audiomeas.stimulus import Sweep

Response = Callable[[NDArray[np.float64]], NDArray[np.complex128]]
Law = Callable[[NDArray[np.float64]], NDArray[np.float64]]
LEAD_S, TAIL_S = 0.5, 0.6


def sweep(
    rate_hz: float = 48_000.0, to_hz: float = 20_000.0, duration_s: float = 2.0, level_v_rms: float = 1.0
) -> Sweep:
    return Sweep.covering(
        from_hz=20.0, to_hz=to_hz, sample_rate_hz=rate_hz, duration_s=duration_s, level_v_rms=level_v_rms
    )


def law_of(stimulus: Sweep) -> dict[str, float]:
    return {
        "start_hz": stimulus.start_hz,
        "growth_s": stimulus.growth_s,
        "full_from_hz": stimulus.full_from_hz,
        "full_to_hz": stimulus.full_to_hz,
    }


def start_of(stimulus: Sweep) -> int:
    return round(LEAD_S * stimulus.sample_rate_hz)


def padded(stimulus: Sweep) -> NDArray[np.float64]:
    tail = np.zeros(round(TAIL_S * stimulus.sample_rate_hz))
    return np.concatenate([np.zeros(start_of(stimulus)), stimulus.samples_v(), tail])


@lru_cache(maxsize=16)
def through(stimulus: Sweep, response: Response, delay_s: float = 0.0) -> NDArray[np.float64]:
    """Return the capture of a sweep through a linear chain: 0.5 s before it, 0.6 s after it.

    The same call gives the same array, which can't be written to: take a copy for that.
    """
    played = padded(stimulus)
    # Four seconds of zeros: what the slowest chain here (0.5 Hz) still rings after that is e^(−12) of its start.
    points = 1 << int(np.ceil(np.log2(len(played) + 4 * stimulus.sample_rate_hz)))
    frequency_hz = np.fft.rfftfreq(points, 1.0 / stimulus.sample_rate_hz)
    spectrum = np.fft.rfft(played, points) * response(frequency_hz) * np.exp(-2j * np.pi * frequency_hz * delay_s)
    captured = np.fft.irfft(spectrum, points)[: len(played)].copy()
    captured.flags.writeable = False
    return captured


def through_polynomial(stimulus: Sweep, coefficients: Sequence[float]) -> NDArray[np.float64]:
    """Return the capture of a sweep through y = Σ c_k·x^k, band-limited to half the rate."""
    return bent(padded(stimulus), lambda x: np.polynomial.polynomial.polyval(x, coefficients))


def bent(samples: NDArray[np.float64], law: Law) -> NDArray[np.float64]:
    """Return samples, silent at both ends, through a law without memory at eight times their rate.

    Band-limited to half the rate.
    """
    points = next_fast_len(len(samples), real=True)  # transforms of any other length take several times as long
    finer = resample(np.pad(samples, (0, points - len(samples))), 8 * points)
    return np.asarray(resample(law(finer), points))[: len(samples)]


def filtered(samples: NDArray[np.float64], rate_hz: float, response: Response) -> NDArray[np.float64]:
    """Return samples that begin and end in silence through a linear chain; 2 s of zeros take what still rings."""
    points = 1 << int(np.ceil(np.log2(len(samples) + 2 * rate_hz)))
    spectrum = np.fft.rfft(samples, points) * response(np.fft.rfftfreq(points, 1.0 / rate_hz))
    return np.fft.irfft(spectrum, points)[: len(samples)]


@lru_cache
def chain(low_hz: float, high_hz: float = 50_000.0, gain: float = 0.5) -> Response:
    """Return a coupling capacitor and one pole: gain·s/(s + low)/(1 + s/high)."""

    def response(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        return gain * (1j * frequency_hz / (1j * frequency_hz + low_hz)) / (1.0 + 1j * frequency_hz / high_hz)

    return response


def flat(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    return np.ones(len(frequency_hz), dtype=np.complex128)


def errors(found: Any, truth: Response, low_hz: float = 20.0) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the errors from low_hz on, in dB and, after removing one pure delay, in degrees."""
    there = found.frequency_hz >= low_hz
    frequency_hz = found.frequency_hz[there]
    ratio = found.response[there] / truth(frequency_hz)
    phase = np.unwrap(np.angle(ratio))
    delay = (phase @ frequency_hz) / (frequency_hz @ frequency_hz)
    return 20.0 * np.log10(np.abs(ratio)), np.degrees(phase - delay * frequency_hz)
