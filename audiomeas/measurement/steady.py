"""What measurements on several steady tones share: which frames are analysed, and which channels can be told."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.analysis import factors
from audiomeas.errors import SignalError

if TYPE_CHECKING:
    from audiomeas.recording import Recording

#: As the neighbours that read steps take it from here.
DB_PER_NEPER = factors.DB_PER_NEPER
#: No ratio is stated closer than this (relative): a capture without any noise would claim all digits.
LEAST_RELATIVE = 1e-6
#: A channel that nowhere exceeds this fraction of full scale may rest on zero for a while.
_LOUD_FS = 1e-3


def steady_span(recording: Recording, *, block_s: float = 0.1) -> slice:
    """Return the frames of the stimulus' one window, where its place is known; else where the level is steady.

    block_s : how finely the ends of the steady part are looked for.
    Raises SignalError: nothing captured, or a capture that does not hold the window.
    """
    from audiomeas.recording import stimulus_slice

    if recording.frames == 0:
        raise SignalError("the capture holds no frames")
    if recording.stimulus is not None and recording.stimulus_start is not None:
        (window,) = recording.stimulus.windows()
        return stimulus_slice(recording, window.start, window.stop)
    from audiomeas.analysis.levelspan import level_span

    return slice(*level_span(loudest_counts(recording), recording.sample_rate_hz, block_s=block_s))


def loudest_counts(recording: Recording) -> Any:
    """Return the samples of the loudest channel, (frames,), in fractions of full scale."""
    import numpy as np

    return np.ascontiguousarray(recording.counts_fs[:, loudest_column(recording)])


def loudest_column(recording: Recording) -> int:
    """Return the column of the loudest channel."""
    import numpy as np

    return int(np.argmax(np.sum(recording.counts_fs**2, axis=0)))


def samples(recording: Recording, column: int, span: slice) -> Any:
    """Return frames of one channel as the analysis wants them, (frames,): in volts, or in counts uncalibrated."""
    import numpy as np

    return np.ascontiguousarray(recording.window(span.start, span.stop).signal(column))


def refuse_gaps(recording: Recording, span: slice) -> None:
    """Raise SignalError when a channel holds a run of exact zeros inside: a dropout, or a cut file."""
    for column, channel in enumerate(recording.channels):
        words = gap_words(recording, span, column, channel)
        if words is not None:
            raise SignalError(words)


def gap_words(recording: Recording, span: slice, column: int, channel: int) -> str | None:
    """Return why a channel can't be told that holds a run of exact zeros inside, or None."""
    import numpy as np

    from audiomeas.analysis.continuity import longest_gap

    counts_fs = recording.counts_fs[span, column]
    # A quiet channel of few bits rests on zero now and then.
    if float(np.max(np.abs(counts_fs), initial=0.0)) <= _LOUD_FS:
        return None
    at, length = longest_gap(counts_fs)
    if length == 0:
        return None
    return (
        f"channel {channel} has a gap of {length} frames of exact zeros near "
        f"{(span.start + at) / recording.sample_rate_hz:.2f} s: samples were lost; capture it again, or cut the file "
        "to its steady part"
    )


def over_range_words(recording: Recording, column: int, channel: int) -> str | None:
    """Return why an over-range channel can't be told, or None."""
    if not (recording.over_range and recording.over_range[column]):
        return None
    return (
        f"channel {channel}: over-range in {recording.over_range[column]} of {recording.frames} frames: its values are "
        "unknown; capture again with a lower level or a higher attenuator range"
    )


def of_channel(value: Any, channel: int) -> float | None:
    """Return a condition that is one number for all, or a table by channel number as text."""
    found = value.get(str(channel)) if isinstance(value, Mapping) else value
    return None if found is None else float(found)


def scale_uncertainty(recording: Recording, column: int) -> float | None:
    """Return the relative 95 % half-width of a channel's volts, where known."""
    return recording.scale_uncertainty[column] if recording.scale_uncertainty else None


def clock_words(recording: Recording, scale: float | None) -> list[str]:
    """Return a warning when one clock plays and captures, and frequencies came back off all the same."""
    if not recording.shared_clock or scale is None or abs(scale - 1.0) < 5e-6:
        return []
    return [f"the tones came back {(scale - 1.0) * 1e6:+.1f} ppm off, although one clock plays and captures"]
