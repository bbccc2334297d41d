"""One pass over a noise capture, block by block: density, events and plain facts of the samples, in constant memory."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.density import Density, DensityOf
from audiomeas.analysis.events import Events, EventsOf
from audiomeas.analysis.sample_facts import SampleFacts, SampleFactsOf
from audiomeas.analysis.segments import Segment, SegmentSpectra, segment_frames

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class PassedNoise:
    """What one pass tells of one channel."""

    density: Density
    events: Events
    facts: SampleFacts


class NoisePass:
    """Eats blocks of a noise capture. Density and events share the spectra, which cost most."""

    def __init__(
        self,
        sample_rate_hz: float,
        channels: int,
        *,
        frames: int | None = None,
        full_scale: float | None = None,
        least_v: float = 0.0,
    ) -> None:
        """Begin. frames : of the whole capture, None when not known (then short ones are refused).

        full_scale : largest value that the format holds.   least_v : smaller peaks are no events.
        Raises SignalError for a capture that is too short.
        """
        size = segment_frames(sample_rate_hz, frames)
        self._spectra = SegmentSpectra(channels, size)
        self._density = DensityOf(sample_rate_hz, channels, size)
        self._events = EventsOf(sample_rate_hz, channels, size, least_v=least_v)
        self._facts = SampleFactsOf(sample_rate_hz, channels, full_scale=full_scale)

    def add(self, block: FloatArray) -> None:
        """Add samples. block : (frames, channels).  Raises SignalError for values that are no numbers."""
        block = np.asfortranarray(block)  # one channel after the other, for all that look at them one by one
        self._take(self._spectra.add(block))
        self._density.take_samples(block)
        self._facts.add(block)

    def result(self) -> tuple[PassedNoise, ...]:
        """Return what is known of each channel, at the end. Raises SignalError for a capture that is too short."""
        densities = self._density.result()
        self._take(self._spectra.finish())
        events = self._events.result(self._spectra.frames_seen)
        return tuple(
            PassedNoise(density=density, events=event, facts=fact)
            for density, event, fact in zip(densities, events, self._facts.result(), strict=True)
        )

    def _take(self, segments: Iterable[Segment]) -> None:
        for segment in segments:
            self._density.take(segment)
            self._events.take(segment)


def pass_over(
    signal: FloatArray, sample_rate_hz: float, *, full_scale: float | None = None, least_v: float = 0.0
) -> tuple[PassedNoise, ...]:
    """Return what one pass tells of each channel of a capture. signal : (frames, channels)."""
    whole = NoisePass(sample_rate_hz, signal.shape[1], frames=len(signal), full_scale=full_scale, least_v=least_v)
    whole.add(signal)
    return whole.result()
