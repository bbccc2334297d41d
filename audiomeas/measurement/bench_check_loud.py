"""Judging the sequence at level through a loop cable: gain, linearity, drift, rate, bits, clock. Pure."""

from __future__ import annotations

import cmath
import math

import numpy as np

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.analysis.known_tones import band_rms, fit_known_tones
from audiomeas.measurement.bench_check_findings import Finding, Heard, marker_v_rms
from audiomeas.measurement.bench_check_sequences import (
    COMMON_RATES_HZ,
    LOUD_40,
    LOUD_60,
    LOUD_80,
    LOUD_AGAIN,
    LOUD_LEVELS_DB,
    LOUD_QUIET,
    LOUD_RATE,
    LOUD_REFERENCE,
    LOUD_TOP,
    QUIET_REFERENCE,
    QUIET_SILENCE,
    REFERENCE_HZ,
    lower_rate_hz,
)
from audiomeas.recording import Recording, stimulus_slice
from audiomeas.stimulus.marker import MARKER_FROM_HZ, MARKER_S, MARKER_TO_HZ, marker_before
from audiomeas.units import SQRT2, amplitude_ratio_to_db

#: Over 80 dB a converter's gain stays within this, beside noise (common practice for 24-bit converters).
LINEAR_WITHIN_DB = 0.1
#: What is played unchanged may move by this, beside its noise.
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
        said.append(f"{gain_db:+z.3f} dB")  # z: no zero is negative
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


def judge_drift(loud: Heard, quiet: Heard, look: Recording | None) -> Finding:
    """Say whether what is played unchanged comes back unchanged: within a tone, over seconds, over the whole check.

    look : the first look's capture, where this check took it. Its marker and that before the quiet tones are alike, and
    so are the quiet reference and the last tone at level: together they reach from the check's first sound to its last.
    """
    worst_db = 0.0
    span_s = _span_s(loud, quiet, look)
    for channel in loud.sequence.driven_channels:
        for moved_db, noise_db in _moves_db(loud, quiet, look, channel):
            if abs(moved_db) > DRIFT_DB + noise_db:
                text = (
                    f"channel {channel}: what is played unchanged moves by {moved_db:+.3f} dB within {span_s:.0f} s: "
                    "a gain control, a limiter's release, or a bad contact; turn the one off, clean the other"
                )
                return Finding(check="drift", state="found", text=text)
            worst_db = max(worst_db, abs(moved_db))
    text = f"what is played unchanged moves by {worst_db:.4f} dB at most within {span_s:.0f} s"
    return Finding(check="drift", state="as it should be", text=text)


def _moves_db(loud: Heard, quiet: Heard, look: Recording | None, channel: int) -> list[tuple[float, float]]:
    """Return by how much each pair of equal sounds differs, and how far noise may move that."""
    at_level_db = loud.gain_db(LOUD_AGAIN, channel) - loud.gain_db(LOUD_REFERENCE, channel)
    room_db = loud.gain_noise_db(LOUD_REFERENCE, channel)
    found = [(at_level_db, room_db)]
    found += [(_halves_db(loud, part, channel), room_db) for part in (LOUD_AGAIN, LOUD_TOP)]
    late = (
        loud.gain_db(LOUD_QUIET, channel) - quiet.gain_db(QUIET_REFERENCE, channel),
        loud.gain_noise_db(LOUD_QUIET, channel) + quiet.gain_noise_db(QUIET_REFERENCE, channel),
    )
    if look is None:
        return [*found, late]
    markers_v_rms = [marker_v_rms(recording, channel) for recording in (look, quiet.recording)]
    early = _ratio_db(*markers_v_rms), _marker_noise_db(quiet, channel, min(markers_v_rms))
    return [*found, early, late, (early[0] + late[0], early[1] + late[1])]


def _span_s(loud: Heard, quiet: Heard, look: Recording | None) -> float:
    """Return the time from the first marker's beginning to the last tone's end, without the pauses between captures."""
    first = quiet.recording if look is None else look
    begins = stimulus_slice(first, *marker_before(loud.rate_hz)).start
    ends = stimulus_slice(loud.recording, *loud.sequence.span(LOUD_QUIET)).stop
    before = -begins if look is None else look.frames - begins
    return float((before + quiet.recording.frames + ends) / loud.rate_hz)


def _marker_noise_db(quiet: Heard, channel: int, level_v_rms: float) -> float:
    """Return how far noise may move the difference of two markers: four standard deviations.

    The level of a Hann-windowed span of T seconds and B hertz rests on 2·B·T/1.5 values (the window's noise bandwidth
    is 1.5 bins), and noise n beside a signal s moves each level by n/s/√(2·B·T/1.5).
    """
    silence = quiet.part(QUIET_SILENCE, channel)
    noise_v_rms = band_rms(silence - np.mean(silence), quiet.rate_hz, low_hz=MARKER_FROM_HZ, high_hz=MARKER_TO_HZ)
    values = 2.0 * (MARKER_TO_HZ - MARKER_FROM_HZ) * MARKER_S / 1.5
    relative = noise_v_rms / max(level_v_rms, 1e-30) / math.sqrt(values)
    return min(20.0, DB_PER_NEPER * 4.0 * SQRT2 * relative)


def _halves_db(heard: Heard, part: int, channel: int) -> float:
    """Return by how much the reference's level moves from the first to the second half of a part."""
    signal = heard.part(part, channel)
    half = len(signal) // 2
    first, second = (
        abs(fit_known_tones(piece, heard.rate_hz, (REFERENCE_HZ,)).amplitudes[0])
        for piece in (signal[:half], signal[half:])
    )
    return _ratio_db(float(first), float(second))


def _ratio_db(first: float, second: float) -> float:
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
    text = f"{tone_hz:.0f} Hz, which {lower_hz:g} Hz could not carry, comes back at {gain_db:+z.1f} dB"
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
