"""What a few tenths of a second of a steady tone tell at once: for figures that follow a hand.

Made of `analyze_tone`, with few harmonics, so that it is quick at low frequencies too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.harmonics import Harmonics
from audiomeas.analysis.tone import LEAST_PERIODS, analyze_tone

FloatArray = NDArray[np.float64]

#: Harmonics that are looked at, at most: what lies above counts in THD+N all the same.
HIGHEST_ORDER = 20
#: Shortest window, and what it holds at least at low frequencies: two periods more than the fit needs.
LEAST_WINDOW_S = 0.2
WINDOW_PERIODS = LEAST_PERIODS + 2
#: A list of harmonics names one that is only noise with this chance.
_CHANCE = 0.05


@dataclass(frozen=True, kw_only=True)
class ToneReading:
    """One tone, now, in the unit of the signal.

    phase_deg : of its sine at the first frame.  thd_ratio : relative to the fundamental, harmonics up to the 20th.
    thd_n_ratio : relative to the total, in band.  …_at_most : a bound, noise is the limit.
    largest : the harmonics that stand out most, as (order, dB relative to the fundamental), largest first.
    upper_flat_db, lower_flat_db : by how much the crest of the upper (lower) half-wave is lower than the fundamental's
    own; a crest that stands higher is negative, and so is none's flatness: a sine has 0 and 0.
    """

    frequency_hz: float
    level_rms: float
    phase_deg: float
    thd_ratio: float | None
    thd_at_most: bool
    thd_n_ratio: float | None
    thd_n_at_most: bool
    largest: tuple[tuple[int, float], ...]
    upper_flat_db: float
    lower_flat_db: float


def reading_frames(frequency_hz: float, sample_rate_hz: float) -> int:
    """Return how many frames a reading of a tone needs."""
    return math.ceil(max(LEAST_WINDOW_S, WINDOW_PERIODS / frequency_hz) * sample_rate_hz)


def read_tone(
    signal: FloatArray,
    sample_rate_hz: float,
    *,
    near_hz: float,
    band_hz: tuple[float, float] = (20.0, 20_000.0),
    resolution: float | None = None,
    largest: int = 2,
) -> ToneReading:
    """Read a steady tone.

    signal : (frames,), one channel, see `reading_frames`.  near_hz, band_hz, resolution : as for `analyze_tone`.
    largest : how many harmonics are listed.  Raises SignalError as `analyze_tone`.
    """
    tone = analyze_tone(
        signal,
        sample_rate_hz,
        near_hz=near_hz,
        band_hz=band_hz,
        harmonic_limit_hz=(HIGHEST_ORDER + 0.5) * near_hz,
        resolution=resolution,
    )
    upper_db, lower_db = _flatness_db(tone.harmonics)
    return ToneReading(
        frequency_hz=tone.frequency_hz,
        level_rms=tone.level_rms,
        phase_deg=tone.phase_deg,
        thd_ratio=tone.thd_ratio,
        thd_at_most=tone.thd is not None and tone.thd.at_most,
        thd_n_ratio=tone.thd_n_ratio,
        thd_n_at_most=tone.residual is not None and tone.residual.at_most,
        largest=_largest(tone.harmonics, largest),
        upper_flat_db=upper_db,
        lower_flat_db=lower_db,
    )


def _largest(harmonics: Harmonics, count: int) -> tuple[tuple[int, float], ...]:
    # Each line alone passes for a harmonic by chance one time in twenty; here the whole list may.
    seldom = -math.log(_CHANCE / max(len(harmonics.order), 1)) - 1.0
    seen = np.flatnonzero(harmonics.power > seldom * harmonics.noise)
    chosen = seen[np.argsort(-harmonics.level_db[seen], kind="stable")][:count]
    return tuple((int(harmonics.order[i]), float(harmonics.level_db[i])) for i in chosen)


def _flatness_db(harmonics: Harmonics) -> tuple[float, float]:
    """Return by how much the upper and the lower crest are lower than the fundamental's own, in dB.

    A sine has 0 dB; an ideal square wave 20·lg(4/π) = 2.1 dB, less what its harmonics beyond the last one would take.
    """
    upper, lower = harmonics.crests()
    return _below_one_db(upper), _below_one_db(lower)


def _below_one_db(crest: float) -> float:
    # Whatever the harmonics, a wave without DC has crests on both sides; the floor only keeps the logarithm defined.
    return -20.0 * math.log10(max(crest, 1e-6))


def tone_amplitude(signal: FloatArray, sample_rate_hz: float, frequency_hz: float) -> complex:
    """Return a known tone's complex amplitude, r.m.s., phase as of a cosine at the first frame; noise and all.

    For a tone too weak to be found by itself (leakage). A Hann window keeps hum and other tones out.
    """
    window = np.hanning(len(signal) + 2)[1:-1]
    turning = np.exp(-2j * np.pi * np.remainder(np.arange(len(signal)) * (frequency_hz / sample_rate_hz), 1.0))
    return complex(math.sqrt(2.0) * np.sum(window * signal * turning) / np.sum(window))
