"""What a unit sends out while it is switched: thumps, and lasting changes of what is heard.

A thump stands out of what is heard before and after it. A change of level lasts: a relay closes and noise, hum or a
signal is there from then on. Both are told against medians of a second, which neither moves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Blocks whose peak and r.m.s. are looked at; so many are a second, which the medians take.
_BLOCK_S, _MEDIAN_S = 0.005, 1.0
#: A thump's peak is so many times the usual peak of blocks on either side: noise and hum alone don't reach twice.
_STANDS_OUT = 4.0
#: Parts of a thump that lie closer together than this are one (a relay bounces for some milliseconds).
_TOGETHER_S = 0.15
#: A change of level by at least this lasts from there on.
_LEAST_CHANGE_DB = 2.0
#: Mean that shows a shift of DC: whole periods of 50 Hz and of 60 Hz.
_DC_MEAN_S = 0.1
#: Where a shift is looked for behind a thump's beginning: later, the card's coupling has taken it away.
_DC_SEARCH_S = 0.3
_LEAST_S = 3.0 * _MEDIAN_S


@dataclass(frozen=True, kw_only=True)
class Thump:
    """One thump. time_s : of its first sample that stands out.  peak_s : of its highest.

    peak : with its sign, against the mean before; in the unit of the signal.  noise_peak : usual in a block before and
    after.   duration_s : while it stands out.   dc_shift : largest mean of 0.1 s behind its begin, less that before.
    """

    time_s: float
    peak_s: float
    peak: float
    noise_peak: float
    duration_s: float
    dc_shift: float


@dataclass(frozen=True, kw_only=True)
class LevelChange:
    """A lasting change of what is heard. before, after : r.m.s., in the unit of the signal."""

    time_s: float
    before: float
    after: float


@dataclass(frozen=True, kw_only=True)
class Switching:
    """What was found, in order of time. level_before, level_after : r.m.s. at the beginning and at the end.

    smallest_peak : what a thump needs to stand out, where it is hardest.   course : (blocks,), highest
    magnitude in each, without the mean of all; block_s : how long they are.
    """

    thumps: tuple[Thump, ...]
    changes: tuple[LevelChange, ...]
    level_before: float
    level_after: float
    smallest_peak: float
    block_s: float
    course: FloatArray


def find_switching(signal: FloatArray, sample_rate_hz: float, *, step: float = 0.0) -> Switching:
    """Return the thumps and the lasting changes of a capture.

    signal : (frames,), at least 3 s, any unit.   step : between neighbouring values, in that unit; 0: not known. What
    rests on one value is told as what rounding hides: half a step of peak, and a step over √12 of r.m.s.
    Raises SignalError: shorter, or nothing but one value.
    """
    block = round(_BLOCK_S * sample_rate_hz)
    count = len(signal) // block
    if count * block < _LEAST_S * sample_rate_hz:
        raise SignalError(
            f"the capture lasts {len(signal) / sample_rate_hz:.2f} s: at least {_LEAST_S:g} s are needed, with a "
            "second before and after what is switched"
        )
    if not np.ptp(signal):
        value = "one value throughout" if signal[0] else "nothing but zeros"
        raise SignalError(f"the capture holds {value}: is the input connected?")
    pieces = signal[: count * block].reshape(count, block)
    around = round(_MEDIAN_S / _BLOCK_S)
    # What a thump is measured against: the mean before it, which drifts with the card's coupling.
    centre, _ = _both_sides(pieces.mean(axis=1), around)
    peaks = np.max(np.abs(pieces - centre[:, None]), axis=1)
    rms = np.maximum(np.sqrt(np.var(pieces, axis=1)), step / math.sqrt(12.0))
    usual = np.maximum(np.maximum(*_both_sides(peaks, around)), 0.5 * step)
    changes = _changes(rms, around, block / sample_rate_hz)
    standing = peaks > _STANDS_OUT * usual
    thumps = tuple(
        _thump(signal, sample_rate_hz, block, first, last, centre, usual) for first, last in _groups(standing)
    )
    return Switching(
        thumps=thumps,
        changes=changes,
        level_before=float(np.median(rms[:around])),
        level_after=float(np.median(rms[-around:])),
        smallest_peak=float(_STANDS_OUT * np.max(usual)),
        block_s=block / sample_rate_hz,
        course=np.max(np.abs(pieces - np.median(signal)), axis=1),
    )


def _both_sides(values: FloatArray, around: int) -> tuple[FloatArray, FloatArray]:
    """Return, for each block, the medians of the second before it and of that behind it, (blocks,) each.

    At the ends, where one side is shorter, the first and the last value are repeated by the filter.
    """
    middle = median_filter(values, size=2 * (around // 2) + 1, mode="nearest")
    half, places = around // 2, np.arange(len(values))
    # Not the nearest blocks, which belong to the thump itself.
    before = middle[np.clip(places - half - 1, half, len(values) - 1 - half)]
    behind = middle[np.clip(places + half + 1, half, len(values) - 1 - half)]
    return np.asarray(before), np.asarray(behind)


def _groups(standing: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and last block of each run of blocks that stand out, those close together joined."""
    found: list[tuple[int, int]] = []
    for place in np.nonzero(standing)[0].tolist():
        if found and place - found[-1][1] <= _TOGETHER_S / _BLOCK_S:
            found[-1] = (found[-1][0], place)
        else:
            found.append((place, place))
    return found


