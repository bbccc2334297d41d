"""What is played, in volts at the unit's input. One module a family; `read_stimulus` makes any from its facts."""

from __future__ import annotations

from audiomeas.stimulus.base import (
    PlaysPerChannel,
    Stimulus,
    VariesInLevel,
    Window,
    played_samples_v,
    raised_cosine_ramp,
)
from audiomeas.stimulus.bursts import BurstSeries
from audiomeas.stimulus.catalogue import read_stimulus
from audiomeas.stimulus.multitone import Multitone
from audiomeas.stimulus.pulsed import PulsedTone
from audiomeas.stimulus.repeated import RepeatedSweeps
from audiomeas.stimulus.shaped import ShapedSweep
from audiomeas.stimulus.sines import Silence, Sine, SteppedSines, bin_centred_hz
from audiomeas.stimulus.staggered import StaggeredSweeps
from audiomeas.stimulus.steps_twice import SteppedTwice
from audiomeas.stimulus.sweep import Sweep
from audiomeas.stimulus.tone_silence import ToneAndSilence
from audiomeas.stimulus.tones import SquarePlusSine, TwinTone

__all__ = [
    "BurstSeries",
    "Multitone",
    "PlaysPerChannel",
    "PulsedTone",
    "RepeatedSweeps",
    "ShapedSweep",
    "Silence",
    "Sine",
    "SquarePlusSine",
    "StaggeredSweeps",
    "SteppedSines",
    "SteppedTwice",
    "Stimulus",
    "Sweep",
    "ToneAndSilence",
    "TwinTone",
    "VariesInLevel",
    "Window",
    "bin_centred_hz",
    "played_samples_v",
    "raised_cosine_ramp",
    "read_stimulus",
]
