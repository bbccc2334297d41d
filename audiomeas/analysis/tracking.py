"""Volume tracking: how far two channels differ while a control is turned, against the level of the first.

As ganged potentiometers are specified: the difference in attenuation of two gangs over the range of the first one, from
the position of least attenuation on, where it is zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from audiomeas.analysis.demodulation import Blocks, demodulated, short_levels
from audiomeas.analysis.factors import DB_PER_NEPER, TWO_SIDED_95
from audiomeas.analysis.levelevents import level_events
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Periods of the tone in a block that is compared, and in the short ones that show crackle.
_PERIODS, _SHORT_PERIODS = 40, 8
#: A tone is heard at this many times the r.m.s. of its noise: noise alone passes once in 8,000 blocks (Rayleigh).
_HEARD = 3.0
#: Blocks that overlap by half count as half as many.
_INDEPENDENT = 0.5
#: The loudest position: blocks this near to the loudest one, in dB.
_LOUDEST_DB = 0.02
#: A control that changes the level by less than this was not turned; a tone stands at least this far above its noise.
_LEAST_TURN_DB, _LEAST_CLEAR_DB = 3.0, 30.0
#: … and makes at least this part of all r.m.s. where it is loudest.
_LEAST_PART = 0.7
#: A channel is silent when its tone stands less than this above its noise everywhere.
_SILENT_DB = 20.0
#: An end of the range lies near what can be heard when less than this is between, in dB.
_NEAR_LIMIT_DB = 12.0
#: Frames were lost when the phases of both channels jump alike by this (a control with a cable behind it turns them by
#: some degrees). What moves the phase by less, or by whole periods, does not move the level either.
_LOST_RAD = float(np.radians(20.0))


@dataclass(frozen=True, kw_only=True)
class Tracking:
    """What was found while a control was turned. Points: one for each dB of the first channel, from loud to quiet.

    frequency_hz : of the tone.
    loudest_rms : per channel, where the first is loudest, in the unit of the signals; loudest_uncertainty : relative.
    lowest_db : per channel, the lowest level that was heard, relative to its loudest.   went_silent : per channel, it
    went on below what can be heard.
    level_db : (points,) mean level of the first channel there, relative to its loudest.
    difference_db : (points,) second less first channel, 0 at the loudest; NaN where only a bound is known.
    uncertainty_db : (points,) 95 % half-width of it, from the noise and from the scatter between blocks.
    bound_db : (points,) where the second channel was not heard: the difference is at most this; else NaN.
    crackles_s, jumps_s : per channel, when they were.
    course_s, course_db : (blocks,) and (blocks, 2), levels over time relative to the loudest; NaN where not heard.
    """

    frequency_hz: float
    loudest_rms: tuple[float, float]
    loudest_uncertainty: tuple[float, float]
    lowest_db: tuple[float, float]
    went_silent: tuple[bool, bool]
    level_db: FloatArray
    difference_db: FloatArray
    uncertainty_db: FloatArray
    bound_db: FloatArray
    crackles_s: tuple[tuple[float, ...], tuple[float, ...]]
    jumps_s: tuple[tuple[float, ...], tuple[float, ...]]
    course_s: FloatArray
    course_db: FloatArray


@dataclass(frozen=True, kw_only=True)
class Largest:
    """The largest difference over a range. difference_db : signed.  at_db : of the first channel.

    whole : the second channel was heard over the whole range; else the true one may be larger.
    """

    difference_db: float
    uncertainty_db: float
    at_db: float
    whole: bool


def analyze_tracking(signals: FloatArray, sample_rate_hz: float, *, near_hz: float, exact: bool = False) -> Tracking:
    """Return the tracking of two channels from one capture.

    signals : (frames, 2), of one steady tone through a control that is turned, in whatever direction and as often as
    one likes.   near_hz : of the tone, within 3 %.   exact : it is exactly that (one clock plays and captures).
    Raises SignalError: too short, no tone, a silent channel, a control that was not turned, lost frames.
    """
    if len(signals) < 100 * _PERIODS * sample_rate_hz / near_hz / 2:
        raise SignalError(f"the capture lasts {len(signals) / sample_rate_hz:.2f} s: turning a control takes longer")
    frequency_hz = near_hz if exact else _found_hz(signals, sample_rate_hz, near_hz)
    blocks = demodulated(signals, sample_rate_hz, frequency_hz, periods=_PERIODS)
    _refuse_another_tone(signals, sample_rate_hz, blocks, frequency_hz)
    _refuse_silence(blocks)
    _refuse_lost_frames(blocks)
    crackles_s, jumps_s = _events(signals, sample_rate_hz, frequency_hz, blocks)
    undisturbed = _undisturbed(blocks, [*crackles_s, *jumps_s])
    return _against_level(blocks, undisturbed, frequency_hz, crackles_s, jumps_s)


def largest_difference(found: Tracking, down_to_db: float) -> Largest | None:
    """Return the largest difference from the loudest position down to a level (negative dB) of the first channel.

    None when the control was not turned so far, or nothing was heard there.
    """
    if not len(found.level_db) or float(np.min(found.level_db)) > down_to_db + 0.5:
        return None
    inside = found.level_db >= down_to_db - 0.5
    known = inside & np.isfinite(found.difference_db)
    if not np.any(known):
        return None
    at = int(np.argmax(np.where(known, np.abs(found.difference_db), -1.0)))
    return Largest(
        difference_db=float(found.difference_db[at]),
        uncertainty_db=float(found.uncertainty_db[at]),
        at_db=float(found.level_db[at]),
        whole=bool(np.all(known == inside)),
    )


def difference_at(found: Tracking, level_db: float) -> tuple[float, float] | None:
    """Return (difference, 95 % half-width) at a level of the first channel; None where it is not known there."""
    known = np.isfinite(found.difference_db)
    levels = found.level_db[known][::-1]
    if not len(levels) or not levels[0] - 0.5 <= level_db <= levels[-1] + 0.5:
        return None
    nearest = float(np.min(np.abs(levels - level_db)))
    if nearest > 1.0:  # a stepped control, or a turn too quick: nothing stood near
        return None
    difference_db, wide_db = found.difference_db[known][::-1], found.uncertainty_db[known][::-1]
    return float(np.interp(level_db, levels, difference_db)), float(np.interp(level_db, levels, wide_db))


# ---------------------------------------------------------------- the tone


def _found_hz(signals: FloatArray, sample_rate_hz: float, near_hz: float) -> float:
    """Return the frequency of the tone in a capture of another clock: the strongest line, then the phase's turning."""
    width = min(round(sample_rate_hz), len(signals))
    power = np.sum(signals**2, axis=1)
    sums = np.concatenate([[0.0], np.cumsum(power)])
    start = int(np.argmax(sums[width:] - sums[: len(sums) - width]))
    part = signals[start : start + width] * np.hanning(width)[:, None]
    spectrum = np.sum(np.abs(np.fft.rfft(part, axis=0)) ** 2, axis=1)
    hertz = np.arange(len(spectrum)) * sample_rate_hz / width
    near = np.abs(hertz - near_hz) < max(0.03 * near_hz, 2.0 * sample_rate_hz / width)
    peak_hz = float(hertz[int(np.argmax(np.where(near, spectrum, -1.0)))])
    blocks = demodulated(signals, sample_rate_hz, peak_hz, periods=_PERIODS)
    loudest = int(np.argmax(np.max(blocks.level_rms, axis=0)))
    tone = blocks.tone[:, loudest]
    turns = tone[1:] * np.conj(tone[:-1])
    loud = np.abs(tone) > 0.1 * float(np.max(np.abs(tone)))
    both = loud[1:] & loud[:-1]
    turn = float(np.median(np.angle(turns[both]))) if np.any(both) else 0.0
    return peak_hz + turn / (2.0 * np.pi * blocks.hop_s)


