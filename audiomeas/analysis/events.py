"""Clicks, pops and crackle in noise: found in the whitened signal, against the noise around them.

Hum and 1/f noise hide a small click, and a fixed threshold takes them for one. So each segment's spectrum (the ones
the density is made of) is divided by the floor of the segments around it, lines that stay are left out, and the pieces
are laid together again: Hann windows that overlap by half add up to 1. What is left is white, and a click stands out of
it as it would with the filter that fits best. In Gaussian noise one sample in 1e10 reaches the threshold.
"""

from __future__ import annotations

import heapq
import math
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft
from scipy.special import gammaincinv

from audiomeas.analysis.segments import Segment, SegmentSpectra, segment_frames
from audiomeas.analysis.spectral_floor import piece_centres, piece_edges, piece_medians

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]

#: Events are looked for between these: below, couplings settle and arms move; above, nothing is heard.
LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0
#: … and up to this part of the rate, below an anti-alias filter's edge.
_HIGHEST_PART = 0.45
#: An event's largest sample stands this many standard deviations of the noise out (normal law: 3e-11 of the samples,
#: 0.004 in an hour of 40,000 a second; the noise itself is known to 3 %), and its ends so many.
_PEAK_SIGMAS, _END_SIGMAS = 7.0, 4.5
#: Samples that stand out within this time are one event.
_APART_S = 0.008
#: An event that lasts longer is a pop (a thump, a relay), else a click.
POP_S = 0.002
#: Samples are also taken together by so many, where a slow pop stands out better.
_TOGETHER = (1, 8, 64)
#: This near to the ends nothing is looked for, and this near nothing slow: what was mirrored there can feign it.
_BLIND_S, _SLOW_BLIND_S = 0.005, 0.03
#: The noise is told in pieces of this many whitened samples: it may swell as noise does.
_PIECE = 2048
#: The standard deviation of a normal law over its median absolute value.
_SIGMA_PER_MEDIAN = 1.4826
#: Segments on each side that tell the floor, and whose power at a bin tells whether a line stays: 2 apart, no sample
#: is in both. Both stand over the floor by this much in 4e-4 of the bins of noise.
_AROUND = 2
_STAYS = 5.0
#: Noise whose power falls to this part of what it was is switched off: by 40 dB it is more than a swell or a click.
_SWITCHED_OFF = 1e-4
#: A floor (squared spectrum) that no capture has: there is nothing to divide. What is divided by its root stays in the
#: range of single precision.
_NOTHING = 1e-40
#: What a 95 % interval leaves on each side.
_TAIL = 0.025
#: So many events are kept one by one, the strongest; all are counted.
MOST_KEPT = 1000


@dataclass(frozen=True, kw_only=True)
class Event:
    """One event. time_s : of its peak.   peak_v : largest value, hum and what lies outside the band left out.
    duration_s : from the first to the last sample that stands out.   sigmas : peak over the noise, both whitened.
    """

    time_s: float
    peak_v: float
    duration_s: float
    sigmas: float

    @property
    def is_pop(self) -> bool:
        """Whether it lasts longer than a click."""
        return self.duration_s > POP_S


@dataclass(frozen=True, kw_only=True)
class Events:
    """What was found in one channel. events : by time, at most `MOST_KEPT`, the strongest.   count : of all.

    most_in_a_second : events in the second that holds most: crackle comes in crowds.   band_hz : looked at.
    smallest_v : peak of the smallest that was let through, joined to another or not; infinite where none was. A larger
    `least_v` than was given changes nothing as long as it lies below.
    """

    events: tuple[Event, ...]
    count: int
    most_in_a_second: int
    smallest_v: float
    duration_s: float
    band_hz: tuple[float, float]

    @property
    def per_minute(self) -> float:
        """Events per minute of the capture."""
        return self._a_minute(self.count)

    @property
    def per_minute_interval(self) -> tuple[float, float]:
        """The rate's 95 % interval where events come by chance, one by one (Poisson law); its lower end is 0 for none.

        Exact, both sides 2.5 %: χ²(0.025; 2n)/2 to χ²(0.975; 2n + 2)/2, here by the gamma law that is the same.
        Source: F. Garwood, Biometrika 28 (1936), 437.
        """
        low = float(gammaincinv(self.count, _TAIL)) if self.count else 0.0
        return self._a_minute(low), self._a_minute(float(gammaincinv(self.count + 1, 1.0 - _TAIL)))

    @property
    def per_minute_at_most(self) -> float:
        """The largest rate that this count lets stand at 95 %, one-sided: 3.0 over the duration for none."""
        return self._a_minute(float(gammaincinv(self.count + 1, 1.0 - 2.0 * _TAIL)))

    def _a_minute(self, count: float) -> float:
        return 60.0 * count / self.duration_s


