"""What a tone in one channel leaves in the other: level and coupling, narrow around the tone, with their noise.

The tone as the louder channel holds it, wow and all, is the reference that the other one is held against (least
squares over the lines near the tone): h = Σ Y·X̄ / Σ|X|². Noise, hum and rumble of the other channel then count only
as far as chance lets them look like the tone, and how far that is, the power that h leaves in Y tells.
Source: J. Bendat and A. Piersol, Random Data (1986), 6.1 and 9.3 (single input, noise at the output).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Lines within this of the tone, relative, in Hz, or in bins of the spectrum (whichever is widest) belong to it: wow
#: of a bad machine, its flutter, and the lobe of the window.
_NEAR, _NEAR_HZ, _NEAR_BINS = 0.02, 3.0, 4
#: The Hann window correlates neighbouring lines: a mean over n frames is as uncertain as one over n/1.944 without it
#: (N·Σw⁴/(Σw²)² of Hann: 35/128 over (3/8)²).
_HANN_LOSS = (35.0 / 128.0) / (3.0 / 8.0) ** 2

#: In half-widths. Noise alone has a size of Rayleigh's law: it exceeds 2·1.96 standard deviations of one component with
#: a chance of exp(−3.92²/2).
_HEARD = 2.0


@dataclass(frozen=True, kw_only=True)
class Coupling:
    """A tone in two channels.

    frequency_hz : mean, by power.  louder : column with more of the tone.
    level_rms : of the tone in the louder channel, noise taken off.   level_uncertainty : its 95 % half-width.
    transfer : of the other channel over the louder one, complex.   transfer_uncertainty : 95 % half-width of its size.
    """

    frequency_hz: float
    louder: int
    level_rms: float
    level_uncertainty: float
    transfer: complex
    transfer_uncertainty: float

    @property
    def heard(self) -> bool:
        """Whether the other channel's tone stands out of its noise: that alone looks so once in 2,000 bands."""
        return abs(self.transfer) > _HEARD * self.transfer_uncertainty

    @property
    def most(self) -> float:
        """The largest part that the other channel may hold, |transfer| and its half-width."""
        return abs(self.transfer) + self.transfer_uncertainty


def coupled(
    samples: FloatArray, sample_rate_hz: float, near_hz: float, *, step: tuple[float, float] = (0.0, 0.0)
) -> Coupling:
    """Return a tone's level and coupling. samples : (frames, 2).   near_hz : the tone's frequency, about.

    step : between neighbouring values, per column; the other channel's noise counts as that of its rounding at least
    (q²/12, spread evenly), also where digital silence or a tone in step with the clock has none there.

    Raises SignalError: no such tone, or too short a piece for it.
    """
    frames = len(samples)
    bin_hz = sample_rate_hz / max(frames, 1)
    width_hz = max(_NEAR * near_hz, _NEAR_HZ, _NEAR_BINS * bin_hz)
    if near_hz - 2.0 * width_hz <= bin_hz or near_hz + 2.0 * width_hz >= 0.5 * sample_rate_hz:
        raise SignalError(f"{frames / sample_rate_hz:.2f} s of a tone of {near_hz:.4g} Hz are too short, or too high")
    window = np.hanning(frames + 1)[:-1]
    spectra = np.fft.rfft((samples - np.mean(samples, axis=0)) * window[:, None], axis=0)
    hz = np.arange(len(spectra)) * bin_hz
    away = np.abs(hz - near_hz)
    near, flank = spectra[away <= width_hz], spectra[(away > width_hz) & (away <= 2.0 * width_hz)]
    power = np.sum(np.square(np.abs(near)), axis=0)
    louder = int(power[1] > power[0])
    x, y = near[:, louder], near[:, 1 - louder]
    noise = float(np.median(np.square(np.abs(flank[:, louder])))) / math.log(2.0)  # median of an exponential law
    own = float(power[louder]) - noise * len(near)
    if not own > 0.0:
        raise SignalError(f"no tone near {near_hz:.4g} Hz stands out of the noise")
    transfer = complex(np.vdot(x, y)) / float(power[louder])
    least = step[1 - louder] ** 2 / 12.0 * float(np.sum(window**2))
    left = max(float(np.sum(np.square(np.abs(y - transfer * x)))) / max(len(near) - 1, 1), least)
    # Sum over lines of a windowed sine of r.m.s. V: V²·N·Σw²/2, one-sided.
    level = math.sqrt(2.0 * own / (frames * float(np.sum(window**2))))
    half = TWO_SIDED_95 * math.sqrt(0.5 * _HANN_LOSS)
    return Coupling(
        frequency_hz=float(np.dot(hz[away <= width_hz], np.square(np.abs(x)))) / float(power[louder]),
        louder=louder,
        level_rms=level,
        level_uncertainty=level * half * math.sqrt(noise / own),
        transfer=transfer,
        transfer_uncertainty=half * math.sqrt(left / float(power[louder])),
    )