def _refuse_another_tone(signals: FloatArray, sample_rate_hz: float, blocks: Blocks, frequency_hz: float) -> None:
    """Raise SignalError when the tone is not what was played: where it is loudest, it makes most of the signal."""
    at, column = np.unravel_index(int(np.argmax(blocks.level_rms)), blocks.level_rms.shape)
    middle = round(float(blocks.centre_s[at]) * sample_rate_hz)
    half = round(blocks.hop_s * sample_rate_hz)
    around = signals[max(middle - half, 0) : middle + half, column]
    whole_rms = float(np.sqrt(np.mean(around**2)))
    tone_rms, noise_rms = float(blocks.level_rms[at, column]), float(np.median(blocks.noise_rms[:, column]))
    if tone_rms < _LEAST_PART * whole_rms or _ratio_db(tone_rms, noise_rms) < _LEAST_CLEAR_DB:
        raise SignalError(
            f"no tone of {frequency_hz:.5g} Hz stands out: was it played, and is this its frequency (frequency_hz)?"
        )


def _refuse_silence(blocks: Blocks) -> None:
    level, noise = blocks.level_rms, blocks.noise_rms
    clear_db = [_ratio_db(float(np.max(level[:, column])), float(np.median(noise[:, column]))) for column in range(2)]
    for column, clear in enumerate(clear_db):
        if clear < _SILENT_DB:
            raise SignalError(
                f"{'the first' if column == 0 else 'the second'} channel is silent: tracking compares two channels; "
                "check cables, balance and source selector"
            )


