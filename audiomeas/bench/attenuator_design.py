"""Choose the two resistors of an attenuator from preferred values, and say what a given pair is worth.

Pure arithmetic. The series arm is made about 10 kΩ: it loads no unit, keeps a fault below 10 mA and its noise low.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from audiomeas.bench.attenuator import HIGHEST_FAULT_A_PEAK, Pad, faults, heat, loading_change_db, parallel_ohm
from audiomeas.bench.resistors import LEAST_OHM, MOST_OHM, checked_ohm, neighbours, values_between
from audiomeas.errors import RequestError
from audiomeas.units import SQRT2, amplitude_ratio_to_db, db_to_amplitude_ratio

#: Nothing above this goes to a bench of this kind (trade practice: the limit of extra-low voltage, and of clamps).
HIGHEST_V_RMS = 60.0
#: Beyond it the shunt is about a contact's resistance, and the card's noise hides what is measured.
HIGHEST_RATIO = 1_000.0
#: The series arm that suits a bench, and how far above the least possible one a value may lie.
_SERIES_OHM = 9_000.0
_SERIES_SPAN = 1.8
#: Of the values in that span, this much above the least one is liked best: 10 kΩ.
_USUAL_OVER_LEAST = 1.11
#: The share of the card's input resistance that the shunt may reach, about: then the card decides little of the ratio.
_SHUNT_OF_INPUT = 0.2
#: Errors of the ratio that differ by less than this are equal: resistors of 1 % make more.
_EQUAL_DB = 0.1
#: Loading by one or the other usual card that is worth a word.
_LOADING_DB = 0.3


@dataclass(frozen=True, kw_only=True)
class PadRequest:
    """What an attenuator is for. highest_v_rms : at the unit.  full_scale_v_rms : a sine that just fills the card.

    headroom_db : the highest voltage stays this far below full scale.  ratio : wished; None: from the three before.
    Raises RequestError for what no pad can do.
    """

    highest_v_rms: float
    full_scale_v_rms: float
    input_ohm: float
    headroom_db: float = 3.0
    ratio: float | None = None

    def __post_init__(self) -> None:
        _checked_volts(self.highest_v_rms, "a highest voltage")
        _checked_volts(self.full_scale_v_rms, "a full scale")
        checked_ohm(self.input_ohm, "an input resistance")
        if not 0.0 <= self.headroom_db <= 20.0:
            raise RequestError(f"a headroom of {self.headroom_db:g} dB makes no sense here: use 0 to 20 dB")
        if self.ratio is not None and not (math.isfinite(self.ratio) and 1.0 < self.ratio <= HIGHEST_RATIO):
            raise RequestError(
                f"a ratio of {self.ratio:g} is none of an attenuator: use more than 1, up to {HIGHEST_RATIO:g}"
            )
        if self.highest_v_rms > HIGHEST_V_RMS:
            raise RequestError(
                f"{self.highest_v_rms:g} V r.m.s. is too much for an attenuator on a sound card: "
                f"{HIGHEST_V_RMS:g} V is the limit here, and more than that is dangerous to touch"
            )

    @property
    def wished_ratio(self) -> float:
        """Volts at the unit over volts at the card."""
        if self.ratio is not None:
            return self.ratio
        return self.highest_v_rms / self.full_scale_v_rms * db_to_amplitude_ratio(self.headroom_db)

    def at_card_dbfs(self, pad: Pad) -> float:
        """Return where the highest voltage arrives, in dB relative to a full-scale sine."""
        return amplitude_ratio_to_db(self.highest_v_rms / pad.ratio(self.input_ohm) / self.full_scale_v_rms)

    def error_db(self, pad: Pad) -> float:
        """Return by how much more reaches the card than wished, in dB; negative: less."""
        return amplitude_ratio_to_db(self.wished_ratio / pad.ratio(self.input_ohm))


def _checked_volts(value: float, what: str) -> None:
    if not (math.isfinite(value) and 1e-3 <= value <= 1e4):
        raise RequestError(f"{what} of {value:g} V is none: use 1 mV to 10000 V")


def design(request: PadRequest, *, series: str = "E96", series_parts: int = 1, count: int = 3) -> tuple[Pad, ...]:
    """Return up to `count` attenuators of preferred values, the best first.

    series : 'E12', 'E24', 'E48' or 'E96'.  series_parts : equal resistors in the series arm, each a preferred value.
    Best: nearest to the wished ratio with the card connected (0.1 dB counts as equal), then nearest to the usual
    series arm. Raises RequestError when no attenuator is needed, the wished ratio overloads the card, or none serves.
    """
    _refuse_impossible(request)
    Pad(series_ohm=_SERIES_OHM, shunt_ohm=_SERIES_OHM, series_parts=series_parts)  # checks the number of parts
    suitable = [pad for pad in _pads(request, series, series_parts) if request.at_card_dbfs(pad) <= 0.0]
    if not suitable:
        raise RequestError(
            f"no pair of {series} values gives {request.wished_ratio:.4g}:1 into {request.input_ohm:g} Ω: "
            "try a finer series, other parts, or a higher ratio"
        )
    usual_ohm = _USUAL_OVER_LEAST * _least_series_ohm(request)
    return tuple(sorted(suitable, key=lambda pad: _rank(request, pad, usual_ohm))[:count])


def _rank(request: PadRequest, pad: Pad, usual_ohm: float) -> tuple[float, float, float]:
    error_db = abs(request.error_db(pad))
    return round(error_db / _EQUAL_DB), abs(math.log(pad.series_ohm / usual_ohm)), error_db


def _refuse_impossible(request: PadRequest) -> None:
    if request.wished_ratio <= 1.0:
        raise RequestError(
            f"the card takes {request.full_scale_v_rms:g} V, and the unit gives no more than "
            f"{request.highest_v_rms:g} V (with {request.headroom_db:g} dB headroom): no attenuator is needed"
        )
    if request.wished_ratio > HIGHEST_RATIO:
        raise RequestError(
            f"{request.highest_v_rms:g} V into a full scale of {request.full_scale_v_rms:g} V would want "
            f"{request.wished_ratio:.3g}:1, more than {HIGHEST_RATIO:g}:1: is the full scale right?"
        )
    least_ratio = request.highest_v_rms / request.full_scale_v_rms
    if request.wished_ratio < least_ratio:
        raise RequestError(
            f"a ratio of {request.wished_ratio:g} lets {request.highest_v_rms / request.wished_ratio:.3g} V reach a "
            f"card that takes {request.full_scale_v_rms:g} V: use {math.ceil(100 * least_ratio) / 100:g} or more"
        )


def _least_series_ohm(request: PadRequest) -> float:
    limited_ohm = SQRT2 * request.highest_v_rms / HIGHEST_FAULT_A_PEAK
    # A small ratio with a series arm of 10 kΩ would need a shunt that the card's own resistance outweighs.
    suiting_ohm = min(_SERIES_OHM, _SHUNT_OF_INPUT * request.input_ohm * (request.wished_ratio - 1.0))
    return max(limited_ohm, suiting_ohm)


def _pads(request: PadRequest, series: str, parts: int) -> Iterator[Pad]:
    low_ohm = _least_series_ohm(request) / parts
    if low_ohm < 1.0:
        low_ohm = 1.0
    for part_ohm in values_between(series, low_ohm, low_ohm * _SERIES_SPAN):
        series_ohm = part_ohm * parts
        across_ohm = series_ohm / (request.wished_ratio - 1.0)
        if across_ohm >= request.input_ohm:
            continue  # the card's resistance alone divides more than wished
        wanted_ohm = 1.0 / (1.0 / across_ohm - 1.0 / request.input_ohm)
        if not 10 * LEAST_OHM <= wanted_ohm <= MOST_OHM / 10:
            continue
        for shunt_ohm in neighbours(series, wanted_ohm):
            yield Pad(series_ohm=series_ohm, shunt_ohm=shunt_ohm, series_parts=parts)


def objections(request: PadRequest, pad: Pad) -> tuple[str, ...]:
    """Return why a pad must not be used for a request, one line each with what to do; empty: nothing against it."""
    found = []
    excess_db = request.at_card_dbfs(pad)
    if excess_db > 0.0:
        found.append(
            f"{request.highest_v_rms:g} V is {excess_db:.1f} dB above the card's full scale through it: "
            f"{pad.ratio(request.input_ohm) * request.full_scale_v_rms:.3g} V is the most; use a smaller shunt"
        )
    opened = faults(pad, request.input_ohm, request.highest_v_rms)[0]
    if opened.current_a_peak > HIGHEST_FAULT_A_PEAK * (1 + 1e-9):
        least_ohm = SQRT2 * request.highest_v_rms / HIGHEST_FAULT_A_PEAK
        found.append(
            f"with its shunt open {1000 * opened.current_a_peak:.3g} mA peak reach the card's clamp: make the series "
            f"arm {math.ceil(least_ohm)} Ω or more"
        )
    warm = heat(pad, request.input_ohm, request.highest_v_rms)
    for place, rating_w in (("series arm", warm.series_part_rating_w), ("shunt", warm.shunt_rating_w)):
        if rating_w is None:
            found.append(f"no usual resistor stands the heat in the {place}: use higher resistances")
    return tuple(found)


def remarks(request: PadRequest, pad: Pad) -> tuple[str, ...]:
    """Return what is worth knowing of a pad that may be used, one line each."""
    found = []
    change_db = loading_change_db(pad)
    if change_db >= _LOADING_DB:
        found.append(
            f"a card of 50 kΩ reads {change_db:.2f} dB more than one of 10 kΩ: measure it end to end, with its card"
        )
    if parallel_ohm(pad.shunt_ohm, request.input_ohm) < pad.shunt_ohm / 2.0:
        found.append("the card's input resistance outweighs the shunt: another card, another ratio")
    if request.highest_v_rms / pad.ratio(request.input_ohm) < 0.1 * request.full_scale_v_rms:
        found.append("the highest voltage fills less than a tenth of the card's scale: its noise counts for much")
    return tuple(found)
