"""Calibrate one output or one input: a tone through the loop cable, a meter across it, twice, 20 dB apart.

All sound goes through the session's gates. The quiet point is played and judged first: the loud one only follows when
the meter, the capture and the calibration at hand agree on what it will be.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.bench.calibration import Calibration, Scale
from audiomeas.bench.interlock import DAC_HEADROOM_DB
from audiomeas.bench.meter import Meter, Reading, parse_reading, slip
from audiomeas.bench.opened import Bench
from audiomeas.bench.origin import ScaleOrigin
from audiomeas.bench.parts import Part, combined, of_deviation, of_limits
from audiomeas.errors import CalibrationError, CaptureError, InterlockRefusal, RequestError
from audiomeas.measurement.session import Keep, Session
from audiomeas.measurement.trust import NothingCameBackError
from audiomeas.recording import stimulus_slice
from audiomeas.stimulus import Sine
from audiomeas.units import db_to_amplitude_ratio

#: The second point lies this far below the first (trade notes, B3).
STEP_DB = 20.0
#: A loop cable has no gain: farther from 0 dB than this, by the calibration at hand, it is none (or that is far off).
LOOP_WITHIN_DB = 6.0
#: What the capture may say of the 20 dB step beside a digital ten: a limiter or level control does more.
CAPTURED_STEP_WITHIN = 0.002
#: The meter's two readings must agree within 0.5 %, or within what its accuracy leaves open of both.
READ_STEP_WITHIN = 0.005
#: A reading that leaves more open than this calibrates nothing.
LARGEST_HALF_WIDTH = 0.1
#: Distortion, noise and hum beside the tone, against the tone: more is no loop cable.
LARGEST_RESIDUAL = 0.03
#: The level may wander by so much during a tone.
LARGEST_DRIFT = 0.005
#: A tone is looked at in parts this long, for its drift and repeatability.
_PART_S = 0.2

#: Asked for a reading: what for ('quiet' or 'loud'), and the voltage that the calibration at hand expects.
Read = Callable[[str, float], str]
#: Asked whether a reading that looks like a slip is meant as typed.
Confirm = Callable[[str], bool]


@dataclass(frozen=True, kw_only=True)
class Ask:
    """What is to be calibrated, and how. level_dbfs : of the loud point.  duration_s : of each tone.

    meter : None when an input is to be calibrated against the output's own calibration.
    """

    kind: str
    channel: int
    meter: Meter | None
    frequency_hz: float = 330.0
    level_dbfs: float = -6.0
    duration_s: float = 10.0
    valid_days: int = 30
    made: date


@dataclass(frozen=True, kw_only=True)
class Point:
    """One of the two points. captured_fs : amplitude as a part of full scale.  spread, drift, residual : relative."""

    played_fs: float
    captured_fs: float
    spread: float
    drift: float
    residual: float
    reading: Reading | None
    v_rms: float


@dataclass(frozen=True, kw_only=True)
class Calibrated:
    """The new scale, the two points it comes from, and what is to be said of it."""

    scale: Scale
    quiet: Point
    loud: Point
    former_v_rms: float | None
    notes: tuple[str, ...]


def with_calibration(bench: Bench, calibration: Calibration) -> Bench:
    """Return a bench on the same interface that knows this calibration in place of its own."""
    return Bench(dataclasses.replace(bench.file, calibration=calibration), bench.interface)


def check_ask(ask: Ask) -> None:
    """Raise RequestError for what can't calibrate anything; before any sound."""
    if not 315.0 <= ask.frequency_hz <= 400.0:
        raise RequestError(
            f"calibrate between 315 and 400 Hz, not at {ask.frequency_hz:g} Hz: handheld meters lose accuracy above, "
            "and coupling capacitors count below"
        )
    for mains_hz in (50.0, 60.0):
        beside_hz = abs(ask.frequency_hz - mains_hz * round(ask.frequency_hz / mains_hz))
        if beside_hz < 5.0:
            raise RequestError(
                f"{ask.frequency_hz:g} Hz lies within 5 Hz of a multiple of {mains_hz:g} Hz, where hum adds to the "
                "reading: use 330 Hz"
            )
    refuse_level("point", ask.level_dbfs)
    if not 1.0 <= ask.duration_s <= 120.0:
        raise RequestError(f"each tone lasts 1 to 120 s, not {ask.duration_s:g} s")
    valid_for(ask.valid_days)
    if ask.meter is not None:
        ask.meter.refuse_outside(ask.frequency_hz)
    elif ask.kind == "output":
        raise RequestError("an output is calibrated against a meter: name it, with its accuracy")


