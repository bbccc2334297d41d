"""A multimeter's reading as a person types it: volts with what the meter's accuracy leaves open; and slips noticed.

A meter's limits of error are taken as a rectangular distribution (JCGM 100:2008, 4.3.7), and so is half a step of its
last digit (F.2.2.1).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from audiomeas.bench.coverage import half_width_95
from audiomeas.errors import RequestError
from audiomeas.units import SQRT2, parse_level

#: Near this part of a slip's ratio a reading counts as that slip.
_SLIP_WITHIN = 0.05
#: Farther than this factor (1 dB) from what was expected, a reading is asked about, whatever the reason: a card's full
#: scale does not move so far (common practice), and an output taken too low by more plays beyond the gates' margin.
_UNUSUAL_FACTOR = 1.12

_ACCURACY = re.compile(r"^\s*([0-9]+(?:\.[0-9]+)?)\s*%\s*(?:\+\s*([0-9]+)\s*(?:digits?|counts?))?\s*$", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class Meter:
    """What a meter's maker states of it. percent : of the reading.  digits : of the last place.  Band in Hz."""

    name: str
    percent: float
    digits: int
    low_hz: float
    high_hz: float

    def refuse_outside(self, frequency_hz: float) -> None:
        """Raise RequestError when the meter's band does not reach a frequency."""
        if not self.low_hz <= frequency_hz <= self.high_hz:
            raise RequestError(
                f"the meter is stated for {self.low_hz:g} to {self.high_hz:g} Hz, not for {frequency_hz:g} Hz: use a "
                "meter whose AC band reaches it (--meter-low-hz, --meter-high-hz)"
            )

    def text(self) -> str:
        """Return the meter in words."""
        return f"{self.name}, {self.percent:g} % + {self.digits} digits, {self.low_hz:g} Hz to {self.high_hz:g} Hz"


def parse_accuracy(accuracy: str) -> tuple[float, int]:
    """Return percent of the reading and digits of an accuracy such as '0.8 % + 3 digits'. Raises RequestError."""
    match = _ACCURACY.match(accuracy)
    if match is None:
        raise RequestError(
            f"meter accuracy {accuracy!r} was not understood: write it as its maker does, '0.8 % + 3 digits'"
        )
    percent, digits = float(match.group(1)), int(match.group(2) or 0)
    if percent + digits <= 0.0 or percent > 10.0:
        raise RequestError(f"meter accuracy {accuracy!r} can't be used: above 0 and at most 10 % of the reading")
    return percent, digits


def parse_meter(name: str, accuracy: str, low_hz: float, high_hz: float) -> Meter:
    """Return a meter by what its maker states. Raises RequestError."""
    percent, digits = parse_accuracy(accuracy)
    if not (math.isfinite(low_hz) and math.isfinite(high_hz) and 0.0 < low_hz < high_hz):
        raise RequestError("the meter's band must run from a lower to a higher frequency, both above 0 Hz")
    if not name.strip():
        raise RequestError("name the meter (with its serial number): it is part of the calibration")
    return Meter(name=name.strip(), percent=percent, digits=digits, low_hz=low_hz, high_hz=high_hz)


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One reading. step : relative size of its last digit.  accuracy, resolution : relative rectangular half-widths."""

    text: str
    v_rms: float
    step: float
    accuracy: float
    decibels: bool

    @property
    def resolution(self) -> float:
        """Half a step of the last digit."""
        return 0.5 * self.step

    @property
    def limit(self) -> float:
        """How far (relative) a meter that keeps to its statement can be off."""
        return self.accuracy + self.resolution

    @property
    def half_width(self) -> float:
        """Relative 95 % half-width of the reading alone."""
        return half_width_95([self.accuracy, self.resolution])


def parse_reading(text: str, meter: Meter) -> Reading:
    """Read '0.952 V', '95.2 mV', '-0.43 dBV' or '1.79 dBu', each digit as the meter shows it. Raises RequestError."""
    wrong = RequestError(f"reading {text!r}: type what the meter shows, in V, mV, dBV or dBu, such as '95.2 mV'")
    try:
        level = parse_level(text)
    except RequestError:
        raise wrong from None
    if level.unit != "V":
        raise wrong
    number = re.match(r"\s*[-+−]?([0-9]*)(?:[.,]([0-9]+))?([eE][-+]?[0-9]+)?", text)
    assert number is not None
    last = 10.0 ** -len(number.group(2) or "") * float("1" + (number.group(3) or "e0"))
    decibels = "db" in text.lower()
    if decibels:
        step = 10.0 ** (last / 20.0) - 1.0
    else:
        digits = float(number.group(0).strip().replace(",", "."))
        step = last / digits
    if step > 0.05:
        raise RequestError(
            f"reading {text!r}: one step of its last digit is {100 * step:.0f} % of it: read all digits that the meter "
            "shows, on its lowest range that holds it"
        )
    accuracy = meter.percent / 100.0 + meter.digits * step
    return Reading(text=text.strip(), v_rms=level.value, step=step, accuracy=accuracy, decibels=decibels)


def slip(reading: Reading, expected_v_rms: float) -> str:
    """Say what a reading looks like when it is not near what was expected; '' when it is."""
    ratio = reading.v_rms / expected_v_rms
    for factor, words in _slips(decibels=reading.decibels):
        if abs(ratio / factor - 1.0) <= _SLIP_WITHIN:
            return words
    if not 1.0 / _UNUSUAL_FACTOR <= ratio <= _UNUSUAL_FACTOR:
        return f"a factor of {ratio:.3g} from what the calibration at hand expects"
    return ""


def _slips(*, decibels: bool) -> list[tuple[float, str]]:
    common = [(10.0**n, "a slip of the decimal point (or V for mV)") for n in (-3, -2, -1, 1, 2, 3)]
    if decibels:
        dbu_for_dbv, dbv_for_dbu = math.sqrt(0.6), 1.0 / math.sqrt(0.6)
        return [*common, (dbu_for_dbv, "dBV typed as dBu"), (dbv_for_dbu, "dBu typed as dBV")]
    return [*common, (SQRT2, "a peak value, not r.m.s."), (2.0 * SQRT2, "a peak-to-peak value, not r.m.s.")]
