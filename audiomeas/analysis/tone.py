"""Everything that one steady tone tells: level, frequency, harmonics, THD, THD+N, SINAD, noise, DC and hum.

The road: one FFT finds the tone; a least-squares fit (IEEE Std 1057-2017) in the time domain takes it out to the
rounding of the numbers; a second FFT of what is left gives all other lines by a weighted least-squares fit (`lines`),
and the noise between them (`noisefloor`). Only the fundamental decides the frequency, beside its strong harmonics;
the rest is fitted afterwards, linearly.

How the ends of a capture of any length are handled: what is left after the fundamental is weighted with
sin⁴(πn/N) in time (equivalent noise bandwidth 1.94 bins), so that nothing outside the band leaks into it; lines count
by their fitted amplitudes, noise by the mean-square of the bins inside the band, a bin on an edge counting in part.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft
from scipy.special import stdtrit

from audiomeas.analysis.charted import Spectrum, log_edges, thinned
from audiomeas.analysis.harmonics import Harmonics, PowerSum, describe_harmonics, line_noise, power_sum
from audiomeas.analysis.lines import (
    LOBE_BINS,
    REACH_BINS,
    add_lines,
    fit_lines,
    interpolated_bin,
    lobes,
    windowed,
)
from audiomeas.analysis.mains import find_mains
from audiomeas.analysis.noisefloor import NoiseFloor, band_weight, median_per_bin, noise_floor
from audiomeas.analysis.rounding import Rounding, rounding_of
from audiomeas.analysis.shortevents import LEAST_STEPS, ShortEvents, short_events
from audiomeas.analysis.sinefit import (
    OtherLines,
    SineFit,
    crb_amplitude,
    crb_cycles,
    crb_start_phase_rad,
    fit_sine,
    without_sine,
)
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
#: Frequencies in Hz, (n,) → power gains, (n,).
PowerGain = Callable[[FloatArray], FloatArray]

#: Periods that a capture must hold: harmonics closer than this many bins leave no noise to be seen between them.
LEAST_PERIODS = 8
#: A line must keep this many bins from half the sample rate, where it meets its mirror image.
GUARD_BINS = 4
#: Shortest capture that says anything.
_LEAST_FRAMES = 64
#: Harmonics that stand beside the fundamental while it is fitted: all that lie within this many bins of it (what a
#: line leaks falls with the distance), and at least so many orders.
_BESIDE_BINS = 20_000
_BESIDE_ORDERS = 20
#: How far a tone may lie from where it is expected.
_NEAR = 0.02
#: AES17 notch: Q (centre frequency over −3 dB bandwidth) between 1.2 and 3; from memory (definitions.md section 3).
NOTCH_Q = 2.0
NOTCH_Q_LIMITS = (1.2, 3.0)
#: A tone on the band's edge counts as inside when another clock moved it by this much (relative).
_EDGE_SLACK = 1e-3
#: A leftover line this strong (power relative to the tone) makes it two tones; −10 dB.
_SECOND_TONE = 0.1
#: An event smaller than this, relative to the tone, moves no figure; −120 dB.
_LEAST_EVENT = 1e-6
#: Rounding that repeats is worth a word where it is not this far below the tone (power; −180 dB).
_ROUNDING_WORTH = 1e-18
#: A leftover line is worth a word when it is this far above the noise and makes this part of the residual.
_LINE_OVER_NOISE = 50.0
_LINE_PART = 0.1


@dataclass(frozen=True, kw_only=True)
class Line:
    """A line that is no harmonic. level_rms : in the signal's unit, less noise."""

    frequency_hz: float
    level_rms: float


