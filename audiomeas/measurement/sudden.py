"""What is said of clicks and damaged blocks beside steady tones, a wave that repeats, or tones that a medium plays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from audiomeas.measurement.steady import samples

if TYPE_CHECKING:
    from audiomeas.analysis.shortevents import ShortEvents
    from audiomeas.recording import Recording


def words_beside_lines(recording: Recording, column: int, span: slice) -> list[str]:
    """Return a warning when something sudden stands beside the steady tones of a window, which all lie on its bins."""
    if not _can_be_told(recording):
        return []
    from audiomeas.analysis.beside_lines import events_beside_lines

    signal = samples(recording, column, span)
    return _words(recording, column, span, events_beside_lines(signal, resolution=recording.resolution(column)))


def words_beside_wave(recording: Recording, column: int, span: slice, frequency_hz: float) -> list[str]:
    """Return a warning when something sudden stands beside a wave that repeats in a window of whole parts."""
    if not _can_be_told(recording):
        return []
    from audiomeas.analysis.beside_lines import events_beside_wave
    from audiomeas.stimulus.periodic import PARTS

    signal, resolution = samples(recording, column, span), recording.resolution(column)
    found = events_beside_wave(signal, PARTS, frequency_hz / recording.sample_rate_hz, resolution=resolution)
    return _words(recording, column, span, found)


@dataclass(frozen=True, kw_only=True)
class BesidePlayed:
    """Something sudden beside tones that a medium plays. at_s : in the capture.   channels : in which."""

    at_s: float
    channels: tuple[int, ...]

    @property
    def words(self) -> str:
        """When and where."""
        named = " and ".join(map(str, self.channels))
        return f"near {self.at_s:.2f} s, channel{'s' if len(self.channels) > 1 else ''} {named}"


def beside_played(recording: Recording, tones_hz: Sequence[float], *, begins_s: float = 0.0) -> BesidePlayed | None:
    """Return what is sudden beside tones that a medium plays.

    recording : a piece with the tones from end to end.   tones_hz : as they are played, about.
    begins_s : where the piece begins in its capture.
    """
    from audiomeas.analysis.beside_moving import events_beside_moving

    rate_hz, found = recording.sample_rate_hz, []
    for column, channel in enumerate(recording.channels):
        signal = recording.counts_fs[:, column]
        event = events_beside_moving(signal, rate_hz, tones_hz, resolution=recording.resolution_fs)
        if event is not None:
            found.append((begins_s + event.frame / rate_hz, channel))
    return BesidePlayed(at_s=found[0][0], channels=tuple(channel for _, channel in found)) if found else None


def words_beside_played(places: Sequence[str]) -> list[str]:
    """Return a warning of what is sudden beside the tones of a medium. places : which tones, and where in each."""
    if not places:
        return []
    return [
        f"something sudden beside the tones of {'; '.join(places)}: in their figures; a drop-out, a splice or a "
        "scratch, a disturbance or a lost block, so listen there, and play it again"
    ]


def _can_be_told(recording: Recording) -> bool:
    """Return whether what is steady has whole periods in its windows: what another clock captured has none."""
    return recording.shared_clock and recording.stimulus_start is not None


def _words(recording: Recording, column: int, span: slice, found: ShortEvents | None) -> list[str]:
    from audiomeas.units import amplitude_ratio_to_db

    if found is None:
        return []
    size_db = amplitude_ratio_to_db(found.peak / float(max(abs(samples(recording, column, span)))))
    what = "a click" if found.count == 1 else f"{found.count} clicks, the largest"
    where_s = (span.start + found.frame) / recording.sample_rate_hz
    return [
        f"channel {recording.channels[column]}: {what} near {where_s:.3f} s, {size_db:+.1f} dB relative to the highest "
        "sample: in all figures; a contact, a disturbance or a lost block, so look, and capture again"
    ]
