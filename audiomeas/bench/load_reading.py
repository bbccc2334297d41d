"""A dummy load's resistance from what a person read: volts and amperes, or ohms less those of the leads."""

from __future__ import annotations

import math
from dataclasses import dataclass

from audiomeas.bench.coverage import half_width_95
from audiomeas.errors import RequestError


@dataclass(frozen=True, kw_only=True)
class LoadReading:
    """A load as measured. uncertainty : relative 95 % half-width.  parts : relative rectangular half-widths by name."""

    resistance_ohm: float
    uncertainty: float
    method: str
    parts: dict[str, float]


def load_from_volts_and_amperes(
    volts: float, amperes: float, *, volts_percent: float, amperes_percent: float
) -> LoadReading:
    """Return U/I (four wires: volts at the load's own terminals). Percent : each meter's limits of error."""
    _above_zero("volts", volts)
    _above_zero("amperes", amperes)
    _percent(volts_percent)
    _percent(amperes_percent)
    parts = {"volts": volts_percent / 100.0, "amperes": amperes_percent / 100.0}
    method = f"{volts:g} V at the terminals, {amperes:g} A"
    return LoadReading(
        resistance_ohm=volts / amperes, uncertainty=half_width_95(list(parts.values())), method=method, parts=parts
    )


def load_from_ohms(ohms: float, lead_ohms: float, *, percent: float, step_ohms: float) -> LoadReading:
    """Return the reading less that with the leads joined. step_ohms : the last digit; it counts for both readings."""
    _above_zero("ohms", ohms)
    _percent(percent)
    if not (math.isfinite(lead_ohms) and lead_ohms >= 0.0):
        raise RequestError(f"the leads' resistance must be 0 Ω or more, not {lead_ohms:g}")
    if not (math.isfinite(step_ohms) and step_ohms >= 0.0):
        raise RequestError(f"the step of the last digit must be 0 Ω or more, not {step_ohms:g}")
    if lead_ohms >= 0.5 * ohms:
        raise RequestError(
            f"the leads ({lead_ohms:g} Ω) are half of the reading ({ohms:g} Ω) or more: use shorter leads, or "
            "--volts and "
            "--amperes"
        )
    load_ohm = ohms - lead_ohms
    half_step = 0.5 * step_ohms / load_ohm
    parts = {"accuracy": percent / 100.0 * ohms / load_ohm, "last digit": half_step, "last digit, leads": half_step}
    method = f"{ohms:g} Ω read, {lead_ohms:g} Ω of it the leads"
    return LoadReading(
        resistance_ohm=load_ohm, uncertainty=half_width_95(list(parts.values())), method=method, parts=parts
    )


def _above_zero(what: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise RequestError(f"{what} must be above 0, not {value:g}: type what the meter shows")


def _percent(percent: float) -> None:
    if not (math.isfinite(percent) and 0.0 < percent <= 10.0):
        raise RequestError(f"a meter's accuracy is above 0 and at most 10 %, not {percent:g} %")
