"""What hum is consistent with, and what of it is the bench's own.

Source of both rules: common practice of the repair bench. Hum of the mains itself comes in by a loop, lead dress or a
heater; a rectifier's ripple has twice the mains and its multiples. Neither is proof: a half-wave rectifier ripples at
the mains itself, and a loop near a saturated transformer has many odd multiples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from audiomeas.analysis.hum import Hum, HumLine

#: A multiple dominates another from here on (6 dB), in power.
_DOMINANT = 10.0**0.6
#: Nearer than this to the bench's own (3 dB, in power) hum can't be told to be the unit's.
_ATTRIBUTABLE = 10.0**0.3
#: The bench's mains and the unit's are one within this part.
_SAME_MAINS = 0.02

LOOP = "consistent with a ground loop, lead dress, heater or an unscreened part: move cables, unplug one lead at a time"
RIPPLE = "consistent with rectifier ripple: check the supply's filter capacitors and the current drawn from it"
BOTH = "consistent with several causes: check cables and grounds first, then the supply's filter capacitors"


def consistent_with(found: Hum) -> str | None:
    """Return in words what the lines are consistent with and what to check; None without hum.

    A line that does not stand out counts with what it may be at most: where that could decide, nothing is decided.
    """
    if not found.present:
        return None
    power = {line.multiple: line.level_v_rms**2 for line in found.lines}
    stands = {line.multiple for line in found.present}
    if 1 in stands and power[1] > _DOMINANT * power.get(2, math.inf):
        return LOOP
    if 2 in stands and power[2] > _DOMINANT * power.get(1, math.inf):
        return RIPPLE
    return BOTH


@dataclass(frozen=True, kw_only=True)
class UnitLine:
    """A line of hum with the bench's own taken off as power.

    level_v_rms : the unit's; what it can be at most when `at_most`.   uncertainty_v_rms : 95 % half-width, 0 for a
    bound.
    attributable : False where the bench's own is within 3 dB of what was captured.   bench_v_rms : the bench's
    own, or what it can be at most; None where it is not known.
    """

    multiple: int
    frequency_hz: float
    level_v_rms: float
    uncertainty_v_rms: float
    at_most: bool
    attributable: bool
    bench_v_rms: float | None


def without_bench(found: Hum, bench: Hum) -> tuple[UnitLine, ...]:
    """Return each line that stands out, less the bench's own as power.

    found, bench : hum of the same channel with the unit and without it, in one unit, at one range.

    Powers add only on the average: hum of unit and bench keep step, and the sum depends on their phases. So the
    uncertainty holds the whole of it: amplitudes from (captured - bench) to (captured + bench).
    """
    own = {line.multiple: line for line in bench.lines if _same_mains(found, bench, line)}
    return tuple(_less(line, own.get(line.multiple)) for line in found.present)


def _same_mains(found: Hum, bench: Hum, line: HumLine) -> bool:
    """Return whether a bench's line lies where the capture's mains has one; bounds may be of 50 and 60 Hz."""
    if found.mains_hz is None:
        return False
    return math.isclose(line.frequency_hz, line.multiple * found.mains_hz, rel_tol=_SAME_MAINS)


def _less(line: HumLine, own: HumLine | None) -> UnitLine:
    bench = 0.0 if own is None else own.level_v_rms
    attributable = own is not None and line.level_v_rms**2 > _ATTRIBUTABLE * bench**2
    if own is None or not attributable:
        # The bench's may have cancelled a part of the unit's.
        level, half, at_most = line.level_v_rms + line.uncertainty_v_rms + bench, 0.0, True
    elif own.at_most:
        # The bench shows nothing: nothing is taken off, but what it may hide is doubt.
        level, half, at_most = line.level_v_rms, line.uncertainty_v_rms + bench, False
    else:
        level = math.sqrt(line.level_v_rms**2 - bench**2)
        half = _half_width(line, bench, own.uncertainty_v_rms, level)
        at_most = False
    return UnitLine(
        multiple=line.multiple,
        frequency_hz=line.frequency_hz,
        level_v_rms=level,
        uncertainty_v_rms=half,
        at_most=at_most,
        attributable=attributable,
        bench_v_rms=None if own is None else bench,
    )


def _half_width(line: HumLine, bench: float, bench_half: float, level: float) -> float:
    """Return the 95 % half-width: the phase's share (the larger side), and both levels' own spread."""
    by_phase = max(line.level_v_rms + bench - level, level - (line.level_v_rms - bench))
    by_noise = math.hypot(line.level_v_rms * line.uncertainty_v_rms, bench * bench_half) / level
    return math.hypot(by_phase, by_noise)