def refuse_level(what: str, level_dbfs: float) -> None:
    """Raise RequestError for a level at which nothing is calibrated. what : what is loud."""
    if not -20.0 <= level_dbfs <= -DAC_HEADROOM_DB:
        raise RequestError(
            f"the loud {what} must lie from -20 to -{DAC_HEADROOM_DB:g} dBFS, not at {level_dbfs:g} dBFS"
        )


def valid_for(days: int) -> None:
    """Raise RequestError for a time that no calibration holds."""
    if not 1 <= days <= 366:
        raise RequestError(f"a calibration holds for 1 to 366 days, not {days} (30 is common practice)")


def check_bench(session: Session, ask: Ask) -> None:
    """Raise RequestError or CalibrationError where this bench can't start from its calibration; before any sound."""
    bench, calibration = session.bench, session.bench.file.calibration
    bench.refuse_other_channel(ask.channel)
    if calibration.output(ask.channel) is None:
        raise CalibrationError(
            f"{calibration.file.name} has no [[output]] for channel {ask.channel}: enter a rough value from the card's "
            "data sheet, within a factor of two, to start from"
        )
    refuse_other_set_up(calibration, session)
    if ask.meter is None:
        _refuse_stale_output(session, ask)


def calibrate(session: Session, ask: Ask, *, read: Read, confirm: Confirm, keep: Keep | None = None) -> Calibrated:
    """Play, read, judge; return the new scale of one output or input (on the range that the bench uses).

    Raises RequestError (readings), CalibrationError (what contradicts), InterlockRefusal, CaptureError, DeviceError.
    """
    check_ask(ask)
    check_bench(session, ask)
    bench = session.bench
    refuse_no_loop(session, ask.channel, ask.frequency_hz, keep)
    quiet = _point(session, ask, "quiet", ask.level_dbfs - STEP_DB, read, confirm, keep)
    coming_v_rms = quiet.v_rms * db_to_amplitude_ratio(STEP_DB)
    ceiling_v_rms = bench.file.limits.input_v_rms
    if coming_v_rms > ceiling_v_rms:
        raise InterlockRefusal(
            f"by the quiet reading the loud point would be {coming_v_rms:.3g} V, above the bench's limits.input_v_rms "
            f"of {ceiling_v_rms:g} V: lower --level-dbfs"
        )
    loud = _point(session, ask, "loud", ask.level_dbfs, read, confirm, keep)
    _refuse_disagreement(quiet, loud)
    former = bench.output_scale(ask.channel) if ask.kind == "output" else bench.input_scale(ask.channel)
    scale = _scale(session, ask, quiet, loud, former)
    return Calibrated(
        scale=scale,
        quiet=quiet,
        loud=loud,
        former_v_rms=former.v_rms_at_full_scale,
        notes=_notes(session, ask),
    )


def refuse_other_set_up(calibration: Calibration, session: Session) -> None:
    """Raise CalibrationError where the calibration to start from is of another interface or gain setting."""
    identity = session.bench.interface.identity
    here = (identity.name, identity.host_api, session.bench.file.interface.gain_setting)
    there = (calibration.interface, calibration.host_api, calibration.gain_setting)
    if here != there:
        raise CalibrationError(
            f"{calibration.file.name} was made for {there[0]!r} ({there[1]}), gain setting {there[2]!r}; this bench is "
            f"{here[0]!r} ({here[1]}), gain setting {here[2]!r}: start from a copy of sample-card.toml with these "
            "three and rough values from the card's data sheet"
        )


def _refuse_stale_output(session: Session, ask: Ask) -> None:
    """Refuse an output whose own calibration does not hold today, at this rate, as the reference of an input."""
    calibration, scale = session.bench.file.calibration, session.bench.output_scale(ask.channel)
    valid_until = (scale.origin or calibration).valid_until
    rates_hz = (scale.origin or calibration).sample_rates_hz
    rate_hz = session.bench.form.sample_rate_hz
    if ask.made > valid_until or rate_hz not in rates_hz:
        raise CalibrationError(
            f"output {ask.channel} can't be the reference: its calibration in {calibration.file.name} holds until "
            f"{valid_until.isoformat()}, at {', '.join(f'{hz:g}' for hz in rates_hz)} Hz; this is "
            f"{ask.made.isoformat()}, at {rate_hz:g} Hz: calibrate the output first"
        )


