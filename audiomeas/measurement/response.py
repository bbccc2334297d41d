"""Response: gain and phase against frequency from one sweep, with delay, polarity, corners, balance and distortion."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import Measurement, PlayContext
from audiomeas.measurement.bench_own import with_response
from audiomeas.measurement.checks import made
from audiomeas.measurement.clock import on_played_clock, with_clock_doubt
from audiomeas.measurement.polarity import inverted_words
from audiomeas.measurement.repeats import averaged
from audiomeas.measurement.response_conditions import conditions_of, damage_words
from audiomeas.measurement.response_doubt import doubt_words, with_disturbance_doubt
from audiomeas.measurement.response_equalization import CURVE as EQUALIZATION_CURVE
from audiomeas.measurement.response_equalization import FIGURES as EQUALIZATION_FIGURES
from audiomeas.measurement.response_equalization import OPTIONS as EQUALIZATION_OPTIONS
from audiomeas.measurement.response_equalization import check_equalization, equalized, pre_emphasized
from audiomeas.measurement.response_equalization_views import equalization_charts, equalization_tables
from audiomeas.measurement.response_impulse import with_impulses
from audiomeas.measurement.response_limits import (
    HIGHEST_PART,
    band_warnings,
    deviation_band,
    is_absolute,
    on_one_clock,
    refuse_reference_outside,
    sweep_duration_s,
)
from audiomeas.measurement.response_loopback import Analyse, compensated
from audiomeas.measurement.response_options import CURVES, FIGURES, OPTIONS
from audiomeas.measurement.response_values import ChannelFigures, unknown
from audiomeas.measurement.response_views import charts, tables
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.scale_parts import gain_parts
from audiomeas.measurement.sweeps import refuse_other_rate

if TYPE_CHECKING:
    from audiomeas.analysis.sweep import SweepResponse
    from audiomeas.measurement.views import ChartView, TableView
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Stimulus, Sweep


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Stimulus:
    from audiomeas.stimulus import RepeatedSweeps

    sweep = _sweep(context, options)
    return RepeatedSweeps.of(sweep, count=options["averages"]) if options["averages"] > 1 else sweep


def _sweep(context: PlayContext, options: Mapping[str, Any]) -> Sweep:
    from audiomeas.stimulus import Sweep

    facts: dict[str, Any] = {
        "from_hz": float(options["from_hz"]),
        "to_hz": min(float(options["to_hz"]), HIGHEST_PART * context.sample_rate_hz),
        "sample_rate_hz": context.sample_rate_hz,
        "duration_s": sweep_duration_s(options),
        "level_v_rms": context.input_level_v_rms,
        "driven_channels": context.channels,
    }
    if options["pre_emphasis"] is None:
        return Sweep.covering(**facts)
    reference_hz, tape_signal = float(options["reference_hz"]), options["tape_signal"]
    return pre_emphasized(options["pre_emphasis"], reference_hz=reference_hz, tape_signal=tape_signal, **facts)


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    check_equalization(options)
    if options["averages"] > 1 and options["pre_emphasis"] is not None:
        raise RequestError("a sweep with pre_emphasis is played once: leave averages away, or take a longer duration_s")
    made(_stimulus, context, options)
    sweep = made(_sweep, context, options)
    refuse_reference_outside(sweep, options)
    deviation_band(sweep, options)


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    played = recording.stimulus
    recording = averaged(on_played_clock(recording, options))
    sweep = _sweep_of(recording)
    columns = [column for column, channel in enumerate(recording.channels) if channel in sweep.driven_channels]
    if not columns:
        raise SignalError(
            f"none of the captured channels was driven: the sweep played on {_listed(sweep.driven_channels)}, "
            f"captured were {_listed(recording.channels)}"
        )
    refuse_reference_outside(sweep, options)
    warnings = list(band_warnings(sweep, options))
    found, refusals = _responses(recording, sweep, columns, options)
    if not found:
        raise SignalError(refusals[0])
    warnings += refusals
    found, loopback = compensated(found, recording, sweep, played, options, _reader(options))
    result = result_of(
        recording,
        "response",
        conditions={**conditions_of(recording, sweep, found, options), **loopback},
        channels=with_impulses(_channel_results(recording, sweep, columns, found, options, warnings), recording, found),
        warnings=tuple(warnings),
    )
    windows_s = {recording.channels[column]: one.window_s for column, one in found.items()}
    return equalized(result, options, sweep, windows_s)


def _reader(options: Mapping[str, Any]) -> Analyse:
    """Return what reads a loopback's columns as those of the capture are read."""
    return lambda recording, sweep, columns: _responses(on_played_clock(recording, options), sweep, columns, options)


