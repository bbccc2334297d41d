"""Clicks in a steady tone: what sticks out of the rest in few samples, and does not come with every period.

Two looks find them. In the peaks: one sample that no noise reaches. In the energy: a block that was swapped, repeated
or lost leaves a piece of the tone behind, which may hide in the noise sample by sample, but not as a whole. The energy
of n samples of noise follows the chi-squared law with n degrees of freedom; each length of a piece has its own limit.

Coupling capacitors that still settle leave a slow tail at the beginning, which has peaks and energy too. What is found
there is looked for again above a corner, where a tail has nothing and what is sudden still has its edges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt
from scipy.stats import chi2, norm

FloatArray = NDArray[np.float64]

#: Blocks hold whole periods and at least this many frames, so that distortion peaks alike in each.
_BLOCK_FRAMES = 256
_LEAST_BLOCKS = 8
#: An event exceeds the usual peak of a block by this much: 12 times the r.m.s. of noise, which never peaks so high.
_TIMES_USUAL = 4.0
#: More blocks than this part are no events, but what the signal is like.
_AT_MOST_PART = 0.25
#: Pieces whose energy is looked at: so many frames, each √2 times as long as the one before.
SHORTEST_PIECE, _LONGEST_PIECE = 16, 8192
#: In noise one piece in so many reaches the limit; of 1,000 captures of a second with all their pieces, one in 20.
ONE_IN = 1e9
#: The standard deviation of a normal law over its median absolute deviation.
SIGMA_PER_MEDIAN = 1.4826
#: The energy of noise varies by so much at most, relative to white noise: with 16 pieces the estimate is off by half.
#: So do the loudest pieces, this part of all, which is more than damage takes: hum as loud as noise peaks each period.
_TIMES_NOISE, _LOUDEST_PART = 1.6, 0.15
#: More places than this are no damage, but what the signal is like.
_MOST_PLACES = 3
#: A law without memory may show for once where few blocks, less than this part, come near to a peak.
_NEAR_PEAK, _SELDOM = 0.97, 0.05
#: A place in this first part of a capture may be a tail's.
_TAIL_PART = 0.25
#: The corner in cycles per frame: 240 Hz at 48 kHz, far above a tail, far below the shortest piece. It falls so fast
#: that a tail of 50 ms leaves less than a ten-thousandth of itself.
_CORNER_CYCLES, _ORDER = 0.005, 2


#: A peak of fewer of the converter's steps is none: rounding makes such.
LEAST_STEPS = 8.0


@dataclass(frozen=True, kw_only=True)
class ShortEvents:
    """Events in a capture. frame, peak : of the largest, in the unit of the signal.   count : blocks that hold one."""

    count: int
    frame: int
    peak: float


def short_events(
    rest: FloatArray, cycles: float, *, least: float, may_hum: bool = True, one_in: float = ONE_IN
) -> ShortEvents | None:
    """Return the events in what a tone's fundamental leaves, or None.

    rest : (frames,).   cycles : of the tone, per frame.   least : smaller peaks are none.   may_hum : False, all lines
    were taken away, so that nothing but noise and events is left.   one_in : pieces of noise of which one is told; more
    for what lasts for minutes.
    """
    found = _both_looks(rest, cycles, least, may_hum, one_in)
    if found is None or not found.at_beginning:
        return None if found is None else found.events
    sudden = _both_looks(_without_slow(rest), cycles, least, may_hum, one_in)
    return None if sudden is None else sudden.events


@dataclass(frozen=True, kw_only=True)
class _Found:
    """What a look has found. at_beginning : some of it where a tail would be."""

    events: ShortEvents
    at_beginning: bool


def least_peak(signal: FloatArray, part: float, resolution: float | None) -> float:
    """Return the smallest peak that is an event, in the unit of the signal.

    signal : (frames,).   part : of its largest sample.   resolution : step between neighbouring values; None: unknown.
    """
    return max(LEAST_STEPS * (resolution or 0.0), part * float(np.max(np.abs(signal), initial=0.0)))


def _both_looks(rest: FloatArray, cycles: float, least: float, may_hum: bool, one_in: float) -> _Found | None:
    return _peak_events(rest, cycles, least) or _energy_events(rest, least, may_hum, one_in)


def _without_slow(rest: FloatArray) -> FloatArray:
    """Return what lies above the corner; forwards and backwards, so that an edge stays where it is.

    Each end goes on turned about the value that a parabola has there: what is slow has no corner then, noise none of
    the first sample's own height.
    """
    frames = min(round(1.0 / _CORNER_CYCLES), len(rest) - 1)
    whole = np.concatenate([_continued(rest[frames::-1])[::-1], rest, _continued(rest[-frames - 1 :])])
    kept = sosfiltfilt(butter(_ORDER, 2.0 * _CORNER_CYCLES, "highpass", output="sos"), whole, padtype=None)
    return np.asarray(kept[frames:-frames], dtype=np.float64)


def _continued(towards_end: FloatArray) -> FloatArray:
    """Return what follows after the end of samples, as many as there are but one."""
    place = np.arange(len(towards_end), dtype=np.float64)
    value = float(np.polyval(np.polyfit(place, towards_end, 2), place[-1]))
    return 2.0 * value - towards_end[-2::-1]


def _peak_events(rest: FloatArray, cycles: float, least: float) -> _Found | None:
    width = round(math.ceil(_BLOCK_FRAMES * cycles) / cycles)
    blocks = len(rest) // width
    if blocks < _LEAST_BLOCKS:
        return None
    # The last block ends with the capture: what happens in its last frames counts too.
    starts = [*range(0, blocks * width, width), *([len(rest) - width] if len(rest) % width else [])]
    peaks = np.array([np.max(np.abs(rest[start : start + width])) for start in starts])
    found = peaks > max(_TIMES_USUAL * float(np.median(peaks)), least)
    found[blocks:] &= not found[blocks - 1]  # it overlaps the one before
    count = int(np.count_nonzero(found))
    if count == 0 or count > _AT_MOST_PART * blocks:
        return None
    at = int(np.argmax(peaks))
    frame = starts[at] + int(np.argmax(np.abs(rest[starts[at] : starts[at] + width])))
    events = ShortEvents(count=count, frame=frame, peak=float(peaks[at]))
    return _Found(events=events, at_beginning=width * int(np.argmax(found)) < _TAIL_PART * len(rest))


def _energy_events(rest: FloatArray, least: float, may_hum: bool, one_in: float) -> _Found | None:
    """Return the piece that holds the most energy over the usual one, where it is more than noise ever holds."""
    until = np.concatenate([[0.0], np.cumsum(np.square(rest))])
    best: tuple[float, int, int, int] | None = None
    at_beginning = False
    width = float(SHORTEST_PIECE)
    while width <= min(_LONGEST_PIECE, len(rest) // SHORTEST_PIECE):
        frames = round(width)
        over, starts = _over_usual(until, frames, may_hum, one_in)
        found = together(starts[over > 1.0], 2 * frames)
        at = int(np.argmax(over))
        # Energy that is high all along has corners in every period: no event.
        short = 0 < len(found) <= _MOST_PLACES and all(last - first <= 2 * frames for first, last in found)
        if short and (best is None or over[at] > best[0]):
            best = (float(over[at]), int(starts[at]), frames, len(found))
            at_beginning = found[0][0] < _TAIL_PART * len(rest)
        width *= math.sqrt(2.0)
    if best is None:
        return None
    _, start, frames, count = best
    size = np.abs(rest[start : start + frames])
    peak = float(np.max(size))
    events = ShortEvents(count=count, frame=start + int(np.argmax(size)), peak=peak)
    return _Found(events=events, at_beginning=at_beginning) if peak > least else None


def _over_usual(until: FloatArray, frames: int, may_hum: bool, one_in: float) -> tuple[FloatArray, NDArray[np.intp]]:
    """Return by how much the energy of each piece exceeds the usual one, in parts of the limit, and where it begins.

    until : (frames + 1,), energy before each frame.   All zeros where the energy varies by more than that of noise:
    distortion, hum and drift have their own ups and downs.
    """
    starts = np.arange(0, len(until) - frames, max(1, frames // 4))
    energy = until[starts + frames] - until[starts]
    usual = float(np.median(energy))
    of_noise = usual * math.sqrt(2.0 / frames)
    spread = SIGMA_PER_MEDIAN * float(np.median(np.abs(energy - usual)))
    loud = (float(np.quantile(energy, 1.0 - _LOUDEST_PART)) - usual) / float(norm.isf(_LOUDEST_PART))
    if of_noise == 0.0 or max(spread, loud if may_hum else 0.0) > _TIMES_NOISE * of_noise:
        return np.zeros(len(starts)), starts
    limit = float((chi2.isf(1.0 / one_in, frames) - frames) / math.sqrt(2.0 * frames)) * max(spread, of_noise)
    return np.asarray((energy - usual) / limit), starts


def together(starts: NDArray[np.intp], frames: int) -> list[tuple[int, int]]:
    """Return first and last of those that follow one another within so many frames."""
    groups = np.split(starts, np.flatnonzero(np.diff(starts) > frames) + 1)
    return [(int(group[0]), int(group[-1])) for group in groups if len(group)]


def seldom_near(peak: float, signal: FloatArray, block_frames: int) -> bool:
    """Return whether a signal, (frames,), seldom comes near to a peak: a limiter may be reached for there for once."""
    blocks = np.abs(signal[: len(signal) // block_frames * block_frames]).reshape(-1, block_frames)
    return bool(np.mean(np.max(blocks, axis=1) > _NEAR_PEAK * peak) < _SELDOM)
