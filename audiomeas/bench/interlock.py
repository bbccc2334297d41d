"""What a stimulus would put into unit, load and card, before it is played; and the refusal, with by how much.

Pure arithmetic: volts in, findings out. The largest gain over the frequencies that a stimulus reaches, plus 3 dB,
stands for the unit: it may hit the frequency where the unit is loudest, and a unit may have a little more gain at level
than at first look. What a stimulus reaches is the first look's to say (`FirstLook.gain_for_db`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from audiomeas.errors import InterlockRefusal
from audiomeas.shown_digits import outward_digits
from audiomeas.shown_units import shown_in
from audiomeas.units import SQRT2, Level, amplitude_ratio_to_db, db_to_amplitude_ratio, v_rms_to_w

#: Added to the largest gain found (correction 2).
GAIN_MARGIN_DB = 3.0
#: The first look stays this far below where the highest allowed gain would reach a ceiling (correction 2).
FIRST_LOOK_BELOW_DB = 40.0
#: The converter is not driven closer to full scale than this: shared mixers may limit there (common practice).
DAC_HEADROOM_DB = 1.0
#: A level that shall be let pass stays this far below its ceiling: noise gives each look a slightly other gain.
BELOW_CEILING_DB = 0.1
#: The way out that every ceiling has.
_LOWER = "lower the level"
#: Where a ceiling holds.
AT_INPUT, AT_OUTPUT = "unit input", "unit output"
#: A sine's peak and r.m.s. stand as near to their ceilings, but for rounding: then the r.m.s. is told.
_SAME = 1e-6
_PLACES = {AT_INPUT: "unit's input", AT_OUTPUT: "unit's output"}


@dataclass(frozen=True, kw_only=True)
class Ceiling:
    """One thing that must not be exceeded on one channel, as a voltage at one place.

    at : AT_INPUT or AT_OUTPUT.  v_rms, v_peak : the ceilings there.  load_ohm : to say watts, where known.
    """

    channel: int
    at: str
    what: str
    v_rms: float
    v_peak: float
    way_out: str
    load_ohm: float | None = None

    @property
    def way_higher(self) -> str:
        """What raises it, where a lower level is no way out."""
        _, _, other = self.way_out.partition(_LOWER)
        return other.removeprefix(", or ") or "enter a higher limit in the bench file, if the unit can take it"


@dataclass(frozen=True, kw_only=True)
class Prediction:
    """What a stimulus would do to one ceiling. excess_db : above zero means that it would be exceeded."""

    ceiling: Ceiling
    v_rms: float
    v_peak: float

    @property
    def excess_db(self) -> float:
        """By how much the nearer of the two ceilings (r.m.s., peak) would be exceeded; negative: room left."""
        worst = max(self.v_rms / self.ceiling.v_rms, self.v_peak / self.ceiling.v_peak)
        return amplitude_ratio_to_db(worst)

    def line(self, highest: str = "") -> str:
        """Return the refusal in one line. highest : the highest level let pass, with its place; '': not known."""
        ceiling = self.ceiling
        way_out = ceiling.way_out.replace(_LOWER, f"{_LOWER} to at most {highest}" if highest else _LOWER)
        if self.v_peak / ceiling.v_peak > (1.0 + _SAME) * self.v_rms / ceiling.v_rms:
            would, limit = f"a peak of {self.v_peak:.3g} V", f"{ceiling.v_peak:.3g} V"
        elif ceiling.load_ohm is not None:
            would = f"{v_rms_to_w(self.v_rms, ceiling.load_ohm):.3g} W"
            limit = f"{v_rms_to_w(ceiling.v_rms, ceiling.load_ohm):.3g} W"
        else:
            would, limit = f"{self.v_rms:.3g} V", f"{ceiling.v_rms:.3g} V"
        return (
            f"channel {ceiling.channel}: this stimulus could reach {would} at the {ceiling.what} "
            f"(ceiling {limit}, {self.excess_db:.1f} dB too much, with {GAIN_MARGIN_DB:g} dB margin): {way_out}"
        )


class BeyondCeiling(InterlockRefusal):
    """A stimulus would pass a ceiling. Who knows the level that was asked for says also the highest one allowed."""

    def __init__(self, prediction: Prediction, highest: str = "") -> None:
        super().__init__(prediction.line(highest))
        self._prediction = prediction

    def with_highest(self, asked: Level, place: str, *, below_db: float = 0.0) -> BeyondCeiling:
        """Return the same with the highest level that would have been let pass.

        asked, place : the level that was asked for, at AT_INPUT or AT_OUTPUT.  below_db : so far below it the refused
        stimulus was.
        """
        highest = asked.lowered(self._prediction.excess_db + below_db + BELOW_CEILING_DB)
        unit, factor = shown_in(highest.unit, highest.value)
        most = outward_digits(factor * highest.value, 3, "at least")  # rounded down: what is told is let pass
        return BeyondCeiling(self._prediction, f"{most} {unit} at the {_PLACES[place]}")


def predict(
    ceilings: Sequence[Ceiling], *, level_v_rms: float, peak_v: float, gain_db: Mapping[int, float]
) -> tuple[Prediction, ...]:
    """Return what a stimulus would do to each ceiling.

    level_v_rms, peak_v : at the unit's input.  gain_db : channel → largest gain (input to output) over the frequencies
    that it reaches; the margin is added here. A channel without a known gain raises InterlockRefusal: nothing is played
    blind.
    """
    found = []
    for ceiling in ceilings:
        gain = 1.0
        if ceiling.at == AT_OUTPUT:
            if ceiling.channel not in gain_db or not math.isfinite(gain_db[ceiling.channel]):
                raise InterlockRefusal(
                    f"channel {ceiling.channel}: its gain is not known, so nothing is played: take a first look"
                )
            gain = db_to_amplitude_ratio(gain_db[ceiling.channel] + GAIN_MARGIN_DB)
        found.append(Prediction(ceiling=ceiling, v_rms=level_v_rms * gain, v_peak=peak_v * gain))
    return tuple(found)


def refuse_beyond(predictions: Sequence[Prediction]) -> None:
    """Raise BeyondCeiling for the worst prediction that passes its ceiling; return None when none does."""
    worst = max(predictions, key=lambda prediction: prediction.excess_db, default=None)
    if worst is not None and worst.excess_db > 1e-9:
        raise BeyondCeiling(worst)


def largest_sine(ceilings: Sequence[Ceiling], gain_db: Mapping[int, float]) -> tuple[float, Ceiling]:
    """Return the largest sine (V r.m.s. at the unit's input) that passes no ceiling, and the ceiling that it meets.

    gain_db : as for `predict`, which is asked here for 1 V.  Raises InterlockRefusal for a channel of unknown gain.
    """
    worst = max(
        predict(ceilings, level_v_rms=1.0, peak_v=SQRT2, gain_db=gain_db), key=lambda prediction: prediction.excess_db
    )
    return db_to_amplitude_ratio(-worst.excess_db), worst.ceiling


def first_look_v_rms(ceilings: Sequence[Ceiling], *, highest_gain_db: float) -> float:
    """Return the level (r.m.s. of a sine, at the unit's input) of the first look.

    40 dB below where the highest allowed gain would reach the nearest ceiling, peak or r.m.s.
    """
    allowed = []
    for ceiling in ceilings:
        gain = db_to_amplitude_ratio(highest_gain_db) if ceiling.at == AT_OUTPUT else 1.0
        allowed.append(min(ceiling.v_rms, ceiling.v_peak / SQRT2) / gain)
    return min(allowed) * db_to_amplitude_ratio(-FIRST_LOOK_BELOW_DB)
