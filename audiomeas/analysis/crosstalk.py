"""Leakage between two channels from a sweep on one of them: size, phase, what it may be; and mixed-up channels.

The captures of both channels are deconvolved by the same sweep, at the same place, through the same gate; the ratio of
the two, averaged over a twelfth of an octave as complex numbers, is the leakage relative to the driven channel's own
output. Delay, coupling capacitors and filters that both share cancel. In time such a mean is a window that shortens as
frequency rises, which keeps noise out.

Source: A. Farina, AES 108th Convention (2000), paper 5093 (deconvolution); coupling: common practice (a capacitance
into a resistance differentiates; a shared resistance does not).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft, rfftfreq

from audiomeas.analysis.deconvolution import (
    ComplexArray,
    Cut,
    FloatArray,
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
from audiomeas.analysis.sweep import (
    QUIET_S,
    frame_of_impulse,
    linear_gate_s,
    method_error,
    noise_density,
    peak_time,
    peak_to_rest,
)
from audiomeas.analysis.sweep_breaks import SweepBreak, event_in_time
from audiomeas.errors import SignalError

#: Width of the means, in octaves.
MEAN_OCTAVES = 1.0 / 12.0
#: Leakage is told from noise at this many times its r.m.s. value: noise alone passes once in 200,000 points (Rayleigh).
_HEARD = 3.5
#: 95 % of a Rayleigh-distributed size lies within this many r.m.s. values: √(ln 20).
_RAYLEIGH_95 = 1.7308
#: 95 % half-width of one part of a complex number, in r.m.s. values of the whole.
_K95 = 1.96 / np.sqrt(2.0)
#: Rounding without dither leaves less than this part of a step (r.m.s.); with any usual dither it leaves 0.41 and more.
_UNDITHERED = 0.35
#: The fundamental of an error that stays within half a step is at most 4/π of that half.
_ROUNDED = 2.0 / np.pi
#: An impulse that stands this far above everything else is one (see `analyze_sweep`).
_CLEAR = 8.0
#: What the means leave, relative, as found with exact leaks of all slopes.
_METHOD = 6e-4
#: Orders of leaked harmonics that are looked for, and what their beginnings leave of themselves at the lowest frequency
#: at most (a bound of what was found, with harmonics one by one and together); it falls with the fourth power.
_ORDERS, _AT_BEGINNING = range(2, 10), 0.3
#: Means end at this multiple of the highest frequency at full level.
_TOP = 1.005
#: Points of the time axis on which the windows' energy is summed.
_ENERGY_POINTS = 8192
#: Band in which channels are compared, and how much louder the wrong sweep must be (10 dB), or how alike (1 dB).
_COMPARED_HZ = (100.0, 5_000.0)
_LOUDER, _ALIKE = 10.0**0.5, 10.0**0.05
#: Correlation with what was played from which on sound may be the sweep: of noise alone it is 0.05 at the best of all
#: places, of another sweep 0.004; of the sweep itself 0.3 as far as 10 dB beneath noise.
_CORRELATED = 0.1


@dataclass(frozen=True, kw_only=True)
class Leakage:
    """What of a driven channel arrives in another one. All arrays (points,).

    ratio : complex, other over driven output, mean over `MEAN_OCTAVES`.  noise : r.m.s. of its noise.
    size : magnitude without the part that noise adds; where at_most, the largest that fits the capture (95 %).
    uncertainty : 95 % half-width of size, relative.   driven_size : magnitude of the driven channel's response.
    event : a click in the other channel's capture; then nothing here can be trusted.
    """

    frequency_hz: FloatArray
    ratio: ComplexArray
    noise: FloatArray
    size: FloatArray
    at_most: NDArray[np.bool_]
    uncertainty: FloatArray
    driven_size: FloatArray
    event: SweepBreak | None

    @property
    def phase_deg(self) -> FloatArray:
        """Phase of the leakage against the driven output, −180 to 180 degrees; NaN where it is only a bound."""
        return np.where(self.at_most, np.nan, np.degrees(np.angle(self.ratio)))


@dataclass(frozen=True, kw_only=True)
class Coupling:
    """How leakage runs with frequency.

    kind : 'capacitive' (rises by 6 dB an octave at ±90 degrees), 'resistive' (flat at 0 or 180 degrees) or 'neither'.
    slope_db_per_octave, phase_deg : fitted over from_hz … to_hz.  slope_uncertainty : 95 % half-width.
    """

    kind: Literal["capacitive", "resistive", "neither"]
    slope_db_per_octave: float
    slope_uncertainty: float
    phase_deg: float
    from_hz: float
    to_hz: float


@dataclass(frozen=True, kw_only=True)
class Arrival:
    """How loud one channel's capture is while one sweep plays. level : gain; heard : a clear impulse comes out."""

    level: float
    heard: bool


