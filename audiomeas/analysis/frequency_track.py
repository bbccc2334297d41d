"""A tone's momentary frequency and level, block by block: what wow and flutter are read from.

The capture is turned down by the tone's frequency and filtered (the analytic signal of the tone alone, Kaiser window),
and the turn from one kept sample to the next is the frequency, averaged over that time exactly. Hum, harmonics and the
image at twice the frequency lie in the stop band, 150 dB down.
Sources: A. Oppenheim and R. Schafer, Discrete-Time Signal Processing (1989), 7.4 (Kaiser) and 10.4 (analytic signal).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal.windows import kaiser

from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Room for sidebands of 200 Hz; a tone that is called 1 kHz may be played 5 % slow.
LOWEST_TONE_HZ = 950.0
#: A tone above has no wider filter than this one.
_WIDEST_FOR_HZ = 4_000.0
#: Ends of pass and stop band, in parts of the tone's frequency: the turned-down tone stands at 0, 0 Hz at one part.
PASS, _STOP = 0.25, 0.75
_ATTENUATION_DB = 150.0
#: A tone is there when this part of the power stands within so much of one frequency.
_LEAST_SHARE, _NEAR = 0.7, 0.1
#: Below this the power is rumble or hum, which are no part of the question.
LOWEST_FOUND_HZ = 300.0
#: Tones of two probes are one within this.
_SAME_TONE = 0.05


@dataclass(frozen=True, kw_only=True)
class Probe:
    """What a short piece of a capture holds. frequency_hz : of its tone, None: there is none.  peak : its amplitude."""

    frequency_hz: float | None
    peak: float


@dataclass(frozen=True, kw_only=True)
class Tone:
    """A tone that a capture holds, by several probes. peak : its amplitude."""

    frequency_hz: float
    peak: float


@dataclass(frozen=True, kw_only=True)
class Track:
    """A tone over time, one channel.

    frequency_hz, peak : (moments,), momentary frequency and amplitude.  rate_hz : moments in a second.
    begin_s : of the first moment in the capture.  taps : moments that the filter reaches over.
    """

    frequency_hz: FloatArray
    peak: NDArray[np.float32]
    rate_hz: float
    begin_s: float
    taps: int


def probed(samples: FloatArray, sample_rate_hz: float) -> Probe:
    """Return what a piece holds, (frames,), at least 0.1 s of it. Raises SignalError for values that are no numbers."""
    piece = np.asarray(samples, dtype=np.float64)
    if not bool(np.all(np.isfinite(piece))):
        raise SignalError("the samples hold values that are no numbers (NaN or infinity); capture again")
    window = np.hanning(len(piece) + 1)[:-1]
    power = np.square(np.abs(np.fft.rfft(piece * window)))
    hz = np.arange(len(power)) * (sample_rate_hz / len(piece))
    power[hz < LOWEST_FOUND_HZ] = 0.0
    whole = float(np.sum(power))
    if whole <= 0.0:
        return Probe(frequency_hz=None, peak=0.0)
    top = float(hz[int(np.argmax(power))])
    near = np.abs(hz - top) <= _NEAR * top
    own = float(np.sum(power[near]))
    # Parseval: one-sided power of a windowed sine of amplitude A sums to A²·N·Σw²/4.
    peak = math.sqrt(4.0 * own / (len(piece) * float(np.sum(window**2))))
    found_hz = float(np.dot(hz[near], power[near])) / own
    return Probe(frequency_hz=found_hz if own >= _LEAST_SHARE * whole else None, peak=peak)


def chosen_tone(probes: Sequence[Probe], wanted_hz: Sequence[float]) -> Tone | None:
    """Return the tone that a capture's probes agree on: the one near a wanted frequency, else the one held longest.

    Returns None when no probe holds a tone.
    """
    tones = [(one.frequency_hz, one.peak) for one in probes if one.frequency_hz is not None]
    near = [one for one in tones if any(abs(one[0] / hz - 1.0) <= _NEAR for hz in wanted_hz)] or tones
    if not near:
        return None
    groups = [[one for one in near if abs(one[0] / hz - 1.0) <= _SAME_TONE] for hz, _ in near]
    found_hz, peak = np.median(max(groups, key=len), axis=0)
    return Tone(frequency_hz=float(found_hz), peak=float(peak))


class Tracker:
    """Follows a tone through blocks; how the samples are cut into them changes nothing but rounding."""

    def __init__(self, sample_rate_hz: float, channels: int, tone_hz: float) -> None:
        """Begin. Raises SignalError for a tone that flutter can't be read from at this rate."""
        wide_hz = min(tone_hz, _WIDEST_FOR_HZ)
        if not tone_hz >= LOWEST_TONE_HZ or tone_hz + wide_hz > 0.5 * sample_rate_hz:
            raise SignalError(
                f"flutter up to 200 Hz can't be read from a tone of {tone_hz:.0f} Hz at {sample_rate_hz:g} Hz: play "
                f"one of 3000 or 3150 Hz (at least {LOWEST_TONE_HZ:g} Hz)"
            )
        self._rate_hz, self._tone_hz, self._channels = sample_rate_hz, tone_hz, channels
        self._step = max(1, int(sample_rate_hz // wide_hz))
        self._rows, self._parts = self._kernel(wide_hz)
        self._held = np.zeros((0, channels))
        self._last: list[NDArray[np.complex128]] = [np.zeros(0, dtype=np.complex128)] * channels
        self._found: list[list[tuple[FloatArray, NDArray[np.float32]]]] = [[] for _ in range(channels)]

    def _kernel(self, wide_hz: float) -> tuple[FloatArray, int]:
        """Return the filter cut into parts of a step each, (2·parts, step): real parts, then imaginary ones."""
        rate_hz, step = self._rate_hz, self._step
        width = 2.0 * math.pi * (_STOP - PASS) * wide_hz / rate_hz
        parts = math.ceil(((_ATTENUATION_DB - 8.0) / (2.285 * width) + 1.0) / step)
        frames = parts * step
        place = np.arange(frames) - 0.5 * (frames - 1)
        middle = 0.5 * (PASS + _STOP) * wide_hz / rate_hz
        taps = np.sinc(2.0 * middle * place) * kaiser(frames, 0.1102 * (_ATTENUATION_DB - 8.7))
        taps *= 2.0 / np.sum(taps)
        turned = (taps * np.exp(-2j * np.pi * np.remainder(place * (self._tone_hz / rate_hz), 1.0))).reshape(
            parts, step
        )
        return np.concatenate([turned.real, turned.imag]), parts

    def add(self, block: FloatArray) -> None:
        """Take samples, (frames, channels)."""
        joined = np.concatenate([self._held, block])
        steps = len(joined) // self._step
        moments = steps - self._parts + 1
        if moments <= 0:
            self._held = joined
            return
        for channel, found in enumerate(self._found):
            laid = np.ascontiguousarray(joined[: steps * self._step, channel]).reshape(steps, self._step)
            product = self._rows @ laid.T
            z = np.zeros((2, moments))
            for part in range(self._parts):
                z[0] += product[part, part : part + moments]
                z[1] += product[self._parts + part, part : part + moments]
            whole = np.concatenate([self._last[channel], z[0] + 1j * z[1]])
            self._last[channel] = whole[-1:]
            found.append((self._frequency_hz(whole), np.abs(whole[1:]).astype(np.float32)))
        self._held = joined[moments * self._step :].copy()

    def tracks(self) -> tuple[Track, ...]:
        """Return each channel's track; of a capture shorter than the filter an empty one."""
        return tuple(self._track(found) for found in self._found)

    def _frequency_hz(self, z: NDArray[np.complex128]) -> FloatArray:
        """Return the frequency between each two moments."""
        rate_hz = self._rate_hz / self._step
        # Each moment's filter is turned as if it began at its own place: the tone's whole turn between two is left in,
        # but for the part that the sampled angle can't tell.
        turn = np.exp(-2j * np.pi * math.fmod(self._tone_hz / rate_hz, 1.0))
        angle = np.angle(z[1:] * np.conj(z[:-1]) * turn)
        return np.asarray(self._tone_hz + angle * (rate_hz / (2.0 * np.pi)), dtype=np.float64)

    def _track(self, found: list[tuple[FloatArray, NDArray[np.float32]]]) -> Track:
        hz = np.concatenate([np.zeros(0), *(one for one, _ in found)])
        peak = np.concatenate([np.zeros(0, dtype=np.float32), *(one for _, one in found)])
        found[:] = [(hz, peak)]  # the pieces are let go: of a whole side they take as much memory again
        return Track(
            frequency_hz=hz,
            peak=peak,
            rate_hz=self._rate_hz / self._step,
            begin_s=0.5 * (self._parts * self._step - 1 + self._step) / self._rate_hz,
            taps=self._parts,
        )
