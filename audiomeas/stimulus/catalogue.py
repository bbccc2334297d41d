"""All stimulus families by their word."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from audiomeas.errors import RequestError
from audiomeas.stimulus.base import Stimulus
from audiomeas.stimulus.bursts import BurstSeries
from audiomeas.stimulus.multitone import Multitone
from audiomeas.stimulus.periodic import SquareWave, ToneBurst
from audiomeas.stimulus.pulsed import PulsedTone
from audiomeas.stimulus.repeated import RepeatedSweeps
from audiomeas.stimulus.shaped import ShapedSweep
from audiomeas.stimulus.sines import Silence, Sine, SteppedSines
from audiomeas.stimulus.staggered import StaggeredSweeps
from audiomeas.stimulus.steps_twice import SteppedTwice
from audiomeas.stimulus.sweep import Sweep
from audiomeas.stimulus.switched import SwitchedSilence
from audiomeas.stimulus.tone_sequence import ToneSequence
from audiomeas.stimulus.tone_silence import ToneAndSilence
from audiomeas.stimulus.tones import SquarePlusSine, TwinTone
from audiomeas.stimulus.turned import TurnedTone

_FAMILIES: dict[str, type[Stimulus]] = {
    family.kind: family
    for family in (
        Sine,
        SteppedSines,
        SteppedTwice,
        Sweep,
        ShapedSweep,
        StaggeredSweeps,
        RepeatedSweeps,
        Silence,
        TwinTone,
        SquarePlusSine,
        Multitone,
        TurnedTone,
        ToneAndSilence,
        ToneSequence,
        BurstSeries,
        PulsedTone,
        SquareWave,
        SwitchedSilence,
        ToneBurst,
    )
}


def read_stimulus(facts: Mapping[str, Any], *, where: str = "the stimulus") -> Stimulus:
    """Make a stimulus from its facts (a sidecar's `stimulus` object). Raises RequestError that names what is wrong."""
    kind = facts.get("kind")
    if not isinstance(kind, str) or kind not in _FAMILIES:
        raise RequestError(f"{where}: unknown kind of stimulus {kind!r}; known: {', '.join(_FAMILIES)}")
    try:
        stimulus = _FAMILIES[kind].from_facts(facts)
        _ = stimulus.frames
        return stimulus
    except (KeyError, TypeError, ValueError, OverflowError, ZeroDivisionError) as error:
        raise RequestError(f"{where}: these facts make no {kind}: {error}") from None
