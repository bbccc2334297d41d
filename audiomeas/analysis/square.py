"""A square wave through a unit, at two levels, beside what was played: its figures with what noise leaves of each.

The band ends somewhere, so the wave that was played has a rise time of its own. For responses that hardly overshoot
the squares of rise times add (W. C. Elmore, J. Appl. Phys. 19, 1948), so that the band's can be taken out while the
unit's is longer by far; nearer to it there is a bound only.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.edges import Edges, find_edges
from audiomeas.analysis.periodic import clear_lines, half_widths, smoothed

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: The band's rise time is taken out in quadrature from this ratio of the measured one to it on, …
_QUADRATURE_FROM = 2.0
#: … and up to this overshoot. One and two poles (Butterworth) come out within ±5 % then, by their closed forms.
_QUADRATURE_OVERSHOOT = 0.05
QUADRATURE_LIMIT = 0.05
#: Less than this is no figure, in parts: what the smoothing leaves of an overshoot, and of a tilt.
_OVERSHOOT_LIMIT, TILT_LIMIT = 0.0025, 0.0015
#: 10 % to 90 % of a Gaussian's step, in its standard deviations: so wide is the smoothing, nearly one.
_GAUSSIAN_RISE = 2.563
#: Rise time times the frequency that it stands for, where nothing rings (one pole: ln 9 / 2π).
_RISE_BANDWIDTH = 0.35
#: An oscillation that turns by more than this (rad) in the smoothing's deviation loses more than can be said.
_MOST_TURN = 0.5


@dataclass(frozen=True, kw_only=True)
class Level:
    """A square wave at one level. edges : of the mean wave.  half_width : name of a figure → 95 %, by noise."""

    edges: Edges
    half_width: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class Square:
    """A square wave at two levels, beside what was played.

    own : edges of the ideal wave within the band.   lines : of the loud wave, (highest,), as captured.
    """

    quiet: Level
    loud: Level
    own: Edges
    lines: ComplexArray

    @property
    def overshoot(self) -> float:
        """Overshoot of the slower or the faster edge, whichever has more, over the ideal's own; in parts of a step."""
        return max(0.0, self.loud.edges.overshoot - self.own.overshoot)

    @property
    def overshoot_limit(self) -> float | None:
        """What the smoothing may have taken from the overshoot, and what it leaves of none; None: too near the edge.

        A Gaussian of deviation s leaves exp(−½·(2π·f·s)²) of the peak of an oscillation of frequency f. Behind an edge
        it is up to 1.4 times as much in decibels (two poles, by their closed form): twice is counted.
        """
        ring = self.loud.edges.ringing
        frequency_hz = _RISE_BANDWIDTH / self.loud.edges.slower_s if ring is None else ring.frequency_hz
        turned = 2.0 * math.pi * frequency_hz * self.own.slower_s / _GAUSSIAN_RISE
        if self.overshoot > _OVERSHOOT_LIMIT and turned > _MOST_TURN:
            return None
        # The ideal's own, which was taken off, is not there behind an edge that is slower.
        return _OVERSHOOT_LIMIT + math.expm1(turned**2) * self.overshoot

    @property
    def tilt(self) -> float:
        """By how much a top falls more than the ideal's, in parts of its mean level."""
        return self.loud.edges.tilt - self.own.tilt

    @property
    def low_corner_hz(self) -> float:
        """Corner of the first-order high-pass that tilts so; NaN for a top that rises or crosses zero."""
        corner_hz = self.loud.edges.low_corner_hz - self.own.low_corner_hz
        return corner_hz if corner_hz > 0.0 else math.nan

    @property
    def unit_rise_s(self) -> float | None:
        """The slower edge's own duration, the band's taken out; None where only a bound is known: the measured one."""
        loud_s, own_s = self.loud.edges.slower_s, self.own.slower_s
        if loud_s < _QUADRATURE_FROM * own_s or self.overshoot > _QUADRATURE_OVERSHOOT:
            return None
        return math.sqrt(loud_s**2 - own_s**2)

    @property
    def growth(self) -> float:
        """By how much the slower edge takes longer at the level than quietly, in parts; negative: it takes less."""
        return self.loud.edges.slower_s / self.quiet.edges.slower_s - 1.0

    @property
    def growth_half_width(self) -> float:
        """Of the growth, 95 %."""
        parts = [one.half_width["slower_s"] / one.edges.slower_s for one in (self.loud, self.quiet)]
        return (1.0 + self.growth) * math.hypot(*parts)


#: Figures whose scatter is told; the order of `_figures`.
_NAMES = ("step", "rise_s", "fall_s", "slower_s", "overshoot", "tilt", "low_corner_hz", "steepest",
          "ringing_hz", "ringing_q", "ringing_cycles")  # fmt: skip


def _figures(edges: Edges) -> FloatArray:
    ring = edges.ringing
    ringing = [math.nan] * 3 if ring is None else [ring.frequency_hz, ring.q, ring.cycles]
    return np.array(
        [edges.step, edges.rise_s, edges.fall_s, edges.slower_s, edges.overshoot, edges.tilt, edges.low_corner_hz,
         edges.steepest, *ringing]
    )  # fmt: skip


def analyze_square(
    quiet: FloatArray,
    loud: FloatArray,
    *,
    played: ComplexArray,
    frequency_hz: float,
    band_hz: float,
    parts: int,
    periods: int,
    correction: ComplexArray | None = None,
) -> Square:
    """Return the figures of a square wave from its two windows.

    quiet, loud : (frames,) of one unit, whole parts each.   played : lines of the series, (highest,), orders from 1 on,
    zero where nothing was played.   band_hz : where the series ends.   parts, periods : in a window, and in each part.
    correction : (highest,) by which lines are multiplied first (what the bench adds, taken out); None: nothing.
    Raises SignalError: no square wave, or one that noise covers.
    """
    own = find_edges(smoothed(played, frequency_hz, band_hz), frequency_hz, band_hz)

    def read(signal: FloatArray, window: str) -> tuple[Level, ComplexArray]:
        lines = clear_lines(
            signal, parts, periods, len(played), correction=correction, wave="square wave", window=window
        )
        mean = lines.mean(axis=0)
        edges = find_edges(smoothed(mean, frequency_hz, band_hz), frequency_hz, band_hz)

        def figures(some: ComplexArray) -> FloatArray:
            return _figures(find_edges(smoothed(some, frequency_hz, band_hz), frequency_hz, band_hz, near=edges))

        _, widths = half_widths(figures, lines)
        return Level(edges=edges, half_width=dict(zip(_NAMES, widths.tolist(), strict=True))), mean

    quiet_level, _ = read(quiet, "quiet")
    loud_level, lines = read(loud, "loud")
    return Square(quiet=quiet_level, loud=loud_level, own=own, lines=lines)
