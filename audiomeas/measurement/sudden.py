"""What is said of clicks and damaged blocks beside tones, or a wave that repeats, with whole periods in a window."""

from __future__ import annotations

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
