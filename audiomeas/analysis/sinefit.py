"""Least-squares fit of one sine: level, phase and, unless it is known, frequency.

Source: IEEE Std 1057-2017, annex A (three- and four-parameter sine fit); bounds after D. Rife and R. Boorstyn, IEEE
Trans. Inf. Theory IT-20 (1974). The sums over the capture are formed in blocks: within a block the phasor is one
vector, from block to block one factor, so that a pass costs a narrow matrix product and no sine per sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Gauss-Newton passes over the capture at most; two are usual.
_PASSES = 6
#: After a step below this (relative amplitude, and radians over the capture) the next one, its square, is rounding.
_SMALL_STEP = 1e-8


@dataclass(frozen=True, kw_only=True)
class SineFit:
    """x[n] = Re(amplitude · exp(j2π·cycles·(n − centre))), centre = (frames − 1)/2.

    cycles : frequency in cycles per sample.  amplitude : complex peak value, phase as of a cosine mid-capture.
    """

    cycles: float
    amplitude: complex
    frames: int

    def phase_at_start_deg(self) -> float:
        """Return the phase of the sine (not cosine) at the first frame, −180 … 180 degrees."""
        turns = np.angle(self.amplitude) / (2 * np.pi) - math.remainder(self.cycles * (self.frames - 1) / 2, 1.0)
        return math.remainder((turns + 0.25) * 360.0, 360.0)


@dataclass(frozen=True, kw_only=True)
class OtherLines:
    """Lines that are in the signal beside the fitted sine. cycles, amplitudes : (n,), as in `SineFit`; DC is real."""

    cycles: FloatArray
    amplitudes: ComplexArray


@dataclass(frozen=True)
class _Grid:
    """How a capture is cut: `rows` blocks of `width` frames, the last one filled up with nothing."""

    frames: int
    width: int
    rows: int

    @classmethod
    def of(cls, frames: int) -> _Grid:
        width = max(64, min(4096, 1 << (math.isqrt(frames).bit_length() - 1)))
        return cls(frames, width, -(-frames // width))

    @property
    def starts(self) -> FloatArray:
        """First frame of each block, counted from mid-capture."""
        return np.arange(float(self.rows)) * self.width - (self.frames - 1) / 2

    @property
    def inside(self) -> FloatArray:
        """Frames within a block."""
        return np.arange(float(self.width))


def phasors(cycles: FloatArray | float, frames: FloatArray) -> ComplexArray:
    """Return exp(j2π·cycles·frames), the turns reduced first, so that a long capture stays as exact as a short one."""
    turns = np.multiply.outer(np.asarray(cycles), frames)
    return np.asarray(np.exp(2j * np.pi * (turns - np.rint(turns))), dtype=np.complex128)


def project(signal: FloatArray, cycles: float) -> tuple[complex, complex]:
    """Return Σ x·exp(−jωt) and Σ t·x·exp(−jωt), with t counted from mid-capture."""
    grid = _Grid.of(len(signal))
    inside = phasors(-cycles, grid.inside)
    columns = np.stack([inside.real, inside.imag, grid.inside * inside.real, grid.inside * inside.imag], axis=1)
    whole = len(signal) // grid.width
    sums = np.zeros((grid.rows, 4))
    sums[:whole] = signal[: whole * grid.width].reshape(whole, grid.width) @ columns
    if whole < grid.rows:
        rest = signal[whole * grid.width :]
        sums[whole] = rest @ columns[: len(rest)]
    plain, ramped = sums[:, 0] + 1j * sums[:, 1], sums[:, 2] + 1j * sums[:, 3]
    turn = phasors(-cycles, grid.starts)
    return complex(np.sum(turn * plain)), complex(np.sum(turn * (ramped + grid.starts * plain)))


def moments(cycles: FloatArray, frames: int) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Return Σ exp(jωt), Σ t·exp(jωt) and Σ t²·exp(jωt) over a capture, t from mid-capture; (n,) each."""
    grid = _Grid.of(frames)
    last = frames - (grid.rows - 1) * grid.width
    m0, m1, m2 = np.zeros((3, len(cycles)), dtype=np.complex128)
    inside, starts = phasors(cycles, grid.inside), phasors(cycles, grid.starts)
    of_inside, of_starts = _powers(grid.inside), _powers(grid.starts)
    for rows, width in ((slice(0, grid.rows - 1), grid.width), (slice(grid.rows - 1, grid.rows), last)):
        k0, k1, k2 = (inside[:, :width] @ of_inside[:width]).T
        b0, b1, b2 = (starts[:, rows] @ of_starts[rows]).T
        m0 += b0 * k0
        m1 += b1 * k0 + b0 * k1
        m2 += b2 * k0 + 2 * b1 * k1 + b0 * k2
    return m0, m1, m2


def _powers(values: FloatArray) -> ComplexArray:
    """Return 1, t and t² as columns, (n, 3)."""
    powers = np.ones((len(values), 3), dtype=np.complex128)
    powers[:, 1], powers[:, 2] = values, values * values
    return powers


