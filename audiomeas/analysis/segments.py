"""Overlapping windowed spectra of a capture that comes block by block: what the density and the events are made of."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.realfft import RealTransform
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Seconds that a segment has at most: bins of 1.5 Hz tell a band from 20 Hz, and ten seconds hold 28 of them.
_LONGEST_S = 0.75
#: A short capture is cut into at least so many whole segments, as long as they keep …
_LEAST_SEGMENTS = 3
#: … this many frames.
_LEAST_FRAMES = 256
#: Frames at an end that tell where it is mirrored.
_LINE_FRAMES = 96


@dataclass(frozen=True, kw_only=True)
class Segment:
    """One windowed spectrum. start : its first frame.   spectrum : (channels, bins) rfft of the windowed samples,
    which the next segment overwrites.

    whole : made of the capture alone; the others reach over its ends and hold what was mirrored there.
    """

    start: int
    spectrum: ComplexArray
    whole: bool


def segment_frames(sample_rate_hz: float, frames: int | None = None) -> int:
    """Return how many frames a segment should have: a power of two of 0.37 to 0.75 s, less for a short capture.

    frames : of the capture, None when not known.  Raises SignalError for a capture that holds nothing.
    """
    if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 0):
        raise SignalError(f"a sample rate of {sample_rate_hz} Hz cannot be; give the rate of the capture")
    longest = _LONGEST_S * sample_rate_hz
    if frames is not None:
        # Segments overlap by half: n of them fill (n + 1)/2 of their length.
        longest = min(longest, 2.0 * frames / (_LEAST_SEGMENTS + 1))
    if longest < _LEAST_FRAMES:
        least = _LEAST_FRAMES * (_LEAST_SEGMENTS + 1) // 2
        raise SignalError(f"{frames} frames are too few for a noise spectrum; capture at least {least}")
    return int(2 ** math.floor(math.log2(longest)))


def hann(frames: int) -> FloatArray:
    """Return the periodic Hann window, (frames,): copies that overlap by half add up to 1."""
    return np.asarray(0.5 - 0.5 * np.cos(2.0 * np.pi / frames * np.arange(frames)))


class SegmentSpectra:
    """Cuts blocks into segments that overlap by half, whatever the blocks' lengths are; memory: one segment.

    Each segment's mean is taken out, so that DC leaks nowhere.
    """

    def __init__(self, channels: int, frames: int) -> None:
        """Begin a capture. channels : of each block.   frames : of a segment, a power of two."""
        if channels < 1:
            raise ValueError("a segment needs a channel")
        self.frames, self.window = frames, hann(frames)
        self._held = np.empty((channels, frames))
        self._work = np.empty(frames)
        self._spectrum = np.empty((channels, frames // 2 + 1), dtype=np.complex128)
        self._transform = RealTransform(frames)
        self._filled = self._start = 0
        self._finished = False

    @property
    def frames_seen(self) -> int:
        """Frames that came in so far."""
        return self._start + self._filled

    def add(self, block: FloatArray) -> Iterator[Segment]:
        """Yield the segments that a block completes; use each before the next, and all. block : (frames, channels).

        Raises SignalError for a block with another number of channels, or with values that are no numbers.
        """
        self._check(block)
        at = 0
        while at < len(block):
            take = min(self.frames - self._filled, len(block) - at)
            self._held[:, self._filled : self._filled + take] = block[at : at + take].T
            self._filled += take
            at += take
            if self._filled == self.frames:
                yield from self._completed()

    def finish(self) -> Iterator[Segment]:
        """Yield the segments that reach over the end (none when no whole one was completed)."""
        self._finished = True
        if self._start == 0:
            return
        half = self.frames // 2
        rest = self._filled - half
        padded = _mirrored(self._held[:, : self._filled], 0, (self.frames + half if rest else self.frames))
        yield self._segment(padded[:, : self.frames], self._start, whole=False)
        if rest:
            yield self._segment(padded[:, half:], self._start + half, whole=False)

    def _check(self, block: FloatArray) -> None:
        if self._finished:
            raise ValueError("this capture was finished")
        if block.ndim != 2 or block.shape[1] != len(self._held):
            raise SignalError(f"a block of shape {block.shape} in a capture of {len(self._held)} channels")
        # Order 'K': the sum runs as the memory does.
        if not math.isfinite(float(np.sum(block.ravel(order="K")))):
            raise SignalError(f"the capture holds values that are no numbers, from frame {self.frames_seen} on")

    def _completed(self) -> Iterator[Segment]:
        half = self.frames // 2
        if self._start == 0:
            yield self._segment(_mirrored(self._held[:, :half], half, 0), -half, whole=False)
        yield self._segment(self._held, self._start, whole=True)
        self._held[:, :half] = self._held[:, half:]
        self._filled, self._start = half, self._start + half

    def _segment(self, samples: FloatArray, start: int, *, whole: bool) -> Segment:
        for row, channel in zip(self._spectrum, samples, strict=True):
            np.subtract(channel, np.mean(channel), out=self._work)
            self._work *= self.window
            self._transform.into(row, self._work)
        return Segment(start=start, spectrum=self._spectrum, whole=whole)


def _mirrored(samples: FloatArray, before: int, length: int) -> FloatArray:
    """Return samples continued by their mirror images through a line's end (2·c − x[n]): no level, no slope jumps.

    samples : (channels, frames).   before : frames to add in front.   length : to reach at the end, if longer.
    """
    front = 2.0 * _end_value(samples)[:, None] - samples[:, :before][:, ::-1]
    out = np.concatenate([front, samples], axis=1)
    while out.shape[1] < before + length:
        take = min(before + length - out.shape[1], samples.shape[1])
        turned = out[:, ::-1][:, :take]
        out = np.concatenate([out, 2.0 * _end_value(turned)[:, None] - turned], axis=1)
    return out


def _end_value(samples: FloatArray) -> FloatArray:
    """Return where a line through the first samples begins, (channels,): noise sways it less than a sample."""
    near = samples[:, :_LINE_FRAMES]
    count = near.shape[1]
    at = np.arange(count) - (count - 1) / 2.0
    slope = near @ at / float(np.dot(at, at))
    return np.asarray(np.mean(near, axis=1) - slope * (count / 2.0))
