"""Wow and flutter of a tone, its speed and its drift, from the course of its frequency.

Deviations are relative to the mean frequency of the stretch that is analysed. Sources: IEC 60386 (1972, Amendment 1
1988) and AES6-2008 (2-sigma, weighting), DIN 45507 (quasi-peak), JIS and NAB (weighted and unweighted r.m.s.), all from
memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import detrend

from audiomeas.analysis.density import Density, noise_density
from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.analysis.flutter_course import SCATTER_PARTS, SCRAPE_HZ, Course, half_width_of, standing_noise
from audiomeas.analysis.flutter_meters import LEAST_S, SETTLED_S, quasi_peak, two_sigma
from audiomeas.analysis.flutter_weighting import (
    FINER,
    HIGH_HZ,
    LOW_HZ,
    NAB_LOW_HZ,
    PARTING_HZ,
    FineArray,
    Shaped,
    band_gain,
    weight_db,
)
from audiomeas.analysis.noise_lines import NoiseLine, noise_lines
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: The weighting's answer to a course's beginning has died after so long: it is left out. The slowest wow, of which next
#: to nothing is left, wants the longer one; a short course tells none of it.
_LEAST_SETTLE_S, _MOST_SETTLE_S, _SETTLE_PART = 3.0, 6.0, 0.25
#: The standard's least time, less what the filters take at the ends; so short a course has no time to settle.
LEAST_COURSE_S = LEAST_S - 0.1
#: A segment of the spectrum: 33 1/3 turns a minute stand twenty bins from zero.
_LONGEST_SEGMENT_S = 36.0
#: Ends of the mean of the speed, over which it fades so that wow cancels in it.
_FADE_S = 15.0
#: Speed at the beginning, in the middle and at the end of a side is a mean over so long (trade use), or a third of it.
_ENDS_S = 30.0
_SLOW_HZ = 10.0
#: A change from one second to the next that no drift makes: so much (relative), and so many times the usual one.
_LEAST_STEP, _STEP_OVER_USUAL = 0.008, 5.0
RMS, TWO_SIGMA, QUASI_PEAK = "rms", "two_sigma", "quasi_peak"
#: How the size of noise in a reading compares with its r.m.s. value: 5 % of a normal law lie beyond 1.96 deviations;
#: the quasi-peak meter reads flutter-like noise so high.
_SIZES = {RMS: 1.0, TWO_SIGMA: TWO_SIDED_95, QUASI_PEAK: 2.5}
#: Ends of each band, and its figures: name and indicator.
_BANDS = (
    (LOW_HZ, HIGH_HZ, (("unweighted", TWO_SIGMA), ("unweighted_rms", RMS))),
    (NAB_LOW_HZ, HIGH_HZ, (("nab_rms", RMS),)),
    (LOW_HZ, PARTING_HZ, (("wow", TWO_SIGMA),)),
    (PARTING_HZ, HIGH_HZ, (("flutter", TWO_SIGMA),)),
)
#: The quasi-peak meter is content with each so many-th moment of a shaped course.
_EACH = 4


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One figure of modulation, relative. scatter : 95 % half-width that its parts tell.   noise : what the capture's
    noise alone would read.
    """

    value: float
    scatter: float
    noise: float


@dataclass(frozen=True, kw_only=True)
class Speed:
    """Mean frequency of the tone in Hz. half_width_hz : of wow that is left in it.   begin, middle, end : the same of
    30 s (or a third) there, each with ends_half_width_hz.   step_s, by_step_hz : means over each step.
    """

    mean_hz: float
    half_width_hz: float
    ends_half_width_hz: float
    begin_hz: float
    middle_hz: float
    end_hz: float
    step_s: float
    by_step_hz: FloatArray


@dataclass(frozen=True, kw_only=True)
class Flutter:
    """All that a course tells.

    readings : 'weighted', 'unweighted', 'wow', 'flutter' (2-sigma), 'quasi_peak' (weighted), 'weighted_rms',
    'unweighted_rms', 'nab_rms'; 'scrape_rms' where the tone has room for it.   weighted : its course, (moments,),
    relative.   density : of the unweighted one, 1/Hz.   lines : of it.
    """

    readings: dict[str, Reading]
    speed: Speed
    weighted: FloatArray
    density: Density
    lines: tuple[NoiseLine, ...]


def flutter_of(course: Course) -> Flutter:
    """Return all figures of a course. Raises SignalError when it is too short."""
    length_s = len(course.deviation) / course.rate_hz
    if length_s < LEAST_COURSE_S:
        raise SignalError(
            f"the tone plays for {length_s:.1f} s in one piece: flutter needs {LEAST_S:g} s at least, and 30 s "
            "to be told closely; capture for longer"
        )
    # A drift is told by the speed; its straight part would ring as wow at the ends.
    shaped = Shaped(detrend(course.deviation), course.rate_hz, course.passed)
    readings: dict[str, Reading] = {}
    fine = shaped.weighted()
    weighted = fine[::FINER].astype(np.float64)
    settle_s = min(max(_SETTLE_PART * length_s, _LEAST_SETTLE_S), _MOST_SETTLE_S, length_s - LEAST_COURSE_S)
    settled = fine[round(settle_s * course.rate_hz) * FINER :]
    for name, by in (("weighted", TWO_SIGMA), ("weighted_rms", RMS), ("quasi_peak", QUASI_PEAK)):
        readings[name] = _reading(course, settled, _weight, by)
    for low_hz, high_hz, names in _BANDS:
        fine = shaped.band(low_hz, high_hz)
        for name, by in names:
            readings[name] = _reading(course, fine, _band(low_hz, high_hz), by)
    if len(course.scrape):
        readings["scrape_rms"] = _scrape(course)
    density = _density(shaped.plain(), course.rate_hz)
    return Flutter(
        readings=readings,
        speed=_speed(course, density),
        weighted=weighted,
        density=density,
        lines=noise_lines(density),
    )


