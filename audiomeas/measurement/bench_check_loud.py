"""Judging the sequence at level through a loop cable: gain, linearity, drift, rate, bits, clock. Pure."""

from __future__ import annotations

import cmath
import math

import numpy as np

from audiomeas.analysis.known_tones import fit_known_tones
from audiomeas.measurement.bench_check_findings import Finding, Heard
from audiomeas.measurement.bench_check_sequences import (
    COMMON_RATES_HZ,
    LOUD_40,
    LOUD_60,
    LOUD_80,
    LOUD_AGAIN,
    LOUD_LEVELS_DB,
    LOUD_RATE,
    LOUD_REFERENCE,
    LOUD_TOP,
    REFERENCE_HZ,
    lower_rate_hz,
)
from audiomeas.units import amplitude_ratio_to_db

#: Over 80 dB a converter's gain stays within this, beside noise (common practice for 24-bit converters).
LINEAR_WITHIN_DB = 0.1
#: The reference before and after the loudest part, and within a part.
DRIFT_DB = 0.02
#: The tone that only an honest rate carries may be weakened by the converters' filters, but not more than this.
RATE_TONE_AT_LEAST_DB = -40.0
#: An image of that tone, beside what was played.
IMAGE_DB = -55.0
#: One clock plays and captures: no drift of phase beyond this.
CLOCK_PPM = 0.5
#: Gain of a cable beside the calibration's own uncertainty.
GAIN_ROOM_DB = 0.03


def judge_gain(heard: Heard, tolerance_db: dict[int, float]) -> Finding:
    """Say whether a cable has the gain of a cable. tolerance_db : channel → by the calibration's uncertainties."""
    said = []
    for channel in heard.sequence.driven_channels:
        gain_db = heard.gain_db(LOUD_REFERENCE, channel)
        said.append(f"{gain_db:+.3f} dB")
        if abs(gain_db) > tolerance_db[channel] + GAIN_ROOM_DB:
            text = (
                f"channel {channel}: the cable has {gain_db:+.2f} dB ({100 * 10 ** (gain_db / 20):.0f} % of what was "
                "played): a volume control is in the path, a knob was moved, or the range is not the one entered; "
                "set it back, or calibrate again"
            )
            return Finding(check="gain", state="found", text=text)
    return Finding(check="gain", state="as it should be", text=f"of the cable by the calibration: {', '.join(said)}")


def judge_linearity(heard: Heard) -> Finding:
    """Say whether gain is the same over 80 dB; a limiter, a gate or a level control leaves its own pattern."""
    worst_db = 0.0
    for channel in heard.sequence.driven_channels:
        reference_db = heard.gain_db(LOUD_REFERENCE, channel)
        moved = {part: heard.gain_db(part, channel) - reference_db for part in (LOUD_TOP, LOUD_40, LOUD_60, LOUD_80)}
        for part in _telling_first(moved):
            room_db = LINEAR_WITHIN_DB + heard.gain_noise_db(part, channel)
            if abs(moved[part]) > room_db:
                text = f"channel {channel}: gain moves by {moved[part]:+.2f} dB at {LOUD_LEVELS_DB[part]:g} dB: "
                return Finding(check="linearity", state="found", text=text + _cause(part, moved[part]))
            worst_db = max(worst_db, abs(moved[part]))
    return Finding(check="linearity", state="as it should be", text=f"gain within {worst_db:.3f} dB over 80 dB")


def _telling_first(moved: dict[int, float]) -> list[int]:
    """Return the parts, that one first which names its cause best: swallowed, held down, then any."""
    swallowed = [part for part in (LOUD_80, LOUD_60) if moved[part] < -6.0]
    return list(dict.fromkeys([*swallowed, LOUD_TOP, LOUD_40, LOUD_60, LOUD_80]))


