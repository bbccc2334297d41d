"""How true a level stays down to where a converter's steps are: a tone's level in a narrow band, less the noise there.

The tone is read by a weighted least-squares fit at its known frequency, beside DC and its harmonics (`lines`), so that
neither they nor hum reach it; the noise is read from the bins around it and taken off as power. So a tone far below
the noise of the whole band has a level, an uncertainty, or, where it can't be told from that noise, a bound.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft
from scipy.special import stdtrit

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.analysis.harmonics import line_noise, power_sum
from audiomeas.analysis.lines import ENBW, add_lines, fit_lines, lobes, windowed
from audiomeas.analysis.noisefloor import noise_floor
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Harmonics that stand beside the tone while it is fitted.
_HARMONICS = 20
#: Bins that the tone keeps from DC, and its harmonics from half the sample rate.
_GUARD_BINS = 8
#: Blocks in which the course of a tone's level is looked at.
_BLOCK_S = 0.1
#: Blocks belong to one step when their level stays this near to the one before (dB) …
_SAME_DB = 0.5
#: … or within this many standard deviations of the noise in a block.
_DEVIATIONS = 4.0
#: A step lasts at least so many blocks; one more at each end may hold a ramp.
_LEAST_BLOCKS = 6
#: A block in which the tone stands no higher than this over the noise is a gap.
_HEARD = 4.0


@dataclass(frozen=True, kw_only=True)
class NarrowLevel:
    """A tone's level in a narrow band. level_rms : less noise, in the signal's unit.

    half_width_db : 95 %, of noise alone.   at_most : it can't be told from noise; level_rms is its 95 % upper limit.
    noise_rms : of the band that the tone was read in.   bandwidth_hz : equivalent noise bandwidth of that.
    """

    level_rms: float
    half_width_db: float
    at_most: bool
    noise_rms: float
    bandwidth_hz: float


def narrow_level(signal: FloatArray, sample_rate_hz: float, frequency_hz: float) -> NarrowLevel:
    """Return the level of a tone of known frequency.

    signal : (frames,), one channel, any unit.   frequency_hz : known to a small part of 1/duration.
    Raises SignalError: too short, values that are no numbers.
    """
    frames = len(signal)
    place = frequency_hz * frames / sample_rate_hz
    if not _GUARD_BINS <= place <= frames / 2 - _GUARD_BINS:
        raise SignalError(
            f"{frames / sample_rate_hz:.3g} s are too short for a tone of {frequency_hz:.6g} Hz at "
            f"{sample_rate_hz:g} Hz: capture at least {_GUARD_BINS} periods, or use another frequency"
        )
    if not np.all(np.isfinite(signal)):
        raise SignalError("the capture holds values that are no numbers (NaN or infinite): capture it again")
    orders = np.arange(0.0, min(_HARMONICS, math.floor((frames / 2 - _GUARD_BINS) / place)) + 1.0)
    positions = orders * place
    spectrum = rfft(signal)
    amplitudes = fit_lines(spectrum, frames, positions)
    cleaned = windowed(spectrum, frames)
    add_lines(cleaned, frames, positions, -amplitudes)
    bin_hz = sample_rate_hz / frames
    floor = noise_floor(cleaned, lobes(positions, len(cleaned)), positions, frames, bin_hz)
    noise = float(line_noise(floor.at_lines)[1])
    found = power_sum(np.array([abs(amplitudes[1]) ** 2 / 2 - noise]), np.array([noise]))
    if not found.stated > 0.0:
        raise SignalError("silence: nothing of the tone is there, not even noise")
    k = float(stdtrit(floor.freedom[1], 0.975))
    relative = 0.0 if found.at_most else k * math.sqrt(noise / (2.0 * found.mean_square))
    return NarrowLevel(
        level_rms=math.sqrt(found.stated),
        half_width_db=DB_PER_NEPER * relative,
        at_most=found.at_most,
        noise_rms=math.sqrt(noise),
        bandwidth_hz=ENBW * bin_hz,
    )


@dataclass(frozen=True, kw_only=True)
class Course:
    """A tone's level against time, block by block: level_db (of its r.m.s. value), noise_db : (blocks,)."""

    level_db: FloatArray
    noise_rms: float
    block_frames: int


