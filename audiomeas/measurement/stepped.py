"""What measurements by stepped sines share: where each step stands in a capture, and whether it can be analysed."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError
from audiomeas.measurement.steady import DB_PER_NEPER
from audiomeas.measurement.sweeps import refuse_other_rate

if TYPE_CHECKING:
    from audiomeas.recording import Recording
    from audiomeas.stimulus import SteppedSines, Stimulus

#: More steps than this take minutes and belong into several captures.
MOST_STEPS = 500
#: Where the capture's own clock moves the steps, windows are taken earlier by this part of the settling.
_EARLIER = 0.25
#: Blocks between which a step's phase and level are compared: so short that a step has ten of them.
_BLOCK_S, _BLOCK_PERIODS = 0.005, 2
#: Normalised correlation of a capture with its steps: a heavy equalizer leaves a half, noise a hundredth.
_LEAST_SIMILARITY = 0.1
#: The same for one tone: any steady tone is somewhat like it, its own steps are nearly the same.
_LEAST_SIMILARITY_OF_ONE_TONE = 0.8


@dataclasses.dataclass(frozen=True)
class Step:
    """One step as played, and where it stands in the capture."""

    frequency_hz: float
    level_v_rms: float
    fall_db: float
    span: slice


def steps_of(recording: Recording, word: str) -> SteppedSines:
    """Return the steps that a recording goes with. word : the measurement that asks. Raises SignalError."""
    from audiomeas.stimulus import SteppedSines

    stimulus = recording.stimulus
    if stimulus is None:
        raise SignalError(f"{word} needs the steps that were played: give them with --stimulus FILE")
    if not isinstance(stimulus, SteppedSines):
        raise SignalError(
            f"{word} needs stepped sines, and the stimulus of this capture is {stimulus.kind!r}: give the "
            "steps that were played with --stimulus FILE, or use the measurement that the stimulus is for"
        )
    refuse_other_rate(recording, stimulus, "steps")
    return stimulus


def aligned(recording: Recording, stimulus: Stimulus, *, what: str = "steps", one_tone: bool = False) -> Recording:
    """Return the recording with the stimulus found in its loudest driven channel. Raises SignalError.

    what : is played, in the plural.   one_tone : all of them are of one tone, so that they look nearly alike a period
    later: the place is then found to a period only, and likeness alone must tell that it is the stimulus.
    """
    import numpy as np

    from audiomeas.analysis.alignment import find

    played = stimulus.samples_v()
    if recording.frames < len(played):
        raise SignalError(
            f"the capture is cut: it lasts {recording.frames / recording.sample_rate_hz:.2f} s, its {what} "
            f"{len(played) / recording.sample_rate_hz:.2f} s; capture them whole"
        )
    driven = [column for column, channel in enumerate(recording.channels) if channel in stimulus.driven_channels]
    if not driven:
        raise SignalError(f"none of the captured channels was driven: there are no {what} in them")
    column = max(driven, key=lambda column: float(np.sum(recording.counts_fs[:, column] ** 2)))
    found = find(recording.counts_fs[:, column], played)
    # Where the capture is hardly longer than the steps, there is no elsewhere that the place could stand clear of.
    least = _LEAST_SIMILARITY_OF_ONE_TONE if one_tone else _LEAST_SIMILARITY
    if not ((found.certain or one_tone) and found.similarity > least):
        raise SignalError(
            f"the {what} of the stimulus were not found in the capture: is it the one that was played, and the capture "
            "whole?"
        )
    return dataclasses.replace(recording, stimulus_start=round(found.frame))


def placed_steps(recording: Recording, stimulus: SteppedSines, *, earlier: bool) -> list[Step]:
    """Return the steps. earlier : found by correlation; a foreign clock must not push a window into its ramp."""
    from audiomeas.recording import stimulus_slice
    from audiomeas.units import amplitude_ratio_to_db

    steps = []
    for window, (frequency_hz, level_v_rms) in zip(stimulus.windows(), stimulus.steps, strict=True):
        shift = round(_EARLIER * settling_frames(stimulus, frequency_hz)) if earlier else 0
        steps.append(
            Step(
                frequency_hz=frequency_hz,
                level_v_rms=level_v_rms,
                fall_db=float(amplitude_ratio_to_db(stimulus.level_v_rms / level_v_rms)),
                span=stimulus_slice(recording, window.start - shift, window.stop - shift),
            )
        )
    return steps


def settling_frames(stimulus: SteppedSines, frequency_hz: float) -> float:
    """Return the frames that a step of this frequency has to settle, between its ramp and its window."""
    return max(stimulus.settle_s, stimulus.settle_periods / frequency_hz) * stimulus.sample_rate_hz


def at_end_of_range(recording: Recording, column: int, span: slice) -> Any:
    """Return in which frames of a span two samples in a row stand at full scale, (frames,) of bool."""
    import numpy as np

    from audiomeas.interface.transport import consecutive_at

    counts_fs = recording.counts_fs[span, column : column + 1]
    if not (recording.over_range and recording.over_range[column]):
        return np.zeros(len(counts_fs), dtype=np.bool_)
    return consecutive_at(np.abs(counts_fs), 1.0 - 1e-12)[:, 0]


def refuse_over_range(recording: Recording, column: int, span: slice) -> None:
    """Raise SignalError when two samples in a row of one step stand at full scale; other steps stay good."""
    if at_end_of_range(recording, column, span).any():
        raise SignalError(
            "over-range: values are unknown; capture again with a lower level or a higher attenuator range"
        )


def refuse_breaks(signal: Any, sample_rate_hz: float, frequency_hz: float) -> None:
    """Raise SignalError for a step that is no steady tone: its phase jumps, or its level does."""
    from audiomeas.analysis.continuity import one_frame_rad, tone_breaks

    found = tone_breaks(
        signal,
        sample_rate_hz,
        frequency_hz,
        phase_jump_rad=one_frame_rad(sample_rate_hz, frequency_hz),
        block_s=_BLOCK_S,
        least_periods=_BLOCK_PERIODS,
    )
    if not found:
        return
    turned_rad = max((abs(one.size) for one in found if one.kind == "phase"), default=0.0)
    changed = max((abs(one.size) for one in found if one.kind == "level"), default=0.0) / DB_PER_NEPER
    # A level step within a block turns the block's phase a little, lost frames turn it more than they take from it.
    if turned_rad > changed:
        raise SignalError("the tone's phase jumps: samples were lost or repeated; capture again")
    raise SignalError("the tone's level steps: it is not steady there; capture again")


def places(where: Sequence[str], of: int) -> str:
    """Return at which steps something is to be said, in few words."""
    if len(where) == of > 1:
        return "all steps"
    return ", ".join(where[:6]) + (f" and {len(where) - 6} more" if len(where) > 6 else "")
