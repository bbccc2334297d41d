"""Clicks and damaged blocks in a capture of what is steady: tones and their products, or a wave that repeats.

Tones and products lie on bins of the window: taking the bins away that stand clear of those around them takes away what
the unit does with them, however many they are. What is sudden is spread over many bins, and stays. Of a wave that
repeats, the middle one of all its turns at each place is taken away: what is sudden spoils one or two of them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, rfft
from scipy.ndimage import maximum_filter1d, median_filter

from audiomeas.analysis.known_tones import fit_known_tones
from audiomeas.analysis.shortevents import ShortEvents, least_peak, seldom_near, short_events

FloatArray = NDArray[np.float64]

#: Bins of which the median tells what is usual, and the power over it that no bin of noise has (e⁻²⁰).
_AROUND_BINS, _OVER_NOISE = 65, 20.0
#: Samples that stick out: over the median magnitude (10: 6.7 standard deviations of noise), with those around them;
#: more than this part of all are none. In each round the events' share in the lines falls to their part of the window.
_OUTLYING, _REACH_FRAMES, _MOST_OUTLYING, _ROUNDS = 10.0, 33, 0.25, 6
#: Smaller events than this part of the largest sample are none.
_LEAST_EVENT = 1e-6
#: Many tones reach a limiter for once in a window, or step out of a dead band for once: in so long blocks.
_BLOCK_FRAMES = 64
#: … if what a law without memory leaves is it: that lies where the wave is high. So much of its energy lies above so
#: much of the peak: limiters, dead bands and curves leave 0.5 or more there, blocks that changed places 0.4 or less.
_HIGH, _OF_ENERGY = 0.6, 0.45
#: Orders of a tone's harmonics that are taken away with it, and up to which part of the rate.
_HARMONICS, _HIGHEST_OF_RATE = 9, 0.49


def events_beside_lines(signal: FloatArray, *, resolution: float | None) -> ShortEvents | None:
    """Return the events in what the lines of a window leave, or None.

    signal : (frames,), in which every steady line has whole periods.   resolution : step between neighbouring values,
    in the unit of the signal; None: unknown.   Unseen: what lies highest where many tones peak as they seldom do.
    """
    rest = _without_lines(signal)
    # What is steady may peak but once in the whole window.
    found = short_events(rest, 1.0 / len(signal), least=least_peak(signal, _LEAST_EVENT, resolution), may_hum=False)
    if found is None or (at_limit(signal, found.frame) and _lies_high(rest, signal - rest, found.frame)):
        return None
    return found


def events_beside_wave(
    signal: FloatArray, parts: int, cycles: float, *, resolution: float | None
) -> ShortEvents | None:
    """Return the events in what a wave that repeats leaves, or None.

    signal : (frames,), whole periods in each of so many parts.   cycles : periods per frame.   resolution : as for
    `events_beside_lines`.   Raises ValueError when the parts are not alike.
    """
    turns = signal.reshape(parts, -1)
    rest = (turns - np.median(turns, axis=0)).ravel()
    return short_events(rest, cycles, least=least_peak(signal, _LEAST_EVENT, resolution))


def events_beside_tone(
    signal: FloatArray, sample_rate_hz: float, frequency_hz: float, *, resolution: float | None
) -> ShortEvents | None:
    """Return the events in what a tone of known frequency and its harmonics leave, or None; whole periods or not.

    signal, resolution : as for `events_beside_lines`.   Raises ValueError for a capture of a few dozen frames.
    """
    orders = np.arange(1, _HARMONICS + 1)
    tones_hz = tuple((orders * frequency_hz)[orders * frequency_hz < _HIGHEST_OF_RATE * sample_rate_hz].tolist())
    rest = fit_known_tones(signal, sample_rate_hz, tones_hz).residual
    return short_events(rest, frequency_hz / sample_rate_hz, least=least_peak(signal, _LEAST_EVENT, resolution))


def _without_lines(signal: FloatArray) -> FloatArray:
    """Return what the lines of a signal leave, (frames,).

    An event adds a little to each line, which then stands over the whole window: samples that stick out are held to be
    what the lines say, and the lines are read again.
    """
    lines = _lines(signal)
    for _ in range(_ROUNDS):
        size = np.abs(signal - lines)
        outlying = maximum_filter1d(size > _OUTLYING * float(np.median(size)), _REACH_FRAMES)
        if not np.any(outlying) or np.mean(outlying) > _MOST_OUTLYING:
            break
        lines = _lines(np.where(outlying, lines, signal))
    return signal - lines


def _lines(signal: FloatArray) -> FloatArray:
    """Return the mean of a signal and those of its bins that stand clear of the ones around them, (frames,)."""
    spectrum = rfft(signal)
    power = np.abs(spectrum) ** 2
    usual = median_filter(power, size=_AROUND_BINS, mode="nearest")
    # The median of an exponential law is ln 2 of its mean.
    clear = power > _OVER_NOISE * usual / np.log(2.0)
    clear[0] = True
    return np.asarray(irfft(np.where(clear, spectrum, 0.0), len(signal)))


def at_limit(signal: FloatArray, frame: int) -> bool:
    """Return whether a law without memory may have shown for once: the samples seldom come near to where they peak."""
    around = np.abs(signal[max(frame - _BLOCK_FRAMES, 0) : frame + _BLOCK_FRAMES])
    return seldom_near(float(np.max(around)), signal, _BLOCK_FRAMES)


def _lies_high(rest: FloatArray, lines: FloatArray, frame: int) -> bool:
    """Return whether what is left around a frame lies where the wave itself is high."""
    around = slice(max(frame - _BLOCK_FRAMES, 0), frame + _BLOCK_FRAMES)
    size, energy = np.abs(lines[around]), np.square(rest[around])
    return float(np.sum(energy[size > _HIGH * np.max(size)])) >= _OF_ENERGY * float(np.sum(energy))
