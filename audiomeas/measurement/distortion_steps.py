"""Distortion against frequency and against level: sines one after the other, each analysed as a steady tone."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import of_limits
from audiomeas.errors import SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.bench_own import bound_ratios, limited_words
from audiomeas.measurement.bounded_series import too_few_frequencies
from audiomeas.measurement.budget import HUM, Told
from audiomeas.measurement.checks import made, refuse_empty_band
from audiomeas.measurement.curves import row_curve
from audiomeas.measurement.distortion_steps_views import charts, step_words, tables
from audiomeas.measurement.response_views import nominal_frequencies
from audiomeas.measurement.result import Result, result_of
from audiomeas.measurement.steady import samples
from audiomeas.measurement.stepped import (
    MOST_STEPS,
    Step,
    aligned,
    placed_steps,
    places,
    refuse_breaks,
    refuse_over_range,
    steps_of,
)
from audiomeas.measurement.tone_values import (
    BAND_OPTIONS,
    definitions,
    harmonic_rows,
    tell_level,
    tell_ratio,
    uncertainty_covers,
)

if TYPE_CHECKING:
    from audiomeas.analysis.tone import Line, ToneAnalysis
    from audiomeas.recording import Recording
    from audiomeas.stimulus import SteppedSines, Stimulus

#: A window holds at least this many periods, so that noise is seen between the harmonics.
_LEAST_PERIODS = 20
#: Of the third harmonic of the highest step without `frequencies_hz`: the analysis wants four bins below half the rate.
_HIGHEST_PART = 0.499
#: Without frequencies, several levels are stepped at this one.
_ONE_FREQUENCY_HZ = 1_000.0
#: Harmonics that are traced.
_HIGHEST_ORDER = 5
#: It is worth a word when it is this part of the harmonics together.
_HUM_WORTH = 0.1
HUM_WORDS = "hum falls on a harmonic and may add to it or hide it: step some Hz beside"
#: How a step begins to say that its third harmonic is not captured.
NO_THD = "no THD"
_KEYS = (
    "level_v_rms",
    "level_w",
    "level_dbfs",
    "gain_db",
    "thd_percent",
    "thd_db",
    "thd_n_percent",
    "thd_n_db",
)
_FIGURES = ("largest_thd", "largest_thd_n")


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Stimulus:
    """Return the steps, quiet ones first: what a loud one warms can't reach a quiet one. Raises ValueError."""
    from audiomeas.stimulus import SteppedSines

    falls_db = sorted(set(options["falls_db"] or (0.0,)), reverse=True)
    frequencies_hz = _frequencies_hz(options, len(falls_db), context.sample_rate_hz)
    if len(falls_db) * len(frequencies_hz) > MOST_STEPS:
        raise ValueError(
            f"{len(frequencies_hz)} frequencies at {len(falls_db)} levels are more than {MOST_STEPS} steps: take fewer"
        )
    return SteppedSines.bin_centred(
        steps=tuple(
            (frequency_hz, context.input_level_v_rms * 10.0 ** (-fall_db / 20.0))
            for fall_db in falls_db
            for frequency_hz in frequencies_hz
        ),
        sample_rate_hz=context.sample_rate_hz,
        window_s=options["window_s"],
        window_periods=_LEAST_PERIODS,
        driven_channels=context.channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    made(_stimulus, context, options)
    refuse_empty_band(context, options)


def _frequencies_hz(options: Mapping[str, Any], levels: int, sample_rate_hz: float) -> list[float]:
    asked: Sequence[float] | None = options["frequencies_hz"]
    if asked:
        return sorted(set(asked))
    if levels > 1:
        return [_ONE_FREQUENCY_HZ]
    limit_hz = min(options["harmonic_limit_hz"] or sample_rate_hz, _HIGHEST_PART * sample_rate_hz)
    return nominal_frequencies(20.0, max(min(limit_hz / 3.0, 20_000.0), 20.0))


@dataclasses.dataclass(frozen=True)
class ReadSteps:
    """The steps of a recording as read. channels : channel → what is told of each step; nothing where not driven."""

    recording: Recording
    channels: Mapping[int, Sequence[Told]]
    warnings: tuple[str, ...]
    conditions: Mapping[str, Any]


def read_steps(recording: Recording, options: Mapping[str, Any], word: str) -> ReadSteps:
    """Return what each step of a recording tells. word : the measurement that asks. Raises SignalError."""
    stimulus = steps_of(recording, word)
    placed = recording.stimulus_start is not None
    recording = recording if placed else aligned(recording, stimulus)
    steps = placed_steps(recording, stimulus, earlier=not placed)
    warnings: list[str] = []
    channels: dict[int, Sequence[Told]] = {}
    problems, known = [], 0
    for column, channel in enumerate(recording.channels):
        if channel not in stimulus.driven_channels:
            warnings.append(f"channel {channel} was not driven: no distortion is told")
            channels[channel] = ()
            continue
        found = _Channel(recording, column, channel, options)
        channels[channel] = found.read(steps)
        said = [f"channel {channel}: {note} ({places(where, len(steps))})" for note, where in found.notes.items()]
        warnings += said
        problems += said
        known += found.known
    if not known and problems:
        raise SignalError(problems[0])
    conditions = _conditions(recording, stimulus, options, placed)
    return ReadSteps(recording, channels, tuple(warnings), conditions)


def step_row(step: Told) -> dict[str, Any]:
    """Return what is told of a step, as results keep it."""
    return {**step.values, "uncertainty": step.uncertainty, "bound": step.bound}


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    read = read_steps(recording, options, "distortion-steps")
    return result_of(
        read.recording,
        "distortion-steps",
        conditions=read.conditions,
        channels=tuple(_largest(steps).result(channel) for channel, steps in read.channels.items()),
        warnings=read.warnings,
    )


class _Channel:
    """Analyses the steps of one channel and gathers what there is to say of them."""

    def __init__(self, recording: Recording, column: int, channel: int, options: Mapping[str, Any]) -> None:
        self._recording, self._column, self._channel, self._options = recording, column, channel, options
        #: What is to be said → the steps of which.
        self.notes: dict[str, list[str]] = {}
        #: How many steps could be analysed.
        self.known = 0

    def read(self, steps: Sequence[Step]) -> list[Told]:
        """Return what is told of each step; null where one can't be analysed."""
        found = [self._tried(step) for step in steps]
        hum = [line for tone in found if not isinstance(tone, str) for line in tone.mains]
        return [self._step(step, tone, hum) for step, tone in zip(steps, found, strict=True)]

    def _tried(self, step: Step) -> ToneAnalysis | str:
        """Return the analysis of a step, or why there is none."""
        try:
            return self._analysed(step)
        except SignalError as error:
            return str(error)

    def _step(self, step: Step, tone: ToneAnalysis | str, hum: Sequence[Line]) -> Told:
        told = Told(dict.fromkeys(_KEYS))
        harmonics: list[dict[str, Any]] = []
        if isinstance(tone, str):
            notes = [tone]
        else:
            self.known += 1
            harmonics = harmonic_rows(tone, all_up_to=_HIGHEST_ORDER, highest=_HIGHEST_ORDER)
            limited = self._tell(told, tone, step)
            notes = [
                *limited,
                *_notes(tone, self._options["harmonic_limit_hz"]),
                *_widen_by_hum(told, harmonics, tone, hum),
            ]
        for note in notes:
            self.notes.setdefault(note, []).append(step_words(step.frequency_hz, step.fall_db))
        told.values.update(
            frequency_hz=step.frequency_hz,
            input_v_rms=step.level_v_rms if self._recording.stimulus_in_volts else None,
            fall_db=step.fall_db,
            harmonics=harmonics,
            note="; ".join(notes) or None,
        )
        return told

    def _analysed(self, step: Step) -> ToneAnalysis:
        from audiomeas.analysis.tone import analyze_tone

        refuse_over_range(self._recording, self._column, step.span)
        signal, rate_hz = samples(self._recording, self._column, step.span), self._recording.sample_rate_hz
        tone = analyze_tone(
            signal,
            rate_hz,
            near_hz=step.frequency_hz,
            band_hz=(self._options["low_hz"], self._options["high_hz"]),
            harmonic_limit_hz=self._options["harmonic_limit_hz"],
            spectrum_points=0,
            resolution=self._recording.resolution(self._column),
        )
        if not self._recording.shared_clock:
            refuse_breaks(signal, rate_hz, tone.frequency_hz)
        return tone

    def _tell(self, told: Told, tone: ToneAnalysis, step: Step) -> list[str]:
        """Tell level and ratios; return what is to be said of them."""
        recording = self._recording
        input_v_rms = step.level_v_rms if recording.stimulus_in_volts else None
        tell_level(told, recording, self._column, self._channel, tone, input_v_rms=input_v_rms)
        tell_ratio(told, "thd", tone.thd_ratio, tone.thd)
        tell_ratio(told, "thd_n", tone.thd_n_ratio, tone.residual)
        limited = bound_ratios(
            told, recording, self._channel, tone.frequency_hz, ("thd", "thd_n"), input_v_rms=input_v_rms
        )
        return [] if not limited else [limited_words(limited)]


def _widen_by_hum(
    told: Told, harmonics: list[dict[str, Any]], tone: ToneAnalysis, hum: Sequence[Line]
) -> tuple[str, ...]:
    """Widen what a mains line on a harmonic may add or take; return a note where that is much of the distortion.

    hum : as the steps show it on which it does not fall on a harmonic. In one step the two can't be told apart.
    """
    from audiomeas.analysis.stepped_response import hum_near

    on = {
        int(order): hum_near(hum, float(hz), tone)
        for order, hz in zip(tone.harmonics.order, tone.harmonics.frequency_hz, strict=True)
    }
    for row in harmonics:
        if "uncertainty_db" in row and on[row["order"]]:
            ratio = on[row["order"]] / (tone.level_rms * 10.0 ** (row["level_db"] / 20.0))
            row["uncertainty_db"] = math.hypot(row["uncertainty_db"], 0.95 * DB_PER_NEPER * ratio)
    part = math.hypot(*on.values()) / math.sqrt(tone.thd.stated) if tone.thd and tone.thd.stated > 0.0 else 0.0
    for key, scale in (("thd_percent", told.values["thd_percent"]), ("thd_db", DB_PER_NEPER)):
        if part:
            told.widen(key, of_limits(HUM, part * scale))
    return (HUM_WORDS,) if part > _HUM_WORTH else ()


def _notes(tone: ToneAnalysis, limit_hz: float | None) -> list[str]:
    """Return what is to be said of a step, in words that several steps can share."""
    notes = [note for note in tone.notes if not note.startswith(NO_THD)]
    if tone.thd is None:
        way_out = "use a higher rate" if limit_hz is None else "raise harmonic_limit_hz or use a higher rate"
        notes.append(
            f"{NO_THD}: the third harmonic lies beyond {tone.harmonic_limit_hz:.5g} Hz; {way_out}, or measure with two "
            "tones (intermodulation)"
        )
    if tone.events is not None:
        notes.append("a click during the step is in THD+N: a contact or a disturbance, so look, and capture again")
    if tone.residual is None:
        low_hz, high_hz = tone.band_hz
        notes.append(f"no THD+N: the tone lies outside the band {low_hz:g} to {high_hz:g} Hz; widen the band")
    return notes


def _largest(read: Sequence[Told]) -> Told:
    """Return what is told of a channel: its steps, and the largest ratios with where they are."""
    told = Told({"steps": [step_row(step) for step in read]})
    for figure in _FIGURES:
        key = figure.removeprefix("largest_") + "_percent"
        top = max(
            (step for step in read if step.values[key] is not None), key=lambda one: one.values[key], default=None
        )
        told.values[f"{figure}_percent"] = None if top is None else top.values[key]
        told.values[f"{figure}_at_hz"] = None if top is None else top.values["frequency_hz"]
        for unit in ("v_rms", "w", "dbfs"):
            told.values[f"{figure}_at_{unit}"] = None if top is None else top.values[f"level_{unit}"]
        if top is not None and key in top.bound:
            told.at_most(f"{figure}_percent", word=top.bound[key])
        elif top is not None and key in top.uncertainty:
            told.add(f"{figure}_percent", top.budget[key])
    return told


def _conditions(
    recording: Recording, stimulus: SteppedSines, options: Mapping[str, Any], placed: bool
) -> dict[str, Any]:
    windows_s = [window.frames / stimulus.sample_rate_hz for window in stimulus.windows()]
    return {
        **definitions(options, recording.sample_rate_hz),
        "method": "stepped sines",
        "steps": len(stimulus.steps),
        "input_level_v_rms": stimulus.level_v_rms if recording.stimulus_in_volts else None,
        "channels_driven": list(stimulus.driven_channels),
        "window_s": [min(windows_s), max(windows_s)],
        "settle_s": stimulus.settle_s,
        "alignment": "known from the bench" if placed else "found by the stimulus itself",
        "averages": 1,
        "uncertainty_covers": uncertainty_covers(recording),
    }


def _no_chart(options: Mapping[str, Any]) -> str:
    several_levels = len(set(options["falls_db"] or ())) > 1
    return "" if several_levels else too_few_frequencies(options)


MEASUREMENT = Measurement(
    word="distortion-steps",
    summary="Distortion against frequency, and against level or power, by stepped sines",
    example="distortion-steps --output-level '50 W' --frequencies-hz 1000 --falls-db 0,3,6,10,20,30",
    options=(
        Option(
            name="frequencies_hz",
            kind="numbers",
            help="Frequencies of the steps; without it, third octaves from 20 Hz as far as the third harmonic can be "
            "captured, or 1 kHz alone when falls_db has several levels.",
            above=0.0,
        ),
        Option(
            name="falls_db",
            kind="numbers",
            help="Levels of the steps in dB below the level asked for, such as 0,10,20,30; without it, that level.",
            at_least=0.0,
            at_most=120.0,
        ),
        Option(
            name="window_s",
            kind="number",
            help="Length of what is analysed of a step; low tones take 20 periods.",
            default=0.3,
            at_least=0.05,
            at_most=60.0,
        ),
        Option(
            name="reference_hz",
            kind="number",
            help="Where an output level that is asked for is set; the input level is then the same at all frequencies.",
            default=1000.0,
            above=0.0,
        ),
        *BAND_OPTIONS,
    ),
    figures=(
        Figure(key="largest_thd_percent", unit="%", words="largest harmonic distortion of all steps"),
        Figure(key="largest_thd_n_percent", unit="%", words="largest distortion and noise of all steps"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    no_chart=_no_chart,
    needs_stimulus=True,
    check=_check,
    curves=(
        row_curve("thd_percent", unit="%", words="harmonic distortion"),
        row_curve("thd_n_percent", unit="%", words="distortion and noise"),
    ),
)
