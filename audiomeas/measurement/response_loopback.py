"""Compensation of a response by a loopback: whether the loopback fits the capture, and what is said of it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError
from audiomeas.measurement.repeats import averaged
from audiomeas.measurement.response_limits import is_absolute, on_one_clock

if TYPE_CHECKING:
    from audiomeas.analysis.sweep import SweepResponse
    from audiomeas.measurement.attached import Attached
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Stimulus, Sweep

Found = Mapping[int, "SweepResponse"]
#: Analyses some columns of a recording of a sweep: returns column → response, and why others have none.
Analyse = Callable[["Recording", "Sweep", list[int]], tuple[Found, list[str]]]
#: What is to be done about a loopback that does not fit.
AGAIN = "capture the loopback again, as the unit"


def compensated(
    found: Found, recording: Recording, sweep: Sweep, played: Stimulus | None, options: Mapping[str, Any],
    analyse: Analyse,
) -> tuple[dict[int, SweepResponse], dict[str, Any]]:  # fmt: skip
    """Return the responses divided by those of the loopback, and its conditions; as they are when there is none.

    played : the stimulus of the capture, for a loopback whose file does not say what was played.
    Raises SignalError: a loopback of another sweep, rate, range or channel, damaged, or off by more than 3 dB.
    """
    from audiomeas.analysis.loopback import without_loopback

    attached: Attached | None = options.get("loopback")
    if attached is None:
        return dict(found), {}
    where = f"the loopback {attached.name}"
    loop, loop_sweep = _one_sweep(attached, played, where)
    _refuse_other(recording, sweep, loop, loop_sweep, where)
    if on_one_clock(recording, options) and not on_one_clock(loop, options):
        raise SignalError(f"{where} is not known to be on one clock: capture it on the bench, as the unit was")
    bases = _bases(found, recording, sweep, loop, where, analyse)
    with_level = is_absolute(recording, list(found)) and is_absolute(loop, [loop.column(n) for n in bases])
    results, corrections = {}, []
    for column, one in found.items():
        channel = recording.channels[column]
        results[column], correction = without_loopback(
            one, bases[channel], options["reference_hz"], with_level=with_level
        )
        corrections.append(correction)
    worst = max(corrections, key=lambda correction: abs(correction.largest_db))
    return results, {
        "loopback": {
            "file": attached.name,
            "sha256": attached.sha256,
            "largest_correction_db": worst.largest_db,
            "at_hz": worst.at_hz,
            "level": "taken out as well" if with_level else f"1 at {options['reference_hz']:g} Hz",
        },
        "compensation": "gain and phase divided by those of the loopback of each channel; harmonics are as captured",
    }


def _one_sweep(attached: Attached, played: Stimulus | None, where: str) -> tuple[Recording, Sweep]:
    from audiomeas.stimulus import Sweep

    loop = attached.recording
    if loop.stimulus is None:
        loop = dataclasses.replace(loop, stimulus=played, stimulus_start=None)
    try:
        loop = averaged(loop)
    except SignalError as error:
        raise SignalError(f"{where}: {error}") from None
    if not isinstance(loop.stimulus, Sweep):
        kind = loop.stimulus.kind if loop.stimulus else "unknown"
        raise SignalError(f"{where} holds no sweep ({kind}): capture the sweep of this measurement through it")
    return loop, loop.stimulus


def _refuse_other(recording: Recording, sweep: Sweep, loop: Recording, loop_sweep: Sweep, where: str) -> None:
    if loop.sample_rate_hz != recording.sample_rate_hz:
        raise SignalError(
            f"{where} has {loop.sample_rate_hz:g} Hz sample rate, the capture {recording.sample_rate_hz:g} Hz: {AGAIN}"
        )
    same_level = dataclasses.replace(loop_sweep, level_v_rms=sweep.level_v_rms, driven_channels=sweep.driven_channels)
    if same_level != sweep:
        raise SignalError(
            f"{where} is of another sweep ({loop_sweep.full_from_hz:.4g} to {loop_sweep.full_to_hz:.5g} Hz in "
            f"{loop_sweep.frames / loop_sweep.sample_rate_hz:.3g} s): {AGAIN}"
        )
    refuse_other_bench(loop, recording, where)


def refuse_other_bench(loop: Recording, recording: Recording, where: str) -> None:
    """Raise SignalError for a loopback of a bench that is simulated where the capture's is not, or of another range."""
    if loop.provenance.simulated != recording.provenance.simulated:
        raise SignalError(f"{where} and the capture are not both of a real bench (one is SIMULATED): {AGAIN}")
    mine, other = recording.conditions.get("range"), loop.conditions.get("range")
    if mine and other and mine != other:
        raise SignalError(f"{where} was captured at the range {_words(other)}, the unit at {_words(mine)}: {AGAIN}")


def _words(ranges: Any) -> str:
    return ", ".join(sorted(map(repr, set(ranges.values())))) if isinstance(ranges, Mapping) else f"{ranges}"


def _bases(
    found: Found, recording: Recording, sweep: Sweep, loop: Recording, where: str, analyse: Analyse
) -> dict[int, SweepResponse]:
    """Return channel → response of the loopback, for each channel that is to be divided."""
    wanted = [recording.channels[column] for column in found]
    missing = [channel for channel in wanted if channel not in loop.channels]
    if missing:
        raise SignalError(f"{where} holds no channel {missing[0]}: capture the loopback of all channels")
    responses, refusals = analyse(loop, sweep, [loop.column(channel) for channel in wanted])
    if refusals:
        raise SignalError(f"{where}: {refusals[0]}")
    for column, one in responses.items():
        if one.damage is not None:
            raise SignalError(
                f"{where}, channel {loop.channels[column]}: damaged {one.damage.time_s:.2f} s after the sweep's "
                "beginning; capture it again"
            )
    return {loop.channels[column]: one for column, one in responses.items()}
