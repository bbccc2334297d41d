"""Parts of a machine that turn: how often each does, from sizes that the person enters, and which line may be whose.

A part of diameter d at the speed v of what runs over it turns v/(πd) times a second.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from audiomeas.errors import RequestError
from audiomeas.measurement.base import Option

#: A line this near (relative) may be a part's (common practice: the diameter is measured by hand, belts slip).
_NEAR = 0.05
#: A part that is not round, or has several faces, shows at these multiples of its rate.
_MULTIPLES = (1, 2, 3)

OPTIONS = (
    Option(
        name="tape_speed_cm_s",
        kind="number",
        help="Speed of the tape in cm/s, such as 4.76, 9.53, 19.05: a part's diameter then tells how often it turns.",
        stage="analyse",
        above=0.0,
        at_most=200.0,
    ),
    Option(
        name="capstan_mm",
        kind="number",
        help="Diameter of the capstan.",
        stage="analyse",
        above=0.0,
        at_most=100.0,
    ),
    Option(
        name="pinch_roller_mm",
        kind="number",
        help="Diameter of the pinch roller.",
        stage="analyse",
        above=0.0,
        at_most=100.0,
    ),
    Option(
        name="platter_rpm",
        kind="number",
        help="Turns of the platter in a minute, such as 33.333, 45, 78.26.",
        stage="analyse",
        above=0.0,
        at_most=200.0,
    ),
    Option(
        name="idler_mm",
        kind="number",
        help="Diameter of an idler: of a tape deck (with tape_speed_cm_s), or of a turntable (with rim_mm).",
        stage="analyse",
        above=0.0,
        at_most=500.0,
    ),
    Option(
        name="rim_mm",
        kind="number",
        help="Diameter of the platter's rim where the idler drives it.",
        stage="analyse",
        above=0.0,
        at_most=500.0,
    ),
    Option(
        name="motor_rpm",
        kind="number",
        help="Turns of the motor in a minute.",
        stage="analyse",
        above=0.0,
        at_most=10_000.0,
    ),
)


@dataclass(frozen=True)
class Part:
    """A part and how often it turns."""

    words: str
    turns_hz: float


def parts_of(options: Mapping[str, Any]) -> tuple[Part, ...]:
    """Return the parts that the options tell. Raises RequestError for a size that tells nothing alone."""
    found = []
    if options["platter_rpm"] is not None:
        found.append(Part("platter, or a record off its centre", options["platter_rpm"] / 60.0))
    for name, words in (("capstan_mm", "capstan"), ("pinch_roller_mm", "pinch roller"), ("idler_mm", "idler")):
        if options[name] is not None:
            found.append(Part(words, _surface_mm_s(options, name) / (math.pi * options[name])))
    if options["motor_rpm"] is not None:
        found.append(Part("motor", options["motor_rpm"] / 60.0))
    return tuple(found)


def _surface_mm_s(options: Mapping[str, Any], name: str) -> float:
    """Return the speed of what runs over a part."""
    if options["tape_speed_cm_s"] is not None:
        return float(10.0 * options["tape_speed_cm_s"])
    if name == "idler_mm" and options["rim_mm"] is not None and options["platter_rpm"] is not None:
        return float(math.pi * options["rim_mm"] * options["platter_rpm"] / 60.0)
    way_out = "tape_speed_cm_s, or rim_mm and platter_rpm" if name == "idler_mm" else "tape_speed_cm_s"
    raise RequestError(f"{name} alone does not tell how often the part turns: give {way_out} too")


def named(frequency_hz: float, parts: Sequence[Part]) -> str | None:
    """Return which parts a line is consistent with; None where none turns at such a rate."""
    words = [
        f"{'' if multiple == 1 else f'{multiple} times '}{part.words}"
        for part in parts
        for multiple in _MULTIPLES
        if abs(frequency_hz / (multiple * part.turns_hz) - 1.0) <= _NEAR
    ]
    return " or ".join(words) or None
