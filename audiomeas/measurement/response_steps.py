"""Response by stepped sines: slower than a sweep and simpler to believe, the reference that a sweep is held against."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError
from audiomeas.measurement.base import Measurement, Option, PlayContext
from audiomeas.measurement.checks import made
from audiomeas.measurement.response_conditions import uncertainty_covers
from audiomeas.measurement.response_ends import CORNER_WORDS
from audiomeas.measurement.response_limits import HIGHEST_PART, is_absolute, on_one_clock
from audiomeas.measurement.response_options import CURVES, FIGURES
from audiomeas.measurement.response_options import OPTIONS as OPTIONS_OF_SWEEP
from audiomeas.measurement.response_steps_values import (
    Clock,
    channel_results,
    clock_of,
    driven_columns,
    fitted_channels,
)
from audiomeas.measurement.response_steps_views import charts, tables
from audiomeas.measurement.response_views import hertz, nominal_frequencies
from audiomeas.measurement.result import Result, result_of
from audiomeas.measurement.stepped import MOST_STEPS, aligned, placed_steps, settling_frames, steps_of

if TYPE_CHECKING:
    from audiomeas.recording import Recording
    from audiomeas.stimulus import SteppedSines

_WORD = "response-steps"
#: A window holds at least this many periods: ten blocks of two, between which lost frames and level steps are seen.
_LEAST_PERIODS = 20
#: With so many points in each octave the steps are the nominal third octaves.
_THIRDS = 3
#: A step this near (relative) to the reference that is asked for is it.
_NEAR = 0.01
#: Options that mean here what they mean for a sweep.
_SHARED = ("reference_hz", "low_hz", "high_hz", "same_clock")


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> SteppedSines:
    """Return the steps, low ones first. Raises ValueError."""
    from audiomeas.stimulus import SteppedSines

    wanted = _wanted(options, context.sample_rate_hz)
    if len(wanted) > MOST_STEPS:
        raise ValueError(f"{len(wanted)} steps are more than {MOST_STEPS}: take fewer")
    return SteppedSines(
        steps=tuple((hz, context.input_level_v_rms * 10.0 ** (level_db / 20.0)) for hz, level_db in wanted),
        sample_rate_hz=context.sample_rate_hz,
        window_s=options["window_s"],
        window_periods=_LEAST_PERIODS,
        settle_s=options["settle_s"],
        settle_periods=options["settle_periods"],
        driven_channels=context.channels,
    )


def _wanted(options: Mapping[str, Any], sample_rate_hz: float) -> list[tuple[float, float]]:
    """Return frequency (Hz) and level (dB, relative to the one that is asked for) of each step."""
    asked: Sequence[float] | None = options["frequencies_hz"]
    levels_db: Sequence[float] = options["levels_db"] or (0.0,)
    if asked is None:
        if len(levels_db) > 1:
            raise ValueError("levels_db needs frequencies_hz: one level for each of them, in the same order")
        return [(hz, levels_db[0]) for hz in _spread(options, sample_rate_hz)]
    if len(levels_db) not in (1, len(asked)):
        raise ValueError(f"levels_db has {len(levels_db)} levels for {len(asked)} frequencies: give one for each")
    if len(set(asked)) < len(asked):
        raise ValueError("frequencies_hz names a frequency twice: give each once")
    if not any(abs(hz / options["reference_hz"] - 1.0) <= _NEAR for hz in asked):
        raise ValueError(
            f"the reference of {options['reference_hz']:g} Hz is none of frequencies_hz: step it too, or give one of "
            "them as reference_hz"
        )
    each_db = levels_db if len(levels_db) > 1 else tuple(levels_db) * len(asked)
    return sorted(zip(asked, each_db, strict=True))


def _spread(options: Mapping[str, Any], sample_rate_hz: float) -> list[float]:
    """Return frequencies from from_hz to to_hz, with the reference among them."""
    low_hz, reference_hz = float(options["from_hz"]), float(options["reference_hz"])
    high_hz = min(float(options["to_hz"]), HIGHEST_PART * sample_rate_hz)
    if not low_hz < high_hz:
        raise ValueError(f"no steps lie between {low_hz:g} and {high_hz:g} Hz: set from_hz and to_hz")
    if not low_hz <= reference_hz <= high_hz:
        raise ValueError(
            f"the reference of {reference_hz:g} Hz lies outside {low_hz:g} to {high_hz:g} Hz: give another reference_hz"
        )
    if options["points_per_octave"] == _THIRDS:
        found = nominal_frequencies(low_hz, high_hz)
    else:
        from audiomeas.analysis.sweep import frequency_grid

        found = [float(hz) for hz in frequency_grid(low_hz, high_hz, options["points_per_octave"])]
    there = any(abs(hz / reference_hz - 1.0) <= _NEAR for hz in found)
    return sorted(found if there else [*found, reference_hz])


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    _deviation_band(made(_stimulus, context, options), options)


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    stimulus = steps_of(recording, _WORD)
    _refuse_repeated(stimulus)
    options = {**options, "reference_hz": _reference_hz(stimulus, options["reference_hz"])}
    band_hz, warnings = _deviation_band(stimulus, options)
    placed = recording.stimulus_start is not None
    recording = recording if placed else aligned(recording, stimulus)
    found = fitted_channels(recording, stimulus, placed_steps(recording, stimulus, earlier=not placed))
    clock = clock_of(found, one_clock=on_one_clock(recording, options))
    channels, said = channel_results(recording, found, clock, options, band_hz)
    return result_of(
        recording,
        _WORD,
        conditions=_conditions(recording, stimulus, options, band_hz, clock, placed),
        channels=channels,
        warnings=(*warnings, *clock.warnings, *said),
    )


def _refuse_repeated(stimulus: SteppedSines) -> None:
    every = [frequency_hz for frequency_hz, _ in stimulus.steps]
    if len(set(every)) < len(every):
        raise SignalError(
            "a response needs each frequency once, and this stimulus steps one several times: measure distortion-steps "
            "of it, or generate steps without falls_db"
        )


def _reference_hz(stimulus: SteppedSines, wished_hz: float) -> float:
    """Return the step that is the reference."""
    nearest_hz = min((hz for hz, _ in stimulus.steps), key=lambda hz: abs(math.log(hz / wished_hz)))
    if abs(nearest_hz / wished_hz - 1.0) > _NEAR:
        raise SignalError(
            f"no step stands at the reference of {hertz(wished_hz)}; the nearest is at {hertz(nearest_hz)}: give the "
            "frequency of a step as reference_hz"
        )
    return nearest_hz


def _deviation_band(stimulus: SteppedSines, options: Mapping[str, Any]) -> tuple[tuple[float, float], list[str]]:
    """Return the lowest and highest step within the band of the deviation, and a warning where it ends before."""
    wished_hz = options["low_hz"], options["high_hz"]
    slack = 1.0 + 1e-9
    inside = sorted(hz for hz, _ in stimulus.steps if wished_hz[0] <= hz * slack and hz <= wished_hz[1] * slack)
    if not inside:
        raise SignalError(f"no step lies within {wished_hz[0]:g} to {wished_hz[1]:g} Hz: set low_hz and high_hz")
    if inside[0] <= wished_hz[0] * (1.0 + _NEAR) and inside[-1] >= wished_hz[1] * (1.0 - _NEAR):
        return (inside[0], inside[-1]), []
    return (inside[0], inside[-1]), [
        f"the deviation is taken from {inside[0]:.4g} to {inside[-1]:.5g} Hz, not from {wished_hz[0]:g} to "
        f"{wished_hz[1]:g} Hz: no steps lie beyond"
    ]


def _conditions(
    recording: Recording,
    stimulus: SteppedSines,
    options: Mapping[str, Any],
    band_hz: tuple[float, float],
    clock: Clock,
    placed: bool,
) -> dict[str, Any]:
    rate_hz, reference_hz = stimulus.sample_rate_hz, options["reference_hz"]
    windows_s = [window.frames / rate_hz for window in stimulus.windows()]
    settling_s = [settling_frames(stimulus, hz) / rate_hz for hz, _ in stimulus.steps]
    levels = {level_v_rms for _, level_v_rms in stimulus.steps}
    absolute = is_absolute(recording, driven_columns(recording, stimulus))
    return {
        "method": "stepped sines, each fitted by least squares with its frequency free (IEEE Std 1057)",
        "steps": len(stimulus.steps),
        "measured_s": [min(windows_s), max(windows_s)],
        "settled_s": [min(settling_s), max(settling_s)],
        "settling": (
            f"each step settles for {stimulus.settle_s:g} s or {stimulus.settle_periods:g} periods, whichever is "
            "longer, and is measured whole after that; where its two halves differ, the difference is in the "
            "uncertainty, and beyond 0.1 dB the step is left out"
        ),
        "input_level_v_rms": stimulus.level_v_rms if recording.stimulus_in_volts else None,
        "levels": "the same at each step" if len(levels) == 1 else "one for each step, input_level_v_rms the highest",
        "channels_driven": list(stimulus.driven_channels),
        "reference_hz": reference_hz,
        "uncertainty_covers": uncertainty_covers(recording, absolute),
        "gain_reference": "absolute" if absolute else f"0 dB at {reference_hz:g} Hz",
        "alignment": "known from the bench" if placed else "found by the stimulus itself",
        "phase": _phase_words(clock.is_one),
        "clock": "one clock" if clock.is_one else "another clock; each frequency is fitted",
        "clock_offset_ppm": clock.offset_ppm,
        "clock_offset_uncertainty_ppm": clock.uncertainty_ppm,
        "deviation_band_hz": list(band_hz),
        "corners": f"{CORNER_WORDS}; straight between two steps",
        "harmonics": "relative to the fundamental, against the fundamental's frequency",
    }


def _phase_words(one_clock: bool) -> str:
    if one_clock:
        return "after removing each channel's own delay (the peak of the impulse that the steps make together)"
    return "not known: play and capture are not known to share a clock (same_clock says that they do)"


def _shared(name: str) -> Option:
    return next(option for option in OPTIONS_OF_SWEEP if option.name == name)


MEASUREMENT = Measurement(
    word=_WORD,
    summary="Gain and phase by stepped sines: slow, simple, and the reference for the sweep",
    example='response-steps --input-level "100 mV" --points-per-octave 3',
    options=(
        Option(
            name="frequencies_hz",
            kind="numbers",
            help="frequencies of the steps; without it, from from_hz to to_hz",
            above=0.0,
        ),
        Option(
            name="levels_db",
            kind="numbers",
            help="level of each step in dB relative to the level asked for, one for each of frequencies_hz, such as a "
            "recording curve; without it, 0 dB",
            at_least=-120.0,
            at_most=60.0,
        ),
        Option(name="from_hz", kind="number", help="lowest step", default=20.0, at_least=1.0),
        Option(
            name="to_hz",
            kind="number",
            help="highest step (at most 0.4536 of the sample rate)",
            default=20_000.0,
            above=0.0,
        ),
        Option(
            name="points_per_octave",
            kind="integer",
            help="steps in each octave (3: the nominal third octaves)",
            default=_THIRDS,
            at_least=1,
            at_most=48,
        ),
        Option(
            name="settle_s",
            kind="number",
            help="what each step gets to settle, in seconds",
            default=0.1,
            at_least=0.02,
            at_most=30.0,
        ),
        Option(
            name="settle_periods",
            kind="number",
            help="what each step gets to settle at least, in periods of its tone",
            default=10.0,
            at_least=3.0,
            at_most=1_000.0,
        ),
        Option(
            name="window_s",
            kind="number",
            help="what is measured of each step in seconds; low tones take 20 periods",
            default=0.2,
            at_least=0.05,
            at_most=60.0,
        ),
        *(_shared(name) for name in _SHARED),
    ),
    figures=FIGURES,
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    needs_stimulus=True,
    check=_check,
    curves=CURVES,
)
