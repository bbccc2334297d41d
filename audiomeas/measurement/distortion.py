"""Distortion of one steady tone: level, harmonics, THD, THD+N, SINAD, noise, DC and hum, per channel.

An undriven channel is listed with null values: what arrives there is crosstalk and noise, each with its own word.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.distortion_views import charts, tables
from audiomeas.measurement.result import ChannelResult, Result, result_of

if TYPE_CHECKING:
    from audiomeas.analysis.harmonics import PowerSum
    from audiomeas.analysis.tone import ToneAnalysis
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Stimulus

#: A figure within this of what the bench adds by itself says nothing more than 'at most'.
_BENCH_MARGIN_DB = 10.0
#: Harmonics listed in any case; higher ones only where they stand out of the noise.
_LISTED_ORDERS = 100
_TWO_SIDED_95 = 1.96
#: 20/ln 10: a relative change as decibels.
_DB_PER_NEPER = 20.0 / math.log(10.0)

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
    from audiomeas.stimulus import Sine

    return Sine.bin_centred(
        frequency_hz=options["frequency_hz"],
        sample_rate_hz=context.sample_rate_hz,
        window_s=options["window_s"],
        level_v_rms=context.input_level_v_rms,
        driven_channels=context.channels,
    )


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    start, stop, near_hz = _span(recording)
    warnings: list[str] = []
    channels, problems, first = [], [], None
    for column, channel in enumerate(recording.channels):
        reason = _why_not(recording, column, channel)
        if reason is None:
            try:
                tone = _analysed(recording, column, slice(start, stop), near_hz, options)
            except SignalError as error:
                reason = f"channel {channel}: {error}"
                problems.append(reason)
            else:
                first = first or tone
                warnings += [f"channel {channel}: {note}" for note in tone.notes]
                warnings += _breaks(recording, column, slice(start, stop), channel, tone.frequency_hz)
                channels.append(_channel(recording, column, channel, tone, options))
                continue
        warnings.append(reason)
        channels.append(_nothing(channel))
    if first is None and problems:
        raise SignalError("; ".join(dict.fromkeys(problems)))
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
    import numpy as np

    from audiomeas.analysis.steady import steady_span

    if recording.frames == 0:
        raise SignalError("the capture holds no frames")
    loudest = int(np.argmax(np.sum(recording.counts_fs**2, axis=0)))
    return steady_span(np.ascontiguousarray(recording.counts_fs[:, loudest]), recording.sample_rate_hz)


def _why_not(recording: Recording, column: int, channel: int) -> str | None:
    """Return why a channel has no distortion to be told, or None."""
    if recording.over_range and recording.over_range[column]:
        return (
            f"channel {channel}: over-range in {recording.over_range[column]} of {recording.frames} frames: its values "
            "are unknown; capture again with a lower level or a higher attenuator range"
        )
    if recording.stimulus is not None and channel not in recording.stimulus.driven_channels:
        return f"channel {channel} was not driven: no distortion is told"
    return None


def _analysed(
    recording: Recording, column: int, span: slice, near_hz: float | None, options: Mapping[str, Any]
) -> ToneAnalysis:
    import numpy as np

    from audiomeas.analysis.tone import analyze_tone

    return analyze_tone(
        np.ascontiguousarray(recording.window(span.start, span.stop).signal(column)),
        recording.sample_rate_hz,
        near_hz=near_hz,
        band_hz=(options["low_hz"], options["high_hz"]),
        harmonic_limit_hz=options["harmonic_limit_hz"],
    )


def _breaks(recording: Recording, column: int, span: slice, channel: int, frequency_hz: float) -> list[str]:
    """Return what happened in the middle of the tone. A capture by `measure` was looked through before."""
    from audiomeas.analysis.continuity import tone_breaks

    if recording.shared_clock:
        return _clock_doubt(recording, channel, frequency_hz)
    found = tone_breaks(recording.window(span.start, span.stop).signal(column), recording.sample_rate_hz, frequency_hz)
    if not found:
        return []
    # Lost samples also dip the level of their block: the jump says more.
    worst = next((one for one in found if one.kind == "phase"), found[0])
    at_s = (span.start + worst.frame) / recording.sample_rate_hz
    what = (
        f"the tone's phase jumps by {math.degrees(worst.size):.0f} degrees: samples were lost or repeated"
        if worst.kind == "phase"
        else f"the level steps by {worst.size:+.2f} dB"
    )
    return [f"channel {channel}: {what} near {at_s:.2f} s; capture it again, or cut the file to its steady part"]


def _clock_doubt(recording: Recording, channel: int, frequency_hz: float) -> list[str]:
    assert recording.stimulus is not None
    played_hz = next(w.frequency_hz for w in recording.stimulus.windows() if w.frequency_hz is not None)
    ppm = (frequency_hz / played_hz - 1.0) * 1e6
    if abs(ppm) < 5.0:
        return []
    return [f"channel {channel}: the tone came back {ppm:+.1f} ppm off, although one clock plays and captures"]


def _nothing(channel: int) -> ChannelResult:
    values: dict[str, Any] = dict.fromkeys(_KEYS)
    return ChannelResult(channel=channel, values={**values, "harmonics": [], "mains": [], "spectrum": None})


def _channel(
    recording: Recording, column: int, channel: int, tone: ToneAnalysis, options: Mapping[str, Any]
) -> ChannelResult:
    values: dict[str, Any] = dict.fromkeys(_KEYS)
    uncertainty: dict[str, float] = {}
    bound: dict[str, str] = {}
    _tell_level(recording, column, channel, tone, values, uncertainty)
    _tell_ratios(tone, options, values, uncertainty, bound)
    _tell_rest(recording, column, tone, values, uncertainty)
    _bound_by_bench(_of_channel(recording.conditions.get("bench_residual_db"), channel), values, uncertainty, bound)
    return ChannelResult(channel=channel, values=values, uncertainty=uncertainty, bound=bound)


def _tell_level(
    recording: Recording,
    column: int,
    channel: int,
    tone: ToneAnalysis,
    values: dict[str, Any],
    uncertainty: dict[str, float],
) -> None:
    from audiomeas.units import amplitude_ratio_to_db, v_rms_to_w

    own = tone.level_uncertainty / tone.level_rms
    values["frequency_hz"], uncertainty["frequency_hz"] = tone.frequency_hz, tone.frequency_uncertainty_hz
    values["phase_deg"], uncertainty["phase_deg"] = tone.phase_deg, tone.phase_uncertainty_deg
    values["level_dbfs"] = amplitude_ratio_to_db(tone.level_rms / recording.reference(column))
    uncertainty["level_dbfs"] = _DB_PER_NEPER * own
    if recording.scale_v(column) is None:
        return
    values["level_v_rms"] = tone.level_rms
    scale = recording.scale_uncertainty[column] if recording.scale_uncertainty else None
    relative = None if scale is None else math.hypot(scale, own)
    if relative is not None:
        uncertainty["level_v_rms"] = relative * tone.level_rms
    load_ohm = _of_channel(recording.conditions.get("load_ohm"), channel)
    if load_ohm is not None:
        values["level_w"] = v_rms_to_w(tone.level_rms, load_ohm)
        of_load = _of_channel(recording.conditions.get("load_uncertainty"), channel)
        if relative is not None and of_load is not None:
            uncertainty["level_w"] = values["level_w"] * math.hypot(2.0 * relative, of_load)
    if recording.stimulus is not None and recording.stimulus_in_volts:
        values["gain_db"] = amplitude_ratio_to_db(tone.level_rms / recording.stimulus.level_v_rms)
        of_input = recording.conditions.get("input_level_uncertainty")
        if relative is not None and of_input is not None:
            uncertainty["gain_db"] = _DB_PER_NEPER * math.hypot(relative, of_input)


def _of_channel(value: Any, channel: int) -> float | None:
    """Return a condition that is one number for all, or a table by channel number as text."""
    found = value.get(str(channel)) if isinstance(value, Mapping) else value
    return None if found is None else float(found)


def _tell_ratios(
    tone: ToneAnalysis,
    options: Mapping[str, Any],
    values: dict[str, Any],
    uncertainty: dict[str, float],
    bound: dict[str, str],
) -> None:
    if tone.thd is not None and tone.thd_ratio is not None and tone.thd_total_ratio is not None:
        _tell_ratio("thd", tone.thd_ratio, tone.thd, values, uncertainty, bound)
        values["thd_total_percent"] = 100.0 * tone.thd_total_ratio
        if tone.thd.at_most:
            bound["thd_total_percent"] = "at most"
        else:
            uncertainty["thd_total_percent"] = uncertainty["thd_percent"]
    if tone.residual is not None and tone.thd_n_ratio is not None:
        _tell_ratio("thd_n", tone.thd_n_ratio, tone.residual, values, uncertainty, bound)
        if values["thd_n_db"] is not None:
            values["sinad_db"], uncertainty["sinad_db"] = -values["thd_n_db"], uncertainty["thd_n_db"]
    if options["notch"] and tone.notched is not None and tone.thd_n_notch_ratio is not None:
        _tell_ratio("thd_n_notch", tone.thd_n_notch_ratio, tone.notched, values, uncertainty, bound)


def _tell_ratio(
    name: str,
    ratio: float,
    power: PowerSum,
    values: dict[str, Any],
    uncertainty: dict[str, float],
    bound: dict[str, str],
) -> None:
    from audiomeas.units import amplitude_ratio_to_db

    percent, decibels = f"{name}_percent", f"{name}_db"
    values[percent] = 100.0 * ratio
    if ratio <= 0.0:
        return
    values[decibels] = amplitude_ratio_to_db(ratio)
    if power.at_most:
        bound[percent] = bound[decibels] = "at most"
        return
    relative = _TWO_SIDED_95 * power.standard_deviation / (2.0 * power.stated)
    uncertainty[percent], uncertainty[decibels] = relative * values[percent], _DB_PER_NEPER * relative


def _tell_rest(
    recording: Recording, column: int, tone: ToneAnalysis, values: dict[str, Any], uncertainty: dict[str, float]
) -> None:
    from audiomeas.units import amplitude_ratio_to_db

    calibrated = recording.scale_v(column) is not None
    noise_rms = math.sqrt(max(tone.noise.mean_square, 0.0))
    if tone.total_mean_square and noise_rms > 0.0:
        values["noise_db"] = amplitude_ratio_to_db(noise_rms / math.sqrt(tone.total_mean_square))
    if calibrated:
        values["noise_v_rms"], values["dc_v"] = noise_rms, tone.dc
        uncertainty["dc_v"] = tone.dc_uncertainty
    values["harmonics"] = _harmonics(tone)
    values["mains"] = [
        {
            "frequency_hz": line.frequency_hz,
            "level_v_rms": line.level_rms if calibrated else None,
            "level_db": amplitude_ratio_to_db(line.level_rms / tone.level_rms),
        }
        for line in tone.mains
    ]
    values["spectrum"] = {
        "frequency_hz": [float(f"{hz:.6g}") for hz in tone.spectrum.frequency_hz],
        "level_db": [round(float(db), 2) for db in tone.spectrum.level_db],
    }


def _harmonics(tone: ToneAnalysis) -> list[dict[str, Any]]:
    """Return the list of the contract; one that can't be told from noise has `bound` and no phase."""
    found, rows = tone.harmonics, []
    for i, order in enumerate(found.order):
        if order > _LISTED_ORDERS and found.at_most[i]:
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
            row["uncertainty_db"] = float(found.uncertainty_db[i])
        rows.append(row)
    return rows


