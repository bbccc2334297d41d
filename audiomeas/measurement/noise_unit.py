"""In which unit a channel's samples are, and how well it is known: what every figure of noise needs to be told."""

from __future__ import annotations

import math
from dataclasses import dataclass

from audiomeas.bench.parts import Part


@dataclass(frozen=True, kw_only=True)
class SampleUnit:
    """The unit of `Recording.signal`. reference : r.m.s. of a full-scale sine in it.   in_volts : it is volts.

    scale : relative parts of the uncertainty of the volts; None: not known.
    """

    reference: float
    in_volts: bool
    scale: tuple[Part, ...] | None

    def volts(self, level: float) -> float | None:
        """Return a level in volts; None without a calibration."""
        return level if self.in_volts else None

    def dbfs(self, level: float) -> float | None:
        """Return an r.m.s. level relative to a full-scale sine; None for zero."""
        return 20.0 * math.log10(level / self.reference) if level > 0.0 else None

    def level(self, dbfs: float) -> float:
        """Return the level of a value in dBFS."""
        return self.reference * math.pow(10.0, dbfs / 20.0)
