"""The gain at 1 kHz that refers noise to the input: as given, of an earlier result, or of the bench's first look."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER, TWO_SIDED_95
from audiomeas.bench.parts import Part, combined, scaled
from audiomeas.errors import RequestError
from audiomeas.measurement.budget import GAIN
from audiomeas.measurement.noise_references import Gain
from audiomeas.measurement.steady import of_channel

if TYPE_CHECKING:
    from audiomeas.measurement.attached import AttachedResult
    from audiomeas.measurement.result import ChannelResult

#: A gain that the first look has found is good for this much at best, in dB; noise by itself moves it further.
_FIRST_LOOK, _FIRST_LOOK_DB = "first look", 0.1
#: Gains, and the levels that references state, are meant at this frequency.
REFERENCE_HZ = 1000.0
#: A tone this near to 1 kHz (relative) tells the gain there.
_NEAR = 0.1


def gain_at_1_khz(
    channel: int,
    options: Mapping[str, Any],
    conditions: Mapping[str, Any],
    *,
    calibrations: Sequence[Part] | None,
) -> Gain | None:
    """Return a channel's gain; None where nothing tells it.

    calibrations : relative parts that those of both ends leave in a gain found on this bench; None: not claimed.
    Raises RequestError for an earlier result that does not tell it.
    """
    if options["gain_db"] is not None:
        return Gain(db=options["gain_db"], uncertainty_db=0.0, origin="given")
    if options["gain_from"] is not None:
        return _from_result(channel, options["gain_from"])
    found = of_channel(conditions.get("first_look_gain_db", {}), channel)
    if found is None:
        return None
    noise_db = of_channel(conditions.get("first_look_noise_db", {}), channel) or 0.0
    if calibrations is None:
        return Gain(db=found, uncertainty_db=None, origin=_FIRST_LOOK)
    own = Part(GAIN, math.hypot(_FIRST_LOOK_DB, TWO_SIDED_95 * noise_db))
    parts = (own, *scaled(calibrations, DB_PER_NEPER))
    return Gain(db=found, uncertainty_db=combined(parts), origin=_FIRST_LOOK, parts=parts)


def _from_result(channel: int, attached: AttachedResult) -> Gain:
    where = f"gain_from {attached.name}"
    try:
        one = attached.result.channel(channel)
    except KeyError:
        raise RequestError(f"{where} has no channel {channel}: give a result of both channels") from None
    # Without volts at both ends a response is relative to a level in the file.
    conditions = attached.result.conditions
    if conditions.get("input_level_v_rms") is None or conditions.get("gain_reference", "absolute") != "absolute":
        raise RequestError(
            f"{where} was not measured in volts at input and output: give gain_db, or measure on a bench"
        )
    is_curve = isinstance(one.values.get("gain_db"), list)
    found = _of_lists(one) if is_curve else _of_tone(one)
    if found is None:
        raise RequestError(
            f"{where} does not tell the gain of channel {channel} at 1 kHz: give a response, or a tone near 1 kHz"
        )
    # A curve's points have no parts of their own: those of the gain where it refers to 1 kHz are the same.
    parts: tuple[Part, ...] = ()
    if not is_curve:
        parts = tuple(one.budget.get("gain_db", ()))
    elif conditions.get("reference_hz") == REFERENCE_HZ:
        parts = tuple(one.budget.get("gain_at_reference_db", ()))
    return Gain(db=found[0], uncertainty_db=found[1], origin=attached.name, parts=parts)


def _of_lists(one: ChannelResult) -> tuple[float, float | None] | None:
    """Return the gain of a response and its half-width, straight over log frequency between the points around 1 kHz."""
    frequency_hz, gain_db = one.values.get("frequency_hz") or [], one.values["gain_db"]
    widths = one.values.get("gain_uncertainty_db") or [None] * len(gain_db)
    points = [(hz, db, wide) for hz, db, wide in zip(frequency_hz, gain_db, widths, strict=True) if db is not None]
    below = [point for point in points if point[0] <= REFERENCE_HZ]
    above = [point for point in points if point[0] >= REFERENCE_HZ]
    if not below or not above:
        return None
    left, right = max(below), min(above)
    span = math.log(right[0] / left[0])
    part = math.log(REFERENCE_HZ / left[0]) / span if span > 0.0 else 0.0
    known = [wide for wide in (left[2], right[2]) if wide is not None]
    return left[1] + part * (right[1] - left[1]), max(known) if len(known) == 2 else None


def _of_tone(one: ChannelResult) -> tuple[float, float | None] | None:
    frequency_hz, gain_db = one.values.get("frequency_hz"), one.values.get("gain_db")
    if not isinstance(frequency_hz, float | int) or not isinstance(gain_db, float | int):
        return None
    if abs(frequency_hz / REFERENCE_HZ - 1.0) > _NEAR:
        return None
    return float(gain_db), one.uncertainty.get("gain_db")
