"""What a dynamic range is told relative to: the unit's largest level by its tone, a stated one, or full scale."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import Part, scaled
from audiomeas.errors import RequestError
from audiomeas.measurement.scale_parts import load_parts, power_ohm, scale_parts
from audiomeas.measurement.steady import LEAST_RELATIVE

if TYPE_CHECKING:
    from audiomeas.analysis.tone import ToneAnalysis
    from audiomeas.recording import Recording
    from audiomeas.units import Level

#: The tone, raised, and the level that is stated differ by more than this: worth a word (dB).
_DIFFER_DB = 1.0


@dataclass(frozen=True, kw_only=True)
class Reference:
    """level : r.m.s., in the units of the channel's signal.   parts : relative, of its ratio to what the same channel
    reads; None: not known."""

    level: float
    parts: tuple[Part, ...] | None
    warnings: tuple[str, ...] = ()


def reference_of(
    recording: Recording, column: int, tone: ToneAnalysis, fall_db: float, options: Mapping[str, Any]
) -> Reference:
    """Return what a channel's dynamic range is relative to.

    Raises RequestError: a level in volts or watts without a calibration, watts without a load.
    """
    raised = tone.level_rms * 10.0 ** (fall_db / 20.0)
    maximum: Level | None = options["maximum_level"]
    if maximum is not None:
        return _stated(recording, column, maximum, raised, tone.frequency_hz)
    if options["reference"] == "capture":
        return Reference(level=recording.reference(column), parts=())
    own = Part("level of the tone", math.hypot(tone.level_uncertainty / tone.level_rms, LEAST_RELATIVE))
    return Reference(level=raised, parts=(own,), warnings=_doubts(recording, column, raised, fall_db))


def _doubts(recording: Recording, column: int, raised: float, fall_db: float) -> tuple[str, ...]:
    """Return a warning when only a person can know how far the tone lies below the largest level, and it looks odd."""
    over_db = 20.0 * math.log10(raised / recording.reference(column))
    if recording.stimulus is not None or over_db < _DIFFER_DB:
        return ()
    return (
        f"the tone, raised by {fall_db:g} dB, lies {over_db:.1f} dB above full scale of the capture: if it was played "
        "less far below the largest level, give fall_db, else the range is too large by the difference",
    )


def _stated(recording: Recording, column: int, maximum: Level, raised: float, frequency_hz: float) -> Reference:
    if maximum.unit == "FS":
        return Reference(level=maximum.value * recording.reference(column), parts=())
    if recording.scale_v(column) is None:
        raise RequestError(
            "maximum_level in volts or watts needs a calibrated capture: give --calibration, or the level in dBFS"
        )
    channel = recording.channels[column]
    level = maximum.v_rms(load_ohm=power_ohm(recording.conditions, channel, frequency_hz))
    if not level > 0.0:
        raise RequestError("maximum_level must be above zero")
    off_db = 20.0 * math.log10(raised / level)
    warnings = () if abs(off_db) < _DIFFER_DB else (
        f"the tone, raised by how far it was played below the largest level, lies {off_db:+.1f} dB from the maximum "
        "level that is stated: is that what the unit was set to?",
    )  # fmt: skip
    parts = scale_parts(recording, column)
    if parts is not None and maximum.unit == "W":
        of_load = load_parts(recording.conditions, channel, frequency_hz)
        # U = √(P·R): a relative change of R counts half.
        parts = None if of_load is None else (*parts, *scaled(of_load, 0.5))
    return Reference(level=level, parts=parts, warnings=warnings)
