"""Volts, decibels, watts and percent: the one place that converts.

Volts (r.m.s.) are the only currency between the rooms; everything else is a view of them. Functions take and return
floats or arrays of one shape. Wrong input (negative, NaN) raises ValueError: it never becomes a believable number.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from audiomeas.errors import RequestError

if TYPE_CHECKING:
    from numpy.typing import NDArray

Number = TypeVar("Number", float, "NDArray[np.float64]")

#: 0 dBu is the voltage that puts 1 mW into 600 Ω (IEC 60027-3).
DBU_REFERENCE_V_RMS = math.sqrt(0.6)
SQRT2 = math.sqrt(2.0)


def _checked(value: Number, what: str) -> Number:
    if not bool(np.all(np.isfinite(value))) or bool(np.any(np.asarray(value) < 0.0)):
        raise ValueError(f"{what} must be finite and not negative")
    return value


def amplitude_ratio_to_db(ratio: Number) -> Number:
    """Return 20·lg(ratio). Zero gives −inf; negative, NaN and infinite ratios raise ValueError."""
    _checked(ratio, "an amplitude ratio")
    with np.errstate(divide="ignore"):
        decibels = 20.0 * np.log10(ratio)
    return decibels if isinstance(ratio, np.ndarray) else float(decibels)


def db_to_amplitude_ratio(decibels: Number) -> Number:
    """Return 10^(dB/20)."""
    ratio = np.power(10.0, np.asarray(decibels) / 20.0)
    return ratio if isinstance(decibels, np.ndarray) else float(ratio)


def power_ratio_to_db(ratio: Number) -> Number:
    """Return 10·lg(ratio). Zero gives −inf; negative, NaN and infinite ratios raise ValueError."""
    _checked(ratio, "a power ratio")
    with np.errstate(divide="ignore"):
        decibels = 10.0 * np.log10(ratio)
    return decibels if isinstance(ratio, np.ndarray) else float(decibels)


def db_to_power_ratio(decibels: Number) -> Number:
    """Return 10^(dB/10)."""
    ratio = np.power(10.0, np.asarray(decibels) / 10.0)
    return ratio if isinstance(decibels, np.ndarray) else float(ratio)


def ratio_to_percent(ratio: Number) -> Number:
    """Return 100 × ratio."""
    return ratio * 100.0


def percent_to_ratio(percent: Number) -> Number:
    """Return percent / 100."""
    return percent / 100.0


def v_rms_to_dbv(level_v_rms: Number) -> Number:
    """Return the level in dB relative to 1 V r.m.s."""
    return amplitude_ratio_to_db(level_v_rms)


def dbv_to_v_rms(level_dbv: Number) -> Number:
    """Return the level in V r.m.s. of a level in dBV."""
    return db_to_amplitude_ratio(level_dbv)


def v_rms_to_dbu(level_v_rms: Number) -> Number:
    """Return the level in dB relative to √0.6 V r.m.s. (0.7746 V)."""
    return amplitude_ratio_to_db(level_v_rms / DBU_REFERENCE_V_RMS)


def dbu_to_v_rms(level_dbu: Number) -> Number:
    """Return the level in V r.m.s. of a level in dBu."""
    return db_to_amplitude_ratio(level_dbu) * DBU_REFERENCE_V_RMS


def v_rms_to_w(level_v_rms: Number, resistance_ohm: float) -> Number:
    """Return the power that a voltage puts into a resistance, P = U²/R."""
    if not (math.isfinite(resistance_ohm) and resistance_ohm > 0):
        raise ValueError("a resistance must be finite and positive")
    return level_v_rms * level_v_rms / resistance_ohm


def w_to_v_rms(power_w: float, resistance_ohm: float) -> float:
    """Return the voltage (r.m.s.) that puts a power into a resistance."""
    if not (math.isfinite(resistance_ohm) and resistance_ohm > 0):
        raise ValueError("a resistance must be finite and positive")
    return math.sqrt(_checked(power_w, "a power") * resistance_ohm)


@dataclass(frozen=True)
class Level:
    """A level as a person says it: a number with its unit.

    unit : 'V' (r.m.s.), 'W' (into the load), or 'FS' (r.m.s. relative to a full-scale sine, AES17).
    """

    value: float
    unit: str

    def v_rms(self, *, load_ohm: float | None = None) -> float:
        """Return volts r.m.s. Watts need the load; full scale has no volts here (RequestError)."""
        if self.unit == "V":
            return self.value
        if self.unit == "W":
            if load_ohm is None:
                raise RequestError(
                    f"a level of {self.value:g} W needs a load: enter a [[load]] with resistance_ohm in the bench "
                    "file, or give the level in volts"
                )
            return w_to_v_rms(self.value, load_ohm)
        raise RequestError("a level in dBFS has no volts on a bench: give it in V, mV, dBV, dBu or W")

    def lowered(self, decibels: float) -> Level:
        """Return the level that lies so much below this one."""
        ratio = db_to_power_ratio(-decibels) if self.unit == "W" else db_to_amplitude_ratio(-decibels)
        return Level(self.value * ratio, self.unit)

    def __str__(self) -> str:
        return f"{self.value:.6g} {self.unit}"


#: unit in small letters → base unit and factor.  Both code points of the micro sign are in use.
_LINEAR_UNITS = {
    "v": ("V", 1.0),
    "mv": ("V", 1e-3),
    "µv": ("V", 1e-6),
    "μv": ("V", 1e-6),
    "uv": ("V", 1e-6),
    "w": ("W", 1.0),
    "mw": ("W", 1e-3),
}
#: unit in small letters → base unit and what 0 dB is in it.
_DECIBEL_UNITS = {"dbv": ("V", 1.0), "dbu": ("V", DBU_REFERENCE_V_RMS), "dbfs": ("FS", 1.0)}

_LEVEL = re.compile(r"^\s*([-+−]?[0-9]*[.,]?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*([A-Za-zµμ]+)\s*$")


def parse_level(text: str) -> Level:
    """Read a level such as '2.83 V', '5 mV', '1 W', '-10 dBV', '4 dBu' or '-20 dBFS'.

    Raises RequestError when the unit is missing or unknown, or the value is impossible (not positive, not finite).
    """
    match = _LEVEL.match(text)
    if match is None:
        raise RequestError(f"level {text!r} is not a number with a unit: write for example '2.83 V', '5 mV' or '1 W'")
    if re.search(r"\d,\d{3}$", match.group(1)):
        raise RequestError(f"level {text!r} can be read in two ways: write it without a comma")
    value = float(match.group(1).replace(",", ".").replace("−", "-"))
    unit = match.group(2)
    # The case of the prefix matters (mW is not MW); that of the rest does not (mv, mV, dbu, dBu).
    if unit[0] == "M":
        raise RequestError(f"level {text!r}: a capital M means mega; write {'m' + unit[1:]}")
    if unit.lower() in _LINEAR_UNITS:
        base, factor = _LINEAR_UNITS[unit.lower()]
        level = Level(value * factor, base)
    elif unit.lower() in _DECIBEL_UNITS:
        base, reference = _DECIBEL_UNITS[unit.lower()]
        level = Level(db_to_amplitude_ratio(value) * reference, base)
    else:
        raise RequestError(f"level {text!r} has an unknown unit {unit!r}: use V, mV, µV, W, mW, dBV, dBu or dBFS")
    if not (math.isfinite(level.value) and level.value > 0):
        raise RequestError(f"level {text!r} is no level: it must be above zero, and finite")
    return level
