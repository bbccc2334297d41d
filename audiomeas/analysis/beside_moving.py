"""Clicks and damaged blocks beside tones whose speed wanders, as tapes and records play them.

Tones and harmonics are taken away with all that lies near them in frequency, where wow and flutter put it. A jump of
the waveform is spread over the whole band, and stays; so does noise, of one size all along.

The ends of a piece are faded by the integral of a Blackman-Harris window, whose spectrum ends where the bands do, so
that they are no jumps themselves. Source of the window: F. Harris, Proc. IEEE 66 (1978), 51-83.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal.windows import blackmanharris

from audiomeas.analysis.shortevents import ShortEvents, least_peak, short_events

FloatArray = NDArray[np.float64]

#: What lies within the sum of these of a tone is its own: so far wow and flutter of bad machines carry it, and so far
#: away lie their sidebands there.
_NEAR, _NEAR_HZ = 0.02, 60.0
#: Harmonics that are taken away, and below this all: hum and rumble.
_ORDERS, _FROM_HZ = 9, 400.0
#: A fade's spectrum ends at 4/T: at _NEAR_HZ it is 92 dB down.
_FADE_S = 0.07
#: Long pieces are looked at in parts, each so far into the next one that no end is without a look.
_PART_S, _OVERLAP_S = 20.0, 0.3
#: A side has some 10⁸ pieces in all: of 10,000 sides of noise one is told then.
_ONE_IN = 1e12
#: Smaller events than this part of the largest sample are none.
_LEAST_EVENT = 1e-5


def events_beside_moving(
    signal: FloatArray, sample_rate_hz: float, tones_hz: Sequence[float], *, resolution: float | None
) -> ShortEvents | None:
    """Return the events in what tones and their harmonics leave, or None.

    signal : (frames,), in which the tones last from end to end.   tones_hz : means, in any order, one at least.
    resolution : step between neighbouring values, in the unit of the signal; None: unknown.
    Unseen: what happens within 0.07 s of an end, and what noise hides.
    """
    least = least_peak(signal, _LEAST_EVENT, resolution)
    count = max(1, round(len(signal) / (_PART_S * sample_rate_hz)))
    edges = [len(signal) * number // count for number in range(count + 1)]
    over = round(_OVERLAP_S * sample_rate_hz)
    found = [
        ShortEvents(count=one.count, frame=begin + one.frame, peak=one.peak)
        for begin, end in pairwise(edges)
        if (one := _events_of(signal[begin : end + over], sample_rate_hz, tones_hz, least)) is not None
    ]
    if not found:
        return None
    largest = max(found, key=lambda one: one.peak)
    return ShortEvents(count=sum(one.count for one in found), frame=largest.frame, peak=largest.peak)


def _events_of(part: FloatArray, rate_hz: float, tones_hz: Sequence[float], least: float) -> ShortEvents | None:
    fade = min(round(_FADE_S * rate_hz), len(part) // 4)
    if fade < 1:
        return None
    rest = _without_tones(_faded(part - np.mean(part), fade), rate_hz, tones_hz)[fade:-fade]
    found = short_events(rest, min(tones_hz) / rate_hz, least=least, one_in=_ONE_IN)
    return None if found is None else ShortEvents(count=found.count, frame=found.frame + fade, peak=found.peak)


def _faded(signal: FloatArray, frames: int) -> FloatArray:
    rise = np.cumsum(blackmanharris(frames))
    faded = signal.copy()
    faded[:frames] *= rise / rise[-1]
    faded[-frames:] *= rise[::-1] / rise[-1]
    return faded


def _without_tones(signal: FloatArray, rate_hz: float, tones_hz: Sequence[float]) -> FloatArray:
    """Return what lies neither low nor near a tone or harmonic, (frames,)."""
    size = next_fast_len(len(signal), real=True)
    spectrum = np.asarray(rfft(signal, size))
    bin_hz = rate_hz / size
    spectrum[: round(_FROM_HZ / bin_hz)] = 0.0
    for tone_hz in tones_hz:
        for order in range(1, _ORDERS + 1):
            own_hz = order * tone_hz
            width_hz = _NEAR * own_hz + _NEAR_HZ
            spectrum[max(0, round((own_hz - width_hz) / bin_hz)) : round((own_hz + width_hz) / bin_hz)] = 0.0
    return np.asarray(irfft(spectrum, size), dtype=np.float64)[: len(signal)]