def level_course(signal: FloatArray, sample_rate_hz: float, frequency_hz: float) -> Course:
    """Return the course of a tone's level, in blocks of 0.1 s under a Hann window. Raises SignalError when too short.

    noise_rms : of one block, from how the quiet places a few block widths beside the tone read.
    """
    frames = round(_BLOCK_S * sample_rate_hz)
    if len(signal) < _LEAST_BLOCKS * frames:
        raise SignalError(f"the capture lasts {len(signal) / sample_rate_hz:.2f} s: too short for steps of a tone")
    tone = _blocks(signal, sample_rate_hz, frequency_hz, frames)
    # Four widths of a Hann window's main lobe away, on both sides; spurs fill one, seldom both.
    away_hz = 8.0 / _BLOCK_S
    beside = [_blocks(signal, sample_rate_hz, frequency_hz + side * away_hz, frames) for side in (-1.0, 1.0)]
    noise = min(float(np.median(np.square(one))) / math.log(2.0) for one in beside)
    floor = max(math.sqrt(noise), float(np.max(tone)) * 1e-9, np.finfo(np.float64).tiny)
    return Course(level_db=20.0 * np.log10(np.maximum(tone, floor * 1e-3)), noise_rms=floor, block_frames=frames)


def _blocks(signal: FloatArray, sample_rate_hz: float, frequency_hz: float, frames: int) -> FloatArray:
    count = len(signal) // frames
    window = np.hanning(frames)
    turning = window * np.exp(-2j * np.pi * np.remainder(np.arange(frames) * (frequency_hz / sample_rate_hz), 1.0))
    mixed = signal[: count * frames].reshape(count, frames) @ np.stack([turning.real, turning.imag], axis=1)
    return np.asarray(np.hypot(mixed[:, 0], mixed[:, 1]) * (math.sqrt(2.0) / float(np.sum(window))))


def find_steps(course: Course) -> list[slice]:
    """Return the frames of each steady step of a tone: long enough, above the noise, parted by changes of level."""
    level_db, heard = course.level_db, course.level_db > 20.0 * math.log10(_HEARD * course.noise_rms)
    found: list[slice] = []
    start = 0
    for block in range(1, len(level_db) + 1):
        goes_on = block < len(level_db) and heard[block] == heard[start]
        if goes_on and _same(level_db[start:block], float(level_db[block]), course.noise_rms):
            continue
        # A ramp or the last of a step may stand in its first and last block.
        if block - start >= _LEAST_BLOCKS and heard[start]:
            found.append(slice((start + 1) * course.block_frames, (block - 1) * course.block_frames))
        start = block
    return found


def _same(before_db: FloatArray, level_db: float, noise_rms: float) -> bool:
    usual_db = float(np.median(before_db))
    # Half of the noise's power is in phase with the tone.
    noise_db = DB_PER_NEPER * noise_rms / math.sqrt(2.0) / 10.0 ** (usual_db / 20.0)
    return bool(abs(level_db - usual_db) <= max(_SAME_DB, _DEVIATIONS * noise_db))


@dataclass(frozen=True, kw_only=True)
class Deviations:
    """What levels differ from those played. deviation_db, half_width_db : (steps,); at_most : (steps,) bounds.

    reversals : neighbouring levels of which the higher reads lower, beyond the uncertainty.   monotonic : every higher
    level reads higher, beyond the uncertainty; None: neither is sure.
    """

    deviation_db: FloatArray
    half_width_db: FloatArray
    at_most: NDArray[np.bool_]
    reversals: int
    monotonic: bool | None


def deviations(played_db: FloatArray, levels: Sequence[NarrowLevel | None], reference: int) -> Deviations:
    """Return how far levels stray from those played, 0 dB at a reference.

    played_db : (steps,), any reference.   levels : of each step; None: not known (NaN here).   reference : which step
    is taken as true; it must be known and no bound.  Raises SignalError otherwise.
    """
    base = levels[reference]
    if base is None:
        raise SignalError("the reference level can't be read: choose another, or capture again")
    if base.at_most:
        raise SignalError("the reference level can't be told from noise: play it higher, or choose another")
    read_db = np.array([math.nan if one is None else 20.0 * math.log10(one.level_rms) for one in levels])
    own_db = np.array([math.nan if one is None else one.half_width_db for one in levels])
    at_most = np.array([one is not None and one.at_most for one in levels])
    half_width_db = np.hypot(own_db, base.half_width_db)
    half_width_db[reference] = 0.0
    known = np.flatnonzero(np.isfinite(read_db) & ~at_most)
    order = known[np.argsort(played_db[known], kind="stable")]
    rise_db, width_db = np.diff(read_db[order]), np.hypot(own_db[order][1:], own_db[order][:-1])
    different = np.diff(played_db[order]) > 0.0
    reversals = int(np.count_nonzero(different & (rise_db < -width_db)))
    sure = bool(np.all(rise_db[different] > width_db[different])) if np.any(different) else None
    return Deviations(
        deviation_db=(read_db - read_db[reference]) - (played_db - played_db[reference]),
        half_width_db=half_width_db,
        at_most=at_most,
        reversals=reversals,
        monotonic=False if reversals else (sure or None),
    )
