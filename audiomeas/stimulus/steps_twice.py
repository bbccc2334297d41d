"""The same stepped sines twice, with a silence between in which a hand changes what is connected to the unit."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import ClassVar

from audiomeas.stimulus.base import FloatArray, Window, joined
from audiomeas.stimulus.sines import SteppedSines, Steps


@dataclass(frozen=True, kw_only=True)
class SteppedTwice(Steps):
    """Two takes of the same steps, in one capture, so that one alignment serves both: their phases can be compared.

    pause_s : of the silence between.   The rest is that of either take (`Steps`).
    """

    kind: ClassVar[str] = "steps-twice"

    pause_s: float = 30.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.pause_s) and self.pause_s > 0.0):
            raise ValueError(f"a pause lasts longer than nothing, not {self.pause_s:g} s")
        super().__post_init__()

    @property
    def take(self) -> SteppedSines:
        """The steps, as they are played in either take."""
        return SteppedSines(**{field.name: getattr(self, field.name) for field in fields(Steps)})

    @property
    def second_start(self) -> int:
        """First frame of the second take, counted from the stimulus' first."""
        return self.take.frames + round(self.pause_s * self.sample_rate_hz)

    @property
    def frames(self) -> int:
        """Length of both takes and the silence."""
        return self.second_start + self.take.frames

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return one channel's samples, (frames,), in volts; of a span of them alone where one is asked for."""
        take = self.take
        takes = ((start, take.frames, take.samples_v) for start in (0, self.second_start))
        return joined(takes, range(self.frames) if span is None else span)

    def windows(self) -> tuple[Window, ...]:
        """Return the steady part of each step of both takes, in order."""
        once, later = self.take.windows(), self.second_start
        return (*once, *(replace(one, start=one.start + later, stop=one.stop + later) for one in once))
