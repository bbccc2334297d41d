"""Parts of a machine that turn: how often each does, from sizes that the person enters, and which line may be whose.

A part of diameter d at the speed v of what runs over it turns v/(πd) times a second, a belt of length l comes round v/l
times. A reel turns as often as its tape's outer turn lets it: from full to empty, and while it is one or the other its
rate moves; all other parts are steady.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError
from audiomeas.measurement.base import Option

if TYPE_CHECKING:
    from audiomeas.analysis.line_motion import LineMotion

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
        help="Diameter of an idler: of a tape deck (by the speed of its tape), or of a turntable (with rim_mm).",
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
    Option(
        name="reel_full_mm",
        kind="number",
        help="Outer diameter of the tape on a full reel; with reel_hub_mm.",
        stage="analyse",
        above=0.0,
        at_most=400.0,
    ),
    Option(
        name="reel_hub_mm",
        kind="number",
        help="Diameter of an empty reel's hub; with reel_full_mm.",
        stage="analyse",
        above=0.0,
        at_most=400.0,
    ),
    Option(
        name="belt_mm",
        kind="number",
        help="Length of a belt all round; its speed by pulley_mm and motor_rpm, or rim_mm and platter_rpm.",
        stage="analyse",
        above=0.0,
        at_most=5000.0,
    ),
    Option(
        name="pulley_mm",
        kind="number",
        help="Diameter of the motor's pulley that drives the belt.",
        stage="analyse",
        above=0.0,
        at_most=200.0,
    ),
)


@dataclass(frozen=True)
class Part:
    """A part and how often it turns.

    to_hz : with turns_hz, the ends between which its rate moves; None: it is steady.
    """

    words: str
    turns_hz: float
    to_hz: float | None = None

    def near(self, frequency_hz: float, multiple: int) -> bool:
        """Whether a line may be this part's."""
        low, high = multiple * self.turns_hz, multiple * (self.to_hz or self.turns_hz)
        return low * (1.0 - _NEAR) <= frequency_hz <= high * (1.0 + _NEAR)


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
    if options["belt_mm"] is not None:
        found.append(Part("belt", _belt_mm_s(options) / options["belt_mm"]))
    return (*found, *_reels(options))


def _belt_mm_s(options: Mapping[str, Any]) -> float:
    for size, turns in (("pulley_mm", "motor_rpm"), ("rim_mm", "platter_rpm")):
        if options[size] is not None and options[turns] is not None:
            return float(math.pi * options[size] * options[turns] / 60.0)
    raise RequestError(
        "belt_mm alone does not tell how often the belt comes round: give pulley_mm and motor_rpm, or rim_mm and "
        "platter_rpm too"
    )


def _reels(options: Mapping[str, Any]) -> tuple[Part, ...]:
    full_mm, hub_mm, speed_cm_s = (options[key] for key in ("reel_full_mm", "reel_hub_mm", "tape_speed_cm_s"))
    if full_mm is None and hub_mm is None:
        return ()
    if full_mm is None or hub_mm is None or speed_cm_s is None or hub_mm >= full_mm:
        raise RequestError(
            "how often a reel turns is told by reel_full_mm, a smaller reel_hub_mm and tape_speed_cm_s together: give "
            "all three"
        )
    slow_hz, fast_hz = (10.0 * speed_cm_s / (math.pi * size_mm) for size_mm in (full_mm, hub_mm))
    return (Part("reel (its rate then moves over a side)", slow_hz, to_hz=fast_hz),)


def _surface_mm_s(options: Mapping[str, Any], name: str) -> float:
    """Return the speed of what runs over a part."""
    if options["tape_speed_cm_s"] is not None:
        return float(10.0 * options["tape_speed_cm_s"])
    if name == "idler_mm" and options["rim_mm"] is not None and options["platter_rpm"] is not None:
        return float(math.pi * options["rim_mm"] * options["platter_rpm"] / 60.0)
    way_out = "tape_speed_cm_s, or rim_mm and platter_rpm" if name == "idler_mm" else "tape_speed_cm_s"
    raise RequestError(f"{name} alone does not tell how often the part turns: give {way_out} too")


def named(frequency_hz: float, parts: Sequence[Part], motion: LineMotion | None = None) -> str | None:
    """Return which parts a line is consistent with; None where none turns at such a rate.

    motion : how the line's rate goes over the capture; None: not known.
    """
    if motion is not None and motion.moves:
        return f"reel: its rate moves with the tape, from {motion.begin_hz:.2f} to {motion.end_hz:.2f} Hz"
    words = [
        f"{'' if multiple == 1 else f'{multiple} times '}{part.words}"
        for part in parts
        for multiple in (_MULTIPLES if part.to_hz is None else (1,))
        if part.near(frequency_hz, multiple)
    ]
    return " or ".join(words) or None
