"""Gain of each channel, sensitivity for a rated output, and balance of the channels, from one tone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import scaled
from audiomeas.errors import RequestError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.budget import Told
from audiomeas.measurement.checks import bench_level, made
from audiomeas.measurement.distortion_steps import read_steps
from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.scale_parts import power_ohm
from audiomeas.measurement.tone_values import BAND_OPTIONS
from audiomeas.measurement.views import ChartView, TableView
from audiomeas.units import Level, amplitude_ratio_to_db, db_to_amplitude_ratio

if TYPE_CHECKING:
    from audiomeas.measurement.attached import AttachedResult
    from audiomeas.recording import Recording
    from audiomeas.stimulus import SteppedSines

_WORD = "gain"
_SENSITIVITY, _BALANCE, _CHANGE = "sensitivity_v_rms", "balance_db", "change_db"
#: Two tones are one when their frequencies differ by less than this part.
_SAME_TONE = 1e-3
#: A window holds at least this many periods.
_LEAST_PERIODS = 20
#: Conditions of stepped sines that say something of a gain.
_KEPT = ("method", "input_level_v_rms", "channels_driven", "window_s", "settle_s", "alignment", "uncertainty_covers")
_QUANTITIES = (
    ("gain_db", "gain", "dB"),
    ("sensitivity_v_rms", "input for the rated output", "V"),
    ("balance_db", "level over that of the first channel", "dB"),
    ("change_db", "gain over that at the other setting", "dB"),
    ("level_v_rms", "output", "V"),
    ("level_w", "power into the load", "W"),
)


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> SteppedSines:
    """Return one step. Raises ValueError."""
    from audiomeas.stimulus import SteppedSines

    return SteppedSines.bin_centred(
        steps=((options["frequency_hz"], context.input_level_v_rms),),
        sample_rate_hz=context.sample_rate_hz,
        window_s=options["window_s"],
        window_periods=_LEAST_PERIODS,
        driven_channels=context.channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played."""
    made(_stimulus, context, options)
    _rated(options)


def _rated(options: Mapping[str, Any]) -> Level | None:
    rated: Level | None = options["rated_level"]
    return None if rated is None else bench_level(rated, "rated_level")


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    rated = _rated(options)
    band = {option.name: option.default for option in BAND_OPTIONS}
    read = read_steps(recording, band, _WORD)
    steps = {channel: found[0] for channel, found in read.channels.items() if found}
    first = next(iter(steps.values()), None)
    other: AttachedResult | None = options["other_setting"]
    if other is not None:
        _refuse_other(other, first)
    channels = [_channel(read.recording, channel, steps.get(channel), first, rated, other) for channel in read.channels]
    conditions = {key: value for key, value in read.conditions.items() if key in _KEPT}
    return result_of(
        read.recording,
        _WORD,
        conditions={
            **conditions,
            "frequency_hz": None if first is None else first.values["frequency_hz"],
            "rated_level": None if rated is None else str(rated),
            "level_of": "fundamental",
            "other_setting": None if other is None else {"file": other.name, "sha256": other.sha256},
        },
        channels=tuple(channels),
        warnings=read.warnings,
    )


def _channel(
    recording: Recording,
    channel: int,
    step: Told | None,
    first: Told | None,
    rated: Level | None,
    other: AttachedResult | None,
) -> ChannelResult:
    told = Told(dict.fromkeys((_SENSITIVITY, _BALANCE, *(() if other is None else (_CHANGE,)))))
    for key in ("gain_db", "level_v_rms", "level_w", "level_dbfs"):
        told.copy(key, step, key)
    if step is None:
        return told.result(channel)
    _tell_sensitivity(told, recording, channel, float(step.values["frequency_hz"]), rated)
    if step is first:
        told.values[_BALANCE] = told.uncertainty[_BALANCE] = 0.0
    elif first is not None and step.values["level_v_rms"] and first.values["level_v_rms"]:
        _tell_balance(told, step, first)
    before = None if other is None else next((one for one in other.result.channels if one.channel == channel), None)
    if before is not None:
        _tell_change(told, before)
    return told.result(channel)


