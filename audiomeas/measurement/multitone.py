"""Many tones at once on both channels: gain, crosstalk both ways, distortion plus noise between the tones, in a second.

The tones of the two channels are interleaved, so that each channel's capture tells its own gain and what leaked in from
the other at the same time. Crosstalk is relative to the same tone on the other channel's output, in negative dB.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER, TWO_SIDED_95
from audiomeas.bench.parts import Part, combined, of_limits
from audiomeas.errors import SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.bench_own import BENCH_RESPONSE, loop_gain, open_response, own_words
from audiomeas.measurement.budget import Told, own_parts
from audiomeas.measurement.checks import made, refuse_empty_band
from audiomeas.measurement.curves import list_curve
from audiomeas.measurement.multitone_views import charts, tables
from audiomeas.measurement.offers import band_options, ratio_figures
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.scale_parts import between_parts, gain_parts, scale_parts
from audiomeas.measurement.steady import (
    clock_words,
    over_range_words,
    refuse_gaps,
    samples,
    steady_span,
)
from audiomeas.measurement.sudden import words_beside_lines
from audiomeas.measurement.tone_values import spectrum_values

if TYPE_CHECKING:
    from audiomeas.analysis.multitone import MultitoneAnalysis
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Multitone, Stimulus

#: Shorter than the stimulus' settling by far: a whole window must be left between the ends that are cut.
_BLOCK_S = 0.025
_KEYS = (
    "level_v_rms",
    "level_dbfs",
    "distortion_and_noise_percent",
    "distortion_and_noise_db",
    "distortion_and_noise_v_rms",
    "worst_crosstalk_db",
)
_LISTS = (
    "frequency_hz",
    "gain_db",
    "gain_uncertainty_db",
    "crosstalk_frequency_hz",
    "crosstalk_db",
    "crosstalk_bound",
    "crosstalk_uncertainty_db",
)


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Stimulus:
    from audiomeas.stimulus import Multitone

    return Multitone.low_crest(
        level_v_rms=context.input_level_v_rms,
        sample_rate_hz=context.sample_rate_hz,
        tones=options["tones"],
        low_hz=options["from_hz"],
        high_hz=options["to_hz"],
        window_s=options["window_s"],
        driven_channels=context.channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    made(_tones, context, options)
    refuse_empty_band(context, options)


def _tones(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Find a place for each tone, without the search for phases, which takes seconds. Raises ValueError."""
    from audiomeas.stimulus.multitone import interleaved_bins

    rate_hz = context.sample_rate_hz
    bin_hz = rate_hz / round(options["window_s"] * rate_hz)
    highest_hz = min(options["to_hz"], 0.45 * rate_hz)
    interleaved_bins(options["tones"], len(context.channels), options["from_hz"], highest_hz, bin_hz)


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    stimulus: Any = recording.stimulus
    if stimulus is None or stimulus.kind != "multitone":
        played = "nothing known" if stimulus is None else repr(stimulus.kind)
        raise SignalError(f"a multitone was expected, and the stimulus of this capture is {played}: play a multitone")
    span = _span(recording, stimulus)
    refuse_gaps(recording, span)
    warnings: list[str] = []
    scale = _scale(recording, stimulus, span)
    found: dict[int, MultitoneAnalysis] = {}
    for column, channel in enumerate(recording.channels):
        reason = over_range_words(recording, column, channel)
        if reason is None:
            try:
                found[channel] = _analysed(recording, column, channel, stimulus, span, scale, options)
                warnings += words_beside_lines(recording, column, span)
            except SignalError as error:
                reason = f"channel {channel}: {error}"
        if reason is not None:
            warnings.append(reason)
    if not any(channel in found for channel in stimulus.driven_channels):
        raise SignalError("; ".join(dict.fromkeys(warnings)))
    return result_of(
        recording,
        "multitone",
        conditions=_conditions(recording, options, stimulus, span, scale, found),
        channels=tuple(
            _channel(recording, column, channel, stimulus, found) for column, channel in enumerate(recording.channels)
        ),
        warnings=(*warnings, *clock_words(recording, scale)),
    )


