"""Were samples really lost while a sweep passed a frequency, or does a unit only turn the phase there?

A filter whose transition is as wide as that of a loss turns the phase beside it as a loss does: 15 frames were told of
a shallow notch of Q 2. So the loss itself is made, in what was played, and deconvolved as the capture was. Divided by
it, the response of a capture that lost as much runs smoothly right through the transition; a filter's does not.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.deconvolution import (
    Cut,
    FloatArray,
    Impulses,
    SweepLaw,
    deconvolve,
    inverse_spectrum,
    spectrum_at,
)

ComplexArray = NDArray[np.complex128]

#: Order of the polynomial over frequency that is smooth.
_ORDER = 4
#: The place is known to two steps of the frequencies at worst; it is tried at these, the nearest first.
_TRIED_AT = tuple(sorted(np.linspace(-2.0, 2.0, 17).tolist(), key=abs))
#: What a smooth curve leaves of the response, in energy, must fall to this part of it by the loss (70 losses in filters
#: of Q 1 to 30: 0.09 at most; that notch: 2.6).
_FALLS_TO = 0.1


@dataclass(frozen=True, kw_only=True)
class Gated:
    """How a response is read of impulses: half_s on both sides, at some frequencies, (frequencies,)."""

    half_s: float
    frequency_hz: FloatArray

    def response(self, impulses: Impulses) -> ComplexArray:
        """Return the response, (frequencies,), as if the highest peak stood at time 0."""
        samples, first = impulses.between(-self.half_s, self.half_s)
        window = np.hanning(len(samples) + 2)[1:-1]
        peak = first + int(np.argmax(np.abs(samples)))
        return spectrum_at(samples * window, first - peak, self.frequency_hz, impulses.sample_rate_hz)


def is_loss(
    response: ComplexArray,
    gated: Gated,
    span: NDArray[np.bool_],
    at_hz: float,
    frames: int,
    played: FloatArray,
    law: SweepLaw,
    points: int,
) -> bool:
    """Return whether the response of a capture is that of one which lost frames.

    response : (frequencies,), as `gated` reads it.   span : (frequencies,), those around at_hz that are looked at.
    frames : lost there, negative: repeated.   played : the sweep as rendered.   points : transform length.
    """
    octave = np.log2(gated.frequency_hz[span] / at_hz)
    hz = gated.frequency_hz[span]
    turns = [np.exp(2j * np.pi * shift / law.sample_rate_hz * hz) for shift in (0, frames, -frames)]
    measured = response[span]
    without = _left(measured, np.ones(len(octave)), octave, turns)
    return any(
        _left(measured, model[span], octave, turns) < _FALLS_TO * without
        for model in _models(gated, at_hz, frames, played, law, points)
    )


def _models(
    gated: Gated, at_hz: float, frames: int, played: FloatArray, law: SweepLaw, points: int
) -> Iterator[ComplexArray]:
    """Yield the responses of nothing but the loss, (frequencies,), at places around the one that was found."""
    step = gated.frequency_hz[1] / gated.frequency_hz[0]
    inverse = inverse_spectrum(played, law, points)
    for part in _TRIED_AT:
        at = int(law.time_of_hz(np.array(at_hz * step**part)) * law.sample_rate_hz)
        if frames > 0:
            samples = np.delete(played, slice(at, at + frames))
        else:
            samples = np.insert(played, at, played[at : at - frames])
        yield gated.response(deconvolve(Cut(samples=samples, before=0, after=0), inverse, points, law))


def _left(
    measured: ComplexArray, model: NDArray[np.number], octave: FloatArray, turns: Sequence[ComplexArray]
) -> float:
    """Return the energy that a smooth curve times a model leaves; the peaks of both may not be the same one.

    octave : (frequencies,).   turns : the ways in which they may differ, each (frequencies,).
    """
    smooth = np.vander(octave, _ORDER + 1)
    left = []
    for turn in turns:
        shape = smooth * (model * turn)[:, np.newaxis]
        rest = measured - shape @ np.linalg.lstsq(shape, measured, rcond=None)[0]
        left.append(float(np.sum(np.abs(rest) ** 2)))
    return min(left)
