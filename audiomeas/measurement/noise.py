"""Noise: what a unit gives when nothing is played; weighted levels, S/N with its reference, hum, density, clicks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement import noise_bench, noise_references, noise_values
from audiomeas.measurement.attached import refuse_other_form
from audiomeas.measurement.base import Measurement, PlayContext
from audiomeas.measurement.budget import Told
from audiomeas.measurement.listened import silence_of
from audiomeas.measurement.noise_bands import parse_bands
from audiomeas.measurement.noise_conditions import conditions_of, filter_notes
from audiomeas.measurement.noise_gain import REFERENCE_HZ, gain_at_1_khz
from audiomeas.measurement.noise_options import FIGURES, INPUT, OPTIONS, check
from audiomeas.measurement.noise_references import Gain, Referred
from audiomeas.measurement.noise_unit import SampleUnit
from audiomeas.measurement.noise_views import charts, curves, tables
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.scale_parts import gain_parts, load_parts, power_ohm, scale_parts
from audiomeas.measurement.steady import of_channel, over_range_words

if TYPE_CHECKING:
    from audiomeas.analysis.hum import Hum
    from audiomeas.analysis.noise_lines import NoiseLine
    from audiomeas.measurement.attached import Attached
    from audiomeas.measurement.noise_levels import Reading
    from audiomeas.measurement.noise_scan import Scan
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Silence

#: DC beyond this part of full scale is worth a word: a card alone has less.
_DC_FS = 1e-3
#: What is found at the beginning of silence may be the marker's end: so much is left out.
_SETTLE_S = 0.3


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Silence:
    return silence_of(context, options["duration_s"] + _SETTLE_S)


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    from audiomeas.measurement.noise_scan import scan

    _check_band(recording, options)
    references = noise_references.parse_references(options)
    start, stop = _window(recording)
    found = scan(recording, start, stop, mains_hz=options["mains_hz"])
    bench = _bench(options["bench_noise"], found.recording, options)
    channels = tuple(
        _Channel(found, column, options, references, bench).result() for column in range(len(recording.channels))
    )
    return result_of(
        found.recording,
        "noise",
        conditions=conditions_of(found, options),
        channels=tuple(one.told for one in channels),
        warnings=_unique(line for one in channels for line in one.warnings),
    )


def _unique(lines: Any) -> tuple[str, ...]:
    return tuple(dict.fromkeys(lines))


def _check_band(recording: Recording, options: Mapping[str, Any]) -> None:
    """Raise RequestError for bands that this rate can't hold, before hours are read."""
    half_hz = recording.sample_rate_hz / 2.0
    if not options["low_hz"] < min(options["high_hz"], half_hz):
        raise RequestError(
            f"nothing lies between low_hz of {options['low_hz']:g} Hz and {min(options['high_hz'], half_hz):g} Hz "
            "(high_hz, or half the sample rate)"
        )
    parse_bands(options, recording.sample_rate_hz)


