"""The parts that an uncertainty is made of: what each comes from, how it is spread, and whose error it is.

No numpy at the top: results are read and shown without it.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Shape = Literal["rectangular", "normal"]
SHAPES: tuple[Shape, ...] = get_args(Shape)

#: What a half-width holds; and so many standard deviations hold it of a normal distribution.
COVERED = 0.95
NORMAL_95 = 1.959963984540054
#: What parts of one source are called together, where they had different names.
IN_COMMON = "calibrations in common"


@dataclass(frozen=True)
class Part:
    """One part of a figure's uncertainty: what it comes from, and how it is spread.

    half_width : holds 95 % of it; its sign tells which way the source moves the figure.  source : whose error it is,
    where others carry the same one; parts of one source are one error and add with their signs. '' for its own.
    """

    component: str
    half_width: float
    shape: Shape = "normal"
    source: str = ""


def of_limits(component: str, limit: float, *, source: str = "") -> Part:
    """Return the part of an error that lies evenly between ± limit (JCGM 100:2008, 4.3.7)."""
    return Part(component, COVERED * limit, "rectangular", source)


def of_deviation(component: str, deviation: float) -> Part:
    """Return the part of a normal error of this standard deviation."""
    return Part(component, NORMAL_95 * deviation)


def scaled(parts: Iterable[Part], factor: float) -> tuple[Part, ...]:
    """Return parts times a sensitivity; parts of nothing are left out."""
    return tuple(
        dataclasses.replace(part, half_width=factor * part.half_width) for part in parts if part.half_width != 0.0
    )


def merged(parts: Iterable[Part]) -> tuple[Part, ...]:
    """Return parts with those of one source made one, added with their signs (JCGM 100:2008, 5.2.2 with r = 1).

    What is left where two of them cancel no longer moves the figure a known way: it stands for itself from then on.
    """
    found: dict[str, Part] = {}
    for place, part in enumerate(parts):
        key = part.source or f"\0{place}"
        old = found.get(key)
        if old is None:
            found[key] = part
            continue
        name = old.component if old.component == part.component else IN_COMMON
        source = old.source if old.half_width * part.half_width > 0.0 else ""
        half = old.half_width + part.half_width
        found[key] = dataclasses.replace(old, component=name, half_width=half, source=source)
    return tuple(dataclasses.replace(part, half_width=abs(part.half_width)) for part in found.values())


def combined(parts: Iterable[Part]) -> float:
    """Return the 95 % half-width of the sum of parts. Raises ValueError for non-finite ones."""
    from audiomeas.bench.coverage import half_width_95

    return half_width_95(*_by_shape(parts))


def combined_over(parts: Iterable[Part], own: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the 95 % half-widths of the same parts beside a normal one that differs from point to point.

    own : (points,), its 95 % half-widths. Returns (points,). Points that are no number stay so.
    """
    import numpy as np

    from audiomeas.bench.coverage import half_widths_95

    rectangular, normal = _by_shape(parts)
    return half_widths_95(rectangular, np.hypot(np.asarray(own, dtype=np.float64) / NORMAL_95, normal))


def standard_uncertainty_of(parts: Iterable[Part]) -> float:
    """Return the standard deviation of the sum of parts."""
    from audiomeas.bench.coverage import standard_uncertainty

    return standard_uncertainty(*_by_shape(parts))


def _by_shape(parts: Iterable[Part]) -> tuple[list[float], float]:
    """Return the limits of the rectangular parts, and the standard deviation of the normal ones together."""
    rectangular, squares = [], 0.0
    for part in merged(parts):
        if part.shape == "rectangular":
            rectangular.append(part.half_width / COVERED)
        else:
            squares += (part.half_width / NORMAL_95) ** 2
    return rectangular, math.sqrt(squares)


def part_facts(parts: Sequence[Part]) -> list[dict[str, Any]]:
    """Return parts as JSON."""
    return [
        {
            "component": part.component,
            "half_width": part.half_width,
            "shape": part.shape,
            **({"source": part.source} if part.source else {}),
        }
        for part in parts
    ]


def parts_from(rows: Iterable[Mapping[str, Any]]) -> tuple[Part, ...]:
    """Return what `part_facts` made. Raises KeyError, TypeError or ValueError on wrong facts."""
    return tuple(_part_from(row) for row in rows)


def _part_from(row: Mapping[str, Any]) -> Part:
    half, shape = float(row["half_width"]), row.get("shape", "normal")
    if not math.isfinite(half):
        raise ValueError(f"the half-width of {row['component']!r} is no number")
    if shape not in SHAPES:
        raise ValueError(f"{shape!r} is none of the shapes {', '.join(SHAPES)}")
    return Part(str(row["component"]), half, shape, str(row.get("source", "")))
