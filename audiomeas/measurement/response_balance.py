"""Balance: how much louder a channel is than the first, at the reference and against frequency."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import Part, combined_over
from audiomeas.measurement.budget import NOISE_AND_FIT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from audiomeas.measurement.budget import Told

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


@dataclass(frozen=True)
class Difference:
    """A difference of gains, and what its uncertainty is made of.

    level_db : (points,).  scale : relative parts that are the same at all points; None: not known.  noise : (points,),
    relative 95 % half-widths of what differs from point to point.
    """

    level_db: Floats
    scale: tuple[Part, ...] | None
    noise: Floats

    def half_db(self) -> Floats | None:
        """Return the 95 % half-widths in dB, (points,); None: not known."""
        return None if self.scale is None else _DB_PER_PART * combined_over(self.scale, self.noise)

    def parts(self, index: int) -> tuple[Part, ...] | None:
        """Return the relative parts at one point; None: not known."""
        return None if self.scale is None else (*self.scale, Part(NOISE_AND_FIT, float(self.noise[index])))


def tell_balance(
    told: Told, frequency_hz: Floats, difference: Difference, *, reference: int, band_hz: tuple[float, float]
) -> None:
    """Tell the balance: gain of the channel over that of the first, and its half-widths (None: not known).

    The largest (without its sign) is that within the band of the deviation.
    """
    from audiomeas.analysis.response_figures import deviation_within

    level_db, half_db = difference.level_db, difference.half_db()
    worst = deviation_within(frequency_hz, level_db, *band_hz)
    told.values.update(
        balance_db=float(level_db[reference]),
        balance_largest_db=worst.largest_db,
        balance_largest_hz=float(frequency_hz[worst.largest_index]),
        balance_curve_db=[round(float(value), 6) for value in level_db],
        balance_curve_uncertainty_db=[None] * len(level_db)
        if half_db is None
        else [round(float(value), 6) for value in half_db],
    )
    for key, index in (("balance_db", reference), ("balance_largest_db", worst.largest_index)):
        parts = difference.parts(index)
        if parts is not None:
            told.add(key, parts, _DB_PER_PART)


def nothing(points: int) -> dict[str, Any]:
    """Return the values where there is no balance to tell."""
    return {**dict.fromkeys(_NUMBER_KEYS), **{key: [None] * points for key in _LIST_KEYS}}