@dataclass(frozen=True, kw_only=True)
class ToneAnalysis:
    """What one steady tone tells, in the unit of the signal. Half-widths (`…_uncertainty`) are for 95 %.

    phase_deg : of the sine at the first frame.
    thd : power sum of the harmonics up to `harmonic_limit_hz`; None: the third lies beyond it.
    residual : everything in `band_hz` but fundamental and DC; None: the fundamental lies outside the band.
    noise : residual less harmonics and mains lines.   notched : the residual as a notch of `notch_q` passes it.
    events : clicks in what the fundamental leaves.   weighted : the residual under each weighting asked for.
    """

    sample_rate_hz: float
    frames: int
    frequency_hz: float
    frequency_uncertainty_hz: float
    level_rms: float
    level_uncertainty: float
    phase_deg: float
    phase_uncertainty_deg: float
    dc: float
    dc_uncertainty: float
    harmonics: Harmonics
    harmonic_limit_hz: float
    thd: PowerSum | None
    band_hz: tuple[float, float]
    residual: PowerSum | None
    noise: PowerSum
    notch_q: float
    notched: PowerSum | None
    mains: tuple[Line, ...]
    second_tone: Line | None
    events: ShortEvents | None
    spectrum: Spectrum
    notes: tuple[str, ...]
    weighted: Mapping[str, PowerSum] = field(default_factory=dict)

    @property
    def total_mean_square(self) -> float | None:
        """Mean-square value of everything in band but DC; None when the fundamental lies outside."""
        return None if self.residual is None else self.level_rms**2 + self.residual.stated

    @property
    def thd_ratio(self) -> float | None:
        """THD relative to the fundamental."""
        return None if self.thd is None else math.sqrt(self.thd.stated) / self.level_rms

    @property
    def thd_total_ratio(self) -> float | None:
        """THD relative to fundamental and harmonics together: THD_F/√(1 + THD_F²)."""
        ratio = self.thd_ratio
        return None if ratio is None else ratio / math.sqrt(1.0 + ratio**2)

    @property
    def thd_n_ratio(self) -> float | None:
        """THD+N relative to the total, in band."""
        return None if self.residual is None else _over_total(self.residual.stated, self.level_rms)

    @property
    def thd_n_notch_ratio(self) -> float | None:
        """THD+N in the notch form, relative to the total (without the notch), in band."""
        if self.notched is None or self.total_mean_square is None:
            return None
        return math.sqrt(self.notched.stated / self.total_mean_square)


def _over_total(residual: float, level_rms: float) -> float:
    return math.sqrt(residual / (level_rms**2 + residual))


@dataclass(frozen=True)
class _Lines:
    """All lines beside the fundamental's fit: what each is, where (bins) and how large (first-frame cosines)."""

    positions: FloatArray
    amplitudes: ComplexArray
    #: 0 for DC, k for the k-th harmonic (1: what the fit left of the fundamental), −k for the k-th mains multiple.
    kinds: NDArray[np.intp]


