"""The arithmetic under the sweep analysis: spectra at chosen frequencies, deconvolution, the place of a sweep.

Sources: A. Farina, AES 108th Convention (2000), paper 5093; A. Novak, P. Lotton, L. Simon, "Synchronized Swept-Sine:
Theory, Application, and Implementation", J. Audio Eng. Soc. 63 (2015).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq
from scipy.special import loggamma

from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
#: Samples × window, the window, frame of the first sample counted from time zero.
Gated = tuple[FloatArray, FloatArray, int]

#: Samples that one inner product of `spectrum_at` takes; any size gives the same sum.
_BLOCK = 256
#: Keeps a division from blowing up where the sweep has no energy at all; −120 dB of its largest spectral energy.
_FLOOR = 1e-12
#: Order of the high-pass that takes away what lies below the sweep.
_LOW_ORDER = 4
#: Its corner, as a multiple of the sweep's start.
_LOW_CORNER = 1.5


@dataclass(frozen=True, kw_only=True)
class SweepLaw:
    """A synchronized exponential sweep as the analysis needs it: sin(2π·start_hz·growth_s·exp(t/growth_s)).

    full_from_hz, full_to_hz : the level is full between them.
    shape : how its level runs with frequency, frequencies → (points,); None: it is the same everywhere.
    """

    start_hz: float
    growth_s: float
    full_from_hz: float
    full_to_hz: float
    sample_rate_hz: float
    frames: int
    shape: Callable[[FloatArray], FloatArray] | None = None

    def __post_init__(self) -> None:
        numbers = (self.start_hz, self.growth_s, self.full_from_hz, self.full_to_hz, self.sample_rate_hz)
        if not all(np.isfinite(number) and number > 0 for number in numbers):
            raise ValueError("a sweep law needs finite numbers above zero")
        if not self.start_hz <= self.full_from_hz < self.full_to_hz <= self.sample_rate_hz / 2:
            raise ValueError("a sweep's full level must lie between its start and half the sample rate")
        turns = self.start_hz * self.growth_s
        if abs(turns - round(turns)) > 1e-6 or round(turns) < 1:
            raise ValueError("a synchronized sweep needs a whole number start_hz × growth_s (Novak 2015, eq. 49)")

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate_hz

    def time_of_hz(self, frequency_hz: FloatArray) -> FloatArray:
        """Return when the sweep passes frequencies, in seconds from its first frame."""
        return np.asarray(self.growth_s * np.log(frequency_hz / self.start_hz))

    def lead_s(self, order: float) -> float:
        """Return by how much the order-th harmonic's impulse response comes before the linear one: L·ln(order)."""
        return float(self.growth_s * np.log(order))

    def level(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the level at frequencies by the law's shape, (points,)."""
        return np.ones(np.shape(frequency_hz)) if self.shape is None else self.shape(frequency_hz)

    def unit_samples(self, start: int, stop: int) -> FloatArray:
        """Return the sweep's samples without fades, in its shape but else without level, frames start to stop."""
        time_s = np.arange(start, stop) / self.sample_rate_hz
        growth = np.exp(time_s / self.growth_s)
        turns = self.start_hz * self.growth_s * growth
        return np.asarray(np.sin(2.0 * np.pi * np.remainder(turns, 1.0)) * self.level(self.start_hz * growth))


def played_amplitude(played: FloatArray, law: SweepLaw) -> float:
    """Return the peak amplitude of a rendered sweep in its full part (least squares against the law).

    Raises SignalError when the samples don't follow the law.
    """
    first, last = (int(law.time_of_hz(np.array(hz)) * law.sample_rate_hz) for hz in (law.full_from_hz, law.full_to_hz))
    part, unit = played[first:last], law.unit_samples(first, last)
    amplitude = float(part @ unit / (unit @ unit)) if len(part) else 0.0
    rest = part - amplitude * unit
    if not amplitude > 0 or float(rest @ rest) > 1e-4 * float(part @ part):
        raise SignalError("the stimulus' samples don't follow its sweep law: give the stimulus file that was played")
    return amplitude


def spectrum_at(
    samples: FloatArray, first_frame: float, frequency_hz: FloatArray, sample_rate_hz: float
) -> ComplexArray:
    """Return Σ samples[n]·exp(−i2πf(n + first_frame)/rate) at any frequencies: exact, no interpolation.

    samples : (frames,) or (segments, frames).  Returns (frequencies,) or (segments, frequencies).
    """
    rows = np.atleast_2d(samples)
    blocks = -(-rows.shape[1] // _BLOCK)
    padded = np.zeros((len(rows), blocks * _BLOCK))
    padded[:, : rows.shape[1]] = rows
    turn = -2j * np.pi * frequency_hz / sample_rate_hz
    within = _turns_within_block(turn.tobytes())
    between = np.exp(np.outer(np.arange(blocks) * _BLOCK + first_frame, turn))
    # Real times complex is done as two real products: numpy would first copy the samples into complex ones. And as
    # products of two matrices: of three dimensions it makes many small ones, and threads that wait for each other.
    parts = padded.reshape(len(rows) * blocks, _BLOCK)
    inner = np.empty((len(parts), len(turn)), dtype=np.complex128)
    inner.real, inner.imag = parts @ within.real, parts @ within.imag
    total = np.einsum("sbf,bf->sf", inner.reshape(len(rows), blocks, len(turn)), between)
    return np.asarray(total[0] if samples.ndim == 1 else total)


@lru_cache(maxsize=4)  # one grid of frequencies serves all windows, noise segments and channels of a sweep
def _turns_within_block(turn: bytes) -> ComplexArray:
    """Return exp(turn·n) for the frames n of a block, (_BLOCK, frequencies), read-only."""
    within = np.asarray(np.exp(np.outer(np.arange(_BLOCK), np.frombuffer(turn, dtype=np.complex128))))
    within.setflags(write=False)
    return within


def low_cut(frequency_hz: FloatArray, start_hz: float) -> ComplexArray:
    """Return the high-pass (Butterworth, 4th order, 1.5 × start_hz) that keeps noise below the sweep out.

    It is causal, so it puts nothing before the impulse, where the harmonics are; the analysis divides by it again.
    """
    poles = np.exp(1j * np.pi * (2 * np.arange(_LOW_ORDER) + 1 + _LOW_ORDER) / (2 * _LOW_ORDER))
    s = 1j * frequency_hz / (_LOW_CORNER * start_hz)
    return np.asarray(s**_LOW_ORDER / np.prod(s[..., np.newaxis] - poles, axis=-1))


def low_cut_on_bins(law: SweepLaw, points: int) -> ComplexArray:
    """Return that high-pass at the bins of a transform of so many points, (points/2 + 1,), read-only."""
    return _low_cut_on_bins(law.start_hz, law.sample_rate_hz, points)


@lru_cache(maxsize=4)  # each channel asks again, for the search, the sweep and the model of its beginning
def _low_cut_on_bins(start_hz: float, sample_rate_hz: float, points: int) -> ComplexArray:
    shape = low_cut(rfftfreq(points, 1.0 / sample_rate_hz), start_hz)
    shape.setflags(write=False)
    return shape


def fall(frequency_hz: FloatArray, from_hz: float, to_hz: float) -> FloatArray:
    """Return a smooth fall from 1 (up to from_hz) to 0 (from to_hz on): a raised cosine, zero phase."""
    place = np.clip((frequency_hz - from_hz) / (to_hz - from_hz), 0.0, 1.0)
    level = np.asarray(place <= 0.0, dtype=np.float64)
    falling = ~((place <= 0.0) | (place >= 1.0))  # few points: the cosine of all the others is known
    level[falling] = 0.5 + 0.5 * np.cos(np.pi * place[falling])
    return level


def inverse_spectrum(played: FloatArray, law: SweepLaw, points: int) -> ComplexArray:
    """Return what turns a capture's spectrum into that of the impulse response, band-limited to the sweep.

    The rendered samples themselves are inverted, fades and all: for a linear chain the quotient is exact.
    """
    spectrum = rfft(played, points)
    energy = np.abs(spectrum) ** 2
    frequency_hz = rfftfreq(points, 1.0 / law.sample_rate_hz)
    top_hz = min(law.sample_rate_hz / 2, law.full_to_hz * 1.03)
    shape = low_cut_on_bins(law, points) * fall(frequency_hz, law.full_to_hz, top_hz)
    return np.asarray(shape * np.conj(spectrum) / (energy + _FLOOR * energy.max()))


def endless_sweep_spectrum(frequency_hz: FloatArray, law: SweepLaw) -> ComplexArray:
    """Return the spectrum (per frame) of the unit sweep that runs from 0 Hz to infinity.

    ∫ sin(a·exp(t/L))·exp(−iωt) dt = L·a^(iωL)·Γ(−iωL)·sin(−iπωL/2), a = 2π·start_hz·L: the exact form of the
    stationary-phase result in Novak 2015 (eq. 43). It carries harmonics that the sweep itself does not reach.
    """
    whole_turns = law.growth_s * 2.0 * np.pi * np.where(frequency_hz > 0, frequency_hz, 1.0)
    start = 2.0 * np.pi * law.start_hz * law.growth_s
    log_sinh = np.pi * whole_turns / 2.0 + np.log((1.0 - np.exp(-np.pi * whole_turns)) / 2.0)
    exponent = 1j * whole_turns * np.log(start) + loggamma(-1j * whole_turns) + log_sinh - 0.5j * np.pi
    return np.asarray(law.growth_s * law.sample_rate_hz * np.exp(exponent))


def endless_on_bins(law: SweepLaw, points: int) -> ComplexArray:
    """Return that spectrum at the bins of a transform of so many points, (points/2 + 1,), read-only."""
    return _endless_on_bins(replace(law, shape=None), points)


@lru_cache(maxsize=2)  # all channels of a capture have one law; the gamma function costs more than the transforms
def _endless_on_bins(law: SweepLaw, points: int) -> ComplexArray:
    spectrum = endless_sweep_spectrum(rfftfreq(points, 1.0 / law.sample_rate_hz), law)
    spectrum.setflags(write=False)
    return spectrum


@dataclass(frozen=True, kw_only=True)
class Impulses:
    """Impulse responses along time, as deconvolution lays them out.

    samples : (frames,).  origin : index of time zero.  before_s, after_s : what was captured before the sweep's
    first and after its last frame and took part.
    """

    samples: FloatArray
    origin: int
    sample_rate_hz: float
    before_s: float
    after_s: float

    def between(self, start_s: float, stop_s: float) -> tuple[FloatArray, int]:
        """Return the samples between two times, and the frame of the first counted from time zero."""
        first, last = (round(time_s * self.sample_rate_hz) for time_s in (start_s, stop_s))
        start, stop = max(self.origin + first, 0), min(self.origin + last, len(self.samples))
        return self.samples[start:stop], start - self.origin


@dataclass(frozen=True, kw_only=True)
class Cut:
    """The part of a capture that holds the sweep, (frames,), with `before` frames ahead of the sweep's first."""

    samples: FloatArray
    before: int
    after: int


def cut_out(captured: FloatArray, start: int, law: SweepLaw, quiet_s: float) -> Cut:
    """Return the sweep's part of a capture, with at most quiet_s on either side, faded softly at its outer ends.

    Raises SignalError when the capture does not hold the whole sweep.
    """
    if start < 0 or start + law.frames > len(captured):
        missing, side = max((-start, "beginning"), (start + law.frames - len(captured), "end"))
        raise SignalError(
            f"the capture is cut: the {side} of the sweep is missing by {missing / law.sample_rate_hz:.3g} s; "
            "start the capture earlier and stop it later, then capture again"
        )
    quiet = round(quiet_s * law.sample_rate_hz)
    before, after = min(start, quiet), min(len(captured) - start - law.frames, quiet)
    samples = captured[start - before : start + law.frames + after].copy()
    ends = ((before, slice(None, before // 2), 1), (after, slice(len(samples) - after // 2, None), -1))
    for frames, where, step in ends:
        if frames >= 2:
            samples[where] *= 0.5 * (1.0 - np.cos(np.pi * (np.arange(frames // 2) + 0.5) / (frames // 2)))[::step]
    return Cut(samples=samples, before=before, after=after)


def transform_points(cut: Cut, law: SweepLaw) -> int:
    """Return a transform length in which nothing wraps around onto the impulse responses."""
    return int(next_fast_len(len(cut.samples) + law.frames, real=True))


def deconvolve(cut: Cut, inverse: ComplexArray, points: int, law: SweepLaw) -> Impulses:
    """Return the impulse responses of a cut: its spectrum times an inverse spectrum of the sweep."""
    around = irfft(rfft(cut.samples, points) * inverse, points)
    return Impulses(
        samples=np.roll(around, law.frames - cut.before),
        origin=law.frames,
        sample_rate_hz=law.sample_rate_hz,
        before_s=cut.before / law.sample_rate_hz,
        after_s=cut.after / law.sample_rate_hz,
    )


def without_linear(cut: Cut, gated: Gated, played: FloatArray, points: int, law: SweepLaw) -> Cut:
    """Return a cut from which the linear response to what was played is taken away: distortion and noise remain.

    gated : the linear impulse response, as `deconvolve` and `inverse_spectrum` give it.
    """
    kept, _, first = gated
    impulse = np.zeros(points)
    impulse[: len(kept)] = kept
    shape = low_cut_on_bins(law, points)
    unshape = np.conj(shape) / (np.abs(shape) ** 2 + 1e-6)
    linear = irfft(rfft(impulse) * unshape * rfft(played, points), points)
    return replace(cut, samples=cut.samples - np.roll(linear, first + cut.before)[: len(cut.samples)])


def endless_inverse(law: SweepLaw, amplitude: float, points: int) -> ComplexArray:
    """Return the inverse of the endless sweep, up to just below half the sample rate and down to below the start."""
    frequency_hz = rfftfreq(points, 1.0 / law.sample_rate_hz)
    shape = fall(frequency_hz, 0.48 * law.sample_rate_hz, 0.497 * law.sample_rate_hz)
    shape = shape * (1.0 - fall(frequency_hz, 0.5 * law.start_hz, law.start_hz))
    return np.asarray(shape / (amplitude * endless_on_bins(law, points)))


def find_sweep(
    captured: FloatArray, played: FloatArray, law: SweepLaw, *, inverse_at: Callable[[int], ComplexArray] | None = None
) -> int:
    """Return the frame of a capture at which the sweep begins (negative when its beginning is missing).

    inverse_at : points → `inverse_spectrum` of this sweep, for callers that find it several times; None: it is made.
    Blocks of the capture are deconvolved one after the other, so that minutes of silence cost little memory.
    Raises SignalError for a silent capture.
    """
    if not np.any(captured):
        raise SignalError("the captured channel is silent: check cable, source and input gain, then capture again")
    points = int(next_fast_len(min(4 * law.frames, 2 * law.frames + len(captured)), real=True))
    inverse = inverse_spectrum(played, law, points) if inverse_at is None else inverse_at(points)
    hop = points - law.frames
    best, best_size = 0, -1.0
    # From one sweep's length before the capture on: a cut beginning must be recognised as such.
    for start in range(-law.frames, len(captured), hop):
        part = captured[max(start, 0) : start + points]
        block = np.pad(part, (max(0, -start), 0))
        size = np.abs(irfft(rfft(block, points) * inverse, points)[:hop])
        place = int(np.argmax(size))
        if size[place] > best_size:
            best, best_size = start + place, float(size[place])
    return best
