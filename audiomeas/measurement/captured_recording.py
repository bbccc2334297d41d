"""What a capture is as a recording: its scale, where the stimulus stands in it, under what it was made, and by whom."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.bench.opened import Bench
from audiomeas.interface.transport import Capture
from audiomeas.measurement.base import LISTEN_ONLY
from audiomeas.measurement.first_look import FirstLook
from audiomeas.measurement.scale_parts import input_level_conditions, scale_conditions
from audiomeas.measurement.trust import Aligned, over_range_frames
from audiomeas.recording import Provenance, Recording, step_of_codes
from audiomeas.stimulus import Stimulus, ToneAndSilence

#: Conditions that hold for what came through the unit from this bench, and not for what it plays by itself.
_NOT_OF_THE_HEARD = ("latency_frames", "polarity", "first_look_gain_db", "first_look_noise_db")


def recording_of(
    bench: Bench,
    look: FirstLook | None,
    capture: Capture,
    fractions: NDArray[np.float64],
    stimulus: Stimulus,
    *,
    aligned: Aligned | None,
    purpose: str,
    warnings: tuple[str, ...],
) -> Recording:
    """Return what was captured with its scale, conditions and provenance.

    look : the first look, once there is one.   fractions : (frames, channels), of the capture; none of what stays on
    the disk.   aligned : None when the capture was refused.   warnings : of the tries, beside the calibration's.
    """
    columns = [channel - 1 for channel in bench.channels]
    scales = [bench.input_scale(channel) for channel in bench.channels]
    # A calibration that does not hold here still makes volts (said with every result), but states no uncertainty.
    holds = bench.calibration_holds
    # Where nothing is driven, the level at the input is the first look's: the gain that refers noise to the input.
    outputs = [bench.output_scale(channel) for channel in stimulus.driven_channels or bench.channels]
    conditions = {
        **bench.conditions(),
        **bench.own_conditions(),
        "purpose": purpose,
        "driven_channels": list(stimulus.driven_channels),
        "input_level_v_rms": stimulus.level_v_rms,
        **(scale_conditions(bench.channels, scales) if holds else {}),
        **input_level_conditions(outputs if holds else None),
    }
    if stimulus.level_v_rms == 0.0 or isinstance(stimulus, ToneAndSilence):
        conditions.update(_quiet_conditions(bench, look))
    if aligned is not None:
        conditions["latency_frames"] = aligned.latency_frames
        conditions["polarity"] = {str(channel): sign for channel, sign in aligned.polarity.items()}
    return Recording(
        counts_fs=fractions[:, columns],
        sample_rate_hz=capture.form.sample_rate_hz,
        channels=bench.channels,
        v_rms_at_full_scale=tuple(scale.v_rms_at_full_scale for scale in scales),
        scale_uncertainty=tuple(scale.uncertainty if holds else None for scale in scales),
        stimulus=stimulus,
        stimulus_start=None if aligned is None else aligned.stimulus_start,
        stimulus_in_volts=True,
        shared_clock=True,
        over_range=over_range_frames(capture, bench.channels),
        # What stays on the disk tells its step when it is read.
        resolution_fs=step_of_codes(capture.samples[:, columns], capture.form.sample_format)
        if len(fractions) == len(capture.samples)
        else None,
        conditions=conditions,
        warnings=(*bench.warnings(), *warnings),
        provenance=Provenance(
            interface=capture.identity.name,
            host_api=capture.identity.host_api,
            started_at=capture.started_at.isoformat(timespec="seconds"),
            simulated=capture.identity.simulated,
            hashes=bench.hashes(),
            flags=tuple(f"frame {frame}: {flag}" for frame, flag in capture.flags),
            stopped=capture.stopped,
        ),
    )


def _quiet_conditions(bench: Bench, look: FirstLook | None) -> dict[str, Any]:
    """Return what tells noise from the bench's own, and refers it to the input: gains found, range, card noise."""
    conditions = bench.noise_conditions()
    if look is not None:
        heard = [channel for channel in bench.channels if channel not in look.silent]
        conditions["first_look_gain_db"] = {str(n): look.gain_at_db(n, 1000.0) for n in heard}
        conditions["first_look_noise_db"] = {str(n): look.noise_at_db(n, 1000.0) for n in heard}
    return conditions


def of_heard(recording: Recording) -> Recording:
    """Return a recording of which only what was heard is known: nothing was sent."""
    known = {key: value for key, value in recording.conditions.items() if key not in _NOT_OF_THE_HEARD}
    return dataclasses.replace(recording, conditions={**known, LISTEN_ONLY: True})
