"""Bands of steady tones that a unit plays by itself: found in a capture of two channels, and cut out of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError

if TYPE_CHECKING:
    from audiomeas.analysis.separation import Coupling
    from audiomeas.analysis.tone_bands import Band
    from audiomeas.recording import Recording

_BLOCK_FRAMES = 1 << 17
#: A band that is longer is read from its middle: more would only take memory.
_LONGEST_S = 20.0
_TONES_FROM_HZ = 200.0


def found_bands(
    recording: Recording, *, and_to: Callable[[Any], None] | None = None, quiet_db: float | None = None
) -> tuple[tuple[Band, ...], Recording]:
    """Return the bands of a capture, and it with what only its samples show. Raises SignalError: not two channels.

    and_to : gets each block too, (frames, 2), in fractions of full scale.   quiet_db : what lies so far below the
    loudest tone is none; None: as `tone_bands` has it.
    """
    from audiomeas.analysis.tone_bands import QUIET_DB, BandFinder
    from audiomeas.recording_blocks import RecordingOnDisk, blocks_of

    if len(recording.channels) != 2:
        raise SignalError(
            f"two channels are compared, and this capture has {len(recording.channels)}: capture both in one file"
        )
    finder = BandFinder(recording.sample_rate_hz, quiet_db=QUIET_DB if quiet_db is None else quiet_db)
    for block in blocks_of(recording, 0, recording.frames, _BLOCK_FRAMES):
        finder.add(block)
        if and_to is not None:
            and_to(block)
    return finder.bands(), recording.completed() if isinstance(recording, RecordingOnDisk) else recording


def piece_of(recording: Recording, start: int, stop: int) -> Any:
    """Return frames as the analysis wants them, (frames, 2): in volts, or as `Recording.signal` has them uncalibrated.

    recording : with its samples, or on the disk.
    """
    from audiomeas.measurement.pieces import samples_of

    return samples_of(recording, start, stop) * scales_of(recording)


def scales_of(recording: Recording) -> Any:
    """Return what makes the unit of `Recording.signal` of fractions of full scale, (channels,)."""
    import numpy as np

    scales = [recording.scale_v(column) for column in range(len(recording.channels))]
    return np.array([np.sqrt(2.0) if scale is None else scale for scale in scales])


def coupling_of(recording: Recording, band: Band) -> Coupling:
    """Return what a band's tone is in both channels. Raises SignalError when it can't be read."""
    from audiomeas.analysis.separation import coupled

    first, second = scales_of(recording) * (recording.resolution_fs or 0.0)
    piece = piece_of(recording, *_middle(recording, band))
    return coupled(piece, recording.sample_rate_hz, band.frequency_hz, step=(first, second))


def sudden_words(recording: Recording, bands: Sequence[Band]) -> list[str]:
    """Return a warning when something sudden stands beside the tones of bands."""
    from audiomeas.measurement.pieces import cut_out
    from audiomeas.measurement.sudden import beside_played, words_beside_played

    places = []
    for band in bands:
        start, stop = _middle(recording, band)
        begins_s = start / recording.sample_rate_hz
        found = beside_played(cut_out(recording, start, stop), [band.frequency_hz], begins_s=begins_s)
        if found is not None:
            places.append(f"{float(f'{band.frequency_hz:.4g}'):g} Hz ({found.words})")
    return words_beside_played(places)


def _middle(recording: Recording, band: Band) -> tuple[int, int]:
    """Return the frames of a band that are read."""
    spare = max(0, band.stop - band.start - round(_LONGEST_S * recording.sample_rate_hz))
    return band.start + spare // 2, band.stop - (spare - spare // 2)


def by_frequency(bands: Sequence[Band]) -> list[tuple[float, list[Band]]]:
    """Return the bands of each tone, in the order in which they were played; tones rise in frequency."""
    from audiomeas.analysis.tone_bands import same_tone

    groups: list[list[Band]] = []
    for band in sorted(bands, key=lambda one: one.frequency_hz):
        if groups and same_tone(groups[-1][0].frequency_hz, band.frequency_hz):
            groups[-1].append(band)
        else:
            groups.append([band])
    ordered = [sorted(group, key=lambda one: one.start) for group in groups]
    return [(sum(one.frequency_hz for one in group) / len(group), group) for group in ordered]


def longest_pause(
    bands: Sequence[Band], recording: Recording, *, others_s: Sequence[tuple[float, float]] = ()
) -> tuple[int, int]:
    """Return (start, stop) of the longest part without tones, a second from each of them. Below 200 Hz is no tone.

    Lines of motors and mains lie there, and are what a silent groove is listened for.   others_s : beginnings and ends
    of what is no pause either.
    """
    second = round(recording.sample_rate_hz)
    played = sorted(
        [
            *((one.start, one.stop) for one in bands if one.frequency_hz > _TONES_FROM_HZ),
            *((round(begin_s * second), round(end_s * second)) for begin_s, end_s in others_s),
        ]
    )
    starts = [0, *(stop + second for _, stop in played)]
    stops = [*(start - second for start, _ in played), recording.frames]
    start, stop = max(zip(starts, stops, strict=True), key=lambda ends: ends[1] - ends[0])
    return start, max(start, stop)


def nearest(tones_hz: Sequence[float], wanted_hz: float) -> float | None:
    """Return the tone that a frequency names, None when none is as near as a unit's speed may be off."""
    from audiomeas.analysis.tone_bands import same_tone

    found = min(tones_hz, key=lambda hz: abs(hz - wanted_hz), default=None)
    return found if found is not None and same_tone(found, wanted_hz) else None
