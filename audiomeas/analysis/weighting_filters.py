"""Weightings in real time: filters that eat blocks and keep their state, at any usual sample rate.

The poles and zeros of the analogue network are taken over by the matched z-transform (s → exp(sT); zeros at 0 become
exact zeros at 0 Hz), which is right far below half the rate; what is left near it is made good by a short minimum-phase
FIR filter, made by the cepstrum of the missing gain. Gain: within 0.02 dB of the network up to 20 kHz. Phase: minimum
for that gain, which is the network's own far below half the rate alone (no meter here tells the difference).
Source of both: A. Oppenheim and R. Schafer, Discrete-Time Signal Processing (1989), chapters 7 and 12.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import sosfilt, zpk2sos

from audiomeas.analysis.weighting import Network, Weighting
from audiomeas.errors import RequestError, SignalError

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Taps of the correction; the cepstrum is made on a grid this many times as fine.
_TAPS = 256
_GRID = 1 << 15
#: Frames of one transform; about 16 times the taps wastes little and stays in the cache.
_FRAMES = 8192


class WeightingFilter:
    """A weighting as a causal filter. How the samples are cut into blocks changes nothing but rounding."""

    def __init__(self, by: Weighting, sample_rate_hz: float, channels: int, *, every: int = 1) -> None:
        """Begin at rest. every : return only each n-th frame, from the first on; what isn't kept isn't computed.

        Nothing but the weighting guards against folding then: `every` is for readers of waveforms, not of spectra.

        Raises RequestError for a weighting that has no causal form (vertical edges), SignalError for a sample rate
        that can't be.
        """
        if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 0.0 and channels > 0):
            raise SignalError("a weighting needs a sample rate above 0 Hz and a channel")
        if every < 1:
            raise ValueError("each n-th frame is kept: n is at least 1")
        self._sections, self._taps = _designed(by, float(sample_rate_hz))
        self._state = np.zeros((len(self._sections), channels, 2))
        self._every, self._seen = every, 0
        # Frames before the first new one that the FIR part reaches back to, and whole steps between kept frames.
        self._reach = every * math.ceil((len(self._taps) - 1) / every)
        self._held = np.zeros((channels, self._reach))
        self._frames = every * next_fast_len(_FRAMES // every // 2, real=True) * 2
        self._spectrum = rfft(self._taps, self._frames)
        self._channels = channels

    def add(self, block: FloatArray) -> FloatArray:
        """Return the weighted samples of a block, both (frames, channels). Raises SignalError for what is no number."""
        samples = np.asarray(block, dtype=np.float64)
        if samples.ndim != 2 or samples.shape[1] != self._channels:
            raise SignalError(f"a block for this filter is shaped (frames, {self._channels})")
        if not samples.size:
            return samples.copy()
        if not math.isfinite(float(np.sum(samples))) and not bool(np.all(np.isfinite(samples))):
            raise SignalError("the samples hold values that are no numbers (NaN or infinity); capture again")
        shaped, self._state = sosfilt(self._sections, samples.T, axis=-1, zi=self._state)
        return self._corrected(shaped).T

    def response(self, frequency_hz: FloatArray, sample_rate_hz: float) -> ComplexArray:
        """Return the complex gain that the filter really has, from its coefficients."""
        z = np.exp(-2j * np.pi * np.asarray(frequency_hz) / sample_rate_hz)
        gain = np.polynomial.polynomial.polyval(z, self._taps).astype(np.complex128)
        for section in self._sections:
            top, bottom = (np.polynomial.polynomial.polyval(z, part) for part in (section[:3], section[3:]))
            gain *= top / bottom
        return np.asarray(gain)

    def _corrected(self, samples: FloatArray) -> FloatArray:
        """Return the kept frames of samples through the FIR part, by overlap-save. Both (channels, frames)."""
        every, reach = self._every, self._reach
        joined = np.concatenate([self._held, samples], axis=1)  # its first frame is one that is kept
        first = reach + (every if self._seen % every else 0)
        self._seen += samples.shape[1]
        self._held = joined[:, joined.shape[1] - reach - self._seen % every :].copy()
        out = np.empty((self._channels, max(0, -((first - joined.shape[1]) // every))))
        step = self._frames - reach
        for at in range(0, out.shape[1], step // every):
            start = first - reach + at * every
            made = self._transformed(joined[:, start : start + self._frames])[:, reach // every :]
            out[:, at : at + step // every] = made[:, : out.shape[1] - at]
        return out

    def _transformed(self, piece: FloatArray) -> FloatArray:
        """Return each n-th frame of a piece convolved in a circle with the taps, (channels, frames/n)."""
        size, spectrum = self._frames, self._spectrum
        if piece.shape[1] < size:
            size = self._every * next_fast_len(math.ceil(piece.shape[1] / self._every / 2), real=True) * 2
            spectrum = rfft(self._taps, size)
        made = rfft(piece, size, axis=-1)
        made *= spectrum
        return np.asarray(irfft(_folded(made, size, self._every), size // self._every, axis=-1))


def _folded(spectrum: ComplexArray, size: int, every: int) -> ComplexArray:
    """Return the rfft of each n-th sample of what has a given rfft: its copies, shifted, added up.

    size : samples before, an even multiple of n.  X'[k] = Σ_j X[k + j·size/n] / n, and X[size − k] = X[k]*.
    """
    if every == 1:
        return spectrum
    part = size // every
    half = part // 2
    whole = spectrum[..., : half + 1].copy()
    for at in range(part, size, part):
        if at + half <= size // 2:
            whole += spectrum[..., at : at + half + 1]
        else:
            whole += np.conj(spectrum[..., size - at - half : size - at + 1][..., ::-1])
    whole /= every
    return whole


@lru_cache(maxsize=32)
def _designed(by: Weighting, sample_rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Return second-order sections and the taps of the correction."""
    if not isinstance(by.shape, Network):
        raise RequestError(
            f"the filter '{by.words}' has no form for streaming: analyse a capture, or take a Butterworth band"
        )
    return _matched(by.shape, sample_rate_hz)


