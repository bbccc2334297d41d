"""Pink noise that repeats without a seam, with a stated crest factor: what is played for hours in place of music.

The same power in each octave of the band (IEC 60268-1:1985, clause on noise signals, names such noise and limits its
crest factor). Random phases of seeded lines; peaks are cut and the lines' sizes restored in turn, until the crest
factor is met (after M. R. Schroeder's iterative phase choice, IEEE Trans. IT-16, 1970, and common practice).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from audiomeas.stimulus.base import FloatArray

#: 1/8 of a rated power leaves 9 dB, and a sine's own crest 3 dB: noise of this crest factor just fits below its top.
USUAL_CREST_DB = 12.0
#: Less is hardly noise any more, and more is never reached by chance in a period.
CREST_DB_LIMITS = (6.0, 13.0)
#: The period is the power of two of frames that lasts at least so long.
_LEAST_PERIOD_S = 10.0
_ROUNDS = 12


@dataclass(frozen=True, kw_only=True)
class PinkNoise:
    """One period of noise. crest_db : of peak over r.m.s.  Raises ValueError for a crest factor it can't have."""

    sample_rate_hz: float
    seed: int
    crest_db: float = USUAL_CREST_DB
    band_hz: tuple[float, float] = (20.0, 20_000.0)

    def __post_init__(self) -> None:
        least_db, most_db = CREST_DB_LIMITS
        if not least_db <= self.crest_db <= most_db:
            raise ValueError(f"pink noise has a crest factor of {least_db:g} to {most_db:g} dB, not {self.crest_db:g}")

    @cached_property
    def period(self) -> FloatArray:
        """Samples of one period, (frames,): r.m.s. 1, peak as the crest factor says."""
        frames = 1 << math.ceil(math.log2(_LEAST_PERIOD_S * self.sample_rate_hz))
        frequency_hz = np.fft.rfftfreq(frames, 1.0 / self.sample_rate_hz)
        low_hz, high_hz = self.band_hz
        inside = (frequency_hz >= low_hz) & (frequency_hz <= min(high_hz, 0.45 * self.sample_rate_hz))
        size = np.zeros(len(frequency_hz))
        size[inside] = 1.0 / np.sqrt(frequency_hz[inside])
        turns = np.random.default_rng(self.seed).random(len(size))
        spectrum = size * np.exp(2j * np.pi * turns)
        crest = 10.0 ** (self.crest_db / 20.0)
        wave = _of_rms_1(np.fft.irfft(spectrum, frames))
        for _ in range(_ROUNDS):
            cut = np.clip(wave, -crest, crest)
            if np.array_equal(cut, wave):
                break
            lines = np.fft.rfft(cut)
            wave = _of_rms_1(np.fft.irfft(size * np.exp(1j * np.angle(lines)), frames))
        # What is still higher is cut: the peak is promised, and the little that this adds lies far below the noise. Cut
        # noise has less power, so a last factor may only lower it.
        wave = _of_rms_1(np.clip(wave, -crest, crest))
        return np.asarray(wave * min(1.0, crest / float(np.max(np.abs(wave)))))


def _of_rms_1(wave: FloatArray) -> FloatArray:
    return np.asarray(wave / math.sqrt(float(np.mean(np.square(wave)))))