@dataclass(frozen=True, kw_only=True)
class _Held:
    """A segment that waits for those after it: its band's spectrum and power, (channels, bins), floor, (channels,
    pieces).
    """

    start: int
    spectrum: ComplexArray
    power: FloatArray
    floor: FloatArray


class EventsOf:
    """Finds events in the segments of a capture, in constant memory; how the capture was cut into blocks changes
    nothing.
    """

    def __init__(self, sample_rate_hz: float, channels: int, frames: int, *, least_v: float = 0.0) -> None:
        """Begin. frames : of a segment, as of the `SegmentSpectra`.   least_v : smaller peaks are none (the step of a
        coarse format, whose toggling is no click).
        """
        self._band = _Band.of(sample_rate_hz, frames)
        self._channels = [_Channel(self._band, least_v) for _ in range(channels)]
        self._waiting: deque[_Held] = deque(maxlen=2 * _AROUND + 1)
        self._next = 0  # place of the next segment to be searched among those that wait
        self._rate = sample_rate_hz

    def take(self, segment: Segment) -> None:
        """Add a segment; all of a capture's, those over the ends too, in order."""
        if len(self._waiting) == self._waiting.maxlen:
            self._next -= 1
        self._waiting.append(self._held(segment))
        if len(self._waiting) > self._next + _AROUND:
            self._search()

    def result(self, frames: int) -> tuple[Events, ...]:
        """Return each channel's events, after the last segment. frames : of the whole capture."""
        # The segments over the end are always among those that wait.
        for channel in self._channels:
            channel.ends_at(frames)
        while self._next < len(self._waiting):
            self._search()
        return tuple(channel.result(frames, self._rate) for channel in self._channels)

    def _held(self, segment: Segment) -> _Held:
        band = self._band
        spectrum = segment.spectrum[:, : band.stop].copy()
        power = np.square(spectrum.real)
        power += np.square(spectrum.imag)
        floor = np.stack([piece_medians(row, band.edges) for row in power]) / math.log(2.0)
        return _Held(start=segment.start, spectrum=spectrum, power=power, floor=floor)

    def _search(self) -> None:
        held, at = list(self._waiting), self._next
        around = np.stack([h.floor for h in held[max(0, at - _AROUND) : at + _AROUND + 1]])
        beside = [held[n].power for n in (at - _AROUND, at + _AROUND) if 0 <= n < len(held)]
        for number, channel in enumerate(self._channels):
            others = [power[number] for power in beside]
            channel.take(held[at].start, held[at].spectrum[number], _floor(around[:, number]), others)
        self._next += 1


def _floor(around: FloatArray) -> FloatArray:
    """Return the floor that the segments around one have, (pieces,): their median, which an event doesn't move.

    around : (segments, pieces).  Where the noise is switched off in one of them, those that hold a part of it have
    ragged floors: all pieces get the level of the loudest then, and nothing is whitened.
    """
    floor = np.asarray(np.median(around, axis=0))
    usual = np.median(around, axis=1)
    if float(np.min(usual)) < _SWITCHED_OFF * float(np.max(usual)):
        return np.full_like(floor, float(np.max(usual)))
    return floor


@dataclass(frozen=True, kw_only=True)
class _Band:
    """Bins that are looked at, and the rate that they need. frames : of a segment.   size : samples that a segment
    becomes.
    """

    frames: int
    size: int
    first: int
    stop: int
    edges: NDArray[np.intp]
    centres: FloatArray
    bin_hz: float

    @classmethod
    def of(cls, sample_rate_hz: float, frames: int) -> _Band:
        bin_hz = sample_rate_hz / frames
        highest = min(HIGHEST_HZ, _HIGHEST_PART * sample_rate_hz)
        stop = int(highest / bin_hz) + 1
        edges = piece_edges(stop)
        first = max(int(edges[0]), math.ceil(LOWEST_HZ / bin_hz))
        size = 2 ** math.ceil(math.log2(2 * stop))
        return cls(
            frames=frames,
            size=min(size, frames),
            first=first,
            stop=stop,
            edges=edges,
            centres=piece_centres(edges),
            bin_hz=bin_hz,
        )

    @property
    def frames_per_sample(self) -> float:
        return self.frames / self.size

    @property
    def hz(self) -> tuple[float, float]:
        return self.first * self.bin_hz, (self.stop - 1) * self.bin_hz


