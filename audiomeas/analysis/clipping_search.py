"""Which burst to play next to find where a unit clips: few, short, and hardly above the level that is looked for.

Pure: a search says what it wants (`next`), is handed what that burst told (`take`), and ends (`next` gives None). It
plays nothing and measures nothing. All driven channels go up in lockstep, each at its own input level, so that they
clip in the same bursts; a search of one channel drives that one alone.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

from audiomeas.analysis.clipping_burst import BurstReading

#: Longest burst above the level looked for.
BURST_S = 0.1
#: Largest step between bursts, dB.
STEP_DB = 3.0
#: Percentages of THD whose levels are told (common practice), as far as the highest asked for.
USUAL_PERCENTAGES = (0.1, 1.0, 3.0, 10.0)
#: The percentage up to which a search goes unless told otherwise.
DEFAULT_PERCENT = 1.0


class Ending(enum.Enum):
    """How a search ended."""

    FOUND = "found"
    #: A ceiling was reached before the highest percentage: what was not reached is known as 'at least'.
    CEILING = "ceiling"
    #: The level fell from one burst to the next or within one.
    PROTECTION = "protection"
    #: A strong tone or noise that is not ours.
    OSCILLATION = "oscillation"
    #: A channel gives nothing, or far less than the others.
    DEAD = "dead"


@dataclass(frozen=True, kw_only=True)
class BurstWanted:
    """The next burst. input_v_rms : (channels,) level at each input; 0.0: silent.   fine : near the knee."""

    input_v_rms: tuple[float, ...]
    duration_s: float
    fine: bool


@dataclass(frozen=True, kw_only=True)
class SearchEnd:
    """How a search ended. sentence : says so; None when found.   channel : which one ended it, if one did."""

    ending: Ending
    sentence: str | None
    channel: int | None


class ClippingSearch:
    """A search for the clipping of one channel alone, or of several in lockstep.

    first_input_v_rms : (channels,) where the first look was played; 0.0 for a channel that stays silent.
    highest_input_v_rms : (channels,) level that no burst may pass (the ceilings of unit, load and card, by the gain
    that the first look found).   highest_percent : THD up to which the search goes.
    percentages : further ones whose level is looked for with own bursts (the rated one, 0.1 %).
    burst_s : of every burst; at most 0.1 s.
    Raises SignalError for a request that can't be searched (levels that are none, percentages out of range).

    Limits that it keeps, dB counted from the level of `highest_percent`: no burst more than 3 dB over it, none longer
    than 0.1 s more than 0.3 dB over it, none above `highest_input_v_rms`.
    """

    def __init__(
        self,
        first_input_v_rms: Sequence[float],
        highest_input_v_rms: Sequence[float],
        *,
        highest_percent: float = DEFAULT_PERCENT,
        percentages: Sequence[float] = (0.1,),
        burst_s: float = BURST_S,
    ) -> None:
        raise NotImplementedError

    def next(self) -> BurstWanted | None:
        """Return the burst to play now, the same until its readings were taken; None when the search has ended."""
        raise NotImplementedError

    def take(self, readings: Sequence[BurstReading | None]) -> None:
        """Take what the burst wanted last told: (channels,), None for silent channels."""
        raise NotImplementedError

    @property
    def end(self) -> SearchEnd | None:
        """How the search ended; None while it goes on."""
        raise NotImplementedError
