"""What one second of music or noise tells when it is held against what was played: gain, delay, null, remainder.

The null is the plainest test of programme material: the source is laid over the capture by one gain and one delay, and
what is left is the difference, as a part of the whole. A unit's response alone (coupling capacitors, bandwidth) leaves
something there; so the same is told once more with the response taken out in bands of a sixth of an octave, which holds
what no response explains: noise, hum and distortion.

Least squares in the frequency domain; the delay by the peak of the cross-correlation and Newton's method behind it
(maximum likelihood for white noise; G. C. Carter, Proc. IEEE 75, 1987, 'Coherence and time delay estimation').
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from audiomeas.analysis.shortevents import ShortEvents
from audiomeas.analysis.sudden_second import sudden_beside_programme
from audiomeas.units import amplitude_ratio_to_db

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Before and after the second that is told, so much more is needed: the window rises and falls there.
CONTEXT_S = 0.25
#: The delay is looked for so far to both sides, where nothing else is asked for.
REACH_S = 0.005
#: Bands an octave in which the response is taken out.
_BANDS_AN_OCTAVE = 6
#: Bands whose response is known by so many times its variance are all sure; those by fewer than the other are not told
#: (noise alone: e^-50 of them would be).
_SURE, _TOLD = 1e4, 50.0
#: Steps of Newton's method from the nearest frame; each doubles the digits.
_NEWTON_STEPS = 4
#: Peaks of the correlation whose sizes differ by less are alike.
_ALIKE = 0.97
#: Parts in which the weakest moment is looked for; those where less than this of the mean is played tell nothing.
PART_S, _PART_BELOW_DB = 0.05, 20.0
MAINS_ORDERS, _MAINS_HZ_WIDE = 10, 1.5
_LEAST = 1e-30


@dataclass(frozen=True, kw_only=True)
class ProgrammeSecond:
    """One second of programme. level_rms : of the capture, in its unit.

    gain : of the capture over what was played, signed.  delay_frames : of the capture behind the frame it was looked
    for at.  null_db : what one gain and one delay leave, over the capture.  remainder_rms : what no response explains,
    in band, hum left out; hum_rms : of it what stands on lines of the mains.  lowest_db : the weakest part of 50 ms
    against what was to be expected there; None where nothing loud enough was played.  sudden : what is sudden in what
    no response explains, its frame from the second's first.
    """

    level_rms: float
    gain: float
    delay_frames: float
    null_db: float
    remainder_rms: float
    hum_rms: float
    lowest_db: float | None
    sudden: ShortEvents | None

    @property
    def gain_db(self) -> float:
        """Size of the gain."""
        return amplitude_ratio_to_db(max(abs(self.gain), 1e-15))


@lru_cache(maxsize=4)
def _window(frames: int, edge: int) -> FloatArray:
    rise = 0.5 * (1.0 - np.cos(np.pi * (np.arange(edge) + 0.5) / edge))
    return np.concatenate([rise, np.ones(frames - 2 * edge), rise[::-1]])


def read_programme_second(
    captured: FloatArray,
    played: FloatArray,
    sample_rate_hz: float,
    *,
    mains_hz: float,
    band_hz: tuple[float, float] = (20.0, 20_000.0),
    reach_s: float = REACH_S,
    resolution: float = 0.0,
) -> ProgrammeSecond:
    """Read one second against what was played.

    captured, played : (frames,), as long as each other, finite: the second and `CONTEXT_S` on both sides of it; laid
    over each other to within `reach_s`.  resolution : step between neighbouring values of the capture.
    Raises ValueError where nothing was played, or they differ in length.
    """
    frames = len(captured)
    edge = round(CONTEXT_S * sample_rate_hz)
    if len(played) != frames or frames <= 2 * edge:
        raise ValueError("capture and source must be as long as each other, and longer than both contexts")
    if not np.any(played):
        raise ValueError("nothing was played in this second")
    window = _window(frames, edge)
    reach = round(reach_s * sample_rate_hz)
    points = next_fast_len(frames + 2 * reach, real=True)  # room, so that shifts do not wrap around
    source = np.asarray(rfft(played * window, points))
    sound = np.asarray(rfft(captured * window, points))
    frequency_hz = np.asarray(np.fft.rfftfreq(points, 1.0 / sample_rate_hz), dtype=np.float64)
    inside = (frequency_hz >= band_hz[0]) & (frequency_hz <= min(band_hz[1], 0.4999 * sample_rate_hz))
    lines = np.flatnonzero(inside)
    delay = _delay_frames(np.where(inside, np.conj(source) * sound, 0.0), lines, points, reach)
    # Laid over each other before the window, so that both have the same edges; the rest is less than a frame.
    whole_frames = round(delay)
    source = np.asarray(rfft(_shifted(played, whole_frames) * window, points))
    rest, _ = _climbed(np.conj(source[lines]) * sound[lines], 2.0 * np.pi * lines / points, delay - whole_frames, None)
    delay = whole_frames + rest
    moved = source * np.exp(-2j * np.pi * frequency_hz / sample_rate_hz * rest)
    x, y, at_hz = moved[inside], sound[inside], frequency_hz[inside]
    x_power = float(np.sum(np.abs(x) ** 2))
    gain = float(np.sum(np.real(np.conj(x) * y))) / max(x_power, _LEAST)
    y_power = max(float(np.sum(np.abs(y) ** 2)), _LEAST)
    left = max(float(np.sum(np.abs(y - gain * x) ** 2)), _LEAST)
    response = _response(x, y, at_hz)
    remainder = np.abs(y - response * x) ** 2
    to_square = 2.0 / (points * float(np.sum(window**2)))
    hum = np.zeros(len(at_hz), dtype=bool)
    for order in range(1, MAINS_ORDERS + 1):
        hum |= np.abs(at_hz - order * mains_hz) <= _MAINS_HZ_WIDE
    whole = np.zeros_like(sound)
    whole[inside] = response * x
    heard = np.zeros_like(sound)
    heard[inside] = y
    second = slice(edge, frames - edge)
    there, expected = irfft(heard, points)[second], irfft(whole, points)[second]
    return ProgrammeSecond(
        level_rms=math.sqrt(y_power * to_square),
        gain=gain,
        delay_frames=delay,
        null_db=10.0 * math.log10(left / y_power),
        remainder_rms=math.sqrt(float(np.sum(remainder[~hum])) * to_square),
        hum_rms=math.sqrt(float(np.sum(remainder[hum])) * to_square),
        lowest_db=_lowest_db(there, expected, sample_rate_hz),
        sudden=sudden_beside_programme(there, expected, sample_rate_hz, resolution=resolution),
    )


def _delay_frames(cross: ComplexArray, lines: NDArray[np.intp], points: int, reach: int) -> float:
    """Return the delay, to a fraction of a frame, of the largest size of the cross-correlation within reach.

    Music of few tones has many peaks alike: of those the one where it was looked for is taken.
    """
    correlation = np.asarray(irfft(cross, points))
    near = np.concatenate([correlation[-reach:], correlation[: reach + 1]])
    best = int(np.argmax(np.abs(near))) - reach
    turn = 2.0 * np.pi * lines / points
    there, size = _climbed(cross[lines], turn, float(best), 1.0 if correlation[best] >= 0.0 else -1.0)
    here, own = _climbed(cross[lines], turn, 0.0, 1.0 if correlation[0] >= 0.0 else -1.0)
    return here if own > _ALIKE * size else there


def _shifted(samples: FloatArray, frames: int) -> FloatArray:
    """Return samples that come so many frames later (earlier where negative), zeros where none are known."""
    moved = np.zeros_like(samples)
    if frames >= 0:
        moved[frames:] = samples[: len(samples) - frames]
    else:
        moved[:frames] = samples[-frames:]
    return moved


def _climbed(cross: ComplexArray, turn: FloatArray, start: float, sign: float | None) -> tuple[float, float]:
    """Return the peak of the cross-correlation beside a place, and its size. sign : None: as it is there."""
    delay = start
    if sign is None:
        sign = 1.0 if float(np.sum(np.real(cross * np.exp(1j * turn * start)))) >= 0.0 else -1.0
    for _ in range(_NEWTON_STEPS):
        terms = sign * cross * np.exp(1j * turn * delay)
        slope = -float(np.sum(turn * np.imag(terms)))
        bend = -float(np.sum(turn**2 * np.real(terms)))
        if bend >= 0.0:
            break
        delay = float(np.clip(delay - slope / bend, start - 1.0, start + 1.0))
    return delay, float(np.sum(np.real(sign * cross * np.exp(1j * turn * delay))))


def _response(x: ComplexArray, y: ComplexArray, at_hz: FloatArray) -> ComplexArray:
    """Return the response that explains most, straight between bands of a sixth of an octave, at each line."""
    band = np.floor(_BANDS_AN_OCTAVE * np.log2(at_hz)).astype(np.int64)
    band -= band[0]
    power = np.abs(x) ** 2
    count = int(band[-1]) + 1
    sums = np.bincount(band, power, count)
    known = sums > _LEAST
    product = np.conj(x) * y
    found = (np.bincount(band, np.real(product), count) + 1j * np.bincount(band, np.imag(product), count))[known]
    found /= sums[known]
    # At the middle of what was played in the band: there a straight response has its mean.
    middle_hz = np.bincount(band, power * at_hz, count)[known] / sums[known]
    explained = np.abs(found) ** 2 * sums[known]
    rest = np.maximum(np.bincount(band, np.abs(y) ** 2, count)[known] - explained, _LEAST)
    weight = np.minimum(explained / rest * np.bincount(band, None, count)[known], _SURE)
    # Above the end of a source (lossy coding, its own rate) there is noise over nothing: its neighbours tell more.
    told = weight > _TOLD
    if not np.any(told):
        return np.zeros(len(at_hz), dtype=np.complex128)
    found, middle_hz, weight = found[told], middle_hz[told], weight[told]
    # Between two bands lies their mean, by how sure both are.
    share = weight[1:] / (weight[1:] + weight[:-1])
    places = np.empty(2 * len(found) - 1)
    values = np.empty(len(places), dtype=np.complex128)
    places[::2], values[::2] = middle_hz, found
    places[1::2] = 0.5 * (middle_hz[1:] + middle_hz[:-1])
    values[1::2] = found[:-1] + share * (found[1:] - found[:-1])
    return np.asarray(np.interp(at_hz, places, values.real) + 1j * np.interp(at_hz, places, values.imag))


def _lowest_db(heard: FloatArray, expected: FloatArray, sample_rate_hz: float) -> float | None:
    part = round(PART_S * sample_rate_hz)
    parts = len(heard) // part
    span = slice(0, parts * part)
    wanted = np.mean(np.square(expected[span].reshape(parts, part)), axis=1)
    there = np.mean(np.square(heard[span].reshape(parts, part)), axis=1)
    loud = wanted > float(np.mean(wanted)) * 10.0 ** (-_PART_BELOW_DB / 10.0)
    if not np.any(loud) or not np.any(wanted > _LEAST):
        return None
    return float(np.min(10.0 * np.log10(np.maximum(there[loud], _LEAST) / wanted[loud])))
