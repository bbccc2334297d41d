"""What one second of a tone of whole hertz tells, quickly: level, hum, noise, distortion, and its weakest moment.

For a tone that is watched for hours: player and card run on one clock, so that a second holds whole periods and each
line stands on a bin of its own. A Hann window keeps what stands between bins (hum of a mains that wanders) where it is.
Source of the window: F. Harris, Proc. IEEE 66 (1978), 51-83; THD+N re the total, in a stated band: IEC 60268-3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Harmonics of the tone that are looked at, and those of the mains.
HIGHEST_ORDER, MAINS_ORDERS = 20, 10
#: A line takes so many bins to each side: those of the Hann window; those of a mains that wanders by half a hertz.
_LINE_BINS, _MAINS_BINS = 1, 2
#: The band ends below half the sample rate.
_UP_TO = 0.4999
#: A harmonic counts in the shape of the wave when its power is so many times the noise of its bins: by chance one of
#: `HIGHEST_ORDER` passes once in 1,000 seconds (exponential law, −ln(1e-3 / 20)).
_STANDS_OUT = 10.0
#: Parts by which the weakest moment is found are whole periods, at least this long.
PART_S = 0.02
#: Points of the one period in which crests are looked for: they are met within 0.05 % at the 20th harmonic's own.
_CREST_POINTS = 2048
#: Only keeps logarithms defined, far below any converter.
_LEAST = 1e-30


@dataclass(frozen=True, kw_only=True)
class ToneSecond:
    """One second, in the unit of the signal; of silence `level_rms` is zero and what is relative to it is None.

    level_rms : of the tone.  phase_deg : of its sine at the first frame.  hum_rms, noise_rms : in band, noise without
    hum and harmonics.  thd_n_ratio : relative to the total, in band.
    lowest_db, highest_db : of the weakest and strongest part of some 20 ms, over the mean of the second.
    flat_db : by how much the lower of both crests is lower than the fundamental's own; negative: higher.
    """

    level_rms: float
    phase_deg: float | None
    hum_rms: float
    noise_rms: float
    thd_n_ratio: float | None
    lowest_db: float | None
    highest_db: float | None
    flat_db: float | None


@lru_cache(maxsize=4)
def _hann(frames: int) -> FloatArray:
    return np.asarray(np.hanning(frames + 1)[:-1])  # periodic: whole periods fall on one bin and its neighbours


def read_tone_second(
    signal: FloatArray,
    sample_rate_hz: float,
    *,
    frequency_hz: float | None,
    mains_hz: float,
    band_hz: tuple[float, float] = (20.0, 20_000.0),
) -> ToneSecond:
    """Read one second of a steady tone.

    signal : (frames,), exactly one second, finite.  frequency_hz : whole, below half the rate; None: silence.
    mains_hz : 50 or 60.  Raises ValueError for another length, or a frequency that is not whole.
    """
    frames = len(signal)
    if frames != round(sample_rate_hz) or (frequency_hz is not None and frequency_hz != round(frequency_hz)):
        raise ValueError(f"a second of a tone of whole hertz is wanted, not {frames} frames at {frequency_hz} Hz")
    window = _hann(frames)
    spectrum = np.asarray(np.fft.rfft(signal * window))
    power = 2.0 * np.abs(spectrum) ** 2 / (frames * float(np.sum(window**2)))
    tone_bin = None if frequency_hz is None else round(frequency_hz)
    bins = _bins_of(len(power), tone_bin, mains_hz, (band_hz[0], min(band_hz[1], _UP_TO * sample_rate_hz)))
    # Bins that lines hide held as much noise as the others.
    share = float(np.mean(bins.in_band)) / max(float(np.mean(bins.noise)), 1.0 / len(power))
    noise_power = float(np.sum(power[bins.noise])) * share
    hum_power = float(np.sum(power[bins.hum]))
    if tone_bin is None:
        return ToneSecond(
            level_rms=0.0,
            phase_deg=None,
            hum_rms=math.sqrt(hum_power),
            noise_rms=math.sqrt(noise_power),
            thd_n_ratio=None,
            lowest_db=None,
            highest_db=None,
            flat_db=None,
        )
    amplitudes = 2.0 * spectrum / float(np.sum(window))
    level_rms = float(abs(amplitudes[tone_bin])) / math.sqrt(2.0)
    rest = float(np.sum(power[bins.in_band & ~bins.tone]))
    lowest_db, highest_db = _parts_db(signal, sample_rate_hz, tone_bin)
    return ToneSecond(
        level_rms=level_rms,
        phase_deg=math.degrees(math.remainder(float(np.angle(amplitudes[tone_bin])) + math.pi / 2.0, 2.0 * math.pi)),
        hum_rms=math.sqrt(hum_power),
        noise_rms=math.sqrt(noise_power),
        thd_n_ratio=math.sqrt(rest / max(rest + level_rms**2, _LEAST)),
        lowest_db=lowest_db,
        highest_db=highest_db,
        flat_db=_flat_db(amplitudes, power, tone_bin, bins.noise),
    )


@dataclass(frozen=True, kw_only=True)
class _Bins:
    """What each bin of a spectrum counts for, (bins,)."""

    in_band: NDArray[np.bool_]
    tone: NDArray[np.bool_]
    hum: NDArray[np.bool_]
    noise: NDArray[np.bool_]


def _bins_of(count: int, tone_bin: int | None, mains_hz: float, band_hz: tuple[float, float]) -> _Bins:
    """Return what bins a hertz apart count for; harmonics hide the hum beneath them."""
    in_band, tone, lines, hum = (np.zeros(count, dtype=bool) for _ in range(4))
    in_band[math.ceil(band_hz[0]) : math.floor(band_hz[1]) + 1] = True
    if tone_bin is not None:
        _mark(tone, tone_bin, _LINE_BINS)
        for order in range(2, HIGHEST_ORDER + 1):
            _mark(lines, order * tone_bin, _LINE_BINS)
    for order in range(1, MAINS_ORDERS + 1):
        _mark(hum, round(order * mains_hz), _MAINS_BINS)
    hum &= in_band & ~lines & ~tone
    return _Bins(in_band=in_band, tone=tone, hum=hum, noise=in_band & ~lines & ~tone & ~hum)


def _mark(where: NDArray[np.bool_], middle: int, bins: int) -> None:
    if middle - bins < len(where):
        where[max(middle - bins, 0) : middle + bins + 1] = True


def _parts_db(signal: FloatArray, sample_rate_hz: float, tone_bin: int) -> tuple[float, float]:
    """Return the weakest and the strongest part of the second, over its mean, in dB."""
    periods = max(1, math.ceil(PART_S * tone_bin))
    parts = max(1, tone_bin // periods)
    edges = np.round(np.arange(parts + 1) * periods * sample_rate_hz / tone_bin).astype(np.int64)
    squares = np.add.reduceat(np.square(signal[: edges[-1]]), edges[:-1]) / np.diff(edges)
    relative = 10.0 * np.log10(np.maximum(squares, _LEAST) / max(float(np.mean(squares)), _LEAST))
    return float(np.min(relative)), float(np.max(relative))


def _flat_db(amplitudes: ComplexArray, power: FloatArray, tone_bin: int, noise: NDArray[np.bool_]) -> float | None:
    """Return by how much the lower of both crests of the wave lies below the fundamental's own, in dB."""
    fundamental = amplitudes[tone_bin]
    if abs(fundamental) < _LEAST:
        return None
    around = float(np.mean(power[noise])) if np.any(noise) else 0.0
    angle = 2.0 * np.pi * np.arange(_CREST_POINTS) / _CREST_POINTS
    wave = np.zeros(_CREST_POINTS)
    turn = np.angle(fundamental)
    for order in range(1, HIGHEST_ORDER + 1):
        at = order * tone_bin
        if at + _LINE_BINS >= len(amplitudes):
            break
        if order == 1 or power[at] > _STANDS_OUT * around:
            # Turned so that the fundamental is a cosine: harmonics turn with their order.
            line = amplitudes[at] / abs(fundamental) * np.exp(-1j * order * turn)
            wave += np.real(line * np.exp(1j * order * angle))
    lower = min(float(np.max(wave)), -float(np.min(wave)))
    return -20.0 * math.log10(max(lower, 1e-6))