def _span(recording: Recording, stimulus: Multitone) -> slice:
    """Return one window's length of frames: the last of those in which the level is steady."""
    span = steady_span(recording, block_s=_BLOCK_S)
    frames = stimulus.window_frames
    if span.stop - span.start < frames:
        raise SignalError(
            f"the capture holds {(span.stop - span.start) / recording.sample_rate_hz:.2f} s of steady multitone; a "
            f"whole window of {stimulus.window_s:g} s is needed: capture it again, from its start to its end"
        )
    middle = (span.start + span.stop - frames) // 2
    return slice(middle, middle + frames)


def _scale(recording: Recording, stimulus: Multitone, span: slice) -> float:
    """Return the time scale of another clock, as the strongest driven channel tells it; 1 for a shared clock."""
    import numpy as np

    from audiomeas.analysis.multitone import time_scale

    if recording.shared_clock:
        return 1.0
    driven = [channel for channel in stimulus.driven_channels if channel in recording.channels]
    if not driven:
        raise SignalError("the capture holds none of the channels that were driven")
    signals = {channel: recording.counts_fs[span, recording.column(channel)] for channel in driven}
    loudest = max(driven, key=lambda channel: float(np.sum(signals[channel] ** 2)))
    signal = np.ascontiguousarray(signals[loudest])
    return time_scale(signal, recording.sample_rate_hz, stimulus.tones_of(loudest))


def _analysed(
    recording: Recording,
    column: int,
    channel: int,
    stimulus: Multitone,
    span: slice,
    scale: float,
    options: Mapping[str, Any],
) -> MultitoneAnalysis:

    from audiomeas.analysis.multitone import analyze_multitone

    driven = stimulus.driven_channels
    return analyze_multitone(
        samples(recording, column, span),
        recording.sample_rate_hz,
        own_hz=stimulus.tones_of(channel) if channel in driven else (),
        other_hz=tuple(hz for other in driven if other != channel for hz in stimulus.tones_of(other)),
        scale=scale,
        band_hz=(options["low_hz"], options["high_hz"]),
    )


def _channel(
    recording: Recording, column: int, channel: int, stimulus: Multitone, found: Mapping[int, MultitoneAnalysis]
) -> ChannelResult:
    told = Told({**dict.fromkeys(_KEYS), **{key: [] for key in _LISTS}, "spectrum": None})
    one = found.get(channel)
    if one is not None:
        if channel in stimulus.driven_channels:
            _tell_level(told, recording, column, channel, one)
            _tell_gain(recording, column, channel, one, stimulus, told.values)
        _tell_crosstalk(told, recording, channel, stimulus, found)
        told.values["spectrum"] = spectrum_values(one.spectrum)
    return told.result(channel)


def _tell_level(told: Told, recording: Recording, column: int, channel: int, one: MultitoneAnalysis) -> None:
    from audiomeas.units import amplitude_ratio_to_db

    values = told.values
    total_rms = math.sqrt(one.total_mean_square)
    between_rms = math.sqrt(max(one.between.mean_square, 0.0))
    # What is known of the noise's power, and twice as well of its voltage.
    relative = TWO_SIDED_95 * one.between.standard_deviation / (2.0 * one.between.mean_square) if between_rms else 0.0
    own = own_parts(relative)
    values["level_dbfs"] = amplitude_ratio_to_db(total_rms / recording.reference(column))
    percent, decibels = "distortion_and_noise_percent", "distortion_and_noise_db"
    values[percent] = 100.0 * one.between_ratio
    told.add(percent, own, values[percent])
    if between_rms > 0.0:
        values[decibels] = amplitude_ratio_to_db(one.between_ratio)
        told.add(decibels, own, DB_PER_NEPER)
    if recording.scale_v(column) is None:
        return
    values["level_v_rms"], values["distortion_and_noise_v_rms"] = total_rms, between_rms
    scale = scale_parts(recording, column)
    if scale is not None:
        told.add("level_v_rms", (*scale, _response_of_all(recording, channel, one)), total_rms)
        told.add("distortion_and_noise_v_rms", (*scale, *own), between_rms)


