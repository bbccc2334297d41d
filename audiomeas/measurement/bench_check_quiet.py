"""Judging the quiet sequence: channels, polarity, level control, silence. Pure: a recording in, findings out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.known_tones import band_rms, fit_known_tones, strongest_hz
from audiomeas.measurement.bench_check_findings import BAND_HZ, Finding, Heard
from audiomeas.measurement.bench_check_sequences import (
    QUIET_AGAIN,
    QUIET_CHANNELS,
    QUIET_LOWER,
    QUIET_REFERENCE,
    QUIET_SILENCE,
)
from audiomeas.units import amplitude_ratio_to_db, v_rms_to_dbv

#: Through a cable less than this of one channel may arrive on another; through a unit its own crosstalk is allowed for.
LEAK_OF_CABLE_DB, LEAK_OF_UNIT_DB = -40.0, -15.0
#: Gains of equal tones may differ by this, beside their noise.
SAME_GAIN_DB = 0.05
#: Silence may hold this much more than the calibration states; and so much, in dBFS, where it states nothing.
SILENCE_ABOVE_STATED_DB = 6.0
SILENCE_DBFS = -80.0
#: Steady noise in 50 ms, 20 kHz wide, varies by percents; what comes and goes by more than this is no noise.
SILENCE_VARIES_DB = 10.0
_MAINS_HZ = (50.0, 60.0)


def judge_channels(heard: Heard, *, cable: bool, unit: bool) -> Finding:
    """Say whether each channel carries its own tone, and its own alone. unit : is connected, so it may be the mixer."""
    channels = heard.sequence.driven_channels
    if len(channels) < 2:
        return Finding(check="channels", state="not checked", text="one channel in use: nothing to mix up")
    allowed_db = LEAK_OF_CABLE_DB if cable else LEAK_OF_UNIT_DB
    worst_db, worst = -200.0, ""
    for channel in channels:
        own = abs(heard.gain(QUIET_CHANNELS, channel))
        for other in channels:
            if other == channel:
                continue
            foreign = abs(heard.gain(QUIET_CHANNELS, channel, played_on=other))
            if own < 0.1 * foreign:
                text = f"input {channel} carries what output {other} played: channels are swapped; swap the plugs"
                return Finding(check="channels", state="found", text=text)
            leak_db = amplitude_ratio_to_db(max(foreign / max(own, 1e-30), 1e-10))
            if leak_db > worst_db:
                worst_db, worst = leak_db, f"output {other} in input {channel}"
    if worst_db > -6.0:
        text = f"{worst} at {worst_db:.1f} dB: mixed to mono; look for a mono switch, a mixer, a one-channel cable"
        return Finding(check="channels", state="note" if unit else "found", text=text)
    if worst_db > allowed_db:
        text = f"{worst} at {worst_db:.1f} dB: channels leak; look for monitoring, a mixer, a missing ground"
        return Finding(check="channels", state="found" if cable else "note", text=text)
    return Finding(check="channels", state="as it should be", text=f"apart: {worst} at {worst_db:.0f} dB or less")


def judge_polarity(polarity: dict[int, int], *, cable: bool) -> Finding:
    """polarity : channel → +1 or −1, by the first look's marker."""
    turned = [str(channel) for channel, sign in polarity.items() if sign < 0]
    if not turned:
        return Finding(check="polarity", state="as it should be", text="not inverted")
    where = f"channel {' and '.join(turned)}: inverted"
    if cable:
        text = f"{where} by cable or card: turn the balanced plug's wires, or look for a phase switch"
        return Finding(check="polarity", state="found", text=text)
    return Finding(check="polarity", state="note", text=f"{where}; by the unit, or by the bench: a loop cable tells")