def _matched(network: Network, sample_rate_hz: float) -> tuple[FloatArray, FloatArray]:
    zeros, poles = (np.exp(np.array(part, dtype=complex) / sample_rate_hz) for part in (network.zeros, network.poles))
    sections = np.asarray(zpk2sos(zeros, poles, 1.0))
    hz: FloatArray = np.arange(_GRID // 2 + 1, dtype=np.float64) * (sample_rate_hz / _GRID)
    # At 0 Hz both may be nothing; the ratio is smooth there.
    hz[0] = 0.5 * hz[1]
    z = np.exp(2j * np.pi * hz / sample_rate_hz)
    matched = np.ones(len(hz))
    for zero in zeros:
        matched *= np.abs(z - zero)
    for pole in poles:
        matched /= np.abs(z - pole)
    return sections, _minimum_phase(np.asarray(np.abs(network.response(hz)) / matched))


def _minimum_phase(gain: FloatArray) -> FloatArray:
    """Return the first taps of the minimum-phase filter that has a gain. gain : (grid/2 + 1,), 0 to half the rate."""
    cepstrum = irfft(np.log(gain))
    size = len(cepstrum)
    cepstrum[1 : size // 2] *= 2.0
    cepstrum[size // 2 + 1 :] = 0.0
    taps = irfft(np.exp(rfft(cepstrum)))
    # The tail is let out softly: a cut would ripple.
    fade = 0.5 + 0.5 * np.cos(np.pi * np.arange(_TAPS // 2) / (_TAPS // 2))
    kept = taps[:_TAPS].copy()
    kept[_TAPS // 2 :] *= fade
    return np.asarray(kept)