def _response_of_all(recording: Recording, channel: int, one: MultitoneAnalysis) -> Part:
    """Return what the bench's own response leaves open of all tones together: each tone's limit by its power."""
    import numpy as np

    limits = open_response(recording, channel, one.own.frequency_hz)
    power = np.square(one.own.level_rms)
    whole = float(np.sum(power))
    return of_limits(BENCH_RESPONSE, float(np.sum(limits * power)) / whole if whole > 0.0 else 0.0)


def _tell_gain(
    recording: Recording,
    column: int,
    channel: int,
    one: MultitoneAnalysis,
    stimulus: Multitone,
    values: dict[str, Any],
) -> None:
    """Enter the gain of each tone: absolute when both sides are in volts, else relative to the one nearest to 1 kHz."""
    import numpy as np

    from audiomeas.units import amplitude_ratio_to_db

    level_db = amplitude_ratio_to_db(np.maximum(one.own.level_rms, 1e-300))
    if _is_absolute(recording):
        reference_db = amplitude_ratio_to_db(stimulus.tone_v_rms(channel))
    else:
        reference_db = float(level_db[_nearest_to_1_khz(one)])
    values["frequency_hz"] = [float(hz) for hz in stimulus.tones_of(channel)]
    known = ~one.own.at_most
    of_loop: list[tuple[float, tuple[Part, ...]]] = [(0.0, ())] * len(known)
    if _is_absolute(recording):
        of_loop = [loop_gain(recording, column, hz) for hz in values["frequency_hz"]]
    values["gain_db"] = [
        float(db - reference_db - loop_db) if ok else None
        for db, ok, (loop_db, _) in zip(level_db, known, of_loop, strict=True)
    ]
    common = gain_parts(recording, column) if _is_absolute(recording) else ()
    values["gain_uncertainty_db"] = [None] * len(known)
    if common is not None:
        relative = one.own.uncertainty / np.maximum(one.own.level_rms, 1e-300)
        values["gain_uncertainty_db"] = [
            DB_PER_NEPER * combined((*common, *left, *own_parts(float(half)))) if ok else None
            for half, ok, (_, left) in zip(relative, known, of_loop, strict=True)
        ]


def _is_absolute(recording: Recording) -> bool:
    return recording.stimulus_in_volts and recording.calibrated


def _nearest_to_1_khz(one: MultitoneAnalysis) -> int:
    import numpy as np

    return int(np.argmin(np.abs(np.log(one.own.frequency_hz / 1000.0))))


def _tell_crosstalk(
    told: Told,
    recording: Recording,
    channel: int,
    stimulus: Multitone,
    found: Mapping[int, MultitoneAnalysis],
) -> None:
    """Enter what leaked into this channel, relative to the same tones on the output of the channel they belong to."""
    from audiomeas.units import amplitude_ratio_to_db

    others = [other for other in stimulus.driven_channels if other != channel and other in found]
    if len(others) != 1:
        return
    one, theirs, values = found[channel], found[others[0]].own, told.values
    common = between_parts(recording, recording.column(channel), recording.column(others[0]))
    rows = zip(
        stimulus.tones_of(others[0]),
        one.other.level_rms,
        one.other.uncertainty,
        one.other.at_most,
        theirs.level_rms,
        theirs.at_most,
        strict=True,
    )
    each: list[tuple[Part, ...] | None] = []
    for frequency_hz, leaked, half, at_most, level, not_there in rows:
        if not_there or leaked <= 0.0:
            continue
        parts = None if at_most or common is None else (*common, *own_parts(float(half / leaked)))
        each.append(parts)
        values["crosstalk_frequency_hz"].append(float(frequency_hz))
        values["crosstalk_db"].append(amplitude_ratio_to_db(float(leaked / level)))
        values["crosstalk_bound"].append("at most" if at_most else None)
        values["crosstalk_uncertainty_db"].append(None if parts is None else DB_PER_NEPER * combined(parts))
    if values["crosstalk_db"]:
        worst = max(range(len(values["crosstalk_db"])), key=values["crosstalk_db"].__getitem__)
        values["worst_crosstalk_db"] = values["crosstalk_db"][worst]
        parts = each[worst]
        if values["crosstalk_bound"][worst]:
            told.at_most("worst_crosstalk_db")
        elif parts is not None:
            told.add("worst_crosstalk_db", parts, DB_PER_NEPER)


