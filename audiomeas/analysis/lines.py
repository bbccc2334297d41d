"""Amplitudes of lines at known frequencies, read from one FFT: a weighted least-squares fit in the frequency domain.

The weight is w[n] = sin⁴(πn/N). Its transform falls with the fifth power of the distance, so that the projection on a
line at any frequency needs only the bins around it, and the normal equations couple only neighbours. Leakage is not
tolerated but solved for: the equations hold the window's exact transform.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]

#: Fourier coefficients of sin⁴: c0, c±1, c±2 (binomials of 4 over 16).
_TAPS = {0: 6 / 16, 1: -4 / 16, -1: -4 / 16, 2: 1 / 16, -2: 1 / 16}
_TAP_COLUMN = np.array(list(_TAPS))[:, None]
#: Mean of the window, of its square and of its fourth power: binomial(8, 4)/2⁸ and so on.
WINDOW_MEAN = 3 / 8
WINDOW_MEAN_SQUARE = 35 / 128
WINDOW_MEAN_FOURTH = 6435 / 32768
#: Equivalent noise bandwidth in bins.
ENBW = WINDOW_MEAN_SQUARE / WINDOW_MEAN**2
#: Bins on each side of a line that its main lobe fills.
LOBE_BINS = 3
#: Bins on each side that take part in a projection; beyond them the transform is below −148 dB of its peak.
REACH_BINS = 32
#: Neighbours on each side that the normal equations couple.
_NEIGHBOURS = 6
_ITERATIONS = 60
#: Up to so many lines the full matrix costs less than its iteration.
_FEW_LINES = 32


def window_transform(offset_bins: FloatArray, frames: int) -> ComplexArray:
    """Return W(δ) = Σ sin⁴(πn/N)·exp(−j2πδn/N), any shape; exact for any δ and N."""
    whole = np.rint(offset_bins)
    odd = 1.0 - 2.0 * np.abs(np.remainder(whole, 2.0))
    numerator = odd * np.sin(np.pi * (offset_bins - whole)) / frames
    sine, cosine = np.sin(np.pi / frames * offset_bins), np.cos(np.pi / frames * offset_bins)
    real, imag = np.zeros((2, *np.shape(offset_bins)))
    near = np.abs(offset_bins) < max(_TAPS) + 0.75
    close = offset_bins[near] - _TAP_COLUMN
    by_sinc = np.sinc(close) / np.sinc(close / frames)
    with np.errstate(divide="ignore", invalid="ignore"):
        for row, (tap, coefficient) in enumerate(_TAPS.items()):
            turn = math.pi * tap / frames
            # Σ exp(−j2πun/N) = exp(−jπu(N−1)/N)·sin(πu)/sin(πu/N), u = δ − tap; 0/0 and its surroundings by sinc.
            value = numerator / (sine * math.cos(turn) - cosine * math.sin(turn)) if tap else numerator / sine
            value[near] = (-1) ** (tap % 2) * by_sinc[row]
            # exp(jπ·tap·(N−1)/N) = (−1)^tap·exp(−jπ·tap/N)
            real += coefficient * math.cos(turn) * value
            if tap:
                imag -= coefficient * math.sin(turn) * value
    phase = np.exp(-1j * np.pi * (frames - 1) / frames * offset_bins)
    return np.asarray(frames * (real + 1j * imag) * phase, dtype=np.complex128)


def windowed(spectrum: ComplexArray, frames: int) -> ComplexArray:
    """Return the rfft that the windowed samples would have, (frames//2 + 1,), from the rfft of the plain ones."""
    before, after = np.conj(spectrum[2:0:-1]), _beyond(spectrum, frames)
    padded = np.concatenate([before, spectrum, after])
    size = len(spectrum)
    out = _TAPS[0] * spectrum
    step = 1 << 14  # in pieces that stay in the processor's cache
    for start in range(0, size, step):
        stop = min(start + step, size)
        near = padded[start + 1 : stop + 1] + padded[start + 3 : stop + 3]
        far = padded[start:stop] + padded[start + 4 : stop + 4]
        out[start:stop] += _TAPS[1] * near + _TAPS[2] * far
    return out


def _beyond(spectrum: ComplexArray, frames: int) -> ComplexArray:
    """Return the two bins above the last one of an rfft: mirror images, about a bin (even) or between bins (odd)."""
    if frames % 2:
        return np.conj(spectrum[[-1, -2]])
    return np.conj(spectrum[[-2, -3]])


def _gathered(spectrum: ComplexArray, bins: NDArray[np.intp], frames: int) -> ComplexArray:
    """Return full-length DFT bins (negative or beyond half the rate too) from an rfft."""
    wrapped = np.mod(bins, frames)
    mirrored = wrapped > frames // 2
    values = spectrum[np.where(mirrored, frames - wrapped, wrapped)]
    return np.asarray(np.where(mirrored, np.conj(values), values), dtype=np.complex128)


def _around(positions: FloatArray) -> NDArray[np.intp]:
    return np.rint(positions).astype(np.intp)[:, None] + np.arange(-REACH_BINS, REACH_BINS + 1)


def fit_lines(spectrum: ComplexArray, frames: int, positions: FloatArray) -> ComplexArray:
    """Return the complex peak amplitudes of lines, as of cosines at the first frame.

    spectrum : rfft of the samples.  positions : (n,) in bins, rising, at least about three bins apart and from half
    the rate; the first may be 0 (DC; its amplitude is the mean).
    """
    bins = _around(positions)
    kernel = window_transform(positions[:, None] - bins, frames)
    b = np.sum(_gathered(spectrum, bins, frames) * kernel, axis=1) / frames
    has_dc = len(positions) > 0 and positions[0] == 0.0
    first = 1 if has_dc else 0
    both = np.concatenate([-positions[first:][::-1], positions])
    signed = np.concatenate([np.conj(b[first:][::-1]), b])
    values = _solve(both, signed, frames)[-len(positions) :] * 2.0
    if has_dc:
        values[0] = values[0].real / 2.0
    return values


def _solve(positions: FloatArray, right: ComplexArray, frames: int) -> ComplexArray:
    """Solve Σ_j z_j·W(u_i − u_j) = b_i: few lines as they stand, many by Jacobi's iteration over near neighbours (the
    matrix is almost diagonal).
    """
    peak = frames * WINDOW_MEAN
    if len(positions) <= _FEW_LINES:
        whole = window_transform(positions[:, None] - positions, frames)
        return np.asarray(np.linalg.solve(whole, right), dtype=np.complex128)
    shifts = range(1, min(_NEIGHBOURS, len(positions) - 1) + 1)
    distances = [positions[shift:] - positions[:-shift] for shift in shifts]
    kernels = window_transform(np.concatenate([*distances, np.empty(0)]), frames) / peak
    ends = np.cumsum([len(distance) for distance in distances])
    couplings = list(zip(shifts, np.split(kernels, ends), strict=False))
    right = right / peak
    z = right.copy()
    for _ in range(_ITERATIONS):
        new = right.copy()
        for shift, kernel in couplings:
            new[shift:] -= kernel * z[:-shift]
            new[:-shift] -= np.conj(kernel) * z[shift:]
        change = float(np.max(np.abs(new - z), initial=0.0))
        z = new
        if change <= 1e-15 * float(np.max(np.abs(z), initial=0.0)):
            break
    return z


def add_lines(window_spectrum: ComplexArray, frames: int, positions: FloatArray, amplitudes: ComplexArray) -> None:
    """Add lines to a windowed spectrum, in place. Amplitudes as `fit_lines` gives them; negative ones subtract."""
    is_dc = positions == 0.0
    half = np.where(is_dc, amplitudes, amplitudes / 2)
    mirrored = ~is_dc & ((positions < REACH_BINS) | (positions > frames / 2 - REACH_BINS))
    image = np.where(positions < frames / 4, -positions, frames - positions)[mirrored]
    all_positions = np.concatenate([positions, image])
    values = np.concatenate([half, np.conj(half[mirrored])])
    bins = _around(all_positions)
    kernel = window_transform(bins - all_positions[:, None], frames) * values[:, None]
    inside = (bins >= 0) & (bins < len(window_spectrum))
    np.add.at(window_spectrum, bins[inside], kernel[inside])


def lobes(positions: FloatArray, size: int, half_width: int = LOBE_BINS) -> BoolArray:
    """Return which of `size` bins lie in the main lobe of a line, (size,)."""
    taken = np.zeros(size, dtype=np.bool_)
    bins = np.rint(positions).astype(np.intp)[:, None] + np.arange(-half_width, half_width + 1)
    taken[bins[(bins >= 0) & (bins < size)]] = True
    return taken


def interpolated_bin(spectrum: ComplexArray, frames: int, peak: int) -> float:
    """Return the place of a line near a bin of a plain rfft, in bins, from the ratio of two windowed bins.

    For sin⁴: δ = (3r − 2)/(1 + r), r the ratio of the larger neighbour to the peak. Source: D. Rife and G. Vincent,
    Bell Syst. Tech. J. 49 (1970), for windows of the family sin^2p.
    """
    around = peak + np.arange(-4, 5)
    plain = _gathered(spectrum, around.astype(np.intp), frames)
    size = np.abs(sum(c * plain[2 + t : 7 + t] for t, c in _TAPS.items()))  # bins peak − 2 … peak + 2
    top = int(np.clip(np.argmax(size), 1, 3))
    side = 1 if size[top + 1] >= size[top - 1] else -1
    ratio = float(size[top + side] / size[top]) if size[top] > 0 else 0.0
    return peak - 2 + top + side * (3.0 * ratio - 2.0) / (1.0 + ratio)
