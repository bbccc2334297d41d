"""A sweep that was played several times: its captures averaged, and those left out that do not repeat the others.

Coherent averaging (on one clock) keeps what repeats and takes 10·lg(n) dB off what does not. What differs from sweep
to sweep holds no signal, so a disturbance stands out of it far below the signal's own level: against the median of all
sweeps (P. J. Huber, Robust Statistics, 1981: half of them may be wrong) each 10 ms of each sweep is compared with the
same 10 ms of the others.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from audiomeas.analysis.deconvolution import Cut, SweepLaw, deconvolve, find_sweep, inverse_spectrum, transform_points
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

_BLOCK_S = 0.01
#: A sweep may arrive this long before or after where the first ones say.
_NEAR_S = 0.05
#: A unit may delay by this much against the known start, and the start may be known this badly.
_LONGEST_DELAY_S, _EARLY_S = 0.5, 0.005
#: Arrivals on one clock differ by noise alone, hundredths of a frame; one lost frame is 1.
_SAME_FRAMES = 0.3
#: A block is an event from this many times what is usual on: a block of low-frequency noise has one degree of freedom,
#: whose size exceeds 8 times its median (5.4 standard deviations) once in 10^7.
_EVENT = 8.0
#: And from this part of the signal there: less moves no figure by 0.001 dB.
_WORTH = 1e-4
#: And from this part of the whole sweep's r.m.s.: the ring of the sweep before is in all but the first.
_WORTH_OF_ALL = 1e-5
#: Blocks around that say what is usual when there are only two sweeps.
_USUAL_BLOCKS = 101


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """A sweep that was not averaged. number : 1-based.

    why : 'cut' (not wholly in the capture), 'moved' (arrives `size` frames later than the others: samples were lost or
    repeated before it), 'event' (differs from the others at time_s after its beginning, by `size` of the signal there).
    """

    number: int
    why: Literal["cut", "moved", "event"]
    size: float = 0.0
    time_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Averaged:
    """The mean of several captured sweeps.

    samples : (frames, channels), one sweep with half a gap before and after it.  start_frame : frame of `samples` at
    which the sweep was played (the first may be negative, by the unit's delay); None when that was not known.
    """

    samples: FloatArray
    start_frame: int | None
    used: tuple[int, ...]
    left_out: tuple[LeftOut, ...]


def average_sweeps(
    captured: FloatArray,
    played: FloatArray,
    law: SweepLaw,
    *,
    period_frames: int,
    count: int,
    start_frame: int | None = None,
) -> Averaged:
    """Return the mean of `count` captured sweeps that begin period_frames apart, on one clock.

    captured : (frames, channels).  played : one sweep as rendered, (frames,).  start_frame : where the first one was
    played; None lets it be found.
    Raises SignalError: silent; no two sweeps that arrive alike (another clock); two that differ.
    """
    loudest = captured[:, int(np.argmax(np.sum(captured**2, axis=0)))]
    first = _first_arrival(loudest, played, law, period_frames, count, start_frame)
    margin = (period_frames - law.frames) // 2
    starts = {number: first + (number - 1) * period_frames - margin for number in range(1, count + 1)}
    length = law.frames + 2 * margin
    whole = [n for n, start in starts.items() if start + margin >= 0 and start + margin + law.frames <= len(captured)]
    left_out = [LeftOut(number=number, why="cut") for number in starts if number not in whole]
    if not whole:
        raise SignalError("the capture holds none of the repeated sweeps as a whole: capture again, longer")
    arrivals = {number: _arrival(_part(loudest, starts[number], length), played, law, margin) for number in whole}
    together, moved = _together(arrivals, law.sample_rate_hz, period_frames)
    left_out += moved
    slices = {number: (starts[number], length) for number in together}
    events = _events(captured, slices, law, margin) if len(together) > 1 else []
    left_out += events
    used = [number for number in together if number not in {event.number for event in events}]
    total = sum((_part(captured, starts[number], length) for number in used), np.zeros((length, captured.shape[1])))
    return Averaged(
        samples=np.asarray(total / len(used)),
        start_frame=None if start_frame is None else start_frame - first + margin,
        used=tuple(used),
        left_out=tuple(sorted(left_out, key=lambda out: out.number)),
    )


def _part(captured: FloatArray, start: int, length: int) -> FloatArray:
    """Return a part of a capture, with zeros where it reaches beyond."""
    part = captured[max(start, 0) : max(start + length, 0)]
    before = min(max(-start, 0), length)
    after = length - before - len(part)
    return part if not before and not after else np.pad(part, ((before, after), *((0, 0),) * (captured.ndim - 1)))


def _first_arrival(
    signal: FloatArray, played: FloatArray, law: SweepLaw, period_frames: int, count: int, start_frame: int | None
) -> int:
    """Return the frame at which the first sweep arrives (or would, had the capture begun earlier)."""
    if start_frame is None:
        return _first_of_all(signal, find_sweep(signal, played, law), law, period_frames, count)
    early, late = round(_EARLY_S * law.sample_rate_hz), round(_LONGEST_DELAY_S * law.sample_rate_hz)
    inverse_at = cache(partial(inverse_spectrum, played, law))
    delays = []
    for number in range(min(count, 5)):
        begin = start_frame + number * period_frames
        part = signal[max(begin - early, 0) : begin + law.frames + late]
        if np.any(part):
            delays.append(max(begin - early, 0) + find_sweep(part, played, law, inverse_at=inverse_at) - begin)
    if not delays:
        raise SignalError("the captured channels are silent: check cables, sources and input gain, then capture again")
    # The middle one of the odd numbers: the first sweep itself may be the damaged one.
    return start_frame + sorted(delays)[(len(delays) - 1) // 2]


def _first_of_all(signal: FloatArray, found: int, law: SweepLaw, period_frames: int, count: int) -> int:
    """Return where the first sweep is when one of them was found: the place from which `count` parts hold the most."""
    numbers = range(-(count - 1), count)
    sizes = {number: _rms(_part(signal, found + number * period_frames, law.frames)) for number in numbers}
    return found + period_frames * max(range(-(count - 1), 1), key=lambda k: sum(sizes[k + i] for i in range(count)))


def _rms(part: FloatArray) -> float:
    return float(np.sqrt(np.mean(part**2)))


def _arrival(part: FloatArray, played: FloatArray, law: SweepLaw, margin: int) -> float:
    """Return by how many frames, to a fraction, a sweep comes later than `margin` frames into its part."""
    cut = Cut(samples=part, before=margin, after=margin)
    points = transform_points(cut, law)
    impulses = deconvolve(cut, inverse_spectrum(played, law, points), points, law)
    near, first = impulses.between(-_NEAR_S, _NEAR_S)
    size = np.abs(near)
    peak = int(np.clip(np.argmax(size), 1, len(size) - 2))
    left, middle, right = size[peak - 1 : peak + 2]
    bend = left - 2.0 * middle + right
    return first + peak + (0.0 if bend == 0 else 0.5 * float((left - right) / bend))


def _together(arrivals: dict[int, float], sample_rate_hz: float, period_frames: int) -> tuple[list[int], list[LeftOut]]:
    """Return the sweeps of the largest group that arrives alike, and the others."""

    def group(number: int) -> list[int]:
        return [other for other, at in arrivals.items() if abs(at - arrivals[number]) < _SAME_FRAMES]

    best = max(arrivals, key=lambda number: (len(group(number)), -number))
    together = group(best)
    if len(together) == 1 and len(arrivals) > 1:
        numbers = np.array(list(arrivals))
        per_sweep = float(np.polyfit(numbers, np.array(list(arrivals.values())), 1)[0])
        raise SignalError(
            f"no two of the {len(arrivals)} sweeps arrive alike (they come {per_sweep:+.2f} frames later each, "
            f"{1e6 * per_sweep / period_frames:+.0f} ppm): play and capture share no clock, or samples were lost; "
            "capture again on one clock, or a single sweep"
        )
    moved = [
        LeftOut(number=number, why="moved", size=at - arrivals[best])
        for number, at in arrivals.items()
        if number not in together
    ]
    return together, moved


def _events(captured: FloatArray, slices: dict[int, tuple[int, int]], law: SweepLaw, margin: int) -> list[LeftOut]:
    """Return the sweeps of which 10 ms or more differ from the others, on any channel."""
    worst: dict[int, LeftOut] = {}
    numbers = list(slices)
    for column in range(captured.shape[1]):
        differences, level = _differences([_part(captured[:, column], *slices[n]) for n in numbers], law.sample_rate_hz)
        least = np.maximum(_WORTH * level, _WORTH_OF_ALL * np.sqrt(np.mean(level**2)))
        ratio = differences / np.maximum(_usual(differences), least / _EVENT)[np.newaxis]
        for row, number in enumerate(numbers):
            block = int(np.argmax(ratio[row]))
            if ratio[row, block] <= _EVENT:
                continue
            time_s = (block + 0.5) * _BLOCK_S - margin / law.sample_rate_hz
            size = float(differences[row, block] / max(level[block], 1e-300))
            if number not in worst or worst[number].size < size:
                worst[number] = LeftOut(number=number, why="event", size=size, time_s=time_s)
    if worst and len(numbers) - len(worst) < 1:
        first = min(worst.values(), key=lambda out: out.number)
        hz = law.start_hz * np.exp(first.time_s / law.growth_s)
        raise SignalError(
            f"the sweeps differ from each other {first.time_s:.2f} s after their beginning (near {hz:.0f} Hz), and "
            "which of them holds the disturbance can't be told: capture again, with at least 3 averages"
        )
    return list(worst.values())


def _differences(parts: list[FloatArray], sample_rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Return r.m.s. differences from the median, (sweeps, blocks), and the median's r.m.s., (blocks,)."""
    frames = round(_BLOCK_S * sample_rate_hz)
    blocks = len(parts[0]) // frames
    differences, level = np.zeros((len(parts), blocks)), np.zeros(blocks)
    for block in range(blocks):  # block by block: all sweeps at once would fill the memory
        stack = np.stack([part[block * frames : (block + 1) * frames] for part in parts])
        middle = np.median(stack, axis=0)
        differences[:, block] = np.sqrt(np.mean((stack - middle) ** 2, axis=1))
        level[block] = np.sqrt(np.mean(middle**2))
    return differences, level


def _usual(differences: FloatArray) -> FloatArray:
    """Return the usual size of the differences in each block: of the other sweeps, and of the whole."""
    whole = float(np.median(differences))
    if len(differences) < 3:
        return np.maximum(median_filter(differences[0], size=_USUAL_BLOCKS, mode="nearest"), whole)
    return np.maximum(np.median(differences, axis=0), whole)
