"""The impulse response that a result of `response` carries for its chart."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from audiomeas.analysis.sweep import SweepResponse
    from audiomeas.measurement.result import ChannelResult
    from audiomeas.recording import Recording


def with_impulses(
    channels: Sequence[ChannelResult], recording: Recording, found: Mapping[int, SweepResponse]
) -> tuple[ChannelResult, ...]:
    """Return the channels with `impulse` as captured: {time_s, relative}, lists around the peak; null where unknown."""
    return tuple(
        dataclasses.replace(
            one, values={**one.values, "impulse": _impulse(one, found.get(recording.column(one.channel)))}
        )
        for one in channels
    )


def _impulse(one: ChannelResult, found: SweepResponse | None) -> dict[str, Any] | None:
    if found is None or not one.values["frequency_hz"]:
        return None
    return {
        "time_s": [round(float(value), 9) for value in found.impulse_s],
        "relative": [round(float(value), 6) for value in found.impulse],
    }
