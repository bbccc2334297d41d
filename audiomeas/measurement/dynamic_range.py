"""Dynamic range: how far what a unit adds beside a quiet tone lies below its largest level; and its idle noise.

AES17 (from memory): a tone of 997 Hz, 60 dB below full scale, is taken out; what is left (noise, distortion, idle
tones) is weighted and told relative to full scale. The quiet tone keeps a converter at work: silence would flatter
one that mutes.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.bench_own import own_words
from audiomeas.measurement.checks import made, refuse_empty_band
from audiomeas.measurement.dynamic_range_limits import limits_of
from audiomeas.measurement.dynamic_range_reference import reference_of
from audiomeas.measurement.dynamic_range_values import Figures, nothing
from audiomeas.measurement.dynamic_range_views import WEIGHTINGS, charts, tables
from audiomeas.measurement.offers import band_options
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.steady import gap_words, loudest_counts, over_range_words, samples
from audiomeas.measurement.stepped import refuse_breaks

if TYPE_CHECKING:
    from audiomeas.analysis.harmonics import PowerSum
    from audiomeas.analysis.tone import PowerGain, ToneAnalysis
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Stimulus

_WORD = "dynamic-range"
#: CCIR-RMS is the shape of ITU-R BS.468-4 with 0 dB at 2 kHz, r.m.s. (AES17); A is that of IEC 61672-1.
_KNOWN_AS = {"ccir": "itu_r_468_2k", "a": "a"}
#: Converters' noise, however small, leaves zero within this time (s).
_GATED_S = 0.05
#: What is this far below the noise beside the tone when idle shows a unit that mutes (dB).
_MUTES_DB = 6.0
#: A tone further than this from where AES17 wants it is worth a word (dB).
_OFF_DB = 1.0
#: In a capture made elsewhere the tone's end is known to a block: so much of the silence is left out at its ends (s).
_CLEAR_OF_ENDS_S = 0.2


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Stimulus:
    from audiomeas.stimulus import ToneAndSilence

    return ToneAndSilence.bin_centred(
        frequency_hz=options["frequency_hz"],
        sample_rate_hz=context.sample_rate_hz,
        window_s=options["window_s"],
        idle_s=options["idle_s"],
        level_v_rms=context.input_level_v_rms * 10.0 ** (-options["fall_db"] / 20.0),
        fall_db=options["fall_db"],
        driven_channels=context.channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    from audiomeas.analysis.tone import LEAST_PERIODS

    made(_stimulus, context, options)
    refuse_empty_band(context, options)
    _refuse_two_references(options)
    frequency_hz, high_hz = options["frequency_hz"], min(options["high_hz"], context.sample_rate_hz / 2)
    if not options["low_hz"] <= frequency_hz <= high_hz:
        raise RequestError(
            f"the tone at {frequency_hz:g} Hz lies outside {options['low_hz']:g} to {high_hz:g} Hz: use 997 Hz, or "
            "widen low_hz and high_hz"
        )
    if frequency_hz * options["window_s"] < LEAST_PERIODS:
        raise RequestError(f"{options['window_s']:g} s are too short for a tone of {frequency_hz:g} Hz: raise window_s")


def _refuse_two_references(options: Mapping[str, Any]) -> None:
    if options["maximum_level"] is not None and options["reference"] == "capture":
        raise RequestError("maximum_level and reference 'capture' name two references: give one of them")


@dataclasses.dataclass(frozen=True)
class _Spans:
    """Where the tone and the silence stand. idle : None where there is no silence.   fall_db : None: not known."""

    tone: slice
    idle: slice | None
    near_hz: float | None
    fall_db: float | None


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    _refuse_two_references(options)
    spans = _spans(recording)
    warnings: list[str] = []
    channels, problems = [], []
    for column, channel in enumerate(recording.channels):
        if recording.stimulus is not None and channel not in recording.stimulus.driven_channels:
            warnings.append(f"channel {channel} was not driven: no dynamic range is told")
            channels.append(nothing(channel))
            continue
        try:
            result, said = _channel(recording, column, spans, options)
        except SignalError as error:
            problems.append(f"channel {channel}: {str(error).removeprefix(f'channel {channel} ').lstrip()}")
            warnings.append(problems[-1])
            channels.append(nothing(channel))
            continue
        channels.append(result)
        warnings += [f"channel {channel}: {words}" for words in said]
    if problems and all(channel.values["tone_dbfs"] is None for channel in channels):
        raise SignalError("; ".join(dict.fromkeys(problems)))
    return result_of(
        recording,
        _WORD,
        conditions=_conditions(recording, spans, options),
        channels=tuple(channels),
        warnings=tuple(warnings),
    )


def _spans(recording: Recording) -> _Spans:
    """Return where tone and silence stand. Raises SignalError: nothing captured, another stimulus, a cut capture."""
    from audiomeas.analysis.steady import steady_span
    from audiomeas.recording import stimulus_slice
    from audiomeas.stimulus import ToneAndSilence

    if recording.frames == 0:
        raise SignalError("the capture holds no frames")
    stimulus = recording.stimulus
    windows = () if stimulus is None else stimulus.windows()
    tones = [window for window in windows if window.frequency_hz is not None]
    if stimulus is not None and len(tones) != 1:
        raise SignalError(
            f"dynamic range is measured on one quiet tone, and the stimulus of this capture is {stimulus.kind!r}: "
            "measure dynamic-range, or generate tone-and-silence"
        )
    known = isinstance(stimulus, ToneAndSilence)
    fall_db = stimulus.fall_db if isinstance(stimulus, ToneAndSilence) else None
    near_hz = tones[0].frequency_hz if tones else None
    if recording.stimulus_start is not None and tones:
        tone = stimulus_slice(recording, tones[0].start, tones[0].stop)
        idle = stimulus_slice(recording, windows[1].start, windows[1].stop) if known else None
        return _Spans(tone, idle, near_hz, fall_db)
    start, stop = steady_span(loudest_counts(recording), recording.sample_rate_hz)
    idle = _idle_after(recording, stop, stimulus) if isinstance(stimulus, ToneAndSilence) else None
    return _Spans(slice(start, stop), idle, near_hz, fall_db)


def _idle_after(recording: Recording, stop: int, stimulus: Any) -> slice | None:
    """Return the silence behind a tone whose end was found, clear of both its ends; None when it was not captured."""
    rate_hz, clear = recording.sample_rate_hz, round(_CLEAR_OF_ENDS_S * recording.sample_rate_hz)
    tone, idle = stimulus.windows()
    begin = stop + idle.start - tone.stop + clear
    end = min(stop + idle.stop - tone.stop - clear, recording.frames)
    return slice(begin, end) if end - begin > 0.1 * rate_hz else None


def _channel(
    recording: Recording, column: int, spans: _Spans, options: Mapping[str, Any]
) -> tuple[ChannelResult, list[str]]:
    """Return a channel's result and what is to be said of it. Raises SignalError when it can't be told."""
    channel = recording.channels[column]
    if (over := over_range_words(recording, column, channel)) is not None:
        raise SignalError(over)
    if (gap := gap_words(recording, spans.tone, column, channel)) is not None:
        raise SignalError(gap)
    gains = _weighting_gains()
    tone = _tone(recording, column, spans, options, gains)
    if tone.residual is None:
        raise SignalError(f"the tone at {tone.frequency_hz:.6g} Hz lies outside the band: widen low_hz and high_hz")
    fall_db = options["fall_db"] if spans.fall_db is None else spans.fall_db
    reference = reference_of(recording, column, tone, fall_db, options)
    limits = limits_of(recording, column, options, gains, _baseline(recording, channel, options, gains))
    powers = {"unweighted": tone.residual, **tone.weighted}
    figures = Figures(recording, column, reference, limits)
    for name in WEIGHTINGS:
        figures.tell("residual", name, powers[name])
        figures.tell_range(name)
    said = [*reference.warnings, *_idle(recording, column, spans, options, gains, figures, powers), *figures.said]
    figures.tell_tone(tone, fall_db)
    told = figures.told
    if options["reference"] == "capture" and abs(told.values["tone_dbfs"] + fall_db) > _OFF_DB:
        said.append(
            f"the tone lies at {told.values['tone_dbfs']:.1f}".replace("-", "−")
            + f" dBFS, not at −{fall_db:g} dBFS: set the level so that "
            "it does, as what a converter adds may depend on it"
        )
    said += [note for note in tone.notes if not note.startswith(("no THD", "the band ends"))]
    if tone.events is not None:
        said.append("a click beside the tone is in the noise: a contact or a disturbance, so look, and capture again")
    return told.result(channel), said


def _weighting_gains() -> dict[str, PowerGain]:
    """Return the power gain of each weighting."""
    from audiomeas.analysis.weighting import weighting

    return {name: weighting(known_as).power_gain for name, known_as in _KNOWN_AS.items()}


def _tone(
    recording: Recording, column: int, spans: _Spans, options: Mapping[str, Any], gains: Mapping[str, PowerGain]
) -> ToneAnalysis:
    from audiomeas.analysis.tone import analyze_tone

    signal = samples(recording, column, spans.tone)
    found = analyze_tone(
        signal,
        recording.sample_rate_hz,
        near_hz=spans.near_hz,
        band_hz=(options["low_hz"], options["high_hz"]),
        resolution=recording.resolution(column),
        weightings=gains,
    )
    if not recording.shared_clock:
        refuse_breaks(signal, recording.sample_rate_hz, found.frequency_hz)
    return found


def _baseline(
    recording: Recording, channel: int, options: Mapping[str, Any], gains: Mapping[str, PowerGain]
) -> dict[str, float] | None:
    """Return the mean-square values, relative to full scale, that a capture of the bench alone leaves; None: no such.

    Raises SignalError: a baseline of another rate or without the channel, or one that can't be analysed.
    """
    attached = options["baseline"]
    if attached is None:
        return None
    bench: Recording = attached.recording
    where = f"the baseline {attached.name}"
    if bench.sample_rate_hz != recording.sample_rate_hz:
        raise SignalError(
            f"{where} has another sample rate, {bench.sample_rate_hz:g} Hz: capture it at that of the unit"
        )
    if channel not in bench.channels:
        raise SignalError(f"{where} has no channel {channel}: capture it on the same channels as the unit")
    column = bench.column(channel)
    try:
        found = _tone(bench, column, _spans(bench), options, gains)
    except SignalError as error:
        raise SignalError(f"{where}: {error}") from None
    if found.residual is None:
        raise SignalError(f"{where}: its tone lies outside the band")
    own, whole = recording.v_rms_at_full_scale[recording.column(channel)], bench.v_rms_at_full_scale[column]
    # Both in volts where both know them (another range, perhaps), else both relative to full scale.
    scale = 1.0 if own is None or whole is None else whole / own
    reference = bench.reference(column)
    powers = {"unweighted": found.residual, **found.weighted}
    return {name: power.stated * (scale / reference) ** 2 for name, power in powers.items()}


def _idle(
    recording: Recording,
    column: int,
    spans: _Spans,
    options: Mapping[str, Any],
    gains: Mapping[str, PowerGain],
    figures: Figures,
    beside: Mapping[str, PowerSum],
) -> list[str]:
    """Tell the idle noise where there is silence; return what is to be said of it."""
    from audiomeas.analysis.idle_noise import idle_noise

    if spans.idle is None:
        return []
    signal = samples(recording, column, spans.idle)
    if (gated_s := _gated_s(signal, recording.sample_rate_hz)) > 0.0:
        return [
            f"no idle noise: {gated_s:.2f} s of the silence are exact zeros and the rest is not, so that a gate of the "
            "driver or of the unit opens and closes in it; switch it off, or measure longer with idle_s"
        ]
    try:
        found = idle_noise(
            signal,
            recording.sample_rate_hz,
            band_hz=(options["low_hz"], options["high_hz"]),
            weightings={"unweighted": _as_it_is, **gains},
            resolution=recording.resolution(column),
        )
    except SignalError as error:
        return [f"no idle noise: {error}"]
    for name in WEIGHTINGS:
        figures.tell("idle", name, found[name])
        figures.tell_idle_below(name)
    first = WEIGHTINGS[0]
    lower_db = 10.0 * math.log10(beside[first].stated / found[first].stated)
    if lower_db < _MUTES_DB:
        return []
    return [
        f"idle noise lies {lower_db:.0f} dB below the noise beside the tone: the unit mutes without a signal, or its "
        "noise rises with one; the dynamic range tells of it, a signal-to-noise ratio from silence flatters"
    ]


def _gated_s(signal: Any, sample_rate_hz: float) -> float:
    """Return how long the longest run of exact zeros is in a part that is not all zeros, at its ends too; else 0."""
    import numpy as np

    nonzero = np.flatnonzero(signal)
    if not len(nonzero):
        return 0.0
    longest_s = (int(np.max(np.diff(nonzero, prepend=-1, append=len(signal)))) - 1) / sample_rate_hz
    return longest_s if longest_s >= _GATED_S else 0.0


def _as_it_is(frequency_hz: Any) -> Any:
    """Return a power gain of one."""
    import numpy as np

    return np.ones_like(frequency_hz)


def _conditions(recording: Recording, spans: _Spans, options: Mapping[str, Any]) -> dict[str, Any]:
    rate_hz = recording.sample_rate_hz
    conditions: dict[str, Any] = {
        "method": "a quiet tone taken out by a least-squares fit; noise, distortion and hum that it leaves, r.m.s.",
        "band_hz": [options["low_hz"], min(options["high_hz"], rate_hz / 2)],
        "band_edges": "brick wall",
        "detector": "r.m.s.",
        "weightings": {
            "ccir": "CCIR-RMS (AES17): shape of ITU-R BS.468-4, 0 dB at 2 kHz",
            "a": "A (IEC 61672-1)",
            "unweighted": "none",
        },
        "reference": _reference_words(options),
        "fall_db": options["fall_db"] if spans.fall_db is None else spans.fall_db,
        "analysed_s": (spans.tone.stop - spans.tone.start) / rate_hz,
        "idle_s": None if spans.idle is None else (spans.idle.stop - spans.idle.start) / rate_hz,
        "uncertainty_covers": "noise, scale and the card's stated noise; not the noise of the bench's output; "
        f"{own_words(recording, response=False)}",
    }
    if options["baseline"] is not None:
        conditions["baseline"] = {"file": options["baseline"].name, "sha256": options["baseline"].sha256}
    return conditions


def _reference_words(options: Mapping[str, Any]) -> str:
    if options["maximum_level"] is not None:
        return "the stated maximum level"
    if options["reference"] == "capture":
        return "full scale of the capture (AES17: a full-scale sine)"
    return "the unit's largest level: that of the tone, raised by how far it was played below"


MEASUREMENT = Measurement(
    word=_WORD,
    summary="Dynamic range by a tone 60 dB below the largest level (AES17), and idle noise",
    example="dynamic-range --output-level '2 V'",
    options=(
        Option(name="frequency_hz", kind="number", help="Frequency of the tone.", default=997.0, above=0.0),
        Option(
            name="fall_db",
            kind="number",
            help="How far the tone lies below the largest level, which is the level asked for.",
            default=60.0,
            stage="analyse",
            at_least=20.0,
            at_most=120.0,
        ),
        Option(
            name="window_s",
            kind="number",
            help="Length of the tone that is analysed.",
            default=2.0,
            at_least=0.5,
            at_most=60.0,
        ),
        Option(
            name="idle_s",
            kind="number",
            help="Length of the silence that is analysed.",
            default=2.0,
            at_least=0.5,
            at_most=60.0,
        ),
        *band_options(low_help="Low edge of the band.", high_help="High edge of the band."),
        Option(
            name="reference",
            kind="choice",
            help="tone: the largest level is that of the tone, raised by fall_db; capture: full scale of the capture, "
            "for a recorder, a converter's digital output or a file.",
            default="tone",
            choices=("tone", "capture"),
            stage="analyse",
        ),
        Option(
            name="maximum_level",
            kind="level",
            help="The unit's largest level where it is stated, such as '2 V' or '60 W': the reference then.",
            stage="analyse",
        ),
        Option(
            name="baseline",
            kind="recording",
            help="A capture of the same measurement without the unit: what is near to it is told as a bound.",
            stage="analyse",
        ),
    ),
    figures=(
        Figure(key="dynamic_range_db", unit="dB", words="dynamic range, weighted CCIR-RMS"),
        Figure(key="dynamic_range_a_db", unit="dB", words="dynamic range, A-weighted"),
        Figure(key="dynamic_range_unweighted_db", unit="dB", words="dynamic range, unweighted"),
        Figure(key="residual_ccir_dbfs", unit="dBFS", words="noise beside a quiet tone, weighted CCIR-RMS"),
        Figure(key="idle_ccir_dbfs", unit="dBFS", words="idle noise, weighted CCIR-RMS"),
        Figure(key="idle_a_v_rms", unit="V", words="idle noise, A-weighted"),
        Figure(key="idle_a_below_db", unit="dB", words="how far idle noise lies below the largest level, A-weighted"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
)