def _bound_by_bench(
    bench_db: float | None, values: dict[str, Any], uncertainty: dict[str, float], bound: dict[str, str]
) -> None:
    """Make bounds of figures near to the bench's own residual; let it widen the uncertainty of the others.

    The bench's harmonics may add to the unit's or cancel them, at worst in phase: a rectangular part, 95 % of it.
    """
    if bench_db is None:
        return
    for name in ("thd", "thd_n", "thd_n_notch"):
        percent, decibels = f"{name}_percent", f"{name}_db"
        if values[decibels] is None or bound.get(decibels):
            continue
        if values[decibels] <= bench_db + _BENCH_MARGIN_DB:
            bound[percent] = bound[decibels] = "at most"
            uncertainty.pop(percent, None)
            uncertainty.pop(decibels, None)
            continue
        part = 0.95 * 10.0 ** ((bench_db - values[decibels]) / 20.0)
        uncertainty[percent] = math.hypot(uncertainty[percent], part * values[percent])
        uncertainty[decibels] = math.hypot(uncertainty[decibels], part * _DB_PER_NEPER)
    _follow("thd_total_percent", "thd_percent", "at most", uncertainty, bound)
    _follow("sinad_db", "thd_n_db", "at least", uncertainty, bound)


def _follow(key: str, leader: str, word: str, uncertainty: dict[str, float], bound: dict[str, str]) -> None:
    if bound.get(leader):
        bound[key] = word
        uncertainty.pop(key, None)
    elif leader in uncertainty:
        uncertainty[key] = uncertainty[leader]


