"""Where the marks of a medium stand in a long capture, at whatever speed it was played, block by block.

A matched filter (see `alignment`) against the chirp as each of several speeds would play it. The correlation is
normalised by what the capture holds there, so a mark is told by its likeness alone, however loud the rest is. The band
of the chirps is far below half the rate: each block is filtered and thinned out by keeping the low bins of its
transform, and memory holds one block.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Speeds that are tried: a player with a control for pitch, or a tape, is off by 3 % at most. An exponential chirp is
#: hardly changed by another speed but moved, so steps of half a percent do.
LARGEST_SPEED = 0.032
_SPEED_STEP = 0.004
#: After so many marks the rest is sought near their speed: a capture has one, and most of the time goes there.
_MARKS_ENOUGH, _SAME_SPEED = 4, 0.0085
#: Normalised correlation: 1 is the chirp and nothing else, 0.7 as much noise as chirp. Noise alone stays below 0.25.
_LEAST_LIKENESS = 0.6
#: The square of what is looked at closely: a little less than that, for what rounding does.
_NEARLY = 0.99 * _LEAST_LIKENESS**2
#: Rate to which blocks are thinned out, as a multiple of the chirp's highest frequency.
_THINNED = 2.6
#: Blocks are so long, in chirps.
_BLOCK_CHIRPS = 200
#: Bins below this part of the chirp's lowest frequency, and above this multiple of its highest, are left out.
_BELOW, _ABOVE = 0.7, 1.15


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A mark found. frame : of its first sample, to a few frames.   speed : relative to what was played, to 0.4 %.

    likeness : normalised correlation.   channel : column in which it is most like.
    """

    frame: int
    speed: float
    likeness: float
    channel: int