def _conditions(
    recording: Recording,
    options: Mapping[str, Any],
    stimulus: Multitone,
    span: slice,
    scale: float,
    found: Mapping[int, MultitoneAnalysis],
) -> dict[str, Any]:
    conditions: dict[str, Any] = {
        "driven_channels": list(stimulus.driven_channels),
        "tones_per_channel": len(stimulus.tones_hz[0]),
        "band_hz": [options["low_hz"], min(options["high_hz"], recording.sample_rate_hz / 2)],
        "band_edges": "brick wall",
        "distortion_and_noise_of": "everything in the band that is no tone, over the total in the band",
        "crosstalk_reference": "the same tone on the output of its own channel",
        "gain_reference": "absolute" if _is_absolute(recording) else "the tone nearest to 1 kHz",
        "level_setting": "the peak of each channel's sum is that of a sine of the stated level",
        "crest_factor": {str(channel): stimulus.crest_factor(channel) for channel in stimulus.driven_channels},
        "detector": "r.m.s.",
        "weighting": "none",
        "time_window": "none" if all(one.on_bins for one in found.values()) else "sin^4 on what the tones leave",
        "averages": 1,
        "analysed_s": (span.stop - span.start) / recording.sample_rate_hz,
        # Nothing that a loop has shown of one tone tells what it adds between many.
        "uncertainty_covers": f"noise, fit and scale; {own_words(recording, taken_off='gain', distortion=False)}",
    }
    if not recording.shared_clock:
        conditions["clock_offset_ppm"] = (scale - 1.0) * 1e6
    return conditions


MEASUREMENT = Measurement(
    word="multitone",
    summary="Gain, crosstalk both ways, and distortion plus noise between many tones, from one second",
    example="multitone --output-level '1 W'",
    options=(
        Option(
            name="tones",
            kind="integer",
            help="Tones per channel, evenly over log frequency.",
            default=31,
            at_least=3,
            at_most=60,
        ),
        Option(name="from_hz", kind="number", help="Lowest tone, about.", default=20.0, at_least=10.0),
        Option(name="to_hz", kind="number", help="Highest tone, about.", default=20_000.0, above=100.0),
        Option(
            name="window_s",
            kind="number",
            help="Length of what is analysed; longer looks deeper into the noise.",
            default=1.0,
            at_least=0.5,
            at_most=30.0,
        ),
        *band_options(
            low_help="Low edge of the band of distortion plus noise.",
            high_help="High edge of the band of distortion plus noise.",
        ),
    ),
    figures=(
        *ratio_figures("distortion_and_noise", "distortion and noise between many tones"),
        Figure(key="worst_crosstalk_db", unit="dB", words="largest crosstalk from the other channel"),
        Figure(key="level_v_rms", unit="V", words="output voltage of all tones together"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    needs_stimulus=True,
    check=_check,
    curves=(
        list_curve(
            "gain_db",
            unit="dB",
            words="gain",
            uncertainty_key="gain_uncertainty_db",
            absolute=lambda result: result.conditions["gain_reference"] == "absolute",
        ),
        list_curve(
            "crosstalk_db",
            unit="dB",
            words="crosstalk",
            uncertainty_key="crosstalk_uncertainty_db",
            frequency_key="crosstalk_frequency_hz",
            bound_key="crosstalk_bound",
        ),
    ),
)
