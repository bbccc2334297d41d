"""What a synchronized exponential sweep tells of a unit: response, delay, polarity, distortion against frequency.

Sources: A. Farina, AES 108th Convention (2000), paper 5093 (deconvolution that lays the harmonics before the linear
impulse response); A. Novak, P. Lotton, L. Simon, J. Audio Eng. Soc. 63 (2015), "Synchronized Swept-Sine" (phases of the
harmonics); O. Lepski, Theory Probab. Appl. 35 (1991) (the shortest window that noise does not tell from longer ones).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np

from audiomeas.analysis.deconvolution import (
    ComplexArray,
    Cut,
    FloatArray,
    Gated,
    Impulses,
    SweepLaw,
    cut_out,
    deconvolve,
    endless_inverse,
    fall,
    find_sweep,
    inverse_spectrum,
    low_cut,
    played_amplitude,
    spectrum_at,
    transform_points,
    without_linear,
)
from audiomeas.analysis.sweep_breaks import SweepBreak, find_break
from audiomeas.analysis.sweep_edges import harmonic_ripple, leak_into_linear
from audiomeas.errors import SignalError

#: Orders that are separated. Beyond, the impulse responses stand too close together for a sweep of two seconds.
HIGHEST_ORDER = 6
#: Lengths kept of the linear impulse response that are tried, in periods of the sweep's start frequency.
_WINDOWS_PERIODS = (0.25, 0.5, 1.0, 1.8, 2.6)
#: Sound further than this from the sweep is left out: alignment markers stand 0.1 s away.
QUIET_S = 0.09
#: What is kept of the impulse response, before and after its peak: enough for the ring of a filter in the treble; the
#: bass is better seen in the curves.
_SHOWN_S = (0.001, 0.004)
#: A unit may delay by this much against the known start (digital units, tape monitors with their own converters).
_LONGEST_DELAY_S = 0.5
#: The impulse must stand this far above the rest. White noise alone reaches 4.5 times its r.m.s. in 10^5 frames.
_CLEAR_RATIO = 8.0
#: Growth of the captured sweep against the law: 1e-3 is twice the largest clock error that is allowed (500 ppm).
_GROWTH_TOLERANCE = 2e-3
#: 95 % of a normal distribution lies within this many standard deviations.
_K95 = 1.96
#: What the method itself leaves, relative, as found with exact chains and sweeps of 0.5 to 10 s: this much everywhere,
_METHOD = 1e-5
#: and this much at the sweep's start, falling with the fourth power of frequency (bounds of what was found).
_METHOD_AT_START = 0.04
#: What the method leaves of harmonics where there are none: at full_from_hz (falling likewise), and everywhere.
_HARMONIC_AT_START, _HARMONIC_FLOOR = 1e-5, 1e-9


@dataclass(frozen=True, kw_only=True)
class HarmonicResponse:
    """One harmonic against the frequency of the fundamental.

    frequency_hz : (points,) of the fundamental.  ratio : complex, harmonic over fundamental at the output; its phase is
    that of the harmonic's sine where the fundamental's sine passes zero upwards.  noise : r.m.s. of the ratio's noise.
    """

    order: int
    frequency_hz: FloatArray
    ratio: ComplexArray
    noise: FloatArray


@dataclass(frozen=True, kw_only=True)
class SweepResponse:
    """The response of one channel. No limits, no text, no plot.

    frequency_hz, response : (points,); complex, captured over played, with `delay_s` removed, polarity left in.
    start_frame, delay_s : the sweep begins at start_frame (given, or found when it was not); the impulse comes delay_s
    later (its largest peak, to a fraction of a frame).  polarity : +1 or −1, the sign of that peak.
    group_delay_s : (points,), beyond delay_s.  noise : (points,), r.m.s. of the response's noise.
    gain_uncertainty, phase_uncertainty_deg : (points,), 95 % half-widths; the gain's is relative.
    window_s : (points,), what was kept of the impulse response.
    peak_to_rest : how far the impulse stands above everything else.
    growth_error : relative error of the captured sweep's growth; a clock error, as far as it is one.
    disturbance, disturbance_hz : largest ratio of what is not linear response to what is, over 10 ms, and the frequency
    that the sweep passed then: heavy distortion, a cough, a dropout.
    damage : lost samples, a level step or a short event; then no figure of this response can be trusted.
    impulse_s, impulse : (frames,), the impulse response as captured around its peak: seconds from it, and values over
    the largest size, polarity left in. Band-limited: a flat chain gives a sinc-like pulse, not a single sample.
    """

    frequency_hz: FloatArray
    response: ComplexArray
    start_frame: int
    start_known: bool
    delay_s: float
    polarity: int
    group_delay_s: FloatArray
    noise: FloatArray
    gain_uncertainty: FloatArray
    phase_uncertainty_deg: FloatArray
    window_s: FloatArray
    peak_to_rest: float
    growth_error: float
    disturbance: float
    disturbance_hz: float
    damage: SweepBreak | None
    impulse_s: FloatArray
    impulse: FloatArray
    harmonics: tuple[HarmonicResponse, ...]

    @property
    def gain(self) -> FloatArray:
        """Magnitude of the response, (points,)."""
        return np.abs(self.response)

    def phase_deg(self, reference_hz: float) -> FloatArray:
        """Return the unwrapped phase in degrees, between −180 and 180 at the point nearest to reference_hz."""
        phase = np.unwrap(np.angle(self.response))
        nearest = int(np.argmin(np.abs(np.log(self.frequency_hz / reference_hz))))
        turns = np.round(phase[nearest] / (2.0 * np.pi))
        return np.asarray(np.degrees(phase - 2.0 * np.pi * turns))


def frequency_grid(
    low_hz: float, high_hz: float, points_per_octave: int, also_hz: tuple[float, ...] = ()
) -> FloatArray:
    """Return frequencies 1000·G^(k/points), G = 10^(3/10) (IEC 61260-1), with both ends and `also_hz` where inside."""
    if not 0 < low_hz < high_hz or points_per_octave < 1:
        raise ValueError("a frequency grid needs 0 < low_hz < high_hz and at least one point an octave")
    step = 0.3 / points_per_octave
    first, last = (int(np.floor(np.log10(hz / 1000.0) / step)) for hz in (low_hz, high_hz))
    grid = 1000.0 * 10.0 ** (step * np.arange(first, last + 1))
    named = np.array([low_hz, high_hz, *(hz for hz in also_hz if low_hz <= hz <= high_hz)])
    apart = np.min(np.abs(np.log(grid[:, np.newaxis] / named)), axis=1) > 1e-6
    inside = (grid > low_hz) & (grid < high_hz)
    return np.unique(np.concatenate([grid[inside & apart], named]))


def analyze_sweep(
    captured: FloatArray,
    played: FloatArray,
    sample_rate_hz: float,
    *,
    start_hz: float,
    growth_s: float,
    full_from_hz: float,
    full_to_hz: float,
    start_frame: int | None = None,
    points_per_octave: int = 24,
    also_hz: tuple[float, ...] = (1000.0,),
    orders: tuple[int, ...] = tuple(range(2, HIGHEST_ORDER + 1)),
    shape: Callable[[FloatArray], FloatArray] | None = None,
) -> SweepResponse:
    """Return the response of one channel to a synchronized exponential sweep, and its harmonics.

    captured, played : (frames,), any units; the response is captured over played.  played : the sweep as rendered.
    start_hz, growth_s : its law, sin(2π·start_hz·growth_s·exp(t/growth_s)), start_hz·growth_s whole.
    full_from_hz, full_to_hz : between them its level is full and the response is given.
    start_frame : frame of `captured` where the sweep begins; None lets it be found, however long the capture is.
    shape : relative level of a sweep whose level runs with frequency; its harmonics then are those at the level played.
    Raises SignalError: silent channel, capture cut at either end, no clear impulse (another stimulus, or noise).
    """
    law = SweepLaw(
        start_hz=start_hz,
        growth_s=growth_s,
        full_from_hz=full_from_hz,
        full_to_hz=full_to_hz,
        sample_rate_hz=sample_rate_hz,
        frames=len(played),
        shape=shape,
    )
    _check_samples(captured, played)
    amplitude = played_amplitude(played, law)
    impulse_frame = frame_of_impulse(captured, played, law, start_frame)
    # A cut capture is filled with silence first: that it is cut can only be said once it is known to hold the sweep.
    filled, frame = _filled(captured, impulse_frame, law)
    cut = cut_out(filled, frame, law, QUIET_S)
    points = transform_points(cut, law)
    impulses = deconvolve(cut, inverse_spectrum(played, law, points), points, law)
    clear = peak_to_rest(impulses, law)
    _refuse_unclear(clear, cut_short=filled is not captured)
    cut_out(captured, impulse_frame, law, QUIET_S)
    frequency_hz = frequency_grid(full_from_hz, full_to_hz, points_per_octave, also_hz)
    linear = _linear_part(impulses, frequency_hz, law)
    growth_error = _growth_error(frequency_hz, linear, law)
    _refuse_other_growth(growth_error)
    distortion = without_linear(cut, _gate(impulses, 0.0, *linear_gate_s(law)), played, points, law)
    worst = _worst_disturbance(cut, distortion, law)
    endless = deconvolve(distortion, endless_inverse(law, amplitude, points), points, law)
    damage = find_break(cut, distortion, impulses, endless, played, amplitude, points, law)
    harmonics = [_harmonic(order, endless, frequency_hz, law) for order in orders]
    unmixed = linear.response - _leaks(harmonics, frequency_hz, law)
    peak_s, polarity = peak_time(impulses)
    response = unmixed * np.exp(2j * np.pi * frequency_hz * peak_s)
    relative = linear.noise / np.maximum(np.abs(response), 1e-300)
    method = np.hypot(method_error(frequency_hz, law), _fade_compression(harmonics, frequency_hz, law))
    start = impulse_frame if start_frame is None else start_frame
    impulse_s, impulse = _around_peak(impulses, peak_s)
    return SweepResponse(
        frequency_hz=frequency_hz,
        response=response,
        start_frame=start,
        start_known=start_frame is not None,
        delay_s=(impulse_frame - start) / sample_rate_hz + peak_s,
        polarity=polarity,
        group_delay_s=linear.group_delay_s - peak_s,
        noise=linear.noise,
        gain_uncertainty=np.hypot(_K95 / np.sqrt(2.0) * relative, method),
        phase_uncertainty_deg=np.degrees(np.hypot(_K95 / np.sqrt(2.0) * relative, method)),
        window_s=linear.window_s,
        peak_to_rest=clear,
        growth_error=growth_error,
        disturbance=worst[0],
        disturbance_hz=worst[1],
        damage=damage,
        impulse_s=impulse_s,
        impulse=impulse,
        harmonics=tuple(_relative_to(harmonic, unmixed, law) for harmonic in harmonics),
    )


def growth_error(captured: FloatArray, played: FloatArray, law: SweepLaw, frame: int) -> float:
    """Return by which part the captured sweep's growth is longer than the law's; 0 when noise hides it.

    captured, played : (frames,).  frame : at which the sweep arrives, about.   What a unit's own delay does above
    500 Hz is in it.   Raises SignalError when the sweep is too short to tell its noise.
    """
    filled, frame = _filled(captured, frame, law)
    cut = cut_out(filled, frame, law, QUIET_S)
    points = transform_points(cut, law)
    impulses = deconvolve(cut, inverse_spectrum(played, law, points), points, law)
    frequency_hz = frequency_grid(law.full_from_hz, law.full_to_hz, 12)
    return _growth_error(frequency_hz, _linear_part(impulses, frequency_hz, law), law)


def gains_over_frequency(
    captures: Sequence[FloatArray],
    played: FloatArray,
    sample_rate_hz: float,
    *,
    low_hz: float,
    high_hz: float,
    start_frame: int = 0,
    points_per_octave: int = 6,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return frequency_hz, (points,), gain and noise_gain, (captures, points), of captures of one broadband stimulus.

    However poor they are.  captures : each holds the stimulus from start_frame on (up to 0.5 s of delay is searched).
    low_hz, high_hz : band in which the stimulus has full level.
    gain : magnitude, captured over played, noise included.
    noise_gain : 95 % half-width of the gain through noise.
    A silent capture gives zeros.  Raises SignalError for a capture that is cut.
    """
    for captured in captures:
        _check_samples(captured, played)
    # A law that only spans the band: nothing here rests on the sweep's growth except where noise is looked for.
    growth_s = len(played) / sample_rate_hz / np.log(high_hz / low_hz)
    start_hz = max(1.0, np.round(low_hz * growth_s)) / growth_s
    law = SweepLaw(
        start_hz=start_hz,
        growth_s=growth_s,
        full_from_hz=max(low_hz, start_hz),
        full_to_hz=high_hz,
        sample_rate_hz=sample_rate_hz,
        frames=len(played),
    )
    frequency_hz = frequency_grid(low_hz, high_hz, points_per_octave, (1000.0,))
    inverse_at = cache(partial(inverse_spectrum, played, law))
    gains, noises = np.zeros((2, len(captures), len(frequency_hz)))
    for row, captured in enumerate(captures):
        if not np.any(captured):
            continue
        frame = frame_of_impulse(captured, played, law, start_frame, inverse_at=inverse_at)
        if frame + law.frames > len(captured):
            frame = start_frame  # noise can peak anywhere; a stimulus that came back is in the capture as a whole
        cut = cut_out(captured, frame, law, QUIET_S)
        points = transform_points(cut, law)
        linear = _linear_part(deconvolve(cut, inverse_at(points), points, law), frequency_hz, law)
        gains[row], noises[row] = np.abs(linear.response), _K95 / np.sqrt(2.0) * linear.noise
    return frequency_hz, gains, noises


