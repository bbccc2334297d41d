"""Output impedance from two readings of a meter, typed in: volts at two loads, the source taken as resistive."""

from __future__ import annotations

import math
from dataclasses import dataclass

from audiomeas.analysis.two_voltages import admittance_s, source_impedance_ohm
from audiomeas.bench.parts import combined, of_limits
from audiomeas.errors import RequestError


@dataclass(frozen=True, kw_only=True)
class TypedImpedance:
    """What two readings tell. Impedance in ohms with its 95 % half-width; factor : of the lower load over it.

    bound : 'at most' where the difference of the readings drowns in what they are good for: the impedance is then the
    most that it can be, the factor the least; '' else.   per_reading_ohm : by how much the impedance moves when the
    second reading is higher by its own limit.
    """

    impedance_ohm: float
    uncertainty_ohm: float | None
    damping_factor: float
    bound: str
    per_reading_ohm: float


def output_impedance_from_readings(
    *,
    first_volts: float,
    first_ohm: float | None,
    second_volts: float,
    second_ohm: float | None,
    volts_percent: float,
    ohms_percent: float,
) -> TypedImpedance:
    """Return the output impedance from volts at two loads (ohms; None: open). Percent : limits of error.

    Zo = (V₁ − V₂)/(V₂/R₂ − V₁/R₁) (IEC 60268-3, by a change of load); each limit moves it by itself (JCGM 100:2008,
    5.1.3 note 2). Raises RequestError: impossible or contradicting readings.
    """
    _checked(first_volts, first_ohm, second_volts, second_ohm, volts_percent, ohms_percent)

    def impedance(volts: float = 1.0, first: float = 1.0, second: float = 1.0) -> float:
        loads = (None if ohm is None else k * ohm for ohm, k in ((first_ohm, first), (second_ohm, second)))
        first_s, second_s = (admittance_s(ohm) for ohm in loads)
        try:
            return source_impedance_ohm(first_volts / (volts * second_volts), first_s, second_s).real
        except ValueError as error:
            raise RequestError(f"{error}: check the readings and the loads") from None

    ohm, more = impedance(), 1.0 + volts_percent / 100.0
    per_reading_ohm = impedance(volts=more) - ohm
    of_loads = [
        impedance(**{name: 1.0 + ohms_percent / 100.0}) - ohm
        for name, load_ohm in (("first", first_ohm), ("second", second_ohm))
        if load_ohm is not None
    ]
    half_ohm = combined(
        [of_limits("reading", per_reading_ohm)] * 2 + [of_limits("load", moved_ohm) for moved_ohm in of_loads]
    )
    if ohm < -half_ohm:
        raise RequestError(
            "the voltage is higher at the heavier load than a source can give: are the readings the other way round?"
        )
    drowned = ohm <= half_ohm
    told_ohm = max(ohm, 0.0) + half_ohm if drowned else ohm
    heavier_ohm = min(load_ohm for load_ohm in (first_ohm, second_ohm) if load_ohm is not None)
    return TypedImpedance(
        impedance_ohm=told_ohm,
        uncertainty_ohm=None if drowned else half_ohm,
        damping_factor=heavier_ohm / told_ohm,
        bound="at most" if drowned else "",
        per_reading_ohm=per_reading_ohm,
    )


def _checked(
    first_volts: float,
    first_ohm: float | None,
    second_volts: float,
    second_ohm: float | None,
    volts_percent: float,
    ohms_percent: float,
) -> None:
    for what, value in (
        ("the first voltage", first_volts),
        ("the second voltage", second_volts),
        ("the first load", first_ohm),
        ("the second load", second_ohm),
    ):
        if value is not None and not (math.isfinite(value) and value > 0.0):
            raise RequestError(f"{what} must be above 0, not {value:g}: type what the meter shows, 'open' for no load")
    if first_ohm == second_ohm:
        raise RequestError("an output impedance needs two loads that differ; one of them may be 'open'")
    for what, percent in (("volts", volts_percent), ("ohms", ohms_percent)):
        if not (math.isfinite(percent) and 0.0 < percent <= 10.0):
            raise RequestError(f"limits of {what} are above 0 and at most 10 %, not {percent:g} %")
