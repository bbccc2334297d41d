"""The arithmetic of an attenuator of two resistors (pad) before a card: ratio, heat, noise, faults, bandwidth.

The series resistor goes from the unit's terminal to the card's input, the shunt resistor from there to ground; the
card's input resistance lies across the shunt. The unit's own source impedance counts as zero. Pure arithmetic: volts
r.m.s. of a sine at the unit's terminals, ohms, watts. Source: Ohm, Kirchhoff, Thévenin; noise from Nyquist (1928).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

from audiomeas.bench.resistors import checked_ohm, rating_to_choose_w
from audiomeas.errors import RequestError
from audiomeas.units import SQRT2, amplitude_ratio_to_db

#: SI 2019, exact.
BOLTZMANN_J_PER_K = 1.380649e-23
ROOM_TEMPERATURE_K = 293.15
AUDIO_BANDWIDTH_HZ = 20_000.0
#: Input resistances that line inputs have (common practice): how far the ratio moves between them shows what
#: an attenuator is worth that was never measured with its card.
USUAL_INPUT_OHM = (10_000.0, 50_000.0)
#: Small clamp diodes survive this (common practice).
HIGHEST_FAULT_A_PEAK = 0.010


@dataclass(frozen=True, kw_only=True)
class Pad:
    """An attenuator: resistances of the series and the shunt arm in Ω; series_parts : equal resistors in the former.

    Raises RequestError for a resistance that is none, and for a number of parts outside 1 to 10.
    """

    series_ohm: float
    shunt_ohm: float
    series_parts: int = 1

    def __post_init__(self) -> None:
        checked_ohm(self.series_ohm, "a series resistor")
        checked_ohm(self.shunt_ohm, "a shunt resistor")
        if not 1 <= self.series_parts <= 10:
            raise RequestError(f"{self.series_parts} parts in the series arm: use 1 to 10")

    @property
    def source_ohm(self) -> float:
        """What the card sees of the pad: both resistors in parallel, since the unit counts as zero."""
        return parallel_ohm(self.series_ohm, self.shunt_ohm)

    def ratio(self, input_ohm: float = math.inf) -> float:
        """Return volts at the unit over volts at the card, whose input resistance is input_ohm."""
        return _ratio(self.series_ohm, self.shunt_ohm, input_ohm)

    def unit_sees_ohm(self, input_ohm: float) -> float:
        """Return what lies across the unit's terminals."""
        return self.series_ohm + parallel_ohm(self.shunt_ohm, input_ohm)


@dataclass(frozen=True, kw_only=True)
class Heat:
    """What the resistors turn into heat. series_part_w : each of the equal parts. Rating None: none is usual."""

    series_w: float
    series_part_w: float
    shunt_w: float

    @property
    def series_part_rating_w(self) -> float | None:
        """The rating to choose for each part of the series arm."""
        return rating_to_choose_w(self.series_part_w)

    @property
    def shunt_rating_w(self) -> float | None:
        """The rating to choose for the shunt."""
        return rating_to_choose_w(self.shunt_w)


@dataclass(frozen=True, kw_only=True)
class PadNoise:
    """Noise from 20 Hz to 20 kHz, unweighted. card_v_rms, total_v_rms : at the unit's terminals; None: not stated."""

    pad_at_card_v_rms: float
    pad_v_rms: float
    card_v_rms: float | None
    total_v_rms: float | None


@dataclass(frozen=True, kw_only=True)
class Fault:
    """What one broken resistor does at the highest voltage.

    what : 'shunt open', 'shunt short', 'series short'.  card_v_rms : what the card gets (its clamp not counted).
    current_a_peak : what flows from the unit.  heat_w : the worst of the resistors
    that are left.
    """

    what: str
    card_v_rms: float
    current_a_peak: float
    heat_w: float


def _ratio(series_ohm: float, shunt_ohm: float, input_ohm: float) -> float:
    return 1.0 + series_ohm / parallel_ohm(shunt_ohm, input_ohm)


def parallel_ohm(first_ohm: float, second_ohm: float) -> float:
    """Return two resistances in parallel; either may be infinite."""
    if math.isinf(second_ohm):
        return first_ohm
    return first_ohm * second_ohm / (first_ohm + second_ohm)


def heat(pad: Pad, input_ohm: float, highest_v_rms: float) -> Heat:
    """Return the dissipation of each resistor at a steady sine of highest_v_rms."""
    at_card_v_rms = highest_v_rms / pad.ratio(input_ohm)
    series_w = (highest_v_rms - at_card_v_rms) ** 2 / pad.series_ohm
    shunt_w = at_card_v_rms**2 / pad.shunt_ohm
    return Heat(series_w=series_w, series_part_w=series_w / pad.series_parts, shunt_w=shunt_w)


def loading_change_db(pad: Pad) -> float:
    """Return by how many dB more reaches a card of 50 kΩ than one of 10 kΩ: never below zero."""
    low_ohm, high_ohm = USUAL_INPUT_OHM
    return amplitude_ratio_to_db(pad.ratio(low_ohm) / pad.ratio(high_ohm))


