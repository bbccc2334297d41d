"""Tones with known modulation, in closed form; nothing here is taken from the project.

A tone whose frequency is f₀·(1 + e)·(1 + d·t + Σ p·sin(2πrt + a)) has the phase that is its integral:
2πf₀(1 + e)·(t + d·t²/2 + Σ p·(cos a − cos(2πrt + a))/(2πr)). Its peak deviation is p, relative (index β = p·f₀/r).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Modulation = tuple[float, float, float]


def modulated(
    rate_hz: float,
    seconds: float,
    modulation: Sequence[Modulation] = (),
    *,
    tone_hz: float = 3150.0,
    speed: float = 0.0,
    drift_per_s: float = 0.0,
    noise_below_db: float | None = None,
    seed: int = 0,
    bits: int = 24,
) -> NDArray[np.float64]:
    """Return (frames,) at half of full scale, rounded to so many bits.

    modulation : (rate in Hz, relative peak, angle at the beginning in radians) of each part.
    noise_below_db : white noise in 20 kHz, so much below the tone.
    """
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    moved_s = time_s + 0.5 * drift_per_s * time_s**2
    for hz, peak, angle in modulation:
        moved_s += peak * (np.cos(angle) - np.cos(2.0 * np.pi * hz * time_s + angle)) / (2.0 * np.pi * hz)
    tone = 0.5 * np.sin(2.0 * np.pi * np.remainder(tone_hz * (1.0 + speed) * moved_s, 1.0))
    if noise_below_db is not None:
        rms = 0.5 / np.sqrt(2.0) * 10.0 ** (-noise_below_db / 20.0) * np.sqrt(0.5 * rate_hz / 20_000.0)
        tone += rms * np.random.default_rng(seed).standard_normal(len(tone))
    steps = 2.0 ** (bits - 1)
    return np.asarray(np.round(tone * steps) / steps)
