"""Rumble: the noise of an unmodulated groove, weighted and not, of each channel and of both directions of the stylus.

Lateral movement moves both walls alike, vertical movement oppositely: (L + R)/2 and (L − R)/2. So a lateral band has
the same level in both channels and in the lateral sum, and all four refer to it.
Source: DIN 45539 / IEC 60098 by their weightings (see `analysis.weighting`: from memory); levels by P. Welch (see
`analysis.density`). The detector of the standards is not known for sure: it is the r.m.s. value here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.density import Density, NoiseLevel, noise_density
from audiomeas.analysis.noise_lines import NoiseLine, noise_lines
from audiomeas.analysis.weighting import weighting
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: What is told, in this order: both channels, and both directions.
SIGNALS = ("first", "second", "lateral", "vertical")
#: Kinds of level → weighting.
WEIGHTINGS = {"unweighted": "rumble_unweighted", "weighted": "rumble_weighted"}
#: Lines of motors stand a hertz apart, and some belts below: segments of so long, at least so many.
_SEGMENT_S, _LEAST_SEGMENTS = 3.0, 3
#: A piece of the course, and how far one stands above the usual one that is no rumble.
_COURSE_S, _RISE_DB = 1.0, 12.0
#: Of lines above this the rumble weightings leave nothing.
_HIGHEST_LINE_HZ = 1000.0


@dataclass(frozen=True, kw_only=True)
class RumbleNoise:
    """What an unmodulated groove holds, by `SIGNALS`.

    levels : kind of `WEIGHTINGS` → a level each.   densities, lines : of each.
    risen : (seconds from the beginning, dB above the usual) of the loudest second, where it is no rumble.
    """

    levels: dict[str, tuple[NoiseLevel, ...]]
    densities: tuple[Density, ...]
    lines: tuple[tuple[NoiseLine, ...], ...]
    risen: tuple[float, float] | None


def rumble_of(samples: FloatArray, sample_rate_hz: float) -> RumbleNoise:
    """Return levels and lines. samples : (frames, 2) in V or any unit, 2 s at least; 20 s for levels within 0.5 dB.

    Raises SignalError: too short, another shape, silent, or values that are no numbers.
    """
    if samples.ndim != 2 or samples.shape[1] != 2:
        raise SignalError("rumble is told of two channels: capture both in one file")
    # Segments overlap by half: n of them fill (n + 1)/2 of their length.
    longest = min(_SEGMENT_S * sample_rate_hz, 2.0 * len(samples) / (_LEAST_SEGMENTS + 1))
    if longest < sample_rate_hz:
        raise SignalError(
            f"{len(samples) / sample_rate_hz:.1f} s of a silent groove are too short for rumble: capture 20 s"
        )
    left, right = samples.T
    for side in (left, right):
        if not np.ptp(side):  # rounding alone would make a level of one value throughout
            value = "one value throughout" if side[0] else "nothing but zeros"
            raise SignalError(f"a channel holds {value}: is a lead out, or is this a digital silence?")
    signals = np.stack([left, right, 0.5 * (left + right), 0.5 * (left - right)], axis=1)
    densities = noise_density(signals, sample_rate_hz, frames=2 ** math.floor(math.log2(longest)))
    return RumbleNoise(
        levels={
            kind: tuple(one.level(None, weighting(name).power_gain(one.frequency_hz)) for one in densities)
            for kind, name in WEIGHTINGS.items()
        },
        densities=densities,
        lines=tuple(
            tuple(line for line in noise_lines(one) if line.frequency_hz < _HIGHEST_LINE_HZ) for one in densities
        ),
        risen=_risen(samples, sample_rate_hz),
    )


def _risen(samples: FloatArray, sample_rate_hz: float) -> tuple[float, float] | None:
    """Return when the weighted level is far above the usual one, and by how much; None: nowhere."""
    frames = round(_COURSE_S * sample_rate_hz)
    count = len(samples) // frames
    pieces = samples[: count * frames].reshape(count, frames, 2)
    spectra = np.fft.rfft(pieces * np.hanning(frames + 1)[:-1, None], axis=1)
    hz = np.asarray(np.arange(frames // 2 + 1) * (sample_rate_hz / frames), dtype=np.float64)
    weight = weighting(WEIGHTINGS["weighted"]).power_gain(hz)
    power = np.einsum("nkc,k->n", np.square(np.abs(spectra)), weight)
    usual, top = float(np.median(power)), int(np.argmax(power))
    if not usual > 0.0 or power[top] < usual * 10.0 ** (_RISE_DB / 10.0):
        return None
    return top * _COURSE_S, 10.0 * math.log10(float(power[top]) / usual)