def _check_samples(captured: FloatArray, played: FloatArray) -> None:
    if captured.ndim != 1 or played.ndim != 1 or len(played) < 2:
        raise ValueError("a sweep analysis takes one channel: (frames,) samples")
    if not (np.all(np.isfinite(captured)) and np.all(np.isfinite(played))):
        raise SignalError("the samples hold values that are no numbers (NaN or infinite): capture again")


def _filled(captured: FloatArray, frame: int, law: SweepLaw) -> tuple[FloatArray, int]:
    """Return a capture with silence where a cut took the sweep away, and the sweep's frame in it."""
    before, after = max(0, -frame), max(0, frame + law.frames - len(captured))
    return (np.pad(captured, (before, after)), frame + before) if before or after else (captured, frame)


def _worst_disturbance(cut: Cut, rest: Cut, law: SweepLaw) -> tuple[float, float]:
    """Return the largest ratio of the rest to the linear response over 10 ms at full level, and where in frequency.

    Raises SignalError where the sound was away for such a time: a dropout.
    """
    block = round(0.01 * law.sample_rate_hz)
    # Below four times its start the sweep itself rings (see `method_error`): that is no disturbance.
    ends_hz = (max(law.full_from_hz, 4.0 * law.start_hz), law.full_to_hz)
    first, last = (int(law.time_of_hz(np.array(hz)) * law.sample_rate_hz) for hz in ends_hz)
    count = (last - first) // block
    if count < 1:
        return 0.0, law.full_from_hz

    def blocks(samples: FloatArray) -> FloatArray:
        part = samples[cut.before + first :][: count * block].reshape(count, block)
        return np.asarray(np.sqrt(np.mean(part**2, axis=1)))

    there, left, linear = blocks(cut.samples), blocks(rest.samples), blocks(cut.samples - rest.samples)
    # Where the unit passes next to nothing, noise outweighs the response and says nothing of a disturbance.
    heard = linear > 10.0 * np.median(left)
    ratio = np.where(heard, left / np.maximum(linear, 1e-300), 0.0)
    worst = int(np.argmax(ratio))
    at_s = (first + (worst + 0.5) * block) / law.sample_rate_hz
    at_hz = float(law.start_hz * np.exp(at_s / law.growth_s))
    if bool(np.any(heard & (there < 0.05 * linear))):
        raise SignalError(
            f"the sound drops out {at_s:.2f} s after the sweep's beginning (near {at_hz:.0f} Hz): samples were lost or "
            "muted; capture again"
        )
    return float(ratio[worst]), at_hz


