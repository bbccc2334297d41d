"""What is played, in volts at the unit's input. One module a family; `read_stimulus` makes any from its facts."""

from __future__ import annotations

from audiomeas.stimulus.base import Stimulus, Window, raised_cosine_ramp
from audiomeas.stimulus.catalogue import read_stimulus
from audiomeas.stimulus.sines import Silence, Sine, SteppedSines, bin_centred_hz
from audiomeas.stimulus.sweep import Sweep

__all__ = [
    "Silence",
    "Sine",
    "SteppedSines",
    "Stimulus",
    "Sweep",
    "Window",
    "bin_centred_hz",
    "raised_cosine_ramp",
    "read_stimulus",
]
