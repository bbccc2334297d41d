"""The edges and tops of a square wave: rise and fall time, overshoot, tilt, steepest slope.

Terms as in IEC 60469 (from memory): a transition lasts from 10 % to 90 % of the step between the levels before and
after it; these levels are the tops as they run, led on to the edge, so that a tilt does not count as an overshoot.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.periodic import course
from audiomeas.analysis.ringing import Ringing, find_ringing
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: A transition lasts from the one to the other of these parts of the step.
_FROM, _TO = 0.1, 0.9
#: The part of a top that its level is taken from: what an edge leaves has died down by then, in most units.
_TOP_FROM, _TOP_TO = 0.5, 0.95
#: … and it ends this many periods of the band's edge, and the edge's own duration, before the next one's middle.
_GUARD_PERIODS = 1.35
#: In a square the fundamental has 81 % of the power of all lines; less than this is another wave.
_LEAST_FUNDAMENTAL = 0.5
#: Tops without their ringing, and ringing over better tops, in turns: the third changes nothing any more.
_ROUNDS, _ROUNDS_NEAR = 3, 2


@dataclass(frozen=True, kw_only=True)
class Top:
    """A top as it runs: start·exp(−rate·t), or start − rate·t; t from its edge in periods, to `length`."""

    start: float
    rate: float
    exponential: bool
    length: float

    def at(self, turns: FloatArray | float) -> FloatArray:
        """Return the level at times from the edge, in periods."""
        turns = np.asarray(turns)
        if self.exponential:
            return np.asarray(self.start * np.exp(-self.rate * turns))
        return np.asarray(self.start - self.rate * turns)

    @property
    def end(self) -> float:
        """The level at the next edge."""
        return float(self.at(self.length))


@dataclass(frozen=True, kw_only=True)
class Edge:
    """One edge and the top behind it, from one period of the wave.

    step : from the level before to that behind it, with its sign.   duration : 10 % to 90 %, in periods.
    overshoot : largest excess over the top, in parts of the step.   top : behind it.
    rest : (steps,), what the wave leaves over the top, in parts of the step, and rest_turns : when, in periods from the
    edge's middle; to where the next edge is felt.   middle : where that is in the wave, in periods.
    """

    step: float
    duration: float
    overshoot: float
    top: Top
    rest: FloatArray
    rest_turns: FloatArray
    middle: float


@dataclass(frozen=True, kw_only=True)
class Edges:
    """A square wave's edges.  rings : what rings behind each.  steepest : largest slope, in units a second."""

    rising: Edge
    falling: Edge
    rings: tuple[Ringing | None, Ringing | None]
    frequency_hz: float
    steepest: float

    @property
    def rise_s(self) -> float:
        """10 % to 90 %, upward."""
        return self.rising.duration / self.frequency_hz

    @property
    def fall_s(self) -> float:
        """10 % to 90 %, downward."""
        return self.falling.duration / self.frequency_hz

    @property
    def slower_s(self) -> float:
        """The longer of both."""
        return max(self.rise_s, self.fall_s)

    @property
    def ringing(self) -> Ringing | None:
        """What rings longer, of both edges; None where nothing does."""
        return max((one for one in self.rings if one is not None), key=lambda one: one.cycles, default=None)

    @property
    def step(self) -> float:
        """Mean step of both edges, in the unit of the lines."""
        return 0.5 * (self.rising.step - self.falling.step)

    @property
    def overshoot(self) -> float:
        """That of the edge that has more, in parts of the step."""
        return max(self.rising.overshoot, self.falling.overshoot)

    @property
    def tilt(self) -> float:
        """By how much a top falls, in parts of its mean level; negative: it rises."""
        return 0.5 * sum(_tilt(edge.top) for edge in (self.rising, self.falling))

    @property
    def low_corner_hz(self) -> float:
        """Corner of the one first-order high-pass that tilts so; negative for a top that rises, NaN for no corner.

        Between edges such a high-pass lets a top fall as exp(−2π·corner·t), whatever came before.
        """
        falls = [top.start / top.end if top.end else math.inf for top in (self.rising.top, self.falling.top)]
        if not all(0.0 < fall < math.inf for fall in falls):
            return math.nan
        lengths = self.rising.top.length + self.falling.top.length
        return sum(math.log(fall) for fall in falls) * self.frequency_hz / (2.0 * math.pi * lengths)