def analyze_tone(
    signal: FloatArray,
    sample_rate_hz: float,
    *,
    near_hz: float | None = None,
    band_hz: tuple[float, float] = (20.0, 20_000.0),
    harmonic_limit_hz: float | None = None,
    exact_frequency_hz: float | None = None,
    notch_q: float = NOTCH_Q,
    spectrum_points: int = 1200,
    resolution: float | None = None,
    weightings: Mapping[str, PowerGain] | None = None,
) -> ToneAnalysis:
    """Analyse a single steady tone with its harmonics, noise, DC and hum.

    signal : (frames,) float64, one channel, any unit, any length from eight periods on; not written to.
    near_hz : where the tone is expected (within 2 %); None: the strongest line.
    band_hz : of THD+N and noise, a brick wall.   harmonic_limit_hz : highest harmonic counted in THD; None: up to
    four bins below half the sample rate.   exact_frequency_hz : the frequency is known (one clock): not fitted.
    resolution : step between neighbouring values of the samples, in the unit of the signal; what is smaller than its
    rounding is not claimed. None: unknown.   weightings : name → power gain, under which the residual is told too.

    Raises SignalError: values that are no numbers, too short, silence, DC only, noise only, no tone where expected,
    too few periods, a tone too near to half the sample rate, two unrelated tones.
    Sources: IEEE Std 1057-2017 (sine fit); THD, THD+N, SINAD after IEC 60268-3 and AES17 (THD relative to the
    fundamental, THD+N relative to the total; from memory).
    """
    _check_request(sample_rate_hz, band_hz, notch_q)
    _check_signal(signal)
    limit_hz = _harmonic_limit_hz(harmonic_limit_hz, sample_rate_hz, sample_rate_hz / len(signal))
    near_hz = exact_frequency_hz if near_hz is None else near_hz
    fit = _fundamental(signal, sample_rate_hz, near_hz, exact_frequency_hz, limit_hz)
    rest = without_sine(signal, fit)
    least = max(LEAST_STEPS * (resolution or 0.0), _LEAST_EVENT * abs(fit.amplitude))
    events = short_events(rest, fit.cycles, least=least)
    lines, floor, spectrum, rounding = _lines_and_floor(
        rest, fit, sample_rate_hz, limit_hz, spectrum_points, resolution
    )
    request = _Request(
        sample_rate_hz=sample_rate_hz,
        band_hz=band_hz,
        limit_hz=limit_hz,
        notch_q=notch_q,
        frequency_is_exact=exact_frequency_hz is not None,
        weightings=weightings or {},
    )
    found = _assembled(fit, lines, floor, spectrum, request)
    notes = (*found.notes, *_rounding_notes(rounding, found.level_rms))
    return dataclasses.replace(found, events=events, notes=notes)


def tone_frequency(signal: FloatArray, sample_rate_hz: float, *, near_hz: float | None = None) -> tuple[float, float]:
    """Return a tone's frequency and its standard deviation in Hz: the Cramér-Rao bound for all that is not the tone.

    signal, near_hz, errors : as for `analyze_tone`.
    """
    _check_signal(signal)
    limit_hz = _harmonic_limit_hz(None, sample_rate_hz, sample_rate_hz / len(signal))
    fit = _fundamental(signal, sample_rate_hz, near_hz, None, limit_hz)
    variance = float(np.var(without_sine(signal, fit)))
    cycles = crb_cycles(variance, abs(fit.amplitude), fit.frames)
    return fit.cycles * sample_rate_hz, cycles * sample_rate_hz


def _check_request(sample_rate_hz: float, band_hz: tuple[float, float], notch_q: float) -> None:
    if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 0):
        raise SignalError(f"a sample rate of {sample_rate_hz:g} Hz is none")
    if not 0.0 <= band_hz[0] < band_hz[1] < math.inf:
        raise SignalError(f"a band from {band_hz[0]:g} to {band_hz[1]:g} Hz is none: low must be below high")
    if not NOTCH_Q_LIMITS[0] <= notch_q <= NOTCH_Q_LIMITS[1]:
        raise SignalError(f"a notch Q of {notch_q:g} is outside {NOTCH_Q_LIMITS[0]:g} to {NOTCH_Q_LIMITS[1]:g} (AES17)")


def _check_signal(signal: FloatArray) -> None:
    if signal.ndim != 1:
        raise SignalError(f"one channel is analysed at a time, as (frames,); got shape {signal.shape}")
    if len(signal) < _LEAST_FRAMES:
        raise SignalError(f"{len(signal)} frames are too short for a tone: capture at least {LEAST_PERIODS} periods")
    low, high = float(np.min(signal)), float(np.max(signal))
    if not (math.isfinite(low) and math.isfinite(high)):
        raise SignalError("the capture holds values that are no numbers (NaN or infinite): capture it again")
    if low == high:
        raise SignalError("silence: there is no tone" if low == 0.0 else f"only DC ({low:g}): there is no tone")
    if max(-low, high) > 1e100 or high - low < 1e-100:
        raise SignalError("the samples are too large or too small to be a capture")