def fit_sine(
    signal: FloatArray,
    start: SineFit,
    others: OtherLines,
    *,
    frequency_is_exact: bool = False,
    passes: int = _PASSES,
) -> SineFit:
    """Fit amplitude, phase and frequency by Gauss-Newton, beside lines that are known.

    signal : (frames,).  start : within a fraction of a bin of the truth.  others : taken out of the projections.
    """
    amplitude, cycles, frames = start.amplitude, start.cycles, start.frames
    for _ in range(passes):
        left, turned = _unexplained(signal, cycles, amplitude, others)
        step, turn = _gauss_newton(left, turned, amplitude, frames, frequency_is_exact)
        amplitude, cycles = amplitude + step, cycles + turn / (2 * math.pi)
        if abs(step) < _SMALL_STEP * abs(amplitude) and abs(turn) * frames < _SMALL_STEP:
            break
    return SineFit(cycles=cycles, amplitude=amplitude, frames=frames)


def _unexplained(
    signal: FloatArray, cycles: float, amplitude: complex, others: OtherLines
) -> tuple[tuple[complex, complex], tuple[complex, complex, complex]]:
    """Return the two projections of what the sine and the other lines leave over, and the moments of exp(2jωt)."""
    lines = np.concatenate([[cycles], others.cycles])
    values = np.concatenate([[amplitude], others.amplitudes]) / 2
    m0, m1, m2 = moments(np.concatenate([lines, -lines]) - cycles, len(signal))
    both = np.concatenate([values, np.conj(values)])
    q0, q1 = project(signal, cycles)
    image = len(lines)  # of the sine itself, at −2ω
    turned = complex(m0[image]).conjugate(), complex(m1[image]).conjugate(), complex(m2[image]).conjugate()
    return (q0 - complex(both @ m0), q1 - complex(both @ m1)), turned


def _gauss_newton(
    left: tuple[complex, complex],
    turned: tuple[complex, complex, complex],
    amplitude: complex,
    frames: int,
    frequency_is_exact: bool,
) -> tuple[complex, float]:
    """Return the step of the complex amplitude and of ω (radians a sample), from the exact normal equations."""
    second = frames * (frames**2 - 1) / 12
    # Columns: Re(1·e), Re(j·e), Re(j·a·t·e) with e = exp(jωt).  Σ Re(u·e)Re(v·e) = Re(u·v̄·Σ1 + u·v·Σe²)/2.
    columns = ((1.0 + 0j, 0), (1j, 0), (1j * amplitude, 1))
    plain = (float(frames), 0.0, second)
    normal = np.array(
        [[(u * v.conjugate() * plain[p + q] + u * v * turned[p + q]).real / 2 for v, q in columns] for u, p in columns]
    )
    right = np.array([(u.conjugate() * left[p]).real for u, p in columns])
    size = 2 if frequency_is_exact else 3
    # Scaled, because the frequency column is some 1e12 times larger than the others.
    scale = 1.0 / np.sqrt(np.diag(normal)[:size])
    solution = scale * np.linalg.solve(normal[:size, :size] * np.outer(scale, scale), right[:size] * scale)
    return complex(solution[0], solution[1]), 0.0 if frequency_is_exact else float(solution[2])


def without_sine(signal: FloatArray, fit: SineFit) -> FloatArray:
    """Return the signal less the fitted sine, a new array."""
    grid = _Grid.of(len(signal))
    turn = fit.amplitude * phasors(fit.cycles, grid.starts)
    inside = phasors(fit.cycles, grid.inside)
    rest = np.empty(grid.rows * grid.width)
    rows = rest.reshape(grid.rows, grid.width)
    np.matmul(np.stack([-turn.real, turn.imag], axis=1), np.stack([inside.real, inside.imag]), out=rows)
    rest = rest[: len(signal)]
    rest += signal
    return rest


def crb_amplitude(noise_variance: float, frames: int) -> float:
    """Return the Cramér-Rao bound (standard deviation) of a sine's peak amplitude. Rife and Boorstyn (1974)."""
    return math.sqrt(2.0 * noise_variance / frames)


def crb_cycles(noise_variance: float, peak: float, frames: int) -> float:
    """Return the Cramér-Rao bound of the frequency in cycles per sample. Rife and Boorstyn (1974)."""
    snr = peak**2 / (2.0 * noise_variance) if noise_variance > 0 else math.inf
    return math.sqrt(12.0 / ((2 * math.pi) ** 2 * snr * frames * (float(frames) ** 2 - 1)))


def crb_start_phase_rad(noise_variance: float, peak: float, frames: int, *, frequency_is_exact: bool) -> float:
    """Return the Cramér-Rao bound of the phase at the first frame, in radians."""
    snr = peak**2 / (2.0 * noise_variance) if noise_variance > 0 else math.inf
    if frequency_is_exact:
        return math.sqrt(1.0 / (snr * frames))
    return math.sqrt(2.0 * (2.0 * frames - 1.0) / (snr * frames * (frames + 1.0)))
