"""A dummy load from what a person read: its resistance from volts and amperes, or from ohms less those of the leads;
its inductance from volts across it behind a known resistor at two frequencies, or as a meter or data sheet states it.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from audiomeas.bench.coverage import half_width_95
from audiomeas.bench.dummy_load import refuse_no_inductance
from audiomeas.errors import RequestError

#: The frequencies of a divider lie at least so far apart.
_LEAST_APART = 5.0


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


@dataclass(frozen=True, kw_only=True)
class Inductance:
    """An inductance as found. uncertainty_h : 95 % half-width.  parts : rectangular half-widths in henries by name."""

    inductance_h: float
    uncertainty_h: float
    method: str
    parts: dict[str, float]

    @property
    def above_zero(self) -> bool:
        """It can be told from none."""
        return self.inductance_h > self.uncertainty_h


@dataclass(frozen=True, kw_only=True)
class DividerReading:
    """Volts across a load, behind a resistor from a source that gives the same at both frequencies.

    load_ohm, series_ohm : with their relative limits of error.  ratio : high_volts over low_volts is right to that.
    """

    low_hz: float
    low_volts: float
    high_hz: float
    high_volts: float
    load_ohm: float
    load_limit: float
    series_ohm: float
    series_limit: float
    ratio_limit: float


def inductance_from_divider(reading: DividerReading) -> Inductance:
    """Return L from |Z/(Z + Rs)| at two frequencies, Z = R + jωL (a voltage divider, complex).

    The same instrument reads both, so that only its ratio counts. The parts are found by moving each reading by its
    limit (JCGM 100:2008, 5.1.3 note 2). Raises RequestError: impossible or contradicting readings.
    """
    _check_divider(reading)
    ratio = reading.high_volts / reading.low_volts
    least = 1.0 - reading.ratio_limit
    if ratio < least:
        raise RequestError(
            f"{reading.high_volts:g} V at {reading.high_hz:g} Hz are less than {reading.low_volts:g} V at "
            f"{reading.low_hz:g} Hz, where an inductance gives more: use one source level, and an instrument whose "
            "band reaches both; a capacitor across the load does that too"
        )
    inductance_h = _solved(reading, ratio)
    limits = {"ratio of volts": reading.ratio_limit, "load resistance": reading.load_limit}
    limits["series resistor"] = reading.series_limit
    parts = {
        # Both ways: near none at all a step down counts for more than a step up, and stops at zero.
        name: max(abs(_moved(reading, ratio, name, sign * limit) - inductance_h) for sign in (-1.0, 1.0))
        for name, limit in limits.items()
    }
    method = (
        f"{reading.low_volts:g} V at {reading.low_hz:g} Hz, {reading.high_volts:g} V at {reading.high_hz:g} Hz, behind "
        f"{reading.series_ohm:g} Ω"
    )
    return Inductance(
        inductance_h=inductance_h, uncertainty_h=half_width_95(list(parts.values())), method=method, parts=parts
    )


def inductance_as_stated(inductance_h: float, *, percent: float) -> Inductance:
    """Return what an inductance meter shows or a data sheet states. percent : its limits of error."""
    refuse_no_inductance(inductance_h)
    if not (math.isfinite(percent) and 0.0 < percent <= 100.0):
        raise RequestError(f"an inductance is known to more than 0 and at most 100 %, not {percent:g} %")
    limit_h = percent / 100.0 * inductance_h
    return Inductance(
        inductance_h=inductance_h,
        uncertainty_h=half_width_95([limit_h]),
        method=f"{1e6 * inductance_h:g} µH as stated, within {percent:g} %",
        parts={"as stated": limit_h},
    )


def _moved(reading: DividerReading, ratio: float, name: str, part: float) -> float:
    """Return the inductance with one of what was read changed by a part of it."""
    if name == "load resistance":
        return _solved(dataclasses.replace(reading, load_ohm=reading.load_ohm * (1.0 + part)), ratio)
    if name == "series resistor":
        return _solved(dataclasses.replace(reading, series_ohm=reading.series_ohm * (1.0 + part)), ratio)
    return _solved(reading, ratio * (1.0 + part))


def _check_divider(reading: DividerReading) -> None:
    for what, value in (
        ("the low frequency", reading.low_hz),
        ("the volts at the low frequency", reading.low_volts),
        ("the volts at the high frequency", reading.high_volts),
        ("the load's resistance", reading.load_ohm),
        ("the series resistor", reading.series_ohm),
        ("the error of the volts' ratio", reading.ratio_limit),
    ):
        _above_zero(what, value)
    if not reading.high_hz >= _LEAST_APART * reading.low_hz:
        raise RequestError(
            f"{reading.low_hz:g} and {reading.high_hz:g} Hz are too near: the high one must be at least "
            f"{_LEAST_APART:g} times the low one, such as 1000 and 20000 Hz"
        )
    if reading.series_ohm < reading.load_ohm:
        raise RequestError(
            f"a series resistor of {reading.series_ohm:g} Ω tells too little of a load of {reading.load_ohm:g} Ω: take "
            "one of at least the load's resistance, better ten times that"
        )


def _solved(reading: DividerReading, ratio: float) -> float:
    """Return the inductance with which the divider's volts have this ratio q; 0 for a ratio of 1 or less.

    |Z₂|²·|Z₁ + Rs|² = q²·|Z₁|²·|Z₂ + Rs|² is a quadratic in L². The ratio rises with L, and falls again where the load
    outweighs the resistor at both frequencies: the lower root is the load. Raises RequestError where there is none.
    """
    if ratio <= 1.0:
        return 0.0
    own, whole = reading.load_ohm**2, (reading.load_ohm + reading.series_ohm) ** 2
    low, high = ((2.0 * math.pi * hz) ** 2 for hz in (reading.low_hz, reading.high_hz))
    square, linear = low * high * (ratio**2 - 1.0), own * low + whole * high - ratio**2 * (own * high + whole * low)
    constant = own * whole * (ratio**2 - 1.0)
    discriminant = linear**2 - 4.0 * square * constant
    if linear <= 0.0 or discriminant < 0.0:
        raise RequestError(
            f"a ratio of {ratio:.3g} between {reading.low_hz:g} and {reading.high_hz:g} Hz is no load's of "
            f"{reading.load_ohm:g} Ω behind {reading.series_ohm:g} Ω: check the readings and the resistances"
        )
    return math.sqrt(2.0 * constant / (linear + math.sqrt(discriminant)))


def _above_zero(what: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise RequestError(f"{what} must be above 0, not {value:g}: type what the meter shows")


def _percent(percent: float) -> None:
    if not (math.isfinite(percent) and 0.0 < percent <= 10.0):
        raise RequestError(f"a meter's accuracy is above 0 and at most 10 %, not {percent:g} %")