def frame_of_impulse(
    captured: FloatArray,
    played: FloatArray,
    law: SweepLaw,
    start_frame: int | None,
    *,
    inverse_at: Callable[[int], ComplexArray] | None = None,
) -> int:
    """Return the whole frame at which the sweep arrives; with a known start, near it. inverse_at : see `find_sweep`."""
    if start_frame is None:
        return find_sweep(captured, played, law, inverse_at=inverse_at)
    early = round(0.005 * law.sample_rate_hz)
    first = max(start_frame - early, 0)
    last = start_frame + law.frames + round(_LONGEST_DELAY_S * law.sample_rate_hz)
    found = first + find_sweep(captured[first:last], played, law, inverse_at=inverse_at)
    # What seems to come before it was played is no echo of the sweep: the clearness test has the last word.
    return found if found >= first else start_frame


def peak_to_rest(impulses: Impulses, law: SweepLaw) -> float:
    """Return the impulse's peak over the r.m.s. of what lies elsewhere; harmonics and decay don't count as rest."""
    near, _ = impulses.between(-0.005, 0.05)
    early, _ = impulses.between(-law.duration_s, -1.05 * law.lead_s(HIGHEST_ORDER + 1))
    late, _ = impulses.between(0.25 * law.duration_s, 0.75 * law.duration_s)
    rest = np.sqrt(max(np.mean(early**2), np.mean(late**2)))
    body = np.sqrt(np.mean(near**2))
    peak = float(np.max(np.abs(near)))
    # A chirp instead of an impulse: its own body is as high as its peak, however quiet the rest is.
    return float(min(peak / max(rest, 1e-300), 2.0 * peak / max(body, 1e-300)))


