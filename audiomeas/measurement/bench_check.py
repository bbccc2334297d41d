"""`bench check`: the bench proves itself before a session. Through the session's gates; judged in its neighbours.

Quiet first: everything is 40 dB below the lowest ceiling, and any unit may be connected. Louder only after the first
look has proved a loop cable: a gain of 1 by the calibration, flat over the band, on each channel. With a unit named as
connected, what the unit itself may do (a dead channel, mono, a gain that moves) is a note: that is what is measured.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from audiomeas.bench.interlock import predict
from audiomeas.errors import CaptureError, RequestError
from audiomeas.interface.transport import Capture
from audiomeas.measurement.bench_check_findings import LATENCY_WITHIN_FRAMES, CheckReport, Finding, Heard
from audiomeas.measurement.bench_check_loud import (
    judge_bits,
    judge_clock,
    judge_drift,
    judge_gain,
    judge_grid,
    judge_linearity,
    judge_rate,
)
from audiomeas.measurement.bench_check_quiet import hum_v_rms as hum_of
from audiomeas.measurement.bench_check_quiet import (
    judge_channels,
    judge_polarity,
    judge_quiet_gain,
    judge_silence,
    silence_v_rms,
)
from audiomeas.measurement.bench_check_sequences import LOUD_REFERENCE, LOUD_TOP, loud_sequence, quiet_sequence
from audiomeas.measurement.first_look import FirstLook
from audiomeas.measurement.session import Keep, Session
from audiomeas.recording import Recording
from audiomeas.stimulus import Stimulus
from audiomeas.stimulus.marker import LEAD_S
from audiomeas.units import amplitude_ratio_to_db, db_to_amplitude_ratio, v_rms_to_dbv

#: What the person may say is connected; 'auto': the first look decides.
CONNECTED = ("auto", "cable", "unit")
#: A cable: gain of 1 within this, and as flat as this from 30 Hz to 18 kHz.
CABLE_WITHIN_DB, CABLE_FLAT_DB = 2.0, 1.0
_FLAT_HZ = (30.0, 18_000.0)
#: Sound in the capture before anything of ours can have arrived, in fractions of full scale (a sine of −67 dBFS).
_LEAD_RMS_FS = 3e-4
_CALIBRATION = "calibration"
_LOUD_CHECKS = ("gain", "linearity", "drift", "rate", "bits", "clock")
_BITS = {"int16": 16, "int24": 24, "float32": 24}


class _Kept:
    """Passes each raw capture on, and remembers the last, also a refused one."""

    def __init__(self, keep: Keep | None) -> None:
        self._keep = keep
        self.last: Recording | None = None

    def __call__(self, capture: Capture, recording: Recording) -> Any:
        self.last = recording
        return None if self._keep is None else self._keep(capture, recording)


def check_bench(session: Session, *, connected: str = "auto", keep: Keep | None = None) -> CheckReport:
    """Check a bench and return what was found.

    connected : 'cable', 'unit' (quiet checks only, whatever the first look says), or 'auto'.
    Raises RequestError, InterlockRefusal, DeviceError, CalibrationError, Interrupted. What is wrong with a capture is a
    finding.
    """
    if connected not in CONNECTED:
        raise RequestError(f"{connected!r} can't be connected: say {', '.join(CONNECTED)}")
    return _Check(session, connected, keep).run()


def check_with_unit(session: Session, keep: Keep | None = None) -> tuple[Finding, ...]:
    """Return what the quiet checks find with a unit connected, before it is measured. Raises as `check_bench`.

    Nothing of the calibration: results carry themselves what of it does not fit.
    """
    report = check_bench(session, connected="unit", keep=keep)
    return tuple(finding for finding in report.findings if finding.check != _CALIBRATION)


class _Check:
    """One run of the check, step by step."""

    def __init__(self, session: Session, connected: str, keep: Keep | None) -> None:
        self._session = session
        self._connected = connected
        self._unit = connected == "unit"
        self._kept = _Kept(keep)
        self._findings: list[Finding] = []
        self._figures: dict[int, dict[str, float]] = {channel: {} for channel in session.bench.channels}
        self._latencies: list[float] = []
        self._cable = False
        self._look_heard: Recording | None = None  # stays so when the session took its first look before

    def run(self) -> CheckReport:
        """Run all steps that may be run, and report."""
        self._calibration()
        try:
            self._steps()
        except CaptureError as error:
            text = str(error)
            if text.startswith("nothing of what was played"):
                text += "; a noise gate in driver or sound server swallows quiet sounds, too"
            self._findings.append(Finding(check="capture", state="found", text=text))
            self._look_at_refused()
        self._name_unchecked()
        bench = self._session.bench
        identity = bench.interface.identity
        return CheckReport(
            bench=bench.file.name,
            simulated=self._session.simulated,
            connected="cable" if self._cable else "unit",
            set_up={
                "interface": identity.name,
                "host_api": identity.host_api,
                "sample_rate_hz": bench.form.sample_rate_hz,
                "sample_format": bench.form.sample_format,
                "ranges": {str(channel): name for channel, name in bench.file.ranges},
            },
            findings=tuple(self._findings),
            figures=self._figures,
        )

    def _steps(self) -> None:
        look = self._session.first_look(keep=self._kept)
        self._look_heard = self._kept.last
        self._latencies.append(look.latency_frames)
        for channel in look.silent:
            text = f"channel {channel}: nothing came back; check cables, power, balance and volume"
            self._findings.append(Finding(check="capture", state="note" if self._unit else "found", text=text))
        self._decide(look)
        self._findings.append(judge_polarity(look.polarity, cable=self._cable))
        if look.silent:
            return
        quiet = self._quiet(look)
        if self._cable:
            self._loud(look, quiet)
        else:
            self._add_grid(quiet.recording)
        self._latency()
        self._findings.append(Finding(check="gaps", state="as it should be", text="no frame was lost or inserted"))

    def _calibration(self) -> None:
        mismatches = self._session.warnings
        self._findings += [Finding(check=_CALIBRATION, state="found", text=text) for text in mismatches]
        if not mismatches:
            calibration = self._session.bench.file.calibration
            text = f"{calibration.file.name} is for this set-up, until {calibration.valid_until}"
            self._findings.append(Finding(check=_CALIBRATION, state="as it should be", text=text))

    def _decide(self, look: FirstLook) -> None:
        """Decide whether it is a cable that is connected; only that allows for more level."""
        why_not = _why_no_cable(look)
        self._cable = not self._unit and not why_not
        if self._connected == "cable" and why_not:
            text = f"no loop cable: {why_not}; check cable, range and volume, or say what is connected"
            self._findings.append(Finding(check="connected", state="found", text=text))
        elif self._cable:
            text = "a loop cable, by its gain at first look"
            self._findings.append(Finding(check="connected", state="as it should be", text=text))
        else:
            text = (
                f"a unit ({why_not or 'as you said'}): quiet checks only; a loop cable from output to input allows all"
            )
            self._findings.append(Finding(check="connected", state="note", text=text))

    def _record(self, stimulus: Stimulus, doing: str) -> Heard:
        recording = self._session.record(stimulus, keep=self._kept, doing=doing)
        for warning in recording.warnings:
            if warning.startswith("try "):
                text = f"{warning}; the next try was whole: use a larger block, close other programs"
                self._findings.append(Finding(check="gaps", state="note", text=text))
        self._latencies.append(float(recording.conditions["latency_frames"]))
        return Heard(recording)

    def _quiet(self, look: FirstLook) -> Heard:
        bench = self._session.bench
        heard = self._record(
            quiet_sequence(look.level_v_rms, bench.form.sample_rate_hz, bench.channels), "quiet checks"
        )
        stated = {int(n): float(v) for n, v in bench.noise_conditions().get("card_noise_v_rms", {}).items()}
        self._findings += [
            judge_silence(heard, cable=self._cable, stated_v_rms=stated),
            judge_channels(heard, cable=self._cable, unit=self._unit),
            judge_quiet_gain(heard, unit=self._unit),
        ]
        for channel in bench.channels:
            self._figures[channel]["noise_dbv"] = v_rms_to_dbv(max(silence_v_rms(heard, channel), 1e-12))
            self._figures[channel]["hum_dbv"] = v_rms_to_dbv(max(hum_of(heard, channel), 1e-12))
            self._figures[channel]["gain_db"] = look.gain_at_db(channel, 997.0)
        return heard

    def _loud(self, look: FirstLook, quiet: Heard) -> None:
        bench = self._session.bench
        level_v_rms = self._highest_v_rms(look)
        tones = loud_sequence(level_v_rms, look.level_v_rms, bench.form.sample_rate_hz, bench.channels)
        heard = self._record(tones, "checks at level")
        silence = {channel: silence_v_rms(quiet, channel) for channel in bench.channels}
        self._findings += [
            judge_gain(heard, {channel: self._tolerance_db(channel) for channel in bench.channels}),
            judge_linearity(heard),
            judge_drift(heard, quiet, self._look_heard),
            judge_rate(heard),
            judge_bits(heard, _BITS[bench.form.sample_format], silence),
            judge_clock(heard),
        ]
        for channel in bench.channels:
            ratio = heard.residual_v_rms(LOUD_TOP, channel) / (level_v_rms * abs(heard.gain(LOUD_TOP, channel)) or 1.0)
            self._figures[channel]["residual_db"] = amplitude_ratio_to_db(max(ratio, 1e-10))
            self._figures[channel]["gain_db"] = heard.gain_db(LOUD_REFERENCE, channel)

    def _highest_v_rms(self, look: FirstLook) -> float:
        """Return the largest sine that the gates let pass through what the first look found."""
        ceilings = self._session.bench.ceilings(self._session.bench.channels)
        at_1_v = predict(ceilings, level_v_rms=1.0, peak_v=math.sqrt(2.0), gain_db=look.gain_db)
        return 0.999 * db_to_amplitude_ratio(-max(prediction.excess_db for prediction in at_1_v))

    def _tolerance_db(self, channel: int) -> float:
        """Return what the calibration's uncertainties of output and input together allow."""
        bench = self._session.bench
        parts = (bench.output_scale(channel).uncertainty, bench.input_scale(channel).uncertainty)
        return amplitude_ratio_to_db(1.0 + math.hypot(*parts))

    def _latency(self) -> None:
        moved = max(self._latencies) - min(self._latencies)
        if moved > LATENCY_WITHIN_FRAMES:
            text = f"moves by {moved:.1f} frames from start to start; the markers make up for it within a capture"
            self._findings.append(Finding(check="latency", state="note", text=text))
            return
        for figures in self._figures.values():
            figures["latency_frames"] = self._latencies[0]
        text = f"{self._latencies[0]:.1f} frames in {len(self._latencies)} starts"
        self._findings.append(Finding(check="latency", state="as it should be", text=text))

    def _look_at_refused(self) -> None:
        """Say what a refused capture shows by itself: a coarse grid, or sound before ours could arrive."""
        recording = self._kept.last
        if recording is None or not np.all(np.isfinite(recording.counts_fs)):
            return
        self._add_grid(recording)
        lead = recording.counts_fs[: round(0.9 * LEAD_S * recording.sample_rate_hz)]
        level_fs = float(np.max(np.sqrt(np.mean(np.square(lead), axis=0)), initial=0.0))
        if level_fs > _LEAD_RMS_FS:
            text = (
                f"{amplitude_ratio_to_db(math.sqrt(2.0) * level_fs):.0f} dBFS before anything was played: another "
                "program's sound, a microphone or monitor mix; close what sounds"
            )
            self._findings.append(Finding(check="foreign sound", state="found", text=text))

    def _add_grid(self, recording: Recording) -> None:
        grid = judge_grid(recording.resolution_fs, _BITS[self._session.bench.form.sample_format])
        if grid is not None:
            self._findings.append(grid)

    def _name_unchecked(self) -> None:
        done = {finding.check for finding in self._findings}
        left = [name for name in ("foreign sound", "channels", "polarity", *_LOUD_CHECKS) if name not in done]
        if left:
            decided = "connected" in done
            why = "no loop cable" if decided and not self._cable else "what was found stands in the way"
            self._findings.append(Finding(check=", ".join(left), state="not checked", text=why))


def _why_no_cable(look: FirstLook) -> str:
    """Return what speaks against a loop cable; '' when nothing does."""
    for channel, curve_db in look.curve_db.items():
        if channel in look.silent:
            return f"channel {channel} is silent"
        frequency_hz = np.array(look.frequency_hz)
        flat = np.array(curve_db)[(frequency_hz >= _FLAT_HZ[0]) & (frequency_hz <= _FLAT_HZ[1])]
        gain_db = look.gain_at_db(channel, 997.0)
        if abs(gain_db) > CABLE_WITHIN_DB:
            return f"channel {channel} has {gain_db:+.1f} dB of gain"
        if len(flat) == 0 or float(np.ptp(flat)) > CABLE_FLAT_DB:
            return f"channel {channel} is not flat from {_FLAT_HZ[0]:g} Hz to {_FLAT_HZ[1]:g} Hz"
    return ""


def with_findings(report: CheckReport, more: tuple[Finding, ...]) -> CheckReport:
    """Return a report with findings added at its end."""
    return dataclasses.replace(report, findings=(*report.findings, *more))
