"""One channel's figures of noise, in the contract's keys, each with its uncertainty or bound."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import Part, combined, of_limits, scaled
from audiomeas.measurement.budget import BENCH_NOISE, Told, own_parts
from audiomeas.measurement.noise_bench import level_keys
from audiomeas.measurement.noise_references import Gain, Referred
from audiomeas.measurement.noise_unit import SampleUnit

if TYPE_CHECKING:
    from audiomeas.analysis.density import Density
    from audiomeas.analysis.events import Events
    from audiomeas.analysis.noise_lines import NoiseLine
    from audiomeas.measurement.noise_levels import Reading

#: Ratios are told of these: name of the level → weighting as printed.
RATIO_WEIGHTINGS = {
    "unweighted": "none",
    "a_weighted": "A",
    "itu_r_468_quasi_peak": "ITU-R 468, quasi-peak",
    "itu_r_arm": "ITU-R ARM",
    "filtered": "filter",
}
#: Events kept with their time in a result, and single lines, the strongest.
_MOST_EVENTS, _MOST_LINES = 200, 40
#: A bin this much (power) over the floor is shown as it is: a line, which a mean over its neighbours would hide.
_LINE_OVER = 6.0


def tell_levels(told: Told, readings: Mapping[str, Reading], unit: SampleUnit) -> None:
    """Tell each reading in dBFS and, where known, in volts."""
    for name, reading in readings.items():
        level_key, dbfs_key = level_keys(name)
        told.values[level_key] = unit.volts(reading.level)
        told.values[dbfs_key] = unit.dbfs(reading.level)
        if told.values[dbfs_key] is None:
            told.values[level_key] = None
            continue
        if reading.at_most:
            told.at_most(dbfs_key, *([level_key] if unit.in_volts else []))
            continue
        own = (*own_parts(reading.relative), of_limits(BENCH_NOISE, reading.bench))
        told.add(dbfs_key, own, DB_PER_NEPER)
        if unit.in_volts and unit.scale is not None:
            told.add(level_key, (*unit.scale, *own), reading.level)


def tell_ratios(told: Told, referred: Sequence[Referred], unit: SampleUnit) -> None:
    """Tell `snr`, every ratio of every reference, and of the first one `snr_db` and `snr_a_db`."""
    told.values["snr"] = [
        {"reference": one.reference.words, "weighting": weighting, **row}
        for one in referred
        for name, weighting in RATIO_WEIGHTINGS.items()
        if (row := _ratio(told, one, name, unit)) is not None
    ]
    first = referred[0] if referred else None
    told.values["snr_reference"] = None if first is None else first.reference.words
    for key, name in (("snr_db", "unweighted"), ("snr_a_db", "a_weighted")):
        row = None if first is None else _ratio(told, first, name, unit)
        told.values[key] = None if row is None else row["db"]
        if first is None or row is None:
            continue
        parts = _ratio_parts(told, first, name, unit)
        if row.get("bound"):
            told.at_most(key, word=row["bound"])
        elif parts is not None:
            told.add(key, parts)


def _ratio(told: Told, one: Referred, name: str, unit: SampleUnit) -> dict[str, Any] | None:
    """Return one ratio; None where the level or the reference is not known."""
    _, dbfs_key = level_keys(name)
    dbfs = told.values.get(dbfs_key)
    if dbfs is None or one.v_rms is None:
        return None
    row: dict[str, Any] = {"db": 20.0 * math.log10(one.v_rms / unit.reference) - dbfs}
    if told.bound.get(dbfs_key):
        return {**row, "bound": "at least"}
    parts = _ratio_parts(told, one, name, unit)
    return {**row, "uncertainty_db": None if parts is None else combined(parts)}


def _ratio_parts(told: Told, one: Referred, name: str, unit: SampleUnit) -> tuple[Part, ...] | None:
    """Return the parts of a ratio in dB; None where one is not known."""
    own, output = told.budget.get(level_keys(name)[1]), one.reference.output
    if own is None or one.parts is None:
        return None
    if not unit.in_volts or (output is not None and output.unit == "FS"):
        return (*own, *one.parts)
    # The noise divides: of a level at the input, which the gain brings to the output, the input's scale cancels.
    return None if unit.scale is None else (*own, *one.parts, *scaled(unit.scale, -DB_PER_NEPER))


def tell_input_referred(told: Told, gain: Gain | None, names: Sequence[str]) -> None:
    """Tell levels divided by the gain at 1 kHz, as `<name>_input_v_rms`; null without gain or volts."""
    for name in names:
        level_key, _ = level_keys(name)
        key = f"{name}_input_v_rms"
        level = told.values.get(level_key)
        told.values[key] = None
        if level is None or gain is None:
            continue
        told.values[key] = level * 10.0 ** (-gain.db / 20.0)
        if told.bound.get(level_key):
            told.at_most(key, word=told.bound[level_key])
        elif level_key in told.budget and (of_gain := gain.known_parts()) is not None:
            own = scaled(told.budget[level_key], 1.0 / level)
            told.add(key, (*own, *scaled(of_gain, -1.0 / DB_PER_NEPER)), told.values[key])


def tell_nothing_of_scatter(told: Told, names: Iterable[str]) -> None:
    """Take the uncertainty from levels and all ratios: it is that of noise, and says nothing of a tone that sways."""
    levels = [key for name in names for key in level_keys(name)]
    for key in (*levels, "snr_db", "snr_a_db", *(key for key in told.values if key.endswith("_input_v_rms"))):
        told.uncertainty.pop(key, None)
        told.budget.pop(key, None)
    for row in (row for key in ("snr", "octaves", "third_octaves") for row in told.values[key]):
        row["uncertainty_db"] = None


def line_rows(lines: Sequence[NoiseLine], unit: SampleUnit) -> list[dict[str, Any]]:
    """Return single lines that are no hum, by frequency, the strongest."""
    strongest = sorted(lines, key=lambda line: -line.level_v_rms)[:_MOST_LINES]
    return [
        {
            "frequency_hz": line.frequency_hz,
            "level_v_rms": unit.volts(line.level_v_rms),
            "level_dbfs": unit.dbfs(line.level_v_rms),
        }
        for line in sorted(strongest, key=lambda line: line.frequency_hz)
        if line.level_v_rms > 0.0
    ]


def tell_events(told: Told, events: Events, unit: SampleUnit, *, start_s: float) -> None:
    """Tell clicks and pops: how many a minute, and the strongest with time and peak."""
    values = told.values
    if events.count:
        low, high = events.per_minute_interval
        values["clicks_per_minute"], values["clicks_per_minute_interval"] = events.per_minute, [low, high]
        # The interval is not even: its upper, longer side is the half-width, so that no limit is kept by chance.
        told.uncertainty["clicks_per_minute"] = high - events.per_minute
    else:
        values["clicks_per_minute"], values["clicks_per_minute_interval"] = events.per_minute_at_most, None
        told.bound["clicks_per_minute"] = "at most"
    told.values["clicks"] = events.count
    told.uncertainty["clicks"] = 0.0
    strongest = sorted(events.events, key=lambda event: -event.sigmas)[:_MOST_EVENTS]
    told.values["events"] = [
        {
            "time_s": round(start_s + event.time_s, 5),
            "kind": "pop" if event.is_pop else "click",
            "peak_v": unit.volts(event.peak_v),
            "peak_dbfs": 20.0 * math.log10(event.peak_v / (math.sqrt(2.0) * unit.reference))
            if event.peak_v > 0.0
            else None,
            "duration_s": event.duration_s,
        }
        for event in sorted(strongest, key=lambda event: event.time_s)
    ]


def tell_spectrum(told: Told, density: Density, unit: SampleUnit) -> None:
    """Tell the density for a chart, the corner of its 1/f part, and octave and third-octave bands."""
    import numpy as np

    from audiomeas.analysis.bands import thinned
    from audiomeas.analysis.flicker import fit_flicker
    from audiomeas.analysis.weighting import weighting

    power = density.v2_per_hz.copy()
    power[:2] = np.nan
    centre_hz, mean, peak = thinned(density.frequency_hz, power, per_decade=150)
    _, floor, _ = thinned(density.frequency_hz, np.where(np.isfinite(power), density.floor, np.nan), per_decade=150)
    # The largest of many bins of noise lies above its mean: it is shown only where a line stands.
    root = np.sqrt(np.where(peak > _LINE_OVER * floor, peak, mean))
    relative_db = [unit.dbfs(value) for value in root.tolist()]
    weight_db = weighting("a").gain_db(centre_hz).tolist()
    told.values["density"] = {
        "frequency_hz": [float(f"{hz:.6g}") for hz in centre_hz.tolist()],
        "v_per_root_hz": [float(f"{value:.5g}") for value in root.tolist()] if unit.in_volts else None,
        "dbfs_per_root_hz": [None if level is None else round(level, 3) for level in relative_db],
        "a_weight_db": [round(value, 3) for value in weight_db],
    }
    flicker = fit_flicker(density) if density.total_mean_square > 0.0 else None
    told.values["flicker_corner_hz"] = None if flicker is None else flicker.corner_hz
    if flicker is not None:
        told.uncertainty["flicker_corner_hz"] = flicker.uncertainty_hz
    for key, per_octave in (("octaves", 1), ("third_octaves", 3)):
        told.values[key] = _bands(density, per_octave, unit)


def _bands(density: Density, per_octave: int, unit: SampleUnit) -> list[dict[str, Any]]:
    from audiomeas.analysis.bands import band_levels

    rows = []
    for one in band_levels(density, per_octave=per_octave):
        level = one.level.v_rms
        rows.append(
            {
                "nominal_hz": one.band.nominal_hz,
                "midband_hz": one.band.midband_hz,
                "level_v_rms": unit.volts(level),
                "level_dbfs": unit.dbfs(level),
                "uncertainty_db": DB_PER_NEPER * one.level.uncertainty_v_rms / level if level > 0.0 else None,
            }
        )
    return rows
