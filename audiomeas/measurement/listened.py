"""What the words share that listen to a unit which plays by itself: how long, and that nothing is sent meanwhile."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.base import Option, PlayContext

if TYPE_CHECKING:
    from audiomeas.stimulus import Silence

#: The bands of a test record or tape are over by then.
LONGEST_S = 1800.0
ONE_CHANNEL = "both channels carry the same: check for a mono switch, or one cable on both inputs"


def length_option(listened_to: str, *, default_s: float, at_least_s: float, at_most_s: float = LONGEST_S) -> Option:
    """Return the option that says how long is listened. listened_to : what is in it."""
    return Option(
        name="duration_s",
        kind="number",
        help=f"How long is listened, in seconds: {listened_to}.",
        default=default_s,
        at_least=at_least_s,
        at_most=at_most_s,
    )


def start_option(player: str) -> Option:
    """Return the option that says how long a person has to start what plays. player : its name."""
    return Option(
        name="start_s",
        kind="number",
        help=f"Time to start the {player} once the capture runs, in seconds.",
        default=20.0,
        at_least=0.0,
        at_most=600.0,
    )


def silence(context: PlayContext, options: Mapping[str, Any]) -> Silence:
    """Return what is "played" for as long as that option says."""
    return silence_of(context, options["duration_s"])


def silence_of(context: PlayContext, duration_s: float) -> Silence:
    """Return what is "played" while a unit plays by itself, or nothing at all."""
    from audiomeas.stimulus import Silence

    return Silence(duration_s=duration_s, sample_rate_hz=context.sample_rate_hz, driven_channels=context.channels)
