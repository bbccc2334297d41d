"""The conditions of a response, and what is said of a sweep that was damaged."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.bench_own import own_words
from audiomeas.measurement.clock import CORRECTED
from audiomeas.measurement.response_ends import CORNER_WORDS
from audiomeas.measurement.response_limits import deviation_band, is_absolute, on_one_clock
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.scale_parts import gain_parts

if TYPE_CHECKING:
    from audiomeas.analysis.sweep import SweepResponse
    from audiomeas.analysis.sweep_breaks import SweepBreak
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Sweep


def _phase_words(same_clock: bool) -> str:
    if same_clock:
        return "after removing each channel's own delay (the time of its impulse's peak)"
    return (
        "not known: play and capture are not known to share a clock; a stimulus with markers tells it "
        "(generate --markers), or same_clock says that they do"
    )


def _alignment_words(recording: Recording, start_known: bool) -> str:
    if recording.conditions.get("clock") == CORRECTED:
        return "found by the markers"
    return "known from the bench" if start_known else "found by the sweep itself"


def _window(window_s: Any) -> dict[str, Any]:
    """Return how long the impulse response was kept, and what that means, in words."""
    shortest_s, longest_s = float(min(window_s)), float(max(window_s))
    return {
        "impulse_kept_s": [shortest_s, longest_s],
        "resolution_hz": [1.0 / longest_s, 1.0 / shortest_s],
        "impulse_window": f"at each frequency the shortest time after the peak ({shortest_s:.3g} s in the treble to "
        f"{longest_s:.3g} s in the bass) whose result noise does not tell from that of a longer one; what is narrower "
        f"than {1.0 / longest_s:.3g} Hz in the bass and {1.0 / shortest_s:.3g} Hz in the treble is smoothed",
    }


def conditions_of(
    recording: Recording, sweep: Sweep, found: Mapping[int, SweepResponse], options: Mapping[str, Any]
) -> dict[str, Any]:
    """Return everything that makes the figures comparable; `found` holds at least one channel."""
    one = next(iter(found.values()))
    reference_hz = options["reference_hz"]
    low_hz, high_hz = deviation_band(sweep, options)
    absolute = is_absolute(recording, list(found))
    return {
        "method": "synchronized exponential sweep, deconvolved",
        "sweep_from_hz": sweep.start_hz,
        "sweep_to_hz": sweep.stop_hz,
        "sweep_s": sweep.frames / sweep.sample_rate_hz,
        "input_level_v_rms": sweep.level_v_rms if recording.stimulus_in_volts else None,
        "channels_driven": list(sweep.driven_channels),
        "reference_hz": reference_hz,
        "uncertainty_covers": uncertainty_covers(recording, absolute, divided=options.get("loopback") is not None),
        "gain_reference": "absolute" if absolute else f"0 dB at {reference_hz:g} Hz",
        "points_per_octave": int(options["points_per_octave"]),
        "alignment": _alignment_words(recording, one.start_known),
        "phase": _phase_words(on_one_clock(recording, options)),
        **_window(one.window_s),
        "deviation_band_hz": [low_hz, high_hz],
        "corners": CORNER_WORDS,
        "harmonics": "relative to the fundamental, against the fundamental's frequency",
    }


def uncertainty_covers(recording: Recording, absolute: bool, *, divided: bool = False) -> str:
    """Return what the half-widths of gain hold. divided : by a loopback, so that the bench's own response is out."""
    own = "the response of the bench is divided out" if divided else own_words(recording, taken_off="")
    return f"{_known_parts(recording, absolute)}; {own}"


def _known_parts(recording: Recording, absolute: bool) -> str:
    if not absolute:
        return "noise and method"
    if any(gain_parts(recording, column) is None for column in range(len(recording.channels))):
        return (
            "noise and method, of the shape; that of the gain itself is not known: a calibration does not state its own"
        )
    return "noise, method, and the calibrations of output and input"


def damage_words(damage: SweepBreak) -> str:
    """Return what happened in a sweep whose figures can't be trusted, when, and the way out."""
    what = {
        "lost": f"{abs(damage.size):.0f} frames were {'lost' if damage.size > 0 else 'repeated'}",
        "level": f"the level steps by {damage.size:+.2f} dB",
        "event": "a click or a lost sample",
    }[damage.kind]
    return (
        f"{what} near {hertz(damage.frequency_hz)} ({damage.time_s:.2f} s after the sweep's beginning): no figure of "
        "this capture can be trusted; capture it again"
    )