def _refuse_unclear(clear: float, *, cut_short: bool) -> None:
    # Silence that fills a cut capture has no noise: the rest seems lower than it is.
    if clear < _CLEAR_RATIO * (2.0 if cut_short else 1.0):
        raise SignalError(
            f"no clear impulse comes out of this capture (its peak is only {clear:.1f} times the rest): it holds "
            "another stimulus, another sample rate, or too much noise; give the stimulus that was played, or raise the "
            "level"
        )


@dataclass(frozen=True, kw_only=True)
class _Linear:
    response: ComplexArray
    noise: FloatArray
    window_s: FloatArray
    group_delay_s: FloatArray


def _rise(frames: int) -> FloatArray:
    return np.asarray(0.5 * (1.0 - np.cos(np.pi * (np.arange(frames) + 0.5) / max(frames, 1))))


def _gate(impulses: Impulses, centre_s: float, before_s: float, after_s: float) -> Gated:
    """Return samples × window, the window, the first frame: flat near the centre, 0.6 of each side a raised cosine."""
    samples, first = impulses.between(centre_s - before_s, centre_s + after_s)
    window = np.ones(len(samples))
    rising, falling = (min(round(0.6 * side * impulses.sample_rate_hz), len(samples)) for side in (before_s, after_s))
    window[:rising] *= _rise(rising)
    window[len(window) - falling :] *= _rise(falling)[::-1]
    return samples * window, window, first