def _cause(part: int, moved_db: float) -> str:
    if part == LOUD_TOP and moved_db < 0.0:
        return "a limiter or an automatic gain control is in the path; turn it off, or lower the card's output"
    if part in (LOUD_80, LOUD_60) and moved_db < -6.0:
        return "a noise gate swallows quiet sounds; turn it off in driver or sound server"
    if part in (LOUD_80, LOUD_60):
        return "coarse rounding (16 bits or fewer), a gate or a level control is in the path; use the device directly"
    return "an automatic gain control or an enhancement is in the path; turn it off in driver or sound server"


def judge_drift(heard: Heard) -> Finding:
    """Say whether the reference has the same level before and after the loudest part, and from second to second."""
    worst_db = 0.0
    for channel in heard.sequence.driven_channels:
        first_db = heard.gain_db(LOUD_REFERENCE, channel)
        moved_db = heard.gain_db(LOUD_AGAIN, channel) - first_db
        slope_db = max((_halves_db(heard, part, channel) for part in (LOUD_AGAIN, LOUD_TOP)), key=abs)
        largest_db = max(moved_db, slope_db, key=abs)
        if abs(largest_db) > DRIFT_DB + heard.gain_noise_db(LOUD_REFERENCE, channel):
            text = (
                f"channel {channel}: an unchanged tone moves by {largest_db:+.3f} dB within seconds: an automatic gain "
                "control, a limiter's release, or a bad contact; turn the one off, clean the other"
            )
            return Finding(check="drift", state="found", text=text)
        worst_db = max(worst_db, abs(largest_db))
    return Finding(check="drift", state="as it should be", text=f"an unchanged tone moves by {worst_db:.4f} dB at most")


def _halves_db(heard: Heard, part: int, channel: int) -> float:
    """Return by how much the reference's level moves from the first to the second half of a part."""
    signal = heard.part(part, channel)
    half = len(signal) // 2
    first, second = (
        abs(fit_known_tones(piece, heard.rate_hz, (REFERENCE_HZ,)).amplitudes[0])
        for piece in (signal[:half], signal[half:])
    )
    return amplitude_ratio_to_db(max(second, 1e-30) / max(first, 1e-30))


def judge_rate(heard: Heard) -> Finding:
    """Say whether a tone above half of the next lower common rate comes back, and no image of it."""
    lower_hz = lower_rate_hz(heard.rate_hz)
    if lower_hz is None:
        return Finding(check="rate", state="not checked", text="there is no common rate below this one")
    tone_hz = heard.sequence.frequencies_hz[LOUD_RATE][0]
    for channel in heard.sequence.driven_channels:
        image_hz, image_db = _largest_image(heard, channel, tone_hz)
        gone = heard.gain_db(LOUD_RATE, channel) < RATE_TONE_AT_LEAST_DB
        if gone or image_db > IMAGE_DB:
            seen = f"{tone_hz:.0f} Hz does not come back" if gone else f"{tone_hz:.0f} Hz comes back"
            image = f", with an image at {image_hz:.0f} Hz ({image_db:.0f} dB)" if image_db > IMAGE_DB else ""
            text = (
                f"channel {channel}: {seen}{image}: the path does not run at {heard.rate_hz:g} Hz throughout (a "
                f"resampler at {lower_hz:g} Hz or lower), or its converters end below; enter the device's own rate, "
                "use the hardware device"
            )
            return Finding(check="rate", state="found", text=text)
    gain_db = heard.gain_db(LOUD_RATE, heard.sequence.driven_channels[0])
    text = f"{tone_hz:.0f} Hz, which {lower_hz:g} Hz could not carry, comes back at {gain_db:+.1f} dB"
    return Finding(check="rate", state="as it should be", text=text)


