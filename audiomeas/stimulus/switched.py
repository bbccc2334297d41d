"""Silence while a person switches the unit off and on: what comes out of it then is the unit's own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from audiomeas.stimulus.sines import Silence


@dataclass(frozen=True, kw_only=True)
class SwitchedSilence(Silence):
    """Silence through a unit that is switched: it may still be silent at the end, where a marker is not heard then."""

    kind: ClassVar[str] = "switched-silence"
