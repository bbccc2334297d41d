"""The impulse response that a result of `response` carries for its chart."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.sweeps import law_of

if TYPE_CHECKING:
    from audiomeas.analysis.sweep import SweepResponse
    from audiomeas.measurement.result import ChannelResult
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Sweep

#: What is shown: enough for the ring of a filter in the treble; the bass is better seen in the curves.
_BEFORE_S, _AFTER_S = 0.001, 0.004


def with_impulses(
    channels: Sequence[ChannelResult], recording: Recording, sweep: Sweep, found: Mapping[int, SweepResponse]
) -> tuple[ChannelResult, ...]:
    """Return the channels with `impulse` as captured: {time_s, relative}, lists around the peak; null where unknown."""
    return tuple(
        dataclasses.replace(one, values={**one.values, "impulse": _impulse(one, recording, sweep, found)})
        for one in channels
    )


def _impulse(
    one: ChannelResult, recording: Recording, sweep: Sweep, found: Mapping[int, SweepResponse]
) -> dict[str, Any] | None:
    from audiomeas.analysis.impulse import impulse_around_peak

    column = recording.column(one.channel)
    if column not in found or not one.values["frequency_hz"]:
        return None
    law = law_of(sweep)
    arrival = found[column].start_frame + found[column].delay_s * sweep.sample_rate_hz
    time_s, relative = impulse_around_peak(
        recording.signal(column), sweep.samples_v(), law, arrival, before_s=_BEFORE_S, after_s=_AFTER_S
    )
    return {
        "time_s": [round(float(value), 9) for value in time_s],
        "relative": [round(float(value), 6) for value in relative],
    }