def tolerance_db(pad: Pad, input_ohm: float, tolerance: float) -> tuple[float, float]:
    """Return the most and the least that may reach the card, in dB relative to the nominal (≥ 0, ≤ 0).

    tolerance : relative, of both resistors, such as 0.01; the input resistance counts as exact. The exact corners.
    """
    nominal = pad.ratio(input_ohm)
    levels = [amplitude_ratio_to_db(nominal / ratio) for ratio in _corner_ratios(pad, input_ohm, tolerance)]
    return max(levels), min(levels)


def _corner_ratios(pad: Pad, input_ohm: float, tolerance: float) -> Iterator[float]:
    if not 0.0 <= tolerance <= 0.2:
        raise RequestError(f"a tolerance of {100 * tolerance:g} % is none of a resistor: use 0 to 20 %")
    for series, shunt in product((1 - tolerance, 1 + tolerance), repeat=2):
        yield _ratio(pad.series_ohm * series, pad.shunt_ohm * shunt, input_ohm)


def common_mode_rejection_db(pad: Pad, input_ohm: float, tolerance: float) -> float:
    """Return the least rejection of what is common to two such pads whose outputs are subtracted.

    The worst pair that the tolerance allows: one at its upper corner, one at its lower. Gain for a difference (mean
    of both) over gain for what is common (difference of both); infinite for exact resistors.
    """
    gains = [1.0 / ratio for ratio in _corner_ratios(pad, input_ohm, tolerance)]
    return rejection_db((max(gains) - min(gains)) / (0.5 * (max(gains) + min(gains))))


def rejection_db(mismatch: float) -> float:
    """Return the common-mode rejection that a relative mismatch of two gains leaves: 0.01 gives 40 dB."""
    return math.inf if mismatch == 0.0 else -amplitude_ratio_to_db(mismatch)


def thermal_noise_v_rms(
    resistance_ohm: float, *, bandwidth_hz: float = AUDIO_BANDWIDTH_HZ, temperature_k: float = ROOM_TEMPERATURE_K
) -> float:
    """Return the open-circuit noise of a resistance, √(4kTRB). Source: Nyquist, Phys. Rev. 32 (1928)."""
    return math.sqrt(4.0 * BOLTZMANN_J_PER_K * temperature_k * resistance_ohm * bandwidth_hz)


def noise(pad: Pad, input_ohm: float, card_noise_v_rms: float | None) -> PadNoise:
    """Return what pad and card add, as seen at the unit's terminals.

    card_noise_v_rms : of the card itself, at its input, 20 Hz to 20 kHz; None: not known. The pad's noise is that of
    its two resistors; the card's figure holds what its own input resistance makes.
    """
    # The open-circuit noise of the pad and the signal pass the same divider, source against input resistance, so the
    # ratio that refers it to the terminals is the unloaded one.
    open_v_rms = thermal_noise_v_rms(pad.source_ohm)
    pad_v_rms = open_v_rms * pad.ratio()
    card_v_rms = None if card_noise_v_rms is None else card_noise_v_rms * pad.ratio(input_ohm)
    return PadNoise(
        pad_at_card_v_rms=pad_v_rms / pad.ratio(input_ohm),
        pad_v_rms=pad_v_rms,
        card_v_rms=card_v_rms,
        total_v_rms=None if card_v_rms is None else math.hypot(pad_v_rms, card_v_rms),
    )


def faults(pad: Pad, input_ohm: float, highest_v_rms: float) -> tuple[Fault, ...]:
    """Return what happens when the shunt opens, when it shorts, and when the series arm is bridged.

    With the shunt open the card's clamp conducts, so that the whole voltage lies across the series arm. With the series
    arm bridged nothing limits a clamp: the current stated is only what shunt and card take.
    """
    through_series_a = SQRT2 * highest_v_rms / pad.series_ohm
    opened_v_rms = highest_v_rms * input_ohm / (pad.series_ohm + input_ohm)
    all_on_series_w = highest_v_rms**2 / pad.series_ohm
    return (
        Fault(
            what="shunt open",
            card_v_rms=opened_v_rms,
            current_a_peak=through_series_a,
            heat_w=all_on_series_w,
        ),
        Fault(what="shunt short", card_v_rms=0.0, current_a_peak=through_series_a, heat_w=all_on_series_w),
        Fault(
            what="series short",
            card_v_rms=highest_v_rms,
            current_a_peak=SQRT2 * highest_v_rms / parallel_ohm(pad.shunt_ohm, input_ohm),
            heat_w=highest_v_rms**2 / pad.shunt_ohm,
        ),
    )


def bandwidth_hz(pad: Pad, input_ohm: float, cable_f: float) -> float:
    """Return the frequency where a cable of cable_f (farad) at the card's end takes 3 dB; infinite without a cable."""
    if not (math.isfinite(cable_f) and 0.0 <= cable_f <= 1e-6):
        raise RequestError(f"a cable of {1e12 * cable_f:g} pF is none: use 0 to 1000000 pF")
    if cable_f == 0.0:
        return math.inf
    return 1.0 / (2.0 * math.pi * parallel_ohm(pad.source_ohm, input_ohm) * cable_f)


def loss_at_20_khz_db(corner_hz: float) -> float:
    """Return what a first-order low-pass of that corner takes at 20 kHz, as a positive number of dB."""
    return amplitude_ratio_to_db(math.hypot(1.0, AUDIO_BANDWIDTH_HZ / corner_hz))
