"""The course of a tone's frequency, made fit for filters: the longest stretch in which it plays, with what breaks it.

A tone drops out when its level falls by more than 10 dB, or when its frequency is nowhere near; after half a second of
that it has stopped. A splice, or samples that were lost, turn the tone's phase at once: its frequency leaps for as
long as the filter that tracks it, and flutter takes longer. What is broken is bridged by a straight line and counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import upfirdn, welch
from scipy.signal.windows import kaiser

from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.analysis.flutter_weighting import HIGH_HZ, WANTED_HZ
from audiomeas.analysis.frequency_track import PASS, Track
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]

#: A tone below this part of its usual level has dropped out (10 dB); one this far from its frequency is none.
_DROPPED, _FAR = 0.316, 0.1
#: A tone that is away for longer has stopped. A stretch shorter than this is not told.
STOPPED_S, _LEAST_STRETCH_S = 0.5, 1.0
#: A leap: so many deviations from the median, as robustly as a median tells them, at least so far, at most so long.
_LEAP_SIGMAS, _LEAST_LEAP, _LONGEST_LEAP_S = 8.0, 0.005, 0.004
#: Median of |x| over the standard deviation of a normal law.
_MEDIAN_OVER_SIGMA = 0.6745
#: Good moments beside a break that tell where its bridge stands.
_PIER_S = 0.01
#: More of the time broken than this, and the rest tells nothing any more.
_MOST_BROKEN = 0.1
#: The course is kept at this rate, or somewhat above.
_KEPT_HZ = 800.0
_ATTENUATION_DB = 120.0
#: Offsets from the tone where its noise is read, in parts of the rate of the track: above flutter, inside the filter.
_NOISE_FROM, _NOISE_TO = 0.14, 0.24
_NOISE_FRAMES = 2048
#: Scrape flutter lies above all other; a tone of 3 kHz has room for it up to here.
SCRAPE_HZ = (HIGH_HZ, 700.0)
#: Parts of a stretch whose scatter tells how well a figure is known.
SCATTER_PARTS = 8


@dataclass(frozen=True, kw_only=True)
class Break:
    """Where the tone was broken. at_s : in the capture.  length_s : of a drop-out; 0 for a leap of the phase."""

    at_s: float
    length_s: float


@dataclass(frozen=True, kw_only=True)
class Course:
    """The deviation of a tone's frequency from its mean, over the stretch in which it plays.

    deviation : (moments,), relative.  mean_hz : plain mean over the stretch.  rate_hz : moments in a second.
    begin_s, end_s : of the stretch in the capture.   stretches : how many the capture holds.   taps, track_rate_hz :
    what the course has passed (`passed`).   drop_outs, leaps : bridged in it.   peak : amplitude, median.
    phase_noise : one-sided density of the tone's phase noise, in rad²/Hz, as the noise of its level tells it.
    scrape : (parts,), r.m.s. deviation in SCRAPE_HZ, relative, in each of some parts of the stretch; empty where the
    filter of a low tone does not pass that.
    """

    deviation: FloatArray
    mean_hz: float
    rate_hz: float
    begin_s: float
    end_s: float
    stretches: int
    taps: FloatArray
    track_rate_hz: float
    drop_outs: tuple[Break, ...]
    leaps: tuple[Break, ...]
    peak: float
    phase_noise: float
    scrape: FloatArray

    def passed(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the gain that modulation of a frequency has met: the mean over a moment, and the filter here."""
        hz = np.asarray(frequency_hz, dtype=np.float64)
        place = np.arange(len(self.taps)) - 0.5 * (len(self.taps) - 1)
        pairs = self.taps[place > 0.0], place[place > 0.0]
        gain = np.full(hz.shape, float(np.sum(self.taps[place == 0.0])))
        for tap, at in zip(*pairs, strict=True):
            gain += 2.0 * tap * np.cos(2.0 * np.pi * at / self.track_rate_hz * hz)
        return np.asarray(gain * np.sinc(hz / self.track_rate_hz))


