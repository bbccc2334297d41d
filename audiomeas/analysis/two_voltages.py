"""Impedances from two voltages of one source: at two loads, or without and with a known resistor in series.

Voltages are complex, so that a reactive source or input is told right; impedances in ohms. Only the ratio of the two
voltages counts: what scales both alike cancels.
"""

from __future__ import annotations


def admittance_s(resistance_ohm: float | None, inductance_h: float = 0.0, angular_hz: float = 0.0) -> complex:
    """Return 1/(R + jωL) in siemens; None: open, 0."""
    return 0j if resistance_ohm is None else 1.0 / complex(resistance_ohm, angular_hz * inductance_h)


def source_impedance_ohm(ratio: complex, first_s: complex, second_s: complex) -> complex:
    """Return the impedance of a source from its voltage at two loads.

    ratio : V₁/V₂.   first_s, second_s : admittances of the loads that they stood at.   From E = V·(1 + Zo·Y) at both:
    Zo = (V₁/V₂ − 1)/(Y₂ − Y₁·V₁/V₂) (IEC 60268-3, output source impedance by a change of load; from memory).
    Raises ValueError where the two loads tell nothing: the voltages are as the loads.
    """
    below = second_s - ratio * first_s
    if below == 0.0:
        raise ValueError("the voltages stand as the loads do: that is no voltage source")
    return (ratio - 1.0) / below


def input_impedance_ohm(ratio: complex, series_ohm: float, source_ohm: float) -> complex:
    """Return the impedance of an input from what a series resistor takes from it.

    ratio : V without the resistor over V with it, 1 + Rs/(Z + source_ohm), a voltage divider.
    Raises ValueError where the resistor changes nothing.
    """
    if ratio == 1.0:
        raise ValueError("the resistor changes nothing")
    return series_ohm / (ratio - 1.0) - source_ohm


def parallel_parts(impedance_ohm: complex, angular_hz: float) -> tuple[float, float]:
    """Return resistance (Ω) and capacitance (F) that, in parallel, are this impedance at an angular frequency."""
    admittance = 1.0 / impedance_ohm
    resistance_ohm = float("inf") if admittance.real == 0.0 else 1.0 / admittance.real
    return resistance_ohm, admittance.imag / angular_hz
