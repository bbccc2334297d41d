"""What the analysis of one tone tells, as values of a result: level, ratios, harmonics; with uncertainty or bound."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER, TWO_SIDED_95
from audiomeas.bench.parts import Part, scaled
from audiomeas.measurement.base import Option
from audiomeas.measurement.bench_own import freed_level, loop_gain, own_words, residual_known
from audiomeas.measurement.budget import Told, own_parts
from audiomeas.measurement.offers import band_options
from audiomeas.measurement.scale_parts import gain_parts, load_parts, power_ohm, scale_parts
from audiomeas.measurement.steady import LEAST_RELATIVE

if TYPE_CHECKING:
    from audiomeas.analysis.charted import Spectrum
    from audiomeas.analysis.harmonics import PowerSum
    from audiomeas.analysis.tone import ToneAnalysis
    from audiomeas.recording import Recording

#: What the analysis itself is good for: frequency (relative), phase, and lines relative to the tone. A capture without
#: noise would claim all digits.
_LEAST_FREQUENCY, _LEAST_PHASE_DEG, _LEAST_LINE = 1e-9, 1e-6, 1e-9
#: Said with every result: what the half-widths hold.
_COVERS = "noise, fit, scale and load"

BAND_OPTIONS = (
    *band_options(
        low_help="Low edge of the band of THD+N and noise.", high_help="High edge of the band of THD+N and noise."
    ),
    Option(
        name="harmonic_limit_hz",
        kind="number",
        help="Highest harmonic frequency counted in THD; without it, all that the sample rate can hold.",
        stage="analyse",
        above=0.0,
    ),
)


def definitions(options: Mapping[str, Any], sample_rate_hz: float) -> dict[str, Any]:
    """Return the conditions that define THD and THD+N."""
    return {
        "band_hz": [options["low_hz"], min(options["high_hz"], sample_rate_hz / 2)],
        "band_edges": "brick wall",
        "harmonic_limit_hz": options["harmonic_limit_hz"],
        "thd_reference": "fundamental",
        "thd_n_reference": "total in band",
        "level_of": "fundamental",
        "detector": "r.m.s.",
        "weighting": "none",
        "time_window": "sin^4 on what the fundamental leaves",
    }


def uncertainty_covers(recording: Recording) -> str:
    """Return what the half-widths hold: the bench's own distortion only where a loopback has told it."""
    return f"{_COVERS}; {own_words(recording, distortion=residual_known(recording))}"


def tell_frequency(told: Told, tone: ToneAnalysis) -> None:
    """Tell frequency_hz and phase_deg."""
    told.values["frequency_hz"], told.values["phase_deg"] = tone.frequency_hz, tone.phase_deg
    least_hz = _LEAST_FREQUENCY * tone.frequency_hz
    told.uncertainty["frequency_hz"] = math.hypot(tone.frequency_uncertainty_hz, least_hz)
    told.uncertainty["phase_deg"] = math.hypot(tone.phase_uncertainty_deg, _LEAST_PHASE_DEG)


def tell_level(
    told: Told,
    recording: Recording,
    column: int,
    channel: int,
    tone: ToneAnalysis,
    *,
    input_v_rms: float | None,
    drift: float = 0.0,
) -> None:
    """Tell level_dbfs and, where known, level_v_rms, level_w and gain_db.

    input_v_rms : at the unit's input.   drift : by how much (relative) the level strayed from its mean.
    """
    from audiomeas.units import amplitude_ratio_to_db

    own: list[Part] = [
        *own_parts(tone.level_uncertainty / tone.level_rms),
        # The mean of a level that wanders: nothing says where in between the true one lay.
        Part("level drift", drift, "rectangular"),
    ]
    tell_output(told, recording, column, channel, tone.level_rms, frequency_hz=tone.frequency_hz, own=own)
    if recording.scale_v(column) is not None and input_v_rms is not None:
        gain_db = amplitude_ratio_to_db(tone.level_rms / input_v_rms)
        tell_gain(told, recording, column, gain_db, frequency_hz=tone.frequency_hz, own=own)


def tell_gain(
    told: Told, recording: Recording, column: int, captured_db: float, *, frequency_hz: float, own: Sequence[Part]
) -> None:
    """Tell gain_db, without what the bench adds. captured_db : volts of a calibrated capture over those at the input.

    own : relative parts of its uncertainty beside the calibrations.
    """
    loop_db, left = loop_gain(recording, column, frequency_hz)
    told.values["gain_db"] = captured_db - loop_db
    of_gain = gain_parts(recording, column)
    if of_gain is not None:
        told.add("gain_db", (*of_gain, *own, *left), DB_PER_NEPER)


