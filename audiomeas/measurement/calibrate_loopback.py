"""Measure what the bench itself adds on the ranges in use: response, distortion and noise through the loop cable.

Made of the measurements that there are (`distortion-steps`, `noise`), through the session's gates, quiet steps first.
No meter takes part: all of it is relative.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from audiomeas.bench.loopback import Loopback, ResidualPoint, ResponsePoint
from audiomeas.bench.opened import Bench
from audiomeas.bench.origin import ScaleOrigin
from audiomeas.errors import CalibrationError, RequestError
from audiomeas.measurement.calibrate import (
    LARGEST_RESIDUAL,
    refuse_level,
    refuse_no_loop,
    refuse_other_set_up,
    valid_for,
    with_calibration,
)
from audiomeas.measurement.registry import find
from audiomeas.measurement.response_limits import HIGHEST_PART
from audiomeas.measurement.session import Keep, Session
from audiomeas.units import Level, amplitude_ratio_to_db, db_to_amplitude_ratio

#: Distortion is looked at here; the third harmonic of the highest stays in the audio band.
RESIDUAL_HZ = (100.0, 1_000.0, 6_300.0)
#: And at these levels below the loud one. The response is taken at the middle one: clear of noise and of bending.
FALLS_DB = (34.0, 14.0, 0.0)
_RESPONSE_FALL_DB = 14.0
#: Each step is looked at for so long: what noise leaves possible as distortion falls with it.
_WINDOW_S = 1.0
#: The response is looked at here and at the calibration frequency, as far as the sample rate carries.
RESPONSE_HZ = (
    20.0, 31.5, 63.0, 125.0, 1_000.0, 2_000.0, 4_000.0, 8_000.0, 12_500.0, 16_000.0, 20_000.0, 31_500.0, 40_000.0,
    80_000.0,
)  # fmt: skip
#: A loop that is off by more than this inside the audio band is to be mended, not noted (trade notes, 3.12).
LARGEST_OFF_DB = 3.0
#: Decibels of the tables have so many places.
_PLACES = 4
#: No response is better known: coupling capacitors still settle when a step begins (0.00014 dB at 31.5 Hz on the
#: simulated card, the same with 90 seeds).
_LEAST_RESPONSE_DB = 5e-4


@dataclass(frozen=True, kw_only=True)
class AskLoopback:
    """What is asked for. level_dbfs : of the loud steps, as played.  reference_hz : of the scales' calibration."""

    channels: tuple[int, ...]
    level_dbfs: float = -6.0
    reference_hz: float = 330.0
    noise_s: float = 10.0
    valid_days: int = 30
    made: date


def check_ask(ask: AskLoopback) -> None:
    """Raise RequestError for what can't be measured; before any sound."""
    refuse_level("steps", ask.level_dbfs)
    if not 2.0 <= ask.noise_s <= 120.0:
        raise RequestError(f"noise is listened to for 2 to 120 s, not {ask.noise_s:g} s")
    valid_for(ask.valid_days)


def bare(bench: Bench) -> Bench:
    """Return a bench that knows nothing yet of what it adds: else the old figures would bound the new ones."""
    calibration = bench.file.calibration
    inputs = tuple(dataclasses.replace(scale, noise_v_rms=None) for scale in calibration.inputs)
    return with_calibration(bench, dataclasses.replace(calibration, inputs=inputs, loopbacks=()))


def check_bench(session: Session, ask: AskLoopback) -> None:
    """Raise RequestError or CalibrationError where this bench can't be looked at; before any sound."""
    bench = session.bench
    for channel in ask.channels:
        bench.refuse_other_channel(channel)
        bench.output_scale(channel)
    refuse_other_set_up(bench.file.calibration, session)


def calibrate_loopback(session: Session, ask: AskLoopback, *, keep: Keep | None = None) -> tuple[Loopback, ...]:
    """Play, capture, judge; return one entry for each channel, on the range that the bench uses.

    session : on a `bare` bench. Raises RequestError, CalibrationError (no loop, or one to be mended), InterlockRefusal,
    CaptureError, DeviceError.
    """
    check_ask(ask)
    check_bench(session, ask)
    for channel in ask.channels:
        refuse_no_loop(session, channel, ask.reference_hz, keep)
    noise = session.measure(find("noise"), {"duration_s": ask.noise_s}, channels=ask.channels, keep=keep)
    response = _steps(session, ask, _response_hz(session, ask), (_RESPONSE_FALL_DB,), keep)
    residual = _steps(session, ask, RESIDUAL_HZ, FALLS_DB, keep)
    return tuple(
        _loopback(session, ask, channel, noise.channel(channel), response[channel], residual[channel])
        for channel in ask.channels
    )


def _response_hz(session: Session, ask: AskLoopback) -> tuple[float, ...]:
    highest_hz = HIGHEST_PART * session.bench.form.sample_rate_hz
    return tuple(sorted({*(hz for hz in RESPONSE_HZ if hz <= highest_hz), ask.reference_hz}))