class _Channel:
    """One channel's pieces, laid together, and what stands out of them."""

    def __init__(self, band: _Band, least_v: float) -> None:
        self._band, self._least = band, least_v
        self._bins = np.arange(band.stop, dtype=np.float64)
        # Whitened second half of the segment before.
        self._tail: FloatArray = np.zeros(band.size // 2, dtype=np.float32)
        self._before: ComplexArray | None = None  # its spectrum, lines left out; None before the first
        # White noise of 1 and what stands out of it: single precision (1e-7) is plenty, and twice as quick.
        self._product = np.empty(band.stop, dtype=np.complex64)
        self._frames = math.inf
        self._found = _Found(band)

    def take(self, start: int, spectrum: ComplexArray, floor: FloatArray, others: list[FloatArray]) -> None:
        """Lay one segment on the one before, and look at what is complete by it. Lines are taken from the spectrum."""
        level = np.interp(self._bins, self._band.centres, floor)
        spectrum[self._lost(level, others)] = 0.0
        # Where nothing is but exact zeros the level is 0, and so is what is divided.
        gain = 1.0 / np.sqrt(np.maximum(level, _NOTHING))
        white = irfft(np.multiply(spectrum, gain, out=self._product, casting="same_kind"), self._band.size)
        half = self._band.size // 2
        if self._before is not None:
            self._look(start, self._tail + white[:half], self._before, spectrum)
        self._tail, self._before = white[half:], spectrum

    def result(self, frames: int, rate: float) -> Events:
        """Return what was found."""
        return self._found.result(frames, rate)

    def ends_at(self, frames: int) -> None:
        """Say where the capture ends, before the last segments are taken."""
        self._frames = frames

    def _lost(self, level: FloatArray, others: list[FloatArray]) -> BoolArray:
        """Return the bins outside the band, and those of lines that are there before and after too."""
        lost = np.zeros(self._band.stop, dtype=np.bool_)
        if others:
            lost = np.minimum.reduce(others) > _STAYS * (len(others) % 2 + 1) * level
            lost[1:] |= lost[:-1].copy()
            lost[:-1] |= lost[1:].copy()
        lost[: self._band.first] = True
        return lost

    def _look(self, start: int, white: FloatArray, before: ComplexArray, clean: ComplexArray) -> None:
        places, sigmas, slow = _standing_out(white)
        real = self._is_real(start, places, slow)
        places, sigmas = places[real], sigmas[real]
        if len(places) and float(np.max(sigmas)) > _PEAK_SIGMAS:
            self._found.take(start, places, sigmas, slow[real], self._volts(before, clean), self._least)

    def _is_real(self, start: int, places: NDArray[np.intp], slow: BoolArray) -> BoolArray:
        """Return which samples lie in the capture, and not where its mirrored ends reach."""
        frames = start + places * self._band.frames_per_sample
        from_end = np.minimum(frames, self._frames - 1 - frames) / (self._band.frames * self._band.bin_hz)
        return np.asarray(from_end >= np.where(slow, _SLOW_BLIND_S, _BLIND_S))

    def _volts(self, before: ComplexArray, clean: ComplexArray) -> FloatArray:
        """Return the same stretch in volts, lines left out but not whitened, as absolute values."""
        size, half = self._band.size, self._band.size // 2
        return np.abs(irfft(before, size)[half:] + irfft(clean, size)[:half]) * (size / self._band.frames)


def _standing_out(white: FloatArray) -> tuple[NDArray[np.intp], FloatArray, BoolArray]:
    """Return the samples that stand out, rising, by how many sigmas, and which do only together with those beside."""
    places, sigmas, slow = [], [], []
    local = _local_sigma(np.abs(white))
    usual = float(np.min(local))
    if not math.isfinite(usual):
        return np.empty(0, dtype=np.intp), np.empty(0), np.empty(0, dtype=np.bool_)
    sums, before = white, 1
    for width in _TOGETHER:
        if width > before:
            sums = sums.reshape(-1, width // before) @ np.ones(width // before, dtype=white.dtype)
        size, before = np.abs(sums), width
        # No less than white noise gives, where much of a stretch is exact zeros.
        spread = max(_median(size) * _SIGMA_PER_MEDIAN / usual, math.sqrt(width)) if width > 1 else 1.0
        noise = local * spread
        high = np.flatnonzero(size.reshape(len(noise), -1) > _END_SIGMAS * noise[:, None])
        over = size[high] / noise[high * len(noise) // len(size)]
        for edge in {0, width - 1}:
            places.append(high * width + edge)
            sigmas.append(over)
            slow.append(np.full(len(high), width > 1))
    order = np.argsort(np.concatenate(places), kind="stable")
    return np.concatenate(places)[order], np.concatenate(sigmas)[order], np.concatenate(slow)[order]


def _local_sigma(size: FloatArray) -> FloatArray:
    """Return the noise in each piece, (pieces,): of the piece, or of all pieces if that is more."""
    cut = size.reshape(max(1, len(size) // _PIECE), -1)
    middle = cut.shape[1] // 2
    local = np.partition(cut, middle, axis=1)[:, middle] * _SIGMA_PER_MEDIAN
    # Where all is exactly 0 nothing stands out.
    least = np.maximum(local, float(np.median(local)))
    return np.asarray(np.where(least > 0, least, np.inf))


def _median(values: FloatArray) -> float:
    middle = len(values) // 2
    return float(np.partition(values, middle)[middle])


@dataclass(frozen=True, kw_only=True)
class _Open:
    """An event that may go on. first, last, at : frames.   sigmas, volts : peaks."""

    first: float
    last: float
    at: float
    sigmas: float
    volts: float

    def joined(self, other: _Open) -> _Open:
        larger = max(self, other, key=lambda event: event.volts)
        return _Open(
            first=self.first,
            last=max(self.last, other.last),
            at=larger.at,
            sigmas=max(self.sigmas, other.sigmas),
            volts=larger.volts,
        )


class _Found:
    """Gathers what stands out into events, over the borders of segments too."""

    def __init__(self, band: _Band) -> None:
        self._band = band
        self._apart = max(1.0, _APART_S * band.frames * band.bin_hz)
        self._open: _Open | None = None
        self._kept: list[tuple[float, float, float, float]] = []  # sigmas, peak frame, volts, frames
        self._count = 0
        self._smallest_v = math.inf
        self._per_second: dict[int, int] = {}
        self._most = 0

    def take(
        self,
        start: int,
        places: NDArray[np.intp],
        sigmas: FloatArray,
        slow: BoolArray,
        volts: FloatArray,
        least: float,
    ) -> None:
        """Add the samples of a stretch that stand out. places, sigmas, slow : (n,).   volts : (samples,)."""
        frames = start + places * self._band.frames_per_sample
        for group in np.split(np.arange(len(places)), np.flatnonzero(np.diff(frames) > self._apart) + 1):
            top = group[np.argmax(sigmas[group])]
            # Those that stand out alone tell the ends better than those that do together.
            alone = group[~slow[group]]
            ends = alone if len(alone) else group
            low, high = int(places[ends[0]]), int(places[ends[-1]])
            around = max(0, low - 1)
            stretch = volts[around : high + 2]
            peak_at = start + (around + int(np.argmax(stretch))) * self._band.frames_per_sample
            peak_v = float(np.max(stretch))
            if peak_v > least:
                self._smallest_v = min(self._smallest_v, peak_v)
                self._add(
                    _Open(
                        first=float(frames[ends[0]]),
                        last=float(frames[ends[-1]]),
                        at=max(peak_at, 0.0),
                        sigmas=float(sigmas[top]),
                        volts=peak_v,
                    )
                )

    def _add(self, event: _Open) -> None:
        if self._open is not None and event.first - self._open.last <= self._apart:
            self._open = self._open.joined(event)
            return
        self._close()
        self._open = event

    def _close(self) -> None:
        event, self._open = self._open, None
        if event is None or event.sigmas <= _PEAK_SIGMAS:
            return
        self._count += 1
        second = int(event.at / (self._band.frames * self._band.bin_hz))
        self._per_second = {second: self._per_second.get(second, 0) + 1}
        self._most = max(self._most, self._per_second[second])
        length = event.last - event.first + self._band.frames_per_sample
        keep = heapq.heappush if len(self._kept) < MOST_KEPT else heapq.heappushpop
        keep(self._kept, (event.sigmas, event.at, event.volts, length))

    def result(self, frames: int, rate: float) -> Events:
        """Return the events, the last one too."""
        self._close()
        return Events(
            events=tuple(
                Event(time_s=at / rate, peak_v=volts, duration_s=length / rate, sigmas=sigmas)
                for sigmas, at, volts, length in sorted(self._kept, key=lambda item: item[1])
            ),
            count=self._count,
            most_in_a_second=self._most,
            smallest_v=self._smallest_v,
            duration_s=frames / rate,
            band_hz=self._band.hz,
        )


def find_events(signal: FloatArray, sample_rate_hz: float, *, least_v: float = 0.0) -> tuple[Events, ...]:
    """Return the events in each channel of a capture.

    signal : (frames, channels) in V.   least_v : smaller peaks are none.
    Raises SignalError for a capture that is too short or holds values that are no numbers.
    """
    size = segment_frames(sample_rate_hz, len(signal))
    channels = signal.shape[1]
    spectra, events = SegmentSpectra(channels, size), EventsOf(sample_rate_hz, channels, size, least_v=least_v)
    for segment in spectra.add(signal):
        events.take(segment)
    for segment in spectra.finish():
        events.take(segment)
    return events.result(len(signal))