def judge_quiet_gain(heard: Heard, *, unit: bool) -> Finding:
    """Say whether equal tones keep their gain, and a tone 20 dB lower has the same. unit : is connected (may be it)."""
    for channel in heard.sequence.driven_channels:
        first_db = heard.gain_db(QUIET_REFERENCE, channel)
        for part, what in ((QUIET_AGAIN, "1.5 s later"), (QUIET_LOWER, "20 dB lower")):
            moved_db = heard.gain_db(part, channel) - first_db
            room_db = SAME_GAIN_DB + heard.gain_noise_db(part, channel) + heard.gain_noise_db(QUIET_REFERENCE, channel)
            if abs(moved_db) > room_db:
                way_out = "a noise gate" if moved_db < -20.0 else "an automatic gain control"
                text = (
                    f"channel {channel}: gain moved by {moved_db:+.2f} dB {what}: {way_out} or an enhancement is in "
                    "the path; turn it off in the driver, the sound server, or the unit"
                )
                if unit and moved_db < 0.0 and part == QUIET_LOWER:
                    text += "; an output stage with too little idle current swallows quiet signals, too"
                return Finding(check="level control", state="note" if unit else "found", text=text)
    return Finding(check="level control", state="as it should be", text="equal tones keep their gain, quietly")


def judge_silence(heard: Heard, *, cable: bool, stated_v_rms: dict[int, float]) -> Finding:
    """Say whether silence is silent. stated_v_rms : channel → the card's own noise, where the calibration states it."""
    levels = []
    for channel in heard.recording.channels:
        level_v_rms = silence_v_rms(heard, channel)
        full_v_rms = heard.recording.reference(heard.recording.column(channel))
        allowed_v_rms = full_v_rms * 10.0 ** (SILENCE_DBFS / 20.0)
        if channel in stated_v_rms:
            allowed_v_rms = stated_v_rms[channel] * 10.0 ** (SILENCE_ABOVE_STATED_DB / 20.0)
        part = heard.part(QUIET_SILENCE, channel)
        varies_db = _varies_db(part, heard.rate_hz)
        dbv = v_rms_to_dbv(max(level_v_rms, 1e-12))
        levels.append(f"{dbv:.1f} dBV")
        if level_v_rms > allowed_v_rms or varies_db > SILENCE_VARIES_DB:
            at_hz = strongest_hz(part, heard.rate_hz, low_hz=BAND_HZ[0], high_hz=BAND_HZ[1])
            more = f", coming and going by {varies_db:.0f} dB" if varies_db > SILENCE_VARIES_DB else ""
            text = (
                f"channel {channel}: {dbv:.1f} dBV while nothing played (strongest near {at_hz:.0f} Hz{more}): another "
                "program's sound, a microphone or monitor mix, or hum; close what sounds, look at cables"
            )
            return Finding(check="foreign sound", state="found" if cable else "note", text=text)
    return Finding(check="foreign sound", state="as it should be", text=f"silence holds {', '.join(levels)}")


def _varies_db(part: NDArray[np.float64], rate_hz: float) -> float:
    """Return largest over smallest level of 50 ms, above mains hum; 0 for exact zeros throughout."""
    block = max(1, round(0.05 * rate_hz))
    steps = np.diff(part)  # first difference: hum and drift are 20 dB a decade down
    blocks = steps[: len(steps) // block * block].reshape(-1, block)
    level = np.sqrt(np.mean(blocks**2, axis=1))
    return (
        0.0 if not np.any(level) else amplitude_ratio_to_db(float(level.max() / max(level.min(), 1e-4 * level.max())))
    )


def silence_v_rms(heard: Heard, channel: int) -> float:
    """Return the level of silence, 20 Hz to 20 kHz, volts at the unit's output."""
    part = heard.part(QUIET_SILENCE, channel)
    return band_rms(part - np.mean(part), heard.rate_hz, low_hz=BAND_HZ[0], high_hz=BAND_HZ[1])


def hum_v_rms(heard: Heard, channel: int) -> float:
    """Return the level of mains hum in silence: of 50 Hz or 60 Hz, whichever is more, with harmonics to the fifth."""
    part = heard.part(QUIET_SILENCE, channel)
    sums = []
    for mains_hz in _MAINS_HZ:
        lines_hz = tuple(order * mains_hz for order in range(1, 6))
        amplitudes = fit_known_tones(part, heard.rate_hz, lines_hz).amplitudes
        sums.append(float(np.sqrt(0.5 * sum(abs(amplitude) ** 2 for amplitude in amplitudes))))
    return max(sums)
