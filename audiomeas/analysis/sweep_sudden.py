"""What is sudden in a captured sweep: a piece of it whose energy no noise has.

A lost, repeated, zeroed or swapped block leaves a piece of the sweep behind, which may hide in the noise sample by
sample, but not as a whole. What the chain does is taken away first: the linear impulse response, in each octave only
some periods of it, so that a sudden thing (which deconvolution smears along the sweep) stays; then those harmonics
whose impulses stand clear. The rest is noise. The energy of a piece of it follows the chi-squared law, and is held
against what pieces have in the tenths of a second around.

It says nothing where the rest is no noise, and nothing of what comes back: corners of a limiter or of a dead band come
in every period, damage has three edges at most.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq
from scipy.ndimage import maximum_filter1d
from scipy.special import chdtri

from audiomeas.analysis.deconvolution import (
    Cut,
    FloatArray,
    Impulses,
    SweepLaw,
    deconvolve,
    endless_inverse,
    endless_on_bins,
    fall,
    without_linear,
)
from audiomeas.analysis.shortevents import SHORTEST_PIECE, SIGMA_PER_MEDIAN, seldom_near, together

FrameArray = NDArray[np.intp]

#: Periods of an octave's lower edge that are kept of the linear impulse response before and after its peak (it rings),
#: and the least time.
_KEPT_BEFORE, _KEPT_AFTER, _KEPT_S = 16.0, 32.0, 0.004
#: The lowest octave begins here, and one turns into the next over so many octaves: smoothly, or it would ring.
_FROM_HZ, _TURN_OCTAVES = 20.0, 2.0
#: Harmonics up to this order are taken away where their impulse stands this far over what is usual around it.
_HIGHEST_ORDER, _CLEAR_IMPULSE = 20, 12.0
#: This much on each side of a harmonic's impulse is its own; it is looked for, and compared, within these.
_HARMONIC_S, _IMPULSE_S, _AROUND_S = 0.008, 0.0005, 0.025
#: High-passes through which the rest is looked at: what is slow and left may hide what is quick.
_CORNERS_HZ = (0.0, 250.0, 800.0, 2_000.0, 6_000.0)
#: Above this part of the rate harmonics end, and that edge can't be explained (see `sweep_breaks`).
_EDGE, _EDGE_ENDS = 0.42, 0.46
#: Pieces are up to so long. Beyond a second length what the linear response leaves is as slow: they must exceed the
#: limit so many times.
_LONGEST_PIECE, _LONG_PIECE, _TIMES_LONG = 2048, 512, 3.0
#: What is usual is told for so long, by so many pieces at least, and by those before and after.
_AROUND_USUAL_S, _FEWEST_PIECES = 0.1, 24
#: In noise one piece in so many reaches the limit.
_ONE_IN = 1e10
#: Energy that varies by more than this, relative to white noise, is no noise's.
_TIMES_NOISE = 1.8
#: No damage has more edges; and what has this part of the largest piece's energy is one.
_MOST_PLACES, _AN_EDGE = 3, 0.1
#: A place is no longer than so many lengths of the piece: the piece is as long as what is found, or shorter.
_LENGTHS = 3
#: Three lengths away on one side it must have fallen to this part: what rings comes and goes slowly.
_BESIDE, _SIDE = 3, 0.25
#: Of what the linear response leaves, at least this part of the energy must not be harmonics.
_OF_OWN = 0.05
#: It must reach this part of the sweep's peak: what is smaller moves no figure.
_LEAST_PEAK = 5e-4
#: Looked at from this multiple of the start (before, the sweep fades in) to this part of its end.
_FROM_START, _TO_END = 1.4, 0.93
#: Beside harmonics that stand clear it must exceed the limit so many times: corners of the same law may be left.
_TIMES_BESIDE_HARMONICS = 3.0
#: A limiter may be reached for once where the capture peaks: in so long blocks.
_BLOCK_S = 0.01


@dataclass(frozen=True, kw_only=True)
class Sudden:
    """A piece of a sweep. frame : its middle, from the sweep's first.  peak : in the unit of the capture."""

    frame: float
    peak: float


@dataclass(frozen=True, kw_only=True)
class _Piece:
    """A piece of the rest. over : its energy over the usual, in parts of the limit.   start, frames : of the cut."""

    over: float
    start: int
    frames: int

    @property
    def where(self) -> slice:
        """Return its frames."""
        return slice(self.start, self.start + self.frames)