@dataclass(frozen=True, kw_only=True)
class Routing:
    """What is wrong with where the sweeps came back, by index into the channels.

    kind : 'swapped', 'mono' (both carry the same), 'silent' (index: which) or 'other' (index carries the other's only).
    """

    kind: Literal["swapped", "mono", "silent", "other"]
    index: int | None = None


def analyze_leakage(
    driven: FloatArray,
    other: FloatArray,
    played: FloatArray,
    law: SweepLaw,
    *,
    start_frame: int,
    frequency_hz: FloatArray,
    resolution: float | None = None,
) -> Leakage:
    """Return what of a sweep on one channel arrives in another one.

    driven, other : (frames,), captured at the same time, in the same unit.  played : the sweep as rendered.
    start_frame : where it begins in both.  frequency_hz : (points,), within the sweep's full level.
    resolution : step between neighbouring values of `other`; None: unknown.
    Raises SignalError: driven channel silent or without a clear impulse, capture cut.
    """
    frame = frame_of_impulse(driven, played, law, start_frame)
    own, others = (cut_out(captured, frame, law, QUIET_S) for captured in (driven, other))
    points = transform_points(own, law)
    inverse = inverse_spectrum(played, law, points)
    through, across = (deconvolve(cut, inverse, points, law) for cut in (own, others))
    if peak_to_rest(through, law) < _CLEAR:
        raise SignalError("no clear impulse comes out of the driven channel: it does not carry its own sweep")
    centre_s = peak_time(through)[0]
    # A leak through something that delays is averaged around its own arrival, where it shows one.
    leak_s = peak_time(across)[0] if peak_to_rest(across, law) > _CLEAR else centre_s
    wide_hz = _width_hz(frequency_hz, law)
    mean, leak = (
        _mean_over(one, at, frequency_hz, wide_hz, law) for one, at in ((through, centre_s), (across, leak_s))
    )
    size = np.maximum(np.abs(mean), 1e-300)
    noise = _noise_of_mean(across, frequency_hz, wide_hz, law) / size
    # The driven channel's own matters little: every eighth point is enough, and saves half of the time.
    few = slice(None, None, 8)
    own_noise = np.interp(
        frequency_hz, frequency_hz[few], _noise_of_mean(through, frequency_hz[few], wide_hz[few], law)
    )
    own_noise = own_noise / size
    amplitude = played_amplitude(played, law)
    driven_size = size / np.abs(low_cut(frequency_hz, law.start_hz))
    rest = without_linear(others, _gated(across, law), played, points, law)
    endless = deconvolve(rest, endless_inverse(law, amplitude, points), points, law)
    hidden = _rounding_error(rest, resolution) / amplitude + _beginnings(endless, frequency_hz, law)
    linear = others.samples - rest.samples
    event = event_in_time(rest, linear, endless, amplitude, points, law) if np.any(other) else None
    return _told(frequency_hz, leak / mean, noise, own_noise, hidden / driven_size, driven_size, event, law)


def _told(
    frequency_hz: FloatArray,
    ratio: ComplexArray,
    noise: FloatArray,
    own_noise: FloatArray,
    hidden: FloatArray,
    driven_size: FloatArray,
    event: SweepBreak | None,
    law: SweepLaw,
) -> Leakage:
    """hidden : what else may pose as leakage, at most, relative to the driven output."""
    found = np.abs(ratio)
    at_most = found <= _HEARD * noise + 2.0 * hidden
    size = np.where(at_most, found + _RAYLEIGH_95 * noise + hidden, np.sqrt(np.maximum(found**2 - noise**2, 0.0)))
    parts = (_K95 * noise + hidden) / np.maximum(size, 1e-300)
    method = np.sqrt(2.0 * method_error(frequency_hz, law) ** 2 + _METHOD**2)
    relative = np.sqrt(parts**2 + (_K95 * own_noise) ** 2 + method**2)
    return Leakage(
        frequency_hz=frequency_hz,
        ratio=ratio,
        noise=noise,
        size=size,
        at_most=at_most,
        uncertainty=np.where(at_most, np.nan, relative),
        driven_size=driven_size,
        event=event,
    )


