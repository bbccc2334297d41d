"""Searches for levels on amplifiers made of arrays: no bench, no card, every truth exact."""

from __future__ import annotations

import math

import numpy as np

from audiomeas.measurement.base import SearchContext
from audiomeas.recording import Recording
from audiomeas.stimulus import played_samples_v

RATE_HZ = 48_000.0
#: Gain of the amplifiers, their rails and their loads.
GAIN_DB, RAIL_V, LOAD_OHM = 20.0, 12.0, 8.0
FULL_SCALE_V_RMS = 50.0
#: As a half-width of the volts: 0.4 % of power.
SCALE = 0.002
#: In 24 kHz.
NOISE_V_RMS = 2e-5


def context(load_ohm=LOAD_OHM, highest_v_rms=2.0, **changes):
    facts = {
        "sample_rate_hz": RATE_HZ,
        "channels": (1, 2),
        "first_level_v_rms": 0.01,
        "highest_of": lambda stimulus: (highest_v_rms, "the ceiling of the load"),
        # The first look is 0.2 dB off: what comes back corrects it.
        "gain_at_db": lambda channel, hz: GAIN_DB + 0.2,
        "silent": (),
        "load_ohm": lambda channel, hz: load_ohm,
        "refuse_held": lambda tone, duration_s: None,
    }
    return SearchContext(**{**facts, **changes})


def hard(volts):
    """An output that is limited to its rails."""
    return np.clip(volts, -RAIL_V, RAIL_V)


def captures_of(search, unit=hard, *, balance=1.0, load_ohm=LOAD_OHM):
    """Let a search find its levels; return its captures.

    unit : open output → output.   balance : gain of channel 2 over that of channel 1.
    """
    captured = []
    chance = np.random.default_rng(5)
    while (stimulus := search.next()) is not None:
        played = played_samples_v(stimulus)
        both = np.stack([played, played], axis=1) if played.ndim == 1 else played
        asked = 10.0 ** (GAIN_DB / 20.0) * both * [1.0, balance]
        output = np.stack([unit(asked[:, 0]), unit(asked[:, 1])], axis=1)
        output += NOISE_V_RMS * chance.standard_normal(output.shape)
        captured.append(
            Recording(
                counts_fs=output / (FULL_SCALE_V_RMS * math.sqrt(2.0)),
                sample_rate_hz=RATE_HZ,
                channels=(1, 2),
                v_rms_at_full_scale=(FULL_SCALE_V_RMS,) * 2,
                scale_uncertainty=(SCALE,) * 2,
                conditions={
                    "load_ohm": {"1": load_ohm, "2": load_ohm},
                    "load_uncertainty": {"1": 0.0, "2": 0.0},
                    "input_level_uncertainty": 0.0,
                    **search.conditions,
                },
                stimulus=stimulus,
                stimulus_start=0,
                stimulus_in_volts=True,
                shared_clock=True,
                over_range=(0, 0),
            )
        )
        search.take(captured[-1])
    return captured


def clipped(overdrive):
    """Peak amplitudes of the harmonics, from the fundamental on, of a sine of peak `overdrive` limited to ±1.

    Of 48 samples, as at 1 kHz and 48 kHz: the sampled wave is exact, and what folds back falls on the same lines.
    """
    wave = np.clip(overdrive * np.sin(2.0 * np.pi * np.arange(48) / 48), -1.0, 1.0)
    return (np.abs(np.fft.rfft(wave)) / 24)[1:24]


def thd(lines):
    """THD of such amplitudes, of the fundamental."""
    return math.sqrt(float(np.sum(lines[1:] ** 2))) / float(lines[0])