def _ratio_db(value: float, other: float) -> float:
    return float(20.0 * np.log10(max(value, 1e-300) / max(other, 1e-300)))


def _refuse_lost_frames(blocks: Blocks) -> None:
    """Raise SignalError when both channels' phases jump alike, for good: no control turns so."""
    # The break itself sounds like noise around it: the usual noise tells what is clear.
    tone, clear = blocks.tone, blocks.level_rms > 30.0 * np.median(blocks.noise_rms, axis=0)
    apart = 3  # blocks before and behind, so that none of them holds the loss
    if len(tone) <= apart:
        return
    turn = np.angle(tone[apart:] * np.conj(tone[:-apart]))
    turn = np.angle(np.exp(1j * (turn - np.median(turn, axis=0))))
    both_clear = np.all(clear[apart:] & clear[:-apart], axis=1)
    alike = np.abs(turn[:, 0] - turn[:, 1]) < 0.5 * _LOST_RAD
    lost = both_clear & alike & (np.min(np.abs(turn), axis=1) > _LOST_RAD)
    if np.any(lost):
        at_s = float(blocks.centre_s[int(np.flatnonzero(lost)[0])])
        raise SignalError(
            f"the tone's phase jumps in both channels near {at_s:.2f} s: samples were lost or repeated; capture again"
        )


# ---------------------------------------------------------------- events

_Times = tuple[tuple[float, ...], tuple[float, ...]]


def _events(signals: FloatArray, sample_rate_hz: float, frequency_hz: float, blocks: Blocks) -> tuple[_Times, _Times]:
    """Return the times of crackle and of jumps in each channel."""
    centre_s, level_rms = short_levels(signals, sample_rate_hz, frequency_hz, periods=_SHORT_PERIODS)
    wider = float(np.sqrt(_PERIODS / _SHORT_PERIODS))  # a short block lets in more noise
    crackles, jumps = [], []
    for column in range(2):
        noise_rms = wider * np.interp(centre_s, blocks.centre_s, blocks.noise_rms[:, column])
        short, sudden = level_events(level_rms[:, column], noise_rms)
        crackles.append(tuple(float(centre_s[at]) for at in short))
        jumps.append(tuple(float(centre_s[at]) for at in sudden))
    return (crackles[0], crackles[1]), (jumps[0], jumps[1])


def _undisturbed(blocks: Blocks, events_s: list[tuple[float, ...]]) -> BoolArray:
    """Return the blocks that hold no event."""
    free = np.ones(len(blocks.centre_s), dtype=np.bool_)
    for at_s in [at_s for times in events_s for at_s in times]:
        free &= np.abs(blocks.centre_s - at_s) > 1.5 * blocks.hop_s
    return free


# ---------------------------------------------------------------- against the level