def tell_output(
    told: Told,
    recording: Recording,
    column: int,
    channel: int,
    level_rms: float,
    *,
    frequency_hz: float,
    own: Sequence[Part],
    prefix: str = "level",
) -> None:
    """Tell `prefix`_dbfs and, where known, `prefix`_v_rms and `prefix`_w.

    level_rms : in the unit of the recording's signal.   own : relative parts of its uncertainty beside scale and load.
    """
    from audiomeas.units import v_rms_to_w

    found = tell_volts(told, recording, column, level_rms, frequency_hz=frequency_hz, own=own, prefix=prefix)
    load_ohm = power_ohm(recording.conditions, channel, frequency_hz)
    if found is None or load_ohm is None:
        return
    level_v_rms, parts = found
    watts = f"{prefix}_w"
    told.values[watts] = v_rms_to_w(level_v_rms, load_ohm)
    of_load = load_parts(recording.conditions, channel, frequency_hz)
    if parts is not None and of_load is not None:
        told.add(watts, (*scaled(parts, 2.0), *of_load), told.values[watts])


def tell_volts(
    told: Told,
    recording: Recording,
    column: int,
    level_rms: float,
    *,
    frequency_hz: float,
    own: Sequence[Part],
    prefix: str = "level",
) -> tuple[float, tuple[Part, ...] | None] | None:
    """Tell `prefix`_dbfs and, where known, `prefix`_v_rms, of a tone; arguments as of `tell_output`.

    Returns the volts and the relative parts of their uncertainty (None: not claimed); None where volts are not known.
    """
    from audiomeas.units import amplitude_ratio_to_db

    told.values[f"{prefix}_dbfs"] = amplitude_ratio_to_db(level_rms / recording.reference(column))
    told.add(f"{prefix}_dbfs", own, DB_PER_NEPER)
    if recording.scale_v(column) is None:
        return None
    level_v_rms, away = freed_level(recording, column, frequency_hz, level_rms)
    told.values[f"{prefix}_v_rms"] = level_v_rms
    scale = scale_parts(recording, column)
    if scale is None:
        return level_v_rms, None
    parts = (*scale, *own, *away)
    told.add(f"{prefix}_v_rms", parts, level_v_rms)
    return level_v_rms, parts


def tell_ratio(told: Told, name: str, ratio: float | None, power: PowerSum | None) -> None:
    """Tell one ratio of amplitudes as `name`_percent and `name`_db; nothing when it is not known."""
    from audiomeas.units import amplitude_ratio_to_db

    if ratio is None or power is None:
        return
    percent, decibels = f"{name}_percent", f"{name}_db"
    told.values[percent] = 100.0 * ratio
    if ratio <= 0.0:
        return
    told.values[decibels] = amplitude_ratio_to_db(ratio)
    if power.at_most:
        told.bound[percent] = told.bound[decibels] = "at most"
        return
    noise = TWO_SIDED_95 * power.standard_deviation / (2.0 * power.stated)
    tell_relative(told, name, own_parts(noise, math.hypot(LEAST_RELATIVE, _LEAST_LINE / ratio)))


def tell_relative(told: Told, name: str, parts: Sequence[Part]) -> None:
    """Tell the uncertainty of a ratio that stands in percent and in decibels. parts : relative."""
    told.add(f"{name}_percent", parts, told.values[f"{name}_percent"])
    told.add(f"{name}_db", parts, DB_PER_NEPER)


def harmonic_rows(tone: ToneAnalysis, *, all_up_to: int, highest: int | None = None) -> list[dict[str, Any]]:
    """Return the contract's list; a harmonic that can't be told from noise has `bound` and no phase.

    all_up_to : higher orders are listed only where they stand out of the noise.   highest : the last order listed.
    """
    found, rows = tone.harmonics, []
    for i, order in enumerate(found.order):
        if (highest is not None and order > highest) or (order > all_up_to and found.at_most[i]):
            continue
        row: dict[str, Any] = {
            "order": int(order),
            "frequency_hz": float(found.frequency_hz[i]),
            "level_db": float(found.level_db[i]),
            "phase_deg": None if found.at_most[i] else float(found.phase_deg[i]),
        }
        if found.at_most[i]:
            row["bound"] = "at most"
        else:
            method = math.hypot(LEAST_RELATIVE, _LEAST_LINE * 10.0 ** (-row["level_db"] / 20.0))
            row["uncertainty_db"] = math.hypot(float(found.uncertainty_db[i]), DB_PER_NEPER * method)
        rows.append(row)
    return rows


def spectrum_values(spectrum: Spectrum, *, offset_db: float = 0.0) -> dict[str, list[float]]:
    """Return a spectrum for a chart. offset_db : what its levels are raised by, when told relative to another."""
    return {
        "frequency_hz": [float(f"{hz:.6g}") for hz in spectrum.frequency_hz],
        "level_db": [round(float(level_db) + offset_db, 2) for level_db in spectrum.level_db],
    }
