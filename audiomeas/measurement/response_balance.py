"""Balance: how much louder a channel is than the first, at the reference and against frequency."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[Any]

_LIST_KEYS = ("balance_curve_db", "balance_curve_uncertainty_db")
_NUMBER_KEYS = ("balance_db", "balance_largest_db", "balance_largest_hz")
#: dB of a small relative change of amplitude.
_DB_PER_PART = 20.0 / math.log(10.0)


def list_keys() -> tuple[str, ...]:
    """Return the keys whose values are lists along frequency_hz."""
    return _LIST_KEYS


def number_keys() -> tuple[str, ...]:
    """Return the keys whose values are single numbers."""
    return _NUMBER_KEYS


def balance(
    frequency_hz: Floats,
    difference_db: Floats,
    uncertainty_db: Floats | None,
    *,
    reference: int,
    band_hz: tuple[float, float],
) -> tuple[dict[str, Any], dict[str, float]]:
    """Return the values and uncertainties of the balance.

    difference_db, uncertainty_db : (points,), gain of the channel over that of the first, and 95 % half-widths (None:
    not known).
    The largest (without its sign) is that within the band of the deviation.
    """
    from audiomeas.analysis.response_figures import deviation_within

    worst = deviation_within(frequency_hz, difference_db, *band_hz)
    values = {
        "balance_db": float(difference_db[reference]),
        "balance_largest_db": worst.largest_db,
        "balance_largest_hz": float(frequency_hz[worst.largest_index]),
        "balance_curve_db": [round(float(value), 6) for value in difference_db],
        "balance_curve_uncertainty_db": [None] * len(difference_db),
    }
    if uncertainty_db is None:
        return values, {}
    values["balance_curve_uncertainty_db"] = [round(float(value), 6) for value in uncertainty_db]
    return values, {
        "balance_db": float(uncertainty_db[reference]),
        "balance_largest_db": float(uncertainty_db[worst.largest_index]),
    }


def difference_uncertainty_db(
    noise: Floats, base_noise: Floats, scale: float | None, base_scale: float | None
) -> Floats | None:
    """Return the 95 % half-width of a difference of gains in dB, or None when a scale's is not known.

    All arguments: relative 95 % half-widths of each.
    """
    import numpy as np

    if scale is None or base_scale is None:
        return None
    return np.asarray(_DB_PER_PART * np.sqrt(noise**2 + base_noise**2 + scale**2 + base_scale**2))


def nothing(points: int) -> dict[str, Any]:
    """Return the values where there is no balance to tell."""
    return {**dict.fromkeys(_NUMBER_KEYS), **{key: [None] * points for key in _LIST_KEYS}}
