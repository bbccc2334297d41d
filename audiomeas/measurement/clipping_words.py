"""What is said of a channel's clipping beside its numbers: signs with the two facts that they rest on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from audiomeas.measurement.clipping_bursts import facts_from
from audiomeas.units import Level, amplitude_ratio_to_db, power_ratio_to_db

if TYPE_CHECKING:
    from audiomeas.measurement.attached import AttachedResult
    from audiomeas.measurement.clipping_read import Burst
    from audiomeas.measurement.result import ChannelResult, Result
    from audiomeas.recording import Recording

#: Peaks nearer to the card's full scale than this: the card may be what clips (trade notes 3.10: aim below −3 dBFS).
NEAR_FULL_SCALE_DB = 3.0
#: Two ranges agree when their levels differ by no more than this beside their half-widths.
_RANGES_AGREE_DB = 0.1
#: Both channels this far below what is rated: a limiter bulb in the mains, or low mains (trade notes 4, row 36).
_BULB_BELOW_DB = 3.0
AT_LEAST = "at least"


def near_full_scale(recording: Recording, column: int, loudest: Burst) -> str | None:
    """Return what is said where a channel's loudest burst comes near to the card's full scale, or None."""
    import numpy as np

    peak_fs = float(np.max(np.abs(recording.counts_fs[slice(*loudest.span), column])))
    below_db = -amplitude_ratio_to_db(peak_fs) if peak_fs > 0.0 else math.inf
    if below_db > NEAR_FULL_SCALE_DB:
        return None
    return (
        f"the loudest burst came within {max(below_db, 0.0):.1f} dB of the card's full scale, where a card may clip by "
        "itself: range-swap check: measure again with the attenuator on a higher range and give both as other_range"
    )


def at_ceiling(recording: Recording, told: ChannelResult) -> str | None:
    """Return what is said where the search ended at a ceiling before the distortion asked for, or None."""
    facts = facts_from(recording.conditions)
    levels = told.values["levels"]
    if facts is None or not levels or levels[-1]["bound"].get("level_v_rms") != AT_LEAST:
        return None
    return (
        f"THD stayed below {levels[-1]['percent']:g} % up to {told.values['curve'][-1]['level_v_rms']:.3g} V, and "
        f"nothing louder is played here ({facts.highest_words}): what was not reached is known as 'at least'"
    )


def bulb(channels: Sequence[ChannelResult], rated: Level | None, key: str) -> str | None:
    """Return what is said where every channel stays far below what is rated, or None. key : of the level in question.

    rated : what the maker rates; None: not given.
    """
    if rated is None or not channels:
        return None
    unit = "w" if rated.unit == "W" else "v_rms"
    ratio_to_db = power_ratio_to_db if unit == "w" else amplitude_ratio_to_db
    found = [channel.values.get(f"{key}_{unit}") for channel in channels]
    if any(value is None or value <= 0.0 for value in found):
        return None
    if any(channel.bound.get(f"{key}_{unit}") == AT_LEAST for channel in channels):
        return None
    below_db = [-ratio_to_db(value / rated.value) for value in found if value is not None]
    if min(below_db) < _BULB_BELOW_DB:
        return None
    reached = " and ".join(f"{value:.3g}" for value in found)
    return (
        f"all channels stay at least {min(below_db):.1f} dB below the {rated} that are rated ({reached} {rated.unit}): "
        "consistent with a limiter bulb left in the mains, or low mains; check both, then measure again"
    )


def ranges_compared(result: Result, other: AttachedResult | None, key: str) -> list[str]:
    """Return how two results from two attenuator ranges agree, a line a channel. key : of the level compared."""
    if other is None:
        return []
    if other.result.measurement != result.measurement:
        return [f"{other.name} holds {other.result.measurement}, not {result.measurement}: the ranges are not compared"]
    ranges = [one.conditions.get("range") for one in (result, other.result)]
    if ranges[0] is not None and ranges[0] == ranges[1]:
        return [f"{other.name} was made on the same range: nothing is told by comparing"]
    return [line for channel in result.channels if (line := _compared(channel, other, key)) is not None]


def _compared(channel: ChannelResult, other: AttachedResult, key: str) -> str | None:
    try:
        there = other.result.channel(channel.channel)
    except KeyError:
        return None
    name = f"{key}_v_rms"
    pair = (channel, there)
    here_v, there_v = (one.values.get(name) for one in pair)
    if not here_v or not there_v or any(one.bound.get(name) for one in pair):
        return f"channel {channel.channel}: {other.name} has no level to compare with: the ranges are not compared"
    apart_db = abs(amplitude_ratio_to_db(here_v / there_v))
    relative = math.hypot(*(one.uncertainty.get(name, 0.0) / one.values[name] for one in pair))
    allowed_db = _RANGES_AGREE_DB + amplitude_ratio_to_db(1.0 + relative)
    told = (
        f"channel {channel.channel}: two ranges differ by {apart_db:.2f} dB ({allowed_db:.2f} dB allowed, {other.name})"
    )
    if apart_db <= allowed_db:
        return f"{told}: it is the unit that clips, not the card"
    return f"{told}: the card clips on one of them: use the higher range, and check the card's input level"
