"""A limit mask: a tolerance band against frequency, held against a curve. Pure arithmetic, so that it can be checked.

The band's edges are straight over log frequency between their points, and so is the curve: so its least margin inside
the band is found at the points of either. The margin at a frequency is the distance to the nearer edge, negative
outside.
The guard band is the points' uncertainty, as for a single value (`verdict_row.decide`): a curve passes when every point
± U lies inside, and fails when one lies outside by more than U.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from typing import Any, Literal, get_args

from audiomeas.measurement.response_views import hertz

Placement = Literal["reference", "best fit", "absolute"]
PLACEMENTS: tuple[Placement, ...] = get_args(Placement)
#: Frequencies this close (relative) are one: a sweep's points are not the round numbers of a mask.
_SAME_HZ = 1e-3
#: Margins this close, in the curve's unit, are one.
_ALIKE = 1e-9
#: Points of a curve further apart than an octave leave unseen what lies between them.
_WIDEST_GAP = 2.0 * (1.0 + _SAME_HZ)


@dataclass(frozen=True, kw_only=True)
class Mask:
    """A tolerance band. frequency_hz : rising; twice the same one is a step, where the narrower edge holds.

    lower, upper : edges at these frequencies, in the curve's unit; None: open on that side.
    placement : 'reference' : 0 stands for the curve's value at reference_hz.  'best fit' : wherever the curve has most
    margin in it.  'absolute' : as it is.   reference_hz : for 'reference', else None.
    """

    name: str
    frequency_hz: tuple[float, ...]
    lower: tuple[float, ...] | None
    upper: tuple[float, ...] | None
    placement: Placement
    reference_hz: float | None = None

    def placement_words(self) -> str:
        """Return how the band is placed: '0 dB at 1 kHz' without its unit ('0 at 1 kHz'), 'placed by best fit', ''."""
        if self.placement == "reference":
            return f"relative to {hertz(self.reference_hz or 0.0)}"
        return "placed by best fit" if self.placement == "best fit" else ""


@dataclass(frozen=True, kw_only=True)
class MaskedCurve:
    """What a mask is held against: one list each, of one length, in rising order of frequency.

    values : None where not known.  uncertainties : 95 % half-widths of what the placement compares (shape alone, or the
    value as it is); None where not known.  bounds : 'at most', 'at least' or ''.
    """

    frequency_hz: tuple[float, ...]
    values: tuple[float | None, ...]
    uncertainties: tuple[float | None, ...]
    bounds: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Held:
    """What holding a curve against a mask gave.

    margin : at the worst point, negative outside; None when nothing could be held.  uncertainty : of it.
    worst_hz : that point.   edge : the nearer one there, 'lower' or 'upper'.
    offset : what was taken off the curve to place it.   gaps : what of the mask was not held, in words.
    """

    margin: float | None
    uncertainty: float | None
    worst_hz: float | None
    edge: str
    offset: float
    gaps: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class MaskRow:
    """What a verdict on a mask keeps beside its margin: the band, the curve, and what was found. It can be checked."""

    mask: Mask
    curve: MaskedCurve
    held: Held

    def checked(self) -> MaskRow:
        """Return itself. Raises ValueError when its band and curve don't give what it says was found."""
        again = hold(self.mask, self.curve)
        if not _alike(asdict(again), asdict(self.held)):
            raise ValueError(f"the mask {self.mask.name!r} and its curve give another margin than is written")
        return self


# ---------------------------------------------------------------- holding


@dataclass(frozen=True)
class _Vertex:
    """A frequency at which the margin is looked at. lower, upper : edges there; None: open."""

    frequency_hz: float
    value: float
    uncertainty: float
    lower: float | None
    upper: float | None

    def margin(self, offset: float) -> tuple[float, str]:
        below = math.inf if self.lower is None else self.value - offset - self.lower
        above = math.inf if self.upper is None else self.upper - (self.value - offset)
        return (below, "lower") if below < above else (above, "upper")


