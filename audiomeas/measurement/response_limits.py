"""What a sweep can carry of what is asked of a response: its band, its reference, its clock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError

if TYPE_CHECKING:
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Sweep

#: Up to this part of the sample rate a sweep is exact (20 kHz at 44.1 kHz): above, converters fall off.
HIGHEST_PART = 0.4536


#: A sweep takes at least this many periods of its lowest frequency (2 s at 20 Hz), and at least 2 s: then the gain at
#: that frequency is exact to 0.001 dB (found with exact chains, from 10 Hz, at 44.1 to 192 kHz).
_PERIODS, _SHORTEST_S, _LONGEST_S = 40.0, 2.0, 60.0


def sweep_duration_s(options: Mapping[str, Any]) -> float:
    """Return the length of the sweep: what was asked for, else what its lowest frequency needs."""
    wished_s = options["duration_s"]
    needed_s = min(max(_SHORTEST_S, _PERIODS / float(options["from_hz"])), _LONGEST_S)
    return needed_s if wished_s is None else float(wished_s)


def refuse_reference_outside(sweep: Sweep, options: Mapping[str, Any]) -> None:
    """Raise SignalError when the reference lies outside what was swept at full level."""
    if not sweep.full_from_hz <= options["reference_hz"] <= sweep.full_to_hz:
        raise SignalError(
            f"the reference of {options['reference_hz']:g} Hz lies outside the sweep, which has full level from "
            f"{sweep.full_from_hz:.4g} to {sweep.full_to_hz:.5g} Hz: give another reference_hz"
        )


def deviation_band(sweep: Sweep, options: Mapping[str, Any]) -> tuple[float, float]:
    """Return the part of the band asked for that was swept. Raises SignalError when there is none."""
    low_hz, high_hz = max(options["low_hz"], sweep.full_from_hz), min(options["high_hz"], sweep.full_to_hz)
    if not low_hz < high_hz:
        raise SignalError(
            f"no part of {options['low_hz']:g} to {options['high_hz']:g} Hz was swept: the sweep has full level from "
            f"{sweep.full_from_hz:.4g} to {sweep.full_to_hz:.5g} Hz; set low_hz and high_hz"
        )
    return low_hz, high_hz


def band_warnings(sweep: Sweep, options: Mapping[str, Any]) -> list[str]:
    """Return what is said when less was swept than was asked for."""
    warnings = []
    wished_hz = options.get("to_hz")
    highest_hz = HIGHEST_PART * sweep.sample_rate_hz
    if wished_hz is not None and wished_hz > highest_hz and sweep.full_to_hz < wished_hz:
        warnings.append(
            f"asked for up to {wished_hz:g} Hz, measured up to {sweep.full_to_hz:.5g} Hz: the sample rate of "
            f"{sweep.sample_rate_hz:g} Hz carries no more; choose a higher rate"
        )
    low_hz, high_hz = deviation_band(sweep, options)
    if (low_hz, high_hz) != (options["low_hz"], options["high_hz"]):
        warnings.append(
            f"the deviation is taken from {low_hz:.4g} to {high_hz:.5g} Hz, not from {options['low_hz']:g} to "
            f"{options['high_hz']:g} Hz: the sweep reaches no further"
        )
    return warnings


def is_absolute(recording: Recording, columns: Sequence[int]) -> bool:
    """Gain is volts over volts: the stimulus' volts are true, and so are those of every channel."""
    known = all(recording.v_rms_at_full_scale[column] is not None for column in columns)
    return recording.stimulus_in_volts and known


def on_one_clock(recording: Recording, options: Mapping[str, Any]) -> bool:
    """Return whether played and captured are known to share a clock: from the bench, or as the person says."""
    return recording.shared_clock or bool(options.get("same_clock"))
