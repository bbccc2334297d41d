"""Equal sweeps with silence between them: what the families that play a sweep several times share."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Any, Self

from audiomeas.stimulus.base import JsonFacts
from audiomeas.stimulus.sweep import Sweep

#: Silence between the sweeps: twice what the sweep analysis takes on either side, with room for the unit's delay.
GAP_S = 0.2


@dataclass(frozen=True, kw_only=True)
class SweepSeries(JsonFacts):
    """A synchronized sweep (see `Sweep`, whose facts these are) several times, gap_s apart."""

    start_hz: float
    stop_hz: float
    level_v_rms: float
    sample_rate_hz: float
    duration_s: float
    fade_in_s: float
    fade_out_s: float
    gap_s: float = GAP_S
    driven_channels: tuple[int, ...] = (1, 2)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.gap_s) and self.gap_s >= GAP_S):
            raise ValueError(f"{self.kind.replace('-', ' ')} need at least {GAP_S:g} s between them")
        _ = self.sweep  # raises for one that can't be played

    @classmethod
    def of(cls, sweep: Sweep, **own: Any) -> Self:
        """Return a series of a sweep. own : the fields that it has beside. Raises ValueError on wrong ones."""
        facts = {field.name: getattr(sweep, field.name) for field in dataclasses.fields(Sweep)}
        return cls(**facts, **own)

    @property
    def sweep(self) -> Sweep:
        """The sweep that is played."""
        return Sweep(**{field.name: getattr(self, field.name) for field in dataclasses.fields(Sweep)})

    @property
    def period_frames(self) -> int:
        """Frames from the beginning of one sweep to that of the next."""
        return self.sweep.frames + round(self.gap_s * self.sample_rate_hz)

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        return self.sweep.peak_v
