"""A wave that repeats: its lines from a capture of whole periods, part by part, and its course from its lines.

What does not repeat falls between the lines. The parts of a capture differ by what is left of it, and tell how well any
figure of the mean is known (J. W. Tukey's jackknife; B. Efron and C. Stein, Ann. Statist. 9, 1981).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Steepness of the smoothing: the edge's own overshoot falls to 0.2 %, at twice the rise time.
_KAISER_BETA = 5.0
#: Steps of a period for each line: between two of them a wave is nearly straight.
_STEPS_A_LINE = 64
_FEWEST_STEPS = 4096
#: A wave stands at least so far above what its parts differ by (r.m.s.).
_LEAST_CLEAR = 10.0


def part_lines(signal: FloatArray, parts: int, periods: int, highest: int) -> ComplexArray:
    """Return the lines of each part of a signal, (parts, highest): orders 1 … highest.

    signal : (frames,), a whole number of frames in each part.   periods : in each part.   Lines are peak amplitudes,
    phases as of cosines from the first frame. Raises ValueError when the parts can't hold them.
    """
    if len(signal) % parts or highest * periods >= len(signal) // parts / 2:
        raise ValueError(f"{len(signal)} frames hold no {parts} parts with lines up to {highest}")
    pieces = signal.reshape(parts, -1)
    spectrum = np.fft.rfft(pieces, axis=1) * (2.0 / pieces.shape[1])
    return np.asarray(spectrum[:, periods : highest * periods + 1 : periods])


def clear_lines(
    signal: FloatArray,
    parts: int,
    periods: int,
    highest: int,
    *,
    correction: ComplexArray | None,
    wave: str,
    window: str,
) -> ComplexArray:
    """Return the lines of each part as `part_lines` does, of a wave that stands clear of what its parts differ by.

    correction : (highest,) by which lines are multiplied (what the bench adds, taken out); None: nothing.
    wave, window : in words. Raises SignalError when noise covers it.
    """
    lines = part_lines(signal, parts, periods, highest)
    if correction is not None:
        lines = lines * correction
    noise = float(np.sqrt(np.sum(np.var(lines, axis=0, ddof=1)) / parts))
    if not float(np.linalg.norm(lines.mean(axis=0))) > _LEAST_CLEAR * noise:
        raise SignalError(f"no {wave} stands clear of the noise in the {window} window: use a higher level")
    return lines


def smoothed(lines: ComplexArray, frequency_hz: float, band_hz: float) -> ComplexArray:
    """Return lines, (highest,), of orders from 1 on, faded towards the band's edge so that a step does not ring.

    The fading is a Kaiser window over frequency (J. F. Kaiser and R. W. Schafer, IEEE Trans. ASSP 28, 1980).
    """
    place = np.arange(1, len(lines) + 1) * frequency_hz / band_hz
    inside = np.sqrt(np.clip(1.0 - place**2, 0.0, None))
    return np.asarray(lines * np.where(place < 1.0, np.i0(_KAISER_BETA * inside) / np.i0(_KAISER_BETA), 0.0))


def course(lines: ComplexArray) -> FloatArray:
    """Return one period of the wave of lines, (steps,), of orders from 1 on: without its mean, finely stepped."""
    return rendered(lines, max(_FEWEST_STEPS, 1 << int(np.ceil(np.log2(_STEPS_A_LINE * len(lines))))))


def rendered(lines: ComplexArray, steps: int) -> FloatArray:
    """Return one period of the wave of lines, (steps,), of orders from 1 on: more steps than twice the orders."""
    spectrum = np.zeros(steps // 2 + 1, dtype=np.complex128)
    spectrum[1 : len(lines) + 1] = 0.5 * steps * lines
    return np.asarray(np.fft.irfft(spectrum, steps))


def half_widths(figures: Callable[[ComplexArray], FloatArray], parts: ComplexArray) -> tuple[FloatArray, FloatArray]:
    """Return figures of the mean of all parts, and the 95 % half-width that the parts' scatter leaves of each.

    figures : lines, (highest,) → (values,), NaN where one can't be told.   parts : (parts, highest).
    """
    count = len(parts)
    whole = parts.mean(axis=0)
    without = np.stack([figures((count * whole - one) / (count - 1)) for one in parts])
    spread = np.sqrt((count - 1) / count * np.sum((without - without.mean(axis=0)) ** 2, axis=0))
    return figures(whole), np.asarray(stats.t.ppf(0.975, count - 1) * spread)
