"""What a check of the bench plays: a quiet sequence that any unit stands, and one at level for a loop cable alone."""

from __future__ import annotations

from audiomeas.stimulus.tone_sequence import ToneSequence
from audiomeas.units import db_to_amplitude_ratio

#: Reference tone: no harmonic of the mains, no divisor of a common rate.
REFERENCE_HZ = 997.0
#: A tone of its own on each channel (in turn): no multiple of one another, none near the mains.
CHANNEL_TONES_HZ = (823.0, 1237.0, 1811.0, 2389.0)
#: Rates that converters, drivers and sound servers use inside.
COMMON_RATES_HZ = (8_000.0, 16_000.0, 22_050.0, 32_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0)

#: Parts of the quiet sequence: reference, a tone per channel, silence, 20 dB lower, reference again.
QUIET_REFERENCE, QUIET_CHANNELS, QUIET_SILENCE, QUIET_LOWER, QUIET_AGAIN = range(5)
QUIET_STEP_DB = -20.0
#: Parts of the sequence at level: reference, steps down, the highest level, the tone above the lower rate, reference;
#: last the quiet sequence's own reference once more, seconds later.
LOUD_REFERENCE, LOUD_40, LOUD_60, LOUD_80, LOUD_TOP, LOUD_RATE, LOUD_AGAIN, LOUD_QUIET = range(8)
LOUD_LEVELS_DB = (-20.0, -40.0, -60.0, -80.0, 0.0, -20.0, -20.0)
_LOUD_S = (0.5, 0.4, 0.4, 0.6, 0.8, 0.4, 0.9, 0.4)


def lower_rate_hz(sample_rate_hz: float) -> float | None:
    """Return the next lower common rate; None when there is none."""
    return max((rate_hz for rate_hz in COMMON_RATES_HZ if rate_hz < 0.99 * sample_rate_hz), default=None)


def rate_tone_hz(sample_rate_hz: float) -> float:
    """Return a frequency between half the next lower common rate and half this one: only this rate can carry it."""
    lower_hz = lower_rate_hz(sample_rate_hz)
    return 0.4 * sample_rate_hz if lower_hz is None else 0.5 * (0.5 * lower_hz + 0.5 * sample_rate_hz)


def quiet_sequence(level_v_rms: float, sample_rate_hz: float, channels: tuple[int, ...]) -> ToneSequence:
    """Return the quiet sequence; its loudest parts have the level given (r.m.s., at the unit's input)."""
    same = (REFERENCE_HZ,) * len(channels)
    own = tuple(CHANNEL_TONES_HZ[number % len(CHANNEL_TONES_HZ)] for number in range(len(channels)))
    lower_v_rms = level_v_rms * db_to_amplitude_ratio(QUIET_STEP_DB)
    return ToneSequence(
        frequencies_hz=(same, own, same, same, same),
        levels_v_rms=(level_v_rms, level_v_rms, 0.0, lower_v_rms, level_v_rms),
        durations_s=(0.4, 0.4, 1.0, 0.5, 0.4),
        sample_rate_hz=sample_rate_hz,
        driven_channels=channels,
    )


def loud_sequence(
    level_v_rms: float, quiet_v_rms: float, sample_rate_hz: float, channels: tuple[int, ...]
) -> ToneSequence:
    """Return the sequence at level: its loudest part has one level, its last that of the quiet sequence (at output)."""
    levels_v_rms = [*(level_v_rms * db_to_amplitude_ratio(level_db) for level_db in LOUD_LEVELS_DB), quiet_v_rms]
    tones_hz = [REFERENCE_HZ] * len(levels_v_rms)
    tones_hz[LOUD_RATE] = rate_tone_hz(sample_rate_hz)
    return ToneSequence(
        frequencies_hz=tuple((frequency_hz,) * len(channels) for frequency_hz in tones_hz),
        levels_v_rms=tuple(levels_v_rms),
        durations_s=_LOUD_S,
        sample_rate_hz=sample_rate_hz,
        driven_channels=channels,
    )
