"""Plain facts about the samples of a noise capture: exact zeros, DC, the largest value, full scale, flat tops.

They are said, never averaged over: a driver that gates silence delivers exact zeros, which no noise is made of, and
samples at the end code are no noise either.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Exact zeros for this long are no chance: with noise of half a step three samples in four are 0, and 441 of them in
#: a row come once in 1e55.
ZERO_RUN_S = 0.01
#: Neighbouring samples that share the largest value, so often, are a flat top …
_FLAT_PAIRS = 10
#: … unless the capture has only a few steps, whose largest is often met.
_LEAST_STEPS = 16.0


@dataclass(frozen=True, kw_only=True)
class SampleFacts:
    """Facts of one channel. peak : largest absolute value.   smallest_step : smallest value that is not 0, None when
    all are.   zero_share : part of the samples inside runs of exact zeros of at least `ZERO_RUN_S`.
    zero_runs, longest_zero_run_s : how many, and the longest.   at_full_scale : samples at or beyond full scale, of
    which `over_range_runs` groups of two and more.   flat_tops : neighbours that share the capture's largest value,
    on either side; 0 when that may be chance.
    """

    frames: int
    mean: float
    peak: float
    smallest_step: float | None
    zero_share: float
    zero_runs: int
    longest_zero_run_s: float
    at_full_scale: int
    over_range_runs: int
    flat_tops: int

    @property
    def is_silent(self) -> bool:
        """Whether every sample is exactly 0."""
        return self.peak == 0.0

    @property
    def is_gated(self) -> bool:
        """Whether exact zeros stand beside samples that are none."""
        return self.zero_runs > 0 and not self.is_silent

    @property
    def is_clipped(self) -> bool:
        """Whether samples met the end of the scale, or a flat top below it."""
        return self.over_range_runs > 0 or self.flat_tops > 0


class SampleFactsOf:
    """Gathers the facts block by block, in constant memory; the blocks' lengths change nothing."""

    def __init__(self, sample_rate_hz: float, channels: int, *, full_scale: float | None = None) -> None:
        """Begin. full_scale : largest value that the format holds, in the unit of the samples; None when not known."""
        if full_scale is not None and not (math.isfinite(full_scale) and full_scale > 0):
            raise ValueError("full scale must be finite and positive")
        self._rate = sample_rate_hz
        self._channels = [_Channel(sample_rate_hz, full_scale) for _ in range(channels)]

    def add(self, block: FloatArray) -> None:
        """Add samples. block : (frames, channels), finite."""
        for channel, samples in zip(self._channels, block.T, strict=True):
            if len(samples):
                channel.add(np.ascontiguousarray(samples))

    def result(self) -> tuple[SampleFacts, ...]:
        """Return the facts of each channel. Raises SignalError when nothing came."""
        return tuple(channel.result() for channel in self._channels)