def _largest_image(heard: Heard, channel: int, tone_hz: float) -> tuple[float, float]:
    """Return frequency and level (dB of what was played) of the largest image that a lower rate would leave."""
    places = {
        abs(tone_hz - round(tone_hz / rate_hz) * rate_hz) for rate_hz in COMMON_RATES_HZ if rate_hz < heard.rate_hz
    }
    found = [place for place in sorted(places) if 20.0 < place < 0.49 * heard.rate_hz and abs(place - tone_hz) > 20.0]
    amplitudes = fit_known_tones(heard.part(LOUD_RATE, channel), heard.rate_hz, (tone_hz, *found)).amplitudes[1:]
    played_v = math.sqrt(2.0) * heard.sequence.levels_v_rms[LOUD_RATE]
    largest = max(range(len(found)), key=lambda number: abs(amplitudes[number]), default=None)
    if largest is None:
        return 0.0, -200.0
    return found[largest], amplitude_ratio_to_db(max(abs(amplitudes[largest]) / played_v, 1e-10))


def judge_grid(step_fs: float | None, asked_bits: int) -> Finding | None:
    """Say when samples stand on a coarser grid than was asked for. step_fs : as `Recording.resolution_fs`."""
    bits = asked_bits if step_fs is None else 1 + round(-math.log2(step_fs))
    if bits >= asked_bits:
        return None
    text = (
        f"captured samples stand on a grid of {bits} bits, {asked_bits} were asked for: something converts on the way; "
    )
    text += "use the hardware device and its own format"
    return Finding(check="bits", state="found" if bits <= 16 else "note", text=text)


def judge_bits(heard: Heard, asked_bits: int, silence_v_rms: dict[int, float]) -> Finding:
    """Say whether as many bits arrive as were asked for: by the capture's step, and by what is left beside a tone.

    silence_v_rms : channel → noise while nothing was played, to tell rounding on the way out from noise.
    """
    grid = judge_grid(heard.recording.resolution_fs, asked_bits)
    if grid is not None:
        return grid
    for channel in heard.sequence.driven_channels:
        beside_v_rms = heard.residual_v_rms(LOUD_60, channel)
        full_v_rms = heard.recording.reference(heard.recording.column(channel))
        # Rounding to 16 bits: step/√12 over the whole band, of which 20 Hz to 20 kHz is a part (Bennett 1948).
        part = min(1.0, 20_000.0 / (0.5 * heard.rate_hz))
        rounding_v_rms = full_v_rms * math.sqrt(2.0) * 2.0**-15 / math.sqrt(12.0) * math.sqrt(part)
        louder = beside_v_rms > 1.4 * silence_v_rms[channel]
        if asked_bits > 16 and louder and beside_v_rms > 0.6 * rounding_v_rms:
            left_dbfs = amplitude_ratio_to_db(beside_v_rms / full_v_rms)
            text = (
                f"channel {channel}: beside a quiet tone {left_dbfs:.0f} dBFS "
                "are left, more than in silence and as much as 16 bits leave: it is rounded on its way out; use "
                "the hardware device and its own format"
            )
            return Finding(check="bits", state="found", text=text)
    return Finding(check="bits", state="as it should be", text=f"{asked_bits} bits arrive")


def judge_clock(heard: Heard) -> Finding:
    """Say whether play and capture share a clock: the delay of the same tone early and late."""
    worst_ppm = 0.0
    first, last = (heard.sequence.span(part) for part in (LOUD_REFERENCE, LOUD_AGAIN))
    apart_s = 0.5 * (sum(last) - sum(first)) / heard.rate_hz  # a fit gives the phase of its window's middle
    for channel in heard.sequence.driven_channels:
        turned = cmath.phase(heard.gain(LOUD_AGAIN, channel) / (heard.gain(LOUD_REFERENCE, channel) or 1.0))
        ppm = -1e6 * turned / (2.0 * np.pi * REFERENCE_HZ * apart_s)
        worst_ppm = max(worst_ppm, ppm, key=abs)
    if abs(worst_ppm) > CLOCK_PPM:
        text = f"capture runs {worst_ppm:+.2f} ppm against play: two clocks; use one duplex device, or a word clock"
        return Finding(check="clock", state="found", text=text)
    return Finding(check="clock", state="as it should be", text=f"play and capture agree to {abs(worst_ppm):.4f} ppm")