def refuse_no_loop(session: Session, channel: int, frequency_hz: float, keep: Keep | None) -> None:
    """Raise CaptureError or CalibrationError where no loop cable is connected; by the first look."""
    unplugged = CaptureError(
        f"nothing came back on channel {channel}: connect output {channel} to input {channel} by the loop cable "
        "(through the range's attenuator), and the meter, where one is read, across the cable"
    )
    try:
        look = session.first_look(keep=keep)
    except NothingCameBackError:
        raise unplugged from None
    if channel in look.silent:
        raise unplugged
    gain_db = look.gain_at_db(channel, frequency_hz)
    if abs(gain_db) > LOOP_WITHIN_DB:
        raise CalibrationError(
            f"channel {channel} has {gain_db:+.1f} dB from output to input, where a loop cable has 0 dB: take the "
            "unit out, check the range in the bench file; or correct the rough values of the calibration at hand"
        )


def _point(
    session: Session, ask: Ask, name: str, level_dbfs: float, read: Read, confirm: Confirm, keep: Keep | None
) -> Point:
    played_fs = db_to_amplitude_ratio(level_dbfs)
    expected_v_rms = played_fs * session.bench.output_scale(ask.channel).v_rms_at_full_scale
    sine = Sine.bin_centred(
        frequency_hz=ask.frequency_hz,
        level_v_rms=expected_v_rms,
        sample_rate_hz=session.bench.form.sample_rate_hz,
        window_s=ask.duration_s,
        settle_s=0.3,
        driven_channels=(ask.channel,),
    )
    recording = session.record(sine, keep=keep, doing=f"{name} tone")
    (window,) = sine.windows()
    samples = recording.counts_fs[stimulus_slice(recording, window.start, window.stop), recording.column(ask.channel)]
    found = captured_tone(samples, sine.frequency_hz, sine.sample_rate_hz)
    _refuse_unsteady(found, ask.channel)
    reading = None if ask.meter is None else _meter_reading(ask.meter, name, expected_v_rms, read, confirm)
    v_rms = expected_v_rms if reading is None else reading.v_rms
    return Point(played_fs=played_fs, reading=reading, v_rms=v_rms, **found)