def _width_hz(frequency_hz: FloatArray, law: SweepLaw) -> FloatArray:
    """Return the width of each mean: less at the upper end of the band, where it would reach beyond the sweep."""
    wide_hz = frequency_hz * (2.0 ** (MEAN_OCTAVES / 2) - 2.0 ** (-MEAN_OCTAVES / 2))
    return np.asarray(np.minimum(wide_hz, 2.0 * (_TOP * law.full_to_hz - frequency_hz)))


def _window(time_s: FloatArray, law: SweepLaw) -> FloatArray:
    """Return the gate at times from the impulse: flat near it, raised cosines over 0.6 of either side."""
    before_s, after_s = linear_gate_s(law)
    return fall(-time_s, 0.4 * before_s, before_s) * fall(time_s, 0.4 * after_s, after_s)


def _gated(impulses: Impulses, law: SweepLaw) -> tuple[FloatArray, FloatArray, int]:
    before_s, after_s = linear_gate_s(law)
    samples, first = impulses.between(-before_s, after_s)
    window = _window((first + np.arange(len(samples))) / law.sample_rate_hz, law)
    return samples * window, window, first


def _mean_over(
    impulses: Impulses, centre_s: float, frequency_hz: FloatArray, wide_hz: FloatArray, law: SweepLaw
) -> ComplexArray:
    """Return the mean of the spectrum over wide_hz around each frequency, phases taken against centre_s, (points,).

    The running sum of a finely spaced spectrum, read between its bins.
    """
    kept, _, first = _gated(impulses, law)
    points = int(next_fast_len(8 * len(kept), real=True))
    bins_hz = rfftfreq(points, 1.0 / law.sample_rate_hz)
    turned = rfft(kept, points) * np.exp(2j * np.pi * bins_hz * (centre_s - first / law.sample_rate_hz))
    edges_hz = np.concatenate([bins_hz - 0.5 * bins_hz[1], bins_hz[-1:] + 0.5 * bins_hz[1]])
    summed = np.concatenate([[0.0], np.cumsum(turned)]) * bins_hz[1]

    def up_to(hz: FloatArray) -> ComplexArray:
        return np.asarray(np.interp(hz, edges_hz, summed.real) + 1j * np.interp(hz, edges_hz, summed.imag))

    mean = (up_to(frequency_hz + wide_hz / 2) - up_to(frequency_hz - wide_hz / 2)) / wide_hz
    return np.asarray(mean * np.exp(-2j * np.pi * frequency_hz * centre_s))


def _noise_of_mean(impulses: Impulses, frequency_hz: FloatArray, wide_hz: FloatArray, law: SweepLaw) -> FloatArray:
    """Return the r.m.s. value of what noise adds to such a mean: its density times the window's energy."""
    before_s, after_s = linear_gate_s(law)
    time_s = np.linspace(-before_s, after_s, _ENERGY_POINTS)
    window = _window(time_s, law)
    frames = (before_s + after_s) * law.sample_rate_hz / _ENERGY_POINTS
    energy = np.array([np.sum((window * np.sinc(wide * time_s)) ** 2) for wide in wide_hz]) * frames
    return np.sqrt(noise_density(impulses, frequency_hz, law, after_s) * np.maximum(energy, 1.0))


def _rounding_error(rest: Cut, resolution: float | None) -> float:
    """Return the largest fundamental that rounding without dither can hide or add; 0 where noise spreads it."""
    if resolution is None or resolution <= 0.0:
        return 0.0
    width = 256
    count = len(rest.samples) // width
    blocks = np.sqrt(np.mean(rest.samples[: count * width].reshape(count, width) ** 2, axis=1))
    return _ROUNDED * resolution if float(np.quantile(blocks, 0.2)) < _UNDITHERED * resolution else 0.0


