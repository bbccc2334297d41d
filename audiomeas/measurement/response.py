"""Response: gain and phase against frequency from one sweep, with delay, polarity, corners, balance and distortion."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.checks import made
from audiomeas.measurement.response_views import charts, hertz, tables
from audiomeas.measurement.result import ChannelResult, Result, result_of

if TYPE_CHECKING:
    from audiomeas.analysis.sweep import HarmonicResponse, SweepResponse
    from audiomeas.analysis.sweep_breaks import SweepBreak
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Stimulus, Sweep

#: Up to this part of the sample rate a sweep is exact (20 kHz at 44.1 kHz): above, converters fall off.
_HIGHEST_PART = 0.4536
#: dB of a small relative change of amplitude.
_DB_PER_PART = 20.0 / math.log(10.0)
#: Harmonics are listed at every fourth point: a sixth of an octave at 24 points.
_HARMONIC_STEP = 4
#: A harmonic is told from its noise at this many times its r.m.s.: noise alone passes once in 8,000 points (Rayleigh).
_HEARD = 3.0
#: What is not the linear response may reach this part of it over 10 ms before it is said.
_DISTURBANCE = 0.1


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Sweep:
    from audiomeas.stimulus import Sweep

    return Sweep.covering(
        from_hz=float(options["from_hz"]),
        to_hz=min(float(options["to_hz"]), _HIGHEST_PART * context.sample_rate_hz),
        sample_rate_hz=context.sample_rate_hz,
        duration_s=float(options["duration_s"]),
        level_v_rms=context.input_level_v_rms,
        driven_channels=context.channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    sweep = made(_stimulus, context, options)
    _refuse_reference_outside(sweep, options)
    _deviation_band(sweep, options)


def _refuse_reference_outside(sweep: Sweep, options: Mapping[str, Any]) -> None:
    if not sweep.full_from_hz <= options["reference_hz"] <= sweep.full_to_hz:
        raise SignalError(
            f"the reference of {options['reference_hz']:g} Hz lies outside the sweep, which has full level from "
            f"{sweep.full_from_hz:.4g} to {sweep.full_to_hz:.5g} Hz: give another reference_hz"
        )


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    sweep = _sweep_of(recording)
    columns = [column for column, channel in enumerate(recording.channels) if channel in sweep.driven_channels]
    if not columns:
        raise SignalError(
            f"none of the captured channels was driven: the sweep played on {_listed(sweep.driven_channels)}, "
            f"captured were {_listed(recording.channels)}"
        )
    _refuse_reference_outside(sweep, options)
    warnings = list(_band_warnings(sweep, options))
    found, refusals = _responses(recording, sweep, columns, options)
    if not found:
        raise SignalError(refusals[0])
    warnings += refusals
    return result_of(
        recording,
        "response",
        conditions=_conditions(recording, sweep, found, options),
        channels=_channel_results(recording, sweep, columns, found, options, warnings),
        warnings=tuple(warnings),
    )


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
    if stimulus.sample_rate_hz != recording.sample_rate_hz:
        raise SignalError(
            f"the capture has {recording.sample_rate_hz:g} Hz sample rate, its sweep {stimulus.sample_rate_hz:g} Hz: "
            "capture at the rate of the stimulus, or generate one at the rate of the capture"
        )
    return stimulus


def _listed(channels: Sequence[int]) -> str:
    return "channel " + ", ".join(map(str, channels))


def _band_warnings(sweep: Sweep, options: Mapping[str, Any]) -> list[str]:
    warnings = []
    wished_hz = options.get("to_hz")
    highest_hz = _HIGHEST_PART * sweep.sample_rate_hz
    if wished_hz is not None and wished_hz > highest_hz and sweep.full_to_hz < wished_hz:
        warnings.append(
            f"asked for up to {wished_hz:g} Hz, measured up to {sweep.full_to_hz:.5g} Hz: the sample rate of "
            f"{sweep.sample_rate_hz:g} Hz carries no more; choose a higher rate"
        )
    low_hz, high_hz = _deviation_band(sweep, options)
    if (low_hz, high_hz) != (options["low_hz"], options["high_hz"]):
        warnings.append(
            f"the deviation is taken from {low_hz:.4g} to {high_hz:.5g} Hz, not from {options['low_hz']:g} to "
            f"{options['high_hz']:g} Hz: the sweep reaches no further"
        )
    return warnings


def _deviation_band(sweep: Sweep, options: Mapping[str, Any]) -> tuple[float, float]:
    low_hz, high_hz = max(options["low_hz"], sweep.full_from_hz), min(options["high_hz"], sweep.full_to_hz)
    if not low_hz < high_hz:
        raise SignalError(
            f"no part of {options['low_hz']:g} to {options['high_hz']:g} Hz was swept: the sweep has full level from "
            f"{sweep.full_from_hz:.4g} to {sweep.full_to_hz:.5g} Hz; set low_hz and high_hz"
        )
    return low_hz, high_hz


def _responses(
    recording: Recording, sweep: Sweep, columns: Sequence[int], options: Mapping[str, Any]
) -> tuple[dict[int, SweepResponse], list[str]]:
    """Return column → response of the channels that can be analysed, and why the others can't."""
    from audiomeas.analysis.sweep import analyze_sweep

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
                also_hz=(options["reference_hz"], *_deviation_band(sweep, options)),
            )
        except SignalError as error:
            refusals.append(f"channel {channel}: {error}")
    return found, refusals