def captured_tone(samples_fs: NDArray[np.float64], frequency_hz: float, sample_rate_hz: float) -> dict[str, float]:
    """Return amplitude (as a part of full scale), spread of its mean, drift and residual (all relative) of a tone.

    samples_fs : (frames,). Least squares of cosine, sine and constant in parts of 0.2 s (IEEE 1057, three parameters).
    """
    part_frames = min(len(samples_fs), round(_PART_S * sample_rate_hz))
    turning = 2.0 * np.pi * frequency_hz / sample_rate_hz * np.arange(part_frames)
    columns = np.stack([np.cos(turning), np.sin(turning), np.ones(part_frames)], axis=1)
    parts = samples_fs[: len(samples_fs) // part_frames * part_frames].reshape(-1, part_frames).T
    fitted, *_ = np.linalg.lstsq(columns, parts, rcond=None)
    amplitude = np.hypot(fitted[0], fitted[1])
    mean = float(np.mean(amplitude))
    if not mean > 0.0:
        raise CaptureError("no tone was captured: check the loop cable")
    rest = float(np.sqrt(np.mean((parts - columns @ fitted) ** 2)))
    deviation = float(np.std(amplitude, ddof=1)) if len(amplitude) > 1 else 0.0
    return {
        "captured_fs": mean,
        "spread": deviation / mean / float(np.sqrt(len(amplitude))),
        "drift": float(np.ptp(amplitude)) / mean,
        "residual": rest * float(np.sqrt(2.0)) / mean,
    }


def _refuse_unsteady(found: dict[str, float], channel: int) -> None:
    if found["residual"] > LARGEST_RESIDUAL:
        raise CaptureError(
            f"input {channel}: {100 * found['residual']:.1f} % of the capture is not the tone (noise, hum or "
            "distortion): use a range nearer to the level, check the cable's screen"
        )
    if found["drift"] > LARGEST_DRIFT:
        raise CaptureError(
            f"input {channel}: the level moved by {100 * found['drift']:.2f} % during the tone: a level control in the "
            "path, a bad contact, or a card that is not warm yet"
        )


def _meter_reading(meter: Meter, name: str, expected_v_rms: float, read: Read, confirm: Confirm) -> Reading:
    reading = parse_reading(read(name, expected_v_rms), meter)
    if reading.half_width > LARGEST_HALF_WIDTH:
        raise RequestError(
            f"the {name} reading {reading.text} is only good to {100 * reading.half_width:.0f} % with this meter: set "
            "its lower range, or raise --level-dbfs"
        )
    looks_like = slip(reading, expected_v_rms)
    if looks_like and not confirm(
        f"the {name} reading {reading.text} (expected about {expected_v_rms:.3g} V) looks like {looks_like}"
    ):
        raise RequestError(
            f"the {name} reading {reading.text} looks like {looks_like} (expected about {expected_v_rms:.3g} V): read "
            "again; if it is right as typed, confirm it with --confirm-reading"
        )
    return reading


def _refuse_disagreement(quiet: Point, loud: Point) -> None:
    played = loud.played_fs / quiet.played_fs
    captured = loud.captured_fs / quiet.captured_fs / played - 1.0
    if abs(captured) > CAPTURED_STEP_WITHIN:
        raise CalibrationError(
            f"20 dB more were played and {100 * captured:+.2f} % beside that were captured: a limiter or a level "
            "control is in the path; switch it off"
        )
    if quiet.reading is None or loud.reading is None:
        return
    read = loud.v_rms / quiet.v_rms / played - 1.0
    allowed = max(READ_STEP_WITHIN, quiet.reading.limit + loud.reading.limit)
    if abs(read) > allowed:
        raise CalibrationError(
            f"the readings {quiet.reading.text} and {loud.reading.text} are not 20 dB apart ({100 * read:+.2f} %, "
            f"allowed {100 * allowed:.2f} %), though the capture is: a wrong range of the meter, or a slip; read both "
            "again"
        )


def _scale(session: Session, ask: Ask, quiet: Point, loud: Point, former: Scale) -> Scale:
    reference_fs = loud.played_fs if ask.kind == "output" else loud.captured_fs
    parts = _parts(session, ask, loud)
    method = f"{ask.frequency_hz:g} Hz through the loop cable, " + (
        "meter across it, second point 20 dB down"
        if ask.meter
        else "against the calibrated output, second point 20 dB down"
    )
    origin = ScaleOrigin(
        made=ask.made,
        valid_until=ask.made + timedelta(days=ask.valid_days),
        sample_rates_hz=(session.bench.form.sample_rate_hz,),
        method=method,
        instrument=ask.meter.text() if ask.meter else f"output {ask.channel} of this calibration",
        evidence=_evidence(session, ask, quiet, loud),
    )
    return dataclasses.replace(
        former,
        v_rms_at_full_scale=loud.v_rms / reference_fs,
        uncertainty=combined(parts),
        parts=parts,
        # What the range adds was stated in volts by the former scale: it moves with it.
        noise_v_rms=None
        if former.noise_v_rms is None
        else former.noise_v_rms * (loud.v_rms / reference_fs / former.v_rms_at_full_scale),
        origin=origin,
    )


def _parts(session: Session, ask: Ask, loud: Point) -> tuple[Part, ...]:
    """Return the relative parts of the uncertainty.

    A meter on one of its ranges, at one frequency, is off by the same part each time: that is one source for all that
    is calibrated with it, told by the place of its last digit. Of a reading in decibels the range is not known.
    """
    repeatability = of_deviation("repeatability", loud.spread)
    reading = loud.reading
    if reading is None or ask.meter is None:
        # What the output is off, the input now is too.
        inherited = (
            dataclasses.replace(part, component=part.component or f"output {ask.channel}, as stated")
            for part in session.bench.output_scale(ask.channel).known_parts()
        )
        return (*inherited, repeatability)
    last_v = f"{reading.step * reading.v_rms:.3g}"
    same = "" if reading.decibels else f"{ask.meter.text()}; at {ask.frequency_hz:g} Hz, last digit {last_v} V"
    return (
        of_limits("meter", reading.accuracy, source=same),
        of_limits("last digit of the meter", reading.resolution),
        repeatability,
    )


def _evidence(session: Session, ask: Ask, quiet: Point, loud: Point) -> dict[str, Any]:
    evidence: dict[str, Any] = {
        "frequency_hz": ask.frequency_hz,
        "loud_dbfs": ask.level_dbfs,
        "quiet_dbfs": ask.level_dbfs - STEP_DB,
        "loud_v_rms": loud.v_rms,
        "quiet_v_rms": quiet.v_rms,
        "loud_captured_fs": loud.captured_fs,
        "quiet_captured_fs": quiet.captured_fs,
        "residual_percent": 100.0 * loud.residual,
        "drift_percent": 100.0 * loud.drift,
        "simulated": session.simulated,
    }
    if loud.reading is not None and quiet.reading is not None:
        evidence["loud_reading"], evidence["quiet_reading"] = loud.reading.text, quiet.reading.text
    return evidence


def _notes(session: Session, ask: Ask) -> tuple[str, ...]:
    look = session.first_look()
    notes = []
    if look.polarity.get(ask.channel) == -1:
        notes.append(
            f"channel {ask.channel}: output to input turns the polarity: an inverting card, or a crossed cable"
        )
    return tuple(notes)