def _conditions(
    recording: Recording, options: Mapping[str, Any], start: int, stop: int, tone: ToneAnalysis | None
) -> dict[str, Any]:
    rate_hz = recording.sample_rate_hz
    conditions: dict[str, Any] = {
        "band_hz": [options["low_hz"], min(options["high_hz"], rate_hz / 2)],
        "band_edges": "brick wall",
        "harmonic_limit_hz": options["harmonic_limit_hz"] if tone is None else tone.harmonic_limit_hz,
        "thd_reference": "fundamental",
        "thd_total_reference": "fundamental and harmonics",
        "thd_n_reference": "total in band",
        "level_of": "fundamental",
        "harmonic_phase": "sine, where the fundamental's sine starts to rise",
        "detector": "r.m.s.",
        "weighting": "none",
        "time_window": "sin^4 on what the fundamental leaves",
        "averages": 1,
        "analysed_s": (stop - start) / rate_hz,
    }
    if options["notch"] and tone is not None:
        conditions["notch_q"] = tone.notch_q
    if recording.stimulus is not None:
        conditions["frequency_played_hz"] = next(
            window.frequency_hz for window in recording.stimulus.windows() if window.frequency_hz is not None
        )
    if recording.stimulus_start is None and stop - start < recording.frames:
        conditions["left_out_s"] = [start / rate_hz, (recording.frames - stop) / rate_hz]
    return conditions


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
            help="Length of what is analysed; longer looks deeper into the noise.",
            default=1.0,
            at_least=0.02,
            at_most=600.0,
        ),
        Option(
            name="low_hz",
            kind="number",
            help="Low edge of the band of THD+N and noise.",
            default=20.0,
            stage="analyse",
            at_least=0.0,
        ),
        Option(
            name="high_hz",
            kind="number",
            help="High edge of the band of THD+N and noise.",
            default=20_000.0,
            stage="analyse",
            above=0.0,
        ),
        Option(
            name="harmonic_limit_hz",
            kind="number",
            help="Highest harmonic frequency counted in THD; without it, all that the sample rate can hold.",
            stage="analyse",
            above=0.0,
        ),
        Option(
            name="notch",
            kind="truth",
            help="Also tell THD+N in the notch form, for comparison with notch analyzers.",
            default=False,
            stage="analyse",
        ),
    ),
    figures=(
        Figure(key="thd_percent", unit="%", words="harmonic distortion"),
        Figure(key="thd_db", unit="dB", words="harmonic distortion"),
        Figure(key="thd_n_percent", unit="%", words="distortion and noise together"),
        Figure(key="thd_n_db", unit="dB", words="distortion and noise together"),
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
)
