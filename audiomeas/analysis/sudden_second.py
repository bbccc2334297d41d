"""What is sudden in one second of a soak: a click, or a block that changed places, in what tone or programme leave.

What is played is known, so it is taken away: of a tone the tone itself (its gain may drift, its clock too), and narrow
bands around its harmonics and those of the mains, and all that is slow; of a programme what `programme_second` explains
of it. What a unit adds to a programme grows with it, so its rest is held against the programme around it. Two looks at
the rest: at pieces that stand far above all others, as far as notches ring; and at those that hide in the noise, where
they have an energy that noise has not (of a tone `shortevents` knows, of a programme the rest's own spread).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.stats import chi2, norm

from audiomeas.analysis.beside_lines import at_limit
from audiomeas.analysis.deconvolution import fall
from audiomeas.analysis.shortevents import (
    LEAST_STEPS,
    SIGMA_PER_MEDIAN,
    ShortEvents,
    least_peak,
    short_events,
    together,
)

FloatArray = NDArray[np.float64]

#: Before and after what is looked at, so much more is needed: there the window rises and falls.
CONTEXT_S = 0.25
#: Half width of the bands around harmonics, at most so much of the way to the next one; and around those of the mains.
_HARMONIC_HZ, _OF_WAY, _MAINS_HZ, _MAINS_ORDERS = 60.0, 0.2, 9.0, 20
#: What is slow lies below: hum, rumble, couplings that settle.
_SLOW_HZ = (160.0, 240.0)
#: Turns of a tone's clock from one half to the other, in hertz, below which it has none.
_SAME_CLOCK_HZ = 1e-4
#: Pieces of the first look in frames; an event's energy is so many times the usual one, and what rings with it less
#: than this part of it.
_PIECES, _TIMES_USUAL, _RINGS = (16, 128, 1024), 100.0, 0.1
#: It has three places at most, none of them longer than two of the longest blocks that `shortevents` looks for.
_MOST_PLACES, _LONGEST = 3, 16_384
#: The second look is taken where a piece of these lengths has an energy that noise has once in so many.
_HINTS, _HINT_ONE_IN = (16, 45, 128, 362, 1024, 2896), 1e5
#: What a programme holds so near, and for so long, tells what a unit may add.
_NEAR_S, _SMOOTH_S = 0.002, 0.001
#: It is told by pieces of so many frames: noise by those of the quieter half, what is added by this part, the loudest.
_PIECE, _LOUD = 64, 0.2
#: What a limiter that is reached for once leaves is less than this part of what is captured so near (frames); what a
#: response is not met by where music sets in, less than this. Of 320 swapped blocks it hid none.
_OF_ALL, _OF_RESPONSE, _BESIDE = 0.3, 0.1, 64
#: Of noise beside a tone one piece in so many is told: a day has 10¹⁰.
_ONE_IN = 1e13
#: Of a programme an energy counts that is as rare as so many standard deviations of a normal law; this part of all
#: pieces, the loudest, tells how far it spreads, beside the median.
_RARE, _LOUDEST = 8.0, 0.15
_NOTHING = 1e-30
#: Smaller events than this part of the largest sample are none.
_LEAST = 1e-6


def sudden_beside_tone(
    signal: FloatArray, sample_rate_hz: float, frequency_hz: float, mains_hz: float, *, resolution: float
) -> ShortEvents | None:
    """Return what is sudden beside a steady tone, or None.

    signal : (frames,), more than twice CONTEXT_S, which is not looked at on both sides; frames of what is found count
    from the first that is.   resolution : step between neighbouring values, in the unit of the signal.
    """
    edge = round(CONTEXT_S * sample_rate_hz)
    rest = _beside_tone(signal, sample_rate_hz, frequency_hz, mains_hz)
    least = least_peak(signal, _LEAST, resolution)
    return sudden(rest[edge : len(signal) - edge], frequency_hz / sample_rate_hz, least)


def sudden_beside_programme(
    captured: FloatArray, explained: FloatArray, sample_rate_hz: float, *, resolution: float
) -> ShortEvents | None:
    """Return what is sudden in a programme, or None: nothing where a law without memory may have shown for once.

    captured, explained : (frames,), in band, and what a response explains of it.  resolution : as for a tone.
    """
    rest = captured - explained
    scale = _scale(rest, explained, sample_rate_hz)
    found = None if scale is None else _in_programme(rest / scale)
    if found is None or scale is None:
        return None
    peak = found.peak * float(scale[found.frame])
    beside = float(np.max(np.abs(captured[max(found.frame - _BESIDE, 0) : found.frame + _BESIDE])))
    may_be_limit = peak < _OF_ALL * beside
    least = max(LEAST_STEPS * resolution, _OF_RESPONSE * beside)
    if peak <= least or (may_be_limit and at_limit(captured, found.frame)):
        return None
    return ShortEvents(count=found.count, frame=found.frame, peak=peak)


def _scale(rest: FloatArray, explained: FloatArray, sample_rate_hz: float) -> FloatArray | None:
    """Return how large the rest may be at each frame, (frames,): noise, and a share of the programme around it."""
    around = uniform_filter1d(np.square(explained), round(_SMOOTH_S * sample_rate_hz))
    around = maximum_filter1d(np.maximum(around, 0.0), 2 * round(_NEAR_S * sample_rate_hz) + 1)
    pieces = len(rest) // _PIECE
    energy, programme = (
        np.mean(each[: pieces * _PIECE].reshape(pieces, _PIECE), axis=1) for each in (np.square(rest), around)
    )
    order = np.argsort(programme)
    noise = float(np.median(energy[order[: pieces // 2]]))
    loud = order[-max(1, round(_LOUD * pieces)) :]
    share = float(np.median(np.maximum(energy[loud] - noise, 0.0) / np.maximum(programme[loud], _NOTHING)))
    square = noise + share * around
    return np.sqrt(square) if float(np.min(square)) > 0.0 else None


def sudden(rest: FloatArray, cycles: float, least: float) -> ShortEvents | None:
    """Return the events in what is left of a second, or None. rest, cycles, least : as for `short_events`."""
    until = np.concatenate([[0.0], np.cumsum(np.square(rest))])
    found = _far_above(rest, until)
    if found is None and _has_hint(until):
        found = short_events(rest, cycles, least=least, may_hum=False, one_in=_ONE_IN)
    return found if found is not None and found.peak > least else None


def _in_programme(rest: FloatArray) -> ShortEvents | None:
    """Return the events in what a programme leaves, or None: it is no noise alone, and its own spread counts."""
    until = np.concatenate([[0.0], np.cumsum(np.square(rest))])
    found = _far_above(rest, until)
    if found is not None:
        return found
    for frames in _HINTS:
        energy, starts = _energies(until, frames)
        usual = float(np.median(energy))
        spread = SIGMA_PER_MEDIAN * float(np.median(np.abs(energy - usual)))
        loud = (float(np.quantile(energy, 1.0 - _LOUDEST)) - usual) / float(norm.isf(_LOUDEST))
        limit = _sigmas(frames) * max(spread, loud, usual * math.sqrt(2.0 / frames))
        over = energy - usual > limit
        if np.any(over) and (event := _few(rest, energy, starts, over, frames)) is not None:
            return event
    return None


def _few(
    rest: FloatArray, energy: FloatArray, starts: NDArray[np.intp], which: NDArray[np.bool_], frames: int
) -> ShortEvents | None:
    """Return the event that pieces make, (pieces,), where they stand in few places."""
    groups = together(starts[which], _LONGEST // 4)
    if len(groups) > _MOST_PLACES or any(last - first > _LONGEST for first, last in groups):
        return None
    start = int(starts[int(np.argmax(energy))])
    size = np.abs(rest[start : start + frames])
    return ShortEvents(count=len(groups), frame=start + int(np.argmax(size)), peak=float(np.max(size)))


@lru_cache
def _sigmas(frames: int) -> float:
    """Return how many standard deviations an energy of so many frames of noise has that is as rare as `_RARE`."""
    return float((chi2.isf(norm.sf(_RARE), frames) - frames) / math.sqrt(2.0 * frames))


def _energies(until: FloatArray, frames: int) -> tuple[FloatArray, NDArray[np.intp]]:
    starts = np.arange(0, len(until) - frames, frames // 4)
    return until[starts + frames] - until[starts], starts


def _far_above(rest: FloatArray, until: FloatArray) -> ShortEvents | None:
    """Return what stands far above the rest, in few places. until : (frames + 1,), energy before each frame."""
    for frames in _PIECES:
        energy, starts = _energies(until, frames)
        top = float(np.max(energy))
        if top <= _TIMES_USUAL * float(np.median(energy)):
            continue
        found = _few(rest, energy, starts, energy > _RINGS * top, frames)
        if found is not None:
            return found
    return None


def _has_hint(until: FloatArray) -> bool:
    """Return whether it is worth to look closely: a second of nothing but noise has no hint in nine of ten cases."""
    for frames in _HINTS:
        energy, _ = _energies(until, frames)
        if float(np.max(energy)) > _hint(frames) * float(np.mean(energy)):
            return True
    return False


@lru_cache
def _hint(frames: int) -> float:
    return float(chi2.isf(1.0 / _HINT_ONE_IN, frames)) / frames


# -- a tone ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Frame:
    """What all seconds share. window : (frames,).  time_s : (frames,), from the middle.  lever_s : between the centres
    of both halves.
    """

    window: FloatArray
    time_s: FloatArray
    lever_s: float


@lru_cache(maxsize=2)
def _frame(frames: int, sample_rate_hz: float) -> _Frame:
    edge = round(CONTEXT_S * sample_rate_hz)
    from_end_s = np.minimum(np.arange(frames), np.arange(frames)[::-1]) / sample_rate_hz
    # All derivatives of the rise are smooth: what is steady leaves nothing behind it.
    window = 1.0 - fall(from_end_s, 0.0, 0.8 * edge / sample_rate_hz)
    time_s = np.asarray((np.arange(frames) - 0.5 * (frames - 1)) / sample_rate_hz, dtype=np.float64)
    half = frames // 2
    lever_s = 2.0 * float(np.average(time_s[half:], weights=window[half:]))
    return _Frame(window=window, time_s=time_s, lever_s=lever_s)


@lru_cache(maxsize=2)
def _tone_columns(frames: int, sample_rate_hz: float, frequency_hz: float) -> FloatArray:
    """Return orthonormal columns of a windowed tone whose gain and phase drift, (frames, 6)."""
    frame = _frame(frames, sample_rate_hz)
    turn = np.exp(2j * np.pi * frequency_hz * frame.time_s) * frame.window
    moved = [part * frame.time_s**power for power in range(3) for part in (turn.real, turn.imag)]
    return np.linalg.qr(np.stack(moved, axis=1))[0]


@lru_cache(maxsize=2)
def _mask(points: int, sample_rate_hz: float, frequency_hz: float, mains_hz: float) -> FloatArray:
    """Return how much of each bin is kept, (bins,)."""
    hz = np.asarray(rfftfreq(points, 1.0 / sample_rate_hz))
    half_hz = min(_HARMONIC_HZ, _OF_WAY * frequency_hz)
    beside = np.abs(hz - np.round(hz / frequency_hz) * frequency_hz)
    kept = 1.0 - fall(beside, 0.5 * half_hz, half_hz)
    beside = np.abs(hz - np.round(hz / mains_hz) * mains_hz)
    kept *= np.where(hz < (_MAINS_ORDERS + 0.5) * mains_hz, 1.0 - fall(beside, 0.5 * _MAINS_HZ, _MAINS_HZ), 1.0)
    return np.asarray(kept * (1.0 - fall(hz, *_SLOW_HZ)))


def _beside_tone(signal: FloatArray, sample_rate_hz: float, frequency_hz: float, mains_hz: float) -> FloatArray:
    """Return a windowed signal without the tone, its harmonics, those of the mains and what is slow, (frames,)."""
    frames = len(signal)
    frame = _frame(frames, sample_rate_hz)
    windowed = signal * frame.window
    columns = _tone_columns(frames, sample_rate_hz, frequency_hz)
    off_hz = _off_hz(windowed, columns, frame)
    if abs(off_hz) > _SAME_CLOCK_HZ:
        columns = _tone_columns.__wrapped__(frames, sample_rate_hz, frequency_hz + off_hz)
    rest = windowed - columns @ (columns.T @ windowed)
    points = int(next_fast_len(frames, real=True))
    mask = _mask(points, sample_rate_hz, frequency_hz, mains_hz)
    return np.asarray(irfft(rfft(rest, points) * mask, points)[:frames])


def _off_hz(windowed: FloatArray, columns: FloatArray, frame: _Frame) -> float:
    """Return by how much a tone is off its frequency: how far its phase turns from one half to the other."""
    half = len(windowed) // 2
    turns = columns[:, 0] + 1j * columns[:, 1]
    vectors = [complex(np.conj(turns[part]) @ windowed[part]) for part in (slice(0, half), slice(half, None))]
    return float(np.angle(vectors[1] * np.conj(vectors[0]))) / (2.0 * np.pi * frame.lever_s)
