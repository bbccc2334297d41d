"""A synchronized sweep whose level follows a curve, so that an equalizing unit sees the right level at each frequency.

Its phase is that of the plain sweep: the level changes slowly, sample by sample, and nothing is filtered. So the level
at each frequency is exact, and the m-th harmonic still is the sweep itself, moved by L·ln m (see `Sweep`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar, Self

import numpy as np

from audiomeas.stimulus.base import FloatArray, spans
from audiomeas.stimulus.sweep import Sweep


@dataclass(frozen=True, kw_only=True)
class ShapedSweep(Sweep):
    """A sweep with the level of a network: f^slope · Π √(1 + (2πf·rise)²) / Π √(1 + (2πf·fall)²).

    level_v_rms : the largest r.m.s. value that any period has, fades included.
    rises_s, falls_s, slope : the network's time constants, and its slope in units of 6 dB an octave beside them.
    shape : the network's name.   reference_hz : where people state the level.
    """

    kind: ClassVar[str] = "shaped-sweep"

    shape: str
    rises_s: tuple[float, ...] = ()
    falls_s: tuple[float, ...] = ()
    slope: int = 0
    reference_hz: float = 1000.0

    def __post_init__(self) -> None:
        super().__post_init__()
        if not all(math.isfinite(tau_s) and tau_s > 0 for tau_s in (*self.rises_s, *self.falls_s)):
            raise ValueError("the time constants of a shaped sweep must be finite and above zero")
        if not (math.isfinite(self.reference_hz) and self.reference_hz > 0):
            raise ValueError("the reference of a shaped sweep must be a frequency above zero")

    @classmethod
    def at_reference(cls, *, level_v_rms: float, **rest: Any) -> Self:
        """Make a sweep as `covering` does (see there), whose level is level_v_rms at reference_hz."""
        one = cls.covering(level_v_rms=1.0, **rest)
        facts = one.facts()
        facts["level_v_rms"] = level_v_rms / float(one.relative_level(np.array([one.reference_hz]))[0])
        return cls.from_facts(facts)

    @classmethod
    def from_facts(cls, facts: Mapping[str, Any]) -> Self:
        """Make the sweep again from its facts. Raises KeyError, TypeError or ValueError on wrong ones."""
        if isinstance(facts["slope"], bool) or not isinstance(facts["slope"], int):
            raise TypeError("the slope of a shaped sweep is a whole number")
        return super().from_facts(facts)

    def relative_level(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the level at frequencies over the largest one, (points,)."""
        return self._network(frequency_hz) / self._largest

    def level_at_hz(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the r.m.s. voltage at frequencies, (points,), as it is without the fades."""
        return self.level_v_rms * self.relative_level(frequency_hz)

    @property
    def played_band_hz(self) -> tuple[float, float]:
        """Lowest and highest frequency that is played, however faintly."""
        return self.start_hz, self.stop_hz

    @property
    def reference_level_v_rms(self) -> float:
        """The r.m.s. voltage at the reference frequency."""
        return float(self.level_at_hz(np.array([self.reference_hz]))[0])

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return one channel's samples, (frames,), in volts; of a span of them alone where one is asked for."""
        span = range(self.frames) if span is None else span
        return super().samples_v(span) * self.relative_level(self._frequencies_hz(span))

    def _network(self, frequency_hz: FloatArray) -> FloatArray:
        omega = 2.0 * np.pi * np.asarray(frequency_hz, dtype=np.float64)
        size = (omega / (2.0 * np.pi * self.reference_hz)) ** float(self.slope)
        for tau_s in self.rises_s:
            size = size * np.sqrt(1.0 + (omega * tau_s) ** 2)
        for tau_s in self.falls_s:
            size = size / np.sqrt(1.0 + (omega * tau_s) ** 2)
        return np.asarray(size)

    def _frequencies_hz(self, span: range) -> FloatArray:
        time_s = np.arange(span.start, span.stop) / self.sample_rate_hz
        return np.asarray(self.start_hz * np.exp(time_s / self.growth_s))

    @cached_property
    def _largest(self) -> float:
        parts = (self._network(self._frequencies_hz(span)) * self.fades(span) for span in spans(self.frames))
        return max(float(np.max(part)) for part in parts)
