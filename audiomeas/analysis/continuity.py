"""Breaks in a capture that the driver did not tell of: gaps, phase jumps of a tone, level steps.

The limits follow common practice on sound-card benches: a phase jump above 0.05 rad between blocks of 50 ms means lost
or repeated samples. A level step alone can be the unit's own (a relay, a contact), so it is told apart.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.factors import DB_PER_NEPER

FloatArray = NDArray[np.float64]

BLOCK_S = 0.05
LEAST_PERIODS = 4
PHASE_JUMP_RAD = 0.05
#: Without markers the tone alone must show a loss of nearly whole periods: 40 dB above the noise a block of 50 ms tells
#: phase to 4e-4 rad, so this is 25 standard deviations.
_LEAST_TURN_RAD = 0.01
LEVEL_STEP_DB = 0.1
#: A run of exact zeros this long, inside a signal that is not zero, is a gap: a converter's noise never stays on zero.
SHORTEST_GAP_FRAMES = 32
#: More runs of alike length are what the signal is like: a tone that is analysed has at least 8 periods.
_MOST_GAPS = 7
#: A beat swings by its size both ways, from block to block by twice that, and around the median change by four times.
_OF_BEAT = 4.0


@dataclass(frozen=True, kw_only=True)
class Break:
    """Something that a steady tone does not do. frame : where, to a block.  kind : 'phase' or 'level'."""

    frame: int
    kind: str
    size: float


def longest_zero_run(signal: FloatArray) -> tuple[int, int]:
    """Return (first frame, length) of the longest run of exact zeros that has signal on both sides; (0, 0) for none."""
    nonzero = np.flatnonzero(signal)
    if len(nonzero) < 2:
        return 0, 0
    gaps = np.diff(nonzero) - 1
    longest = int(np.argmax(gaps))
    return (int(nonzero[longest]) + 1, int(gaps[longest])) if gaps[longest] else (0, 0)


def longest_gap(signal: FloatArray) -> tuple[int, int]:
    """Return (first frame, length) of the longest gap: as `longest_zero_run`, from SHORTEST_GAP_FRAMES on.

    A dead band rests on zero too, but again and again: runs that many others are nearly as long as are no gap.
    """
    at, length = longest_zero_run(signal)
    if length < SHORTEST_GAP_FRAMES:
        return 0, 0
    runs = np.diff(np.flatnonzero(signal)) - 1
    alike = int(np.count_nonzero(runs > length // 2))
    return (at, length) if alike <= _MOST_GAPS else (0, 0)


def tone_breaks(
    signal: FloatArray,
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    phase_jump_rad: float = PHASE_JUMP_RAD,
    block_s: float = BLOCK_S,
    least_periods: int = LEAST_PERIODS,
    beside: float = 0.0,
) -> tuple[Break, ...]:
    """Return phase jumps and level steps of a steady tone between blocks of about 50 ms (at least 4 periods).

    signal : (frames,), a steady tone of a known frequency (drifts of phase are followed, jumps are not).
    block_s, least_periods : for tones that last less than a second, of which 50 ms would make too few blocks; two
    periods at least, where the blocks' window has its first zero at DC and at the second harmonic.
    beside : what stands so near to the tone that it beats with it, relative to it (see `hum_beside`).
    The limits rise where noise alone could reach them (six standard deviations), and by what beats make.
    """
    vectors, frames = _block_vectors(signal, sample_rate_hz, frequency_hz, block_s, least_periods)
    if len(vectors) < 4:
        return ()
    size = np.abs(vectors)
    if not np.all(size > 0):
        return tuple(Break(frame=int(n) * frames, kind="level", size=float("inf")) for n in np.flatnonzero(size == 0))
    found = _steps(vectors, frames, phase_jump_rad, _OF_BEAT * beside)
    left = len(signal) % frames
    if left:  # blocks that end with the signal: what happened behind the last whole one
        shifted, _ = _block_vectors(signal[left:], sample_rate_hz, frequency_hz, block_s, least_periods)
        late = _steps(shifted, frames, phase_jump_rad, _OF_BEAT * beside)[-1:]
        last = (len(vectors) - 1) * frames
        found += tuple(replace(one, frame=one.frame + left) for one in late if one.frame >= last)
    return found


def one_frame_rad(sample_rate_hz: float, frequency_hz: float) -> float:
    """Return a limit of phase jumps at which one lost frame is found wherever in a block it was lost."""
    return min(_LEAST_TURN_RAD, 0.25 * 2.0 * float(np.pi) * frequency_hz / sample_rate_hz)


def hum_beside(frequency_hz: float, level_rms: float, lines: Iterable[tuple[float, float]]) -> float:
    """Return how strong the lines are, relative to a tone, that blocks of BLOCK_S can't tell from it.

    lines : (frequency in Hz, r.m.s. level in the tone's unit).
    """
    return sum(level for hz, level in lines if abs(hz - frequency_hz) < 2.0 / BLOCK_S) / level_rms


def level_drift(signal: FloatArray, sample_rate_hz: float, frequency_hz: float) -> tuple[float, float]:
    """Return how far a tone's level falls below and rises above its mean during a capture, relative, each ≥ 0.

    signal : as for `tone_breaks`.  Zeros where noise from block to block hides it, or for fewer than four blocks.
    """
    size = np.abs(_block_vectors(signal, sample_rate_hz, frequency_hz)[0])
    mean = float(np.mean(size)) if len(size) else 0.0
    if len(size) < 4 or mean == 0.0:
        return 0.0, 0.0
    low, high = float(np.min(size)), float(np.max(size))
    if high - low < 8.0 * _spread(np.diff(size)):
        return 0.0, 0.0
    return 1.0 - low / mean, high / mean - 1.0


def usual_level(signal: FloatArray, sample_rate_hz: float, frequency_hz: float) -> float:
    """Return a tone's r.m.s. level as most blocks have it (their median): a break spoils one or two. 0: no blocks.

    signal : as for `tone_breaks`.
    """
    size = np.abs(_block_vectors(signal, sample_rate_hz, frequency_hz)[0])
    return float(np.median(size)) / float(np.sqrt(2.0)) if len(size) else 0.0


def _block_vectors(
    signal: FloatArray,
    sample_rate_hz: float,
    frequency_hz: float,
    block_s: float = BLOCK_S,
    least_periods: int = LEAST_PERIODS,
) -> tuple[NDArray[np.complex128], int]:
    """Return the tone's complex peak value in each block, and the frames of a block."""
    frames = max(round(block_s * sample_rate_hz), round(least_periods * sample_rate_hz / frequency_hz))
    blocks = len(signal) // frames
    time = np.arange(blocks * frames)
    turning = np.exp(-2j * np.pi * np.remainder(time * (frequency_hz / sample_rate_hz), 1.0))
    # A window, so that the ends of the blocks (not whole periods) don't pose as modulation.
    window = np.hanning(frames)
    mixed = (signal[: blocks * frames] * turning).reshape(blocks, frames)
    return mixed @ window * (2.0 / np.sum(window)), frames


def _steps(vectors: NDArray[np.complex128], frames: int, phase_jump_rad: float, beat: float) -> tuple[Break, ...]:
    ratio = vectors[1:] / vectors[:-1]
    phase = np.angle(ratio)
    # A constant turn from block to block is a difference in frequency; its median is not a jump.
    phase = np.angle(np.exp(1j * (phase - np.median(phase))))
    level_db = 20.0 * np.log10(np.abs(ratio))
    found = [
        Break(frame=(int(n) + 1) * frames, kind="phase", size=float(phase[n]))
        for n in np.flatnonzero(np.abs(phase) > max(phase_jump_rad, 6.0 * _spread(phase)) + beat)
    ]
    found += [
        Break(frame=(int(n) + 1) * frames, kind="level", size=float(level_db[n]))
        for n in np.flatnonzero(np.abs(level_db) > max(LEVEL_STEP_DB, 6.0 * _spread(level_db)) + DB_PER_NEPER * beat)
    ]
    return tuple(sorted(found, key=lambda one: one.frame))


def _spread(values: FloatArray) -> float:
    """Return the standard deviation by the median of absolute deviations: single jumps don't raise it."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))
