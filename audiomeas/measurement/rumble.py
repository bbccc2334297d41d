"""Measurement word 'rumble': noise of a silent groove below a stated velocity, by channel and direction."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import Part, of_limits
from audiomeas.errors import RequestError
from audiomeas.measurement.attached import refuse_other_form, refuse_other_scale
from audiomeas.measurement.base import Measurement, Option, PlayContext, figures_of
from audiomeas.measurement.bench_own import own_words
from audiomeas.measurement.budget import BENCH_NOISE, Told, own_parts
from audiomeas.measurement.flutter_parts import OPTIONS as PART_OPTIONS
from audiomeas.measurement.flutter_parts import Part as TurningPart
from audiomeas.measurement.flutter_parts import named, parts_of
from audiomeas.measurement.listened import ONE_CHANNEL, length_option, silence
from audiomeas.measurement.noise_bench import without_bench
from audiomeas.measurement.noise_levels import Reading
from audiomeas.measurement.played_bands import found_bands, longest_pause, piece_of
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.rumble_reference import (
    PEAK,
    RMS,
    STANDARD_HZ,
    Reference,
    reference_of,
    refuse_half_a_reference,
)
from audiomeas.measurement.rumble_views import QUANTITIES, charts, tables
from audiomeas.measurement.scale_parts import scale_parts
from audiomeas.measurement.steady import over_range_words

if TYPE_CHECKING:
    from audiomeas.analysis.arm_resonance import LowPart
    from audiomeas.analysis.rumble import RumbleNoise
    from audiomeas.measurement.attached import Attached
    from audiomeas.recording import Recording

#: Short grooves leave levels loose.
_SHORT_S = 10.0
_MOST_LINES = 16
_PLACES = ("lateral", "vertical")
#: Weighted level over the reference that no turntable reaches (20 dB below; the era's minimum is 50 to 55).
_NO_RUMBLE = 0.1
#: Vertical rumble over lateral where one channel is captured twice; cartridges separate by 20 to 30 dB.
_NO_VERTICAL = 1e-3
#: Options of `flutter_parts` that a turntable has, and none of a tape.
_TURNTABLE = ("platter_rpm", "idler_mm", "rim_mm", "motor_rpm")


def _check(_: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for sizes and references that tell nothing alone."""
    _turning(options)
    refuse_half_a_reference(options)


def _turning(options: Mapping[str, Any]) -> tuple[TurningPart, ...]:
    """Return the parts that the options tell. Raises RequestError for a size that tells nothing alone."""
    if options["idler_mm"] is not None and None in (options["rim_mm"], options["platter_rpm"]):
        raise RequestError("idler_mm alone does not tell how often the idler turns: give rim_mm and platter_rpm too")
    return parts_of({option.name: options.get(option.name) for option in PART_OPTIONS})


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    from audiomeas.analysis.arm_resonance import LowPart
    from audiomeas.analysis.rumble import SIGNALS, rumble_of

    turning = _turning(options)
    refuse_half_a_reference(options)
    low = LowPart(recording.sample_rate_hz, len(recording.channels))
    bands, known = found_bands(recording, and_to=low.add)
    start, stop = longest_pause(bands, recording, others_s=_slow_sweeps(low))
    found = rumble_of(piece_of(recording, start, stop), recording.sample_rate_hz)
    stage = _stage(recording, options["stage_noise"])
    reference, said = reference_of(recording, bands, options)
    readings = {
        kind: {
            name: without_bench(
                {"own": Reading(level=level.v_rms, relative=level.uncertainty_v_rms / max(level.v_rms, 1e-300))},
                {} if stage is None else {"own": stage.levels[kind][place].v_rms},
            )["own"]
            for place, (name, level) in enumerate(zip(SIGNALS, levels, strict=True))
        }
        for kind, levels in found.levels.items()
    }
    lost = [
        words for column, channel in enumerate(known.channels) if (words := over_range_words(known, column, channel))
    ]
    span_s = (start / recording.sample_rate_hz, stop / recording.sample_rate_hz)
    channels = tuple(
        _unknown(number) if lost else _channel(known, column, found, readings, reference, turning)
        for column, number in enumerate(known.channels)
    )
    return result_of(
        known,
        "rumble",
        conditions=_conditions(known, span_s, reference, options),
        channels=channels,
        warnings=(*lost, *said, *_said_of_loud(readings, reference), *_said(found, span_s, readings)),
    )