def linear_gate_s(law: SweepLaw) -> tuple[float, float]:
    """Return what may be kept before and after the linear impulse at most."""
    return 0.45 * law.lead_s(2), min(_WINDOWS_PERIODS[-1] / law.start_hz, 0.45 * law.duration_s)


def _linear_part(impulses: Impulses, frequency_hz: FloatArray, law: SweepLaw) -> _Linear:
    """Return the linear response through the shortest window that noise does not tell from longer ones."""
    rate_hz = impulses.sample_rate_hz
    before_s, longest_s = linear_gate_s(law)
    windows_s = np.minimum(np.array(_WINDOWS_PERIODS) / law.start_hz, longest_s)
    density = noise_density(impulses, frequency_hz, law, longest_s)
    shape = low_cut(frequency_hz, law.start_hz)
    spectra, noises, delays = [], [], []
    for after_s in windows_s:
        kept, window, first = _gate(impulses, 0.0, before_s, float(after_s))
        time_s = (first + np.arange(len(kept))) / rate_hz
        both = spectrum_at(np.stack([kept, kept * time_s]), first, frequency_hz, rate_hz)
        spectra.append(both[0] / shape)
        noises.append(np.sqrt(density * float(window @ window)) / np.abs(shape))
        delays.append(np.real(both[1] / np.where(both[0] == 0, 1e-300, both[0])))
    chosen = _shortest(np.array(spectra), np.array(noises), frequency_hz)
    at = (chosen, np.arange(len(frequency_hz)))
    group_delay_s = np.array(delays)[at] - _low_cut_group_delay_s(frequency_hz, law.start_hz)
    return _Linear(
        response=np.array(spectra)[at],
        noise=np.array(noises)[at],
        window_s=windows_s[chosen],
        group_delay_s=group_delay_s,
    )


