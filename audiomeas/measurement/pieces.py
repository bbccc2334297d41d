"""A piece of a long capture as a recording of its own: a part of a tape's side, a state of a tuner's generator."""

from __future__ import annotations

import dataclasses
from typing import Any

from audiomeas.recording import Recording, over_range_of
from audiomeas.recording_blocks import RecordingOnDisk, blocks_of

_BLOCK_FRAMES = 1 << 17


def samples_of(recording: Recording, start: int, stop: int) -> Any:
    """Return frames of a capture, (frames, channels), in fractions of full scale; what is beyond its ends is left out.

    recording : with its samples, or on the disk. Raises FileProblem (a file that was cut).
    """
    import numpy as np

    looked_at = recording.unread() if isinstance(recording, RecordingOnDisk) else recording
    first, last = max(0, start), min(recording.frames, stop)
    blocks = list(blocks_of(looked_at, first, last, _BLOCK_FRAMES))
    if not blocks:
        return np.zeros((0, len(recording.channels)))
    # In one order in memory, wherever they come from: sums then round alike.
    return np.ascontiguousarray(np.concatenate(blocks))


def cut_out(recording: Recording, start: int, stop: int) -> Recording:
    """Return frames of a capture as one made elsewhere, in memory, with its own over-range. Raises as `samples_of`."""
    counts_fs = samples_of(recording, start, stop)
    own = {field.name: getattr(recording, field.name) for field in dataclasses.fields(Recording)}
    own |= {
        "counts_fs": counts_fs,
        "stimulus": None,
        "stimulus_start": None,
        "markers": None,
        "shared_clock": False,
        "over_range": over_range_of(counts_fs),
        "warnings": (),
    }
    return Recording(**own)
