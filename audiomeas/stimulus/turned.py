"""A steady tone while a person turns a control of the unit: how loud it comes out is the person's, down to nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from audiomeas.stimulus.base import Window
from audiomeas.stimulus.sines import Sine


@dataclass(frozen=True, kw_only=True)
class TurnedTone(Sine):
    """A sine through a control that is turned: its window promises no steady tone, and its end may not be heard."""

    kind: ClassVar[str] = "turned-tone"

    def windows(self) -> tuple[Window, ...]:
        """Return the part that is analysed: of no promised level, since the control sets it."""
        (steady,) = super().windows()
        return (Window(start=steady.start, stop=steady.stop),)
