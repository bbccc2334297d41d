"""Damage inside a captured sweep: lost or repeated samples, level steps, and short events that no unit makes.

Such a capture deconvolves to a response all the same, with tight and wrong figures. Three looks find it:

In time: what the linear response and the harmonics don't explain is noise, of one size from block to block. A jump of
the waveform sticks out of it. In frequency: gain and phase of a unit run smoothly over the octave around a frequency;
lost samples make a step of delay by a whole number of frames, and a level step one of gain, where the sweep was then.
In energy (`sweep_sudden`): a piece of a block may hide in the noise sample by sample, but not as a whole.

What stays unseen, 80 dB above the noise: below 60 Hz one frame lost at a crest of the sweep, or a level step of 0.3 dB
at its zero crossing; and what happens in the last tenth of an octave.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq
from scipy.ndimage import median_filter

from audiomeas.analysis.deconvolution import (
    Cut,
    FloatArray,
    Impulses,
    SweepLaw,
    endless_on_bins,
    fall,
)
from audiomeas.analysis.sweep_loss import Gated, is_loss
from audiomeas.analysis.sweep_sudden import sudden_in_sweep

BoolArray = NDArray[np.bool_]

#: Harmonics up to this order are the unit's own, and this much on each side of each one's impulse.
_EXPLAINED_ORDER, _HARMONIC_S = 20, 0.008
#: Blocks in which the rest is looked at, and how many of them tell what is usual there.
_BLOCK_S, _USUAL_BLOCKS = 0.01, 31
#: High-passes (corner, used while the sweep is below): the discontinuity stands clear of what the sweep excites.
_LOOKS_HZ = ((250.0, 60.0), (800.0, 160.0), (2_000.0, 400.0), (10_000.0, np.inf))
#: Harmonics end at half the sample rate, and that edge can't be explained: it is left out (parts of the rate).
_EDGE, _EDGE_ENDS = 0.42, 0.46
#: Over its usual size a block's peak is an event from here on: noise reaches 2, what the method leaves 3.7.
_EVENT = 4.5
#: And over the highest peak within a period before or after it, from here on: corners of a limiter reach 1.7.
_OF_PERIODS = 2.5
#: Relative to the sweep's own peak it must be at least this (what is smaller moves no figure), and this part of the
#: distortion around it. Above _FOLDS of the rate it must exceed that: there harmonics may fold back, suddenly.
_LEAST_EVENT, _OF_DISTORTION, _OF_FOLDED, _FOLDS = 5e-4, 0.25, 2.0, 0.05
#: And this part of the distortion in the block itself: a resonance that clips for a few blocks leaves 0.044 of it
#: unexplained. So may a level step (6 dB without noise left 0.037): such steps are found in frequency, below.
_OF_OWN = 0.065
#: Late in the sweep all of the noise lies where harmonics might: its size is taken from this part of all blocks.
_NOISE_PART = 0.8
#: The look in frequency: points per octave, octaves to each side, order of the polynomial, length of the gate.
_POINTS, _SPAN, _ORDER, _GATE_S, _FROM_HZ = 48, 0.7, 4, 0.02, 250.0
#: A step is one from so many standard deviations on. Found: breaks 79 and more, filters of Q 1 to 30 at most 24 in
#: level; in delay more, but then they also move the gain by more than this many nepers.
_LEVEL_SIGMAS, _DELAY_SIGMAS, _QUIET_NEPERS = 60.0, 90.0, 0.35
#: Steps below these are not looked for (nepers: 0.1 dB; frames), and how near to whole frames a loss must be.
_LEAST_NEPERS, _LEAST_FRAMES, _WHOLE = 0.0115, 0.7, 0.15
#: A transition wider than this part of its frequency can't be told from a unit's own resonance.
_WIDEST = 0.25
#: Whole turns by which losing frames may have turned the phase at most.
_TURNS = 6
#: So many losses are made and held against the capture, the clearest first.
_LOSSES_TRIED = 5


@dataclass(frozen=True, kw_only=True)
class SweepBreak:
    """Damage in a captured sweep.

    kind : 'lost' (size: frames lost, negative: repeated), 'level' (size: dB) or 'event' (size: peak over the sweep's).
    time_s : from the sweep's first frame.  frequency_hz : which the sweep passed then.
    """

    kind: str
    size: float
    time_s: float
    frequency_hz: float


def find_break(
    cut: Cut,
    distortion: Cut,
    impulses: Impulses,
    endless: Impulses,
    played: FloatArray,
    amplitude: float,
    points: int,
    law: SweepLaw,
) -> SweepBreak | None:
    """Return the damage found in a capture of a sweep, or None.

    cut : the capture.  distortion : the same less its linear part.  impulses : of the capture.
    endless : of the distortion, by the endless sweep.  played : the sweep as rendered.  amplitude : played peak.
    points : transform length.
    """
    step = _step_over_frequency(impulses, played, points, law)
    if step is not None:
        return step
    linear = cut.samples - distortion.samples
    event = event_in_time(distortion, linear, endless, amplitude, points, law)
    if event is not None:
        return event
    sudden = sudden_in_sweep(cut, impulses, played, amplitude, points, law)
    if sudden is None:
        return None
    within = slice(cut.before, cut.before + law.frames)
    return _break("event", sudden.peak / float(np.max(np.abs(linear[within]))), sudden.frame, law)


def event_in_time(
    distortion: Cut, linear: FloatArray, endless: Impulses, amplitude: float, points: int, law: SweepLaw
) -> SweepBreak | None:
    """Return the largest short event in a capture of a sweep, or None. Arguments as for `find_break`."""
    rest = unexplained(distortion, endless, amplitude, points, law)
    worst: SweepBreak | None = None
    noise = 0.0
    for looked, first, last in _looks(rest, distortion.before, law):
        count = (last - first) // _block_frames(law)
        if count < 3:
            continue
        peaks, swept, bent = (_peaks(x, first, count, law) for x in (looked, linear, distortion.samples))
        noise = max(noise, float(np.quantile(peaks, _NOISE_PART)) if last >= distortion.before + law.frames // 2 else 0)
        usual = median_filter(peaks, size=_USUAL_BLOCKS, mode="nearest")
        usual_bent = median_filter(bent, size=_USUAL_BLOCKS, mode="nearest")
        time_s = (first - distortion.before + np.arange(count) * _block_frames(law)) / law.sample_rate_hz
        usual = np.maximum(usual, _OF_PERIODS / _EVENT * _in_other_periods(peaks, time_s, law))
        folds = time_s > law.time_of_hz(np.array(_FOLDS * law.sample_rate_hz))
        of_distortion = np.where(folds, _OF_FOLDED, _OF_DISTORTION)
        clear = (
            (peaks > _EVENT * np.maximum(usual, noise))
            & (peaks > of_distortion * usual_bent)
            & (peaks > _OF_OWN * bent)
        )
        size = peaks / np.maximum(swept, 1e-300)
        found = np.where(clear & (size > _LEAST_EVENT), size, 0.0)
        at = int(np.argmax(found))
        if found[at] > (worst.size if worst else 0.0):
            worst = _break("event", float(found[at]), first - distortion.before + (at + 0.5) * _block_frames(law), law)
    return worst


def _block_frames(law: SweepLaw) -> int:
    return round(_BLOCK_S * law.sample_rate_hz)


def _peaks(samples: FloatArray, first: int, count: int, law: SweepLaw) -> FloatArray:
    """Return the peak of each of `count` blocks from a frame on."""
    block = _block_frames(law)
    return np.asarray(np.max(np.abs(samples[first : first + count * block]).reshape(count, block), axis=1))


def _in_other_periods(peaks: FloatArray, time_s: FloatArray, law: SweepLaw) -> FloatArray:
    """Return for each block what the period before or after it peaks at; 0 where a block holds a whole period.

    peaks, time_s : (blocks,).  A limiter or a dead band has its corners once or twice a period, in a few blocks of it,
    but in every period.
    """
    periods = np.exp(-time_s / law.growth_s) / (law.start_hz * _BLOCK_S)
    found = np.zeros(len(peaks))
    for at in np.flatnonzero(periods > 1.0):
        # A click reaches into the blocks next to it.
        near, far = max(2, int(0.5 * periods[at])), max(3, int(np.ceil(1.5 * periods[at])))
        others = np.concatenate([peaks[max(at - far, 0) : max(at - near + 1, 0)], peaks[at + near : at + far + 1]])
        found[at] = np.max(others, initial=0.0)
    return found


def _break(kind: str, size: float, frame: float, law: SweepLaw) -> SweepBreak:
    time_s = frame / law.sample_rate_hz
    hz = float(law.start_hz * np.exp(time_s / law.growth_s))
    return SweepBreak(kind=kind, size=size, time_s=time_s, frequency_hz=hz)


def unexplained(distortion: Cut, endless: Impulses, amplitude: float, points: int, law: SweepLaw) -> FloatArray:
    """Return what neither linear response nor harmonics explain, (frames,) along the cut.

    The linear impulse response and what stands around the harmonics' ones is played through the endless sweep again and
    taken away. Not what stands between them: a click while the sweep is high lies there.
    """
    kept = np.roll(endless.samples * _explained_gate(endless, law), distortion.before - law.frames)
    sweep = amplitude * endless_on_bins(law, points)
    sweep[0] = 0.0
    explained = irfft(rfft(kept) * sweep, points)[: len(distortion.samples)]
    return np.asarray(distortion.samples - explained)


def _explained_gate(impulses: Impulses, law: SweepLaw) -> FloatArray:
    """Return how much of each sample of the impulse responses is the unit's own, 0 to 1."""
    time_s = (np.arange(len(impulses.samples)) - impulses.origin) / law.sample_rate_hz
    before_s, after_s = 0.45 * law.lead_s(2), min(2.6 / law.start_hz, 0.45 * law.duration_s)
    outside_s = np.maximum(np.maximum(-before_s - time_s, time_s - after_s), 0.0)
    reach = int(2.0 * _HARMONIC_S * law.sample_rate_hz) + 2  # from here on the gate is shut
    for order in range(2, _EXPLAINED_ORDER + 1):
        peak = impulses.origin - round(law.lead_s(order) * law.sample_rate_hz)
        near = slice(max(peak - reach, 0), max(peak + reach, 0))
        from_peak_s = np.abs(time_s[near] + law.lead_s(order)) - _HARMONIC_S
        outside_s[near] = np.minimum(outside_s[near], np.maximum(from_peak_s, 0.0))
    return fall(outside_s, 0.0, _HARMONIC_S)


def _looks(rest: FloatArray, before: int, law: SweepLaw) -> Iterator[tuple[FloatArray, int, int]]:
    """Yield the rest through each high-pass, with the frames between which it is looked at."""
    points = int(next_fast_len(len(rest), real=True))
    spectrum = rfft(rest, points)
    rate_hz = law.sample_rate_hz
    frequency_hz = rfftfreq(points, 1.0 / rate_hz)

    def frame(hz: float) -> int:
        return before + int(law.time_of_hz(np.array(min(hz, law.full_to_hz))) * rate_hz)

    # Below four times its start the sweep itself rings.
    first = frame(max(law.full_from_hz, 4.0 * law.start_hz))
    for corner_hz, below_hz in _LOOKS_HZ:
        if 1.3 * corner_hz < _EDGE * rate_hz:
            shape = fall(frequency_hz, _EDGE * rate_hz, _EDGE_ENDS * rate_hz)
            shape = shape * (1.0 - fall(frequency_hz, 0.7 * corner_hz, 1.3 * corner_hz))
            yield irfft(spectrum * shape, points)[: len(rest)], first, frame(below_hz)


def _step_over_frequency(impulses: Impulses, played: FloatArray, points: int, law: SweepLaw) -> SweepBreak | None:
    """Return the clearest step of gain or delay, or None. Arguments as for `find_break`."""
    half_s = min(_GATE_S, 0.45 * law.lead_s(2))
    frequency_hz, places = _places(replace(law, shape=None), half_s)
    if not len(frequency_hz):
        return None
    gated = Gated(half_s=half_s, frequency_hz=frequency_hz)
    response = gated.response(impulses)
    if not np.all(np.abs(response) > 0.0):
        return None
    size, turn = np.log(np.abs(response)), np.unwrap(np.angle(response))
    steps = [(*step, place) for place in places for step in _steps_at(place, size, turn, law)]
    lost_tried = 0
    for _, kind, value, place in sorted(steps, key=lambda step: step[0], reverse=True):
        if kind == "lost":
            lost_tried += 1
            span = np.abs(place.octave) < _SPAN
            if lost_tried > _LOSSES_TRIED or not is_loss(
                response, gated, span, place.at_hz, round(value), played, law, points
            ):
                continue
        return _break(kind, value, float(law.time_of_hz(np.array(place.at_hz))) * law.sample_rate_hz, law)
    return None


@dataclass(frozen=True, kw_only=True)
class _Place:
    """A frequency at which a step is looked for, and what is the same there for all captures of a sweep.

    octave : (frequencies,), from at_hz.  near, inside : (frequencies,), what tells of a step, and its own transition.
    above : (near,), beyond the transition.  smooth : (near, _ORDER + 1), orthonormal columns of a smooth curve.
    step, ramp : (near,), a step of one neper, and the phase of one frame lost, beside the smooth curve.
    """

    at_hz: float
    octave: FloatArray
    near: BoolArray
    inside: BoolArray
    above: BoolArray
    smooth: FloatArray
    step: FloatArray
    ramp: FloatArray


@lru_cache(maxsize=2)  # all channels of a capture have one law; its curves cost more than looking at one channel
def _places(law: SweepLaw, half_s: float) -> tuple[FloatArray, tuple[_Place, ...]]:
    """Return the frequencies of the look, (frequencies,), none for too narrow a sweep, and the places between them."""
    low_hz = max(_FROM_HZ, 4.0 * law.full_from_hz)
    octaves = np.log2(law.full_to_hz / low_hz)
    if octaves < 2 * _SPAN:
        return np.zeros(0), ()
    frequency_hz = low_hz * 2.0 ** np.linspace(0.0, octaves, round(octaves * _POINTS) + 1)
    frequency_hz.setflags(write=False)
    middles_hz = (float(np.sqrt(high_hz * low_hz)) for low_hz, high_hz in pairwise(frequency_hz))
    places = (_place(at_hz, frequency_hz, half_s, law) for at_hz in middles_hz)
    return frequency_hz, tuple(place for place in places if place is not None)


def _place(at_hz: float, frequency_hz: FloatArray, half_s: float, law: SweepLaw) -> _Place | None:
    octave = np.log2(frequency_hz / at_hz)
    # A step in time is a Fresnel transition in frequency, √(sweep rate) wide, and the gate smooths it.
    width_hz = max(1.2 / half_s, 2.0 * float(np.sqrt(at_hz / law.growth_s)))
    if width_hz > _WIDEST * at_hz:
        return None
    span = np.abs(octave) < _SPAN
    near = span & (np.abs(frequency_hz - at_hz) > width_hz)
    above = octave[near] > 0
    if np.count_nonzero(~above) < 6 or np.count_nonzero(above) < 4:
        return None
    smooth = np.linalg.qr(np.vander(octave[near], _ORDER + 1))[0]
    return _Place(
        at_hz=at_hz,
        octave=octave,
        near=near,
        inside=span & ~near,
        above=above,
        smooth=smooth,
        step=_beside(smooth, above.astype(np.float64)),
        # Frames lost later shorten the way: the phase gains 2πf/rate for each.
        ramp=_beside(smooth, 2.0 * np.pi * frequency_hz[near] / law.sample_rate_hz * above),
    )


def _steps_at(place: _Place, size: FloatArray, turn: FloatArray, law: SweepLaw) -> Iterator[tuple[float, str, float]]:
    """Yield (standard deviations, kind, value) of what is a step at a place. size, turn : (frequencies,)."""
    here = size[place.near]
    rest = _beside(place.smooth, here)
    nepers, sigmas = (float(found[0]) for found in _fitted_steps(place.step, rest[np.newaxis], rest))
    # A step may be as large as it likes, if all else is quiet.
    quiet = np.ptp(here - nepers * place.above) <= _QUIET_NEPERS
    if quiet and abs(nepers) > _LEAST_NEPERS and sigmas > _LEVEL_SIGMAS:
        yield sigmas, "level", 20.0 / float(np.log(10.0)) * nepers
    if np.ptp(here) > _QUIET_NEPERS:
        return
    rest = _beside(place.smooth, turn[place.near])
    turns = np.arange(-_TURNS, _TURNS + 1)  # a jump beyond half a turn was unwrapped the short way
    frames, clear = _fitted_steps(place.ramp, rest + 2.0 * np.pi * np.outer(turns, place.step), rest)
    whole = np.abs(frames - np.round(frames)) < _WHOLE
    for number in np.flatnonzero((np.abs(frames) > _LEAST_FRAMES) & whole & (clear > _DELAY_SIGMAS)):
        if _crosses(float(frames[number]) * place.at_hz, _gap(place.octave, size, place.near, place.inside), law):
            yield float(clear[number]), "lost", float(np.round(frames[number]))


def _gap(octave: FloatArray, size: FloatArray, near: BoolArray, inside: BoolArray) -> FloatArray:
    """Return the gain inside a transition, in nepers, over what a smooth curve through that beside it has there."""
    curve = np.polyfit(octave[near], size[near], _ORDER)
    return np.asarray(size[inside] - np.polyval(curve, octave[inside])) if np.any(inside) else np.zeros(1)


def _crosses(frames_hz: float, gap: FloatArray, law: SweepLaw) -> bool:
    """Return whether the gain in between is that of two sounds that follow one another; a resonance's is not.

    gap : in nepers, over what a smooth curve has there.  Half of each, turned against one another, is cos(θ/2).
    """
    between = abs(np.cos(np.pi * frames_hz / law.sample_rate_hz))
    # A Fresnel transition overshoots by 1.17 at most.
    return bool(np.max(gap) < np.log(1.35) and np.exp(np.min(gap)) > 0.6 * between - 0.1)


def _beside(smooth: FloatArray, values: FloatArray) -> FloatArray:
    """Return what a smooth curve leaves of values. smooth : its orthonormal columns."""
    return np.asarray(values - smooth @ (smooth.T @ values))


def _fitted_steps(step: FloatArray, values: FloatArray, without: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the step's height in each row, (rows,), and by how many standard deviations it explains more than none.

    step : (points,), values : (rows, points), without : (points,); beside the smooth curve. `without` is what remains
    when there is no step.
    """
    free = values.shape[1] - _ORDER - 2
    energy = float(step @ step)
    if free < 1 or energy == 0.0:
        return np.zeros(len(values)), np.zeros(len(values))
    height = values @ step / energy
    left = np.sum((values - np.outer(height, step)) ** 2, axis=1)
    better = float(without @ without) / np.maximum(left, 1e-300) - 1.0
    return height, np.sqrt(np.maximum(better, 0.0) * free)