def _harmonic_limit_hz(wished_hz: float | None, sample_rate_hz: float, bin_hz: float) -> float:
    highest = sample_rate_hz / 2 - GUARD_BINS * bin_hz
    return highest if wished_hz is None else min(wished_hz, highest)


def _fundamental(
    signal: FloatArray, sample_rate_hz: float, near_hz: float | None, exact_hz: float | None, limit_hz: float
) -> SineFit:
    """Find the tone in one FFT and fit it, beside DC and its lower harmonics."""
    frames = len(signal)
    spectrum = rfft(signal)
    place = interpolated_bin(spectrum, frames, _peak_bin(spectrum, frames, sample_rate_hz, near_hz))
    if exact_hz is not None:
        place = exact_hz * frames / sample_rate_hz
    _check_place(place, frames, sample_rate_hz)
    for passes in (1, 6):  # the second round has the harmonics where the first fit says they are
        fit = _fit_beside_harmonics(signal, spectrum, place, limit_hz, sample_rate_hz, exact_hz is not None, passes)
        place = fit.cycles * frames
    return fit


def _fit_beside_harmonics(
    signal: FloatArray,
    spectrum: ComplexArray,
    place: float,
    limit_hz: float,
    sample_rate_hz: float,
    frequency_is_exact: bool,
    passes: int,
) -> SineFit:
    frames = len(signal)
    reach_hz = max(_BESIDE_BINS, (_BESIDE_ORDERS + 0.5) * place) * sample_rate_hz / frames
    positions, _ = _tone_lines(place, frames, min(limit_hz, reach_hz), sample_rate_hz)
    amplitudes = _at_mid_capture(fit_lines(spectrum, frames, positions), positions, frames)
    others = OtherLines(cycles=np.delete(positions, 1) / frames, amplitudes=np.delete(amplitudes, 1))
    start = SineFit(cycles=place / frames, amplitude=complex(amplitudes[1]), frames=frames)
    fit = fit_sine(signal, start, others, frequency_is_exact=frequency_is_exact, passes=passes)
    if not (math.isfinite(fit.cycles) and abs(fit.cycles * frames - place) < 1.0) or fit.amplitude == 0:
        raise SignalError("there is no steady tone: the strongest line wanders or drowns in noise")
    return fit


def _at_mid_capture(amplitudes: ComplexArray, positions: FloatArray, frames: int) -> ComplexArray:
    """Return amplitudes of first-frame cosines as those of mid-capture cosines."""
    turns = np.remainder(positions / frames * ((frames - 1) / 2), 1.0)
    return np.asarray(amplitudes * np.exp(2j * np.pi * turns), dtype=np.complex128)


def _peak_bin(spectrum: ComplexArray, frames: int, sample_rate_hz: float, near_hz: float | None) -> int:
    power = np.square(spectrum.real)
    power += np.square(spectrum.imag)
    bin_hz = sample_rate_hz / frames
    first, last = 2, len(power)
    if near_hz is not None:
        if not 0.0 < near_hz < sample_rate_hz / 2:
            raise SignalError(f"no tone can be at {near_hz:g} Hz in a capture at {sample_rate_hz:g} Hz")
        reach = max(near_hz * _NEAR, 2.0 * bin_hz)
        first = max(first, math.floor((near_hz - reach) / bin_hz))
        last = min(last, math.ceil((near_hz + reach) / bin_hz) + 1)
        if last <= first:
            _check_place(near_hz / bin_hz, frames, sample_rate_hz)
    return first + int(np.argmax(power[first:last]))


def _check_place(place: float, frames: int, sample_rate_hz: float) -> None:
    frequency_hz = place * sample_rate_hz / frames
    if place < LEAST_PERIODS:
        raise SignalError(
            f"the capture holds {max(place, 0.0):.1f} periods of its strongest tone ({max(frequency_hz, 0.0):.3g} Hz); "
            f"at least {LEAST_PERIODS} are needed: capture longer or use a higher frequency"
        )
    if place > frames / 2 - GUARD_BINS:
        raise SignalError(
            f"the tone at {frequency_hz:.6g} Hz lies too near to half the sample rate ({sample_rate_hz / 2:g} Hz): "
            "use a higher rate"
        )


