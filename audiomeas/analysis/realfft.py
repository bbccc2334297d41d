"""Real Fourier transforms that are longer than the processor's cache likes: four short ones, put together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Up to this length a transform stays in the second cache (256 KB); four of a quarter are quicker beyond it.
_SHORT = 1 << 15


class RealTransform:
    """Transforms real arrays of one length, a power of two, into an array of the caller's.

    Decimation in time by four: with X_r the transform of x[r::4] and W = exp(−j2π/N),
    X[k + qN/4] = Σ_r (−j)^(qr)·W^(rk)·X_r[k]; the second half of each quarter is the mirror image of another's first.
    Source: J. Cooley and J. Tukey, Math. Comput. 19 (1965), 297-301.
    """

    def __init__(self, frames: int) -> None:
        """Prepare. frames : a power of two, at least 4."""
        if frames < 4 or frames & (frames - 1):
            raise ValueError("the length must be a power of two, at least 4")
        self._frames = frames
        self._quarter: RealTransform | None = None
        if frames > _SHORT:
            self._quarter = RealTransform(frames // 4)
            self._cut = np.empty((4, frames // 4))
            self._parts = np.empty((4, frames // 8 + 1), dtype=np.complex128)
            turns = np.outer(np.arange(1, 4), np.arange(frames // 8 + 1)) / frames
            self._twiddles = np.exp(-2j * np.pi * turns)

    def into(self, out: ComplexArray, samples: FloatArray) -> None:
        """Write the rfft of samples, (frames,), into out, (frames//2 + 1,)."""
        if self._quarter is None:
            out[:] = rfft(samples)
            return
        np.copyto(self._cut, samples.reshape(-1, 4).T)
        for part, piece in zip(self._parts, self._cut, strict=True):
            self._quarter.into(part, piece)
        self._parts[1:] *= self._twiddles
        self._join(out)

    def _join(self, out: ComplexArray) -> None:
        first, second, third, fourth = self._parts
        quarter, half = self._frames // 4, self._frames // 8
        even, odd = first + third, second + fourth
        first -= third
        second -= fourth
        second *= 1j
        np.add(even, odd, out=out[: half + 1])
        even -= odd
        np.conj(even[::-1], out=out[2 * quarter - half :])
        np.subtract(first, second, out=out[quarter : quarter + half + 1])
        first += second
        np.conj(first[::-1], out=out[quarter - half : quarter + 1])
