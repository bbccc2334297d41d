"""Bands of tones as a machine of its own plays them, in closed form; nothing here is taken from the project.

Band n plays √2·V·sin(φ) in its own channel and its part h of it in the other one, with φ = 2πf·(t + p/(2πr)·(1 − cos
2πrt)): wow of peak p at the rate r, so that both channels wander alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

WOW = 0.002
WOW_HZ = 0.5556


@dataclass(frozen=True, kw_only=True)
class PlayedTone:
    """frequency_hz; v_rms and begin_s, length_s of it; gains : of the left and the right channel, signed."""

    frequency_hz: float
    begin_s: float
    length_s: float
    gains: tuple[float, float]
    v_rms: float = 0.1


def played(
    tones: Sequence[PlayedTone], rate_hz: float, seconds: float, *, noise_v_rms: float = 0.0, wow: float = WOW
) -> NDArray[np.float64]:
    """Return (frames, 2) in V, with white noise of its own in each channel over the whole band. Seeded."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    moved_s = time_s + wow / (2.0 * np.pi * WOW_HZ) * (1.0 - np.cos(2.0 * np.pi * WOW_HZ * time_s))
    volts = noise_v_rms * np.random.default_rng(1).standard_normal((len(time_s), 2))
    for tone in tones:
        inside = (time_s >= tone.begin_s) & (time_s < tone.begin_s + tone.length_s)
        wave = np.sqrt(2.0) * tone.v_rms * np.sin(2.0 * np.pi * tone.frequency_hz * moved_s[inside])
        volts[inside] += wave[:, None] * np.array(tone.gains)
    return volts


def one_side_after_the_other(
    frequencies_hz: Sequence[float],
    leaks: tuple[float, float],
    *,
    length_s: float = 2.0,
    pause_s: float = 0.5,
    right_gain: float = 1.0,
) -> tuple[list[PlayedTone], float]:
    """Return the bands of each frequency, left alone and then right alone, and how long they take.

    leaks : of left into right, and of right into left, relative to the channel that plays.
    """
    tones, at_s = [], 1.0
    for hz in frequencies_hz:
        for gains in ((1.0, leaks[0]), (leaks[1] * right_gain, right_gain)):
            tones.append(PlayedTone(frequency_hz=hz, begin_s=at_s, length_s=length_s, gains=gains))
            at_s += length_s + pause_s
    return tones, at_s + 0.5
