"""Many tones at once: the level of each, what leaks in from the other channel's tones, and everything in between.

With one clock all tones lie on bins of the window: each is one bin of a plain transform, and what is in all other
bins is distortion and noise, to the last digit (Parseval). With another clock one factor of time is fitted, and the
tones are taken out by least squares (`lines`); what is left is weighted with sin⁴ in time, so that distortion lines
that stand closer than some five bins count right on the average only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from audiomeas.analysis.charted import Spectrum, log_edges, thinned
from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.analysis.harmonics import PowerSum, line_noise, power_sum
from audiomeas.analysis.lines import (
    LOBE_BINS,
    WINDOW_MEAN_FOURTH,
    WINDOW_MEAN_SQUARE,
    add_lines,
    fit_lines,
    interpolated_bin,
    lobes,
    windowed,
)
from audiomeas.analysis.noisefloor import band_weight, noise_floor
from audiomeas.analysis.sinefit import OtherLines, SineFit, fit_sine
from audiomeas.analysis.tone import GUARD_BINS
from audiomeas.analysis.twotone import at_mid_capture
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]

#: How far another clock may be off.
_NEAR = 0.02
#: Tones this far below the strongest don't take part in fitting the time base.
_STRONG = 1e-4
#: Tones of which the frequency is fitted, the highest first: they know the time base best.
_FITTED = 6
#: A place within this of a whole number of bins is on the bin.
_ON_BIN = 1e-6
#: Bins on each side that tell the noise at a tone, and the fewest free ones among them.
_HALF_WIDTH = 32
_LEAST_FREE = 8
#: Bins of which the median tells the noise among them, and power over it that no noise bin has (e⁻¹⁴).
_BLOCK = 256
_LINE_OVER_NOISE = 14.0


@dataclass(frozen=True, kw_only=True)
class ToneLevels:
    """Tones of one set as one channel holds them; arrays of one length, rising.

    level_rms : less noise; where `at_most`, the 95 % upper limit.  uncertainty : 95 % half-width, 0 where `at_most`.
    """

    frequency_hz: FloatArray
    level_rms: FloatArray
    uncertainty: FloatArray
    at_most: BoolArray


@dataclass(frozen=True, kw_only=True)
class MultitoneAnalysis:
    """What one channel tells. own : its own tones; other : the other channel's, that leaked in.

    between : mean-square value of everything in `band_hz` that is no tone (and no DC).  total_mean_square : tones and
    everything else in the band.  on_bins : the window held whole periods, nothing was fitted.
    """

    frames: int
    sample_rate_hz: float
    scale: float
    on_bins: bool
    own: ToneLevels
    other: ToneLevels
    band_hz: tuple[float, float]
    between: PowerSum
    total_mean_square: float
    spectrum: Spectrum

    @property
    def between_ratio(self) -> float:
        """Distortion plus noise between the tones, relative to the total."""
        return math.sqrt(self.between.mean_square / self.total_mean_square)


@dataclass(frozen=True)
class _Read:
    """What a transform gave: powers of the tones with their noise, and the rest per bin (tones taken out)."""

    power: FloatArray
    noise: FloatArray
    rest: FloatArray
    rest_spread: float


def time_scale(signal: FloatArray, sample_rate_hz: float, tones_hz: Sequence[float]) -> float:
    """Return the factor by which the tones' frequencies differ from those played, as the capture's clock sees them.

    signal : (frames,), one channel that holds the tones.  tones_hz : as played, rising.
    First tone by tone upward, each pointing closer to the next; then by least squares of the highest strong tones.
    Raises SignalError: no tones where they should be.
    """
    _check(signal, sample_rate_hz, tones_hz)
    frames, bin_hz = len(signal), sample_rate_hz / len(signal)
    spectrum = rfft(signal)
    power = np.abs(windowed(spectrum, frames)) ** 2
    scale, reach, strengths = 1.0, _NEAR, []
    for tone_hz in tones_hz:
        place = tone_hz * scale / bin_hz
        first, last = math.floor(place * (1 - reach) - 1), math.ceil(place * (1 + reach) + 1)
        top = first + int(np.argmax(power[first : last + 1]))
        strengths.append(float(power[top]))
        if strengths[-1] >= _STRONG * max(strengths):
            scale = interpolated_bin(spectrum, frames, top) * bin_hz / tone_hz
            reach = min(reach, 0.5 * bin_hz / (tone_hz * scale))
    strong = [hz for hz, strength in zip(tones_hz, strengths, strict=True) if strength >= _STRONG * max(strengths)]
    return _refined(signal, spectrum, np.asarray(strong), scale, sample_rate_hz)


def _refined(
    signal: FloatArray, spectrum: ComplexArray, tones_hz: FloatArray, scale: float, sample_rate_hz: float
) -> float:
    frames = len(signal)
    for _ in range(2):
        cycles = tones_hz * scale / sample_rate_hz
        places = np.concatenate([[0.0], cycles * frames])
        amplitudes = at_mid_capture(fit_lines(spectrum, frames, places), places, frames)
        found, weights = [], []
        for at in range(max(1, len(places) - _FITTED), len(places)):
            start = SineFit(cycles=float(cycles[at - 1]), amplitude=complex(amplitudes[at]), frames=frames)
            others = OtherLines(cycles=np.delete(places, at) / frames, amplitudes=np.delete(amplitudes, at))
            fit = fit_sine(signal, start, others, passes=2)
            found.append(scale * fit.cycles / start.cycles)
            # The variance of a fitted frequency goes with 1/amplitude² (Cramér-Rao), that of the scale with 1/f² too.
            weights.append((abs(fit.amplitude) * start.cycles) ** 2)
        mean = float(np.average(found, weights=weights))
        if not abs(mean / scale - 1.0) * float(places[-1]) < 1.0:
            raise SignalError(
                "the tones of the multitone are not where they should be: give the stimulus that was played"
            )
        scale = mean
    return scale


def _check(signal: FloatArray, sample_rate_hz: float, tones_hz: Sequence[float]) -> None:
    if signal.ndim != 1:
        raise SignalError(f"one channel is analysed at a time, as (frames,); got shape {signal.shape}")
    if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 0):
        raise SignalError(f"a sample rate of {sample_rate_hz:g} Hz is none")
    if not np.all(np.isfinite(signal)):
        raise SignalError("the capture holds values that are no numbers (NaN or infinite): capture it again")
    if len(signal) < 256 or not np.any(signal != signal[0]):
        raise SignalError("silence, only DC or nothing: there are no tones")
    if not len(tones_hz):
        raise SignalError("a multitone needs tones")
    bin_hz = sample_rate_hz / len(signal)
    if not 2 * LOBE_BINS * bin_hz <= min(tones_hz):
        raise SignalError(
            f"the capture holds {min(tones_hz) / bin_hz:.1f} periods of the lowest tone; at least {2 * LOBE_BINS} are "
            "needed: capture longer"
        )
    if not max(tones_hz) * (1 + 1e-3) < sample_rate_hz / 2 - GUARD_BINS * bin_hz:
        raise SignalError(
            f"the tone at {max(tones_hz):.6g} Hz lies too near to half the sample rate: use a higher rate"
        )


def analyze_multitone(
    signal: FloatArray,
    sample_rate_hz: float,
    *,
    own_hz: Sequence[float],
    other_hz: Sequence[float] = (),
    scale: float = 1.0,
    band_hz: tuple[float, float] = (20.0, 20_000.0),
    spectrum_points: int = 1200,
) -> MultitoneAnalysis:
    """Analyse one channel of a multitone.

    signal : (frames,) float64, one channel, any unit, steady; not written to.   own_hz, other_hz : tones as played
    on this and on the other channel.   scale : of their frequencies in this capture (see `time_scale`); 1 when one
    clock plays and captures.   band_hz : of distortion plus noise, a brick wall.

    Where scale is 1 and all tones lie on bins of the signal's length, nothing is fitted: bins are read.
    Raises SignalError: values that are no numbers, silence, too short, tones beyond the rate or too close together,
    tones that are not there.
    """
    tones_hz = np.sort(np.array([*own_hz, *other_hz], dtype=np.float64)) * scale
    _check(signal, sample_rate_hz, [float(hz) for hz in tones_hz])
    if not 0.0 <= band_hz[0] < band_hz[1] < math.inf:
        raise SignalError(f"a band from {band_hz[0]:g} to {band_hz[1]:g} Hz is none: low must be below high")
    frames, bin_hz = len(signal), sample_rate_hz / len(signal)
    places = tones_hz / bin_hz
    if len(places) > 1 and float(np.min(np.diff(places))) < 2 * LOBE_BINS:
        raise SignalError("the tones stand too close together for a capture this short: capture longer")
    spectrum = rfft(signal)
    weight = band_weight(len(spectrum), bin_hz, (band_hz[0], min(band_hz[1], sample_rate_hz / 2)))
    weight[0] = 0.0
    on_bins = bool(np.all(np.abs(places - np.rint(places)) < _ON_BIN))
    read = (
        _read_bins(spectrum, frames, places, weight)
        if on_bins
        else _read_fitted(spectrum, frames, places, bin_hz, weight)
    )
    own = _levels(read, np.isin(tones_hz, np.asarray(own_hz, dtype=np.float64) * scale), tones_hz)
    other = _levels(read, np.isin(tones_hz, np.asarray(other_hz, dtype=np.float64) * scale), tones_hz)
    between = float(np.sum(read.rest * weight))
    if len(own_hz):
        _check_there(own, between)
    in_band = (tones_hz >= band_hz[0]) & (tones_hz <= band_hz[1])
    return MultitoneAnalysis(
        frames=frames,
        sample_rate_hz=sample_rate_hz,
        scale=scale,
        on_bins=on_bins,
        own=own,
        other=other,
        band_hz=band_hz,
        between=PowerSum(mean_square=between, standard_deviation=read.rest_spread, upper_95=between, at_most=False),
        total_mean_square=between + float(np.sum(read.power[in_band])),
        spectrum=thinned(
            windowed(spectrum, frames),
            frames,
            bin_hz,
            math.sqrt(2.0) * float(np.max(own.level_rms if len(own_hz) else other.level_rms)),
            log_edges(len(spectrum), spectrum_points),
        ),
    )


def _read_bins(spectrum: ComplexArray, frames: int, places: FloatArray, weight: FloatArray) -> _Read:
    rest = (np.square(spectrum.real) + np.square(spectrum.imag)) * (2.0 / float(frames) ** 2)
    bins = np.rint(places).astype(np.intp)
    power = rest[bins]
    free = np.ones(len(rest), dtype=np.bool_)
    free[bins] = False
    free[0] = False
    noise = np.array([_local(rest, free, int(number)) for number in bins])
    rest[bins] = noise
    return _Read(power=power - noise, noise=noise, rest=rest, rest_spread=_spread(rest, weight))


def _spread(rest: FloatArray, weight: FloatArray) -> float:
    """Return the standard deviation of the sum of bins: n for a bin of noise n, √(2·P·n + n²) where a line P stands."""
    blocks = -(-len(rest) // _BLOCK)
    # The last block is filled up from the end backwards: no block is too short to tell its noise.
    shares = [rest[max(0, min(at * _BLOCK, len(rest) - _BLOCK)) :][:_BLOCK] for at in range(blocks)]
    noise = np.repeat([float(np.median(share)) / math.log(2.0) for share in shares], _BLOCK)[: len(rest)]
    line = np.where(rest > _LINE_OVER_NOISE * noise, rest, 0.0)
    return math.sqrt(float(np.sum(weight**2 * (2.0 * line * noise + noise**2))))


def _local(power: FloatArray, free: BoolArray, at: int) -> float:
    """Return the mean noise of a bin from the lower quartile of the free ones around.

    Among many tones more than half of the bins may hold a distortion line; an exponential distribution has its lower
    quartile at −ln 0.75 of its mean.
    """
    around = slice(max(0, at - _HALF_WIDTH), at + _HALF_WIDTH + 1)
    seen = power[around][free[around]]
    if len(seen) < _LEAST_FREE:
        seen = power[free]
    return float(np.quantile(seen, 0.25)) / -math.log(0.75) if len(seen) else 0.0


def _read_fitted(spectrum: ComplexArray, frames: int, places: FloatArray, bin_hz: float, weight: FloatArray) -> _Read:
    with_dc = np.concatenate([[0.0], places])
    amplitudes = fit_lines(spectrum, frames, with_dc)
    cleaned = windowed(spectrum, frames)
    add_lines(cleaned, frames, with_dc, -amplitudes)
    floor = noise_floor(cleaned, lobes(with_dc, len(cleaned)), with_dc, frames, bin_hz)
    noise = line_noise(floor.at_lines)[1:]
    # Neighbouring bins under a window tell the same noise twice.
    spread = math.sqrt(WINDOW_MEAN_FOURTH) / WINDOW_MEAN_SQUARE * _spread(floor.power, weight)
    return _Read(power=np.abs(amplitudes[1:]) ** 2 / 2 - noise, noise=noise, rest=floor.power, rest_spread=spread)


def _levels(read: _Read, chosen: BoolArray, tones_hz: FloatArray) -> ToneLevels:
    sums = [
        power_sum(np.array([power]), np.array([noise]))
        for power, noise in zip(read.power[chosen], read.noise[chosen], strict=True)
    ]
    level = np.array([math.sqrt(max(one.stated, 0.0)) for one in sums])
    at_most = np.array([one.at_most for one in sums], dtype=np.bool_)
    spread = np.array([one.standard_deviation for one in sums])
    with np.errstate(divide="ignore", invalid="ignore"):
        half = np.where(at_most | (level == 0.0), 0.0, TWO_SIDED_95 * spread / (2.0 * level))
    return ToneLevels(frequency_hz=tones_hz[chosen], level_rms=level, uncertainty=half, at_most=at_most)


def _check_there(own: ToneLevels, between: float) -> None:
    tones = float(np.sum(own.level_rms[~own.at_most] ** 2))
    if not tones > between or np.count_nonzero(~own.at_most) * 2 < len(own.at_most):
        raise SignalError(
            "the tones of this multitone don't stand out of the rest: give the stimulus that was played, and check the "
            "cables"
        )
