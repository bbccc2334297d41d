"""What figures of a tape are consistent with, and what to check: by the trade's rules, in its own careful words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from audiomeas.measurement.tape_options import ELSEWHERE
from audiomeas.measurement.trade_limits import BIAS_DB, DRAG_PERCENT, MAGNETISED_DB, WANDER_DEG

#: Third harmonic at 0 dB that bias makes, or takes away (trade notes 4, row 27; 2.8 for what is usual).
_USUAL_H3_PERCENT, _LOW_H3_PERCENT = 1.5, 0.75
#: A head that is dirty (row 25).
_UNSTEADY_DB = 1.0
#: Levels that noise reduction may move (2.8); the weakest kind lowers noise by 8 dB.
_TRACKING_DB, _LEAST_NR_DB = 2.0, 3.0


def words_of(values: Mapping[str, Any], bound: Mapping[str, str], *, recorded: str, with_nr: bool = False) -> list[str]:
    """Return what is to be said of a channel. values, bound : of `tape_values`.   recorded : by whom.

    with_nr : through a noise reduction, which multiplies what is wrong with treble: that tells no bias then.
    """
    words = [
        *_of_wander(values["azimuth_wander_deg"]),
        *_of_second_harmonic(None if "h2_percent" in bound else values["h2_percent"]),
        *_of_unsteady_treble(values["treble_unsteady_db"]),
        *_of_drag(values["side_drift_percent"]),
        *(_of_noise_reduction(values["nr_tracking_db"], values["nr_gain_db"]) if with_nr else ()),
    ]
    if with_nr or recorded == ELSEWHERE or values["treble_db"] is None or values["h3_percent"] is None:
        return words
    return [*words, *_of_bias(values["treble_db"], values["h3_percent"])]


def _of_wander(wander_deg: float | None) -> list[str]:
    if wander_deg is None or not wander_deg > WANDER_DEG:
        return []
    return [
        f"the phase between the tracks wanders by {wander_deg:.0f} degrees: consistent with a tape that is not guided "
        "well; check guides, tension and pressure pad"
    ]


def _of_second_harmonic(percent: float | None) -> list[str]:
    if percent is None or not percent > 0.0:
        return []
    level_db = 20.0 * math.log10(percent / 100.0)
    if not level_db > MAGNETISED_DB:
        return []
    return [
        f"the second harmonic lies at {level_db:.0f} dB: consistent with a magnetised head or tape path; "
        "demagnetise it, and play again"
    ]


def _of_unsteady_treble(unsteady_db: float | None) -> list[str]:
    if unsteady_db is None or not unsteady_db > _UNSTEADY_DB:
        return []
    return [
        f"the treble is unsteady by {unsteady_db:.1f} dB: consistent with dirt on the head, poor contact or a worn "
        "tape; clean, and check the pressure pad"
    ]


def _of_drag(drift_percent: float | None) -> list[str]:
    if drift_percent is None or not abs(drift_percent) > DRAG_PERCENT:
        return []
    return [
        f"the speed changes by {drift_percent:+.2f} % over the side: consistent with drag or slip of the reels; check "
        "clutches, brakes and pinch roller"
    ]


def _of_noise_reduction(tracking_db: float | None, gain_db: float | None) -> list[str]:
    """Return what is to be said of levels that noise reduction moves, and of noise that it leaves."""
    if gain_db is not None and gain_db < _LEAST_NR_DB:
        return [
            f"noise reduction lowers the noise by {gain_db:.1f} dB only: was it on in recording and in replay of this "
            "capture, and off in both of the one without? Else the noise is not the tape's"
        ]
    if tracking_db is None or not abs(tracking_db) > _TRACKING_DB:
        return []
    return [
        f"noise reduction moves a level by {tracking_db:+.1f} dB: consistent with a record level or bias that does not "
        "fit the tape, or with noise reduction that was on in replay only; check its switch first, then record level"
    ]


def _of_bias(treble_db: float, h3_percent: float) -> list[str]:
    if abs(treble_db) <= BIAS_DB:
        return []
    stands = f"10 kHz stands {treble_db:+.1f} dB against 1 kHz, with {h3_percent:.2g} % of third harmonic"
    if treble_db > 0.0 and h3_percent > _USUAL_H3_PERCENT:
        return [f"{stands}: consistent with too little bias; check the bias for this tape"]
    if treble_db < 0.0 and h3_percent < _LOW_H3_PERCENT:
        return [f"{stands}: consistent with too much bias; check the bias for this tape, and heads and azimuth as well"]
    return [f"{stands}, which does not say that it is bias: check azimuth, heads and the tape's type first, then bias"]