def course_of(track: Track, *, tone_hz: float, usual_peak: float) -> Course:
    """Return the course of a track. tone_hz, usual_peak : of the tone, as probes told them.

    Raises SignalError: no stretch long enough, or too much of it broken.
    """
    away = (track.peak < _DROPPED * usual_peak) | (np.abs(track.frequency_hz / tone_hz - 1.0) > _FAR)
    stretches = _stretches(~away, track.rate_hz)
    if not stretches:
        raise SignalError(
            f"no tone near {tone_hz:.0f} Hz holds for {_LEAST_STRETCH_S:g} s: play a steady one of 3000 or 3150 Hz, "
            "and capture again"
        )
    start, stop = _clear(max(stretches, key=lambda one: one[1] - one[0]), track)
    hz, gone = track.frequency_hz[start:stop], _long(away[start:stop], track.rate_hz)
    begin_s = track.begin_s + start / track.rate_hz
    leap = (away[start:stop] & ~gone) | _leaps(hz, gone, track.rate_hz)
    own_leap = leap & ~_widened(gone, track.taps)  # a drop-out's edges turn the phase, too
    # The filter reaches over so many moments: all of them hold what was broken.
    spread = _widened(gone | leap, track.taps)
    share = float(np.mean(spread))
    if share > _MOST_BROKEN:
        raise SignalError(
            f"the tone is broken for {100 * share:.0f} % of the time ({_count(gone)} drop-outs, {_count(own_leap)} "
            "leaps of its phase): no flutter can be told; clean heads or stylus, or look for lost samples, then retry"
        )
    mean_hz = float(np.mean(hz[~spread]))
    taps, every = _low_pass(track.rate_hz)
    bridged = _bridged(hz / mean_hz - 1.0, spread, track.rate_hz)
    kept = upfirdn(taps, bridged, down=every)[_ceil(len(taps) - 1, every) : (len(bridged) - 1) // every + 1]
    first = _ceil(len(taps) - 1, every) * every - 0.5 * (len(taps) - 1)
    return Course(
        deviation=np.asarray(kept - np.mean(kept), dtype=np.float64),
        mean_hz=mean_hz * (1.0 + float(np.mean(kept))),
        rate_hz=track.rate_hz / every,
        begin_s=begin_s + first / track.rate_hz,
        end_s=begin_s + (stop - start) / track.rate_hz,
        stretches=len(stretches),
        taps=taps,
        track_rate_hz=track.rate_hz,
        drop_outs=_breaks(gone, track.rate_hz, begin_s, long=True),
        leaps=_breaks(own_leap, track.rate_hz, begin_s, long=False),
        peak=float(np.median(track.peak[start:stop])),
        phase_noise=_phase_noise(track.peak[start:stop], spread, track.rate_hz),
        scrape=_scrape(bridged, track.rate_hz) if SCRAPE_HZ[1] <= PASS * tone_hz else np.zeros(0),
    )


def _ceil(whole: int, part: int) -> int:
    return -(-whole // part)


def runs(flags: BoolArray) -> list[tuple[int, int]]:
    """Return (start, stop) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]


def _count(flags: BoolArray) -> int:
    return len(runs(flags))


def _stretches(there: BoolArray, rate_hz: float) -> list[tuple[int, int]]:
    """Return the stretches in which a tone plays: what is away for a moment only doesn't part them."""
    found: list[tuple[int, int]] = []
    for start, stop in runs(there):
        # Crumbs in noise or speech are no tone.
        if stop - start < 0.05 * rate_hz:
            continue
        if found and start - found[-1][1] < STOPPED_S * rate_hz:
            found[-1] = (found[-1][0], stop)
        else:
            found.append((start, stop))
    return [one for one in found if one[1] - one[0] >= _LEAST_STRETCH_S * rate_hz]


def _clear(stretch: tuple[int, int], track: Track) -> tuple[int, int]:
    """Return a stretch without what the filter has mixed with what lies beside it; as it is at the capture's ends."""
    start, stop = stretch
    return start + (track.taps if start > 0 else 0), stop - (track.taps if stop < len(track.peak) else 0)


def _long(away: BoolArray, rate_hz: float) -> BoolArray:
    """Return the drop-outs alone: where the phase leaps, the level falls for a moment, too."""
    gone = away.copy()
    for start, stop in runs(away):
        gone[start:stop] = stop - start > _LONGEST_LEAP_S * rate_hz
    return gone


def _leaps(hz: FloatArray, gone: BoolArray, rate_hz: float) -> BoolArray:
    """Return the moments in which the phase leaps, (moments,)."""
    middle = float(np.median(hz[~gone]))
    off = np.abs(hz - middle)
    sigma = float(np.median(off[~gone])) / _MEDIAN_OVER_SIGMA
    over = (off > max(_LEAP_SIGMAS * sigma, _LEAST_LEAP * middle)) & ~gone
    leap = np.zeros(len(hz), dtype=np.bool_)
    for start, stop in runs(over):
        leap[start:stop] = stop - start <= _LONGEST_LEAP_S * rate_hz
    return leap


def _widened(flags: BoolArray, reach: int) -> BoolArray:
    """Return flags that reach so many moments further on both sides."""
    count = np.cumsum(np.concatenate([[0], flags]))
    place = np.arange(len(flags))
    high, low = np.minimum(place + reach + 1, len(flags)), np.maximum(place - reach, 0)
    return np.asarray(count[high] > count[low])


def _bridged(values: FloatArray, broken: BoolArray, rate_hz: float) -> FloatArray:
    """Return values with straight lines over what is broken, from the means beside it."""
    out, pier = values, max(1, round(_PIER_S * rate_hz))
    spans = runs(broken)
    if spans:
        out = values.copy()
    good = ~broken
    for start, stop in spans:
        left = values[max(0, start - pier) : start][good[max(0, start - pier) : start]]
        right = values[stop : stop + pier][good[stop : stop + pier]]
        ends = [float(np.mean(one)) for one in (left, right) if len(one)] or [0.0]
        out[start:stop] = np.linspace(ends[0], ends[-1], stop - start + 2)[1:-1]
    return out


def _breaks(flags: BoolArray, rate_hz: float, begin_s: float, *, long: bool) -> tuple[Break, ...]:
    """Return breaks; those nearer than the filter tells apart are one. long : they have a length."""
    merged: list[tuple[int, int]] = []
    for start, stop in runs(flags):
        if merged and start - merged[-1][1] < 2.0 * _PIER_S * rate_hz:
            merged[-1] = (merged[-1][0], stop)
        else:
            merged.append((start, stop))
    return tuple(
        Break(at_s=begin_s + start / rate_hz, length_s=(stop - start) / rate_hz if long else 0.0)
        for start, stop in merged
    )


def _low_pass(rate_hz: float) -> tuple[FloatArray, int]:
    """Return taps (odd, they add up to 1) and each how many-th moment is kept."""
    every = max(1, int(rate_hz // _KEPT_HZ))
    if every == 1:
        return np.ones(1), 1
    width = 2.0 * math.pi * (rate_hz / every - 2.0 * WANTED_HZ) / rate_hz
    half = math.ceil(0.5 * (_ATTENUATION_DB - 8.0) / (2.285 * width))
    place = np.arange(-half, half + 1)
    # Its middle stands at half of the kept rate: so what folds down on all bands has met the whole stop band.
    taps = np.sinc(place / every) * kaiser(2 * half + 1, 0.1102 * (_ATTENUATION_DB - 8.7))
    return np.asarray(taps / np.sum(taps), dtype=np.float64), every


def _phase_noise(peak: NDArray[np.float32], broken: BoolArray, rate_hz: float) -> float:
    """Return the density of phase noise, in rad²/Hz: noise beside a tone moves its level as much as its phase.

    0 where the stretch is too short to tell. The median of the power of each bin, over ln 2, is its mean.
    """
    frames = min(_NOISE_FRAMES, len(peak))
    hops = range(0, len(peak) - frames + 1, frames)
    clear = [at for at in hops if not np.any(broken[at : at + frames])] or list(hops)
    window = np.hanning(frames + 1)[:-1]
    low, high = round(_NOISE_FROM * frames), round(_NOISE_TO * frames)
    if high - low < 8:
        return 0.0
    powers = []
    for at in clear:
        piece = peak[at : at + frames].astype(np.float64)
        level = float(np.mean(piece))
        powers.append(np.square(np.abs(np.fft.rfft((piece / level - 1.0) * window)[low:high])))
    density = float(np.median(powers)) / math.log(2.0) * 2.0 / (rate_hz * float(np.sum(window**2)))
    return density


def _scrape(bridged: FloatArray, rate_hz: float) -> FloatArray:
    """Return the r.m.s. deviation in the scrape band, (parts,): what a moment's mean took is given back."""
    found = []
    for part in np.array_split(bridged, SCATTER_PARTS):
        hz, density = welch(part, rate_hz, nperseg=min(_NOISE_FRAMES, len(part)))
        inside = (hz >= SCRAPE_HZ[0]) & (hz <= SCRAPE_HZ[1])
        whole = density[inside] / np.square(np.sinc(hz[inside] / rate_hz))
        found.append(math.sqrt(float(np.trapezoid(whole, hz[inside]))))
    return np.array(found)


def standing_noise(course: Course, gain: FloatArray, frequency_hz: FloatArray) -> float:
    """Return the r.m.s. deviation (relative) that the capture's noise alone makes behind a gain.

    gain : (points,), at frequency_hz, (points,), rising. A phase noise of density S is a frequency noise of f²·S.
    """
    density = np.square(gain * frequency_hz / course.mean_hz) * course.phase_noise
    return math.sqrt(float(np.trapezoid(density, frequency_hz)))


def half_width_of(parts: FloatArray) -> float:
    """Return the 95 % half-width of the mean of parts that are independent, (n,), by Student's law; 0 for one."""
    from scipy.special import stdtrit

    count = len(parts)
    if count < 2:
        return 0.0
    factor = float(stdtrit(count - 1, 0.5 + 0.5 * 0.95))
    return max(factor, TWO_SIDED_95) * float(np.std(parts, ddof=1)) / math.sqrt(count)
