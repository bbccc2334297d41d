"""Power density of noise (Welch), and levels from it in any band and under any weighting.

Source of the method: P. Welch, IEEE Trans. Audio Electroacoust. AU-15 (1967), 70-73: periodograms of windowed segments
that overlap, averaged. Window: periodic Hann, overlap one half. The variance of any sum of bins follows from the
window's products with its own shifted copies (the same paper, section on overlapping segments).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.analysis.noisefloor import band_weight
from audiomeas.analysis.segments import Segment, SegmentSpectra, hann, segment_frames
from audiomeas.analysis.spectral_floor import floor_under
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: J/K, exact (SI 2019).
BOLTZMANN = 1.380649e-23
WINDOW, OVERLAP = "Hann", 0.5
#: Bins from 0 that hold DC and its window; they tell no noise.
DC_BINS = 2
#: Bins apart up to which those of a Hann window depend on one another.
_REACH = 3


@dataclass(frozen=True, kw_only=True)
class NoiseLevel:
    """A level read from a density. mean_square : in V².   standard_deviation : of it, from the number of averages."""

    mean_square: float
    standard_deviation: float

    @property
    def v_rms(self) -> float:
        """Level in V r.m.s."""
        return math.sqrt(self.mean_square)

    @property
    def uncertainty_v_rms(self) -> float:
        """95 % half-width of `v_rms`."""
        widest = math.sqrt(self.mean_square + TWO_SIDED_95 * self.standard_deviation)
        return widest - self.v_rms


@dataclass(frozen=True, kw_only=True)
class Density:
    """One-sided power density of one channel.

    v2_per_hz : (bins,).   floor : (bins,) the same with lines left out and smoothed.   segments : whole segments
    averaged.   frames : of the capture that are in it.   mean_v : DC of the capture.   total_mean_square : of its
    samples, DC taken out.
    """

    v2_per_hz: FloatArray
    floor: FloatArray
    sample_rate_hz: float
    segment_frames: int
    segments: int
    frames: int
    mean_v: float
    total_mean_square: float

    @property
    def bin_hz(self) -> float:
        """Distance of two bins."""
        return self.sample_rate_hz / self.segment_frames

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequency of each bin, (bins,)."""
        return np.asarray(np.arange(len(self.v2_per_hz)) * self.bin_hz)

    @property
    def v_per_root_hz(self) -> FloatArray:
        """Density in V/√Hz, (bins,); the bins that DC was taken from are NaN (a gap in a chart)."""
        root = np.sqrt(self.v2_per_hz)
        root[:DC_BINS] = np.nan
        return np.asarray(root)

    @property
    def averages(self) -> float:
        """Independent averages that say as much: 2·(mean)²/(variance of a bin) of a χ² law, over 2."""
        return float(1.0 / self._dependence()[0])

    def level(self, band_hz: tuple[float, float] | None = None, weight: FloatArray | None = None) -> NoiseLevel:
        """Return the level in a band (brick wall; bins on an edge count in part), weighted.

        band_hz : (low, high), None for everything but DC.   weight : (bins,), |W|² at `frequency_hz`, None for 1.
        Raises SignalError where the capture can't tell the band.
        """
        shares = self._shares(band_hz)
        if weight is not None:
            if np.shape(weight) != np.shape(shares) or not bool(np.all(np.isfinite(weight))):
                raise ValueError("a weighting needs one finite value a bin")
            shares = shares * weight
        value = float(np.dot(shares, self.v2_per_hz)) * self.bin_hz
        return NoiseLevel(mean_square=value, standard_deviation=self._deviation(shares))

    def referred(self, gain: float) -> Density:
        """Return the density divided by a gain (V/V): what stands at an output, referred to the input."""
        if not (math.isfinite(gain) and gain > 0):
            raise ValueError("a gain must be finite and positive")
        return replace(
            self,
            v2_per_hz=self.v2_per_hz / gain**2,
            floor=self.floor / gain**2,
            mean_v=self.mean_v / gain,
            total_mean_square=self.total_mean_square / gain**2,
        )

    def _shares(self, band_hz: tuple[float, float] | None) -> FloatArray:
        """Return how much of each bin lies in a band, (bins,); nothing of those that hold DC."""
        half_rate_hz = self.sample_rate_hz / 2
        low, high = (0.0, half_rate_hz) if band_hz is None else band_hz
        self._check_band(low, high)
        shares = band_weight(len(self.v2_per_hz), self.bin_hz, (low, min(high, half_rate_hz)))
        shares[:DC_BINS] = 0.0
        return shares

    def _check_band(self, low: float, high: float) -> None:
        half = self.sample_rate_hz / 2
        if not (math.isfinite(low) and math.isfinite(high) and 0.0 <= low < high):
            raise SignalError(f"{low:g} Hz to {high:g} Hz is no band; give a lower and a higher frequency")
        if high > half * (1 + 1e-9):
            raise SignalError(f"a band up to {high:g} Hz needs more than the {half:g} Hz of this capture")
        if 0.0 < low < (DC_BINS - 0.5) * self.bin_hz:
            raise SignalError(
                f"a band from {low:g} Hz can't be told from DC in segments of "
                f"{self.segment_frames / self.sample_rate_hz:.3g} s; give a band from "
                f"{(DC_BINS - 0.5) * self.bin_hz:.3g} Hz up, or capture for longer where the whole capture is shorter"
            )

    def _deviation(self, shares: FloatArray) -> float:
        """Return the standard deviation of a sum. A steady line on a floor F has the variance F·(2P − F), not P²."""
        floor = np.minimum(self.floor, self.v2_per_hz)
        weighted = shares * np.sqrt(floor * (2.0 * self.v2_per_hz - floor)) * self.bin_hz
        dependence = self._dependence()
        variance = dependence[0] * float(np.dot(weighted, weighted))
        for apart in range(1, _REACH):
            variance += 2.0 * dependence[apart] * float(np.dot(weighted[apart:], weighted[:-apart]))
        return math.sqrt(variance)

    def _dependence(self) -> FloatArray:
        """Return the covariance of averaged bins that stand 0, 1, 2 … apart, relative to their squared mean."""
        window = hann(_SHORT)
        power = float(np.sum(window**2))
        half = _SHORT // 2
        turning = np.exp(2j * np.pi / _SHORT * np.outer(np.arange(_REACH), np.arange(_SHORT)))
        same = np.abs(turning @ window**2) ** 2 / power**2
        beside = np.abs(turning[:, half:] @ (window[half:] * window[:half])) ** 2 / power**2
        count = self.segments
        return np.asarray((same + 2.0 * (1.0 - 1.0 / count) * beside) / count)


