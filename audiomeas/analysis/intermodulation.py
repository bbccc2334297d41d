"""Intermodulation of two tones by the definitions of the standards, from the lines that `twotone` reads.

Modulation (SMPTE RP 120, DIN 45403, IEC 60268-3): a low and a high tone, 4:1. d_mk is the arithmetic sum of the two
sidebands at f2 ± (k − 1)·f1 over U(f2): the depth of the modulation of f2. Total: the root of the sum of their squares
(as an envelope meter reads it); beside it the root of the summed squares of all sidebands, which is √2 lower
(3.0103 dB) when the pairs are symmetric.
Difference frequency (IEC 60268-3): two equal tones. d_d2 = U(f2 − f1) and d_d3 = U(2·f1 − f2) + U(2·f2 − f1), both
over U(f1) + U(f2). Total: the root of the sum of their squares.
Transient (IEC 60268-3; Leinonen, Otala, Curl 1977): a square and a sine. The root of the summed squares of the nine
lines |m·f1 − f2| over U(f2).
Any pair: the root of the summed squares of all products up to an order, over the r.m.s. value of the two tones.
All definitions from memory of the standards (definitions.md, section 2).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.charted import Spectrum
from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.analysis.harmonics import power_sum
from audiomeas.analysis.twotone import HIGH, LOW, FittedTone, Product, Term, TwoTones, fit_two_tones
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

MODULATION = "modulation"
DIFFERENCE = "difference"
TRANSIENT = "transient"
PAIR = "pair"
#: Amplitude of the low tone over that of the high one, as each method plays them (the square: its fundamental).
PLAYED_RATIO = {MODULATION: 4.0, DIFFERENCE: 1.0, TRANSIENT: 4.0 * 4.0 / math.pi, PAIR: None}
#: Products of the transient form.
TRANSIENT_PRODUCTS = 9
#: Two tones whose ratio is off by more than this are not what the method asks for (a unit changes it by less).
_RATIO_OFF_DB = 12.0
#: … and by more than this, it is said.
_RATIO_SAID_DB = 1.0
#: A chart's spectrum ends here: what lies above is heard by nobody, and a pair of 19 and 20 kHz has its products below.
_SHOWN_UP_TO_HZ = 24_000.0


@dataclass(frozen=True, kw_only=True)
class Ratio:
    """A ratio of voltages. at_most : `value` is a 95 % upper limit; uncertainty : 95 % half-width, else 0."""

    value: float
    uncertainty: float
    at_most: bool


@dataclass(frozen=True, kw_only=True)
class Intermodulation:
    """What two tones tell of a unit, in the unit of the signal.

    reference_rms : what all ratios are relative to (see the module).  total : by the method's definition; None when a
    product that belongs to it can't be known.  rss : root of the summed squares of all counted products.
    orders : per order, None when not known.  products : all lines read, rising; counted : those in the total.
    scale : fitted over played frequencies; None when they were fitted one by one.
    """

    method: str
    sample_rate_hz: float
    frames: int
    low: FittedTone
    high: FittedTone
    scale: float | None
    reference_rms: float
    total: Ratio | None
    rss: Ratio | None
    orders: Mapping[int, Ratio | None]
    products: tuple[Product, ...]
    counted: frozenset[Term]
    limits_hz: tuple[float, float]
    spectrum: Spectrum
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Plan:
    """What a method counts. groups : per order, terms whose voltages add; between groups the squares add."""

    groups: Mapping[int, tuple[tuple[Term, ...], ...]]
    needed: frozenset[int]


def analyze_intermodulation(
    signal: FloatArray,
    sample_rate_hz: float,
    *,
    method: str,
    near_hz: tuple[float, float] | None,
    one_scale: bool = False,
    played_ratio: float | None = None,
    highest_order: int = 5,
    limits_hz: tuple[float, float | None] = (20.0, None),
    spectrum_points: int = 1200,
) -> Intermodulation:
    """Analyse the intermodulation of two steady tones.

    signal : (frames,) float64, one channel, any unit; not written to.   method : 'modulation', 'difference',
    'transient' or 'pair'.   near_hz : where the tones are expected (within 2 %), low and high (transient: the
    square's fundamental and the sine); None (pair only): the two strongest lines.   one_scale : near_hz are as played.
    played_ratio : amplitude of the low tone over the high one's, when it differs from the method's.
    highest_order : of products that are read and counted, 2 to 9.   limits_hz : products outside are not counted;
    the high one None: up to four bins below half the sample rate.

    Raises SignalError: as `fit_two_tones`; tones swapped, one of them missing, or weaker than other lines; no product
    within the limits. Sources: see the module.
    """
    _check_request(method, highest_order, near_hz)
    low_limit_hz, high_limit_hz = limits_hz
    products = _products_up_to(highest_order)
    plan = _plan(method, highest_order, products)
    fitted = fit_two_tones(
        signal,
        sample_rate_hz,
        near_hz=near_hz,
        terms=_terms(method, highest_order, products, near_hz, sample_rate_hz),
        one_scale=one_scale,
        spectrum_points=spectrum_points,
        spectrum_hz=_shown_hz(method, near_hz, highest_order),
    )
    highest_hz = sample_rate_hz / 2 if high_limit_hz is None else min(high_limit_hz, sample_rate_hz / 2)
    played_ratio = _ratio_of(method, played_ratio)
    _check_tones(fitted, played_ratio, method)
    return _assembled(method, plan, fitted, (low_limit_hz, highest_hz), sample_rate_hz, played_ratio)


def _shown_hz(method: str, near_hz: tuple[float, float] | None, highest_order: int) -> tuple[float, float]:
    """Return the span of frequencies worth a chart: the sidebands of a modulated tone, else all up to 24 kHz."""
    if method != MODULATION or near_hz is None:
        return 0.0, _SHOWN_UP_TO_HZ
    reach_hz = near_hz[0] * (highest_order + 1)
    return max(near_hz[1] - reach_hz, 0.0), near_hz[1] + reach_hz


def _ratio_of(method: str, played_ratio: float | None) -> float | None:
    return PLAYED_RATIO[method] if played_ratio is None else played_ratio


def _check_request(method: str, highest_order: int, near_hz: tuple[float, float] | None) -> None:
    if method not in PLAYED_RATIO:
        raise SignalError(f"unknown method {method!r}: use {', '.join(PLAYED_RATIO)}")
    if not 2 <= highest_order <= 9:
        raise SignalError(f"products are read up to an order from 2 to 9, not {highest_order}")
    if near_hz is None and method != PAIR:
        raise SignalError(f"the {method} form needs to know its two frequencies")
    if near_hz is not None and not 0.0 < near_hz[0] < near_hz[1]:
        raise SignalError(f"the low tone ({near_hz[0]:g} Hz) must lie below the high one ({near_hz[1]:g} Hz)")


def _products_up_to(order: int) -> list[Term]:
    """Return m·f1 + n·f2 with both tones in it, n above zero, by order."""
    terms = [(sign * (total - n), n) for total in range(2, order + 1) for n in range(1, total) for sign in (-1, 1)]
    return [term for term in terms if term[0] != 0]


def _harmonics_up_to(order: int) -> list[Term]:
    return [term for k in range(2, order + 1) for term in ((k, 0), (0, k))]


def _terms(
    method: str,
    order: int,
    products: list[Term],
    near_hz: tuple[float, float] | None,
    sample_rate_hz: float,
) -> list[Term]:
    """Return the lines that are fitted, the more important first."""
    if method == TRANSIENT and near_hz is not None:
        harmonics = [(k, 0) for k in range(2, int(sample_rate_hz / 2 / near_hz[0]) + 1)]
        return [*harmonics, *((m, -1) for m in range(1, TRANSIENT_PRODUCTS + 1)), (0, 2)]
    harmonics = _harmonics_up_to(order)
    both = sorted([*harmonics, *products], key=lambda term: (abs(term[0]) + abs(term[1]), term not in harmonics))
    return both


def _plan(method: str, order: int, products: list[Term]) -> _Plan:
    if method == MODULATION:
        sidebands = {k: (((-(k - 1), 1), (k - 1, 1)),) for k in range(2, order + 1)}
        return _Plan(sidebands, frozenset({2, 3} & set(sidebands)))
    if method == DIFFERENCE:
        third: dict[int, tuple[tuple[Term, ...], ...]] = {3: (((2, -1), (-1, 2)),)} if order >= 3 else {}
        return _Plan({2: (((-1, 1),),), **third}, frozenset({2, *third}))
    if method == TRANSIENT:
        lines = {m + 1: (((m, -1),),) for m in range(1, TRANSIENT_PRODUCTS + 1)}
        return _Plan(lines, frozenset(lines))
    every = {k: tuple((term,) for term in products if abs(term[0]) + abs(term[1]) == k) for k in range(2, order + 1)}
    return _Plan(every, frozenset())


def _check_tones(fitted: TwoTones, played_ratio: float | None, method: str) -> None:
    low, high = fitted.low, fitted.high
    weaker = min(low, high, key=lambda tone: tone.level_rms)
    products = [one for one in fitted.products if method != TRANSIENT or one.term[1] != 0]
    power, frequency_hz = max(
        [(one.power, one.frequency_hz) for one in products]
        + [(fitted.strongest_other_power, fitted.strongest_other_hz)]
    )
    if power > weaker.level_rms**2:
        raise SignalError(
            f"the line at {frequency_hz:.6g} Hz is stronger than the tone at {weaker.frequency_hz:.6g} Hz: the two "
            "tones of intermodulation must be the strongest lines; check what was played and its frequencies"
        )
    if played_ratio is None:
        return
    off_db = 20.0 * math.log10(low.level_rms / high.level_rms / played_ratio)
    if abs(off_db) > _RATIO_OFF_DB:
        swapped = abs(20.0 * math.log10(high.level_rms / low.level_rms / played_ratio)) < _RATIO_OFF_DB
        why = "they look swapped" if swapped else "one of them is almost missing"
        raise SignalError(
            f"the tones at {low.frequency_hz:.6g} and {high.frequency_hz:.6g} Hz have an amplitude ratio of "
            f"{low.level_rms / high.level_rms:.3g} where {played_ratio:.3g} is played: {why}; play the right pair"
        )


def _assembled(
    method: str,
    plan: _Plan,
    fitted: TwoTones,
    limits_hz: tuple[float, float],
    sample_rate_hz: float,
    played_ratio: float | None,
) -> Intermodulation:
    notes: list[str] = []
    reference_rms = _reference(method, fitted.low.level_rms, fitted.high.level_rms)
    relative = _reference_uncertainty(method, fitted) / reference_rms
    found: dict[int, list[list[Product]] | None] = {}
    for order, groups in plan.groups.items():
        found[order] = _known(groups, fitted, limits_hz, notes, order in plan.needed)
    orders = {order: _grouped(groups, reference_rms, relative) if groups else None for order, groups in found.items()}
    if all(ratio is None for ratio in orders.values()):
        raise SignalError(
            f"no product of {fitted.low.frequency_hz:.6g} and {fitted.high.frequency_hz:.6g} Hz can be told from "
            f"{limits_hz[0]:g} to {limits_hz[1]:g} Hz: " + ("; ".join(notes) or "choose another pair, or wider limits")
        )
    whole = all(orders[order] is not None for order in plan.needed)
    counted = [group for groups in found.values() for group in groups or ()]
    if played_ratio is not None:
        notes += _ratio_note(fitted, played_ratio)
    return Intermodulation(
        method=method,
        sample_rate_hz=sample_rate_hz,
        frames=fitted.frames,
        low=fitted.low,
        high=fitted.high,
        scale=fitted.scale,
        reference_rms=reference_rms,
        total=_grouped(counted, reference_rms, relative) if whole else None,
        rss=_grouped([[one] for group in counted for one in group], reference_rms, relative) if whole else None,
        orders=orders,
        products=tuple(sorted(_listed(method, fitted, limits_hz), key=lambda one: one.frequency_hz)),
        counted=frozenset(one.term for group in counted for one in group),
        limits_hz=limits_hz,
        spectrum=fitted.spectrum,
        notes=tuple(dict.fromkeys(notes)),
    )


def _reference(method: str, low_rms: float, high_rms: float) -> float:
    if method in (MODULATION, TRANSIENT):
        return high_rms
    return low_rms + high_rms if method == DIFFERENCE else math.hypot(low_rms, high_rms)


def _reference_uncertainty(method: str, fitted: TwoTones) -> float:
    if method in (MODULATION, TRANSIENT):
        return fitted.high.level_uncertainty
    return math.hypot(fitted.low.level_uncertainty, fitted.high.level_uncertainty)


def _known(
    groups: Sequence[Sequence[Term]],
    fitted: TwoTones,
    limits_hz: tuple[float, float],
    notes: list[str],
    needed: bool,
) -> list[list[Product]] | None:
    """Return the lines of an order's groups; None when one that the definition needs can't be known.

    Products that no definition needs (higher orders, any pair) are left out when they lie beyond the limits.
    """
    known: list[list[Product]] = []
    for group in groups:
        lines = [product for term in group if (product := _within(term, fitted, limits_hz)) is not None]
        for term in group:
            hidden = _on_what(term, fitted)
            if hidden is not None:
                notes.append(f"{term_text(term)} falls on {hidden} and is not counted: use another pair")
            elif needed and _within(term, fitted, limits_hz) is None:
                notes.append(_beyond_words(term, fitted, limits_hz))
        if len(lines) == len(group):
            known.append(lines)
        elif needed or len(group) > 1:
            return None
    return known or None


def _within(term: Term, fitted: TwoTones, limits_hz: tuple[float, float]) -> Product | None:
    product = fitted.product(term)
    return product if product is not None and limits_hz[0] <= product.frequency_hz <= limits_hz[1] else None


def _on_what(term: Term, fitted: TwoTones) -> str | None:
    """Return the line that a term can't be told from, or None."""
    on = next((other for own, other in fitted.merged if own in (term, (-term[0], -term[1]))), None)
    if on is None:
        return None
    return "DC" if on == (0, 0) else {LOW: "the low tone", HIGH: "the high tone"}.get(on, term_text(on))


def _beyond_words(term: Term, fitted: TwoTones, limits_hz: tuple[float, float]) -> str:
    frequency_hz = abs(term[0] * fitted.low.frequency_hz + term[1] * fitted.high.frequency_hz)
    half_rate_hz = fitted.bin_hz * fitted.frames / 2
    way_out = "use a higher rate" if limits_hz[1] >= half_rate_hz else "widen the limits"
    return (
        f"{term_text(term)} at {frequency_hz:.6g} Hz lies beyond {limits_hz[0]:g} to {limits_hz[1]:g} Hz, so that what "
        f"counts it is not known: {way_out}, or use another pair"
    )


def term_text(term: Term) -> str:
    """Return m·f1 + n·f2 in words: 'f2 − f1', '2·f1 − f2', 'f2 + 2·f1'."""
    parts = [(factor, name) for factor, name in ((term[1], "f2"), (term[0], "f1")) if factor]
    parts.sort(key=lambda part: part[0] < 0)
    text = ""
    for factor, name in parts:
        own = name if abs(factor) == 1 else f"{abs(factor)}·{name}"
        sign = "−" if factor < 0 else "+"
        text += own if not text and factor > 0 else f" {sign} {own}" if text else f"{sign}{own}"
    return text


def _grouped(groups: Sequence[Sequence[Product]], reference_rms: float, reference_uncertainty: float) -> Ratio:
    """Return the root of the sum over groups of (sum of voltages in the group)², over a reference.

    Powers are less noise, and may be negative by chance: so that many lines of nothing don't add up to something. Where
    all together can't be told from noise: the upper limit (a sum of k voltages is at most √k times their r.s.s.).
    """
    lines = [one for group in groups for one in group]
    powers, noises = np.array([one.power for one in lines]), np.array([one.noise for one in lines])
    together = power_sum(powers, noises)
    if together.at_most:
        most = max(len(group) for group in groups)
        return Ratio(value=math.sqrt(most * together.upper_95) / reference_rms, uncertainty=0.0, at_most=True)
    square, variance = 0.0, float(np.sum(noises**2))
    for group in groups:
        volts = [math.sqrt(max(one.power, 0.0)) for one in group]
        cross = sum(volts) ** 2 - sum(value**2 for value in volts)
        square += sum(one.power for one in group) + cross
        variance += 2.0 * sum(volts) ** 2 * sum(one.noise for one in group)
    value = math.sqrt(max(square, together.mean_square))
    own = TWO_SIDED_95 * math.sqrt(variance) / (2.0 * value)
    return Ratio(
        value=value / reference_rms,
        uncertainty=math.hypot(own / reference_rms, reference_uncertainty * value / reference_rms),
        at_most=False,
    )


def _ratio_note(fitted: TwoTones, played_ratio: float) -> list[str]:
    ratio = fitted.low.level_rms / fitted.high.level_rms
    off_db = 20.0 * math.log10(ratio / played_ratio)
    if abs(off_db) < _RATIO_SAID_DB:
        return []
    return [f"the tones' amplitude ratio is {ratio:.3g}, {off_db:+.1f} dB from the {played_ratio:.3g} that is played"]


def _listed(method: str, fitted: TwoTones, limits_hz: tuple[float, float]) -> list[Product]:
    """Return the products within the limits: lines that need both tones."""
    return [
        one
        for one in fitted.products
        if one.term[0] != 0
        and one.term[1] != 0
        and limits_hz[0] <= one.frequency_hz <= limits_hz[1]
        and one.term not in (LOW, HIGH)
    ]
