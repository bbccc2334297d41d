"""Azimuth of a tape head: the phase between two tracks against frequency, unwrapped from low to high, and its angle.

A head that stands askew by the angle α reads a track that lies s beside the first later by s·tan α/v, a delay; over the
width w of a track the signal is a mean, which takes sin(x)/x off with x = π·w·tan α/λ and λ = v/f.
Source: H. Bertram, Theory of Magnetic Recording (1994), ch. 5 (azimuth loss); the trade's figures: common practice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from audiomeas.analysis.demodulation import demodulated
from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Each phase is a mean over so long, at least so many periods; the course is kept every so often.
_BLOCK_S, _PERIODS, _COURSE_S = 0.008, 30, 0.05
#: Blocks that are quieter than this part of the usual one are drop-outs.
_DROPPED = 0.316
_LEAST_BLOCKS = 16
#: Means over half the time, at so many places, tell how far the mean may be off.
_HALVES = 5
#: A span of 95 % holds so many standard deviations; wander that is as slow as this is common.
_SPAN_OVER_SIGMA, _WANDERS_S = 2.0 * TWO_SIDED_95, 1.0
#: What filters and sampling leave of a phase.
_LEAST_DEG = 0.01
#: Wander: the span that holds 95 % of the time.
_WANDER = (2.5, 97.5)
#: At the lowest tone no head is so far askew: beyond a quarter turn one channel is upside down.
_QUARTER = 90.0
_ARCMIN = 60.0 * 180.0 / math.pi


@dataclass(frozen=True, kw_only=True)
class PhaseBetween:
    """Phase of the second channel against the first at one frequency, in degrees; negative: it comes later.

    half_width_deg : of the mean, 95 %, as the wander leaves it.   wander_deg : the span that holds 95 % of the time.
    course_s, course_deg : (moments,), from the first sample; near the mean, whatever whole turns that has.
    level_std_db : per channel, deviation of the level's course.
    """

    frequency_hz: float
    mean_deg: float
    half_width_deg: float
    wander_deg: float
    course_s: FloatArray
    course_deg: FloatArray
    level_std_db: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Delay:
    """What phases at several frequencies tell.

    later_s : how much the second channel comes later.   half_width_s : 95 %.   reversed : one channel is upside down.
    phases_deg : those given, with their whole turns.   straight_deg : by how much they stray from a delay, r.m.s.
    """

    later_s: float
    half_width_s: float
    reversed: bool
    phases_deg: tuple[float, ...]
    straight_deg: float


def phase_between(samples: FloatArray, sample_rate_hz: float, near_hz: float) -> PhaseBetween:
    """Return the phase between two tracks. samples : (frames, 2).   near_hz : of the tone, within 0.5 %.

    The mean fades at both ends, so that slow wander cancels in it. Raises SignalError: no tone in both channels.
    """
    blocks = demodulated(samples, sample_rate_hz, near_hz, periods=max(_PERIODS, round(_BLOCK_S * near_hz)))
    cross = blocks.tone[:, 1] * np.conj(blocks.tone[:, 0])
    usual = np.median(blocks.level_rms, axis=0) if len(cross) else np.zeros(2)
    if len(cross) < _LEAST_BLOCKS or not np.all(usual > 0.0):
        raise SignalError(f"no tone near {near_hz:.4g} Hz lasts long enough in both channels")
    heard = np.all(blocks.level_rms > _DROPPED * usual, axis=1)
    cross = np.where(heard, cross / np.maximum(np.abs(cross), 1e-300), 0.0)
    moments = max(1, round(_COURSE_S / blocks.hop_s))
    cross = uniform_filter1d(cross.real, moments) + 1j * uniform_filter1d(cross.imag, moments)
    centre = complex(np.sum(cross))
    off_deg = np.degrees(np.angle(cross * np.conj(centre)))
    own_deg = _faded_mean(off_deg, heard)
    low, high = np.percentile(off_deg[heard], _WANDER)
    mean_deg = float(np.degrees(np.angle(centre))) + own_deg
    level_db = 20.0 * np.log10(np.maximum(blocks.level_rms, 1e-300) / usual)
    kept = slice(moments // 2, None, moments)
    return PhaseBetween(
        frequency_hz=near_hz,
        mean_deg=mean_deg,
        half_width_deg=_half_width(off_deg, heard),
        wander_deg=float(high - low),
        course_s=blocks.centre_s[kept],
        course_deg=mean_deg + (off_deg - own_deg)[kept],
        level_std_db=(float(np.std(level_db[heard, 0])), float(np.std(level_db[heard, 1]))),
    )


def _faded_mean(values: FloatArray, heard: NDArray[np.bool_]) -> float:
    """Return a mean whose weights rise from nothing and fall to it (Hann), of what was heard."""
    weights = np.where(heard, 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(len(values)) + 0.5) / len(values)), 0.0)
    return float(np.dot(weights, values) / max(float(np.sum(weights)), 1e-300))


def _half_width(values: FloatArray, heard: NDArray[np.bool_]) -> float:
    """Return how far the faded mean may be off, 95 %: as means over half the time scatter, which is more."""
    half, step = len(values) // 2, len(values) // 2 // (_HALVES - 1)
    spans = [slice(n * step, n * step + half) for n in range(_HALVES)]
    means = [_faded_mean(values[span], heard[span]) for span in spans]
    return TWO_SIDED_95 * float(np.std(means, ddof=1))


def delay_of(phases: Sequence[PhaseBetween]) -> Delay:
    """Return the delay that phases at rising frequencies tell, each unwrapped by those below it.

    The lowest one is taken as less than a quarter turn; beyond that one channel is upside down. Raises ValueError: no
    phases.
    """
    if not phases:
        raise ValueError("a delay needs a phase")
    turned = abs(_wrapped(phases[0].mean_deg)) > _QUARTER
    hz = np.array([one.frequency_hz for one in phases])
    sigma = _sigmas_deg(phases, hz)
    own: list[float] = []
    for number, one in enumerate(phases):
        slope = 0.0 if not own else _slope(hz[:number], np.array(own), sigma[:number])
        expected = slope * one.frequency_hz
        own.append(expected + _wrapped(one.mean_deg - (180.0 if turned else 0.0) - expected))
    found = np.array(own)
    slope = _slope(hz, found, sigma)
    rest = found - slope * hz
    weight = 1.0 / sigma**2
    # Scatter beyond what the wander tells widens it: heads and amplifiers turn phase a little, too.
    excess = float(np.sum(weight * rest**2)) / max(1, len(hz) - 1)
    sigma_slope = math.sqrt(max(1.0, excess) / float(np.sum(weight * hz**2)))
    return Delay(
        later_s=-slope / 360.0,
        half_width_s=TWO_SIDED_95 * sigma_slope / 360.0,
        reversed=turned,
        phases_deg=tuple(float(value) for value in found),
        straight_deg=float(np.sqrt(np.mean(rest**2))),
    )


def _sigmas_deg(phases: Sequence[PhaseBetween], hz: FloatArray) -> FloatArray:
    """Return how far each phase may be off, (phases,), standard deviations.

    Wander is a delay, the same at all frequencies, and may be slower than a part is long: none is trusted further than
    the largest wander lets a mean over its length be.
    """
    own = np.array([one.half_width_deg for one in phases]) / TWO_SIDED_95
    spans_s = np.array([one.wander_deg for one in phases]) / hz  # in turns of 360 degrees, times seconds
    length_s = np.array([max(float(one.course_s[-1]), _COURSE_S) for one in phases])
    wander = float(np.median(spans_s)) * hz / _SPAN_OVER_SIGMA * np.sqrt(np.minimum(1.0, _WANDERS_S / length_s))
    return np.asarray(np.hypot(np.maximum(own, _LEAST_DEG), wander))


def _wrapped(degrees: float) -> float:
    return (degrees + 180.0) % 360.0 - 180.0


def _slope(hz: FloatArray, degrees: FloatArray, sigma: FloatArray) -> float:
    """Return the slope of a straight line through zero, by weighted least squares."""
    weight = 1.0 / sigma**2
    return float(np.sum(weight * hz * degrees) / np.sum(weight * hz**2))


def arcmin_of(later_s: float, *, spacing_m: float, speed_m_per_s: float) -> float:
    """Return the angle that a delay between two tracks tells, in minutes of arc. spacing_m : middle to middle."""
    return _ARCMIN * math.atan(later_s * speed_m_per_s / spacing_m)


def azimuth_loss_db(frequency_hz: FloatArray, arcmin: float, *, width_m: float, speed_m_per_s: float) -> FloatArray:
    """Return what a head askew takes off a track, in dB, negative, (points,)."""
    x = width_m * math.tan(arcmin / _ARCMIN) * np.asarray(frequency_hz, dtype=np.float64) / speed_m_per_s
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(np.sinc(x)), 1e-15)))
