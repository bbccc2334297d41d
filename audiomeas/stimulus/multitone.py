"""Many tones at once on every driven channel, interleaved in frequency, with phases that keep the peak low.

All tones lie on bins of the window and the sum repeats with it, so that any stretch of that length, wherever it
starts, holds whole periods of everything. The bins of the first channel are ±1 modulo 16 and those of the second 8
modulo 16: sums and differences of up to seven tones of one channel never fall on a tone of the other, and so never
pose as leakage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar, Self

import numpy as np

from audiomeas.stimulus.base import FloatArray, apply_ramps, checked_tone
from audiomeas.stimulus.tones import Steady

#: Bins of the window that a channel's tones may take: remainders of the division by 16.
MODULUS = 16
REMAINDERS = ((1, MODULUS - 1), (MODULUS // 2,))
#: Tones keep this many bins from each other: the main lobe of a window function has room beside its neighbour's.
LEAST_SPACING_BINS = 7
#: More tones on a channel take minutes: the search for their phases grows with the cube of them.
MOST_TONES = 256
#: No tone within this of a multiple of 50 or 60 Hz, up to the highest multiple that hum usually has.
_FROM_MAINS_HZ = 2.5
_MAINS_UP_TO_HZ = 1_000.0
#: The search for phases: exponents p of |x|^p (rising, towards the peak), steps at each, samples that take part.
_POWERS = (4, 8, 16, 32, 64)
_STEPS = 8
_LARGEST = 3000
_DAMPING = 1e-3
_SEARCH_OVERSAMPLING = 4.0
#: Samples per period of the highest tone when the peak is read, and how much higher it can be between two of them:
#: 1/cos(π/16) for the highest tone alone, which is but one of many (common practice: an eighth of that).
_PEAK_OVERSAMPLING = 16
_BETWEEN_SAMPLES = 1.0025
#: So many frames are transformed at once: more fill the memory.
_LARGEST_GRID = 1 << 20


@dataclass(frozen=True, kw_only=True)
class Multitone(Steady):
    """Sets of tones of equal amplitude, one set per driven channel; channels play different samples.

    tones_hz, phases_deg : per driven channel (phases of cosines at the window's first frame).
    unit_peaks : per driven channel, the peak of the sum of its tones with amplitude 1.
    level_v_rms : r.m.s. of the sine whose peak equals the peak of each channel's sum; `channel_rms_v` is the true one.
    """

    kind: ClassVar[str] = "multitone"

    tones_hz: tuple[tuple[float, ...], ...]
    phases_deg: tuple[tuple[float, ...], ...]
    unit_peaks: tuple[float, ...]

    def __post_init__(self) -> None:
        sets = len(self.driven_channels)
        if not sets or sets != len(self.tones_hz) or sets != len(self.phases_deg) or sets != len(self.unit_peaks):
            raise ValueError("a multitone needs one set of tones, phases and a peak per driven channel")
        self._check_length()
        for tones_hz, phases_deg, peak in zip(self.tones_hz, self.phases_deg, self.unit_peaks, strict=True):
            if not tones_hz or len(tones_hz) != len(phases_deg):
                raise ValueError("a multitone needs tones, and a phase for each")
            for frequency_hz in tones_hz:
                checked_tone(frequency_hz, self.level_v_rms, self.sample_rate_hz)
            self._bins(tones_hz)
            # A peak below the r.m.s. of the tones is impossible, and would play louder than was said.
            if not math.sqrt(len(tones_hz) / 2.0) <= peak <= len(tones_hz) * 1.01:
                raise ValueError(f"a peak of {peak:g} is not possible for {len(tones_hz)} tones of amplitude 1")

    @classmethod
    def low_crest(
        cls,
        *,
        level_v_rms: float,
        sample_rate_hz: float,
        tones: int = 31,
        low_hz: float = 20.0,
        high_hz: float = 20_000.0,
        window_s: float = 1.0,
        driven_channels: tuple[int, ...] = (1, 2),
        **rest: Any,
    ) -> Self:
        """Make a multitone of so many tones per channel, evenly over log frequency, with searched phases.

        Deterministic. Raises ValueError: no room for so many tones, too many, more than two channels.
        """
        if not 1 <= len(driven_channels) <= len(REMAINDERS):
            raise ValueError(f"a multitone drives 1 or {len(REMAINDERS)} channels, not {len(driven_channels)}")
        if tones > MOST_TONES:
            raise ValueError(f"a multitone has at most {MOST_TONES} tones a channel, not {tones}")
        frames = round(window_s * sample_rate_hz)
        bin_hz = sample_rate_hz / frames
        sets = interleaved_bins(tones, len(driven_channels), low_hz, min(high_hz, 0.45 * sample_rate_hz), bin_hz)
        phases = [low_crest_phases_deg(bins) for bins in sets]
        return cls(
            tones_hz=tuple(tuple(number * bin_hz for number in bins) for bins in sets),
            phases_deg=tuple(tuple(float(phase) for phase in found) for found in phases),
            unit_peaks=tuple(unit_peak(bins, found) for bins, found in zip(sets, phases, strict=True)),
            level_v_rms=level_v_rms,
            sample_rate_hz=sample_rate_hz,
            window_s=window_s,
            driven_channels=driven_channels,
            **rest,
        )

    def _bins(self, tones_hz: tuple[float, ...]) -> list[int]:
        places = [hz * self.window_frames / self.sample_rate_hz for hz in tones_hz]
        bins = [round(place) for place in places]
        if any(abs(place - number) > 1e-6 for place, number in zip(places, bins, strict=True)):
            raise ValueError("the tones of a multitone must have whole periods in its window")
        if min(np.diff([0, *bins])) < 1:
            raise ValueError("the tones of a multitone must rise in frequency")
        return bins

    def _set(self, channel: int) -> int:
        if channel not in self.driven_channels:
            raise ValueError(f"channel {channel} is not driven by this multitone")
        return self.driven_channels.index(channel)

    def tones_of(self, channel: int) -> tuple[float, ...]:
        """Return the tones of a driven channel, in Hz, rising."""
        return self.tones_hz[self._set(channel)]

    def tone_v_rms(self, channel: int) -> float:
        """Return the r.m.s. voltage of each tone of a driven channel."""
        return self.level_v_rms / self.unit_peaks[self._set(channel)]

    def channel_rms_v(self, channel: int) -> float:
        """Return the r.m.s. voltage of a driven channel's sum."""
        return self.tone_v_rms(channel) * math.sqrt(len(self.tones_of(channel)))

    def crest_factor(self, channel: int) -> float:
        """Return peak over r.m.s. of a driven channel (a sine has 1.414)."""
        return self.peak_v / self.channel_rms_v(channel)

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return the samples of the first driven channel, (frames,), in volts; of a span where one is asked for."""
        return self.channel_samples_v(self.driven_channels[0], span)

    def channel_samples_v(self, channel: int, span: range | None = None) -> FloatArray:
        """Return the samples of one driven channel, (frames,), in volts. Raises ValueError for any other."""
        span = range(self.frames) if span is None else span
        at = self._set(channel)
        place = np.arange(span.start, span.stop) - self._lead_frames
        samples = self._periods_v[at][place % self.window_frames]
        samples /= self.unit_peaks[at]
        return apply_ramps(samples, self._ramp_frames, span=span, frames=self.frames)

    @cached_property
    def _periods_v(self) -> tuple[FloatArray, ...]:
        """One window of each driven channel, (window_frames,), before its peak is set."""
        return tuple(self._period_v(at) for at in range(len(self.tones_hz)))

    def _period_v(self, at: int) -> FloatArray:
        spectrum = np.zeros(self.window_frames // 2 + 1, dtype=np.complex128)
        spectrum[self._bins(self.tones_hz[at])] = np.exp(1j * np.radians(self.phases_deg[at]))
        return np.asarray(np.fft.irfft(spectrum, self.window_frames) * (self.window_frames / 2 * self.peak_v))


def interleaved_bins(tones: int, sets: int, low_hz: float, high_hz: float, bin_hz: float) -> list[list[int]]:
    """Return rising bins per set, alternating between the sets, near even steps of log frequency.

    Raises ValueError when the band has no room for so many.
    """
    if not (tones >= 1 and 0 < low_hz < high_hz):
        raise ValueError(f"{tones} tones from {low_hz:g} to {high_hz:g} Hz make no multitone")
    found: list[list[int]] = [[] for _ in range(sets)]
    before = 0
    for index, target_hz in enumerate(np.geomspace(low_hz, high_hz, tones * sets)):
        number = _nearest_free(target_hz / bin_hz, REMAINDERS[index % sets], before + LEAST_SPACING_BINS, bin_hz)
        if number * bin_hz > 1.01 * high_hz + MODULUS * bin_hz:
            raise ValueError(f"no room for {tones * sets} tones up to {high_hz:g} Hz: fewer tones, or a longer window")
        found[index % sets].append(number)
        before = number
    return found


def _nearest_free(place: float, remainders: tuple[int, ...], lowest: int, bin_hz: float) -> int:
    middle = max(round(place), lowest)
    # In a long window the neighbourhood of one mains harmonic is many bins wide.
    reach = 3 * MODULUS + math.ceil(2.0 * _FROM_MAINS_HZ / bin_hz)
    around = range(max(lowest, middle - reach), middle + reach + 1)
    allowed = [number for number in around if number % MODULUS in remainders and not _near_mains(number * bin_hz)]
    if not allowed:
        raise ValueError("a multitone needs a longer window: its tones would fall on hum")
    return min(allowed, key=lambda number: abs(number - place))


def _near_mains(frequency_hz: float) -> bool:
    if frequency_hz > _MAINS_UP_TO_HZ:
        return False
    return any(abs(math.remainder(frequency_hz, mains_hz)) < _FROM_MAINS_HZ for mains_hz in (50.0, 60.0))


def low_crest_phases_deg(bins: list[int]) -> FloatArray:
    """Return phases, (tones,), of cosines on these bins whose sum has a low peak; to 0.01 degree.

    Starts from Schroeder's phases and minimizes the mean of |x|^p for rising p by Gauss-Newton steps; only the largest
    samples take part, since no others weigh. No chance takes part.
    Sources: M. Schroeder, IEEE Trans. Inf. Theory IT-16 (1970); P. Guillaume, J. Schoukens, R. Pintelon, I. Kollár,
    IEEE Trans. Instrum. Meas. 40 (1991).
    """
    orders = np.arange(len(bins))
    phases = np.asarray(-np.pi * orders * (orders + 1) / len(bins), dtype=np.float64)
    best, lowest = phases, math.inf
    frames = _grid(bins, _SEARCH_OVERSAMPLING)
    for power in _POWERS:
        for _ in range(_STEPS):
            wave = _wave(bins, phases, frames)
            peak = float(np.max(np.abs(wave)))
            if peak < lowest:
                best, lowest = phases, peak
            phases = phases - _step(bins, phases, wave, power)
    return np.asarray(np.round(np.degrees(best), 2), dtype=np.float64)


def _step(bins: list[int], phases: FloatArray, wave: FloatArray, power: int) -> FloatArray:
    """Return the Gauss-Newton step of the phases that lowers Σ x^(2p) over the largest samples."""
    kept = min(_LARGEST, len(wave))
    size = np.abs(wave)
    top = np.sort(np.argpartition(size, -kept)[-kept:])
    turned = 2.0 * np.pi * np.remainder(np.outer(np.asarray(bins) / len(wave), top), 1.0) + phases[:, None]
    weight = (size[top] / np.max(size)) ** (power - 1)
    slopes = -np.sin(turned) * (power * weight)
    normal = slopes @ slopes.T
    normal += _DAMPING * np.trace(normal) / len(bins) * np.eye(len(bins))
    return np.asarray(np.linalg.solve(normal, slopes @ (weight * wave[top])), dtype=np.float64)


def _wave(bins: list[int], phases: FloatArray, frames: int) -> FloatArray:
    """Return one period of the sum of cosines of amplitude 1, (frames,)."""
    spectrum = np.zeros(frames // 2 + 1, dtype=np.complex128)
    spectrum[bins] = np.exp(1j * phases)
    return np.asarray(np.fft.irfft(spectrum, frames) * (frames / 2), dtype=np.float64)


def _grid(bins: list[int], oversampling: float) -> int:
    return int(2 ** math.ceil(math.log2(oversampling * max(bins))))


def unit_peak(bins: list[int], phases_deg: FloatArray) -> float:
    """Return the peak of the sum of cosines of amplitude 1, rounded up to 0.001."""
    highest = _highest(bins, np.radians(phases_deg), _grid(bins, _PEAK_OVERSAMPLING))
    return min(math.ceil(highest * _BETWEEN_SAMPLES * 1000.0) / 1000.0, float(len(bins)))


def _highest(bins: list[int], phases: FloatArray, frames: int) -> float:
    """Return the largest size of one period of the sum of cosines; of a long one, the frames are looked at in turns."""
    turns = max(1, frames // _LARGEST_GRID)
    if turns == 1:
        return float(np.max(np.abs(_wave(bins, phases, frames))))
    length, highest = frames // turns, 0.0
    for first in range(turns):  # the frames first, first + turns, …
        spectrum = np.zeros(length, dtype=np.complex128)
        turned = 2.0 * np.pi * np.remainder(np.asarray(bins) * (first / frames), 1.0)
        np.add.at(spectrum, np.asarray(bins) % length, np.exp(1j * (phases + turned)))
        highest = max(highest, float(np.max(np.abs(np.fft.ifft(spectrum).real))) * length)
    return highest
