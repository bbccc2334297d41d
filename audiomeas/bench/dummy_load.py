"""A dummy load is a resistance and an inductance: its impedance, the watts it really takes, and what it stands.

Pure arithmetic: ohms, henries, watts, volts r.m.s. of a steady sine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from audiomeas.bench.load_power import LARGEST_INDUCTANCE_H
from audiomeas.bench.resistors import checked_ohm
from audiomeas.errors import RequestError
from audiomeas.units import SQRT2, w_to_v_rms

#: What a resistor made for a heatsink stands without one, as a share of its rating (common practice: 40 % or less).
SHARE_WITHOUT_HEATSINK = 0.4


@dataclass(frozen=True, kw_only=True)
class DummyLoad:
    """resistance_ohm, inductance_h in series; rated_w : as printed, on its heatsink. Raises RequestError."""

    resistance_ohm: float
    inductance_h: float
    rated_w: float
    on_heatsink: bool = False

    def __post_init__(self) -> None:
        checked_ohm(self.resistance_ohm, "a load")
        refuse_no_inductance(self.inductance_h)
        if not (math.isfinite(self.rated_w) and 0.01 <= self.rated_w <= 100_000.0):
            raise RequestError(f"a rating of {self.rated_w:g} W is none of a load: use 0.01 to 100000 W")

    @property
    def usable_w(self) -> float:
        """What it stands without end, as it is mounted."""
        return self.rated_w * (1.0 if self.on_heatsink else SHARE_WITHOUT_HEATSINK)

    @property
    def usable_v_rms(self) -> float:
        """The voltage at which it takes that, at low frequency."""
        return w_to_v_rms(self.usable_w, self.resistance_ohm)


def refuse_no_inductance(inductance_h: float) -> None:
    """Raise RequestError for what is no inductance of a load."""
    if not (math.isfinite(inductance_h) and 0.0 <= inductance_h <= LARGEST_INDUCTANCE_H):
        raise RequestError(
            f"an inductance of {1e6 * inductance_h:g} µH is none of a load: use 0 to {1e6 * LARGEST_INDUCTANCE_H:g} µH"
        )


@dataclass(frozen=True, kw_only=True)
class LoadPoint:
    """A load at one frequency and voltage.

    power_w : what it turns into heat.  v_squared_over_r_w : what U²/R says.  overstated_percent : how much that is too
    high.
    """

    frequency_hz: float
    impedance_ohm: float
    phase_deg: float
    power_w: float
    v_squared_over_r_w: float
    overstated_percent: float
    current_a_peak: float


def load_point(load: DummyLoad, *, frequency_hz: float, level_v_rms: float) -> LoadPoint:
    """Return a load's impedance and power at a frequency. Raises RequestError for a frequency that is none."""
    if not (math.isfinite(frequency_hz) and 0.0 < frequency_hz <= 1e6):
        raise RequestError(f"a frequency of {frequency_hz:g} Hz can't be used: give one above 0, up to 1000000 Hz")
    reactance_ohm = 2.0 * math.pi * frequency_hz * load.inductance_h
    impedance_ohm = math.hypot(load.resistance_ohm, reactance_ohm)
    taken_w = (level_v_rms / impedance_ohm) ** 2 * load.resistance_ohm
    simple_w = level_v_rms**2 / load.resistance_ohm
    return LoadPoint(
        frequency_hz=frequency_hz,
        impedance_ohm=impedance_ohm,
        phase_deg=math.degrees(math.atan2(reactance_ohm, load.resistance_ohm)),
        power_w=taken_w,
        v_squared_over_r_w=simple_w,
        overstated_percent=100.0 * (reactance_ohm / load.resistance_ohm) ** 2,
        current_a_peak=SQRT2 * level_v_rms / impedance_ohm,
    )


def objection(load: DummyLoad, level_v_rms: float) -> str | None:
    """Return why a load must not be driven so without end, in one line with what to do; None: nothing against it."""
    power_w = level_v_rms**2 / load.resistance_ohm
    if power_w <= load.usable_w * (1 + 1e-9):
        return None
    mounted = "as rated" if load.on_heatsink else "without its heatsink"
    return (
        f"{power_w:.3g} W are {power_w / load.usable_w:.2g} times what this load stands without end {mounted} "
        f"({load.usable_w:.3g} W, {load.usable_v_rms:.3g} V): use one that is rated higher, or mount it on its heatsink"
    )
