"""Jitter of a converter's clock: lines in the phase of a steady tone.

A clock that is early and late by J·sin(2πrt) turns a tone of frequency f by β = 2πfJ radians; its sidebands stand r
beside the tone, each J₁(β)/J₀(β) of it (Bessel; AES-12id-2006, from memory, has the same for small β: J_pp·ω/4). The
tone is turned down to DC, and the angle of what is left is that phase, however large: what changes the level alone
(hum on a supply) is not in it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import fft, ifft
from scipy.special import j0, j1

from audiomeas.analysis.density import noise_density
from audiomeas.analysis.noise_lines import noise_lines
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Phase is kept up to this part of the way to DC or half the rate, and lines are told up to that: at the end of what is
#: kept the noise falls, and its floor is not known.
_REACH, _TOLD = 0.95, 0.85
#: Left out at either end, where a filter that knows no more rings (of the capture).
_END_PART = 0.02
_LEAST_S = 0.5
#: Rates below this are the wander of a clock, and the window's own skirts.
LOWEST_RATE_HZ = 5.0
SQRT2 = math.sqrt(2.0)


@dataclass(frozen=True, kw_only=True)
class JitterLine:
    """One line. rate_hz : of the jitter.   peak_s : of the clock's error.   sideband_db : of each one, re the tone.

    *_uncertainty_* : 95 % half-widths, of noise.
    """

    rate_hz: float
    peak_s: float
    peak_uncertainty_s: float
    sideband_db: float
    sideband_uncertainty_db: float


@dataclass(frozen=True, kw_only=True)
class Jitter:
    """Jitter of a tone. lines : rising in rate.   all_s_rms : of the whole phase in the band, noise of the chain too:
    what a clock has is at most this.   band_hz : rates that were looked at.
    """

    lines: tuple[JitterLine, ...]
    all_s_rms: float
    band_hz: tuple[float, float]


def sideband_db(beta_rad: float) -> float:
    """Return the level of one first sideband re the tone, of phase modulation by beta_rad (peak): 20·lg(J₁/J₀)."""
    return 20.0 * math.log10(float(j1(beta_rad) / j0(beta_rad)))


def jitter(signal: FloatArray, sample_rate_hz: float, frequency_hz: float) -> Jitter:
    """Return the jitter that a tone shows.

    signal : (frames,), one channel, any unit.   frequency_hz : of the tone, to a hundredth of 1/duration or so.
    Raises SignalError: too short, silent, no numbers, a tone too near to DC or half the rate.
    """
    frames = len(signal)
    way_hz = min(frequency_hz, sample_rate_hz / 2.0 - frequency_hz)
    if frames < _LEAST_S * sample_rate_hz:
        raise SignalError(f"{frames / sample_rate_hz:.2g} s are too short for jitter: capture {_LEAST_S:g} s at least")
    if way_hz < 4.0 * LOWEST_RATE_HZ:
        raise SignalError(f"jitter of {frequency_hz:g} Hz can't be read at {sample_rate_hz:g} Hz: use another rate")
    if not np.all(np.isfinite(signal)):
        raise SignalError("the capture holds values that are no numbers (NaN or infinite): capture it again")
    phase, rate_hz = _phase(signal, sample_rate_hz, frequency_hz, _REACH * way_hz)
    (density,) = noise_density(phase[:, np.newaxis], rate_hz, frames=_segment(len(phase)))
    band_hz = (LOWEST_RATE_HZ, _TOLD * way_hz)
    found = [line for line in noise_lines(density) if band_hz[0] <= line.frequency_hz <= band_hz[1]]
    per_rad = 1.0 / (2.0 * math.pi * frequency_hz)
    return Jitter(
        lines=tuple(
            _line(line.frequency_hz, SQRT2 * line.level_v_rms, SQRT2 * line.uncertainty_v_rms, per_rad)
            for line in found
        ),
        all_s_rms=density.level(band_hz).v_rms * per_rad,
        band_hz=band_hz,
    )


def _line(rate_hz: float, beta_rad: float, half_width_rad: float, per_rad: float) -> JitterLine:
    level_db = sideband_db(beta_rad)
    return JitterLine(
        rate_hz=rate_hz,
        peak_s=beta_rad * per_rad,
        peak_uncertainty_s=half_width_rad * per_rad,
        sideband_db=level_db,
        sideband_uncertainty_db=sideband_db(beta_rad + half_width_rad) - level_db,
    )


def _segment(frames: int) -> int:
    """Return the length of segments: a power of two, the longest of which three that overlap by half fit in."""
    return int(2 ** math.floor(math.log2(frames / 2.0)))


def _phase(signal: FloatArray, sample_rate_hz: float, frequency_hz: float, width_hz: float) -> tuple[FloatArray, float]:
    """Return the phase of a tone in rad, its mean and its steady turning taken off, and the rate it is sampled at."""
    frames = len(signal)
    turned = signal * np.exp(-2j * np.pi * np.remainder(np.arange(frames) * (frequency_hz / sample_rate_hz), 1.0))
    spectrum = fft(turned)
    bins = int(width_hz / sample_rate_hz * frames)
    # Kept: from −width to +width, thinned out to a little more than twice that.
    size = 2 * (bins + bins // 16 + 1)
    kept = np.zeros(size, dtype=np.complex128)
    kept[: bins + 1], kept[-bins:] = spectrum[: bins + 1], spectrum[-bins:]
    base = ifft(kept) * (size / frames)
    edge = round(_END_PART * size)
    base = base[edge : size - edge]
    if not np.any(np.abs(base) > 0.0):
        raise SignalError("silence: nothing of the tone is there")
    phase = np.unwrap(np.angle(base))
    place = np.linspace(-1.0, 1.0, len(phase))
    phase -= np.polynomial.polynomial.polyval(place, np.polynomial.polynomial.polyfit(place, phase, 1))
    return np.asarray(phase), sample_rate_hz * size / frames


def strongest(found: Sequence[JitterLine]) -> JitterLine | None:
    """Return the line with the largest jitter; None without any."""
    return max(found, key=lambda line: line.peak_s, default=None)
