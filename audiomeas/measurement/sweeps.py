"""What every measurement that plays sweeps asks of them: their law for the analysis, and the capture's sample rate."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audiomeas.errors import SignalError

if TYPE_CHECKING:
    from audiomeas.analysis.deconvolution import SweepLaw
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Stimulus, Sweep


def law_of(sweep: Sweep) -> SweepLaw:
    """Return a sweep's law as the analysis takes it; a level that varies is left out of it."""
    from audiomeas.analysis.deconvolution import SweepLaw

    return SweepLaw(
        start_hz=sweep.start_hz,
        growth_s=sweep.growth_s,
        full_from_hz=sweep.full_from_hz,
        full_to_hz=sweep.full_to_hz,
        sample_rate_hz=sweep.sample_rate_hz,
        frames=sweep.frames,
    )


def refuse_other_rate(recording: Recording, stimulus: Stimulus, name: str) -> None:
    """Raise SignalError when a capture has another sample rate than what was played. name : 'sweep', 'steps'."""
    if stimulus.sample_rate_hz != recording.sample_rate_hz:
        raise SignalError(
            f"the capture has {recording.sample_rate_hz:g} Hz sample rate, its {name} {stimulus.sample_rate_hz:g} Hz: "
            "capture at the rate of the stimulus, or generate one at the rate of the capture"
        )