def _slow_sweeps(low: LowPart) -> list[tuple[float, float]]:
    """Return beginning and end of each sweep for the arm's resonance, which is no silent groove."""
    from audiomeas.analysis.arm_resonance import sweeps_of

    kept = low.kept()
    return [(one.begin_s, one.end_s) for one in sweeps_of(kept, low.rate_hz)] if len(kept) > low.rate_hz else []


def _stage(recording: Recording, attached: Attached | None) -> RumbleNoise | None:
    """Return what the stage and the bench hold by themselves. Raises RequestError where it is of another capture."""
    from audiomeas.analysis.rumble import rumble_of

    if attached is None:
        return None
    refuse_other_form(attached, recording, "stage_noise")
    refuse_other_scale(attached, recording, "stage_noise")
    other = attached.recording
    return rumble_of(piece_of(other, 0, other.frames), other.sample_rate_hz)


# -- what is told ------------------------------------------------------------------------------------------------


def _channel(
    recording: Recording,
    column: int,
    found: RumbleNoise,
    readings: Mapping[str, Mapping[str, Reading]],
    reference: Reference | None,
    parts: Sequence[TurningPart],
) -> ChannelResult:
    from audiomeas.analysis.rumble import SIGNALS

    told = Told({key: None for key, _, _ in QUANTITIES})
    for kind, levels in readings.items():
        for place, name in enumerate(SIGNALS):
            if place == column:
                _tell_ratio(told, f"{kind}_db", recording, column, levels[name], reference, place)
                _tell_level(told, kind, recording, column, levels[name])
            elif name in _PLACES:
                _tell_ratio(told, f"{name}_{kind}_db", recording, column, levels[name], reference, place)
    if reference is not None and recording.scale_v(column) is not None:
        told.values["reference_v_rms"] = reference.levels[column]
    density = found.densities[column]
    told.values["lines"] = _lines(found, column, None if reference is None else reference.levels[column], parts)
    told.values["spectrum"] = _spectrum(density, None if reference is None else reference.levels[column])
    return told.result(recording.channels[column])


def _tell_ratio(
    told: Told,
    key: str,
    recording: Recording,
    column: int,
    reading: Reading,
    reference: Reference | None,
    place: int,
) -> None:
    """Tell a level re the reference, in dB."""
    if reference is None or not reading.level > 0.0:
        return
    told.values[key] = 20.0 * math.log10(reading.level / reference.levels[place])
    if reading.at_most:
        told.at_most(key)
        return
    scale: tuple[Part, ...] | None = () if reference.same_capture else scale_parts(recording, column)
    if scale is not None or not recording.calibrated:
        told.add(
            key, (*(scale or ()), *_own(reading), Part("level of the reference", reference.relative)), DB_PER_NEPER
        )


def _own(reading: Reading) -> tuple[Part, ...]:
    return (*own_parts(reading.relative), of_limits(BENCH_NOISE, reading.bench))


def _tell_level(told: Told, kind: str, recording: Recording, column: int, reading: Reading) -> None:
    """Tell a level in volts; in dBFS where no calibration tells any."""
    if recording.scale_v(column) is None:
        _tell_dbfs(told, f"{kind}_dbfs", reading)
        return
    key = f"{kind}_v_rms"
    told.values[key] = reading.level
    if reading.at_most:
        told.at_most(key)
    elif (scale := scale_parts(recording, column)) is not None:
        told.add(key, (*scale, *_own(reading)), reading.level)


def _tell_dbfs(told: Told, key: str, reading: Reading) -> None:
    if not reading.level > 0.0:
        return
    told.values[key] = 20.0 * math.log10(reading.level)
    if reading.at_most:
        told.at_most(key)
        return
    told.add(key, _own(reading), DB_PER_NEPER)


