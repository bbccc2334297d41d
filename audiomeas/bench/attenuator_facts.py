"""All figures of one attenuator as plain data, keys with their units: what JSON holds and the command prints."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from audiomeas.bench.attenuator import (
    USUAL_INPUT_OHM,
    Fault,
    Pad,
    bandwidth_hz,
    common_mode_rejection_db,
    faults,
    heat,
    loading_change_db,
    loss_at_20_khz_db,
    noise,
    tolerance_db,
)
from audiomeas.bench.attenuator_design import PadRequest, objections, remarks
from audiomeas.errors import RequestError

#: A loss at 20 kHz that is worth a word: about what a response is measured to.
CABLE_LOSS_DB = 0.05


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """What lies around a pad. tolerance : of the resistors, relative.  cable_f : farad.  card_noise_v_rms : or None."""

    tolerance: float = 0.01
    cable_f: float = 300e-12
    card_noise_v_rms: float | None = None
    bridged: bool = False

    def check(self, request: PadRequest) -> None:
        """Raise RequestError for a noise that can be none of a card with this full scale."""
        noise_v_rms = self.card_noise_v_rms
        if noise_v_rms is not None and noise_v_rms > 0.01 * request.full_scale_v_rms:
            raise RequestError(
                f"a card's noise of {noise_v_rms:g} V with a full scale of {request.full_scale_v_rms:g} V can't be: "
                "give what it adds by itself, such as '14 uV'"
            )


def pad_facts(request: PadRequest, pad: Pad, around: Surroundings) -> dict[str, Any]:
    """Return every figure of a pad. What is infinite or not known is None. Raises RequestError (impossible values)."""
    around.check(request)
    facts = {
        "series_ohm": pad.series_ohm,
        "series_parts": pad.series_parts,
        "series_part_ohm": pad.series_ohm / pad.series_parts,
        "shunt_ohm": pad.shunt_ohm,
        **_ratio_facts(request, pad, around),
        "unit_sees_ohm": pad.unit_sees_ohm(request.input_ohm),
        "heat": _heat_facts(request, pad),
        "noise": asdict(noise(pad, request.input_ohm, around.card_noise_v_rms)),
        "faults": [_fault_facts(request, fault) for fault in faults(pad, request.input_ohm, request.highest_v_rms)],
        **_bandwidth_facts(request, pad, around),
        "objections": list(objections(request, pad)),
        "remarks": [*remarks(request, pad), *_cable_remarks(request, pad, around)],
    }
    if around.bridged:
        rejection = common_mode_rejection_db(pad, request.input_ohm, around.tolerance)
        facts["common_mode_rejection_db"] = _finite(rejection)
    return facts


def _ratio_facts(request: PadRequest, pad: Pad, around: Surroundings) -> dict[str, Any]:
    ratio = pad.ratio(request.input_ohm)
    most_db, least_db = tolerance_db(pad, request.input_ohm, around.tolerance)
    return {
        "ratio": ratio,
        "ratio_wished": request.wished_ratio,
        "error_db": request.error_db(pad),
        "ratio_unloaded": pad.ratio(),
        "ratio_into_ohm": {f"{input_ohm:.0f}": pad.ratio(input_ohm) for input_ohm in USUAL_INPUT_OHM},
        "loading_change_db": loading_change_db(pad),
        "tolerance_percent": 100.0 * around.tolerance,
        "tolerance_most_db": most_db,
        "tolerance_least_db": least_db,
        "full_scale_at_unit_v_rms": ratio * request.full_scale_v_rms,
        "highest_at_card_dbfs": request.at_card_dbfs(pad),
    }


def _heat_facts(request: PadRequest, pad: Pad) -> dict[str, Any]:
    warm = heat(pad, request.input_ohm, request.highest_v_rms)
    ratings = {"series_part_rating_w": warm.series_part_rating_w, "shunt_rating_w": warm.shunt_rating_w}
    return asdict(warm) | ratings


def _fault_facts(request: PadRequest, fault: Fault) -> dict[str, Any]:
    return asdict(fault) | {"card_times_full_scale": fault.card_v_rms / request.full_scale_v_rms}


def _bandwidth_facts(request: PadRequest, pad: Pad, around: Surroundings) -> dict[str, Any]:
    corner_hz = bandwidth_hz(pad, request.input_ohm, around.cable_f)
    return {
        "cable_f": around.cable_f,
        "bandwidth_hz": _finite(corner_hz),
        "loss_at_20_khz_db": loss_at_20_khz_db(corner_hz),
    }


def _cable_remarks(request: PadRequest, pad: Pad, around: Surroundings) -> list[str]:
    loss_db = loss_at_20_khz_db(bandwidth_hz(pad, request.input_ohm, around.cable_f))
    if loss_db < CABLE_LOSS_DB:
        return []
    return [f"the cable takes {loss_db:.2f} dB at 20 kHz: a shorter one, or lower resistances"]


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
