"""What a tone does while its unit is tapped: its level leaves its course, or what stands beside it bursts.

A cracked joint or a loose contact moves when it is tapped, and takes the level with it; a microphonic part rings. Both
are read in blocks of a few milliseconds, by a fit of the tone in each (least squares), and held against the blocks of
the second before: what a unit does slowly is no event, and what stays after a tap is one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.analysis.shortevents import SIGMA_PER_MEDIAN
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: The trade's thresholds (common practice): a step of the level, and a burst of noise.
STEP_DB, BURST_DB = 0.3, 10.0
#: What bursts makes at least this part of the tone: in a quiet chain any lead that is touched rises by 10 dB.
LEAST_BURST = 1e-3
#: Periods of the tone in a block, at least, and how long it is, at least; blocks overlap by half.
_PERIODS, _LEAST_BLOCK_S = 8, 0.008
#: What is usual is told by so long before, at least by so many blocks.
_BEFORE_S, _FEWEST_BLOCKS = 1.0, 16
#: Medians of so many blocks are taken at once: ten minutes at once would take a gigabyte.
_MEDIANS_AT_ONCE = 4096
#: Noise reaches this many of its standard deviations in none of 10,000 blocks (normal law: 6 in 5e8).
_SIGMAS = 6.0
#: Blocks that stand no further apart belong to one event: a joint that chatters, a part that rings.
_ONE_EVENT_S = 0.25
#: A tone makes at least this part of all r.m.s.; with less, a block's level is no tone's.
_LEAST_PART = 0.7
#: Less than this part of the tone is nothing (-140 dB: no converter resolves it), and so is a peak of half a step.
_NOTHING, _HALF_STEP = 1e-7, 0.5 / math.sqrt(2.0)


@dataclass(frozen=True, kw_only=True)
class TapEvent:
    """Something that happened. begin_s : in the capture.  length_s : until it was over; what stays is usual
    after half a second.

    step_db : by how much the level left its course, with sign, at most.  burst_db : by how much what is beside the tone
    rose, at most.   gone : nothing of the tone was left, so that it fell by step_db at least.
    """

    begin_s: float
    length_s: float
    step_db: float
    burst_db: float
    gone: bool = False


@dataclass(frozen=True, kw_only=True)
class Tapped:
    """A channel while it was tapped. events : in their order.

    scatter_db : standard deviation of a block's level, as it usually is.   level_rms : median of the level, in the
    signal's unit.   course_s, course_db : (blocks,), the level over that median.
    """

    events: tuple[TapEvent, ...]
    scatter_db: float
    level_rms: float
    course_s: FloatArray
    course_db: FloatArray


def watch_tapped(
    samples: FloatArray,
    sample_rate_hz: float,
    *,
    frequency_hz: float,
    resolution: float | None = None,
    begin_s: float = 0.0,
) -> Tapped:
    """Return what happened to a steady tone.

    samples : (frames,), finite.   frequency_hz : of the tone, exactly.   begin_s : of the first sample, in the capture.
    resolution : step between neighbouring values, in the unit of the signal; None: unknown.
    Raises SignalError: too short, or no such tone.
    """
    periods = max(_PERIODS, round(_LEAST_BLOCK_S * frequency_hz))
    width = round(periods * sample_rate_hz / frequency_hz)
    hop = max(width // 2, 1)
    hop_s = hop / sample_rate_hz
    before = max(round(_BEFORE_S / hop_s), _FEWEST_BLOCKS)
    if len(samples) < width + 2 * before * hop:
        raise SignalError(f"{len(samples) / sample_rate_hz:.1f} s are too short to tap a unit: capture 10 s and more")
    level, rest = _fitted(samples, width, hop, frequency_hz / sample_rate_hz)
    usual = float(np.median(level))
    if not usual > _LEAST_PART * float(np.median(np.hypot(level, rest))):
        raise SignalError(
            f"no tone of {frequency_hz:.5g} Hz stands out: was it played, and is this its frequency (frequency_hz)?"
        )
    nothing = max(_NOTHING, _HALF_STEP * (resolution or 0.0) / usual)
    level_db, rest_db = _in_db(level / usual, nothing), _in_db(rest / usual, _NOTHING)
    step_db, burst_db = level_db - _median_before(level_db, before), rest_db - _median_before(rest_db, before)
    scatter_db = SIGMA_PER_MEDIAN * float(np.median(np.abs(step_db)))
    away = np.abs(step_db) > max(STEP_DB, _SIGMAS * scatter_db)
    loud = burst_db > max(BURST_DB, _SIGMAS * SIGMA_PER_MEDIAN * float(np.median(np.abs(burst_db))))
    loud &= rest > LEAST_BURST * usual
    centre_s: FloatArray = begin_s + (hop * np.arange(len(level), dtype=np.float64) + 0.5 * width) / sample_rate_hz
    return Tapped(
        events=tuple(_events(away | loud, level <= nothing * usual, centre_s, hop_s, step_db, burst_db)),
        scatter_db=max(scatter_db, DB_PER_NEPER * float(np.finfo(np.float64).eps)),
        level_rms=usual,
        course_s=centre_s,
        course_db=level_db,
    )


def _in_db(ratio: FloatArray, least: float) -> FloatArray:
    return np.asarray(20.0 * np.log10(np.maximum(ratio, least)), dtype=np.float64)


def _fitted(samples: FloatArray, width: int, hop: int, cycles: float) -> tuple[FloatArray, FloatArray]:
    """Return the r.m.s. of the tone, and of what it leaves, in each block; (blocks,) each. cycles : a frame."""
    angle = 2.0 * np.pi * cycles * np.arange(width)
    basis, _ = np.linalg.qr(np.stack([np.cos(angle), np.sin(angle)], axis=1))
    blocks = sliding_window_view(samples, width)[::hop]
    tone = np.sum(np.square(blocks @ basis), axis=1)
    whole = np.einsum("bf,bf->b", blocks, blocks)
    return np.sqrt(tone / width), np.sqrt(np.maximum(whole - tone, 0.0) / width)


def _median_before(values: FloatArray, count: int) -> FloatArray:
    """Return the median of so many values before each one, (values,); of the first ones that of the first `count`."""
    windows = sliding_window_view(values, count)[: len(values) - count]
    medians = [
        np.median(windows[first : first + _MEDIANS_AT_ONCE], axis=1)
        for first in range(0, len(windows), _MEDIANS_AT_ONCE)
    ]
    return np.concatenate([np.full(count, medians[0][0]), *medians])


def _events(
    found: NDArray[np.bool_],
    gone: NDArray[np.bool_],
    centre_s: FloatArray,
    hop_s: float,
    step_db: FloatArray,
    burst_db: FloatArray,
) -> list[TapEvent]:
    places = np.flatnonzero(found)
    if len(places) == 0:
        return []
    groups = np.split(places, np.flatnonzero(np.diff(centre_s[places]) > _ONE_EVENT_S) + 1)
    return [
        TapEvent(
            begin_s=float(centre_s[group[0]]),
            length_s=float(centre_s[group[-1]] - centre_s[group[0]]) + hop_s,
            step_db=float(step_db[group][np.argmax(np.abs(step_db[group]))]),
            burst_db=float(np.max(burst_db[group])),
            gone=bool(np.any(gone[group])),
        )
        for group in groups
    ]


@dataclass(frozen=True, kw_only=True)
class Answers:
    """Taps and events. tap_of : per event, the place of the tap in the list that it came with; None: of no tap."""

    tap_of: tuple[int | None, ...]

    @property
    def answered(self) -> int:
        """Return how many taps something came with."""
        return len({tap for tap in self.tap_of if tap is not None})

    @property
    def elsewhere(self) -> int:
        """Return how many events came with no tap."""
        return sum(tap is None for tap in self.tap_of)


def answers(events: Sequence[TapEvent], taps_s: Sequence[float], within_s: float) -> Answers:
    """Return which event came with which tap: the nearest, where its begin lies within so many seconds of it.

    taps_s : in the capture, further apart than twice within_s.
    """
    found: list[int | None] = []
    for event in events:
        nearest = min(range(len(taps_s)), key=lambda place: abs(taps_s[place] - event.begin_s), default=None)
        near = nearest is not None and abs(taps_s[nearest] - event.begin_s) <= within_s
        found.append(nearest if near else None)
    return Answers(tap_of=tuple(found))