def _lines(
    found: RumbleNoise, column: int, reference: float | None, parts: Sequence[TurningPart]
) -> list[dict[str, Any]]:
    """Return the strongest lines as they stand in the unweighted noise, by frequency."""
    import numpy as np

    from audiomeas.analysis.rumble import SIGNALS, WEIGHTINGS
    from audiomeas.analysis.weighting import weighting

    gain = weighting(WEIGHTINGS["unweighted"])
    by_place = [found.lines[SIGNALS.index(name)] for name in _PLACES]
    strongest = sorted(found.lines[column], key=lambda line: -line.level_v_rms)[:_MOST_LINES]
    return [
        {
            "frequency_hz": line.frequency_hz,
            "level_db": None
            if reference is None
            else 20.0 * math.log10(line.level_v_rms / reference)
            + float(gain.gain_db(np.array([line.frequency_hz]))[0]),
            "mostly": _mostly(line.frequency_hz, by_place),
            "consistent_with": named(line.frequency_hz, parts),
            "uncertainty": {"level_db": DB_PER_NEPER * line.uncertainty_v_rms / line.level_v_rms},
            "bound": {},
            "note": "",
        }
        for line in sorted(strongest, key=lambda line: line.frequency_hz)
        if line.level_v_rms > 0.0
    ]


def _mostly(frequency_hz: float, by_place: Sequence[Any]) -> str:
    """Return which direction has the stronger line at a frequency."""
    levels = [
        max((one.level_v_rms for one in lines if abs(one.frequency_hz - frequency_hz) < 1.0), default=0.0)
        for lines in by_place
    ]
    return "" if max(levels) == 0.0 else _PLACES[int(levels[1] > levels[0])]


def _spectrum(density: Any, reference: float | None) -> dict[str, Any]:
    """Return what stands in each hertz, unweighted, in dB re the reference (or 1, without), thinned."""
    import numpy as np

    from audiomeas.analysis.bands import thinned

    power = density.v2_per_hz.copy()
    power[:2] = np.nan
    centre_hz, _, peak = thinned(density.frequency_hz, power, per_decade=100)
    inside = (centre_hz < STANDARD_HZ) & (peak > 0.0)
    level_db = 10.0 * np.log10(peak[inside]) - 20.0 * math.log10(reference or 1.0)
    return {
        "frequency_hz": [float(f"{hz:.5g}") for hz in centre_hz[inside]],
        "level_db_in_1_hz": [round(float(level), 2) for level in level_db],
    }


def _unknown(number: int) -> ChannelResult:
    return ChannelResult(
        channel=number,
        values={
            **{key: None for key, _, _ in QUANTITIES},
            "lines": [],
            "spectrum": {"frequency_hz": [], "level_db_in_1_hz": []},
        },
    )


# -- what is said ------------------------------------------------------------------------------------------------


def _said(found: RumbleNoise, span_s: tuple[float, float], readings: Mapping[str, Mapping[str, Reading]]) -> list[str]:
    said = [*_said_of_mono(found)]
    if found.risen is not None:
        at_s, rise_db = found.risen
        said.append(
            f"near {span_s[0] + at_s:.0f} s the weighted level stands {rise_db:.0f} dB above the usual: a click, the "
            "stylus set down, speech or music: is the groove silent there? cut the file to its silent part"
        )
    if span_s[1] - span_s[0] < _SHORT_S:
        said.append(f"{span_s[1] - span_s[0]:.1f} s of a silent groove tell levels loosely: capture 20 s or more of it")
    if any(reading.at_most for levels in readings.values() for reading in levels.values()):
        said.append(
            "what the stage and the bench add by themselves (stage_noise) stands within 10 dB: the rumble there is at "
            "most what is told"
        )
    return said


def _said_of_loud(readings: Mapping[str, Mapping[str, Reading]], reference: Reference | None) -> list[str]:
    """Return what is to be said of a groove that plays something all the time, from which nothing stands out."""
    from audiomeas.analysis.rumble import SIGNALS

    if reference is None:
        return []
    loud, zero = readings["weighted"][_PLACES[0]].level, reference.levels[SIGNALS.index(_PLACES[0])]
    if loud < _NO_RUMBLE * zero:
        return []
    over_db = 20.0 * math.log10(loud / zero)
    return [
        f"weighted, {over_db:.0f} dB re the reference are more than any turntable rumbles: is the groove silent, and "
        "is the reference the right one?"
    ]


