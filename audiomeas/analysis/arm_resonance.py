"""The resonance of arm and cartridge: from a slow sweep of a test record, or from what warps and the surface excite.

The stylus follows the groove and the arm does not, above the resonance of its mass on the compliance of the needle. So
of the groove's velocity the cartridge gives H = s²/(s² + s·ω₀/Q + ω₀²), lateral and vertical each with its own: highest
at f₀/√(1 − 1/(2Q²)), by Q/√(1 − 1/(4Q²)) above what it gives of higher frequencies.
Source: any text on the seismic pickup, such as J. P. Den Hartog, Mechanical Vibrations (1956), 2.9.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.signal import firwin, kaiserord

from audiomeas.analysis.density import noise_density
from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]
#: Hz → gain by which a level is divided before a resonance is fitted.
Known = Callable[[FloatArray], FloatArray]

LATERAL, VERTICAL = "lateral", "vertical"
DIRECTIONS = (LATERAL, VERTICAL)
#: Where resonances of arms lie, with room on both sides.
LOW_HZ, HIGH_HZ = 2.5, 45.0
#: So many samples a second are kept, at least, of what lies below the one, and this far is the rest down.
_LOW_RATE_HZ, _KEPT_HZ, _STOP_DB = 200.0, 50.0, 80.0
_LEAST_S = 10.0
#: A spectrum's length and step; a sweep's line is its strongest one with its lobe.
_WINDOW_S, _STEP_S, _LOBE_BINS = 1.0, 0.2, 2
#: A sweep holds this part of the power below 45 Hz, moves no faster than by this from one spectrum to the next …
_LEAST_SHARE, _MOST_MOVED = 0.5, 1.15
#: … and covers at least so much, in so many of them: steady lines of motors and mains don't.
_LEAST_RANGE, _LEAST_POINTS = 1.8, 15
#: Spectra that reach over an end; and so many apart are independent: a Hann window of 1 s is as long as one of 1/1.5 s
#: without (Harris 1978).
_OVER_AN_END = round(_WINDOW_S / _STEP_S)
_INDEPENDENT = _WINDOW_S / 1.5 / _STEP_S
#: What a fit may leave, r.m.s. in nepers (1.5 dB): more is not one resonance.
_MOST_LEFT = 1.5 / 8.685889638065035
#: Density: segments of so long; fitted where arms resonate and motors don't turn.
_SEGMENT_S, _NOISE_HZ = 4.0, (3.0, 23.0)
_BEGIN_HZ, _BEGIN_QUALITY = 10.0, 2.0
#: A sharp resonance changes the level by less from one spectrum to the next; a sweep that begins or ends by more.
_MOST_ROSE_DB = 5.0


@dataclass(frozen=True)
class _Line:
    """The strongest line of a spectrum, and the power of its lobe."""

    frequency_hz: float
    level_db: float


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """A sweep that was found. direction : of DIRECTIONS.   begin_s, end_s : in the samples.

    frequency_hz : (points,).   level_rms : (points, 2), of the line in both channels.
    """

    direction: str
    begin_s: float
    end_s: float
    frequency_hz: FloatArray
    level_rms: FloatArray


@dataclass(frozen=True, kw_only=True)
class Resonance:
    """A fitted resonance, each figure with its 95 % half-width.

    peak_hz, height_db : None where nothing rises (Q below 0.71).   left_db : r.m.s. of what the fit leaves.
    single : one resonance explains what was found.   frequency_hz, level_db, fitted_db : (points,), 0 dB far above.
    """

    peak_hz: float | None
    peak_half_hz: float
    height_db: float | None
    height_half_db: float
    quality: float
    quality_half: float
    left_db: float
    single: bool
    frequency_hz: FloatArray
    level_db: FloatArray
    fitted_db: FloatArray


def gain(frequency_hz: FloatArray, resonance_hz: float, quality: float) -> FloatArray:
    """Return |H|, (points,)."""
    ratio = np.asarray(frequency_hz) / resonance_hz
    return np.asarray(ratio**2 / np.hypot(1.0 - ratio**2, ratio / quality))


class LowPart:
    """Takes blocks of a capture, and keeps what lies below 50 Hz at a low rate: an hour is a few megabytes."""

    def __init__(self, sample_rate_hz: float, channels: int) -> None:
        """Begin. Raises SignalError for a rate that is too low."""
        if not sample_rate_hz >= 2.0 * _LOW_RATE_HZ:
            raise SignalError(f"a sample rate of {sample_rate_hz:g} Hz is too low; give the rate of the capture")
        self._factor = int(sample_rate_hz // _LOW_RATE_HZ)
        self.rate_hz = sample_rate_hz / self._factor
        # What lies within 50 Hz of the low rate would fold below 50 Hz.
        taps, beta = kaiserord(_STOP_DB, 2.0 * (self.rate_hz - 2.0 * _KEPT_HZ) / sample_rate_hz)
        self._taps = firwin(taps | 1, 0.5 * self.rate_hz, window=("kaiser", beta), fs=sample_rate_hz)
        # So that the first sample kept is that of the first frame.
        self._held = np.zeros((len(self._taps) // 2, channels))
        self._found: list[FloatArray] = []

    def add(self, block: FloatArray) -> None:
        """Take samples, (frames, channels). Raises SignalError for values that are no numbers."""
        if not math.isfinite(float(np.sum(block))):
            raise SignalError("the capture holds values that are no numbers (NaN or infinity); capture again")
        held = np.concatenate([self._held, block])
        if len(held) >= len(self._taps):
            pieces = sliding_window_view(held, len(self._taps), axis=0)[:: self._factor]
            self._found.append(np.asarray(pieces @ self._taps))
            held = held[len(pieces) * self._factor :]
        self._held = held.copy()

    def kept(self) -> FloatArray:
        """Return all that was kept, (frames, channels)."""
        found = np.concatenate(self._found) if self._found else self._held[:0]
        return np.asarray(found - np.mean(found, axis=0)) if len(found) else found

    def result(self) -> FloatArray:
        """Return all that was kept, (frames, channels). Raises SignalError for less than 10 s."""
        found = self.kept()
        if len(found) < _LEAST_S * self.rate_hz:
            raise SignalError(
                f"{len(found) / self.rate_hz:.1f} s are too short for the resonance of an arm: capture a minute"
            )
        return found


def sweeps_of(low: FloatArray, rate_hz: float) -> tuple[Sweep, ...]:
    """Return the sweeps of both directions, in the order in which they were played. low, rate_hz : of `LowPart`."""
    frames, step = round(_WINDOW_S * rate_hz), round(_STEP_S * rate_hz)
    starts = np.arange(0, len(low) - frames + 1, step)
    window = np.hanning(frames + 1)[:-1]
    pieces = np.stack([low[at : at + frames] for at in starts]) * window[:, None]
    left, right = np.moveaxis(np.fft.rfft(pieces, axis=1), 2, 0)
    # R.m.s. of a sine by its line: √(Σ|X|²·2/(N·Σw²)).
    scale = 2.0 / (frames * float(np.sum(window**2)))
    power = {
        LATERAL: np.square(np.abs(0.5 * (left + right))),
        VERTICAL: np.square(np.abs(0.5 * (left - right))),
    }
    hz = np.arange(left.shape[1]) * rate_hz / frames
    inside = (hz >= LOW_HZ) & (hz <= HIGH_HZ)
    both = (power[LATERAL] + power[VERTICAL]) * inside
    tops = np.argmax(both, axis=1)
    looks = [_look(both[n], hz, int(top), inside) for n, top in enumerate(tops)]
    found = []
    for begin, end in _runs(looks):
        run = slice(begin, end)
        lines = [slice(max(0, int(top) - _LOBE_BINS), int(top) + _LOBE_BINS + 1) for top in tops[run]]
        sides = {
            name: sum(float(np.sum(one[begin + n, line])) for n, line in enumerate(lines))
            for name, one in power.items()
        }
        level = [
            [math.sqrt(scale * float(np.sum(np.square(np.abs(one[begin + n, line]))))) for one in (left, right)]
            for n, line in enumerate(lines)
        ]
        found.append(
            Sweep(
                direction=max(sides, key=lambda name: sides[name]),
                begin_s=float(starts[begin]) / rate_hz,
                end_s=float(starts[end - 1] + frames) / rate_hz,
                frequency_hz=np.array([look.frequency_hz for look in looks[run] if look is not None]),
                level_rms=np.array(level),
            )
        )
    return tuple(found)


def _look(both: FloatArray, hz: FloatArray, top: int, inside: NDArray[np.bool_]) -> _Line | None:
    """Return the line that holds most of a spectrum, None where none does."""
    line = slice(max(0, top - _LOBE_BINS), top + _LOBE_BINS + 1)
    own, whole = float(np.sum(both[line])), float(np.sum(both[inside]))
    if not own > _LEAST_SHARE * whole or not whole > 0.0:
        return None
    return _Line(float(np.dot(hz[line], both[line])) / own, 10.0 * math.log10(own))


def _runs(looks: Sequence[_Line | None]) -> list[tuple[int, int]]:
    """Return (begin, end) of runs in which a line moves one way, far enough to be a sweep."""
    found, begin = [], 0
    for end in range(1, len(looks) + 1):
        if end < len(looks) and _goes_on(looks, begin, end):
            continue
        ends = [look.frequency_hz for look in looks[begin:end] if look is not None]
        if len(ends) >= _LEAST_POINTS + 2 * _OVER_AN_END and max(ends) / min(ends) >= _LEAST_RANGE:
            # Spectra that reach over the ends hold less of the line.
            found.append((begin + _OVER_AN_END, end - _OVER_AN_END))
        begin = end
    return found


def _goes_on(looks: Sequence[_Line | None], begin: int, at: int) -> bool:
    """Return whether a line goes on from the spectrum before, the way that it went (by half a bin it may waver)."""
    before, now = looks[at - 1], looks[at]
    if before is None or now is None or abs(now.level_db - before.level_db) > _MOST_ROSE_DB:
        return False
    if not 1.0 / _MOST_MOVED <= now.frequency_hz / before.frequency_hz <= _MOST_MOVED:
        return False
    first = looks[begin] or before
    gone_hz, waver_hz = before.frequency_hz - first.frequency_hz, 0.5 / _WINDOW_S
    onward_hz = (now.frequency_hz - before.frequency_hz) * math.copysign(1.0, gone_hz)
    return abs(gone_hz) < waver_hz or onward_hz > -waver_hz


def fitted_to_sweep(frequency_hz: FloatArray, level_rms: FloatArray, known: Known) -> Resonance:
    """Return the resonance of one channel's levels over a sweep. Raises SignalError where nothing can be fitted.

    frequency_hz, level_rms : (points,).   known : gain of all else, divided out.
    """
    inside = (frequency_hz >= LOW_HZ) & (frequency_hz <= HIGH_HZ) & (level_rms > 0.0)
    if np.count_nonzero(inside) < _LEAST_POINTS:
        raise SignalError("the sweep holds too little between 2.5 and 45 Hz for a resonance")
    hz = frequency_hz[inside]
    neper = np.log(level_rms[inside] / known(hz))
    return _fit(hz, neper, np.ones(len(hz)), sloped=False, independent=_INDEPENDENT)


def fitted_to_noise(signal: FloatArray, rate_hz: float, known: Known) -> Resonance:
    """Return the resonance in the density of a silent groove, on a slope of its own (warps fall by some dB/octave).

    signal : (frames,) of one direction.   rate_hz : of `LowPart`.   Raises SignalError: too short, or silent.
    """
    frames = 2 ** round(math.log2(_SEGMENT_S * rate_hz))
    (density,) = noise_density(signal[:, None], rate_hz, frames=frames)
    hz = density.frequency_hz
    inside = (hz >= _NOISE_HZ[0]) & (hz <= _NOISE_HZ[1]) & (density.v2_per_hz > 0.0)
    if np.count_nonzero(inside) < _LEAST_POINTS:
        raise SignalError("the silent groove holds nothing between 3 and 23 Hz")
    neper = 0.5 * np.log(density.v2_per_hz[inside]) - np.log(known(hz[inside]))
    # The logarithm of a mean of n powers scatters by about 1/√n, of amplitudes by half of that.
    scatter = 0.5 / math.sqrt(density.averages)
    found = _fit(hz[inside], neper, np.full(np.count_nonzero(inside), scatter), sloped=True, independent=1.5)
    return found


def _fit(hz: FloatArray, neper: FloatArray, scatter: FloatArray, *, sloped: bool, independent: float) -> Resonance:
    """Fit level, f₀, Q and, where asked, a slope over ln f, all in nepers.

    scatter : what each point is expected to scatter, in nepers; equal ones are found by the fit.   independent : so
    many neighbours tell as much as one.
    """
    octave = np.log(hz / _BEGIN_HZ)

    def model(parameters: FloatArray) -> FloatArray:
        level, resonance, quality, *slope = parameters
        curve = level + np.log(gain(hz, math.exp(resonance), math.exp(quality)))
        return np.asarray(curve + (slope[0] * octave if slope else 0.0))

    def off(parameters: FloatArray) -> FloatArray:
        return np.asarray((model(parameters) - neper) / scatter)

    begins = [math.log(_BEGIN_HZ), math.log(float(hz[int(np.argmax(neper))]))]
    tries = [
        least_squares(
            off,
            [float(np.median(neper)), begin, math.log(_BEGIN_QUALITY), *([0.0] if sloped else [])],
            loss="soft_l1",
        )
        for begin in begins
    ]
    found = min(tries, key=lambda one: float(one.cost))
    left = model(found.x) - neper
    rms = float(np.sqrt(np.mean(left**2)))
    # By the scatter that is left, or that is expected, whichever is larger.
    spread = max(rms, float(np.mean(scatter)) if sloped else 0.0)
    jacobian = np.asarray(found.jac) * float(np.mean(scatter))
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * spread**2 * independent
    resonance_hz, quality = math.exp(found.x[1]), math.exp(found.x[2])
    half = TWO_SIDED_95 * np.sqrt(np.diag(covariance))
    if not float(np.min(hz)) < resonance_hz < float(np.max(hz)):
        raise SignalError("no resonance lies within what was captured; play a sweep from 25 Hz down to 5 Hz")
    peak_hz, height_db = _peak(resonance_hz, quality)
    steps = [_peak(resonance_hz * math.exp(half[1]), quality), _peak(resonance_hz, quality * math.exp(half[2]))]
    base = found.x[0] + (found.x[3] * octave if sloped else 0.0)
    per_neper = 20.0 / math.log(10.0)
    return Resonance(
        peak_hz=peak_hz,
        peak_half_hz=_moved(peak_hz, [one[0] for one in steps]),
        height_db=height_db,
        height_half_db=_moved(height_db, [steps[1][1]]),
        quality=quality,
        quality_half=quality * float(half[2]),
        left_db=per_neper * rms,
        single=rms <= max(_MOST_LEFT, 2.0 * spread if sloped else 0.0) and float(half[2]) < 1.0,
        frequency_hz=hz,
        level_db=np.asarray(per_neper * (neper - base)),
        fitted_db=np.asarray(per_neper * (model(found.x) - base)),
    )


def _peak(resonance_hz: float, quality: float) -> tuple[float | None, float | None]:
    """Return where H is highest and by how many dB; None where it nowhere rises above 1."""
    if 2.0 * quality**2 <= 1.0:
        return None, None
    height = quality / math.sqrt(1.0 - 1.0 / (4.0 * quality**2))
    return resonance_hz / math.sqrt(1.0 - 1.0 / (2.0 * quality**2)), 20.0 * math.log10(height)


def _moved(value: float | None, others: Sequence[float | None]) -> float:
    """Return by how far a figure moves with its parameters, as independent errors."""
    if value is None:
        return 0.0
    return math.sqrt(sum((other - value) ** 2 for other in others if other is not None))
