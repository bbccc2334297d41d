"""The bench's own noise beside the unit's: what it can be told from, and which range to use.

Behind an attenuator the card's noise counts as often as the attenuator divides. Where it is not well below what was
captured, the unit's own is at most that.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import of_limits
from audiomeas.measurement.budget import BENCH_NOISE

if TYPE_CHECKING:
    from audiomeas.measurement.budget import Told

#: Nearer than this to the bench's own a noise is a bound (10 dB: the sum then reads 0.4 dB high).
MARGIN_DB = 10.0


def bound_by_bench(told: Told, bench: Mapping[str, float], reference: float) -> None:
    """Make bounds of levels that the bench itself may have made; widen the others by what it may have added.

    bench : key (without unit) → the bench's own level, in the unit of `Recording.signal`.   reference : r.m.s. of a
    full-scale sine in that unit.
    """
    for name, own in bench.items():
        level_key, dbfs_key = level_keys(name)
        dbfs = told.values.get(dbfs_key)
        if dbfs is None or told.bound.get(dbfs_key):
            continue
        ratio = own / (reference * 10.0 ** (dbfs / 20.0))
        if ratio >= 10.0 ** (-MARGIN_DB / 20.0):
            told.at_most(level_key, dbfs_key)
            continue
        # Powers add: without the bench's the level is lower by this part.
        part = 1.0 - math.sqrt(1.0 - ratio**2)
        told.widen(dbfs_key, of_limits(BENCH_NOISE, DB_PER_NEPER * part))
        if level_key in told.uncertainty:
            told.widen(level_key, of_limits(BENCH_NOISE, part * told.values[level_key]))


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