def sudden_in_sweep(
    cut: Cut, impulses: Impulses, played: FloatArray, amplitude: float, points: int, law: SweepLaw
) -> Sudden | None:
    """Return the piece of a captured sweep that most exceeds noise, or None.

    cut, impulses : of the capture, as `cut_out` and `deconvolve` give them.   played : (frames,), the sweep as
    rendered, with a peak of `amplitude`.   points : transform length.
    """
    quick = _without_quick_linear(cut, impulses, played, points, law)
    rest = _without_harmonics(quick, impulses, amplitude, points, law)
    first = cut.before + _frame(_FROM_START * law.start_hz, law)
    last = min(cut.before + _frame(_TO_END * law.full_to_hz, law), len(cut.samples))
    least = 1.0 if rest is quick.samples else _TIMES_BESIDE_HARMONICS
    best: tuple[_Piece, float] | None = None
    looks = list(_looks(rest, law))
    befores = looks if rest is quick.samples else list(_looks(quick.samples, law))
    for looked, before in zip(looks, befores, strict=True):
        for piece in _pieces(looked, first, last, law):
            own = _energy(looked, piece) >= _OF_OWN * _energy(before, piece)
            if own and piece.over > (best[0].over if best else least):
                best = piece, _peak(looked[piece.where])
    if best is None:
        return None
    piece, peak = best
    inside = cut.samples[first:last]
    at_peak = seldom_near(_peak(cut.samples[piece.where]), inside, round(_BLOCK_S * law.sample_rate_hz))
    if peak < _LEAST_PEAK * _peak(inside) or at_peak:
        return None
    return Sudden(frame=piece.start + 0.5 * piece.frames - cut.before, peak=peak)


def _frame(frequency_hz: float, law: SweepLaw) -> int:
    return int(law.time_of_hz(np.array(frequency_hz)) * law.sample_rate_hz)


def _peak(samples: FloatArray) -> float:
    return float(np.max(np.abs(samples), initial=0.0))


def _energy(samples: FloatArray, piece: _Piece) -> float:
    return float(np.sum(np.square(samples[piece.where])))


def _without_quick_linear(cut: Cut, impulses: Impulses, played: FloatArray, points: int, law: SweepLaw) -> Cut:
    """Return a cut without the linear response, of whose impulse each octave keeps a few periods on each side."""
    from_peak_s = _seconds(impulses) - _peak_s(impulses)
    spectrum = rfft(impulses.samples, points)
    kept = np.zeros(len(impulses.samples))
    for low_hz, share in _octaves(rfftfreq(points, 1.0 / law.sample_rate_hz)):
        before_s = min(max(_KEPT_BEFORE / low_hz, _KEPT_S), 0.45 * law.lead_s(2))
        after_s = min(max(_KEPT_AFTER / low_hz, _KEPT_S), 0.45 * law.duration_s)
        outside_s = np.maximum(np.maximum(-before_s - from_peak_s, from_peak_s - after_s), 0.0)
        kept += irfft(spectrum * share, points)[: len(kept)] * fall(outside_s, 0.0, 0.5 * min(before_s, after_s))
    return without_linear(cut, (kept, np.ones(len(kept)), -impulses.origin), played, points, law)


def _octaves(frequency_hz: FloatArray) -> Iterator[tuple[float, FloatArray]]:
    """Yield the lower edge of each octave and its share of each frequency; the shares' sum is one.

    frequency_hz : (bins,), rising.   The turns have all derivatives: their own responses die away within their periods.
    """
    octave = np.log2(np.maximum(frequency_hz, 1e-9) / _FROM_HZ)
    count = max(math.ceil(octave[-1]), 0)
    above = np.ones(len(octave))
    for number in range(count):
        place = np.clip((octave - number - 0.5) / _TURN_OCTAVES + 0.5, 1e-9, 1.0 - 1e-9)
        rising, falling = np.exp(-1.0 / place), np.exp(-1.0 / (1.0 - place))
        next_above = rising / (rising + falling)
        yield _FROM_HZ * 2.0**number, above - next_above
        above = next_above
    yield _FROM_HZ * 2.0**count, above


def _seconds(impulses: Impulses) -> FloatArray:
    return np.asarray((np.arange(len(impulses.samples)) - impulses.origin) / impulses.sample_rate_hz)


def _peak_s(impulses: Impulses) -> float:
    return float((int(np.argmax(np.abs(impulses.samples))) - impulses.origin) / impulses.sample_rate_hz)


def _without_harmonics(quick: Cut, impulses: Impulses, amplitude: float, points: int, law: SweepLaw) -> FloatArray:
    """Return what those harmonics leave whose impulses stand clear, (frames,) along the cut.

    quick : the capture less its linear response.   impulses : of the capture; their peak is where harmonics count from.
    """
    endless = deconvolve(quick, endless_inverse(law, amplitude, points), points, law)
    from_peak_s = _seconds(endless) - _peak_s(impulses)
    outside_s = np.full(len(from_peak_s), np.inf)
    for order in range(2, _HIGHEST_ORDER + 1):
        away_s = np.abs(from_peak_s + law.lead_s(order))
        if _stands_clear(np.abs(endless.samples), away_s):
            outside_s = np.minimum(outside_s, np.maximum(away_s - _HARMONIC_S, 0.0))
    if not np.any(np.isfinite(outside_s)):
        return quick.samples
    kept = np.roll(endless.samples * fall(outside_s, 0.0, _HARMONIC_S), quick.before - law.frames)
    sweep = amplitude * endless_on_bins(law, points)
    sweep[0] = 0.0
    return np.asarray(quick.samples - irfft(rfft(kept) * sweep, points)[: len(quick.samples)])


