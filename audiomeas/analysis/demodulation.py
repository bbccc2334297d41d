"""A tone's level against time, by coherent detection: multiplied by the tone, averaged under a Hann window.

What is averaged hears neither hum nor harmonics, and of noise only a band of 1.5 bins (Harris 1978, "On the use of
windows for harmonic analysis with the discrete Fourier transform", Proc. IEEE 66, table 1). The noise is read beside
the tone, where the window has fallen far enough that a tone whose level changes has died out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Bins beside the tone where noise is read. The spectrum of a tone that is turned by 30 dB/s has fallen by 70 dB there.
NOISE_BINS = (-12, -11, -10, -9, -8, 8, 9, 10, 11, 12)
#: Mean over median of the power of complex Gaussian noise, which follows an exponential law.
_MEAN_OVER_MEDIAN = 1.0 / float(np.log(2.0))
#: Neighbouring blocks over which the noise is averaged.
_ALIKE = 5


@dataclass(frozen=True, kw_only=True)
class Blocks:
    """A tone block by block. centre_s : (blocks,).  hop_s : from one block to the next.

    tone : (blocks, channels), complex, of r.m.s. size, the tone's own turning taken off.
    noise_rms : (blocks, channels), r.m.s. of the noise in `tone`.
    """

    centre_s: FloatArray
    hop_s: float
    tone: ComplexArray
    noise_rms: FloatArray

    @property
    def level_rms(self) -> FloatArray:
        """Level of the tone, (blocks, channels)."""
        return np.abs(self.tone)


def demodulated(signals: FloatArray, sample_rate_hz: float, frequency_hz: float, *, periods: int) -> Blocks:
    """Return a tone in blocks that overlap by half.

    signals : (frames, channels).   periods : of the tone in a block, at least 30 (the noise is read 12 bins beside).
    Returns no blocks when the signals are shorter than one.
    """
    width, starts = _layout(len(signals), sample_rate_hz, frequency_hz, periods)
    centre_s = _centres_s(starts, width, sample_rate_hz)
    bins = np.array([0, *NOISE_BINS])
    found = _correlated(signals, starts, width, frequency_hz / sample_rate_hz + bins / width)
    tone = found[:, :, 0] * np.exp(-2j * np.pi * np.remainder(starts * (frequency_hz / sample_rate_hz), 1.0))[:, None]
    noise_power = np.median(np.abs(found[:, :, 1:]) ** 2, axis=2) * _MEAN_OVER_MEDIAN
    return Blocks(
        centre_s=centre_s,
        hop_s=(width // 2) / sample_rate_hz,
        tone=tone,
        noise_rms=np.sqrt(_averaged(noise_power)),
    )


def short_levels(
    signals: FloatArray, sample_rate_hz: float, frequency_hz: float, *, periods: int
) -> tuple[FloatArray, FloatArray]:
    """Return (centre_s, level_rms) in short blocks, (blocks,) and (blocks, channels); no noise is read beside them."""
    width, starts = _layout(len(signals), sample_rate_hz, frequency_hz, periods)
    found = _correlated(signals, starts, width, np.array([frequency_hz / sample_rate_hz]))
    return _centres_s(starts, width, sample_rate_hz), np.asarray(np.abs(found[:, :, 0]), dtype=np.float64)


def _centres_s(starts: NDArray[np.int64], width: int, sample_rate_hz: float) -> FloatArray:
    return np.asarray((starts + (width - 1) / 2.0) / sample_rate_hz, dtype=np.float64)


def _layout(frames: int, sample_rate_hz: float, frequency_hz: float, periods: int) -> tuple[int, NDArray[np.int64]]:
    width = round(periods * sample_rate_hz / frequency_hz)
    return width, np.arange(0, frames - width + 1, width // 2)


def _correlated(signals: FloatArray, starts: NDArray[np.int64], width: int, cycles: FloatArray) -> ComplexArray:
    """Return (blocks, channels, frequencies): r.m.s. size and phase of each frequency under a Hann window."""
    if len(starts) == 0:
        return np.zeros((0, signals.shape[1], len(cycles)), dtype=np.complex128)
    window = np.hanning(width + 1)[:-1]
    kernel = window[:, None] * np.exp(-2j * np.pi * np.remainder(np.outer(np.arange(width), cycles), 1.0))
    kernel *= np.sqrt(2.0) / np.sum(window)
    # Real and imaginary part beside each other: one product of real matrices.
    parts = np.concatenate([kernel.real, kernel.imag], axis=1)
    found = np.empty((len(starts), signals.shape[1], len(cycles)), dtype=np.complex128)
    for channel in range(signals.shape[1]):
        blocks = sliding_window_view(np.ascontiguousarray(signals[:, channel]), width)[:: width // 2]
        both = blocks @ parts
        found[:, channel] = both[:, : len(cycles)] + 1j * both[:, len(cycles) :]
    return found


def _averaged(power: FloatArray) -> FloatArray:
    """Return a running mean over neighbouring blocks, (blocks, channels)."""
    if len(power) == 0:
        return power
    kernel = np.ones(_ALIKE)
    middle = slice(_ALIKE // 2, _ALIKE // 2 + len(power))
    count = np.convolve(np.ones(len(power)), kernel)[middle]
    return np.stack([np.convolve(column, kernel)[middle] / count for column in power.T], axis=1)
