"""What 0 dB of rumble is: a band of a stated velocity, or an output stated for it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError
from audiomeas.measurement.attached import refuse_other_scale
from audiomeas.measurement.played_bands import by_frequency, coupling_of, found_bands, nearest

if TYPE_CHECKING:
    from audiomeas.analysis.tone_bands import Band
    from audiomeas.measurement.attached import Attached
    from audiomeas.recording import Recording

#: DIN 45539: 10 cm/s peak at 1 kHz, behind the equalization (confirmed; see tests/reference/rumble_weighting.csv).
_STANDARD_CM_S, STANDARD_HZ = 10.0, 1000.0
#: How a velocity is stated.
PEAK, RMS = "peak", "r.m.s."
_EQUALIZATION = "riaa"


@dataclass(frozen=True, kw_only=True)
class Reference:
    """What 0 dB is: a level by `analysis.rumble.SIGNALS` in the unit of the samples; its relative half-width; words.

    same_capture : the scale of the capture cancels in a ratio.
    """

    levels: tuple[float, ...]
    relative: float
    words: str
    same_capture: bool


def refuse_half_a_reference(options: Mapping[str, Any]) -> None:
    """Raise RequestError for a capture of a band whose velocity is not told."""
    if options["reference_level"] is not None:
        return
    if options["reference_from"] is not None and options["reference_cm_s"] is None:
        raise RequestError("give reference_cm_s too, the velocity of the band in reference_from")


def reference_of(
    recording: Recording, bands: Sequence[Band], options: Mapping[str, Any]
) -> tuple[Reference | None, list[str]]:
    """Return what 0 dB is, None where nothing tells it, and what is to be said of it. Raises RequestError."""
    if options["reference_level"] is not None:
        return _stated(recording, options["reference_level"])
    if options["reference_cm_s"] is None:
        return None, [
            f"no reference velocity is known: rumble is told {_alone(recording)}; play a band of the test record in "
            "the same capture and give reference_cm_s, or give reference_level, the output at 10 cm/s peak at 1 kHz"
        ]
    attached: Attached | None = options["reference_from"]
    source = recording if attached is None else attached.recording
    where = "the capture" if attached is None else attached.name
    if attached is not None:
        refuse_other_scale(attached, recording, "reference_from")
        bands, _ = found_bands(source)
    return _of_band(source, bands, options, where, same_capture=attached is None)


def _stated(recording: Recording, level: Any) -> tuple[Reference | None, list[str]]:
    if level.unit == "FS":
        found = [level.value * recording.reference(column) for column in range(2)]
    elif not recording.calibrated:
        return None, ["reference_level is in volts, and this capture has none: give it in dBFS, or a calibration"]
    else:
        found = [level.v_rms()] * 2
    both = 0.5 * sum(found)
    words = f"{level} at the output, stated for {_STANDARD_CM_S:g} cm/s peak at {STANDARD_HZ:g} Hz"
    return Reference(levels=(*found, both, both), relative=0.0, words=words, same_capture=False), []


def _alone(recording: Recording) -> str:
    """Return in which unit a level is told that stands below no reference."""
    return f"{'in volts' if recording.calibrated else 'in dBFS'} alone"


def _of_band(
    source: Recording, bands: Sequence[Band], options: Mapping[str, Any], where: str, *, same_capture: bool
) -> tuple[Reference | None, list[str]]:
    """Return the reference by a band of a stated velocity, at `reference_hz`."""
    groups = dict(by_frequency(bands))
    wanted_hz = nearest(list(groups), options["reference_hz"])
    if wanted_hz is None:
        heard = ", ".join(f"{hz:.0f} Hz" for hz in groups if hz > STANDARD_HZ / 5.0) or "no tone at all"
        return None, [
            f"no band near reference_hz of {options['reference_hz']:g} Hz is in {where} ({heard}): rumble is told "
            f"{_alone(source)}"
        ]
    levels: list[float | None] = [None, None]
    relative = 0.0
    # The reference plays in both channels; bands of one alone are there for their separation, at any velocity.
    both_play = [band for band in groups[wanted_hz] if band.alone is None]
    for band in both_play[:1] or groups[wanted_hz]:
        tone = coupling_of(source, band)
        relative = max(relative, tone.level_uncertainty / tone.level_rms)
        other = tone.level_rms * abs(tone.transfer)
        sides = {tone.louder: tone.level_rms, **({1 - tone.louder: other} if band.alone is None else {})}
        for column, level in sides.items():
            levels[column] = level if levels[column] is None else levels[column]
    found = [level for level in levels if level is not None]
    if len(found) < 2:
        return None, [f"the band near {wanted_hz:.0f} Hz in {where} plays in one channel alone: play both"]
    scale = _to_standard(options)
    own = [scale * level for level in found]
    both = 0.5 * sum(own)
    words = (
        f"{_STANDARD_CM_S:g} cm/s peak at {STANDARD_HZ:g} Hz, by the band of {options['reference_cm_s']:g} cm/s "
        f"{options['velocity']} at {options['reference_hz']:g} Hz in {where}"
    )
    said = (
        []
        if len(both_play) < 2
        else [f"{len(both_play)} bands near {wanted_hz:.0f} Hz play in both channels: the first is the reference"]
    )
    return Reference(levels=(*own, both, both), relative=relative, words=words, same_capture=same_capture), said


def _to_standard(options: Mapping[str, Any]) -> float:
    """Return by how much the standard's velocity is above the band's, behind the equalization of the stage."""
    import numpy as np

    from audiomeas.analysis.equalization_curves import equalization

    peak_cm_s = options["reference_cm_s"] * (math.sqrt(2.0) if options["velocity"] == RMS else 1.0)
    curve = np.abs(equalization(_EQUALIZATION).response(np.array([STANDARD_HZ, options["reference_hz"]])))
    return float(_STANDARD_CM_S / peak_cm_s * curve[0] / curve[1])
