"""Hum as values of a noise result: its lines, their sum, and what their pattern is consistent with."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import combined
from audiomeas.measurement.budget import Told, own_parts
from audiomeas.measurement.noise_unit import SampleUnit
from audiomeas.measurement.steady import LEAST_RELATIVE

if TYPE_CHECKING:
    from audiomeas.analysis.hum import Hum, HumLine


def tell_hum(told: Told, hum: Hum, unit: SampleUnit, *, bench: Hum | None = None) -> None:
    """Tell `hum` (lines that stand out, and bounds of the others once the mains is known), its sum and mains_hz.

    bench : of the bench alone, same channel, range and unit of samples: what of each line is the unit's own is told.
    """
    from audiomeas.analysis.hum_signs import consistent_with

    values = told.values
    found = hum.mains_hz is not None
    values["mains_hz"] = hum.mains_hz
    if hum.mains_uncertainty_hz is not None:
        told.uncertainty["mains_hz"] = hum.mains_uncertainty_hz
    values["hum"] = [_row(line, unit) for line in hum.lines if found]
    values["hum_odd_percent"] = hum.odd_percent
    values["hum_consistent_with"] = consistent_with(hum)
    values["hum_wander_hz"] = hum.wander_hz
    _tell_sum(told, hum, unit)
    if bench is not None:
        _tell_without_bench(told, hum, bench, unit)


def _tell_without_bench(told: Told, hum: Hum, bench: Hum, unit: SampleUnit) -> None:
    """Tell of each line that stands out what is the unit's own; hum of which a line may be the bench's is a bound."""
    from audiomeas.analysis.hum_signs import without_bench

    by_multiple = {row["multiple"]: row for row in told.values["hum"]}
    lines = without_bench(hum, bench)
    for line in lines:
        row = by_multiple[line.multiple]
        row["attributable"] = line.attributable
        row["unit_level_v_rms"] = unit.volts(line.level_v_rms)
        row["unit_level_dbfs"] = unit.dbfs(line.level_v_rms)
        if line.at_most:
            row["unit_bound"] = "at most"
    strongest = max(lines, key=lambda line: line.level_v_rms, default=None)
    if strongest is not None and not strongest.attributable:
        for key in ("hum_v_rms", "hum_dbfs"):
            if told.values[key] is not None:
                told.at_most(key)


def _row(line: HumLine, unit: SampleUnit) -> dict[str, Any]:
    level = line.level_v_rms
    row: dict[str, Any] = {
        "multiple": line.multiple,
        "frequency_hz": line.frequency_hz,
        "level_v_rms": unit.volts(level),
        "level_dbfs": unit.dbfs(level),
    }
    if line.at_most:
        return {**row, "bound": "at most"}
    own = line.uncertainty_v_rms / level
    row["uncertainty_db"] = DB_PER_NEPER * math.hypot(own, LEAST_RELATIVE)
    if unit.in_volts and unit.scale is not None:
        row["uncertainty_v_rms"] = level * combined((*unit.scale, *own_parts(own)))
    return row


def _tell_sum(told: Told, hum: Hum, unit: SampleUnit) -> None:
    """Tell hum_v_rms and hum_dbfs: of all lines that stand out; where none does, what all together are at most."""
    values, level = told.values, hum.level_v_rms
    if level is None:
        level = _most(hum)
        bounded = level > 0.0
    else:
        bounded = False
    values["hum_v_rms"] = level if unit.in_volts and level > 0.0 else None
    values["hum_dbfs"] = unit.dbfs(level)
    if bounded:
        told.bound["hum_dbfs"] = "at most"
        if unit.in_volts:
            told.bound["hum_v_rms"] = "at most"
    elif level > 0.0:
        squares = [(line.level_v_rms * line.uncertainty_v_rms) ** 2 for line in hum.present]
        own = own_parts(math.sqrt(sum(squares)) / level**2)
        told.add("hum_dbfs", own, DB_PER_NEPER)
        if unit.in_volts and unit.scale is not None:
            told.add("hum_v_rms", (*unit.scale, *own), level)


def _most(hum: Hum) -> float:
    """Return what all lines of one mains system are at most together; 0 when nothing is known."""
    systems: dict[float, float] = {}
    for line in hum.lines:
        nominal_hz = round(line.frequency_hz / line.multiple, 3)
        systems[nominal_hz] = systems.get(nominal_hz, 0.0) + line.level_v_rms**2
    return math.sqrt(max(systems.values(), default=0.0))