def hold(mask: Mask, curve: MaskedCurve) -> Held:
    """Hold a curve against a mask.

    What was not measured, is not known, or is a bound that the bench itself sets is a gap, never inside. Only bounds
    away from the one edge that there is ('at most' below an upper edge) are none while a value comes nearer to it.
    """
    points = list(zip(curve.frequency_hz, curve.values, curve.uncertainties, curve.bounds, strict=True))
    known = [
        (hz, value, wide) for hz, value, wide, bound in points if value is not None and wide is not None and not bound
    ]
    harmless = _harmless_bound(mask)
    bounds = [(hz, value, 0.0) for hz, value, _, bound in points if value is not None and bound and bound == harmless]
    gaps = _gaps(mask, curve, sorted(hz for hz, _, _ in (*known, *bounds)), harmless)
    if mask.placement == "reference":
        reference = _at(known, mask.reference_hz or 0.0)
        if reference is None:
            return _nothing((*gaps, f"the reference of {hertz(mask.reference_hz or 0.0)} was not measured"))
        value, wide = reference
        known = [(hz, each, 0.0 if _same(hz, mask.reference_hz) else math.hypot(u, wide)) for hz, each, u in known]
        vertices = _vertices(mask, known)
        offset = (value, value)
    else:
        vertices = _vertices(mask, known)
        offset = _best_fits(vertices) if mask.placement == "best fit" and vertices else (0.0, 0.0)
    if not vertices:
        return _nothing((*gaps, "all values are bounds that the bench itself sets") if bounds else gaps)
    held = _worst(vertices, *offset, gaps)
    nearer = _nearer_bound(_vertices(mask, sorted((*known, *bounds))), vertices)
    return held if nearer is None else replace(held, gaps=(*gaps, nearer))


def _harmless_bound(mask: Mask) -> str:
    """Return the bound that can't lie outside where its value lies inside; '' when there is none."""
    if mask.placement != "absolute" or (mask.lower is not None and mask.upper is not None):
        return ""
    return "at most" if mask.lower is None else "at least"


def _nearer_bound(every: Sequence[_Vertex], sure: Sequence[_Vertex]) -> str | None:
    """Return where a bound comes nearer to the edge than all values that are known; None where none does."""
    places = {one.frequency_hz for one in sure}
    bounds = [one for one in every if one.frequency_hz not in places]
    if not bounds:
        return None
    nearest = _lowest(bounds, lambda one: one.margin(0.0)[0])
    if nearest.margin(0.0)[0] >= min(one.margin(0.0)[0] - one.uncertainty for one in sure):
        return None
    return f"a bound that the bench itself sets comes nearest at {hertz(nearest.frequency_hz)}"


def _nothing(gaps: tuple[str, ...]) -> Held:
    return Held(margin=None, uncertainty=None, worst_hz=None, edge="", offset=0.0, gaps=gaps)


def _worst(vertices: Sequence[_Vertex], to_pass: float, to_fail: float, gaps: tuple[str, ...]) -> Held:
    """Return the point that decides: outside by more than its uncertainty, or else the one nearest to leaving.

    to_pass, to_fail : the offset that gives the curve its best chance for sure, and at all.
    """
    outermost = _lowest(vertices, lambda one: one.margin(to_fail)[0] + one.uncertainty)
    if outermost.margin(to_fail)[0] + outermost.uncertainty < 0.0:
        worst, offset = outermost, to_fail
    else:
        worst, offset = _least_sure(vertices, to_pass), to_pass
    margin, edge = worst.margin(offset)
    return Held(
        margin=margin, uncertainty=worst.uncertainty, worst_hz=worst.frequency_hz, edge=edge, offset=offset, gaps=gaps
    )


def _least_sure(vertices: Sequence[_Vertex], offset: float) -> _Vertex:
    """Return the point whose margin less its uncertainty is least; of two alike the more uncertain one.

    Placed by best fit, points at both edges are alike. Where the curve may still fit, the more
    uncertain one may; the other alone would look like a failure.
    """
    sure = [one.margin(offset)[0] - one.uncertainty for one in vertices]
    return max(
        (one for one, least in zip(vertices, sure, strict=True) if least <= min(sure) + _ALIKE),
        key=lambda one: one.uncertainty,
    )