def _beginnings(impulses: Impulses, frequency_hz: FloatArray, law: SweepLaw) -> FloatArray:
    """Return what the beginnings of leaked harmonics may add to the lowest frequencies, over the played amplitude.

    impulses : of what is not leakage, by the endless sweep.  Their edges ring into the gate (see `sweep_edges`), and
    the fade-in has other distortion than full level.
    """
    lowest_hz = law.full_from_hz * np.array([1.05, 1.15, 1.3])
    total = 0.0
    for order in _ORDERS:
        lead_s, apart_s = law.lead_s(order), 0.5 * (law.lead_s(order + 1) - law.lead_s(order))
        samples, first = impulses.between(-lead_s - apart_s, -lead_s + apart_s)
        window = np.hanning(len(samples) + 2)[1:-1]
        found = np.abs(spectrum_at(samples * window, first, order * lowest_hz, law.sample_rate_hz)) ** 2
        density = noise_density(impulses, order * lowest_hz, law, linear_gate_s(law)[1])
        total += float(np.sqrt(np.max(np.maximum(found - 4.0 * density * float(window @ window), 0.0))))
    return np.asarray(_AT_BEGINNING * total * (law.full_from_hz / frequency_hz) ** 4)


def describe_coupling(leakage: Leakage, low_hz: float = 100.0, high_hz: float = 20_000.0) -> Coupling | None:
    """Return how the leakage runs between two frequencies; None when it is told from noise over less than two octaves.

    The slope is fitted to decibels over octaves, points weighted by their uncertainty (at least 0.2 dB).
    """
    use = ~leakage.at_most & (leakage.frequency_hz >= low_hz) & (leakage.frequency_hz <= high_hz)
    if np.count_nonzero(use) < 12:
        return None
    octave = np.log2(leakage.frequency_hz[use])
    if octave[-1] - octave[0] < 2.0:
        return None
    level_db = 20.0 * np.log10(leakage.size[use])
    weight = 1.0 / np.hypot(0.2, 20.0 / np.log(10.0) * leakage.uncertainty[use])
    (slope, level), covariance = np.polyfit(octave, level_db, 1, w=weight, cov=True)
    turn = leakage.ratio[use] / np.abs(leakage.ratio[use])
    phase_deg = float(np.degrees(np.angle(np.mean(turn))))
    together = float(np.abs(np.mean(turn)))
    bend_db = float(np.max(np.abs(level_db - slope * octave - level)))
    return Coupling(
        kind=_kind(float(slope), phase_deg, bend_db if together > 0.9 else np.inf),
        slope_db_per_octave=float(slope),
        slope_uncertainty=float(1.96 * np.sqrt(covariance[0, 0])),
        phase_deg=phase_deg,
        from_hz=float(leakage.frequency_hz[use][0]),
        to_hz=float(leakage.frequency_hz[use][-1]),
    )


def _kind(slope: float, phase_deg: float, bend_db: float) -> Literal["capacitive", "resistive", "neither"]:
    """Return what a slope and a phase go with (common practice: within 1 dB an octave, 25 degrees; 6 dB of bends)."""
    from_axis_deg = abs((phase_deg + 90.0) % 180.0 - 90.0)  # 0 at 0 and 180 degrees, 90 at ±90
    if bend_db > 6.0:
        return "neither"
    if abs(slope - 20.0 * np.log10(2.0)) < 1.0 and from_axis_deg > 65.0:
        return "capacitive"
    return "resistive" if abs(slope) < 1.0 and from_axis_deg < 25.0 else "neither"


def find_start(captured: FloatArray, played: FloatArray, law: SweepLaw, stagger_frames: int, slots: int) -> int:
    """Return the frame at which the first of `slots` equal sweeps begins, stagger_frames apart, in a capture.

    captured : (frames, channels).  Two sweeps look alike: the place that holds more sound in all is the right one.
    Raises SignalError for a silent capture, and for one that seems cut and holds noise or another sweep.
    """
    energy = np.sum(captured**2, axis=0)
    if not np.any(energy):
        raise SignalError("the capture is silent: check cable, source and input gain, then capture again")
    loudest = int(np.argmax(energy))
    place = find_sweep(captured[:, loudest], played, law)
    length = (slots - 1) * stagger_frames + law.frames

    def sound(start: int) -> float:
        part = captured[max(start, 0) : max(start + length, 0)]
        # A single sweep fits both places: then it is taken for that of the channel on which it is loudest.
        slot = (place - start) // stagger_frames
        return float(np.sum(part**2)) * (1.1 if slot == min(loudest, slots - 1) else 1.0)

    start = max((place - slot * stagger_frames for slot in range(slots)), key=sound)
    if start < 0 or start + length > len(captured):
        _refuse_unlike(captured[:, loudest], played, place)
    return start