def _is_absolute(recording: Recording, columns: Sequence[int]) -> bool:
    """Gain is volts over volts: the stimulus' volts are true, and so are those of every channel."""
    known = all(recording.v_rms_at_full_scale[column] is not None for column in columns)
    return recording.stimulus_in_volts and known


def _same_clock(recording: Recording, options: Mapping[str, Any]) -> bool:
    return recording.shared_clock or bool(options.get("same_clock"))


def _phase_words(same_clock: bool) -> str:
    if same_clock:
        return "after removing each channel's own delay (the time of its impulse's peak)"
    return "not known: play and capture are not known to share a clock (same_clock says that they do)"


def _conditions(
    recording: Recording, sweep: Sweep, found: Mapping[int, SweepResponse], options: Mapping[str, Any]
) -> dict[str, Any]:
    one = next(iter(found.values()))
    reference_hz = options["reference_hz"]
    low_hz, high_hz = _deviation_band(sweep, options)
    absolute = _is_absolute(recording, list(found))
    return {
        "method": "synchronized exponential sweep, deconvolved",
        "sweep_from_hz": sweep.start_hz,
        "sweep_to_hz": sweep.stop_hz,
        "sweep_s": sweep.frames / sweep.sample_rate_hz,
        "input_level_v_rms": sweep.level_v_rms if recording.stimulus_in_volts else None,
        "channels_driven": list(sweep.driven_channels),
        "reference_hz": reference_hz,
        "gain_reference": "absolute" if absolute else f"0 dB at {reference_hz:g} Hz",
        "points_per_octave": int(options["points_per_octave"]),
        "alignment": "known from the bench" if one.start_known else "found by the sweep itself",
        "phase": _phase_words(_same_clock(recording, options)),
        "impulse_kept_s": [float(min(one.window_s)), float(max(one.window_s))],
        "deviation_band_hz": [low_hz, high_hz],
        "corners": "3.01 dB below the gain at the reference (half the power)",
        "harmonics": "relative to the fundamental, against the fundamental's frequency",
    }


def _damage_words(damage: SweepBreak) -> str:
    """Return what happened in a sweep whose figures can't be trusted, when, and the way out."""
    what = {
        "lost": f"{abs(damage.size):.0f} frames were {'lost' if damage.size > 0 else 'repeated'}",
        "level": f"the level steps by {damage.size:+.2f} dB",
        "event": "a click or a lost sample",
    }[damage.kind]
    return (
        f"{what} near {hertz(damage.frequency_hz)} ({damage.time_s:.2f} s after the sweep's beginning): no figure of "
        "this capture can be trusted; capture it again"
    )


def _channel_results(
    recording: Recording,
    sweep: Sweep,
    columns: Sequence[int],
    found: Mapping[int, SweepResponse],
    options: Mapping[str, Any],
    warnings: list[str],
) -> tuple[ChannelResult, ...]:
    absolute = _is_absolute(recording, list(found))
    base = found.get(columns[0])
    if base is not None and base.damage is not None:
        base = None
    results = []
    for column in columns:
        channel = recording.channels[column]
        one = found.get(column)
        if one is None:
            results.append(ChannelResult(channel=channel, values=_unknown(options)))
            continue
        if one.damage is not None:
            warnings.append(f"channel {channel}: {_damage_words(one.damage)}")
            results.append(ChannelResult(channel=channel, values=_unknown(options)))
            continue
        if one.disturbance > _DISTURBANCE:
            warnings.append(
                f"channel {channel}: what is not the sweep's response reaches {100 * one.disturbance:.0f} % of it near "
                f"{one.disturbance_hz:.0f} Hz: heavy distortion, a disturbance or a lost sample there"
            )
        scales = recording.scale_uncertainty
        results.append(
            _ChannelFigures(
                channel=channel,
                response=one,
                base=base if len(columns) > 1 and absolute else None,
                scale_uncertainty=(scales[column] or 0.0) if scales else 0.0,
                base_uncertainty=(scales[columns[0]] or 0.0) if scales else 0.0,
                absolute=absolute,
                same_clock=_same_clock(recording, options),
                band_hz=_deviation_band(sweep, options),
                reference_hz=options["reference_hz"],
            ).result()
        )
    return tuple(results)