def _tone_lines(
    place: float, frames: int, limit_hz: float, sample_rate_hz: float
) -> tuple[FloatArray, NDArray[np.intp]]:
    """Return places of DC, fundamental and harmonics in bins, and what each is."""
    limit = min(limit_hz * frames / sample_rate_hz, frames / 2 - GUARD_BINS)
    orders = np.arange(0, max(1, math.floor(limit / place * (1 + 1e-12))) + 1)
    return np.asarray(orders * place, dtype=np.float64), orders.astype(np.intp)


def _lines_and_floor(
    rest: FloatArray,
    fit: SineFit,
    sample_rate_hz: float,
    limit_hz: float,
    spectrum_points: int,
    resolution: float | None,
) -> tuple[_Lines, NoiseFloor, Spectrum, Rounding]:
    """Fit all other lines in what the fundamental left, take them out, and read the noise between them."""
    left = rfft(rest)
    frames, bin_hz = fit.frames, sample_rate_hz / fit.frames
    positions, kinds = _tone_lines(fit.cycles * frames, frames, limit_hz, sample_rate_hz)
    lines = _Lines(positions, fit_lines(left, frames, positions), kinds)
    cleaned = windowed(left, frames)
    spectrum = _charted(cleaned, fit, bin_hz, spectrum_points)
    add_lines(cleaned, frames, positions, -lines.amplitudes)
    seen = 0.0 if resolution is None else median_per_bin(cleaned, frames)
    rounding = rounding_of(resolution, frames, fit.cycles * frames, abs(fit.amplitude), seen)
    lines = _with_mains(left, cleaned, lines, frames, bin_hz, rounding.on_a_line)
    del left
    taken = lobes(lines.positions, len(cleaned))
    floor = noise_floor(
        cleaned,
        taken,
        lines.positions,
        frames,
        bin_hz,
        least_per_bin=rounding.per_bin,
        least_at_lines=rounding.on_a_line,
    )
    return lines, floor, spectrum, rounding


def _rounding_notes(rounding: Rounding, level_rms: float) -> tuple[str, ...]:
    if not rounding.repeats or rounding.variance < _ROUNDING_WORTH * level_rms**2:
        return ()
    below_db = 10.0 * math.log10(level_rms**2 / rounding.variance)
    return (
        f"the samples are not dithered: their rounding, {below_db:.0f} dB below the tone, is no even noise but repeats "
        "with the tone and poses as harmonics and other lines; use dither, or capture through a converter",
    )


def _with_mains(
    left: ComplexArray, cleaned: ComplexArray, lines: _Lines, frames: int, bin_hz: float, least_per_bin: float
) -> _Lines:
    """Return the lines with those of the mains, fitted together and taken out of `cleaned`, when there is hum."""
    mains = find_mains(cleaned, lines.positions, frames, bin_hz, least_per_bin=least_per_bin)
    if mains is None:
        return lines
    # Only lines within reach of the mains lines feel them; some more take part so that the last ones keep theirs.
    top = float(mains.positions[-1])
    fitted, touched = lines.positions < top + 6 * REACH_BINS, lines.positions < top + 2 * REACH_BINS
    places = np.concatenate([lines.positions[fitted], mains.positions])
    order = np.argsort(places)
    amplitudes = np.empty(len(places), dtype=np.complex128)
    amplitudes[order] = fit_lines(left, frames, places[order])
    of_mains, of_tone = amplitudes[np.count_nonzero(fitted) :], lines.amplitudes.copy()
    of_tone[touched] = amplitudes[: np.count_nonzero(touched)]
    add_lines(cleaned, frames, lines.positions[touched], (lines.amplitudes - of_tone)[touched])
    add_lines(cleaned, frames, mains.positions, -of_mains)
    kinds = np.concatenate([lines.kinds, -np.asarray(mains.multiples, dtype=np.intp)])
    all_places = np.concatenate([lines.positions, mains.positions])
    order = np.argsort(all_places)
    return _Lines(all_places[order], np.concatenate([of_tone, of_mains])[order], kinds[order])


