"""The response of a unit from single steady sines: what each tells, and what they tell together.

Each sine is fitted by least squares with its frequency free (IEEE Std 1057-2017, four parameters); the phase is taken
in the middle of the fitted part, where it does not depend on the fitted frequency.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.shortevents import short_events
from audiomeas.analysis.sweep import HarmonicResponse
from audiomeas.analysis.tone import Line, ToneAnalysis, analyze_tone
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: No ratio is stated closer than this (relative): a capture without noise would claim all digits.
LEAST_RELATIVE = 1e-6
#: Harmonics that may stand in the way of the fit are followed to this order; beyond, they leak nothing into it.
_HIGHEST_FITTED = 20.5
#: The tone's level in the two halves of a step: it moved when they differ by this many half-widths of the noise (the
#: difference has 2.45 times the standard deviation of the whole, so this is 3.2 of its own).
_MOVED = 4.0
#: More than this (relative; 0.1 dB) and the step was not steady: no gain is told.
_UNSTEADY = 0.0115
#: A tone this far (relative) from where it was played is fitted again where it is.
_OTHER_FREQUENCY = 1e-7
#: An arrival is looked for this far around the start that is known.
_ARRIVAL_S = 0.005
#: Fewer steps than this, or less than two octaves, tell no delay.
_FEWEST_STEPS, _LEAST_SPAN = 4, 4.0
#: A mains line nearer than this to a line of the tone can't be told from it.
_HUM_BINS = 3
#: Orders of harmonics that are told against frequency.
HIGHEST_ORDER = 5


@dataclass(frozen=True, kw_only=True)
class StepTone:
    """What one steady sine tells. All of the captured side.

    frequency_hz : as fitted.   peak : complex; phase as of a sine, in the middle of the fitted part, in the signal's
    unit.   noise_relative : 95 % half-width of the amplitude through noise, relative to it.   moved_relative : by how
    much its level moved from the first to the second half, as far as noise does not explain it.
    """

    frequency_hz: float
    peak: complex
    frames: int
    noise_relative: float
    moved_relative: float
    tone: ToneAnalysis


@dataclass(frozen=True, kw_only=True)
class SteppedResponse:
    """The response of one channel at single frequencies, in the terms of `sweep.SweepResponse`.

    frequency_hz, response : (steps,); complex, captured over played, with `delay_s` removed, polarity left in.
    delay_s : when the impulse that these steps make together peaks, after the start; 0 where they can't tell it
    (`start_known` is False then).   gain_uncertainty, phase_uncertainty_deg : 95 % half-widths; the gain's is relative.
    hum : (steps,), level of a mains line that stands on the step, relative to its tone; in the uncertainty.
    """

    frequency_hz: FloatArray
    response: ComplexArray
    start_known: bool
    delay_s: float
    polarity: int | None
    gain_uncertainty: FloatArray
    phase_uncertainty_deg: FloatArray
    hum: FloatArray
    harmonics: tuple[HarmonicResponse, ...]

    @property
    def gain(self) -> FloatArray:
        """Magnitude of the response, (steps,)."""
        return np.abs(self.response)

    @property
    def group_delay_s(self) -> FloatArray:
        """Not a number: between single frequencies a group delay is not seen."""
        return np.full(len(self.frequency_hz), np.nan)

    def phase_deg(self, reference_hz: float) -> FloatArray:
        """Return the unwrapped phase in degrees, between −180 and 180 at the step nearest to reference_hz."""
        phase = np.unwrap(np.angle(self.response))
        nearest = int(np.argmin(np.abs(np.log(self.frequency_hz / reference_hz))))
        turns = np.round(phase[nearest] / (2.0 * np.pi))
        return np.asarray(np.degrees(phase - 2.0 * np.pi * turns))


def fit_step(
    captured: FloatArray, sample_rate_hz: float, *, near_hz: float, resolution: float | None = None
) -> StepTone:
    """Fit the sine of one step.

    captured : (frames,), at least eight periods, any unit.   near_hz : as played.   resolution : as for `analyze_tone`.
    Raises SignalError: all that `analyze_tone` refuses; clicks in it; a level that moves by more than 0.1 dB.
    """
    tone, signal = _fitted(captured, sample_rate_hz, near_hz, resolution)
    if abs(tone.frequency_hz / near_hz - 1.0) > _OTHER_FREQUENCY:
        # Another clock: the drift was fitted beside a tone that is not quite the one there.
        tone, signal = _fitted(captured, sample_rate_hz, tone.frequency_hz, resolution)
    if tone.events is not None and _is_sudden(signal, tone.frequency_hz / sample_rate_hz):
        raise SignalError("a click or a lost sample during the step; look for its cause and capture again")
    noise = math.hypot(tone.level_uncertainty / tone.level_rms, LEAST_RELATIVE)
    change = level_change(signal, sample_rate_hz, tone.frequency_hz)
    moved = abs(change) if abs(change) > _MOVED * noise else 0.0
    if moved > _UNSTEADY:
        raise SignalError(
            f"the level moves by {20.0 * math.log10(1.0 + change):+.2f} dB while it is measured: it has not settled; "
            "give a longer settle_s, or look for a limiter or a contact"
        )
    turns = tone.phase_deg / 360.0 + tone.frequency_hz * (len(signal) - 1) / 2.0 / sample_rate_hz
    return StepTone(
        frequency_hz=tone.frequency_hz,
        peak=complex(math.sqrt(2.0) * tone.level_rms * np.exp(2j * np.pi * math.remainder(turns, 1.0))),
        frames=len(signal),
        noise_relative=noise,
        moved_relative=moved,
        tone=tone,
    )


def _fitted(
    captured: FloatArray, sample_rate_hz: float, near_hz: float, resolution: float | None
) -> tuple[ToneAnalysis, FloatArray]:
    """Return the tone, and the capture without its slow drift, that it was fitted to."""
    signal = without_drift(captured, near_hz / sample_rate_hz)
    tone = analyze_tone(
        signal,
        sample_rate_hz,
        near_hz=near_hz,
        band_hz=(min(20.0, near_hz / 2.0), max(20_000.0, 1.05 * near_hz)),
        harmonic_limit_hz=_HIGHEST_FITTED * near_hz,
        spectrum_points=0,
        resolution=resolution,
    )
    return tone, signal


def without_drift(signal: FloatArray, cycles: float) -> FloatArray:
    """Return a tone without the slow drift under it (a cubic fitted beside the tone), a new array.

    Coupling capacitors of a unit settle for longer than a step lasts; over few periods that leaks into the tone.
    cycles : of the tone, per frame.
    """
    place = np.linspace(-1.0, 1.0, len(signal))
    turns = 2.0 * np.pi * np.remainder(np.arange(len(signal)) * cycles, 1.0)
    columns = np.stack([place, place**2, place**3, np.cos(turns), np.sin(turns), np.ones(len(signal))], axis=1)
    slow = np.linalg.solve(columns.T @ columns, columns.T @ signal)[:3]
    return np.asarray(signal - columns[:, :3] @ slow, dtype=np.float64)


def _is_sudden(signal: FloatArray, cycles: float) -> bool:
    """Return whether what sticks out of a tone is sudden: coupling capacitors still settling are slow, and harmless.

    The second difference of samples takes what is slow away; a sine stays one.   cycles : of the tone, per frame.
    """
    bent = np.diff(signal, n=2)
    turns = 2.0 * np.pi * np.remainder(np.arange(len(bent)) * cycles, 1.0)
    sine = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    rest = bent - sine @ np.linalg.lstsq(sine, bent, rcond=None)[0]
    return short_events(rest, cycles, least=0.0) is not None


def level_change(signal: FloatArray, sample_rate_hz: float, frequency_hz: float) -> float:
    """Return by how much a tone's level rises from the first to the second half of a capture, relative.

    Both parts hold the same whole number of periods, so that DC and harmonics stand in both alike.
    """
    periods = max(1, math.floor(len(signal) * frequency_hz / sample_rate_hz / 2.0))
    frames = min(round(periods * sample_rate_hz / frequency_hz), len(signal) // 2)
    turns = np.remainder(np.arange(frames) * (frequency_hz / sample_rate_hz), 1.0)
    weight = np.hanning(frames) * np.exp(-2j * np.pi * turns)
    first, second = abs(complex(signal[:frames] @ weight)), abs(complex(signal[-frames:] @ weight))
    return second / first - 1.0 if first > 0.0 else math.inf


def stepped_response(
    tones: Sequence[StepTone],
    *,
    played_hz: FloatArray,
    played_peak: ComplexArray,
    one_clock: bool,
) -> SteppedResponse:
    """Put the steps of one channel together.

    played_hz, played_peak : (steps,), ascending; complex peak values at the input, phase as in `StepTone.peak`.
    one_clock : phases of captured and played can be compared; else the phase is that of nothing.
    """
    response = np.array([tone.peak for tone in tones]) / played_peak
    delay_s, polarity = arrival(played_hz, response) if one_clock else (None, None)
    mains = [line for tone in tones for line in (*tone.tone.mains, tone.tone.second_tone) if line is not None]
    hum = np.array([hum_near(mains, one.frequency_hz, one.tone) / one.tone.level_rms for one in tones])
    moved = np.array([tone.moved_relative for tone in tones])
    noise = np.array([tone.noise_relative for tone in tones])
    # A mains line adds to the tone at a phase that is not known: of its arcsine shape, 95 % lies within 0.997 of it.
    relative = np.sqrt(noise**2 + moved**2 + hum**2)
    return SteppedResponse(
        frequency_hz=played_hz,
        response=response * np.exp(2j * np.pi * played_hz * (delay_s or 0.0)),
        start_known=delay_s is not None,
        delay_s=delay_s or 0.0,
        polarity=polarity,
        gain_uncertainty=relative,
        phase_uncertainty_deg=np.degrees(relative),
        hum=hum,
        harmonics=tuple(
            one
            for order in range(2, HIGHEST_ORDER + 1)
            if (one := _harmonic(order, tones, played_hz, mains)) is not None
        ),
    )


def arrival(frequency_hz: FloatArray, response: ComplexArray) -> tuple[float | None, int | None]:
    """Return when the impulse made of these steps peaks (seconds, within ±5 ms) and the sign of that peak.

    Each step stands for the band around it, in Hz, as in an impulse response. None, None where the steps can't tell.
    """
    if len(frequency_hz) < _FEWEST_STEPS or frequency_hz[-1] / frequency_hz[0] < _LEAST_SPAN:
        return None, None
    # Weights alike per octave first: their sum has one clear peak, where weights per Hz repeat soon.
    step_s = 1.0 / (16.0 * frequency_hz[-1])
    coarse_s = np.arange(-_ARRIVAL_S, _ARRIVAL_S, step_s)
    unit = response / np.abs(response)
    near_s = float(coarse_s[np.argmax(np.abs(_summed(frequency_hz, unit, coarse_s)))])
    per_hz = response * np.gradient(frequency_hz)
    fine_s = near_s + np.linspace(-24.0, 24.0, 3073) * step_s
    heights = _summed(frequency_hz, per_hz, fine_s).real
    best = int(np.clip(np.argmax(np.abs(heights)), 1, len(heights) - 2))
    before, at, after = (float(value) for value in np.abs(heights[best - 1 : best + 2]))
    bend = before - 2.0 * at + after
    between = 0.5 * (before - after) / bend if bend < 0.0 else 0.0
    return float(fine_s[best] + between * (fine_s[1] - fine_s[0])), 1 if heights[best] > 0.0 else -1


def _summed(frequency_hz: FloatArray, values: ComplexArray, times_s: FloatArray) -> ComplexArray:
    return np.asarray(np.exp(2j * np.pi * np.multiply.outer(times_s, frequency_hz)) @ values, dtype=np.complex128)


def hum_near(mains: Sequence[Line], frequency_hz: float, tone: ToneAnalysis) -> float:
    """Return the level of the strongest mains line that can't be told from a line of a tone there; 0 for none.

    mains : as other steps show them. On this one they hide behind what they stand on.
    """
    near_hz = _HUM_BINS * tone.sample_rate_hz / tone.frames
    return max((line.level_rms for line in mains if abs(line.frequency_hz - frequency_hz) < near_hz), default=0.0)


def _harmonic(
    order: int, tones: Sequence[StepTone], played_hz: FloatArray, mains: Sequence[Line]
) -> HarmonicResponse | None:
    """Return one harmonic at the steps at which it was captured; None when at none. Hum on it counts as noise."""
    frequency_hz, ratio, noise = [], [], []
    for hz, step in zip(played_hz, tones, strict=True):
        tone, lines = step.tone, step.tone.harmonics
        for place in np.flatnonzero(lines.order == order):
            hum = hum_near(mains, order * tone.frequency_hz, tone)
            frequency_hz.append(hz)
            ratio.append(lines.relative[place])
            noise.append((math.sqrt(lines.noise[place]) + hum) / tone.level_rms)
    if not noise:
        return None
    return HarmonicResponse(
        order=order,
        frequency_hz=np.array(frequency_hz, dtype=np.float64),
        ratio=np.array(ratio, dtype=np.complex128),
        noise=np.array(noise, dtype=np.float64),
    )