def _stands_clear(size: FloatArray, away_s: FloatArray) -> bool:
    """Return whether an impulse stands out. size, away_s : (frames,), and distance from where it would be."""
    near, around = away_s < _IMPULSE_S, away_s < _AROUND_S
    return bool(np.any(near)) and float(np.max(size[near])) > _CLEAR_IMPULSE * float(np.median(size[around]))


def _looks(rest: FloatArray, law: SweepLaw) -> Iterator[FloatArray]:
    """Yield the rest through each high-pass, (frames,) each."""
    points = int(next_fast_len(len(rest), real=True))
    spectrum, frequency_hz = rfft(rest, points), rfftfreq(points, 1.0 / law.sample_rate_hz)
    shape = fall(frequency_hz, _EDGE * law.sample_rate_hz, _EDGE_ENDS * law.sample_rate_hz)
    for corner_hz in _CORNERS_HZ:
        high = 1.0 - fall(frequency_hz, 0.7 * corner_hz, 1.3 * corner_hz) if corner_hz else 1.0
        yield irfft(spectrum * shape * high, points)[: len(rest)]


def _pieces(looked: FloatArray, first: int, last: int, law: SweepLaw) -> Iterator[_Piece]:
    """Yield of each length the piece that exceeds noise most, where one does and few others are like it."""
    until = np.concatenate([[0.0], np.cumsum(np.square(looked))])
    width = float(SHORTEST_PIECE)
    while width <= _LONGEST_PIECE:
        frames = round(width)
        width *= math.sqrt(2.0)
        hop = max(1, frames // 4)
        starts = np.arange(first, last - frames, hop)
        if len(starts) < 2 * _FEWEST_PIECES:
            return
        energy = until[starts + frames] - until[starts]
        over = _over_usual(energy, frames, max(round(_AROUND_USUAL_S * law.sample_rate_hz / hop), _FEWEST_PIECES))
        if frames > _LONG_PIECE:
            over = over / _TIMES_LONG
        at = int(np.argmax(over))
        alone = _falls_beside(energy, at, _BESIDE * frames // hop)
        if over[at] > 1.0 and alone and _few(energy, at, float(over[at]), starts, frames):
            yield _Piece(over=float(over[at]), start=int(starts[at]), frames=frames)


def _falls_beside(energy: FloatArray, at: int, away: int) -> bool:
    """Return whether the energy of a piece has fallen so many pieces before it, or after. energy : (pieces,)."""
    usual = float(np.median(energy))
    beside = (energy[at - away] if at >= away else usual, energy[at + away] if at + away < len(energy) else usual)
    return bool(min(beside) - usual < _SIDE * (energy[at] - usual))


def _few(energy: FloatArray, at: int, over: float, starts: FrameArray, frames: int) -> bool:
    """Return whether pieces like the one that is found are short, and no more than damage has edges.

    energy, starts : (pieces,).   at, over : which one, and its energy over the usual one in parts of the limit.
    """
    usual = float(np.median(energy))
    alike = energy - usual > max(_AN_EDGE, 1.0 / over) * (energy[at] - usual)
    found = together(starts[alike], 2 * frames)
    return len(found) <= _MOST_PLACES and all(last - first <= _LENGTHS * frames for first, last in found)


def _over_usual(energy: FloatArray, frames: int, around: int) -> FloatArray:
    """Return by how much each piece's energy exceeds the usual one, in parts of the limit.

    energy : (pieces,).   frames : of a piece.   around : pieces that tell what is usual.   0 : the rest is no noise.
    """
    edges = np.linspace(0, len(energy), max(1, len(energy) // around) + 1).astype(np.intp)
    sizes = np.diff(edges)
    usual = _medians(energy, edges)
    spread = SIGMA_PER_MEDIAN * _medians(np.abs(energy - np.repeat(usual, sizes)), edges)
    # What begins or ends there is not sudden: the louder neighbour tells what is usual.
    usual, spread = (maximum_filter1d(each, 3, mode="nearest") for each in (usual, spread))
    of_noise = usual * math.sqrt(2.0 / frames)
    noisy = (of_noise > 0.0) & (spread <= _TIMES_NOISE * of_noise)
    # A filter leaves less freedom: that of the chi-squared law which varies so much (F. E. Satterthwaite, Biometrics
    # Bulletin 2, 1946).
    varies = np.maximum(spread, of_noise) / np.where(noisy, usual, 1.0)
    freedom = 2.0 / np.square(np.where(noisy, varies, 1.0))
    limit = np.where(noisy, usual * (chdtri(freedom, 1.0 / _ONE_IN) / freedom - 1.0), np.inf)
    return np.asarray((energy - np.repeat(usual, sizes)) / np.repeat(limit, sizes))


def _medians(values: FloatArray, edges: FrameArray) -> FloatArray:
    """Return the median between each two edges, (edges − 1,). Those of groups as long as others are found at once."""
    sizes = np.diff(edges)
    found = np.empty(len(sizes))
    for size in set(sizes.tolist()):
        groups = np.flatnonzero(sizes == size)
        found[groups] = np.median(values[edges[groups, np.newaxis] + np.arange(size)], axis=1)
    return found
