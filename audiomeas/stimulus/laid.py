"""A stimulus as it lies in a file: at its place, on its channels, with its markers around it; any span of that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audiomeas.stimulus.base import FloatArray, Stimulus, joined, played_samples_v


@dataclass(frozen=True, kw_only=True)
class Laid:
    """Where what lies. start : frame of the stimulus' first.   frames, channels : of the whole.

    full_scale_v : peak voltage that is full scale.   chirp : the markers' samples in fractions of full scale,
    (frames,), at the frames `marks`, on the channels `marked`.
    """

    stimulus: Stimulus
    full_scale_v: float
    start: int
    frames: int
    channels: int
    chirp: FloatArray
    marks: Sequence[int] = ()
    marked: Sequence[int] = ()

    def part_fs(self, span: range) -> FloatArray:
        """Return a span of it, (frames, channels), in fractions of full scale."""
        samples = np.zeros((len(span), self.channels))
        driven = _columns(self.stimulus.driven_channels)
        if driven:
            played = (self.start, self.stimulus.frames, self._played_fs)
            samples[:, driven] = joined([played], span, (len(driven),))
        for place in self.marks:
            chirp = joined([(place, len(self.chirp), lambda part: self.chirp[part.start : part.stop])], span)
            samples[:, _columns(self.marked)] += chirp[:, np.newaxis]
        return samples

    def _played_fs(self, span: range) -> FloatArray:
        fractions = played_samples_v(self.stimulus, span) / self.full_scale_v
        return fractions if fractions.ndim == 2 else fractions[:, np.newaxis]


def _columns(channels: Sequence[int]) -> list[int]:
    return [channel - 1 for channel in channels]