def _steps(
    session: Session, ask: AskLoopback, frequencies_hz: Sequence[float], falls_db: Sequence[float], keep: Keep | None
) -> dict[int, list[dict[str, Any]]]:
    """Return channel → what was told of each step, null steps left out."""
    full_scale_v_rms = min(session.bench.output_scale(channel).v_rms_at_full_scale for channel in ask.channels)
    result = session.measure(
        find("distortion-steps"),
        {"frequencies_hz": tuple(frequencies_hz), "falls_db": tuple(falls_db), "window_s": _WINDOW_S},
        input_level=Level(full_scale_v_rms * db_to_amplitude_ratio(ask.level_dbfs), "V"),
        channels=ask.channels,
        keep=keep,
    )
    return {
        channel: [step for step in result.channel(channel).values["steps"] if step["level_dbfs"] is not None]
        for channel in ask.channels
    }


def _loopback(
    session: Session,
    ask: AskLoopback,
    channel: int,
    noise: Any,
    response: Sequence[Mapping[str, Any]],
    residual: Sequence[Mapping[str, Any]],
) -> Loopback:
    noise_dbfs = noise.values["unweighted_dbfs"]
    points = _response(response, ask.reference_hz, channel)
    rows = tuple(row for step in residual if (row := _residual_row(step)) is not None)
    if noise_dbfs is None or not rows:
        raise CalibrationError(f"channel {channel}: the loop's noise or distortion could not be told: capture it again")
    look = session.first_look()
    loopback = Loopback(
        channel=channel,
        range_name=dict(session.bench.file.ranges)[channel],
        reference_hz=ask.reference_hz,
        response=points,
        residual=rows,
        noise_dbfs=round(noise_dbfs, _PLACES),
        noise_uncertainty_db=round(noise.uncertainty.get("unweighted_dbfs", 0.0), _PLACES),
        noise_at_most=bool(noise.bound.get("unweighted_dbfs")),
        polarity=look.polarity[channel],
        origin=ScaleOrigin(
            made=ask.made,
            valid_until=ask.made + timedelta(days=ask.valid_days),
            sample_rates_hz=(session.bench.form.sample_rate_hz,),
            method="steady tones and silence through the loop cable, quiet steps first",
            instrument="none: relative to the tone, and to full scale",
            evidence={
                "loud_dbfs_played": ask.level_dbfs,
                "response_dbfs_played": ask.level_dbfs - _RESPONSE_FALL_DB,
                "noise_s": ask.noise_s,
                "gain_db": look.gain_at_db(channel, ask.reference_hz),
                "latency_frames": look.latency_frames,
                "channels_played": list(ask.channels),
                "simulated": session.simulated,
            },
        ),
    )
    _refuse_bad_loop(loopback)
    return loopback


def _response(steps: Sequence[Mapping[str, Any]], reference_hz: float, channel: int) -> tuple[ResponsePoint, ...]:
    """Return the levels as captured relative to that at the reference; both ends' noise and fit are in each."""
    base = min(steps, key=lambda step: abs(math.log(step["frequency_hz"] / reference_hz)), default=None)
    if base is None:
        raise CalibrationError(f"channel {channel}: no step of the response could be told: capture it again")
    return tuple(
        ResponsePoint(
            frequency_hz=round(step["frequency_hz"], 3),
            gain_db=round(step["level_dbfs"] - base["level_dbfs"], _PLACES),
            uncertainty_db=0.0 if step is base else _half_width_db(step, base),
        )
        for step in steps
    )


def _half_width_db(step: Mapping[str, Any], base: Mapping[str, Any]) -> float:
    """Return the 95 % half-width of a difference of two levels; no less than the least, and rounded up."""
    both = math.hypot(*(one["uncertainty"].get("level_dbfs", 0.0) for one in (step, base)))
    unit = 10.0**-_PLACES
    return round(max(_LEAST_RESPONSE_DB, unit * math.ceil(both / unit)), _PLACES)


def _residual_row(step: Mapping[str, Any]) -> ResidualPoint | None:
    """Return what was found as upper limits; None where nothing was told."""
    limits = {}
    for key in ("thd_db", "thd_n_db"):
        if step[key] is None:
            return None
        # A half-width stands for both sides; as a limit its upper end counts.
        limits[key] = min(math.ceil(10.0 * (step[key] + step["uncertainty"].get(key, 0.0))) / 10.0, 0.0)
    at_most = bool(step["bound"].get("thd_db"))
    return ResidualPoint(
        frequency_hz=round(step["frequency_hz"], 3),
        level_dbfs=round(step["level_dbfs"], _PLACES),
        at_most=at_most,
        **limits,
    )


def _refuse_bad_loop(loopback: Loopback) -> None:
    channel, worst, loudest = loopback.channel, loopback.farthest_off, loopback.loudest
    if worst is not None and abs(worst.gain_db) > LARGEST_OFF_DB:
        raise CalibrationError(
            f"channel {channel}: the loop is {worst.gain_db:+.1f} dB off at {worst.frequency_hz:.4g} Hz, more than "
            f"{LARGEST_OFF_DB:g} dB: a pad of too high resistance, a long cable, or an equalizer in the path; mend it"
        )
    if loudest.thd_db > amplitude_ratio_to_db(LARGEST_RESIDUAL) and not loudest.at_most:
        raise CalibrationError(
            f"channel {channel}: the loop itself distorts {100.0 * db_to_amplitude_ratio(loudest.thd_db):.2g} %: an "
            "enhancement, a limiter or a bad plug is in the path; look for it, or lower --level-dbfs"
        )