def _thump(
    signal: FloatArray, rate_hz: float, block: int, first: int, last: int, centre: FloatArray, usual: FloatArray
) -> Thump:
    mean, noise_peak = float(centre[first]), float(usual[first])
    part = signal[first * block : (last + 1) * block] - mean
    above = np.nonzero(np.abs(part) > _STANDS_OUT * noise_peak)[0]
    highest = int(np.argmax(np.abs(part)))
    begin = first * block + (int(above[0]) if len(above) else highest)
    end = first * block + (int(above[-1]) if len(above) else highest)
    return Thump(
        time_s=begin / rate_hz,
        peak_s=(first * block + highest) / rate_hz,
        peak=float(part[highest]),
        noise_peak=noise_peak,
        duration_s=(end - begin + 1) / rate_hz,
        dc_shift=_dc_shift(signal, rate_hz, begin, mean),
    )


def _dc_shift(signal: FloatArray, rate_hz: float, begin: int, mean: float) -> float:
    """Return the largest mean of 0.1 s that begins within some tenths of a second behind a moment, with its sign.

    mean : that before, which it counts from.
    """
    length = round(_DC_MEAN_S * rate_hz)
    part = signal[begin : begin + length + round(_DC_SEARCH_S * rate_hz)] - mean
    if len(part) < length:
        return 0.0
    sums = np.concatenate([[0.0], np.cumsum(part)])
    means = (sums[length:] - sums[:-length]) / length
    return float(means[int(np.argmax(np.abs(means)))])


def _changes(rms: FloatArray, around: int, block_s: float) -> tuple[LevelChange, ...]:
    """Return where the level changes for good: where the medians on both sides differ most."""
    least = np.max(rms) * 1e-12
    before, behind = _both_sides(np.maximum(rms, least), around)
    ratio_db = np.abs(20.0 * np.log10(behind / before))
    found = []
    while True:
        at = int(np.argmax(ratio_db))
        if ratio_db[at] < _LEAST_CHANGE_DB:
            break
        # Both medians see the change for a while: its place is where the course crosses between them.
        low, high = max(0, at - around), min(len(rms), at + around + 1)
        place = _crossing(rms[low:high], float(before[at]), float(behind[at])) + low
        found.append(LevelChange(time_s=place * block_s, before=float(before[at]), after=float(behind[at])))
        ratio_db[max(0, at - 2 * around) : at + 2 * around + 1] = 0.0
    return tuple(sorted(found, key=lambda one: one.time_s))


def _crossing(rms: FloatArray, before: float, after: float) -> int:
    """Return the block from which on a course is nearer to its later level: fewest blocks on the wrong side."""
    middle = float(np.sqrt(before * after))
    later = (rms > middle) == (after > before)
    wrong_before = np.concatenate([[0], np.cumsum(later)])
    wrong_after = np.concatenate([np.cumsum(~later[::-1])[::-1], [0]])
    return int(np.argmin(wrong_before + wrong_after))