class MarkFinder:
    """Finds chirps in blocks of a capture.

    chirp : sample rate → its samples.   from_hz, to_hz : of the chirp.
    """

    def __init__(
        self, chirp: Callable[[float], FloatArray], sample_rate_hz: float, *, from_hz: float, to_hz: float
    ) -> None:
        self._chirp, self._rate_hz = chirp, sample_rate_hz
        longest = len(chirp(sample_rate_hz / (1.0 + LARGEST_SPEED)))
        longest = max(longest, len(chirp(sample_rate_hz * (1.0 + LARGEST_SPEED))))
        #: Frames that a block shares with the next.
        self.overlap = 2 * longest
        self.block_frames = next_fast_len(_BLOCK_CHIRPS * longest, real=True)
        # Twice a fast length is a fast length.
        wished = next_fast_len(round(_THINNED / 2 * to_hz / sample_rate_hz * self.block_frames), real=True)
        self._bins = min(wished, self.block_frames // 2)
        self._thin_frames = 2 * self._bins
        self._thin_rate_hz = sample_rate_hz * self._thin_frames / self.block_frames
        bin_hz = sample_rate_hz / self.block_frames
        frequency_hz = np.arange(self._bins + 1) * bin_hz
        self._band = (frequency_hz > _BELOW * from_hz) & (frequency_hz < _ABOVE * to_hz)
        count = round(LARGEST_SPEED / _SPEED_STEP)
        self._speeds = [_SPEED_STEP * number for number in range(-count, count + 1)]
        self._wanted = [self._template(speed) for speed in self._speeds]
        self._tried = list(range(len(self._speeds)))

    def _template(self, speed: float) -> tuple[ComplexArray, int, float]:
        """Return the chirp's transform, conjugated, its frames and its energy in the band."""
        samples = self._chirp(self._thin_rate_hz / (1.0 + speed))
        spectrum = rfft(samples, self._thin_frames) * self._band
        energy = float(np.sum(irfft(spectrum, self._thin_frames) ** 2))
        return np.conj(spectrum), len(samples), energy

    def marks_in(self, blocks: Iterator[FloatArray]) -> list[Mark]:
        """Return the marks, in order. blocks : of (frames, channels), any lengths, one after the other, finite."""
        found: list[Mark] = []
        held: FloatArray | None = None
        start = 0
        for block in blocks:
            held = block if held is None else np.concatenate([held, block])
            while len(held) >= self.block_frames:
                self._take(held[: self.block_frames], start, found)
                step = self.block_frames - self.overlap
                held, start = held[step:], start + step
        if held is not None and len(held):
            rest = np.zeros((self.block_frames, held.shape[1]))
            rest[: len(held)] = held
            self._take(rest, start, found)
        return found

    def _take(self, block: FloatArray, start: int, found: list[Mark]) -> None:
        """Add the marks of a block; those that the block before has found already are left out."""
        best = self._best(block)
        if best is None:
            return
        likeness, speeds, channels = best
        apart = self.overlap // 2
        per_thin = self.block_frames / self._thin_frames
        # What wraps around, or begins in the part that the next block begins with, is not this block's.
        likeness[round((self.block_frames - apart) / per_thin) :] = 0.0
        while True:
            place = int(np.argmax(likeness))
            if not likeness[place] > _LEAST_LIKENESS:
                break
            mark = Mark(
                frame=start + round(place * per_thin),
                speed=self._speeds[int(speeds[place])],
                likeness=float(likeness[place]),
                channel=int(channels[place]),
            )
            reach = round(apart / per_thin)
            likeness[max(0, place - reach) : place + reach + 1] = 0.0
            self._enter(mark, found, apart)
        found.sort(key=lambda mark: mark.frame)
        if len(found) >= _MARKS_ENOUGH:
            near = speed_of(found)
            self._tried = [n for n in self._tried if abs(self._speeds[n] - near) < _SAME_SPEED]

    @staticmethod
    def _enter(mark: Mark, found: list[Mark], apart: int) -> None:
        """Enter a mark, or let it stand for a weaker one at its place (that of the block before)."""
        for place, other in enumerate(found):
            if abs(other.frame - mark.frame) < apart:
                if mark.likeness > other.likeness:
                    found[place] = mark
                return
        found.append(mark)

    def _best(self, block: FloatArray) -> tuple[FloatArray, NDArray[np.int64], NDArray[np.int64]] | None:
        """Return the largest likeness at each thinned frame, at which speed and in which column.

        0 where it is not nearly enough for a mark; None where it is so everywhere.
        """
        size = self._thin_frames
        best, speeds, channels = np.zeros(size), np.zeros(size, dtype=np.int64), np.zeros(size, dtype=np.int64)
        for channel, samples in enumerate(block.T):
            # Thinned out as an amplitude that stays the same.
            spectrum = rfft(np.ascontiguousarray(samples))[: self._bins + 1] * self._band * (size / self.block_frames)
            thin = irfft(spectrum, size)
            if not np.any(thin):
                continue
            sums = np.concatenate([[0.0], np.cumsum(np.square(np.concatenate([thin, thin[: self.overlap]])))])
            # Where there is next to nothing, rounding would look like anything.
            least = 1e-12 * float(np.max(np.square(thin)))
            for number in self._tried:
                wanted, frames, energy = self._wanted[number]
                correlation = irfft(spectrum * wanted, size)
                inside = sums[frames : frames + size] - sums[:size]
                # What is less like it is never asked for: roots and divisions are for the few frames that are.
                near = np.flatnonzero(np.square(correlation) >= _NEARLY * energy * inside)
                likeness = np.abs(correlation[near]) / np.sqrt(np.maximum(inside[near], least * frames) * energy)
                higher = likeness > best[near]
                where = near[higher]
                best[where], speeds[where], channels[where] = likeness[higher], number, channel
        return (best, speeds, channels) if np.any(best) else None


def speed_of(marks: list[Mark]) -> float:
    """Return the speed that most marks agree on (their median), to some 0.2 %; 0 without any."""
    return float(np.median([mark.speed for mark in marks])) if marks else 0.0


#: Distances of two marks and of a track agree to this part: what their speeds are sure to, and a clock's wander.
_DISTANCE_PART = 0.008


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Marks as far apart as those of a track. track : its place in the list.   marks : the first and the last."""

    track: int
    marks: tuple[Mark, Mark]


def placed_tracks(marks: list[Mark], apart_frames: list[float]) -> list[Placed]:
    """Return which marks belong to which track, in the order of the capture; a mark belongs to one track at most.

    apart_frames : per track, frames from its first mark to its last at the speed of 1, no two alike within 1.6 %.
    Neighbouring marks are tried first; then marks with others between them, which something that is no mark made.
    """
    speed = 1.0 + speed_of(marks)
    taken: set[int] = set()
    found: list[Placed] = []
    for step in (1, 2):
        for first in range(len(marks) - step):
            last = first + step
            if taken & set(range(first, last + 1)):
                continue
            apart = (marks[last].frame - marks[first].frame) * speed
            off = [abs(apart / wanted - 1.0) for wanted in apart_frames]
            track = int(np.argmin(off))
            if off[track] < _DISTANCE_PART:
                taken |= set(range(first, last + 1))
                found.append(Placed(track=track, marks=(marks[first], marks[last])))
    return sorted(found, key=lambda one: one.marks[0].frame)