def _low_cut_group_delay_s(frequency_hz: FloatArray, start_hz: float) -> FloatArray:
    step = 1e-4 * frequency_hz
    turn = np.angle(low_cut(frequency_hz + step, start_hz) / low_cut(frequency_hz - step, start_hz))
    return np.asarray(-turn / (2.0 * np.pi * 2.0 * step))


def _shortest(
    spectra: ComplexArray, noises: FloatArray, frequency_hz: FloatArray
) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Return per frequency the index of the shortest window whose result agrees with all longer ones within noise.

    Low frequencies need no less than higher ones, and neighbours within half an octave the same: so noise can't pick.
    """
    count = len(spectra)
    needed = np.full(len(frequency_hz), count - 1, dtype=np.intp)
    for index in range(count - 2, -1, -1):
        apart = np.abs(spectra[index] - spectra[index + 1 :])
        agrees = np.all(apart <= 2.0 * noises[index + 1 :], axis=0)
        needed = np.where(agrees & (needed == index + 1), index, needed)
    octave = np.log2(frequency_hz)
    spread = np.max(np.where(np.abs(octave - octave[:, np.newaxis]) <= 0.5, needed, 0), axis=1)
    return np.asarray(np.maximum.accumulate(spread[::-1])[::-1], dtype=np.intp)


def noise_density(impulses: Impulses, frequency_hz: FloatArray, law: SweepLaw, kept_s: float) -> FloatArray:
    """Return the noise power of the impulse response per frame, against frequency, from where no response lies.

    Segments before the harmonics and after the longest window are used, as far as capture stands behind them at the
    frequency in question. Their median (over ln 2: power of Gaussian noise is exponentially distributed) is deaf to
    single disturbances.
    """
    length_s = 0.5 / law.start_hz
    harmonics_s = law.lead_s(HIGHEST_ORDER + 1.5)
    starts = np.arange(-law.duration_s, law.duration_s - length_s, length_s / 2.0)
    starts = starts[(starts + length_s < -harmonics_s) | (starts > kept_s)]
    frames = round(length_s * impulses.sample_rate_hz)
    taper = np.hanning(frames + 2)[1:-1]
    first = np.round(starts * impulses.sample_rate_hz).astype(int) + impulses.origin
    rows = np.stack([impulses.samples[place : place + frames] for place in first])
    power = np.abs(spectrum_at(rows * taper, 0.0, frequency_hz, impulses.sample_rate_hz)) ** 2 / float(taper @ taper)
    time_s = law.time_of_hz(frequency_hz) + starts[:, np.newaxis]
    covered = (time_s >= -impulses.before_s) & (time_s + length_s <= law.duration_s + impulses.after_s)
    return _robust_mean(np.where(covered, power, np.nan), frequency_hz)


def _robust_mean(power: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    octave = np.log2(frequency_hz)
    known = np.flatnonzero(np.any(np.isfinite(power), axis=0))
    if not len(known):
        raise SignalError("the sweep is too short to tell its noise: use a longer one")
    single = np.nanmedian(power[:, known], axis=0) / np.log(2.0)
    filled = np.exp(np.interp(octave, octave[known], np.log(np.maximum(single, 1e-300))))
    near = np.abs(octave[:, np.newaxis] - octave) <= 1.0 / 6.0
    smooth = (near @ filled) / np.count_nonzero(near, axis=1)
    # Hum is narrow: smoothing alone would hide it from the very point that it spoils.
    return np.asarray(np.maximum(smooth, filled))


def peak_time(impulses: Impulses) -> tuple[float, int]:
    """Return time and sign of the largest peak near time zero, to a fraction of a frame."""
    samples, first = impulses.between(-0.002, 0.002)
    finer = 32
    spectrum = np.fft.rfft(samples * np.hanning(len(samples) + 2)[1:-1])
    dense = np.fft.irfft(spectrum, finer * len(samples))
    peak = int(np.argmax(np.abs(dense[: finer * (len(samples) - 1)])))
    left, middle, right = np.abs(dense[[peak - 1, peak, (peak + 1) % len(dense)]])
    bend = left - 2.0 * middle + right
    fraction = 0.0 if bend == 0 else 0.5 * (left - right) / bend
    return (first + (peak + fraction) / finer) / impulses.sample_rate_hz, 1 if dense[peak] > 0 else -1


def _growth_error(frequency_hz: FloatArray, linear: _Linear, law: SweepLaw) -> float:
    """Return the relative error of the sweep's growth: how the group delay runs with the logarithm of frequency.

    A unit's own group delay falls off above a few hundred hertz; a sweep of another growth goes on for ever.
    """
    clear = (frequency_hz > 500.0) & (linear.noise < 0.01 * np.abs(linear.response))
    if np.count_nonzero(clear) < 12:
        return 0.0
    octave = np.log(frequency_hz[clear])
    slope = np.polyfit(octave - np.mean(octave), linear.group_delay_s[clear], 1)[0]
    return float(slope / law.growth_s)


def _refuse_other_growth(growth_error: float) -> None:
    if abs(growth_error) > _GROWTH_TOLERANCE:
        raise SignalError(
            f"the sweep in this capture runs {100 * growth_error:+.2f} % slower than the given stimulus: it is another "
            "one, or its sample rate is another; give the stimulus that was played"
        )


def _harmonic(order: int, impulses: Impulses, fundamental_hz: FloatArray, law: SweepLaw) -> HarmonicResponse:
    """Return one harmonic over what was played, from the impulse response that stands L·ln(order) before the linear."""
    frequency_hz = fundamental_hz[order * fundamental_hz <= 0.475 * law.sample_rate_hz]
    lead_s = law.lead_s(order)
    before_s, after_s = 0.5 * (law.lead_s(order + 1) - lead_s), 0.6 * (lead_s - law.lead_s(order - 1))

    def gate(of: Impulses) -> Gated:
        return _gate(of, -lead_s, before_s, after_s)

    kept, window, first = gate(impulses)
    upper_hz = order * frequency_hz
    raw = spectrum_at(kept, first + lead_s * law.sample_rate_hz, upper_hz, law.sample_rate_hz)
    density = noise_density(impulses, upper_hz, law, _WINDOWS_PERIODS[-1] / law.start_hz)
    return HarmonicResponse(
        order=order,
        frequency_hz=frequency_hz,
        ratio=raw / harmonic_ripple(order, frequency_hz, law, gate),
        noise=np.sqrt(density * float(window @ window)),
    )


def _leaks(harmonics: list[HarmonicResponse], frequency_hz: FloatArray, law: SweepLaw) -> ComplexArray:
    """Return what the beginnings of the harmonics add to the linear response."""
    total = np.zeros(len(frequency_hz), dtype=np.complex128)
    for harmonic in harmonics:
        lowest = harmonic.frequency_hz <= 1.3 * law.full_from_hz
        by_level = harmonic.ratio[lowest] / law.level(harmonic.frequency_hz[lowest]) ** harmonic.order
        strength = complex(np.mean(by_level)) if np.any(lowest) else 0j
        total += leak_into_linear(
            harmonic.order, strength, frequency_hz, law, lambda of: _gate(of, 0.0, *linear_gate_s(law))
        )
    return total


def method_error(frequency_hz: FloatArray, law: SweepLaw) -> FloatArray:
    """Return what the method itself may leave, relative: nothing is known below the start, and it rings."""
    return np.asarray(_METHOD + _METHOD_AT_START * (law.start_hz / frequency_hz) ** 4)


def _fade_compression(harmonics: list[HarmonicResponse], frequency_hz: FloatArray, law: SweepLaw) -> FloatArray:
    """Return the relative error that odd distortion may cause near the fade-in, where the level was lower.

    A third harmonic of 1 % goes with a gain that differs by 3 % at low level; of that, at most 0.0007 is seen beyond
    the end of the fade (found with exact polynomials), so 0.1 of the third harmonic bounds it.
    """
    odd = [
        np.abs(harmonic.ratio[:6]) / law.level(harmonic.frequency_hz[:6])
        for harmonic in harmonics
        if harmonic.order % 2 and len(harmonic.ratio)
    ]
    largest = max((float(np.max(part)) for part in odd), default=0.0)
    return 0.1 * largest * fall(frequency_hz, law.full_from_hz, 2.5 * law.full_from_hz)


def _relative_to(harmonic: HarmonicResponse, linear: ComplexArray, law: SweepLaw) -> HarmonicResponse:
    """Return a harmonic over the fundamental at the output, in amplitude and phase (any delay cancels)."""
    fundamental = linear[: len(harmonic.frequency_hz)] * law.level(harmonic.frequency_hz)
    size = np.maximum(np.abs(fundamental), 1e-300)
    turned = np.exp(-1j * harmonic.order * np.angle(fundamental))
    # What the method leaves comes of the linear response: it goes with the fundamental at the output.
    floor = _HARMONIC_FLOOR + _HARMONIC_AT_START * (law.full_from_hz / harmonic.frequency_hz) ** 4
    return replace(harmonic, ratio=harmonic.ratio / size * turned, noise=np.hypot(harmonic.noise / size, floor))


def _around_peak(impulses: Impulses, peak_s: float) -> tuple[FloatArray, FloatArray]:
    """Return seconds from the peak, and the samples there over their largest size."""
    rate_hz = impulses.sample_rate_hz
    nearest_s = round(peak_s * rate_hz) / rate_hz
    samples, first = impulses.between(nearest_s - _SHOWN_S[0], nearest_s + _SHOWN_S[1])
    largest = float(np.max(np.abs(samples), initial=0.0))
    return (first + np.arange(len(samples))) / rate_hz - peak_s, samples / largest if largest > 0.0 else samples