def _weight(frequency_hz: FloatArray) -> FloatArray:
    return np.asarray(10.0 ** (weight_db(frequency_hz) / 20.0))


def _band(low_hz: float, high_hz: float) -> Callable[[FloatArray], FloatArray]:
    return lambda hz: band_gain(hz, low_hz, high_hz)


def _reading(course: Course, own: FineArray, gain: Callable[[FloatArray], FloatArray], by: str) -> Reading:
    places_hz = np.geomspace(0.5 * LOW_HZ, HIGH_HZ, 2000)
    noise = _SIZES[by] * standing_noise(course, gain(places_hz), places_hz)
    if by == QUASI_PEAK:
        rate_hz = course.rate_hz * FINER / _EACH
        settled = quasi_peak(own[::_EACH], rate_hz)[round(SETTLED_S * rate_hz) :]
        parts = [float(np.max(part)) for part in np.array_split(settled, SCATTER_PARTS)]
        return Reading(value=max(parts), scatter=half_width_of(np.array(parts)), noise=noise)
    read = two_sigma if by == TWO_SIGMA else _rms
    parts = [read(part) for part in np.array_split(own, SCATTER_PARTS)]
    return Reading(value=read(own), scatter=half_width_of(np.array(parts)), noise=noise)


def _scrape(course: Course) -> Reading:
    places_hz = np.linspace(*SCRAPE_HZ, 500)
    return Reading(
        value=float(np.sqrt(np.mean(np.square(course.scrape)))),
        scatter=half_width_of(course.scrape),
        noise=standing_noise(course, np.ones(len(places_hz)), places_hz),
    )


def _rms(deviation: FineArray) -> float:
    return float(np.sqrt(np.mean(np.square(deviation), dtype=np.float64)))


def _density(unweighted: FloatArray, rate_hz: float) -> Density:
    longest = min(_LONGEST_SEGMENT_S * rate_hz, len(unweighted) / 2.0)
    return noise_density(unweighted[:, None], rate_hz, frames=int(2 ** math.floor(math.log2(longest))))[0]


def _speed(course: Course, density: Density) -> Speed:
    every = max(1, round(course.rate_hz / _SLOW_HZ))
    slow = course.deviation[: len(course.deviation) // every * every].reshape(-1, every).mean(axis=1)
    rate_hz = course.rate_hz / every
    step = max(1, round(rate_hz))
    third = min(round(_ENDS_S * rate_hz), len(slow) // 3)
    middle = (len(slow) - third) // 2
    steps = slow[: len(slow) // step * step].reshape(-1, step).mean(axis=1)

    def mean_hz(part: FloatArray) -> float:
        return course.mean_hz * (1.0 + float(np.dot(_faded(len(part), rate_hz), part)))

    return Speed(
        mean_hz=mean_hz(slow),
        half_width_hz=TWO_SIDED_95 * course.mean_hz * _left_of_wow(len(slow), rate_hz, density),
        ends_half_width_hz=TWO_SIDED_95 * course.mean_hz * _left_of_wow(third, rate_hz, density),
        begin_hz=mean_hz(slow[:third]),
        middle_hz=mean_hz(slow[middle : middle + third]),
        end_hz=mean_hz(slow[len(slow) - third :]),
        step_s=step / rate_hz,
        by_step_hz=np.asarray(course.mean_hz * (1.0 + steps)),
    )


def stepped(speed: Speed) -> tuple[float, float] | None:
    """Return when the speed steps, in s from the course's beginning, and by how much (relative); None: it does not.

    Two tones or two takes that follow each other without a pause do so; wow and drift do not.
    """
    change = np.diff(speed.by_step_hz) / speed.mean_hz
    if len(change) < 2:
        return None
    # A step may lie within a second: then two changes share it.
    over_two = np.abs(change[1:] + change[:-1])
    at = int(np.argmax(over_two))
    size = float(change[at] + change[at + 1])
    if abs(size) < max(_LEAST_STEP, _STEP_OVER_USUAL * float(np.median(over_two))):
        return None
    return (at + 1.5) * speed.step_s, size


def _faded(moments: int, rate_hz: float) -> FloatArray:
    """Return weights of a mean, (moments,): cosine ends, so that what turns often cancels."""
    ends = max(1, min(round(_FADE_S * rate_hz), moments // 2))
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(ends) + 0.5) / ends)
    window = np.ones(moments)
    window[:ends] = rise
    window[moments - ends :] = rise[::-1]
    return np.asarray(window / np.sum(window))


def _left_of_wow(moments: int, rate_hz: float, density: Density) -> float:
    """Return the r.m.s. of what a mean over so many moments leaves of the modulation, relative.

    What goes up and down less than twice over the whole mean is speed, not wow.
    """
    size = 4 * moments
    answer = np.square(np.abs(np.fft.rfft(_faded(moments, rate_hz), size)))
    hz = np.arange(len(answer)) * (rate_hz / size)
    power = np.interp(hz, density.frequency_hz, density.v2_per_hz)
    told = hz >= 2.0 * rate_hz / moments
    return math.sqrt(float(np.trapezoid((answer * power)[told], hz[told])))