def _refuse_unlike(captured: FloatArray, played: FloatArray, place: int) -> None:
    """Raise SignalError when what begins at `place` is not like what was played: then no cut explains the capture."""
    first, stop = max(place, 0), min(place + len(played), len(captured))
    heard, there = captured[first:stop], played[first - place : max(stop - place, 0)]
    size = float(np.linalg.norm(heard) * np.linalg.norm(there))
    if abs(float(heard @ there)) < _CORRELATED * size or size == 0.0:
        raise SignalError(
            "no sweep comes out of this capture: it holds another stimulus, another sample rate, or noise alone; give "
            "the stimulus that was played, or raise the level"
        )


def arrivals(captured: FloatArray, played: FloatArray, law: SweepLaw, start_frame: int) -> tuple[Arrival, ...]:
    """Return how loud a sweep that begins at start_frame arrives on each channel. captured : (frames, channels).

    Raises SignalError when the capture does not hold the whole sweep.
    """
    stop = start_frame + law.frames
    energy = np.sum(captured[max(start_frame, 0) : max(stop, 0)] ** 2, axis=0)
    if not np.any(energy):
        return tuple(Arrival(level=0.0, heard=False) for _ in range(captured.shape[1]))
    frame = frame_of_impulse(captured[:, int(np.argmax(energy))], played, law, start_frame)
    if frame < 0 or frame + law.frames > len(captured):
        frame = start_frame  # noise can peak anywhere
    return tuple(_arrival(captured[:, column], played, law, frame) for column in range(captured.shape[1]))


def _arrival(captured: FloatArray, played: FloatArray, law: SweepLaw, frame: int) -> Arrival:
    cut = cut_out(captured, frame, law, QUIET_S)
    if not np.any(cut.samples):
        return Arrival(level=0.0, heard=False)
    points = transform_points(cut, law)
    impulses = deconvolve(cut, inverse_spectrum(played, law, points), points, law)
    samples, first = impulses.between(-0.005, 0.02)
    low_hz, high_hz = max(_COMPARED_HZ[0], law.full_from_hz), min(_COMPARED_HZ[1], law.full_to_hz)
    frequency_hz = np.geomspace(low_hz, high_hz, 60)
    level = float(np.sqrt(np.mean(np.abs(spectrum_at(samples, first, frequency_hz, law.sample_rate_hz)) ** 2)))
    return Arrival(level=level, heard=peak_to_rest(impulses, law) > _CLEAR)


def routing(own: Sequence[Arrival], across: Sequence[Arrival]) -> tuple[Routing, ...]:
    """Return what is wrong with where two channels' sweeps came back.

    own, across : per channel, its capture during its own sweep and during the other channel's.
    """
    silent = [not mine.heard and not theirs.heard for mine, theirs in zip(own, across, strict=True)]
    wrong = [theirs.heard and theirs.level > _LOUDER * mine.level for mine, theirs in zip(own, across, strict=True)]
    alike = [
        mine.heard and theirs.heard and 1.0 / _ALIKE < theirs.level / max(mine.level, 1e-300) < _ALIKE
        for mine, theirs in zip(own, across, strict=True)
    ]
    if len(own) == 2 and all(wrong):
        return (Routing(kind="swapped"),)
    if len(own) == 2 and all(alike):
        return (Routing(kind="mono"),)
    found = [Routing(kind="silent", index=index) for index, is_so in enumerate(silent) if is_so]
    return (*found, *(Routing(kind="other", index=index) for index, is_so in enumerate(wrong) if is_so))


def opposite_polarity(first: ComplexArray, second: ComplexArray) -> bool:
    """Return whether two responses, (points,), are of opposite sign over most of the band.

    Each with its own delay removed; a delay of half a period is no inversion at the other frequencies.
    """
    weight = float(np.sum(np.abs(first) * np.abs(second)))
    together = float(np.real(np.sum(first * np.conj(second))))
    return weight > 0.0 and together < -0.5 * weight
