"""A slow level ramp or steps of a sine, captured elsewhere: found by its envelope, read burst by burst."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from audiomeas.analysis.clipping_burst import BurstReading, least_burst_s, read_burst
from audiomeas.analysis.clipping_search import BURST_S
from audiomeas.analysis.demodulation import short_levels
from audiomeas.analysis.tone import tone_frequency
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Periods of the blocks in which the envelope is looked at; blocks overlap by half.
_BLOCK_PERIODS = 8
#: A step is where the level stays within this (dB); a ramp may change by this much while one window lasts.
_STEADY_DB = 0.02
_SLOW_DB = 1.0
#: From block to block a ramp changes evenly: no more than this part of what a window may change by.
_EVEN_PART = 0.5
#: What lies this far below the loudest block is no part of a ramp, dB.
_RANGE_DB = 80.0
#: Longest window: a longer one says no more, and a supply sags in it.
_LONGEST_S = 0.5
#: The frequency is fitted over so much around the loudest place; the level hardly changes in it.
_FITTED_S = 0.5
#: Levels that differ by less than this (dB) in all are no ramp.
_LEAST_RANGE_DB = 1.0


@dataclass(frozen=True, kw_only=True)
class LevelWindow:
    """A stretch of a capture in which the tone stands at one level, or climbs slowly: frames from start to stop."""

    start: int
    stop: int


def level_windows(signal_v: FloatArray, sample_rate_hz: float, frequency_hz: float) -> tuple[LevelWindow, ...]:
    """Return the stretches in which a tone can be read, in order of time: each step, or windows of 0.1 s of a ramp.

    signal_v : (frames,).   Returns none where the level changes too fast everywhere.
    """
    centre_s, level = short_levels(signal_v[:, None], sample_rate_hz, frequency_hz, periods=_BLOCK_PERIODS)
    if not len(level):
        return ()
    floor = max(float(np.max(level)) * 10.0 ** (-_RANGE_DB / 20.0), np.finfo(np.float64).tiny)
    level_db, heard = 20.0 * np.log10(np.maximum(level[:, 0], floor)), level[:, 0] > floor
    hop_s = _BLOCK_PERIODS / 2 / frequency_hz
    # One block more at each end, which may reach over an edge, and half a block there.
    least = math.ceil(least_burst_s(frequency_hz, settle_s=0.0) / hop_s) + 3
    usual, longest = (max(least, math.ceil(length_s / hop_s)) for length_s in (BURST_S, _LONGEST_S))
    found: list[LevelWindow] = []
    first = 0
    while first + least <= len(level_db):
        count = _steady(level_db[first : first + longest])
        if count < least:
            count = usual if _climbs(level_db[first : first + usual], usual) else 0
        if count == 0 or not np.all(heard[first : first + count]):
            first += 1
            continue
        inside = centre_s[first + 1], centre_s[first + count - 2]
        found.append(LevelWindow(start=round(inside[0] * sample_rate_hz), stop=round(inside[1] * sample_rate_hz)))
        first += count
    return tuple(found)


def _steady(level_db: FloatArray) -> int:
    """Return how many blocks from the first on stay at one level."""
    away = np.flatnonzero(np.abs(level_db - level_db[min(1, len(level_db) - 1)]) > _STEADY_DB)
    return int(away[0]) if len(away) else len(level_db)


def _climbs(level_db: FloatArray, count: int) -> bool:
    """Return whether a window's level changes slowly and evenly."""
    if len(level_db) < count:
        return False
    change_db = np.diff(level_db)
    return bool(abs(level_db[-1] - level_db[0]) < _SLOW_DB and np.max(np.abs(change_db)) < _SLOW_DB * _EVEN_PART)


def readings_of_ramp(
    signal_v: FloatArray,
    sample_rate_hz: float,
    *,
    band_hz: tuple[float, float] = (20.0, 20_000.0),
    harmonic_limit_hz: float | None = None,
) -> tuple[tuple[LevelWindow, BurstReading], ...]:
    """Return where the level of a slow ramp or of steps is read, and what each place tells; in order of time.

    signal_v : (frames,), one channel; its tone is the strongest line.   band_hz, harmonic_limit_hz : as for
    `read_burst`. Places where the tone drowns in noise are left out.
    Raises SignalError: no tone, a level that hardly changes, too fast a ramp, values that are no numbers.
    """
    if signal_v.ndim != 1 or not np.all(np.isfinite(signal_v)):
        raise SignalError("one channel of finite values is read at a time: capture it again where it holds NaN")
    fitted_hz = _fitted_hz(signal_v, sample_rate_hz)
    readings = []
    for window in level_windows(signal_v, sample_rate_hz, fitted_hz):
        part = signal_v[window.start : window.stop]
        try:
            reading = read_burst(
                part,
                sample_rate_hz,
                fitted_hz,
                settle_s=0.0,
                band_hz=band_hz,
                harmonic_limit_hz=harmonic_limit_hz,
            )
        except SignalError:  # the tone drowns in noise there
            continue
        readings.append((window, reading))
    level_db = [20.0 * math.log10(one.fundamental_v_rms) for _, one in readings]
    if not level_db:
        raise SignalError(
            f"nowhere does the level stay, or change by less than {_SLOW_DB:g} dB in {BURST_S:g} s: play a slower "
            "ramp, or steps of 0.3 s"
        )
    if max(level_db) - min(level_db) < _LEAST_RANGE_DB:
        raise SignalError("the level hardly changes: clipping needs a ramp or steps from far below it to above it")
    return tuple(readings)


def _fitted_hz(signal_v: FloatArray, sample_rate_hz: float) -> float:
    """Return the tone's frequency, fitted where it is loudest."""
    frames = min(len(signal_v), round(_FITTED_S * sample_rate_hz))
    if frames == 0:
        raise SignalError("the capture is empty")
    hop = max(1, frames // 4)
    power = np.mean(np.square(sliding_window_view(signal_v, frames)[::hop]), axis=1)
    start = int(np.argmax(power)) * hop
    return tone_frequency(signal_v[start : start + frames], sample_rate_hz)[0]
