"""Whose clock captured: what was played and captured by two clocks is laid on the played time base before analysis.

Correction is made once for a whole recording, so that all its channels stay together, whatever is analysed in it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.sweeps import law_of

if TYPE_CHECKING:
    from audiomeas.analysis.sweep import SweepResponse
    from audiomeas.analysis.timebase import Markers, TimeBase
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Stimulus, Sweep

ONE = "one clock"
CORRECTED = "another clock, corrected"
UNKNOWN = "another clock, not known"
#: Beyond this a sweep that tells the clock by its growth alone is said to be off.
_LARGEST_PPM = 500.0
#: The delay that is removed is that of the impulse's peak: about where the sweep passes this part of its upper end.
_PEAK_PART = 0.5


def on_played_clock(recording: Recording, options: Mapping[str, Any]) -> Recording:
    """Return a recording of a sweep as it would be by the clock that played it, with what is known in its conditions.

    Conditions: `clock` in words; `clock_offset_ppm` (by how much the playing clock ran faster), `clock_drift_ppm` (its
    rise from marker to marker) and their 95 % half-widths; null where they can't be known. After two markers told them,
    the recording counts as one by one clock, and the place of the stimulus is known. A recording by one clock, one that
    was corrected already and one of no sweep come back as they are.
    Raises SignalError: silent, or off by more than 500 ppm.
    """
    known = recording.shared_clock or bool(options.get("same_clock"))
    if "clock" in recording.conditions:
        return recording
    sweep, starts = _sweep_in(recording.stimulus)
    if sweep is not None and sweep.sample_rate_hz != recording.sample_rate_hz:
        return recording  # what analyses it refuses it
    if known or sweep is None:
        return _with_conditions(recording, {"clock": ONE}) if known else recording
    signal, base = _corrected(recording, sweep, starts)
    told = base.told_by == "markers"
    if not told and len(starts) > 2:
        # Growth is not sure enough to keep many sweeps in step: their average finds each one's own place.
        return _with_conditions(recording, clock_facts(base))
    return dataclasses.replace(
        _with_conditions(recording, clock_facts(base)),
        counts_fs=signal,
        stimulus_start=base.start_frame,
        shared_clock=told,
        warnings=(*recording.warnings, *([] if told else _growth_words(base, recording.markers is not None))),
    )


def _with_conditions(recording: Recording, facts: Mapping[str, Any]) -> Recording:
    return dataclasses.replace(recording, conditions={**recording.conditions, **facts})


def _sweep_in(stimulus: Stimulus | None) -> tuple[Sweep | None, tuple[int, ...]]:
    """Return the sweep that a stimulus plays, and the frames at which it begins."""
    from audiomeas.stimulus import RepeatedSweeps, StaggeredSweeps, Sweep

    if isinstance(stimulus, StaggeredSweeps):
        return stimulus.sweep, tuple(stimulus.offset_frames(channel) for channel in stimulus.driven_channels)
    if isinstance(stimulus, RepeatedSweeps):
        return stimulus.sweep, tuple(number * stimulus.period_frames for number in range(stimulus.count))
    return (stimulus, (0,)) if isinstance(stimulus, Sweep) else (None, ())


def _corrected(recording: Recording, sweep: Sweep, starts: tuple[int, ...]) -> tuple[Any, TimeBase]:
    from audiomeas.analysis.timebase import on_played_time_base

    assert recording.stimulus is not None
    driven = [column for column, channel in enumerate(recording.channels) if channel in sweep.driven_channels]
    return on_played_time_base(
        recording.counts_fs,
        recording.sample_rate_hz,
        played=sweep.samples_v(),
        law=law_of(sweep),
        markers=_markers_of(recording),
        stimulus_frames=recording.stimulus.frames,
        sweep_starts=starts,
        start_frame=recording.stimulus_start,
        listen=driven or None,
    )


def _markers_of(recording: Recording) -> Markers | None:
    from audiomeas.analysis.timebase import Markers
    from audiomeas.stimulus.marker import MARKER_FROM_HZ, MARKER_TO_HZ, marker

    if recording.markers is None:
        return None
    return Markers(
        waveform=marker(recording.sample_rate_hz),
        from_hz=MARKER_FROM_HZ,
        to_hz=MARKER_TO_HZ,
        before=recording.markers[0],
        after=recording.markers[1],
    )


def clock_facts(base: TimeBase) -> dict[str, Any]:
    """Return what a recording's conditions say of its clock (see `on_played_clock`)."""
    return {
        "clock": CORRECTED if base.told_by == "markers" else UNKNOWN,
        "clock_offset_ppm": base.offset_ppm,
        "clock_offset_uncertainty_ppm": base.offset_uncertainty_ppm,
        "clock_drift_ppm": base.drift_ppm,
        "clock_drift_uncertainty_ppm": base.drift_uncertainty_ppm,
        "time_base": _time_base_words(base),
    }


def _time_base_words(base: TimeBase) -> str:
    if base.told_by == "markers":
        return (
            "from the markers before and after; a drift that does not run evenly would look like the unit's own delay"
        )
    return f"stretched by the sweep's own growth ({base.applied_ppm:+.1f} ppm, the unit's delay in it): gain only"


def _growth_words(base: TimeBase, marked: bool) -> list[str]:
    words = []
    if marked:
        words.append(
            "the markers before and after the sweep are not both in this capture, so clock offset and phase are not "
            "known: capture from before the first to after the last"
        )
    if abs(base.applied_ppm) > _LARGEST_PPM:
        words.append(_far_off_words(base.applied_ppm))
    return words


def _far_off_words(ppm: float) -> str:
    return (
        f"the sweep came back {ppm:+.0f} ppm off, more than two clocks are apart: another speed, or the "
        "unit's own delay; a stimulus with markers tells which (generate --markers)"
    )


def with_clock_doubt(found: SweepResponse, recording: Recording, sweep: Sweep) -> SweepResponse:
    """Return a response whose phase carries the uncertainty of the clocks' offset and drift.

    A delay that runs with the sweep's time becomes phase; one that is the same throughout is removed with the delay.
    """
    import numpy as np

    from audiomeas.analysis.timebase import delay_uncertainty_s

    offset_ppm = recording.conditions.get("clock_offset_uncertainty_ppm")
    drift_ppm = recording.conditions.get("clock_drift_uncertainty_ppm")
    if offset_ppm is None or drift_ppm is None:
        return found
    time_s = sweep.growth_s * np.log(found.frequency_hz / sweep.start_hz)
    delay_s = delay_uncertainty_s(
        time_s,
        sweep.time_of_hz(_PEAK_PART * sweep.full_to_hz),
        offset_ppm=offset_ppm,
        drift_ppm=drift_ppm,
    )
    doubt_deg = 360.0 * found.frequency_hz * delay_s
    return dataclasses.replace(found, phase_uncertainty_deg=np.hypot(found.phase_uncertainty_deg, doubt_deg))
