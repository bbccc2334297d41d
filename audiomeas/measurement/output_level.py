"""The level at a unit's output is set by measuring and correcting, from below."""

from __future__ import annotations

import numpy as np

from audiomeas.bench.interlock import AT_OUTPUT, BeyondCeiling
from audiomeas.bench.loudspeakers import refuse_output_level
from audiomeas.bench.opened import Bench
from audiomeas.errors import CaptureError
from audiomeas.measurement.gated import GatedBench
from audiomeas.measurement.session_calls import Keep
from audiomeas.stimulus import Sine
from audiomeas.units import SQRT2, Level, amplitude_ratio_to_db, db_to_amplitude_ratio, v_rms_to_w

#: The level at the unit's output is set to this, by measuring and correcting.
LEVEL_WITHIN_DB = 0.02
#: The first burst on the way to a level at the output is so far below it.
_FIRST_BURST_BELOW_DB = 10.0
#: A raise of the input by less than this is too small to tell by it that a unit gives no more.
LEAST_STEP_DB = 0.1


def set_output_level(
    gated: GatedBench, wanted: Level, channels: tuple[int, ...], frequency_hz: float, keep: Keep | None
) -> float:
    """Return the level at the unit's input, in V r.m.s., that gives what is asked for at its output.

    Set on the driven channel that is loudest (so none gets more), by a short tone 10 dB below, then at the level, until
    it is within 0.02 dB.
    Raises RequestError (watts without a load), InterlockRefusal, CaptureError (also when the unit gives no more before
    it reaches the level).
    """
    for channel in channels:
        wanted_v_rms = wanted.v_rms(load_ohm=power_ohm(gated.bench, channel, frequency_hz))
        refuse_output_level(gated.bench.file.loudspeakers, wanted_v_rms, channel)
    look = gated.first_look(keep=keep)
    answering = [channel for channel in channels if channel not in look.silent]
    if not answering:
        raise CaptureError(f"channel {channels[0]} did not answer at first look: no output level can be set")
    wanted_v = {channel: wanted.v_rms(load_ohm=power_ohm(gated.bench, channel, frequency_hz)) for channel in answering}
    input_v_rms = min(
        wanted_v[channel] / db_to_amplitude_ratio(look.gain_at_db(channel, frequency_hz)) for channel in answering
    )
    below_db = _FIRST_BURST_BELOW_DB
    input_v_rms *= db_to_amplitude_ratio(-below_db)
    before_v: dict[int, float] | None = None
    asked_db = 0.0
    for _ in range(4):
        try:
            reached_v = _output_of_burst(gated, input_v_rms, channels, frequency_hz, keep)
        except BeyondCeiling as refusal:
            raise refusal.with_highest(wanted, AT_OUTPUT, below_db=below_db) from None
        below_db = 0.0
        loudest = min(answering, key=lambda channel: wanted_v[channel] / reached_v[channel])
        if before_v is not None:
            rose_db = amplitude_ratio_to_db(reached_v[loudest] / before_v[loudest])
            _refuse_no_more(gated.bench, wanted, loudest, frequency_hz, reached_v[loudest], (asked_db, rose_db))
        ratio = wanted_v[loudest] / reached_v[loudest]
        before_v, asked_db = reached_v, amplitude_ratio_to_db(ratio)
        input_v_rms *= ratio
        if abs(asked_db) < LEVEL_WITHIN_DB:
            break
    return input_v_rms


def _refuse_no_more(
    bench: Bench, wanted: Level, channel: int, frequency_hz: float, reached_v: float, step_db: tuple[float, float]
) -> None:
    """Raise CaptureError when the level rose by less than half of what its input was raised by (asked, rose)."""
    asked_db, rose_db = step_db
    # Smaller steps may drown in noise, and the level is near enough to go on.
    if asked_db < LEAST_STEP_DB or rose_db >= 0.5 * asked_db:
        return
    load_ohm = power_ohm(bench, channel, frequency_hz) if wanted.unit == "W" else None
    most = f"{reached_v:.3g} V" if load_ohm is None else f"{v_rms_to_w(reached_v, load_ohm):.3g} W"
    raise CaptureError(
        f"channel {channel}: the unit gives no more than {most} at {frequency_hz:.4g} Hz ({wanted} asked for): its "
        f"input was raised by {asked_db:.2g} dB, its output rose by {rose_db:.2g} dB; ask for a lower level, or "
        "look whether it clips or protects itself"
    )


def power_ohm(bench: Bench, channel: int, frequency_hz: float) -> float | None:
    """Return what the power on a channel is reckoned with; None without a load."""
    load = bench.file.load(channel)
    return None if load is None else load.power_ohm(frequency_hz)


def _output_of_burst(
    gated: GatedBench, input_v_rms: float, channels: tuple[int, ...], frequency_hz: float, keep: Keep | None
) -> dict[int, float]:
    rate_hz = gated.form.sample_rate_hz
    sine = Sine.bin_centred(
        frequency_hz=frequency_hz,
        level_v_rms=input_v_rms,
        sample_rate_hz=rate_hz,
        window_s=max(0.1, round(4 * rate_hz / frequency_hz) / rate_hz),
        settle_s=0.1,
        driven_channels=channels,
    )
    recording, aligned = gated.through_gates(sine, keep, "setting the level")
    (window,) = sine.windows()
    start = aligned.stimulus_start
    found = {}
    for channel in channels:
        part = recording.signal(recording.column(channel))[start + window.start : start + window.stop]
        # Whole periods: projection on the tone is exact, and deaf to hum and noise.
        turning = np.exp(-2j * np.pi * sine.frequency_hz / rate_hz * np.arange(len(part)))
        # A unit that has gone silent (a protection relay) may leave exact zeros.
        found[channel] = max(float(np.abs(np.mean(part * turning))) * SQRT2, 1e-12)
    return found
