"""The tracks of a disc in one long capture: found by their marks, cut out, laid on the clock that played them."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.clock import clock_facts
from audiomeas.recording import Recording, over_range_of
from audiomeas.recording_blocks import RecordingOnDisk, blocks_of

if TYPE_CHECKING:
    from audiomeas.analysis.marks import Mark, Placed
    from audiomeas.analysis.timebase import TimeBase
    from audiomeas.measurement.media import Disc, PlayedTrack
    from audiomeas.stimulus import Stimulus

#: A capture is read in blocks of so many frames.
_BLOCK_FRAMES = 1 << 16
#: Kept of the capture before and after a track's marks, in seconds.
_BEFORE_S, _AFTER_S = 0.3, 0.7
#: One frame is the least that can be lost; a clock that wanders from track to track by so many of its deviations (of
#: their median) is none. Fewer tracks don't tell a clock from a loss.
_LOST_FRAMES, _OUTSIDE, _SIGMA_OF_MAD, _LEAST_TRACKS = 0.6, 8.0, 1.4826, 3


@dataclass(frozen=True, kw_only=True)
class FoundTrack:
    """A track in the capture. begins_s : of its first mark.   placed : its marks."""

    track: PlayedTrack
    begins_s: float
    placed: Placed


@dataclass(frozen=True, kw_only=True)
class Search:
    """What was found. recording : with over-range and resolution, as far as blocks show them.   tracks : in the order
    of the capture, the first of each.   again : numbers of tracks that came more than once.   lone_s : where marks
    stand that belong to no track.
    """

    recording: Recording
    tracks: tuple[FoundTrack, ...]
    again: tuple[int, ...]
    lone_s: tuple[float, ...]


def find_tracks(recording: Recording, disc: Disc) -> Search:
    """Return where a disc's tracks stand in a capture, which is read once, block by block.

    Raises RequestError (a rate below the disc's), SignalError (none of them is there).
    """
    from audiomeas.analysis.marks import MarkFinder, placed_tracks
    from audiomeas.stimulus.marker import MARKER_FROM_HZ, MARKER_TO_HZ, marker

    rate_hz = recording.sample_rate_hz
    highest_hz = max(track.stimulus.sample_rate_hz for track in disc.tracks)
    if rate_hz < highest_hz:
        raise RequestError(
            f"the capture has {rate_hz:g} Hz and the disc {highest_hz:g} Hz: capture at the disc's rate or a higher one"
        )
    finder = MarkFinder(marker, rate_hz, from_hz=MARKER_FROM_HZ, to_hz=MARKER_TO_HZ)
    marks = finder.marks_in(blocks_of(recording, 0, recording.frames, _BLOCK_FRAMES))
    placed = placed_tracks(marks, [track.apart_s * rate_hz for track in disc.tracks])
    if not placed:
        raise SignalError(_nothing_words(marks, disc))
    first: dict[int, FoundTrack] = {}
    again: list[int] = []
    for one in placed:
        track = disc.tracks[one.track]
        if track.number in first:
            again.append(track.number)
            continue
        first[track.number] = FoundTrack(track=track, begins_s=one.marks[0].frame / rate_hz, placed=one)
    used = {mark.frame for one in placed for mark in one.marks}
    completed = recording.completed() if isinstance(recording, RecordingOnDisk) else recording
    return Search(
        recording=completed,
        tracks=tuple(first.values()),
        again=tuple(dict.fromkeys(again)),
        lone_s=tuple(mark.frame / rate_hz for mark in marks if mark.frame not in used),
    )


def _nothing_words(marks: Sequence[Mark], disc: Disc) -> str:
    there = f"{len(marks)} marks were found, but no two as far apart as those of a track" if marks else "no marks"
    return (
        f"no track of {disc.name} is in this capture ({there}): is it of this disc, whole, its speed within 3 %, and "
        "the rate that the file states the true one? Tracks are found by the chirps at their beginning and end"
    )


def cut_out(search: Search, found: FoundTrack) -> tuple[Recording, TimeBase]:
    """Return a track as a recording of its own, on the clock that played it, and what was corrected.

    Raises SignalError when its marks are not alike.
    """
    from audiomeas.analysis.timebase import Markers, between_marks
    from audiomeas.stimulus.marker import MARKER_FROM_HZ, MARKER_TO_HZ, marker

    recording, track = search.recording, found.track
    rate_hz = recording.sample_rate_hz
    start, counts_fs = _around(recording, found)
    stimulus = at_rate(track.stimulus, rate_hz)
    per_frame = rate_hz / track.stimulus.sample_rate_hz
    markers = Markers(
        waveform=marker(rate_hz),
        from_hz=MARKER_FROM_HZ,
        to_hz=MARKER_TO_HZ,
        before=track.markers[0] * per_frame,
        after=track.markers[1] * per_frame,
    )
    first, last = found.placed.marks
    laid, base = between_marks(
        counts_fs,
        rate_hz,
        markers=markers,
        places=(first.frame - start, last.frame - start),
        stimulus_frames=stimulus.frames,
        listen=sorted({first.channel, last.channel}),
    )
    return _recording(recording, counts_fs, laid, base, stimulus), base


def at_rate(stimulus: Stimulus, sample_rate_hz: float) -> Stimulus:
    """Return a stimulus as another rate would play it: the same course in seconds, its parts to half a frame."""
    from audiomeas.stimulus import read_stimulus

    return read_stimulus({**stimulus.facts(), "sample_rate_hz": sample_rate_hz})


def _around(recording: Recording, found: FoundTrack) -> tuple[int, Any]:
    """Return the first frame of what is kept around a track, and its samples, (frames, channels)."""
    import numpy as np

    rate_hz = recording.sample_rate_hz
    first, last = found.placed.marks
    start = max(0, first.frame - round(_BEFORE_S * rate_hz))
    stop = min(recording.frames, last.frame + round(_AFTER_S * rate_hz))
    return start, np.concatenate(list(blocks_of(recording, start, stop, _BLOCK_FRAMES)))


def _recording(recording: Recording, counts_fs: Any, laid: Any, base: TimeBase, stimulus: Stimulus) -> Recording:
    own = {field.name: getattr(recording, field.name) for field in dataclasses.fields(Recording)}
    own |= {
        "counts_fs": laid,
        "stimulus": stimulus,
        "stimulus_start": base.start_frame,
        "stimulus_in_volts": False,
        "shared_clock": True,
        "markers": None,
        "over_range": over_range_of(counts_fs),
        "conditions": {**recording.conditions, **clock_facts(base)},
        "warnings": (),
    }
    return Recording(**own)


def lost_frames(tracks: Sequence[tuple[FoundTrack, TimeBase]], sample_rate_hz: float) -> list[float | None]:
    """Return by how many frames of the capture each track is too short by the clock of the others (negative: too long).

    None for a track that is whole: less than a frame off, or no further off than the clock wanders.
    """
    import numpy as np

    ppm = np.array([base.offset_ppm for _, base in tracks], dtype=np.float64)
    if len(ppm) < _LEAST_TRACKS:
        return [None] * len(ppm)
    off_ppm = ppm - np.median(ppm)
    wander_ppm = _SIGMA_OF_MAD * float(np.median(np.abs(off_ppm)))
    frames = 1e-6 * off_ppm * np.array([found.track.apart_s for found, _ in tracks]) * sample_rate_hz
    lost = (np.abs(frames) > _LOST_FRAMES) & (np.abs(off_ppm) > _OUTSIDE * wander_ppm)
    return [float(count) if gone else None for count, gone in zip(frames, lost, strict=True)]


@dataclass(frozen=True, kw_only=True)
class Clock:
    """By how much the playing clock ran faster than the card's. offset_ppm : over all tracks, each by its length.

    uncertainty_ppm : 95 % half-width, of what marks tell and of how much tracks differ.   course : per track, (seconds
    of its middle, ppm).
    """

    offset_ppm: float
    uncertainty_ppm: float
    course: tuple[tuple[float, float], ...]


def clock_of(tracks: Sequence[tuple[FoundTrack, TimeBase]]) -> Clock | None:
    """Return the clock that tracks tell; None without any."""
    import numpy as np
    from scipy.special import stdtrit

    told = [(one, base) for one, base in tracks if base.offset_ppm is not None]
    if not told:
        return None
    weights = np.array([one.track.apart_s for one, _ in told])
    weights /= np.sum(weights)
    ppm = np.array([base.offset_ppm for _, base in told])
    mean = float(weights @ ppm)
    own = float(np.sqrt(weights**2 @ np.array([base.offset_uncertainty_ppm or 0.0 for _, base in told]) ** 2))
    count = len(told)
    # A wander of the clock from track to track; a single track tells none.
    scatter = 0.0
    if count > 1:
        variance = float(weights @ (ppm - mean) ** 2) * count / (count - 1)
        scatter = float(stdtrit(count - 1, 0.975)) * math.sqrt(variance * float(np.sum(weights**2)))
    return Clock(
        offset_ppm=mean,
        uncertainty_ppm=math.hypot(own, scatter),
        course=tuple(
            (one.begins_s + 0.5 * one.track.apart_s, value) for (one, _), value in zip(told, ppm.tolist(), strict=True)
        ),
    )