def _refuse_other(other: AttachedResult, first: Told | None) -> None:
    """Raise RequestError for a result that a change of gain can't be told from."""
    if other.result.measurement != _WORD:
        raise RequestError(
            f"{other.name} is a result of {other.result.measurement}: give what `audiomeas measure gain --json` printed"
        )
    was_hz = other.result.conditions.get("frequency_hz")
    now_hz = None if first is None else float(first.values["frequency_hz"])
    if now_hz is not None and (was_hz is None or abs(float(was_hz) / now_hz - 1.0) > _SAME_TONE):
        was = "no tone" if was_hz is None else hertz(float(was_hz))
        raise RequestError(f"{other.name} is of {was}, this of {hertz(now_hz)}: compare settings at one frequency")


def _tell_change(told: Told, before: ChannelResult) -> None:
    """Tell the gain over that at another setting of a control; what both carry of one calibration cancels."""
    was_db = before.values.get("gain_db")
    if was_db is None or told.values["gain_db"] is None:
        return
    told.values[_CHANGE] = told.values["gain_db"] - float(was_db)
    if "gain_db" in told.budget and "gain_db" in before.budget:
        told.add(_CHANGE, (*told.budget["gain_db"], *scaled(before.budget["gain_db"], -1.0)))


def _tell_sensitivity(told: Told, recording: Recording, channel: int, frequency_hz: float, rated: Level | None) -> None:
    """Tell the input at which a gain that stays as it is gives the rated output."""
    if rated is None or told.values["gain_db"] is None:
        return
    rated_v_rms = rated.v_rms(load_ohm=power_ohm(recording.conditions, channel, frequency_hz))
    told.values[_SENSITIVITY] = rated_v_rms / db_to_amplitude_ratio(told.values["gain_db"])
    if "gain_db" in told.budget:
        told.add(_SENSITIVITY, told.budget["gain_db"], -told.values[_SENSITIVITY] / DB_PER_NEPER)


def _tell_balance(told: Told, step: Told, first: Told) -> None:
    """Tell the level over that of the first channel; what both carry of one meter cancels."""
    own, other = (float(one.values["level_v_rms"]) for one in (step, first))
    told.values[_BALANCE] = amplitude_ratio_to_db(own / other)
    if "level_v_rms" in step.budget and "level_v_rms" in first.budget:
        relative = (*scaled(step.budget["level_v_rms"], 1.0 / own), *scaled(first.budget["level_v_rms"], -1.0 / other))
        told.add(_BALANCE, relative, DB_PER_NEPER)


def _tables(result: Result) -> tuple[TableView, ...]:
    conditions = result.conditions
    rated = "" if conditions["rated_level"] is None else f"; rated output {conditions['rated_level']}"
    note = f"At {hertz(float(conditions['frequency_hz'] or 0.0))}{rated}."
    return (figures_table(result, _QUANTITIES, title="Gain", always={"gain_db"}, notes=(note,)),)


def _charts(_: Result) -> tuple[ChartView, ...]:
    """Return none: see `_no_chart`."""
    return ()


def _no_chart(_: Mapping[str, Any]) -> str:
    return "a few figures of one tone need no picture"


MEASUREMENT = Measurement(
    word=_WORD,
    summary="Gain, sensitivity for a rated output, and balance of the channels, from one tone",
    example="gain --rated-level '60 W'",
    options=(
        Option(
            name="frequency_hz",
            kind="number",
            help="Frequency of the tone.",
            default=1000.0,
            above=0.0,
        ),
        Option(
            name="rated_level",
            kind="level",
            help="Rated output, such as '60 W' or '1 V': the input for it is told. It is not played.",
            stage="analyse",
        ),
        Option(
            name="other_setting",
            kind="result",
            help="The JSON of this measurement at another setting of a control: the change of gain is told, such as "
            "the range of a tone control (its ends against its middle, at 100 Hz and at 10 kHz).",
            stage="analyse",
        ),
        Option(
            name="window_s",
            kind="number",
            help="Length of what is analysed; low tones take 20 periods.",
            default=0.5,
            at_least=0.05,
            at_most=60.0,
        ),
    ),
    figures=(
        Figure(key="gain_db", unit="dB", words="gain"),
        Figure(key=_SENSITIVITY, unit="V", words="input for the rated output"),
        Figure(key=_BALANCE, unit="dB", words="level over that of the first channel"),
        Figure(key=_CHANGE, unit="dB", words="change of gain from the other setting"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=_tables,
    charts=_charts,
    no_chart=_no_chart,
    check=_check,
    needs_stimulus=True,
)