class _Channel:
    def __init__(self, rate: float, full_scale: float | None) -> None:
        self._rate, self._full_scale = rate, full_scale
        self._frames, self._sum, self._smallest = 0, 0.0, math.inf
        self._zeros = _Runs(max(2, round(ZERO_RUN_S * rate)))
        self._full = _Runs(2)
        self._at_full = 0
        # Highest and lowest value so far, and pairs of neighbours that share it; −x turns the lowest into a highest.
        self._tops = (_Top(), _Top())

    def add(self, samples: FloatArray) -> None:
        self._frames += len(samples)
        self._sum += float(np.sum(samples))
        zero = samples == 0.0
        zeros = int(np.count_nonzero(zero))
        self._zeros.add(zero, zeros)
        high, low = float(np.max(samples)), float(np.min(samples))
        self._tops[0].add(samples, high)
        self._tops[1].add(samples, low, sign=-1.0)
        if zeros < len(samples):
            size = np.abs(samples)
            if zeros:
                size[np.flatnonzero(zero)] = np.inf
            self._smallest = min(self._smallest, float(np.min(size)))
        if self._full_scale is not None:
            over = max(high, -low) >= self._full_scale
            full = np.abs(samples) >= self._full_scale if over else np.zeros(len(samples), dtype=np.bool_)
            count = int(np.count_nonzero(full)) if over else 0
            self._at_full += count
            self._full.add(full, count)

    def result(self) -> SampleFacts:
        if not self._frames:
            raise SignalError("the capture holds no samples")
        peak = max(self._tops[0].value, self._tops[1].value, 0.0)
        pairs = sum(top.pairs for top in self._tops)
        told = pairs >= _FLAT_PAIRS and peak >= _LEAST_STEPS * self._smallest
        return SampleFacts(
            frames=self._frames,
            mean=self._sum / self._frames,
            peak=peak,
            smallest_step=self._smallest if math.isfinite(self._smallest) else None,
            zero_share=self._zeros.inside / self._frames,
            zero_runs=self._zeros.count,
            longest_zero_run_s=self._zeros.longest / self._rate,
            at_full_scale=self._at_full,
            over_range_runs=self._full.count,
            flat_tops=pairs if told else 0,
        )


class _Runs:
    """Counts runs of true values of a least length, over the borders of blocks too."""

    def __init__(self, least: int) -> None:
        self._least = least
        self._open = 0  # length of the run that the last block ended in
        self.count = self.inside = self.longest = 0

    def add(self, true: BoolArray, trues: int) -> None:
        """Add a block. trues : how many are true."""
        if trues == len(true):
            self._grow(self._open, trues)
            return
        if trues == 0:
            self._open = 0
            return
        places = np.flatnonzero(true)  # mostly few
        breaks = np.flatnonzero(np.diff(places) > 1)
        starts, stops = places[np.append(0, breaks + 1)], places[np.append(breaks, -1)] + 1
        before = self._open if starts[0] == 0 else 0
        last = int(stops[-1] - starts[-1]) if stops[-1] == len(true) else 0
        if before:
            self._grow(before, int(stops[0]))
            starts, stops = starts[1:], stops[1:]
        self._open = 0
        length = stops - starts
        for run in length[length >= self._least] if last == 0 or len(length) == 0 else self._whole(length):
            self._grow(0, int(run))
        self._open = last

    def _whole(self, length: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return the runs that count, the last one too, which goes on."""
        long = length[:-1][length[:-1] >= self._least]
        return np.append(long, length[-1])

    def _grow(self, before: int, more: int) -> None:
        """Lengthen a run; it counts from the block in which it reaches the least length."""
        now = before + more
        if now >= self._least:
            self.count += int(before < self._least)
            self.inside += more if before >= self._least else now
            self.longest = max(self.longest, now)
        self._open = now


class _Top:
    """The highest value of a channel, and how often two neighbours share it."""

    def __init__(self) -> None:
        self.value, self.pairs = -math.inf, 0
        self._ended_on_it = False

    def add(self, samples: FloatArray, highest: float, *, sign: float = 1.0) -> None:
        """Add a block. highest : its highest value; with sign −1 its lowest."""
        if sign * highest < self.value:
            self._ended_on_it = False
            return
        on = samples == highest
        pairs = int(np.count_nonzero(on[1:] & on[:-1]))
        if sign * highest > self.value:
            self.value, self.pairs = sign * highest, pairs
        else:
            self.pairs += pairs + int(self._ended_on_it and bool(on[0]))
        self._ended_on_it = bool(on[-1])


def sample_facts(
    signal: FloatArray, sample_rate_hz: float, *, full_scale: float | None = None
) -> tuple[SampleFacts, ...]:
    """Return the facts of each channel of a capture. signal : (frames, channels)."""
    facts = SampleFactsOf(sample_rate_hz, signal.shape[1], full_scale=full_scale)
    facts.add(signal)
    return facts.result()
