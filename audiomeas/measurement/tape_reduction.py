"""What a deck's noise reduction does: one side recorded and played with it, held against the same without it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import Part
from audiomeas.measurement.budget import NOISE_AND_FIT
from audiomeas.measurement.tape_channel import NEAR, TapeChannel
from audiomeas.measurement.tape_media import RESPONSE, TRACKING

_NOISE = "noise_a_dbfs"


def tell_spots(one: TapeChannel) -> None:
    """Keep the levels and the noise that another capture of the same side is held against."""
    scale_v = one.about.recording.v_rms_at_full_scale[one.column]
    rows = []
    for part in one.read.having(RESPONSE, TRACKING):
        level = one.level(part)
        if level is None or part.part.level_db is None:
            continue
        rows.append(
            {
                "frequency_hz": part.part.frequency_hz,
                "recorded_db": part.part.level_db,
                "level_dbfs": 20.0 * math.log10(level.rms),
                "level_v_rms": None if scale_v is None else level.rms * scale_v,
                "uncertainty": {"level_dbfs": DB_PER_NEPER * level.half_width / level.rms},
            }
        )
    one.told.values["spots"] = rows
    one.told.copy(_NOISE, one.of(one.read.noise), "a_weighted_dbfs")


def tell_noise_reduction(one: TapeChannel) -> None:
    """Tell what noise reduction does to the levels that both captures hold, and to the noise."""
    other = one.of(one.about.without_nr)
    if other is None:
        return
    spots, before = one.told.values["spots"], other.values.get("spots") or []
    if not spots or not before:
        missing = "this capture" if not spots else "the capture without it"
        one.words.append(f"no tone at a known level is heard in {missing}: what noise reduction does is not known")
        return
    shift_db = _shift_db(spots, before)
    if shift_db is None:
        one.words.append(
            "only one of the two captures tells volts, so that levels can't be held against each other: noise "
            "reduction is not told; capture both on one bench with its calibration"
        )
        return
    rows = _changes(one, spots, before, shift_db)
    one.told.values["noise_reduction"] = rows
    if rows:
        worst = max(rows, key=lambda row: abs(row["change_db"]))
        one.told.values["nr_tracking_db"] = worst["change_db"]
        one.told.add("nr_tracking_db", (Part(NOISE_AND_FIT, worst["uncertainty"]["change_db"]),))
    key = "nr_gain_db"
    one.told.less(key, other, _NOISE, one.of(one.read.noise), "a_weighted_dbfs")
    if one.told.values[key] is not None:
        one.told.values[key] -= shift_db


def _changes(
    one: TapeChannel, spots: list[dict[str, Any]], before: list[Mapping[str, Any]], shift_db: float
) -> list[dict[str, Any]]:
    """Return how far each level lies above that without; at the frequencies for tracking, where the side has any."""
    of = {(row["frequency_hz"], row["recorded_db"]): row for row in before}
    asked_hz = {part.part.frequency_hz for part in one.read.having(TRACKING)}
    rows = []
    for row in spots:
        old = of.get((row["frequency_hz"], row["recorded_db"]))
        if old is None or (asked_hz and not any(abs(row["frequency_hz"] / hz - 1.0) < NEAR for hz in asked_hz)):
            continue
        half_db = math.hypot(*(side["uncertainty"]["level_dbfs"] for side in (row, old)))
        rows.append(
            {
                "frequency_hz": row["frequency_hz"],
                "recorded_db": row["recorded_db"],
                "change_db": row["level_dbfs"] - old["level_dbfs"] + shift_db,
                "uncertainty": {"change_db": half_db},
            }
        )
    return rows


def _shift_db(spots: list[dict[str, Any]], before: list[Mapping[str, Any]]) -> float | None:
    """Return by how much full scale of this capture lies above that of the other; None: only one of them tells.

    Without a calibration of either they are taken to have one gain.
    """
    scales_db = [next((_scale_db(row) for row in rows), None) for rows in (spots, before)]
    if scales_db[0] is None or scales_db[1] is None:
        return 0.0 if scales_db[0] is scales_db[1] else None
    return scales_db[0] - scales_db[1]


def _scale_db(row: Mapping[str, Any]) -> float | None:
    volts = row.get("level_v_rms")
    return None if volts is None else 20.0 * math.log10(volts) - float(row["level_dbfs"])