def _lowest(vertices: Sequence[_Vertex], key: Callable[[_Vertex], float]) -> _Vertex:
    """Return the first vertex with the least key. A best fit touches both edges alike: rounding must not choose."""
    least = min(map(key, vertices))
    return next(one for one in vertices if key(one) <= least + _ALIKE)


def _best_fits(vertices: Sequence[_Vertex]) -> tuple[float, float]:
    """Return the offsets with the largest margin that is sure (less U everywhere), and that is possible (plus U).

    Taking d off the curve changes the least margin to the lower edge by −d and that to the upper one by +d: the smaller
    of the two is largest where they are equal.
    """
    found = []
    for sign in (1.0, -1.0):
        below = min(one.value - one.lower - sign * one.uncertainty for one in vertices if one.lower is not None)
        above = min(one.upper - one.value - sign * one.uncertainty for one in vertices if one.upper is not None)
        found.append((below - above) / 2.0)
    return found[0], found[1]


def _vertices(mask: Mask, known: Sequence[tuple[float, float, float]]) -> list[_Vertex]:
    """Return the points of curve and mask inside both; the curve is straight over log frequency between its points."""
    low_hz, high_hz = mask.frequency_hz[0], mask.frequency_hz[-1]
    inside = [each for each in known if low_hz * (1.0 - _SAME_HZ) <= each[0] <= high_hz * (1.0 + _SAME_HZ)]
    measured = [hz for hz, _, _ in inside]
    corners = [hz for hz in dict.fromkeys(mask.frequency_hz) if not any(_same(hz, other) for other in measured)]
    read = [(hz, *found) for hz in corners if (found := _at(known, hz)) is not None]
    vertices = []
    for hz, value, wide in sorted([*inside, *read]):
        lower, upper = _edge(mask, mask.lower, hz, max), _edge(mask, mask.upper, hz, min)
        vertices.append(_Vertex(hz, value, wide, lower, upper))
    return vertices


def _same(one_hz: float, other_hz: float | None) -> bool:
    return other_hz is not None and abs(one_hz - other_hz) <= _SAME_HZ * other_hz


def _edge(mask: Mask, edge: tuple[float, ...] | None, frequency_hz: float, narrower: Any) -> float | None:
    """Return an edge at a frequency: at a step the narrower side holds."""
    if edge is None:
        return None
    hz = min(max(frequency_hz, mask.frequency_hz[0]), mask.frequency_hz[-1])
    found = [
        first + (second - first) * math.log(hz / left) / math.log(right / left)
        for left, right, first, second in zip(mask.frequency_hz, mask.frequency_hz[1:], edge, edge[1:], strict=False)
        if left <= hz <= right and left < right
    ]
    return float(narrower(found))


def _at(known: Sequence[tuple[float, float, float]], frequency_hz: float) -> tuple[float, float] | None:
    """Return value and uncertainty at a frequency, the larger uncertainty of both neighbours; None outside.

    Of several values at one frequency the first is taken.
    """
    near = next(((value, wide) for hz, value, wide in known if _same(hz, frequency_hz)), None)
    if near is not None:
        return near
    right = bisect_left([hz for hz, _, _ in known], frequency_hz)
    if not 0 < right < len(known):
        return None
    (left_hz, left, left_wide), (right_hz, value, right_wide) = known[right - 1], known[right]
    if right_hz > _WIDEST_GAP * left_hz:  # nothing is told of what lies between
        return None
    part = math.log(frequency_hz / left_hz) / math.log(right_hz / left_hz)
    return left + part * (value - left), max(left_wide, right_wide)


# ---------------------------------------------------------------- what was not held


