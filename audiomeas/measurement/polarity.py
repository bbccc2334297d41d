"""What is said of a channel whose polarity is inverted, from the responses alone."""

from __future__ import annotations

from collections.abc import Sequence

from audiomeas.measurement.result import ChannelResult


def inverted_words(channels: Sequence[ChannelResult]) -> list[str]:
    """Return a warning for each channel that is inverted against the first one that is known.

    Of one channel alone nothing is said: many units invert, and that is no fault.
    """
    known = [one for one in channels if one.values["polarity"] is not None and one.values["frequency_hz"]]
    return [
        f"channel {one.channel} is inverted against channel {known[0].channel}: check for crossed wires of a speaker, "
        "a cartridge or a balanced cable (unless it is meant so, as in a bridged amplifier)"
        for one in known[1:]
        if _opposite(known[0], one)
    ]


def _opposite(first: ChannelResult, second: ChannelResult) -> bool:
    """Compare over the whole band where phases are known; else the signs of the impulses."""
    phases = (first.values["phase_deg"], second.values["phase_deg"])
    same_points = first.values["frequency_hz"] == second.values["frequency_hz"]
    if not same_points or any(None in phase for phase in phases):
        return bool(first.values["polarity"] != second.values["polarity"])
    import numpy as np

    from audiomeas.analysis.crosstalk import opposite_polarity
    from audiomeas.units import db_to_amplitude_ratio

    curves = (
        np.asarray(db_to_amplitude_ratio(np.asarray(one.values["gain_db"]))) * np.exp(1j * np.radians(phase))
        for one, phase in zip((first, second), phases, strict=True)
    )
    return opposite_polarity(*curves)
