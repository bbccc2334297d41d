"""The bench's own noise beside the unit's: what it can be told from, and which range to use.

Behind an attenuator the card's noise counts as often as the attenuator divides. Where it is well below what was
captured it is taken off, else the unit's own is at most what was captured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from audiomeas.measurement.noise_levels import Reading

#: Nearer than this to the bench's own a noise is a bound (10 dB: the sum then reads 0.4 dB high).
MARGIN_DB = 10.0
#: Of what is taken off, so much may be too much or too little: a card's noise is known to 1 dB (common practice).
_OPEN = 0.25


def without_bench(readings: Mapping[str, Reading], bench: Mapping[str, float]) -> dict[str, Reading]:
    """Return readings less the bench's own noise, and bounds of those that the bench itself may have made.

    bench : name → the bench's own level, in the unit of the readings. Powers of noise add, so that what is known of the
    bench is taken off (JCGM 100:2008, 3.2.3: a known systematic effect is corrected); a quarter of that stays open,
    as the bench's noise is not always the same.
    """
    return {name: _less(reading, bench[name]) if name in bench else reading for name, reading in readings.items()}


def _less(reading: Reading, own: float) -> Reading:
    if reading.at_most or not reading.level > 0.0:
        return reading
    share = (own / reading.level) ** 2
    if share >= 10.0 ** (-MARGIN_DB / 10.0):
        return replace(reading, at_most=True)
    left = math.sqrt(1.0 - share)
    # The scatter of the sum of powers is one of the smaller rest now.
    return replace(
        reading, level=left * reading.level, relative=reading.relative / left**2, bench=_OPEN * (1.0 - left) / left
    )


def level_keys(name: str) -> tuple[str, str]:
    """Return the keys of a noise level in volts and in dBFS. name : 'unweighted', 'itu_r_arm', …"""
    # The contract's quasi-peak and average readings are no r.m.s. values.
    metered = name in ("itu_r_468_quasi_peak", "itu_r_arm")
    unit = "v" if metered else "v_rms"
    return f"{name}_{unit}", f"{name}_dbfs"


def share_percent(own: float, captured: float) -> float:
    """Return the bench's part of the power that was captured, at most 100 %."""
    return 100.0 if captured <= own else 100.0 * (own / captured) ** 2


def range_words(channel: int, conditions: Mapping[str, Any], share: float) -> str:
    """Return the warning of a channel that the bench's noise bounds, with the way out."""
    name, quietest = (conditions.get(key, {}).get(str(channel)) for key in ("range", "quietest_range"))
    on = f" on range {name!r}" if name else ""
    if quietest:
        out = (
            f"set the attenuator to {quietest!r}, enter it in the bench file and capture again (only a unit whose "
            "output, thumps and offset included, that range bears)"
        )
    else:
        out = "a quieter card is needed to tell the unit's own"
    return (
        f"channel {channel}: {share:.0f} % of the noise power is the bench's own{on}: the unit's noise is at most what "
        f"is told; {out}"
    )