def find_edges(lines: ComplexArray, frequency_hz: float, band_hz: float, *, near: Edges | None = None) -> Edges:
    """Return the edges of a square wave by its lines.

    lines : (highest,), orders from 1 on, smoothed (`periodic.smoothed`), any unit.   band_hz : where they end.
    near : those of nearly the same wave, from which the search for what rings begins.
    What rings behind an edge is taken from the wave before the level of the top is.
    Raises SignalError: that is no square wave.
    """
    power = np.abs(lines) ** 2
    if not float(power[0]) > _LEAST_FUNDAMENTAL * float(np.sum(power)):
        raise SignalError("what came back is no square wave: look at the capture, and whether the right one was given")
    wave = course(lines)
    slope = np.diff(wave, append=wave[:1])
    # The wave goes from top to top at its steepest in so much of a period; the foot of a slow edge lies far before it.
    duration = 2.0 * float(np.sqrt(np.mean(wave**2)) / np.max(np.abs(slope))) / len(wave)
    guard = _GUARD_PERIODS * frequency_hz / band_hz + duration
    up, down = int(np.argmax(slope)), int(np.argmin(slope))
    level = wave
    ringing: list[Ringing | None] = [None, None]
    if near is not None and near.ringing is not None:
        ringing = list(near.rings)
        level = _without(wave, (near.rising, near.falling), ringing, frequency_hz)
    for _ in range(_ROUNDS if near is None else _ROUNDS_NEAR):
        high, low = _top(level, up, down, guard), _top(level, down, up, guard)
        rising, falling = _edge(wave, up, low, high, guard), _edge(wave, down, high, low, guard)
        ringing = [
            _ringing(edge, frequency_hz, band_hz, one) for edge, one in zip((rising, falling), ringing, strict=True)
        ]
        if ringing == [None, None]:
            break
        level = _without(wave, (rising, falling), ringing, frequency_hz)
    return Edges(
        rising=rising,
        falling=falling,
        rings=(ringing[0], ringing[1]),
        frequency_hz=frequency_hz,
        steepest=float(np.max(np.abs(slope))) * len(wave) * frequency_hz,
    )


def _ringing(edge: Edge, frequency_hz: float, band_hz: float, near: Ringing | None) -> Ringing | None:
    # The edge itself ends about where its smoothing does, which is as long as it takes.
    from_s = edge.duration / frequency_hz
    return find_ringing(edge.rest, edge.rest_turns / frequency_hz, from_s=from_s, highest_hz=band_hz, near=near)


def _without(
    wave: FloatArray, edges: tuple[Edge, Edge], ringing: list[Ringing | None], frequency_hz: float
) -> FloatArray:
    """Return the wave without what rings, over the later parts of the tops, to which their levels are fitted."""
    level = wave.copy()
    for edge, one in zip(edges, ringing, strict=True):
        if one is not None:
            later, end = 0.5 * _TOP_FROM * edge.top.length, edge.top.length
            places = np.arange(
                math.ceil((edge.middle + later) * len(wave)), math.floor((edge.middle + end) * len(wave))
            )
            turns = places / len(wave) - edge.middle
            level[places % len(wave)] -= edge.step * one.at(turns / frequency_hz)
    return level


def _top(wave: FloatArray, begins: int, ends: int, guard: float) -> Top:
    """Return the top between two edges, by least squares over its later part."""
    length = ((ends - begins) % len(wave)) / len(wave)
    first, last = _TOP_FROM * length, min(_TOP_TO * length, length - guard)
    if not last - first > 4.0 / len(wave):
        raise SignalError("the tops of this wave are too short for a level: is it a square wave?")
    places = np.arange(math.ceil(first * len(wave)), math.floor(last * len(wave)))
    turns, levels = places / len(wave), wave[(begins + places) % len(wave)]
    exponential = bool(np.all(levels > 0.0) or np.all(levels < 0.0))
    sign = math.copysign(1.0, float(levels[0]))
    slope, start = np.polyfit(turns, np.log(np.abs(levels)) if exponential else levels, 1)
    return Top(
        start=sign * math.exp(start) if exponential else float(start),
        rate=-float(slope),
        exponential=exponential,
        length=length,
    )


def _edge(wave: FloatArray, at: int, before: Top, behind: Top, guard: float) -> Edge:
    """Return the edge at a step of the wave, between the top before and that behind it."""
    level = before.end
    step = behind.start - level
    if step == 0.0:
        raise SignalError("this wave has no step between its tops: is it a square wave?")
    around = np.roll(wave, len(wave) // 2 - at)
    parts = (around - level) / step
    middle = _crossing(parts, len(wave) // 2, 0.5)
    if middle is None:
        raise SignalError("this wave has no edge between its tops: is it a square wave?")
    first = _crossing(parts, int(middle), _FROM, backward=True)
    last = _crossing(parts, int(middle), _TO)
    if first is None or last is None:
        raise SignalError("an edge of this wave does not reach its top: use a lower frequency")
    stop = math.floor(middle + (behind.length - guard) * len(wave))
    places = np.arange(math.ceil(middle), min(stop, len(wave)))
    turns = (places - middle) / len(wave)
    rest = (around[places] - behind.at(turns)) / step
    return Edge(
        step=step,
        duration=(last - first) / len(wave),
        overshoot=max(0.0, float(np.max(rest, initial=0.0))),
        top=behind,
        rest=rest,
        rest_turns=turns,
        middle=(middle + at) / len(wave) - 0.5,
    )


def _crossing(parts: FloatArray, at: int, level: float, *, backward: bool = False) -> float | None:
    """Return where a rising course crosses a level, to a part of a step, beside `at`; None: nowhere.

    From there on it goes up or down first, whichever the value there asks for; backward : down only.
    """
    above = parts >= level
    if backward or above[at]:
        below = np.nonzero(~above[: at + 1])[0]
        if not len(below):
            return None
        left = int(below[-1])
    else:
        beyond = np.nonzero(above[at:])[0]
        if not len(beyond):
            return None
        left = at + int(beyond[0]) - 1
    if left + 1 >= len(parts):
        return None
    return left + float((level - parts[left]) / (parts[left + 1] - parts[left]))


def _tilt(top: Top) -> float:
    mean = 0.5 * (top.start + top.end)
    return (top.start - top.end) / mean if mean else math.nan