def _against_level(
    blocks: Blocks, undisturbed: BoolArray, frequency_hz: float, crackles_s: _Times, jumps_s: _Times
) -> Tracking:
    level, noise = blocks.level_rms, blocks.noise_rms
    heard = (level > _HEARD * noise) & (level > 0.0)
    safe = np.where(heard, level, 1.0)
    decibels = np.where(heard, 20.0 * np.log10(safe), np.nan)
    parts = np.where(heard, TWO_SIDED_95 * noise / (np.sqrt(2.0) * safe), np.nan)
    loud = _loudest(decibels[:, 0], undisturbed & heard[:, 0] & heard[:, 1])
    if not np.any(loud):
        raise SignalError("no two channels were heard at the same time: tracking compares them")
    loudest_db = np.mean(decibels[loud], axis=0)
    count = max(_INDEPENDENT * np.count_nonzero(loud), 1.0)
    loudest_uncertainty = np.sqrt(np.mean(parts[loud] ** 2, axis=0) / count)
    course_db = decibels - loudest_db
    if float(np.nanmin(course_db[:, 0])) > -_LEAST_TURN_DB and np.all(heard[undisturbed]):
        raise SignalError(
            f"the level changes by only {-float(np.nanmin(course_db[:, 0])):.1f} dB: was the control turned?"
        )
    limit_db = 20.0 * np.log10(np.maximum(_HEARD * noise, 1e-300)) - loudest_db
    points = _points(course_db, parts, limit_db, undisturbed)
    reference_db = DB_PER_NEPER * float(np.hypot(*loudest_uncertainty))
    ends = [_end(course_db[:, column], limit_db[:, column], undisturbed) for column in range(2)]
    return Tracking(
        frequency_hz=frequency_hz,
        loudest_rms=(float(10.0 ** (loudest_db[0] / 20.0)), float(10.0 ** (loudest_db[1] / 20.0))),
        loudest_uncertainty=(float(loudest_uncertainty[0]), float(loudest_uncertainty[1])),
        lowest_db=(ends[0][0], ends[1][0]),
        went_silent=(ends[0][1], ends[1][1]),
        level_db=points[:, 0],
        difference_db=points[:, 1],
        uncertainty_db=np.hypot(points[:, 2], reference_db),
        bound_db=points[:, 3],
        crackles_s=crackles_s,
        jumps_s=jumps_s,
        course_s=blocks.centre_s,
        course_db=course_db,
    )


def _loudest(decibels: FloatArray, usable: BoolArray) -> BoolArray:
    """Return the blocks in which the first channel is as loud as it becomes; single blocks don't set it."""
    if not np.any(usable):
        return usable
    top_db = float(np.max(median_filter(decibels[usable], 5, mode="nearest")))
    return np.asarray(usable & (decibels >= top_db - _LOUDEST_DB), dtype=np.bool_)


def _points(course_db: FloatArray, parts: FloatArray, limit_db: FloatArray, undisturbed: BoolArray) -> FloatArray:
    """Return (points, 4): level, difference, its uncertainty, bound; a row a dB of the first channel, loud first."""
    first = undisturbed & np.isfinite(course_db[:, 0])
    steps = np.rint(-course_db[first, 0]).astype(int)
    levels, seconds = course_db[first, 0], course_db[first, 1]
    wide_db = DB_PER_NEPER * np.sqrt(np.sum(parts[first] ** 2, axis=1))
    limits = limit_db[first, 1]
    rows = []
    for step in np.unique(steps[steps >= 0]):
        here = steps == step
        rows.append(_point(levels[here], seconds[here] - levels[here], wide_db[here], limits[here] - levels[here]))
    return np.array(rows).reshape(-1, 4)


def _point(levels: FloatArray, differences: FloatArray, wide_db: FloatArray, bounds: FloatArray) -> list[float]:
    known = np.isfinite(differences)
    if np.count_nonzero(known) < 0.5 * len(known):
        return [float(np.mean(levels)), np.nan, np.nan, float(np.max(bounds))]
    level_db, difference_db = float(np.mean(levels[known])), float(np.mean(differences[known]))
    count = max(_INDEPENDENT * np.count_nonzero(known), 1.0)
    noise_db = float(np.sqrt(np.mean(wide_db[known] ** 2) / count))
    return [level_db, difference_db, max(noise_db, _scatter_db(levels[known], differences[known])), np.nan]


def _scatter_db(levels: FloatArray, differences: FloatArray) -> float:
    """Return the 95 % half-width of a mean from the scatter around a straight line; 0 for too few blocks to tell."""
    if len(levels) < 6:
        return 0.0
    spread = levels - np.mean(levels)
    slope = float(spread @ differences) / float(spread @ spread) if float(spread @ spread) > 0.0 else 0.0
    rest = differences - np.mean(differences) - slope * spread
    return float(2.2 * np.sqrt(np.sum(rest**2) / (len(rest) - 2)) / np.sqrt(_INDEPENDENT * len(rest)))


def _end(course_db: FloatArray, limit_db: FloatArray, undisturbed: BoolArray) -> tuple[float, bool]:
    """Return the lowest level heard, and whether the control went on below what can be heard."""
    lowest_db = float(np.nanmin(np.where(undisturbed, course_db, np.nan)))
    unheard = undisturbed & ~np.isfinite(course_db)
    if not np.any(unheard):
        return lowest_db, False
    limit = float(np.median(limit_db[unheard]))
    return (max(limit, lowest_db), True) if lowest_db < limit + _NEAR_LIMIT_DB else (lowest_db, False)
