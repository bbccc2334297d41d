"""Two steady tones and everything that they make: the fit that intermodulation is read from.

The road is that of `tone`: one FFT finds the two tones; least-squares fits in the time domain, each beside the other
tone and all lines that are asked for, take them out to the rounding of the numbers; a second FFT of what is left
gives the lines at m·f1 + n·f2 (`lines`) and the noise between them (`noisefloor`). When the ratio of the two
frequencies is known (a known stimulus, whatever clock captured it), both share one scale of time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft
from scipy.special import stdtrit

from audiomeas.analysis.charted import Spectrum, even_edges, thinned
from audiomeas.analysis.harmonics import PowerSum, line_noise, power_sum
from audiomeas.analysis.lines import LOBE_BINS, add_lines, fit_lines, interpolated_bin, lobes, windowed
from audiomeas.analysis.noisefloor import NoiseFloor, noise_floor
from audiomeas.analysis.sinefit import OtherLines, SineFit, crb_amplitude, crb_cycles, fit_sine, without_sine
from audiomeas.analysis.tone import GUARD_BINS, LEAST_PERIODS
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: m and n of the frequency m·f1 + n·f2.
Term = tuple[int, int]

LOW: Term = (1, 0)
HIGH: Term = (0, 1)
#: Lines nearer to each other than this many bins can't be told apart.
APART_BINS = 6.0
#: How far a tone may lie from where it is expected.
_NEAR = 0.02
#: Rounds of fitting one tone beside the other; each takes the coupling of the two to its square.
_ROUNDS = 4
#: A tone must stand this far (power) above what noise alone would give its line.
_OVER_NOISE = 50.0
#: The two tones share a time base when, at the low one's place, they differ by less than this many bins.
_SAME_SCALE_BINS = 0.05
_LEAST_FRAMES = 256


@dataclass(frozen=True, kw_only=True)
class FittedTone:
    """One of the two tones, in the unit of the signal; half-widths for 95 %."""

    frequency_hz: float
    frequency_uncertainty_hz: float
    level_rms: float
    level_uncertainty: float


@dataclass(frozen=True, kw_only=True)
class Product:
    """A line at |m·f1 + n·f2|. power : mean-square value less noise; noise : what noise alone would give."""

    term: Term
    frequency_hz: float
    power: float
    noise: float

    @property
    def order(self) -> int:
        """|m| + |n|."""
        return abs(self.term[0]) + abs(self.term[1])

    def sum(self) -> PowerSum:
        """Return the power with its uncertainty, or as a bound."""
        return power_sum(np.array([self.power]), np.array([self.noise]))


@dataclass(frozen=True, kw_only=True)
class TwoTones:
    """What two tones hold. scale : fitted over expected frequencies (None: each was fitted by itself).

    products : the lines asked for that could be told apart.  merged : (term left out, what it falls on: a term, or
    (0, 0) for DC).  beyond : terms that lie outside what the capture can hold.  strongest_other_hz, _power : what is
    left when all lines asked for are taken out.
    """

    frames: int
    bin_hz: float
    low: FittedTone
    high: FittedTone
    scale: float | None
    products: tuple[Product, ...]
    merged: tuple[tuple[Term, Term], ...]
    beyond: tuple[Term, ...]
    strongest_other_hz: float
    strongest_other_power: float
    spectrum: Spectrum

    def product(self, term: Term) -> Product | None:
        """Return the line of a term (either sign), if it could be told."""
        wanted = {term, (-term[0], -term[1])}
        return next((one for one in self.products if one.term in wanted), None)


@dataclass(frozen=True)
class _Layout:
    """Lines in bins, rising: DC first. terms : what each is; the two tones are among them."""

    places: FloatArray
    terms: tuple[Term, ...]
    merged: tuple[tuple[Term, Term], ...]
    beyond: tuple[Term, ...]

    def without(self, term: Term) -> NDArray[np.bool_]:
        return np.array([one != term for one in self.terms])


def fit_two_tones(
    signal: FloatArray,
    sample_rate_hz: float,
    *,
    near_hz: tuple[float, float] | None,
    terms: Sequence[Term],
    limit_hz: float | None = None,
    one_scale: bool = False,
    spectrum_points: int = 1200,
    spectrum_hz: tuple[float, float] = (0.0, math.inf),
) -> TwoTones:
    """Fit two tones and the lines at m·f1 + n·f2 of the terms given.

    signal : (frames,) float64, one channel, any unit; not written to.
    near_hz : where low and high tone are expected (within 2 %); None: the two strongest lines.
    terms : in order of importance; where two fall together, the first is kept.
    limit_hz : lines above are not looked for; None: up to four bins below half the sample rate.
    one_scale : near_hz are the frequencies played; the capture's clock may differ, but only by one factor for both.
    spectrum_points, spectrum_hz : of the spectrum for a chart, in equal steps of frequency.

    Raises SignalError: no numbers, silence, too short, a tone missing or too near to another or to half the rate.
    """
    _check(signal, sample_rate_hz)
    frames, bin_hz = len(signal), sample_rate_hz / len(signal)
    limit = (frames / 2 - GUARD_BINS) * bin_hz
    limit_hz = limit if limit_hz is None else min(limit_hz, limit)
    spectrum = rfft(signal)
    places = _found(spectrum, frames, bin_hz, near_hz)
    _check_places(places, frames, bin_hz)
    for rounds in (1, _ROUNDS):  # the second time all lines are where the first fit says that they are
        layout = _layout(places, terms, limit_hz / bin_hz)
        tones = _fitted(signal, spectrum, places, layout, bin_hz, rounds)
        places = (tones[0].cycles * frames, tones[1].cycles * frames)
    scale = _common_scale(tones, near_hz, sample_rate_hz) if one_scale and near_hz is not None else None
    if scale is not None and near_hz is not None:
        places = (near_hz[0] * scale / bin_hz, near_hz[1] * scale / bin_hz)
        layout = _layout(places, terms, limit_hz / bin_hz)
        tones = _fitted(signal, spectrum, places, layout, bin_hz, _ROUNDS, frequencies_are_known=True)
    edges = even_edges(len(spectrum), spectrum_points, spectrum_hz[0] / bin_hz, spectrum_hz[1] / bin_hz)
    return _read(signal, spectrum, tones, layout, bin_hz, scale, edges)


def _check(signal: FloatArray, sample_rate_hz: float) -> None:
    if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 0):
        raise SignalError(f"a sample rate of {sample_rate_hz:g} Hz is none")
    if signal.ndim != 1:
        raise SignalError(f"one channel is analysed at a time, as (frames,); got shape {signal.shape}")
    if len(signal) < _LEAST_FRAMES:
        raise SignalError(f"{len(signal)} frames are too short for two tones: capture longer")
    low, high = float(np.min(signal)), float(np.max(signal))
    if not (math.isfinite(low) and math.isfinite(high)):
        raise SignalError("the capture holds values that are no numbers (NaN or infinite): capture it again")
    if low == high:
        raise SignalError("silence or only DC: there are no tones")
    if max(-low, high) > 1e100 or high - low < 1e-100:
        raise SignalError("the samples are too large or too small to be a capture")


def _found(
    spectrum: ComplexArray, frames: int, bin_hz: float, near_hz: tuple[float, float] | None
) -> tuple[float, float]:
    """Return the places of the two tones in bins: near where they are expected, or the two strongest lines."""
    power = np.abs(windowed(spectrum, frames)) ** 2
    power[: LOBE_BINS + 1] = 0.0
    if near_hz is None:
        tops = strongest_bins(power, 2)
        if len(tops) < 2:
            raise SignalError("there is only one tone: intermodulation needs two")
    else:
        tops = [_peak_near(power, bin_hz, hz) for hz in near_hz]
    first, second = sorted(interpolated_bin(spectrum, frames, top) for top in tops)
    return first, second


def strongest_bins(power: FloatArray, count: int) -> list[int]:
    """Return the bins of the strongest lines of a windowed power spectrum, strongest first; fewer where there is none.

    power : (bins,), DC already taken out.
    """
    left, tops = power.copy(), []
    for _ in range(count):
        top = int(np.argmax(left))
        if left[top] <= 0.0:
            break
        tops.append(top)
        left[max(0, top - 2 * LOBE_BINS) : top + 2 * LOBE_BINS + 1] = 0.0
    return tops


def _peak_near(power: FloatArray, bin_hz: float, near_hz: float) -> int:
    if not 0.0 < near_hz < bin_hz * (len(power) - 1):
        raise SignalError(
            f"no tone can be at {near_hz:g} Hz in a capture at {2 * bin_hz * (len(power) - 1):g} Hz: use a higher rate"
        )
    reach = max(_NEAR * near_hz / bin_hz, 2.0)
    first = max(1, math.floor(near_hz / bin_hz - reach))
    last = min(len(power), math.ceil(near_hz / bin_hz + reach) + 1)
    return first + int(np.argmax(power[first:last]))


def _check_places(places: tuple[float, float], frames: int, bin_hz: float) -> None:
    low, high = places
    spacing = min(low, high - low)
    if spacing < LEAST_PERIODS:
        what = "periods of the low tone" if low <= high - low else "periods of the difference of the two tones"
        raise SignalError(
            f"the capture holds {max(spacing, 0.0):.1f} {what}; at least {LEAST_PERIODS} are needed: capture longer"
        )
    if high > frames / 2 - GUARD_BINS:
        raise SignalError(
            f"the tone at {high * bin_hz:.6g} Hz lies too near to half the sample rate ({frames / 2 * bin_hz:g} Hz): "
            "use a higher rate"
        )


def _layout(places: tuple[float, float], terms: Iterable[Term], limit: float) -> _Layout:
    """Return all lines that can be told apart, rising; the earlier of two that fall together."""
    kept: list[tuple[float, Term]] = [(0.0, (0, 0))]
    merged: list[tuple[Term, Term]] = []
    beyond: list[Term] = []
    for term in dict.fromkeys((LOW, HIGH, *terms)):
        place = term[0] * places[0] + term[1] * places[1]
        term = term if place >= 0.0 else (-term[0], -term[1])
        place = abs(place)
        if place > limit and term not in (LOW, HIGH):
            beyond.append(term)
            continue
        on = next((other for at, other in kept if abs(at - place) < APART_BINS), None)
        if on is None:
            kept.append((place, term))
        elif on != term:
            merged.append((term, on))
    kept.sort()
    return _Layout(
        np.array([place for place, _ in kept]), tuple(term for _, term in kept), tuple(merged), tuple(beyond)
    )


def _fitted(
    signal: FloatArray,
    spectrum: ComplexArray,
    places: tuple[float, float],
    layout: _Layout,
    bin_hz: float,
    rounds: int,
    *,
    frequencies_are_known: bool = False,
) -> tuple[SineFit, SineFit]:
    """Fit one tone beside the other and all lines, in turn, until neither moves any more."""
    frames = len(signal)
    amplitudes = at_mid_capture(fit_lines(spectrum, frames, layout.places), layout.places, frames)
    cycles = layout.places / frames
    fits = {
        term: SineFit(cycles=place / frames, amplitude=complex(amplitudes[layout.terms.index(term)]), frames=frames)
        for term, place in zip((LOW, HIGH), places, strict=True)
    }
    for _ in range(rounds):
        for term, other in ((LOW, HIGH), (HIGH, LOW)):
            beside = layout.terms.index(other)
            cycles[beside], amplitudes[beside] = fits[other].cycles, fits[other].amplitude
            others = layout.without(term)
            fits[term] = fit_sine(
                signal,
                fits[term],
                OtherLines(cycles=cycles[others], amplitudes=amplitudes[others]),
                frequency_is_exact=frequencies_are_known,
                passes=2,
            )
    for term, place in zip((LOW, HIGH), places, strict=True):
        moved = abs(fits[term].cycles * frames - place)
        if not (math.isfinite(moved) and moved < 1.0) or fits[term].amplitude == 0:
            raise _no_tone(place * bin_hz, windowed(spectrum, frames), bin_hz)
    return fits[LOW], fits[HIGH]


def at_mid_capture(amplitudes: ComplexArray, places: FloatArray, frames: int) -> ComplexArray:
    """Return amplitudes of first-frame cosines as those of mid-capture cosines."""
    turns = np.remainder(places / frames * ((frames - 1) / 2), 1.0)
    return np.asarray(amplitudes * np.exp(2j * np.pi * turns), dtype=np.complex128)


def _common_scale(tones: tuple[SineFit, SineFit], near_hz: tuple[float, float], sample_rate_hz: float) -> float | None:
    """Return one factor of frequency for both tones, or None when they don't share one.

    Each tone tells it with a variance in proportion to 1/(amplitude · frequency)² (Cramér-Rao): so they are weighted.
    """
    expected = [hz / sample_rate_hz for hz in near_hz]
    scales = [tone.cycles / cycles for tone, cycles in zip(tones, expected, strict=True)]
    if abs(scales[0] - scales[1]) * expected[0] * tones[0].frames > _SAME_SCALE_BINS:
        return None
    weights = [(abs(tone.amplitude) * cycles) ** 2 for tone, cycles in zip(tones, expected, strict=True)]
    return (scales[0] * weights[0] + scales[1] * weights[1]) / sum(weights)


def _read(
    signal: FloatArray,
    spectrum: ComplexArray,
    tones: tuple[SineFit, SineFit],
    layout: _Layout,
    bin_hz: float,
    scale: float | None,
    edges: NDArray[np.intp],
) -> TwoTones:
    """Take the tones out, fit all lines in what is left, and read the noise between them."""
    frames = len(signal)
    left = rfft(without_sine(without_sine(signal, tones[0]), tones[1]))
    amplitudes = fit_lines(left, frames, layout.places)
    cleaned = windowed(left, frames)
    add_lines(cleaned, frames, layout.places, -amplitudes)
    floor = noise_floor(cleaned, lobes(layout.places, len(cleaned)), layout.places, frames, bin_hz)
    _check_tones_stand_out(tones, layout, floor, windowed(spectrum, frames))
    noise = line_noise(floor.at_lines)
    products = tuple(
        Product(
            term=term,
            frequency_hz=float(place * bin_hz),
            power=float(abs(amplitude) ** 2 / 2 - own_noise),
            noise=float(own_noise),
        )
        for term, place, amplitude, own_noise in zip(layout.terms, layout.places, amplitudes, noise, strict=True)
        if term not in ((0, 0), LOW, HIGH)
    )
    other_hz, other_power = _strongest_other(floor)
    strongest = max(abs(tone.amplitude) for tone in tones)
    return TwoTones(
        frames=frames,
        bin_hz=bin_hz,
        low=_described(tones[0], floor, layout.terms.index(LOW)),
        high=_described(tones[1], floor, layout.terms.index(HIGH)),
        scale=scale,
        products=products,
        merged=layout.merged,
        beyond=layout.beyond,
        strongest_other_hz=other_hz,
        strongest_other_power=other_power,
        spectrum=thinned(windowed(spectrum, frames), frames, bin_hz, strongest, edges),
    )


def _check_tones_stand_out(
    tones: tuple[SineFit, SineFit], layout: _Layout, floor: NoiseFloor, whole: ComplexArray
) -> None:
    for tone, term in zip(tones, (LOW, HIGH), strict=True):
        noise = float(line_noise(floor.at_lines)[layout.terms.index(term)])
        # Rounding of the strongest tone is a noise too.
        noise = max(noise, 1e-28 * max(abs(one.amplitude) for one in tones) ** 2)
        if abs(tone.amplitude) ** 2 / 2 < _OVER_NOISE * noise:
            raise _no_tone(tone.cycles * tone.frames * floor.bin_hz, whole, floor.bin_hz)


def _no_tone(frequency_hz: float, whole: ComplexArray, bin_hz: float) -> SignalError:
    """Return the refusal that names the strongest lines of a windowed spectrum instead."""
    power = np.abs(whole) ** 2
    power[: LOBE_BINS + 1] = 0.0
    seen = " and ".join(f"{top * bin_hz:.6g}" for top in sorted(strongest_bins(power, 2)))
    return SignalError(
        f"no steady tone stands out near {frequency_hz:.6g} Hz (the strongest lines are at {seen} Hz): intermodulation "
        "needs its two tones; play them, or give their frequencies"
    )


def _strongest_other(floor: NoiseFloor) -> tuple[float, float]:
    candidates = floor.power * floor.free
    candidates[: LOBE_BINS + 1] = 0.0
    top = int(np.argmax(candidates))
    lobe = slice(max(0, top - LOBE_BINS), top + LOBE_BINS + 1)
    return top * floor.bin_hz, float(np.sum(candidates[lobe]))


def _described(tone: SineFit, floor: NoiseFloor, at: int) -> FittedTone:
    variance, k = float(floor.variance_per_sample()[at]), float(stdtrit(floor.freedom[at], 0.975))
    rate_hz = floor.bin_hz * floor.frames
    return FittedTone(
        frequency_hz=tone.cycles * rate_hz,
        frequency_uncertainty_hz=k * crb_cycles(variance, abs(tone.amplitude), tone.frames) * rate_hz,
        level_rms=abs(tone.amplitude) / math.sqrt(2.0),
        level_uncertainty=k * crb_amplitude(variance, tone.frames) / math.sqrt(2.0),
    )
