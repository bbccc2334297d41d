"""What the beginning of a sweep does to its harmonics, computed so that it can be taken out again.

The m-th harmonic begins at m times the sweep's start and rises as the m-th power of the fade-in. The edge rings: within
the gate around the harmonic's own impulse it ripples the lowest frequencies, and a little of it reaches into the gate
of the linear impulse. Both depend on the sweep law alone and are rendered here at a low sample rate.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from audiomeas.analysis.deconvolution import (
    ComplexArray,
    Cut,
    FloatArray,
    Gated,
    Impulses,
    SweepLaw,
    deconvolve,
    endless_inverse,
    fall,
    inverse_spectrum,
    low_cut,
    spectrum_at,
    transform_points,
)

#: Multiples of the sweep's full_from_hz: edges are corrected up to the first, blended out up to the second; the
#: rendering itself fades out between the third and the fourth; sample rate.
_CORRECTED, _BLENDED, _FADES, _ENDS, _RATE = 3.0, 4.5, 6.0, 7.5, 120.0

Gate = Callable[[Impulses], Gated]


def can_correct(law: SweepLaw) -> bool:
    """Return whether the sweep is wide enough to tell its beginning from its end."""
    return law.full_to_hz > 2.0 * _ENDS * law.full_from_hz and law.sample_rate_hz > _RATE * law.full_from_hz


def _low_law(law: SweepLaw) -> SweepLaw:
    rate_hz = _RATE * law.full_from_hz
    ends_s = float(law.time_of_hz(np.array(_ENDS * law.full_from_hz)))
    return replace(
        law, sample_rate_hz=rate_hz, full_to_hz=_FADES * law.full_from_hz, frames=int(np.ceil(ends_s * rate_hz))
    )


def _rendered(law: SweepLaw, order: int, quarter_turns: int) -> FloatArray:
    """Return the order-th harmonic of the unit sweep with its fades, ahead by quarter turns (1: a cosine)."""
    time_s = np.arange(law.frames) / law.sample_rate_hz
    growth = np.exp(time_s / law.growth_s)
    turns = order * law.start_hz * law.growth_s * growth + quarter_turns / 4.0
    level = law.level(law.start_hz * growth) ** order
    full_s = float(law.time_of_hz(np.array(law.full_from_hz)))
    fade_in = 1.0 - fall(time_s, 0.0, full_s) if full_s > 0 else np.ones(law.frames)
    from_s, to_s = (float(law.time_of_hz(np.array(times * law.full_from_hz))) for times in (_FADES, _ENDS))
    return np.asarray(level * fade_in**order * fall(time_s, from_s, to_s) * np.sin(2.0 * np.pi * turns))


def harmonic_ripple(order: int, frequency_hz: FloatArray, law: SweepLaw, gate: Gate) -> ComplexArray:
    """Return what a harmonic of constant ratio 1 would read at fundamental frequencies, (points,): 1 but for ripple.

    The harmonic of a shaped sweep goes with the level's power of its order, which is not counted as ripple.
    gate : cuts the harmonic's impulse out; returns samples, window and first frame.
    """
    ripple = np.ones(len(frequency_hz), dtype=np.complex128)
    low = frequency_hz < _BLENDED * law.full_from_hz
    if not can_correct(law) or not np.any(low):
        return ripple
    small = _low_law(law)
    samples = _rendered(small, order, 0)
    cut = Cut(samples=samples, before=0, after=0)
    points = transform_points(cut, small)
    kept, _, first = gate(deconvolve(cut, endless_inverse(small, 1.0, points), points, small))
    first_at = first + law.lead_s(order) * small.sample_rate_hz
    found = spectrum_at(kept, first_at, order * frequency_hz[low], small.sample_rate_hz)
    found = found / law.level(frequency_hz[low]) ** order
    weight = fall(frequency_hz[low], _CORRECTED * law.full_from_hz, _BLENDED * law.full_from_hz)
    ripple[low] = 1.0 + weight * (found - 1.0)
    return ripple


def leak_into_linear(
    order: int, strength: complex, frequency_hz: FloatArray, law: SweepLaw, gate: Gate
) -> ComplexArray:
    """Return what a harmonic's beginning adds to the linear response, (points,).

    strength : complex ratio of the harmonic to the played amplitude at the lowest frequencies, where the level is 1.
    """
    leak = np.zeros(len(frequency_hz), dtype=np.complex128)
    low = frequency_hz < _BLENDED * law.full_from_hz
    if not can_correct(law) or not np.any(low):
        return leak
    small = _low_law(law)
    samples = strength.real * _rendered(small, order, 0) + strength.imag * _rendered(small, order, 1)
    cut = Cut(samples=samples, before=0, after=0)
    points = transform_points(cut, small)
    kept, _, first = gate(deconvolve(cut, inverse_spectrum(_rendered(small, 1, 0), small, points), points, small))
    weight = fall(frequency_hz[low], _CORRECTED * law.full_from_hz, _BLENDED * law.full_from_hz)
    found = spectrum_at(kept, first, frequency_hz[low], small.sample_rate_hz)
    leak[low] = weight * found / low_cut(frequency_hz[low], law.start_hz)
    return leak
