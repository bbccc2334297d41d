"""Is an amplifier's minus terminal its chassis? A reading decides, never a guess: a wrong one is a short circuit."""

from __future__ import annotations

import math

from audiomeas.bench.resistors import parse_ohm
from audiomeas.errors import RequestError

#: A minus that is the chassis reads less than this, leads included (common practice).
COMMON_BELOW_OHM = 1.0


def parse_chassis_reading(text: str) -> float:
    """Read what a meter showed from minus to chassis, power off, in Ω; 'open' gives infinity. Raises RequestError."""
    if text.strip().lower() in ("open", "ol", "inf"):
        return math.inf
    # A meter may show 0.0 through short leads: no resistor, but a reading.
    if text.strip().rstrip("Ω ").replace("0", "").replace(".", "") == "" and any(c == "0" for c in text):
        return 0.0
    return parse_ohm(text, "a reading from minus to chassis")


def check_topology(*, bridged: bool, minus_to_chassis_ohm: float | None) -> None:
    """Raise RequestError when the way of connecting does not agree with the meter's reading, or lacks one.

    minus_to_chassis_ohm : as read with the power off and nothing connected; None: not read.
    """
    if minus_to_chassis_ohm is None:
        if bridged:
            raise RequestError(
                "a bridged output needs a reading: power off, nothing connected, measure ohms from each minus terminal "
                "to chassis and give it with --minus-to-chassis (a number, or 'open')"
            )
        return
    if bridged and minus_to_chassis_ohm < COMMON_BELOW_OHM:
        raise RequestError(
            f"{minus_to_chassis_ohm:g} Ω from minus to chassis: this output is not bridged, its minus is the chassis; "
            "one pad does, leave out --bridged"
        )
    if not bridged and minus_to_chassis_ohm >= COMMON_BELOW_OHM:
        shown = "open" if math.isinf(minus_to_chassis_ohm) else f"{minus_to_chassis_ohm:g} Ω"
        raise RequestError(
            f"{shown} from minus to chassis: treat this output as bridged; the card's ground on its minus would be a "
            "short circuit. Add --bridged"
        )