#: The window's own figures don't depend on its length.
_SHORT = 64


class DensityOf:
    """Averages the power of segments; constant memory. The order of the blocks' lengths changes nothing."""

    def __init__(self, sample_rate_hz: float, channels: int, frames: int) -> None:
        """Begin. channels, frames : as of the `SegmentSpectra` that makes the segments."""
        self._rate, self._frames = sample_rate_hz, frames
        self._power = np.zeros((channels, frames // 2 + 1))
        self._work = np.empty(frames // 2 + 1)
        self._sum, self._square = np.zeros((2, channels))
        self._segments = self._seen = 0

    def take(self, segment: Segment) -> None:
        """Add one segment's power. One that reaches over an end is left out."""
        if not segment.whole:
            return
        for power, spectrum in zip(self._power, segment.spectrum, strict=True):
            for part in (spectrum.real, spectrum.imag):
                np.square(part, out=self._work)
                power += self._work
        self._segments += 1

    def take_samples(self, block: FloatArray) -> None:
        """Add samples to the mean and the mean square. block : (frames, channels)."""
        self._seen += len(block)
        for channel, samples in enumerate(block.T):
            close = np.ascontiguousarray(samples)
            self._sum[channel] += np.sum(close)
            self._square[channel] += np.dot(close, close)

    def result(self) -> tuple[Density, ...]:
        """Return the density of each channel. Raises SignalError when no segment was filled."""
        if not self._segments:
            raise SignalError(f"{self._seen} frames don't fill one segment of {self._frames}; capture for longer")
        one_sided = np.full(self._frames // 2 + 1, 2.0)
        one_sided[[0, -1]] = 1.0
        scale = one_sided / (self._rate * float(np.sum(hann(self._frames) ** 2)) * self._segments)
        means = self._sum / self._seen
        squares = np.maximum(self._square / self._seen - means**2, 0.0)
        return tuple(
            self._density(power * scale, float(mean), float(square))
            for power, mean, square in zip(self._power, means, squares, strict=True)
        )

    def _density(self, density: FloatArray, mean: float, square: float) -> Density:
        return Density(
            v2_per_hz=density,
            floor=floor_under(density, self._segments),
            sample_rate_hz=self._rate,
            segment_frames=self._frames,
            segments=self._segments,
            frames=(self._segments + 1) * self._frames // 2,
            mean_v=mean,
            total_mean_square=square,
        )


def noise_density(signal: FloatArray, sample_rate_hz: float, *, frames: int | None = None) -> tuple[Density, ...]:
    """Return the density of each channel of a capture.

    signal : (frames, channels) in V.   frames : of a segment, None to choose.
    Raises SignalError for a capture that is too short or holds values that are no numbers.
    """
    size = segment_frames(sample_rate_hz, len(signal)) if frames is None else frames
    spectra, density = SegmentSpectra(signal.shape[1], size), DensityOf(sample_rate_hz, signal.shape[1], size)
    for segment in spectra.add(signal):
        density.take(segment)
    density.take_samples(signal)
    return density.result()


def johnson_v_per_root_hz(resistance_ohm: float, temperature_k: float = 300.0) -> float:
    """Return the open-circuit density √(4kTR) of a resistance. Source: H. Nyquist, Phys. Rev. 32 (1928), 110-113."""
    for what, value in (("a resistance", resistance_ohm), ("a temperature", temperature_k)):
        if not (math.isfinite(value) and value >= 0):
            raise ValueError(f"{what} must be finite and not negative")
    return math.sqrt(4.0 * BOLTZMANN * temperature_k * resistance_ohm)
