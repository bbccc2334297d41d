"""Output impedance of a unit from its output voltage at two loads (IEC 60268-3, source impedance by load variation)."""

from __future__ import annotations

import math

from audiomeas.errors import SignalError


def output_impedance_ohm(first_v_rms: float, first_ohm: float, second_v_rms: float, second_ohm: float) -> float:
    """Return Zo = (V1 − V2) / (V2/R2 − V1/R1), in ohms, for a resistive source.

    first_v_rms : at the load of more ohms (math.inf: open).  second_v_rms : at that of fewer, at the same input level.
    Raises SignalError for readings that no source gives: no drop at the heavier load, or more than a source could drop.
    """
    known = all(math.isfinite(value) and value > 0.0 for value in (first_v_rms, second_v_rms, second_ohm))
    if not known or not first_ohm > second_ohm:
        raise SignalError("two loads give an impedance when both voltages are above zero, the load of more ohms first")
    drop_v = first_v_rms - second_v_rms
    more_a = second_v_rms / second_ohm - first_v_rms / first_ohm
    if drop_v < 0.0 or more_a <= 0.0:
        raise SignalError(
            f"{first_v_rms:g} V at {first_ohm:g} Ω and {second_v_rms:g} V at {second_ohm:g} Ω belong to no source: "
            "read both again, at one input level"
        )
    return drop_v / more_a