_LIST_KEYS = ("frequency_hz", "gain_db", "phase_deg", "gain_uncertainty_db", "phase_uncertainty_deg", "group_delay_s")
_NUMBER_KEYS = (
    "delay_s",
    "interchannel_delay_s",
    "polarity",
    "gain_at_reference_db",
    "deviation_db",
    "deviation_low_db",
    "deviation_high_db",
    "corner_low_hz",
    "corner_low_note",
    "corner_high_hz",
    "corner_high_note",
    "balance_db",
)


def _unknown(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values of a channel of which nothing can be said."""
    return {
        **{key: [] for key in _LIST_KEYS},
        "reference_hz": options["reference_hz"],
        **dict.fromkeys(_NUMBER_KEYS),
        "harmonics": [],
    }


class _ChannelFigures:
    """Makes one channel's values of its response: what is known, in the contract's keys."""

    def __init__(
        self,
        *,
        channel: int,
        response: SweepResponse,
        base: SweepResponse | None,
        scale_uncertainty: float,
        base_uncertainty: float,
        absolute: bool,
        same_clock: bool,
        band_hz: tuple[float, float],
        reference_hz: float,
    ) -> None:
        from audiomeas.analysis.response_figures import index_of
        from audiomeas.units import amplitude_ratio_to_db

        self._channel = channel
        self._response = response
        self._base = base
        self._scales = (scale_uncertainty, base_uncertainty)
        self._absolute = absolute
        self._same_clock = same_clock
        self._band_hz = band_hz
        self._reference_hz = reference_hz
        self._reference = index_of(response.frequency_hz, reference_hz)
        self._gain_db = amplitude_ratio_to_db(response.gain)
        self._relative_db = self._gain_db - self._gain_db[self._reference]
        self._uncertainty_db = _DB_PER_PART * response.gain_uncertainty
        self._uncertainty: dict[str, float] = {}

    def result(self) -> ChannelResult:
        """Return the channel's result."""
        values = {
            **self._curves(),
            "reference_hz": self._reference_hz,
            **self._times(),
            **self._gain(),
            **self._deviation(),
            **self._corner("corner_low_hz", upwards=False),
            **self._corner("corner_high_hz", upwards=True),
            "harmonics": [
                facts for harmonic in self._response.harmonics if (facts := _harmonic_facts(harmonic)) is not None
            ],
        }
        return ChannelResult(channel=self._channel, values=values, uncertainty=self._uncertainty)

    def _curves(self) -> dict[str, Any]:
        one = self._response
        nothing = [None] * len(one.frequency_hz)
        phase_deg = _rounded(one.phase_deg(self._reference_hz), 5)
        return {
            "frequency_hz": _rounded(one.frequency_hz, 6),
            "gain_db": _rounded(self._gain_db if self._absolute else self._relative_db, 6),
            "phase_deg": phase_deg if self._same_clock else nothing,
            "gain_uncertainty_db": _rounded(self._with_scale_db(self._uncertainty_db), 6),
            "phase_uncertainty_deg": _rounded(one.phase_uncertainty_deg, 5) if self._same_clock else nothing,
            "group_delay_s": _rounded(one.group_delay_s, 10) if self._same_clock else nothing,
        }

    def _with_scale_db(self, noise_db: Any) -> Any:
        """Return the uncertainty of gain: an absolute one also carries that of the calibration."""
        import numpy as np

        return np.hypot(noise_db, _DB_PER_PART * self._scales[0] if self._absolute else 0.0)

    def _times(self) -> dict[str, Any]:
        one, base = self._response, self._base
        between_s = None if base is None or not self._same_clock else _arrival_s(one, base)
        return {
            "delay_s": one.delay_s if one.start_known and self._same_clock else None,
            "interchannel_delay_s": between_s,
            "polarity": one.polarity,
        }

    def _gain(self) -> dict[str, Any]:
        from audiomeas.units import amplitude_ratio_to_db

        own_scale, base_scale = self._scales
        noise_db = float(self._uncertainty_db[self._reference])
        gain_db = float(self._gain_db[self._reference])
        balance_db = None
        if self._absolute:
            self._uncertainty["gain_at_reference_db"] = float(self._with_scale_db(noise_db))
        if self._base is self._response:
            balance_db = 0.0
            self._uncertainty["balance_db"] = 0.0
        elif self._base is not None:
            balance_db = gain_db - float(amplitude_ratio_to_db(float(self._base.gain[self._reference])))
            base_noise_db = _DB_PER_PART * float(self._base.gain_uncertainty[self._reference])
            scales_db = _DB_PER_PART * math.hypot(own_scale, base_scale)
            self._uncertainty["balance_db"] = math.hypot(scales_db, noise_db, base_noise_db)
        return {"gain_at_reference_db": gain_db if self._absolute else None, "balance_db": balance_db}

    def _deviation(self) -> dict[str, Any]:
        from audiomeas.analysis.response_figures import deviation_within

        found = deviation_within(self._response.frequency_hz, self._relative_db, *self._band_hz)
        noise_db = float(self._uncertainty_db[self._reference])
        for key, index in (
            ("deviation_db", found.largest_index),
            ("deviation_low_db", found.low_index),
            ("deviation_high_db", found.high_index),
        ):
            self._uncertainty[key] = math.hypot(noise_db, float(self._uncertainty_db[index]))
        return {
            "deviation_db": found.largest_db,
            "deviation_low_db": found.low_db,
            "deviation_high_db": found.high_db,
        }

    def _corner(self, key: str, *, upwards: bool) -> dict[str, Any]:
        from audiomeas.analysis.response_figures import corner

        found = corner(self._response.frequency_hz, self._relative_db, self._reference, upwards=upwards)
        note = key.replace("_hz", "_note")
        if found.frequency_hz is None:
            return {key: None, note: f"{'above' if upwards else 'below'} {hertz(found.beyond_hz)}"}
        noise_db = math.hypot(self._uncertainty_db[self._reference], self._uncertainty_db[found.index])
        self._uncertainty[key] = found.frequency_hz * noise_db / max(abs(found.slope_db), 1e-9)
        return {key: found.frequency_hz, note: None}


def _arrival_s(one: SweepResponse, base: SweepResponse) -> float | None:
    """Return how much later a channel's impulse comes; None when each channel's start was found on its own."""
    if one.start_known != base.start_known:
        return None
    return one.delay_s - base.delay_s if one.start_known else None


def _harmonic_facts(harmonic: HarmonicResponse) -> dict[str, Any] | None:
    """Return a harmonic as lists, thinned; what noise may have made is null. None when all of it is."""
    keep = slice(None, None, _HARMONIC_STEP)
    ratio, noise = harmonic.ratio[keep], _HEARD * harmonic.noise[keep]
    size = abs(ratio)
    heard = size > noise
    if not heard.any():
        return None
    import numpy as np

    return {
        "order": harmonic.order,
        "frequency_hz": _rounded(harmonic.frequency_hz[keep], 3),
        "distortion_percent": [
            _significant(100.0 * float(value)) if there else None for value, there in zip(size, heard, strict=True)
        ],
        "phase_deg": [
            round(float(value), 2) if there else None
            for value, there in zip(np.degrees(np.angle(ratio)), heard, strict=True)
        ],
        "noise_percent": [_significant(100.0 * float(value)) for value in noise],
    }


def _significant(value: float) -> float:
    return float(f"{value:.5g}")


def _rounded(values: Any, decimals: int) -> list[float]:
    return [round(float(value), decimals) for value in values]


MEASUREMENT = Measurement(
    word="response",
    summary="Gain and phase against frequency from one sweep, with corners, balance, delay and harmonics.",
    example='response --input-level "100 mV"',
    options=(
        Option(
            name="duration_s",
            kind="number",
            help="length of the sweep in seconds",
            default=2.0,
            at_least=0.5,
            at_most=60.0,
        ),
        Option(name="from_hz", kind="number", help="lowest frequency at full level", default=20.0, at_least=1.0),
        Option(
            name="to_hz",
            kind="number",
            help="highest frequency (at most 0.4536 of the sample rate)",
            default=20_000.0,
            above=0.0,
        ),
        Option(
            name="reference_hz",
            kind="number",
            help="frequency that 0 dB stands for",
            default=1000.0,
            above=0.0,
            stage="analyse",
        ),
        Option(
            name="low_hz",
            kind="number",
            help="lower end of the band of the deviation",
            default=20.0,
            above=0.0,
            stage="analyse",
        ),
        Option(
            name="high_hz", kind="number", help="upper end of that band", default=20_000.0, above=0.0, stage="analyse"
        ),
        Option(
            name="points_per_octave",
            kind="integer",
            help="points of the curve in each octave",
            default=24,
            at_least=3,
            at_most=96,
            stage="analyse",
        ),
        Option(
            name="same_clock",
            kind="truth",
            help="the file was played and captured by one clock (gives phase)",
            default=False,
            stage="analyse",
        ),
    ),
    figures=(
        Figure(key="gain_at_reference_db", unit="dB", words="gain at the reference frequency"),
        Figure(key="deviation_db", unit="dB", words="largest deviation from a flat response within the band"),
        Figure(key="corner_low_hz", unit="Hz", words="lower frequency at which half the power is left"),
        Figure(key="corner_high_hz", unit="Hz", words="upper frequency at which half the power is left"),
        Figure(key="balance_db", unit="dB", words="difference of loudness from the first channel"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    needs_stimulus=True,
    check=_check,
)
