"""What calibrations and loads put into an uncertainty: kept as conditions of a recording, read back as parts.

A gain is a ratio of two volts, and a balance one of two channels: an error that both share (one meter has calibrated
both, or the output has calibrated the input) cancels there. Parts carry their source, so that it does.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from audiomeas.bench.load_power import power_resistance_ohm, power_sensitivities
from audiomeas.bench.parts import Part, combined, part_facts, parts_from, scaled
from audiomeas.measurement.steady import of_channel, scale_uncertainty

if TYPE_CHECKING:
    from audiomeas.bench.calibration import Scale
    from audiomeas.measurement.result import ChannelResult
    from audiomeas.recording import Recording

#: Conditions: parts by channel, relative.
_SCALES, _INPUTS = "scale_parts", "input_level_parts"
#: Names of components, the same in every budget.
INPUT_CALIBRATION = "input calibration"
OUTPUT_CALIBRATION = "output calibration"
LOAD = "load resistance"
LOAD_INDUCTANCE = "load inductance"


def scale_conditions(channels: Sequence[int], scales: Sequence[Scale]) -> dict[str, Any]:
    """Return, as conditions, the parts of the inputs' calibrations."""
    parts = {str(channel): part_facts(scale.known_parts()) for channel, scale in zip(channels, scales, strict=True)}
    return {_SCALES: parts}


def input_level_conditions(outputs: Sequence[Scale] | None) -> dict[str, Any]:
    """Return, as conditions, how well the level at the unit's input is known. outputs : driven; None: not claimed."""
    if outputs is None:
        return {"input_level_uncertainty": None}
    return {
        "input_level_uncertainty": max((scale.uncertainty for scale in outputs), default=0.0),
        _INPUTS: {str(scale.channel): part_facts(scale.known_parts()) for scale in outputs},
    }


def scale_parts(recording: Recording, column: int) -> tuple[Part, ...] | None:
    """Return the relative parts of a channel's volts; None: not claimed."""
    whole = scale_uncertainty(recording, column)
    if whole is None:
        return None
    return _known(recording.conditions, _SCALES, recording.channels[column], INPUT_CALIBRATION, whole)


def gain_parts(recording: Recording, column: int) -> tuple[Part, ...] | None:
    """Return the relative parts that both calibrations leave of a channel's absolute gain; None: not claimed.

    Captured volts rest on the input's calibration, those at the unit's input on the output's.
    """
    return ratio_parts(scale_parts(recording, column), input_level_parts(recording, column))


def input_level_parts(recording: Recording, column: int) -> tuple[Part, ...] | None:
    """Return the relative parts of a channel's level at the unit's input; None: not claimed."""
    whole = recording.conditions.get("input_level_uncertainty")
    if whole is None:
        return None
    return _known(recording.conditions, _INPUTS, recording.channels[column], OUTPUT_CALIBRATION, float(whole))


def load_parts(
    conditions: Mapping[str, Any], channel: int, frequency_hz: float | None = None
) -> tuple[Part, ...] | None:
    """Return the relative parts that a load leaves in a power; None: not known.

    A bench file states half-widths only: they are taken as rectangular, the careful side beside other parts.
    frequency_hz : where the load's inductance counts too; None: of the resistance alone.
    """
    whole = of_channel(conditions.get("load_uncertainty"), channel)
    if whole is None:
        return None
    inductance_h = of_channel(conditions.get("load_inductance_h"), channel)
    load_ohm = of_channel(conditions.get("load_ohm"), channel)
    if not inductance_h or load_ohm is None or frequency_hz is None:
        return (Part(LOAD, whole, "rectangular"),)
    of_resistance, of_inductance = power_sensitivities(load_ohm, inductance_h, frequency_hz)
    half_h = of_channel(conditions.get("load_inductance_uncertainty_h"), channel) or 0.0
    return (
        Part(LOAD, abs(of_resistance) * whole, "rectangular"),
        Part(LOAD_INDUCTANCE, abs(of_inductance) * half_h / inductance_h, "rectangular"),
    )


def power_ohm(conditions: Mapping[str, Any], channel: int, frequency_hz: float | None) -> float | None:
    """Return the resistance with which U²/R is the power into a channel's load at a frequency; None without a load.

    frequency_hz : None where it is not known; an inductive load's power isn't, then.
    """
    load_ohm = of_channel(conditions.get("load_ohm"), channel)
    inductance_h = of_channel(conditions.get("load_inductance_h"), channel) or 0.0
    if load_ohm is None or (frequency_hz is None and inductance_h > 0.0):
        return None
    return power_resistance_ohm(load_ohm, inductance_h, frequency_hz or 0.0)


def power_half_width(
    power_w: float, channel: ChannelResult, conditions: Mapping[str, Any], frequency_hz: float | None
) -> float | None:
    """Return the 95 % half-width of a power told by a voltage and `power_ohm`; None: not known.

    A relative change of U counts twice, one of the load about once.
    """
    level_v_rms, half = channel.values["level_v_rms"], channel.uncertainty.get("level_v_rms")
    of_load = load_parts(conditions, channel.channel, frequency_hz)
    if half is None or of_load is None or level_v_rms <= 0.0:
        return None
    level = channel.budget.get("level_v_rms") or (Part("level", half, "rectangular"),)
    return power_w * combined((*scaled(level, 2.0 / level_v_rms), *of_load))


def ratio_parts(parts: Sequence[Part] | None, other: Sequence[Part] | None) -> tuple[Part, ...] | None:
    """Return the parts of a ratio: of the one, and with the other sign of the other; None: not claimed."""
    return None if parts is None or other is None else (*parts, *scaled(other, -1.0))


def between_parts(recording: Recording, column: int, other: int) -> tuple[Part, ...] | None:
    """Return the relative parts of a ratio of two channels' levels; none uncalibrated, None: not claimed."""
    if not recording.calibrated:
        return ()
    return ratio_parts(scale_parts(recording, column), scale_parts(recording, other))


def _known(conditions: Mapping[str, Any], key: str, channel: int, owner: str, whole: float) -> tuple[Part, ...]:
    """Return the parts that conditions keep, named after their owner; without them one of the whole half-width."""
    rows = conditions.get(key, {}).get(str(channel))
    if rows is None:
        return (Part(owner, whole, "rectangular"),)
    return tuple(
        replace(part, component=f"{owner}: {part.component}" if part.component else owner) for part in parts_from(rows)
    )