def _charted(residual: ComplexArray, fit: SineFit, bin_hz: float, points: int) -> Spectrum:
    """Return the spectrum of the whole signal at the highest bin of each of `points` equal steps of log frequency."""
    place, start = np.array([fit.cycles * fit.frames]), np.array([_at_first_frame(fit)])
    add_lines(residual, fit.frames, place, start)
    spectrum = thinned(residual, fit.frames, bin_hz, abs(fit.amplitude), log_edges(len(residual), points))
    add_lines(residual, fit.frames, place, -start)
    return spectrum


def _at_first_frame(fit: SineFit) -> complex:
    turns = math.remainder(fit.cycles * (fit.frames - 1) / 2, 1.0)
    return fit.amplitude * complex(np.exp(-2j * np.pi * turns))


@dataclass(frozen=True, kw_only=True)
class _Request:
    """What was asked for."""

    sample_rate_hz: float
    band_hz: tuple[float, float]
    limit_hz: float
    notch_q: float
    frequency_is_exact: bool
    weightings: Mapping[str, PowerGain]


def _assembled(fit: SineFit, lines: _Lines, floor: NoiseFloor, spectrum: Spectrum, request: _Request) -> ToneAnalysis:
    frequency_hz, tone = fit.cycles * request.sample_rate_hz, abs(fit.amplitude) ** 2 / 2
    band = (request.band_hz[0], min(request.band_hz[1], request.sample_rate_hz / 2))
    shares = _Shares(fit, lines, floor, band, request.notch_q)
    noise = shares.noise()
    # Two tones first: each is noise to the other.
    second = second_tone(floor, shares.weight)
    _check_second(second, tone, frequency_hz)
    _check_dominant(tone, noise.mean_square, frequency_hz)
    slack = max(floor.bin_hz / 2, _EDGE_SLACK * frequency_hz)
    inside = band[0] - slack <= frequency_hz <= band[1] + slack
    residual = shares.residual() if inside else None
    harmonics = _harmonics(fit, lines, floor, frequency_hz)
    thd = harmonics.total() if 3 * frequency_hz <= request.limit_hz * (1 + 1e-9) else None
    second = _worth_a_word(second, residual, noise)
    return ToneAnalysis(
        sample_rate_hz=request.sample_rate_hz,
        frames=fit.frames,
        frequency_hz=frequency_hz,
        level_rms=math.sqrt(tone),
        phase_deg=fit.phase_at_start_deg(),
        dc=float(lines.amplitudes[lines.kinds == 0][0].real),
        **_uncertainties(fit, lines, floor, request),
        harmonics=harmonics,
        harmonic_limit_hz=request.limit_hz,
        thd=thd,
        band_hz=request.band_hz,
        residual=residual,
        noise=noise,
        notch_q=request.notch_q,
        notched=shares.notched() if inside else None,
        mains=_mains_lines(lines, floor),
        second_tone=second,
        events=None,
        spectrum=spectrum,
        notes=_notes(frequency_hz, request, thd, inside, second),
        weighted={name: shares.weighted(gain) for name, gain in request.weightings.items()} if inside else {},
    )


def _harmonics(fit: SineFit, lines: _Lines, floor: NoiseFloor, frequency_hz: float) -> Harmonics:
    chosen = lines.kinds >= 2
    return describe_harmonics(
        _at_mid_capture(lines.amplitudes, lines.positions, fit.frames)[chosen],
        lines.kinds[chosen],
        floor.at_lines[chosen],
        floor.freedom[chosen],
        fit.amplitude,
        frequency_hz,
    )