def _said_of_mono(found: RumbleNoise) -> list[str]:
    """Return what is to be said where nothing is left between the channels: no cartridge is so even."""
    from audiomeas.analysis.rumble import SIGNALS

    lateral, vertical = (found.levels["unweighted"][SIGNALS.index(name)].v_rms for name in _PLACES)
    if vertical > _NO_VERTICAL * lateral:
        return []
    return [f"{ONE_CHANNEL}; vertical rumble is not known"]


def _conditions(
    recording: Recording, span_s: tuple[float, float], reference: Reference | None, options: Mapping[str, Any]
) -> dict[str, Any]:
    from audiomeas.analysis.rumble import WEIGHTINGS
    from audiomeas.analysis.weighting import weighting

    stage: Attached | None = options["stage_noise"]
    taken = "stage_noise is taken off" if stage else "the noise of stage and bench is in all levels"
    return {
        "stimulus": "none: the unit played a silent groove",
        "silent_s": [round(second, 3) for second in span_s],
        "reference": None if reference is None else reference.words,
        "zero_db": "the reference" if reference else ("1 V" if recording.calibrated else "a full-scale sine"),
        "weightings": {kind: weighting(name).source for kind, name in WEIGHTINGS.items()},
        "weighting_note": weighting(WEIGHTINGS["weighted"]).note,
        "detector": "r.m.s. over the silent part",
        "directions": "lateral: half the sum of the channels; vertical: half their difference",
        "stage_noise": None if stage is None else {"file": stage.name, "sha256": stage.sha256},
        "turning_parts": [{"part": one.words, "frequency_hz": one.turns_hz} for one in _turning(options)],
        "uncertainty_covers": f"scatter over the silent part, the level of the reference, scale; {taken}; not the "
        f"doubt of the weightings; {own_words(recording, response=False)}",
    }


MEASUREMENT = Measurement(
    word="rumble",
    summary="Rumble of a turntable in a silent groove, weighted and not, below a stated velocity; lines by what turns",
    example="rumble --reference-cm-s 10 --reference-hz 1000 --platter-rpm 33.333",
    options=(
        length_option(
            "20 s of a silent groove, and the reference band where it follows", default_s=30.0, at_least_s=4.0
        ),
        Option(
            name="reference_cm_s",
            kind="number",
            help="Velocity of the test record's reference band, in cm/s.",
            stage="analyse",
            above=0.0,
            at_most=100.0,
        ),
        Option(
            name="velocity",
            kind="choice",
            help="How that velocity is stated: as a peak, or as an r.m.s. value.",
            default=PEAK,
            choices=(PEAK, RMS),
            stage="analyse",
        ),
        Option(
            name="reference_hz",
            kind="number",
            help="Frequency of the reference band; its level is taken to 1 kHz by the equalization (RIAA).",
            default=STANDARD_HZ,
            stage="analyse",
            at_least=200.0,
            at_most=4_000.0,
        ),
        Option(
            name="reference_from",
            kind="recording",
            help="Capture that holds the reference band, on the same ranges. Without it: the same capture.",
            stage="analyse",
        ),
        Option(
            name="reference_level",
            kind="level",
            help="Output at 10 cm/s peak at 1 kHz, such as '0.63 V', where it is known: no band is looked for then.",
            stage="analyse",
        ),
        Option(
            name="stage_noise",
            kind="recording",
            help="Capture with the arm lifted: what stage, leads and bench add by themselves is taken off, or bounds.",
            stage="analyse",
        ),
        *(option for option in PART_OPTIONS if option.name in _TURNTABLE),
    ),
    figures=figures_of(QUANTITIES),
    stimulus=silence,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
    to_do="set the stylus into the silent groove; it is listened to for {duration_s:g} s",
    silent=True,
    always_listens=True,
    in_blocks=True,
)
