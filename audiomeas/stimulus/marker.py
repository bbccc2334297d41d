"""The marker: a short chirp before and after each stimulus. It finds the alignment and proves that nothing got lost."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audiomeas.stimulus.base import FloatArray, StatesMarkers, Stimulus, VariesInLevel, apply_ramps
from audiomeas.units import SQRT2

#: From and to which frequency the chirp runs: inside what every hi-fi unit passes, tapes and tuners included.
MARKER_FROM_HZ = 300.0
MARKER_TO_HZ = 6_000.0
MARKER_S = 0.06
#: Silence before the first marker: some devices lose the beginning of a sound (audio-path notes, threads 578 and 114).
LEAD_S = 0.25
#: Silence between a marker and the stimulus: filters and rooms come to rest.
GAP_S = 0.1


def marker_peak_v(stimulus: Stimulus) -> float:
    """Return the peak voltage of a stimulus' markers: the stimulus' own; the least it has where they run, if it varies.

    So a unit with much gain in the bass is not overloaded by a marker of the level that its treble needs.
    """
    if isinstance(stimulus, StatesMarkers):
        return stimulus.markers_peak_v
    if not isinstance(stimulus, VariesInLevel):
        return stimulus.peak_v
    frequency_hz = np.geomspace(MARKER_FROM_HZ, MARKER_TO_HZ, 50)
    return SQRT2 * float(np.min(stimulus.level_at_hz(frequency_hz)))


def marker(sample_rate_hz: float, *, peak: float = 1.0) -> FloatArray:
    """Return the chirp, (frames,): exponential in frequency, raised-cosine ends of 5 ms."""
    frames = round(MARKER_S * sample_rate_hz)
    time_s = np.arange(frames) / sample_rate_hz
    growth = MARKER_S / math.log(MARKER_TO_HZ / MARKER_FROM_HZ)
    phase = 2.0 * np.pi * MARKER_FROM_HZ * growth * np.expm1(time_s / growth)
    return apply_ramps(peak * np.sin(phase), round(0.005 * sample_rate_hz))


def marker_before(sample_rate_hz: float) -> tuple[int, int]:
    """Return first and end frame of the marker before a stimulus, counted from the stimulus' first frame."""
    frames, gap = round(MARKER_S * sample_rate_hz), round(GAP_S * sample_rate_hz)
    return -(frames + gap), -gap


def around(frames: int, sample_rate_hz: float) -> tuple[int, int, int]:
    """Return where the first marker, a stimulus of so many frames and the last marker begin, from the first silence."""
    lead, gap = (round(span_s * sample_rate_hz) for span_s in (LEAD_S, GAP_S))
    stimulus_start = lead - marker_before(sample_rate_hz)[0]
    return lead, stimulus_start, stimulus_start + frames + gap


@dataclass(frozen=True, kw_only=True)
class Playlist:
    """A stimulus between its markers: silence, marker, silence, stimulus, silence, marker.

    samples : (frames,) or (frames, channels).  first_marker, stimulus_start, last_marker : frames where each begins.
    """

    samples: FloatArray
    first_marker: int
    stimulus_start: int
    last_marker: int

    @property
    def markers(self) -> tuple[int, int]:
        """Where the markers begin, in frames from the stimulus' first."""
        return self.first_marker - self.stimulus_start, self.last_marker - self.stimulus_start


def between_markers(
    samples: FloatArray, sample_rate_hz: float, *, marker_peak: float, marked: Sequence[bool] | None = None
) -> Playlist:
    """Put samples, (frames,) or (frames, channels), between two markers of a given peak (same unit as the samples).

    With several channels the markers are on each of them, or on those that are marked.
    """
    chirp = marker(sample_rate_hz, peak=marker_peak)
    lead = np.zeros(round(LEAD_S * sample_rate_hz))
    gap = np.zeros(round(GAP_S * sample_rate_hz))
    first_marker, stimulus_start, last_marker = around(len(samples), sample_rate_hz)
    before, after = np.concatenate([lead, chirp, gap]), np.concatenate([gap, chirp])
    if samples.ndim == 2:
        columns = np.ones(samples.shape[1]) if marked is None else np.asarray(marked, dtype=np.float64)
        before, after = (part[:, None] * columns for part in (before, after))
    return Playlist(
        samples=np.concatenate([before, samples, after]),
        first_marker=first_marker,
        stimulus_start=stimulus_start,
        last_marker=last_marker,
    )