def _uncertainties(fit: SineFit, lines: _Lines, floor: NoiseFloor, request: _Request) -> dict[str, float]:
    """Return 95 % half-widths: the Cramér-Rao bounds for the noise around the tone, and how well that is known."""
    at, dc = int(np.flatnonzero(lines.kinds == 1)[0]), int(np.flatnonzero(lines.kinds == 0)[0])
    peak, exact = abs(fit.amplitude), request.frequency_is_exact
    variance, k = float(floor.variance_per_sample()[at]), float(stdtrit(floor.freedom[at], 0.975))
    cycles = 0.0 if exact else crb_cycles(variance, peak, fit.frames)
    phase_rad = crb_start_phase_rad(variance, peak, fit.frames, frequency_is_exact=exact)
    return {
        "frequency_uncertainty_hz": k * cycles * request.sample_rate_hz,
        "level_uncertainty": k * crb_amplitude(variance, fit.frames) / math.sqrt(2.0),
        "phase_uncertainty_deg": k * math.degrees(phase_rad),
        # A mean has half the variance of a line's mean-square value.
        "dc_uncertainty": k * math.sqrt(float(line_noise(floor.at_lines)[dc]) / 2.0),
    }


class _Shares:
    """What lines and noise contribute inside a band, with and without a notch."""

    def __init__(
        self, fit: SineFit, lines: _Lines, floor: NoiseFloor, band_hz: tuple[float, float], notch_q: float
    ) -> None:
        self.floor, self.frequency_hz, self.notch_q = floor, fit.cycles * floor.frames * floor.bin_hz, notch_q
        self.weight = band_weight(len(floor.power), floor.bin_hz, band_hz)
        self.line_hz = lines.positions * floor.bin_hz
        counted = (lines.kinds >= 2) | (lines.kinds < 0)
        self.counted = counted & (self.line_hz >= band_hz[0]) & (self.line_hz <= band_hz[1])
        self.line_noise = line_noise(floor.at_lines)
        self.line_power = np.abs(lines.amplitudes) ** 2 / 2 - self.line_noise

    def noise(self) -> PowerSum:
        """Return the noise alone."""
        value, deviation = self.floor.in_band(self.weight)
        return self.floor.stated(value, deviation, self.weight)

    def residual(self) -> PowerSum:
        """Return everything but the fundamental."""
        return self._sum(self.weight, np.ones(len(self.line_power)))

    def notched(self) -> PowerSum:
        """Return everything as a second-order notch at the fundamental passes it."""
        bins_hz = np.arange(float(len(self.weight))) * self.floor.bin_hz
        weight = self.weight * notch_power_gain(bins_hz, self.frequency_hz, self.notch_q)
        return self._sum(weight, notch_power_gain(self.line_hz, self.frequency_hz, self.notch_q))

    def weighted(self, power_gain: PowerGain) -> PowerSum:
        """Return everything but the fundamental under a weighting."""
        bins_hz = np.arange(float(len(self.weight))) * self.floor.bin_hz
        return self._sum(self.weight * power_gain(bins_hz), power_gain(self.line_hz))

    def _sum(self, weight: FloatArray, line_gain: FloatArray) -> PowerSum:
        value, deviation = self.floor.in_band(weight)
        gain = line_gain[self.counted]
        lines = power_sum(self.line_power[self.counted] * gain, self.line_noise[self.counted] * gain)
        total = max(value + lines.mean_square, 0.0)
        spread = math.hypot(deviation, lines.standard_deviation)
        return self.floor.stated(total, spread, weight)


def notch_power_gain(frequency_hz: FloatArray, centre_hz: float, q: float) -> FloatArray:
    """Return |H|² of a second-order notch: (f² − f0²)²/((f² − f0²)² + (f·f0/Q)²); Q is f0 over the −3 dB width."""
    away = (frequency_hz**2 - centre_hz**2) ** 2
    return np.asarray(away / (away + (frequency_hz * centre_hz / q) ** 2), dtype=np.float64)