def _sweep_of(recording: Recording) -> Sweep:
    from audiomeas.stimulus import Sweep

    stimulus: Stimulus | None = recording.stimulus
    if stimulus is None:
        raise SignalError("a response needs the sweep that was played: give it with --stimulus FILE")
    if not isinstance(stimulus, Sweep):
        raise SignalError(
            f"a response needs a sweep, and this capture goes with the stimulus {stimulus.kind!r}: give the sweep that "
            "was played with --stimulus FILE"
        )
    refuse_other_rate(recording, stimulus, "sweep")
    return stimulus


def _listed(channels: Sequence[int]) -> str:
    return "channel " + ", ".join(map(str, channels))


def _responses(
    recording: Recording, sweep: Sweep, columns: Sequence[int], options: Mapping[str, Any]
) -> tuple[dict[int, SweepResponse], list[str]]:
    """Return column → response of the channels that can be analysed, and why the others can't."""
    from audiomeas.analysis.sweep import analyze_sweep
    from audiomeas.stimulus import ShapedSweep

    played = sweep.samples_v()
    found: dict[int, SweepResponse] = {}
    refusals: list[str] = []
    for column in columns:
        channel = recording.channels[column]
        over = recording.over_range[column] if recording.over_range else 0
        if over:
            refusals.append(
                f"channel {channel} was over-range in {over} frames and is not analysed: lower the level or set the "
                "attenuator to a higher range"
            )
            continue
        try:
            found[column] = analyze_sweep(
                recording.signal(column),
                played,
                sweep.sample_rate_hz,
                start_hz=sweep.start_hz,
                growth_s=sweep.growth_s,
                full_from_hz=sweep.full_from_hz,
                full_to_hz=sweep.full_to_hz,
                start_frame=recording.stimulus_start,
                points_per_octave=int(options["points_per_octave"]),
                also_hz=(options["reference_hz"], *deviation_band(sweep, options)),
                shape=sweep.relative_level if isinstance(sweep, ShapedSweep) else None,
            )
        except SignalError as error:
            refusals.append(f"channel {channel}: {error}")
    sure = {column: with_clock_doubt(one, recording, sweep) for column, one in found.items()}
    return {column: with_disturbance_doubt(one) for column, one in sure.items()}, refusals


def _channel_results(
    recording: Recording,
    sweep: Sweep,
    columns: Sequence[int],
    found: Mapping[int, SweepResponse],
    options: Mapping[str, Any],
    warnings: list[str],
) -> tuple[ChannelResult, ...]:
    absolute = is_absolute(recording, list(found))
    base = found.get(columns[0])
    if base is not None and base.damage is not None:
        base = None
    if options.get("loopback") is None:
        found = {column: with_response(one, recording, recording.channels[column]) for column, one in found.items()}
        base = None if base is None else found[columns[0]]
    results = []
    for column in columns:
        channel = recording.channels[column]
        one = found.get(column)
        if one is None:
            results.append(ChannelResult(channel=channel, values=unknown(options)))
            continue
        if one.damage is not None:
            warnings.append(f"channel {channel}: {damage_words(one.damage)}")
            results.append(ChannelResult(channel=channel, values=unknown(options)))
            continue
        warnings += [f"channel {channel}: {words}" for words in doubt_words(one, deviation_band(sweep, options))]
        results.append(
            ChannelFigures(
                channel=channel,
                response=one,
                base=base if len(columns) > 1 and absolute else None,
                scale=gain_parts(recording, column),
                base_scale=gain_parts(recording, columns[0]),
                absolute=absolute,
                same_clock=on_one_clock(recording, options),
                band_hz=deviation_band(sweep, options),
                reference_hz=options["reference_hz"],
            ).result()
        )
    warnings += inverted_words(results)
    return tuple(results)


def _tables(result: Result) -> tuple[TableView, ...]:
    return (*tables(result), *equalization_tables(result))


def _charts(result: Result) -> tuple[ChartView, ...]:
    return (*charts(result), *equalization_charts(result))


MEASUREMENT = Measurement(
    word="response",
    summary="Gain and phase against frequency from one sweep, with corners, balance, delay and harmonics",
    example='response --input-level "100 mV"',
    options=(*OPTIONS, *EQUALIZATION_OPTIONS),
    figures=(*FIGURES, *EQUALIZATION_FIGURES),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=_tables,
    charts=_charts,
    needs_stimulus=True,
    check=_check,
    curves=(*CURVES, EQUALIZATION_CURVE),
)
