"""Where a response ends: corners at exact drops below the reference, and the first-order filters that explain both."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.response_views import hertz

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[Any]

#: Half the power: what the trade calls the −3 dB point.
_HALF_POWER_DB = 10.0 * math.log10(0.5)
#: Name within the keys → drop in dB. The corner without a name in its key is that of half the power.
DROPS_DB = {"": _HALF_POWER_DB, "1_db_": -1.0, "0_5_db_": -0.5}
ENDS = ("low", "high")
#: A crossing that noise moves by less than this is believed as it stands.
_CLEAR_DB = 0.1
#: One of the many points of a noisy curve passes its 95 % half-width easily, and this many of them hardly.
_SURE = 2.0
#: Said with every result.
CORNER_WORDS = "0.5, 1 and 3.01 dB (half the power) below the gain at the reference"


def corner_keys() -> tuple[str, ...]:
    """Return the keys of all corners and their notes."""
    names = [f"corner_{end}_{drop}" for end in ENDS for drop in DROPS_DB]
    return tuple(f"{name}{what}" for name in names for what in ("hz", "note"))


def corners(
    frequency_hz: Floats, relative_db: Floats, uncertainty_db: Floats, reference: int
) -> tuple[dict[str, Any], dict[str, float]]:
    """Return the values and uncertainties of all corners; one that was not reached, or that noise may have made,
    is null, and a note says so.

    relative_db, uncertainty_db : (points,), dB relative to the reference, and 95 % half-widths.
    """
    from audiomeas.analysis.response_figures import corner

    values: dict[str, Any] = {}
    uncertainty: dict[str, float] = {}
    for end in ENDS:
        for name, drop_db in DROPS_DB.items():
            key, upwards = f"corner_{end}_{name}hz", end == "high"
            found = corner(frequency_hz, relative_db, reference, upwards=upwards, drop_db=drop_db)
            values[key] = found.frequency_hz
            values[key.replace("_hz", "_note")] = None
            if found.frequency_hz is None:
                values[key.replace("_hz", "_note")] = f"{'above' if upwards else 'below'} {hertz(found.beyond_hz)}"
                continue
            noise_db = math.hypot(uncertainty_db[reference], uncertainty_db[found.index])
            highest_db = relative_db + _SURE * (uncertainty_db + uncertainty_db[reference])
            beyond_db = highest_db[found.index :] if upwards else highest_db[: found.index + 1]
            if noise_db > _CLEAR_DB and not (beyond_db < drop_db).any():
                values[key], values[key.replace("_hz", "_note")] = None, "lost in noise"
                continue
            uncertainty[key] = found.frequency_hz * noise_db / max(abs(found.slope_db), 1e-9)
    return values, uncertainty


#: Why there is no time constant, in words.
_WHY = {
    "flat": "the response is too flat there to tell one",
    "other": "falls, and not as one first-order filter does",
    "few": "too few points on this side of the reference",
}


def time_constant_keys() -> tuple[str, ...]:
    """Return the keys of the fitted time constants and their notes."""
    return tuple(f"{name}_{end}_{unit}" for end in ENDS for name, unit in _TIME_CONSTANT_NAMES)


_TIME_CONSTANT_NAMES = (("time_constant", "s"), ("first_order", "hz"), ("first_order", "note"))


def time_constants(
    frequency_hz: Floats, gain: Floats, gain_uncertainty: Floats, reference_hz: float
) -> tuple[dict[str, Any], dict[str, float]]:
    """Return the first-order high-pass and low-pass that explain the ends; null, with a note, where none does."""
    from audiomeas.analysis.first_order import first_order_ends

    values: dict[str, Any] = {}
    uncertainty: dict[str, float] = {}
    found = first_order_ends(frequency_hz, gain, gain_uncertainty, reference_hz)
    for end, one in zip(ENDS, found, strict=True):
        tau, hz = f"time_constant_{end}_s", f"first_order_{end}_hz"
        values |= {tau: one.tau_s, hz: one.corner_hz, f"first_order_{end}_note": _WHY.get(one.why)}
        if one.tau_s is not None:
            uncertainty |= {tau: one.tau_uncertainty_s, hz: one.corner_uncertainty_hz}
    return values, uncertainty