def _check_dominant(tone: float, noise: float, frequency_hz: float) -> None:
    if not tone > noise:
        raise SignalError(
            f"no tone stands out: the strongest line, at {frequency_hz:.6g} Hz, is weaker than the noise around it; "
            "check cables and level"
        )


def second_tone(floor: NoiseFloor, weight: FloatArray) -> Line | None:
    """Return the strongest line in band that was not taken out, if there is one. weight : (bins,), `band_weight`."""
    candidates = floor.power * floor.free
    candidates[weight == 0.0] = 0.0
    top = int(np.argmax(candidates))
    around = floor.power[max(0, top - 2 * LOBE_BINS - 64) : top + 2 * LOBE_BINS + 65]
    if not candidates[top] > _LINE_OVER_NOISE * float(np.median(around)):
        return None
    lobe = np.arange(max(0, top - LOBE_BINS), min(len(candidates), top + LOBE_BINS + 1))
    power = float(np.sum(candidates[lobe]))
    place = float(np.sum(candidates[lobe] * lobe)) / power
    return Line(frequency_hz=place * floor.bin_hz, level_rms=math.sqrt(power))


def _check_second(second: Line | None, tone: float, frequency_hz: float) -> None:
    if second is None or second.level_rms**2 < _SECOND_TONE * tone or _is_sideband(second, frequency_hz):
        return
    raise SignalError(
        f"two unrelated tones, {frequency_hz:.6g} Hz and {second.frequency_hz:.6g} Hz: distortion needs a single one "
        "(intermodulation measures two)"
    )


def _is_sideband(second: Line, frequency_hz: float) -> bool:
    """Return whether a line is so near to the tone that wow, flutter or a wandering level make it."""
    return abs(second.frequency_hz - frequency_hz) < max(30.0, 0.05 * frequency_hz)


def _worth_a_word(second: Line | None, residual: PowerSum | None, noise: PowerSum) -> Line | None:
    whole = noise if residual is None else residual
    if second is None or whole.at_most:
        return None
    return second if second.level_rms**2 > _LINE_PART * whole.mean_square else None


def _mains_lines(lines: _Lines, floor: NoiseFloor) -> tuple[Line, ...]:
    chosen = lines.kinds < 0
    power = (np.abs(lines.amplitudes) ** 2 / 2 - line_noise(floor.at_lines))[chosen]
    return tuple(
        Line(frequency_hz=float(place * floor.bin_hz), level_rms=math.sqrt(value))
        for place, value in zip(lines.positions[chosen], power, strict=True)
        if value > 0.0
    )


def _notes(
    frequency_hz: float, request: _Request, thd: PowerSum | None, inside: bool, second: Line | None
) -> tuple[str, ...]:
    limit_hz, band_hz, half_rate_hz = request.limit_hz, request.band_hz, request.sample_rate_hz / 2
    notes = []
    if thd is None:
        way_out = "use a higher rate" if limit_hz > 0.9 * half_rate_hz else "raise the harmonic limit"
        notes.append(
            f"no THD: the third harmonic of {frequency_hz:.6g} Hz lies beyond {limit_hz:.6g} Hz; "
            f"{way_out}, or measure with two tones (intermodulation)"
        )
    if not inside:
        notes.append(
            f"no THD+N: the tone at {frequency_hz:.6g} Hz lies outside the band {band_hz[0]:g} to {band_hz[1]:g} Hz; "
            "widen the band"
        )
    elif band_hz[1] > half_rate_hz:
        notes.append(f"the band ends at {half_rate_hz:g} Hz, half the sample rate, not at {band_hz[1]:g} Hz")
    if second is not None:
        what = "the tone wanders or is modulated: a sideband" if _is_sideband(second, frequency_hz) else "a second tone"
        notes.append(f"{what} at {second.frequency_hz:.6g} Hz is in THD+N and noise, not in THD")
    return tuple(notes)
