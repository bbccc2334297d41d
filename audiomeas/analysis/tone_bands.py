"""Finds the bands of steady tones in a capture that begins anywhere: what a test record, tape or generator plays.

Overlapping spectra (Hann) are looked at one after another. One holds a tone where most of the power of both channels
together stands near one frequency; neighbours of the same frequency, level and side are a band. What plays by its own
motor wanders and rumbles: the tone may stray, and what lies below `LOWEST_HZ` counts nothing.
Source of the window: F. Harris, Proc. IEEE 66 (1978), 51-83; the search itself is our own.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Below this the power is rumble, warp and the arm's resonance.
LOWEST_HZ = 18.0
#: A spectrum's length, overlapping by half: a switched tone is seen to a fifth of a second.
_WINDOW_S = 0.4
#: Near the strongest line: within this (relative, wow and flutter of bad machines), or so many bins, the Hann lobe.
_NEAR, _LOBE_BINS = 0.03, 3
#: A tone is there when it holds this part of the power of both channels.
_LEAST_SHARE = 0.5
#: What lies so far below the loudest tone is hum of a silent groove, or what a switched-off tone leaves.
QUIET_DB = 30.0
#: Two tones are one within this: the next third of an octave is eight times as far.
SAME_TONE = 0.03
#: Levels of one band: a test record's steps are larger. Sides: beyond ±20 dB leakage only wavers.
_SAME_LEVEL_DB, _SAME_SIDE_DB, _CLEAR_SIDE_DB = 2.0, 3.0, 20.0
#: One channel plays alone where the other lies so far below: less is mono, blended or open on both.
ALONE_DB = 3.0
#: A band has so many spectra at least, and loses so much at each end, where the tone was switched.
_LEAST_WINDOWS, _EDGE_S = 4, 0.2


@dataclass(frozen=True, kw_only=True)
class Band:
    """A steady tone of a capture. start, stop : its frames, without the ends.   frequency_hz : about.

    alone : column of the channel that plays alone; None: both do, or the other lies less than `ALONE_DB` below.
    """

    start: int
    stop: int
    frequency_hz: float
    alone: int | None


@dataclass(frozen=True)
class _Look:
    """What one spectrum shows: its tone (None: none), the power of both, and the side, in dB of column 1 over 0."""

    frequency_hz: float | None
    level_db: float
    side_db: float


class BandFinder:
    """Looks through blocks of a capture of two channels, in constant memory but for a few numbers a second."""

    def __init__(self, sample_rate_hz: float, *, quiet_db: float = QUIET_DB) -> None:
        """Begin. quiet_db : what lies so far below the loudest tone is none.

        Raises SignalError for a rate that holds no tones.
        """
        if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 100.0 * LOWEST_HZ):
            raise SignalError(f"a sample rate of {sample_rate_hz} Hz holds no tones; give the rate of the capture")
        self._rate_hz, self._quiet_db = sample_rate_hz, quiet_db
        self._half = round(0.5 * _WINDOW_S * sample_rate_hz)
        self._window = np.hanning(2 * self._half + 1)[:-1, None]
        self._hz = np.fft.rfftfreq(2 * self._half, 1.0 / sample_rate_hz)
        self._held = np.zeros((0, 2))
        self._looks: list[_Look] = []

    def add(self, block: FloatArray) -> None:
        """Take samples, (frames, 2). Raises SignalError for another shape, or for values that are no numbers."""
        if block.ndim != 2 or block.shape[1] != 2:
            raise SignalError(f"a block of shape {block.shape}: bands are looked for in two channels")
        if not math.isfinite(float(np.sum(block))):
            raise SignalError("the capture holds values that are no numbers (NaN or infinity); capture again")
        held = np.concatenate([self._held, block])
        at = 0
        while at + 2 * self._half <= len(held):
            self._looks.append(self._look(held[at : at + 2 * self._half]))
            at += self._half
        self._held = held[at:].copy()

    def _look(self, piece: FloatArray) -> _Look:
        power = np.square(np.abs(np.fft.rfft((piece - np.mean(piece, axis=0)) * self._window, axis=0)))
        power[self._hz < LOWEST_HZ] = 0.0
        both = power[:, 0] + power[:, 1]
        whole, top = float(np.sum(both)), int(np.argmax(both))
        reach = max(_LOBE_BINS, math.ceil(_NEAR * top))
        near = slice(max(0, top - reach), top + reach + 1)
        own = float(np.sum(both[near]))
        if not own > _LEAST_SHARE * whole:
            return _Look(None, -math.inf, 0.0)
        left, right = (float(np.sum(power[near, column])) for column in range(2))
        side_db = float(np.clip(_db(right) - _db(left), -_CLEAR_SIDE_DB, _CLEAR_SIDE_DB))
        return _Look(float(np.dot(self._hz[near], both[near])) / own, _db(own), side_db)

    def bands(self) -> tuple[Band, ...]:
        """Return the bands, in the order in which they were played."""
        loudest_db = max((look.level_db for look in self._looks), default=-math.inf)
        looks = [
            look if look.level_db > loudest_db - self._quiet_db else _Look(None, -math.inf, 0.0) for look in self._looks
        ]
        starts = [0, *(n + 1 for n, pair in enumerate(itertools.pairwise(looks)) if not _alike(*pair)), len(looks)]
        found = (self._band(looks, begin, end) for begin, end in itertools.pairwise(starts))
        return tuple(band for band in found if band is not None)

    def _band(self, looks: list[_Look], begin: int, end: int) -> Band | None:
        own = looks[begin:end]
        heard = [look.frequency_hz for look in own if look.frequency_hz is not None]
        # A slow sweep goes on by less than a tone may stray, from each spectrum to the next.
        if len(heard) < _LEAST_WINDOWS or max(heard) > (1.0 + 2.0 * SAME_TONE) * min(heard):
            return None
        side_db = float(np.median([look.side_db for look in own]))
        edge = round(_EDGE_S * self._rate_hz)
        return Band(
            start=begin * self._half + edge,
            stop=(end + 1) * self._half - edge,
            frequency_hz=float(np.median(heard)),
            alone=None if abs(side_db) < ALONE_DB else int(side_db > 0.0),
        )


def _alike(one: _Look, other: _Look) -> bool:
    if one.frequency_hz is None or other.frequency_hz is None:
        return one.frequency_hz is other.frequency_hz
    return (
        same_tone(one.frequency_hz, other.frequency_hz)
        and abs(one.level_db - other.level_db) < _SAME_LEVEL_DB
        and abs(one.side_db - other.side_db) < _SAME_SIDE_DB
    )


def same_tone(one_hz: float, other_hz: float) -> bool:
    """Return whether two frequencies are those of one tone, at the speeds that machines have."""
    return abs(one_hz - other_hz) <= SAME_TONE * max(one_hz, other_hz)


def _db(power: float) -> float:
    return 10.0 * math.log10(power) if power > 0.0 else -300.0