def _gaps(mask: Mask, curve: MaskedCurve, known_hz: Sequence[float], harmless: str) -> tuple[str, ...]:
    low_hz, high_hz = mask.frequency_hz[0], mask.frequency_hz[-1]
    inside = [
        (value, wide, bound)
        for hz, value, wide, bound in zip(
            curve.frequency_hz, curve.values, curve.uncertainties, curve.bounds, strict=True
        )
        if low_hz <= hz <= high_hz
    ]
    reasons = (
        ("is not known", sum(value is None for value, _, _ in inside)),
        (
            "is a bound that the bench itself sets",
            sum(bool(bound) and bound != harmless and value is not None for value, _, bound in inside),
        ),
        (
            "has no known uncertainty",
            sum(wide is None and value is not None and not bound for value, wide, bound in inside),
        ),
    )
    told = [f"the value {what} at {count} of {len(inside)} frequencies" for what, count in reasons if count]
    return (*_unseen(low_hz, high_hz, known_hz), *told)


def _unseen(low_hz: float, high_hz: float, known_hz: Sequence[float]) -> list[str]:
    """Return the parts of a mask between which and whose ends there is no value."""
    seen = [hz for hz in known_hz if low_hz * (1.0 - _SAME_HZ) <= hz <= high_hz * (1.0 + _SAME_HZ)]
    # Values just outside carry a curve up to the mask's ends.
    before = [hz for hz in known_hz if hz < low_hz][-1:]
    after = [hz for hz in known_hz if hz > high_hz][:1]
    places = [*before, *seen, *after]
    if not places:
        return [f"nothing was measured from {hertz(low_hz)} to {hertz(high_hz)}"]
    parts = []
    if places[0] > low_hz * (1.0 + _SAME_HZ):
        parts.append((low_hz, places[0]))
    parts += [(left, right) for left, right in pairwise(places) if right > _WIDEST_GAP * left]
    if places[-1] < high_hz * (1.0 - _SAME_HZ):
        parts.append((places[-1], high_hz))
    return [
        f"nothing was measured from {hertz(max(left, low_hz))} to {hertz(min(right, high_hz))}" for left, right in parts
    ]


# ---------------------------------------------------------------- JSON


def _alike(one: Any, other: Any) -> bool:
    """Return whether two sets of facts are the same, numbers to 1e-9 of them (another processor's rounding)."""
    if isinstance(one, Mapping):
        return all(_alike(value, other[key]) for key, value in one.items())
    if isinstance(one, (tuple, list)):
        return len(one) == len(other) and all(map(_alike, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9)
    return bool(one == other)


def mask_row_from_json(data: Mapping[str, Any]) -> MaskRow:
    """Return the mask row of a JSON object. Raises KeyError, TypeError or ValueError on a wrong or changed one."""
    mask, curve, held = data["mask"], data["curve"], data["held"]
    if mask["placement"] not in PLACEMENTS:
        raise ValueError(f"{mask['placement']!r} is not one of {', '.join(PLACEMENTS)}")
    row = MaskRow(
        mask=Mask(
            name=str(mask["name"]),
            frequency_hz=_frequencies(mask["frequency_hz"]),
            lower=None if mask["lower"] is None else _numbers(mask["lower"]),
            upper=None if mask["upper"] is None else _numbers(mask["upper"]),
            placement=mask["placement"],
            reference_hz=None if mask["reference_hz"] is None else float(mask["reference_hz"]),
        ),
        curve=MaskedCurve(
            frequency_hz=_frequencies(curve["frequency_hz"]),
            values=tuple(_optional(value) for value in curve["values"]),
            uncertainties=tuple(_optional(value) for value in curve["uncertainties"]),
            bounds=tuple(str(bound) for bound in curve["bounds"]),
        ),
        held=Held(
            margin=_optional(held["margin"]),
            uncertainty=_optional(held["uncertainty"]),
            worst_hz=_optional(held["worst_hz"]),
            edge=str(held["edge"]),
            offset=float(held["offset"]),
            gaps=tuple(str(gap) for gap in held["gaps"]),
        ),
    )
    return row.checked()


def _frequencies(values: Sequence[Any]) -> tuple[float, ...]:
    found = tuple(float(value) for value in values)
    if not all(math.isfinite(hz) and hz > 0.0 for hz in found) or list(found) != sorted(found):
        raise ValueError("frequencies must rise, and lie above zero")
    return found


def _numbers(values: Sequence[Any]) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


def _optional(value: Any) -> float | None:
    return None if value is None else float(value)
