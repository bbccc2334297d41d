"""Distortion of one steady tone: level, harmonics, THD, THD+N, SINAD, noise, DC and hum, per channel.

An undriven channel is listed with null values: what arrives there is crosstalk and noise, each with its own word.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.bench_own import bound_ratios, limited_words
from audiomeas.measurement.budget import Told
from audiomeas.measurement.checks import made, refuse_empty_band
from audiomeas.measurement.distortion_views import charts, tables
from audiomeas.measurement.offers import ratio_figures
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.steady import (
    gap_words,
    loudest_column,
    loudest_counts,
    over_range_words,
    samples,
)
from audiomeas.measurement.tone_values import (
    BAND_OPTIONS,
    definitions,
    harmonic_rows,
    spectrum_values,
    tell_frequency,
    tell_level,
    tell_ratio,
    uncertainty_covers,
)

if TYPE_CHECKING:
    from audiomeas.analysis.tone import ToneAnalysis
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Stimulus

#: Longest tone: all windows together.
_LONGEST_S = 600.0
#: Harmonics listed in any case; higher ones only where they stand out of the noise.
_LISTED_ORDERS = 100
#: A level that changes by more than this during the capture is worth a word.
_DRIFT_DB = 0.5
#: What is left out at an end is more than a ramp when it lasts this long.
_LEFT_OUT_S = 0.25
#: What the analysis leaves of DC where there is none, relative to the tone.
_LEAST_DC = 1e-7

_KEYS = (
    "frequency_hz",
    "level_v_rms",
    "level_dbfs",
    "thd_percent",
    "thd_db",
    "thd_total_percent",
    "thd_n_percent",
    "thd_n_db",
    "thd_n_notch_percent",
    "thd_n_notch_db",
    "sinad_db",
    "noise_db",
    "noise_v_rms",
    "dc_v",
    "gain_db",
    "level_w",
    "phase_deg",
)


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Stimulus:
    """Return a sine that lasts for all windows to be averaged, with whole periods in each. Raises ValueError."""
    from audiomeas.stimulus import Sine

    count, rate_hz = options["averages"], context.sample_rate_hz
    if count * options["window_s"] > _LONGEST_S:
        raise ValueError(
            f"{count} windows of {options['window_s']:g} s are more than {_LONGEST_S:g} s: take fewer or shorter ones"
        )
    one = Sine.bin_centred(
        frequency_hz=options["frequency_hz"],
        sample_rate_hz=rate_hz,
        window_s=options["window_s"],
        level_v_rms=context.input_level_v_rms,
        driven_channels=context.channels,
    )
    return dataclasses.replace(one, window_s=count * one.window_frames / rate_hz) if count > 1 else one


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    from audiomeas.analysis.tone import LEAST_PERIODS

    made(_stimulus, context, options)
    refuse_empty_band(context, options)
    frequency_hz, window_s = options["frequency_hz"], options["window_s"]
    if frequency_hz * window_s < LEAST_PERIODS:
        raise RequestError(
            f"{window_s:g} s hold fewer than {LEAST_PERIODS} periods of {frequency_hz:g} Hz: set window_s to at least "
            f"{LEAST_PERIODS / frequency_hz:.3g} s, or use a higher frequency"
        )
    # Beyond this the interface's own filters decide, and no harmonic is left.
    highest_hz = 0.45 * context.sample_rate_hz
    if frequency_hz > highest_hz:
        raise RequestError(
            f"{frequency_hz:g} Hz is too near half the sample rate: use at most {highest_hz:g} Hz, or a higher rate"
        )


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    start, stop, near_hz = _span(recording)
    warnings: list[str] = [*_left_out(recording, start, stop)]
    channels, problems, first = [], [], None
    for column, channel in enumerate(recording.channels):
        reason = _why_not(recording, column, channel, slice(start, stop))
        if reason is None:
            try:
                tone = _analysed(recording, column, slice(start, stop), near_hz, options)
            except SignalError as error:
                reason = f"channel {channel}: {error}"
                problems.append(reason)
            else:
                first = first or tone
                steadiness = _steadiness(recording, column, slice(start, stop), tone, options)
                said = (*steadiness.words, *(() if steadiness.broken else tone.notes))
                warnings += [f"channel {channel}: {words}" for words in said]
                channels.append(_channel(recording, column, channel, tone, options, steadiness, warnings))
                continue
        warnings.append(reason)
        channels.append(_nothing(channel))
    if first is None and problems:
        raise SignalError("; ".join(dict.fromkeys(problems)))
    if options["averages"] > 1 and options["averaging"] == "coherent":
        warnings.append(
            f"coherent averaging hides noise: THD+N, SINAD and noise hold {_hidden_noise(options['averages'])}; "
            "hum that does not repeat with the window is hidden too"
        )
    return result_of(
        recording,
        "distortion",
        conditions=_conditions(recording, options, start, stop, first),
        channels=tuple(channels),
        warnings=tuple(warnings),
    )


def _span(recording: Recording) -> tuple[int, int, float | None]:
    """Return which frames are analysed, and where the tone is expected (None: the strongest)."""
    from audiomeas.recording import stimulus_slice

    stimulus = recording.stimulus
    tones = () if stimulus is None else tuple(w for w in stimulus.windows() if w.frequency_hz is not None)
    if stimulus is not None and len(tones) != 1:
        raise SignalError(
            f"distortion is measured on one steady sine, and the stimulus of this capture is {stimulus.kind!r}: "
            "play a sine, or use the measurement that the stimulus is for"
        )
    near_hz = tones[0].frequency_hz if tones else None
    if tones and recording.stimulus_start is not None:
        found = stimulus_slice(recording, tones[0].start, tones[0].stop)
        return found.start, found.stop, near_hz
    return (*_steady_of_loudest(recording), near_hz)


def _steady_of_loudest(recording: Recording) -> tuple[int, int]:
    from audiomeas.analysis.steady import steady_span

    if recording.frames == 0:
        raise SignalError("the capture holds no frames")
    return steady_span(loudest_counts(recording), recording.sample_rate_hz)


def _why_not(recording: Recording, column: int, channel: int, span: slice) -> str | None:
    """Return why a channel has no distortion to be told, or None."""
    if (over := over_range_words(recording, column, channel)) is not None:
        return over
    if recording.stimulus is not None and channel not in recording.stimulus.driven_channels:
        return f"channel {channel} was not driven: no distortion is told"
    return gap_words(recording, span, column, channel)


def _analysed(
    recording: Recording, column: int, span: slice, near_hz: float | None, options: Mapping[str, Any]
) -> ToneAnalysis:
    from audiomeas.analysis.averaging import coherent_mean, combined_as_powers, windows_of
    from audiomeas.analysis.tone import analyze_tone

    signal = samples(recording, column, span)
    rate_hz, count = recording.sample_rate_hz, options["averages"]

    def analysed(window: Any) -> ToneAnalysis:
        return analyze_tone(
            window,
            rate_hz,
            near_hz=near_hz,
            band_hz=(options["low_hz"], options["high_hz"]),
            harmonic_limit_hz=options["harmonic_limit_hz"],
            resolution=step,
        )

    step = recording.resolution(column)
    if count == 1:
        return analysed(signal)
    if options["averaging"] == "power":
        return combined_as_powers([analysed(window) for window in windows_of(signal, count)])
    step = _step_of_mean(signal, count, step)
    mean = coherent_mean(
        signal,
        count,
        rate_hz,
        near_hz=near_hz,
        harmonic_limit_hz=options["harmonic_limit_hz"],
        shared_clock=recording.shared_clock,
    )
    return analysed(mean)


def _step_of_mean(signal: Any, count: int, step: float | None) -> float | None:
    """Return the step that the mean of windows has: rounding that differs from window to window averages out."""
    import numpy as np

    from audiomeas.analysis.averaging import windows_of

    if step is None:
        return None
    differs = float(np.mean(np.var(windows_of(signal, count), axis=0))) > 0.5 * step**2 / 12.0
    return step / math.sqrt(count) if differs else step


@dataclasses.dataclass(frozen=True)
class _Steadiness:
    """What happened during the tone. broken : only the level can be told.   drift : of the level, relative."""

    words: tuple[str, ...] = ()
    broken: bool = False
    drift: float = 0.0


def _steadiness(
    recording: Recording, column: int, span: slice, tone: ToneAnalysis, options: Mapping[str, Any]
) -> _Steadiness:
    """Return what happened in the middle of the tone. A capture by `measure` was looked through for jumps before."""
    from audiomeas.analysis.continuity import hum_beside, level_drift, one_frame_rad, tone_breaks, usual_level

    rate_hz, hz = recording.sample_rate_hz, tone.frequency_hz
    signal = samples(recording, column, span)
    below, above = level_drift(signal, rate_hz, hz)
    drift_words, drift = _drift_words(below, above), max(below, above, _left_out_drift(recording, column, span))
    words = [*_event_words(tone, span.start / rate_hz, rate_hz, options), *drift_words]
    if recording.shared_clock:
        return _Steadiness((*_clock_doubt(recording, hz), *words), drift=drift)
    beside = hum_beside(hz, tone.level_rms, ((line.frequency_hz, line.level_rms) for line in tone.mains))
    found = tone_breaks(signal, rate_hz, hz, phase_jump_rad=one_frame_rad(rate_hz, hz), beside=beside)
    jumps = [one for one in found if one.kind == "phase"]
    # Lost samples also dip the level of their block: the jump says more.
    if jumps:
        worst = max(jumps, key=lambda one: abs(one.size))
        said = (
            f"the tone's phase jumps by {abs(math.degrees(worst.size)):.2g} degrees near "
            f"{(span.start + worst.frame) / rate_hz:.2f} s: samples were lost or repeated, so that only its level is "
            "told; capture it again, or cut the file to its steady part"
        )
        # Two parts out of step cancel one another in the fit: it reads low.
        fitted = abs(usual_level(signal, rate_hz, hz) / tone.level_rms - 1.0)
        return _Steadiness((said,), broken=True, drift=max(drift, below + above) + fitted)
    if found and not drift_words:
        at_s = (span.start + found[0].frame) / rate_hz
        words.append(
            f"the level steps by {found[0].size:+.2f} dB near {at_s:.2f} s; capture it again, or cut the file to its "
            "steady part"
        )
    return _Steadiness(tuple(words), drift=drift)


def _drift_words(below: float, above: float) -> list[str]:
    """Return a warning when the level is not steady. below, above : its mean, relative."""
    range_db = 20.0 * math.log10((1.0 + above) / max(1.0 - below, 1e-6))
    if range_db < _DRIFT_DB:
        return []
    return [
        f"the level changes by {range_db:.2f} dB during the capture: its uncertainty covers that, and THD+N, SINAD and "
        "noise hold that modulation; let the unit settle and capture again, or cut the file to its steady part"
    ]


def _event_words(tone: ToneAnalysis, start_s: float, rate_hz: float, options: Mapping[str, Any]) -> list[str]:
    from audiomeas.units import amplitude_ratio_to_db

    if tone.events is None:
        return []
    events = tone.events
    averaged = options["averages"] > 1 and options["averaging"] == "coherent"
    where = "in an averaged window" if averaged else f"near {start_s + events.frame / rate_hz:.3f} s"
    size_db = amplitude_ratio_to_db(events.peak / (math.sqrt(2.0) * tone.level_rms))
    what = "a click" if events.count == 1 else f"{events.count} clicks, the largest"
    return [
        f"{what} {where}, {size_db:+.1f} dB relative to the tone's peak: in THD+N and noise; a contact, a disturbance "
        "or a lost block, so look, and capture again"
    ]


def _left_out_levels(recording: Recording, column: int, span: slice) -> list[tuple[str, float, float]]:
    """Return (which end, seconds, level relative to the steady part) of what was left out and is no silence."""
    import numpy as np

    signal, rate_hz = recording.counts_fs[:, column], recording.sample_rate_hz
    steady = float(np.std(signal[span]))
    found = []
    for end, part in (("beginning", signal[: span.start]), ("end", signal[span.stop :])):
        loud = len(part) / rate_hz >= _LEFT_OUT_S and steady > 0.0
        relative = float(np.std(part)) / steady if loud else 0.0
        if relative > 0.5:
            found.append((end, len(part) / rate_hz, relative))
    return found


def _left_out_drift(recording: Recording, column: int, span: slice) -> float:
    if recording.stimulus_start is not None:
        return 0.0
    return max((abs(relative - 1.0) for _, _, relative in _left_out_levels(recording, column, span)), default=0.0)


def _left_out(recording: Recording, start: int, stop: int) -> list[str]:
    """Return what was left out of a capture made elsewhere although it is no silence."""
    if recording.stimulus_start is not None:
        return []
    loudest = loudest_column(recording.window(start, stop))
    return [
        f"{seconds:.2f} s at the {end} of the capture, where the level is another ({20 * math.log10(relative):+.2f} dB "
        "on average), are left out, and the level's uncertainty covers that; capture a steady tone, or cut the file"
        for end, seconds, relative in _left_out_levels(recording, loudest, slice(start, stop))
    ]


def _clock_doubt(recording: Recording, frequency_hz: float) -> list[str]:
    assert recording.stimulus is not None
    played_hz = next(w.frequency_hz for w in recording.stimulus.windows() if w.frequency_hz is not None)
    ppm = (frequency_hz / played_hz - 1.0) * 1e6
    if abs(ppm) < 5.0:
        return []
    return [f"the tone came back {ppm:+.1f} ppm off, although one clock plays and captures"]


def _nothing(channel: int) -> ChannelResult:
    values: dict[str, Any] = dict.fromkeys(_KEYS)
    return ChannelResult(channel=channel, values={**values, "harmonics": [], "mains": [], "spectrum": None})


def _channel(
    recording: Recording,
    column: int,
    channel: int,
    tone: ToneAnalysis,
    options: Mapping[str, Any],
    steadiness: _Steadiness,
    warnings: list[str],
) -> ChannelResult:
    """Return what is told of a channel. warnings : what is to be said of it is added."""
    told = Told(dict.fromkeys(_KEYS))
    in_volts = recording.stimulus is not None and recording.stimulus_in_volts
    input_v_rms = recording.stimulus.level_v_rms if recording.stimulus is not None and in_volts else None
    drift = steadiness.drift
    tell_level(told, recording, column, channel, tone, input_v_rms=input_v_rms, drift=drift)
    if steadiness.broken:
        told.values.update(harmonics=[], mains=[], spectrum=None)
        return told.result(channel)
    tell_frequency(told, tone)
    _tell_ratios(told, tone, options)
    _tell_rest(told, recording, column, tone)
    names = ("thd", "thd_n", "thd_n_notch")
    limited = bound_ratios(told, recording, channel, tone.frequency_hz, names, input_v_rms=input_v_rms)
    if limited:
        warnings.append(f"channel {channel}: {limited_words(limited)}")
    if told.values["thd_total_percent"] is not None:
        told.values["thd_total_percent"] *= limited.get("thd", 1.0)
    if told.values["thd_n_db"] is not None:
        told.values["sinad_db"] = -told.values["thd_n_db"]
    told.follow("thd_total_percent", "thd_percent", "at most")
    told.follow("sinad_db", "thd_n_db", "at least")
    return told.result(channel)


def _tell_ratios(told: Told, tone: ToneAnalysis, options: Mapping[str, Any]) -> None:
    tell_ratio(told, "thd", tone.thd_ratio, tone.thd)
    if tone.thd_total_ratio is not None:
        told.values["thd_total_percent"] = 100.0 * tone.thd_total_ratio
    tell_ratio(told, "thd_n", tone.thd_n_ratio, tone.residual)
    if options["notch"]:
        tell_ratio(told, "thd_n_notch", tone.thd_n_notch_ratio, tone.notched)


def _tell_rest(told: Told, recording: Recording, column: int, tone: ToneAnalysis) -> None:
    from audiomeas.units import amplitude_ratio_to_db

    values = told.values
    calibrated = recording.scale_v(column) is not None
    noise_rms = math.sqrt(max(tone.noise.stated, 0.0))
    if tone.total_mean_square and noise_rms > 0.0:
        values["noise_db"] = amplitude_ratio_to_db(noise_rms / math.sqrt(tone.total_mean_square))
    if calibrated:
        values["noise_v_rms"], values["dc_v"] = noise_rms, tone.dc
        told.uncertainty["dc_v"] = math.hypot(tone.dc_uncertainty, _LEAST_DC * tone.level_rms)
    if tone.noise.at_most:
        told.bound.update({key: "at most" for key in ("noise_db", "noise_v_rms") if values[key] is not None})
    values["harmonics"] = harmonic_rows(tone, all_up_to=_LISTED_ORDERS)
    values["mains"] = [
        {
            "frequency_hz": line.frequency_hz,
            "level_v_rms": line.level_rms if calibrated else None,
            "level_db": amplitude_ratio_to_db(line.level_rms / tone.level_rms),
        }
        for line in tone.mains
    ]
    values["spectrum"] = spectrum_values(tone.spectrum)


def _conditions(
    recording: Recording, options: Mapping[str, Any], start: int, stop: int, tone: ToneAnalysis | None
) -> dict[str, Any]:
    rate_hz, count = recording.sample_rate_hz, options["averages"]
    used = (stop - start) // count * count
    conditions: dict[str, Any] = {
        **definitions(options, rate_hz),
        "thd_total_reference": "fundamental and harmonics",
        "harmonic_phase": "sine, where the fundamental's sine starts to rise",
        **_averaging_words(options),
        "analysed_s": used / rate_hz,
        "uncertainty_covers": uncertainty_covers(recording),
    }
    if tone is not None:
        conditions["harmonic_limit_hz"] = tone.harmonic_limit_hz
    if options["notch"] and tone is not None:
        conditions["notch_q"] = tone.notch_q
    if recording.stimulus is not None:
        conditions["frequency_played_hz"] = next(
            window.frequency_hz for window in recording.stimulus.windows() if window.frequency_hz is not None
        )
    if recording.stimulus_start is None and stop - start < recording.frames:
        conditions["left_out_s"] = [start / rate_hz, (recording.frames - stop) / rate_hz]
    return conditions


def _averaging_words(options: Mapping[str, Any]) -> dict[str, Any]:
    count: int = options["averages"]
    if count == 1:
        return {"averages": 1}
    if options["averaging"] == "power":
        return {"averages": count, "averaging": "power", "noise_is": "that of a single window"}
    return {"averages": count, "averaging": "coherent", "noise_is": _hidden_noise(count)}


def _hidden_noise(count: int) -> str:
    return f"that of the average of {count} windows, {10.0 * math.log10(count):.1f} dB below that of a single one"


MEASUREMENT = Measurement(
    word="distortion",
    summary="THD, THD+N, SINAD, harmonics, level and noise of a steady tone",
    example="distortion --output-level '1 W'",
    options=(
        Option(
            name="frequency_hz",
            kind="number",
            help="Frequency of the tone; the nearest with whole periods in the window is played.",
            default=997.0,
            above=0.0,
        ),
        Option(
            name="window_s",
            kind="number",
            help="Length of a window that is analysed; longer looks deeper into the noise.",
            default=1.0,
            at_least=0.02,
            at_most=600.0,
        ),
        Option(
            name="averages",
            kind="integer",
            help="Windows, end to end, that are averaged; the tone plays that much longer.",
            default=1,
            stage="analyse",
            at_least=1,
            at_most=1000,
        ),
        Option(
            name="averaging",
            kind="choice",
            help="coherent: in time, takes noise away to show harmonics below it; power: only steadies the figures.",
            default="coherent",
            choices=("coherent", "power"),
            stage="analyse",
        ),
        *BAND_OPTIONS,
        Option(
            name="notch",
            kind="truth",
            help="Also tell THD+N in the notch form, for comparison with notch analyzers.",
            default=False,
            stage="analyse",
        ),
    ),
    figures=(
        *ratio_figures("thd", "harmonic distortion"),
        *ratio_figures("thd_n", "distortion and noise together"),
        Figure(key="sinad_db", unit="dB", words="how far the tone stands above distortion and noise"),
        Figure(key="level_v_rms", unit="V", words="output voltage"),
        Figure(key="level_w", unit="W", words="output power into the load"),
        Figure(key="gain_db", unit="dB", words="gain"),
        Figure(key="frequency_hz", unit="Hz", words="frequency of the tone"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
)
