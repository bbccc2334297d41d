"""A recording of a repeated sweep, turned into that of one sweep: the mean of those that repeat."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError
from audiomeas.measurement.sweeps import law_of

if TYPE_CHECKING:
    from audiomeas.analysis.repeats import LeftOut
    from audiomeas.recording import Recording
    from audiomeas.stimulus import RepeatedSweeps


def averaged(recording: Recording) -> Recording:
    """Return the mean of a repeated sweep's captures as a recording of one sweep; any other comes back as it is.

    Conditions: `averages` (sweeps that count), `averages_played`, `averaging` in words.   What was left out is in the
    warnings. A sweep that is damaged on one channel is left out on all, so that channels stay comparable.
    Raises SignalError: silent, another clock or rate, or sweeps that differ where it can't be told which is right.
    """
    from audiomeas.stimulus import RepeatedSweeps

    stimulus = recording.stimulus
    if not isinstance(stimulus, RepeatedSweeps):
        return recording
    if stimulus.sample_rate_hz != recording.sample_rate_hz:
        return dataclasses.replace(recording, stimulus=stimulus.sweep)  # what analyses it refuses it
    driven = [column for column, channel in enumerate(recording.channels) if channel in stimulus.driven_channels]
    if not driven:
        raise SignalError("none of the captured channels was driven by these sweeps: capture the driven ones")
    return _mean_of(recording, stimulus, driven)


def _mean_of(recording: Recording, stimulus: RepeatedSweeps, driven: list[int]) -> Recording:
    import numpy as np

    from audiomeas.analysis.repeats import average_sweeps

    sweep = stimulus.sweep
    law = law_of(sweep)
    found = average_sweeps(
        recording.counts_fs[:, driven],
        sweep.samples_v(),
        law,
        period_frames=stimulus.period_frames,
        count=stimulus.count,
        start_frame=recording.stimulus_start,
    )
    counts_fs = np.zeros((len(found.samples), len(recording.channels)))
    counts_fs[:, driven] = found.samples
    used = len(found.used)
    return dataclasses.replace(
        recording,
        counts_fs=counts_fs,
        stimulus=sweep,
        stimulus_start=found.start_frame,
        conditions={**recording.conditions, **_conditions(used, stimulus.count)},
        warnings=(*recording.warnings, *(_words(out, sweep.frequency_at_s(out.time_s)) for out in found.left_out)),
    )


def _conditions(used: int, played: int) -> dict[str, Any]:
    return {
        "averages": used,
        "averages_played": played,
        "averaging": f"coherent, {used} sweeps on one clock: noise is {10.0 * math.log10(used):.1f} dB lower than in "
        "one of them",
    }


def _words(out: LeftOut, frequency_hz: float) -> str:
    what = {
        "cut": "is not wholly in the capture",
        "moved": f"arrives {abs(out.size):.1f} frames {'later' if out.size > 0 else 'earlier'} than the others: "
        "samples were repeated or lost before it",
        "event": f"differs from the others by {100 * out.size:.2g} % of the signal, {out.time_s:.2f} s after its "
        f"beginning (near {frequency_hz:.0f} Hz): a disturbance",
    }[out.why]
    return f"sweep {out.number} {what}; it is left out of the average"
