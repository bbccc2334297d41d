"""In which unit a value is shown to people: volts with a prefix, so that 0.000136 V reads 136 µV.

Nothing here is kept or computed with: results, records and JSON stay in V and s. It loads
nothing: `--help` stays quick.
"""

from __future__ import annotations

#: How volts and seconds are shown: unit, how many of it are in a volt or second, and from how many of these up.
_SHOWN = {
    "V": (("V", 1.0, 0.1), ("mV", 1e3, 1e-3), ("µV", 1e6, 1e-7), ("nV", 1e9, 0.0)),
    "s": (("s", 1.0, 1e-3), ("µs", 1e6, 0.0)),
}


def shown_in(unit: str, *values: float | None) -> tuple[str, float]:
    """Return the unit in which values are shown to people, and the factor to it: (µV, 1e6) for 0.000136 V.

    Volts have prefixes here, and seconds where they are microseconds, by the largest value; any other unit stays. Only
    for showing: what is kept is in V and s.
    """
    largest = max((abs(value) for value in values if value is not None), default=0.0)
    if unit not in _SHOWN or largest == 0.0:
        return unit, 1.0
    return next((shown, factor) for shown, factor, smallest in _SHOWN[unit] if not largest < smallest)