def _window(recording: Recording) -> tuple[int, int]:
    """Return the frames of silence, where its place is known; else all."""
    from audiomeas.recording import stimulus_slice

    if recording.frames == 0:
        raise SignalError("the capture holds no frames")
    if recording.stimulus is None or recording.stimulus_start is None or recording.stimulus.level_v_rms != 0.0:
        return 0, recording.frames
    settle = round(_SETTLE_S * recording.sample_rate_hz) if recording.markers or recording.shared_clock else 0
    settle = min(settle, recording.stimulus.frames // 4)
    span = stimulus_slice(recording, settle, recording.stimulus.frames)
    return span.start, span.stop


def _bench(attached: Attached | None, recording: Recording, options: Mapping[str, Any]) -> Scan | None:
    """Return what the bench's own noise is, from its capture. Raises RequestError when that is of another set-up."""
    from audiomeas.measurement.noise_scan import scan

    if attached is None:
        return None
    other = attached.recording
    refuse_other_form(attached, recording, "bench_noise")
    ranges = [one.conditions.get("range") for one in (other, recording)]
    if None not in ranges and ranges[0] != ranges[1]:
        raise RequestError(
            f"bench_noise {attached.name} was captured on other attenuator ranges than this capture: capture it on "
            "the same"
        )
    return scan(other, *_window(other), mains_hz=options["mains_hz"])


@dataclass(frozen=True, kw_only=True)
class _Made:
    """A channel's result and what is said of it."""

    told: ChannelResult
    warnings: tuple[str, ...]


class _Channel:
    """Makes one channel's values."""

    def __init__(
        self,
        found: Scan,
        column: int,
        options: Mapping[str, Any],
        references: tuple[noise_references.Reference, ...],
        bench: Scan | None,
    ) -> None:
        self._recording, self._column, self._options = found.recording, column, options
        self._scan, self._span, self._references, self._bench = found.channels[column], found.span, references, bench
        self._number = self._scan.channel
        self._unit = SampleUnit(
            reference=self._recording.reference(column),
            in_volts=self._recording.scale_v(column) is not None,
            scale=scale_parts(self._recording, column),
        )
        self._warnings: list[str] = []
        self._told = Told({})

    def result(self) -> _Made:
        """Return the channel's values; of an over-range one nothing but why."""
        from audiomeas.measurement.noise_levels import readings_of

        readings = readings_of(self._scan, self._options, resolution=self._resolution())
        if words := over_range_words(self._recording, self._column, self._number):
            return _Made(told=ChannelResult(channel=self._number, values=_unknown(readings)), warnings=(words,))
        readings = self._without_bench(readings)
        noise_values.tell_levels(self._told, readings, self._unit)
        gain = gain_at_1_khz(
            self._number,
            self._options,
            self._recording.conditions,
            calibrations=gain_parts(self._recording, self._column),
        )
        noise_values.tell_ratios(self._told, self._referred(gain), self._unit)
        noise_values.tell_input_referred(self._told, gain, ("unweighted", "a_weighted"))
        self._tell_hum()
        tone = self._tell_lines()
        self._tell_rest(gain)
        if tone is not None:
            self._warn_of(tone)
            noise_values.tell_nothing_of_scatter(self._told, readings)
        self._warn()
        return _Made(told=self._told.result(self._number), warnings=tuple(self._warnings))

    def _resolution(self) -> float | None:
        if self._recording.resolution_fs is None:
            return None
        return self._recording.resolution_fs * self._unit.reference * math.sqrt(2.0)

    # -- bench, references, gain ---------------------------------------------------------------------------------

    def _without_bench(self, readings: dict[str, Reading]) -> dict[str, Reading]:
        """Tell the bench's own noise; return the readings without it, or as bounds."""
        own, values = self._bench_levels(), self._told.values
        values["bench_v_rms"] = own.get("unweighted") if self._unit.in_volts else None
        values["bench_share_percent"] = None
        if "unweighted" not in own or not readings["unweighted"].level > 0.0:
            return readings
        share = noise_bench.share_percent(own["unweighted"], readings["unweighted"].level)
        values["bench_share_percent"] = share
        without = noise_bench.without_bench(readings, own)
        if any(without[name].at_most for name in own):
            self._warnings.append(noise_bench.range_words(self._number, self._recording.conditions, share))
        return without

    def _bench_levels(self) -> dict[str, float]:
        """Return name of a level → the bench's own, from its capture, else from what the calibration states."""
        from audiomeas.measurement.noise_levels import readings_of, white_readings

        if self._bench is not None:
            made = readings_of(self._bench.channels[self._column], self._options, resolution=None)
            factor = 1.0
            if not self._unit.in_volts or self._bench.recording.scale_v(self._column) is None:
                factor = self._unit.reference / self._bench.recording.reference(self._column)
            return {name: reading.level * factor for name, reading in made.items()}
        stated = of_channel(self._recording.conditions.get("card_noise_v_rms", {}), self._number)
        if stated is None or not self._unit.in_volts:
            return {}
        return white_readings(self._scan.density, stated, self._options)

    def _referred(self, gain: Gain | None) -> tuple[Referred, ...]:
        conditions = self._recording.conditions
        load_ohm = power_ohm(conditions, self._number, REFERENCE_HZ)
        referred = tuple(
            noise_references.refer(
                reference,
                full_scale=self._unit.reference,
                in_volts=self._unit.in_volts,
                gain=gain,
                load_ohm=self._options["load_ohm"] or load_ohm,
                load=load_parts(conditions, self._number, REFERENCE_HZ),
            )
            for reference in self._references
        )
        self._warnings += [f"channel {self._number}: {one.missing}" for one in referred if one.missing]
        return referred

    # -- the rest ------------------------------------------------------------------------------------------------

    def _tell_hum(self) -> None:
        from audiomeas.measurement.noise_hum import tell_hum

        tell_hum(self._told, self._scan.hum, self._unit, bench=self._bench_hum())

    def _bench_hum(self) -> Hum | None:
        """Return the bench's own hum, where its capture is in the same unit as this one."""
        if self._bench is None or (self._bench.recording.scale_v(self._column) is not None) != self._unit.in_volts:
            return None
        return self._bench.channels[self._column].hum

    def _tell_lines(self) -> NoiseLine | None:
        """Tell single lines that are no hum; return the one that was left on, if any."""
        from audiomeas.analysis.noise_lines import left_on, noise_lines

        density, hum_hz = self._scan.density, [row["frequency_hz"] for row in self._told.values["hum"]]
        silent = self._scan.facts.is_silent
        lines = () if silent else noise_lines(density, without_hz=hum_hz)
        self._told.values["lines"] = noise_values.line_rows(lines, self._unit)
        return None if silent else left_on(density, without_hz=hum_hz)

    def _warn_of(self, tone: NoiseLine) -> None:
        self._warnings.append(
            f"channel {self._number}: this is no noise capture: a line at {tone.frequency_hz:.1f} Hz holds most of "
            "its power; switch the generator off and capture again (the figures are of what is there, and without "
            "uncertainty: only that of noise is known)"
        )

    def _tell_rest(self, gain: Gain | None) -> None:
        start_s = self._span.start / self._recording.sample_rate_hz
        noise_values.tell_events(self._told, self._scan.events, self._unit, start_s=start_s)
        noise_values.tell_spectrum(self._told, self._scan.density, self._unit)
        values = self._told.values
        values["dc_v"] = self._unit.volts(self._scan.density.mean_v)
        values["dc_fs"] = self._scan.density.mean_v / (self._unit.reference * math.sqrt(2.0))
        values["peak_v"] = self._unit.volts(self._scan.facts.peak)
        values["gain_db"] = None if gain is None else gain.db
        if self._options["density_at"] == INPUT and (gain is None or not self._unit.in_volts):
            self._warnings.append(
                f"channel {self._number}: the density is drawn at the output: referred to the input it needs volts and "
                "the gain at 1 kHz: give a calibration and gain_db"
            )
        values["source_v_per_root_hz"] = None
        if self._options["source_resistance_ohm"] is not None and self._unit.in_volts:
            self._tell_source(gain)

    def _tell_source(self, gain: Gain | None) -> None:
        """Tell the density of the source's resistance as it stands at the output."""
        from audiomeas.analysis.density import johnson_v_per_root_hz

        if gain is None:
            self._warnings.append(
                f"channel {self._number}: the noise of the source resistance needs the gain at 1 kHz: give gain_db"
            )
            return
        own = johnson_v_per_root_hz(self._options["source_resistance_ohm"], self._options["temperature_k"])
        self._told.values["source_v_per_root_hz"] = own * 10.0 ** (gain.db / 20.0)

    def _warn(self) -> None:
        number, gated = self._number, self._span.gated.get(self._number)
        if gated is not None:
            self._warnings.append(
                f"channel {number}: {100 * gated:.0f} % of the time are exact zeros: its driver gates silence, or "
                "samples were lost; the figures are of the longest stretch without (see conditions: span_s); switch "
                "the gate off and capture again"
            )
        if self._scan.facts.is_silent:
            self._warnings.append(
                f"channel {number}: nothing but zeros (digital silence): its noise is at most that of the format's "
                "step; is the input connected, and not muted?"
            )
        self._warnings += filter_notes(self._options)
        if abs(self._told.values["dc_fs"]) > _DC_FS:
            self._warnings.append(
                f"channel {number}: DC of {100 * self._told.values['dc_fs']:.2g} % of full scale is left out of all "
                "figures; look for an offset of the unit or of the card's input"
            )


def _unknown(readings: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values of a channel of which nothing can be said."""
    levels = dict.fromkeys(key for name in readings for key in noise_bench.level_keys(name))
    rest = (
        "bench_v_rms", "bench_share_percent", "snr_reference", "snr_db", "snr_a_db", "unweighted_input_v_rms",
        "a_weighted_input_v_rms", "mains_hz", "hum_v_rms", "hum_dbfs", "hum_odd_percent", "hum_wander_hz",
        "hum_consistent_with",
        "clicks_per_minute", "clicks_per_minute_interval", "clicks",
        "density", "flicker_corner_hz", "dc_v", "dc_fs", "peak_v",
        "gain_db", "source_v_per_root_hz",
    )  # fmt: skip
    lists: dict[str, Any] = {key: [] for key in ("snr", "hum", "lines", "events", "octaves", "third_octaves")}
    return {**levels, **dict.fromkeys(rest), **lists}


MEASUREMENT = Measurement(
    word="noise",
    summary="Noise with nothing played: weighted levels, S/N with its reference, hum, spectrum, clicks",
    example='noise --reference "1 W"',
    options=OPTIONS,
    figures=FIGURES,
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=check,
    curves=curves,
    silent=True,
    in_blocks=True,
)
