"""Mains lines (hum): 50 or 60 Hz and multiples, found where the mains really is, not where it should be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.lines import LOBE_BINS, WINDOW_MEAN_SQUARE, lobes

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

NOMINAL_HZ = (50.0, 60.0)
#: Multiples that are looked for.
MULTIPLES = 20
#: Public grids keep within 1 % even in trouble (EN 50160: 50 Hz ± 1 % for 99.5 % of a year).
TOLERANCE = 0.01
#: Multiples further apart than this many bins can be told from one another and from their surroundings.
_LEAST_SPACING_BINS = 10.0
#: Power over the local noise at which a line is one: noise alone passes in 4e-8 of the bins.
_SIGNIFICANT = 17.0
#: Hum is told by two of its first multiples, or by the mains and any other; a lone line must be this strong.
FIRST_MULTIPLES, _LONE = (1, 2, 3, 4), 1000.0
#: What is this much stronger (power) than all of hum's first multiples is no hum: another tone at such a place.
NOT_HUM = 100.0


@dataclass(frozen=True, kw_only=True)
class MainsFound:
    """Where the mains lies, in bins, and which of its multiples stand out."""

    fundamental_bins: float
    multiples: tuple[int, ...]

    @property
    def positions(self) -> FloatArray:
        """Place of each line in bins."""
        return np.asarray(self.multiples, dtype=np.float64) * self.fundamental_bins


def find_mains(
    cleaned: ComplexArray, tone_lines: FloatArray, frames: int, bin_hz: float, *, least_per_bin: float = 0.0
) -> MainsFound | None:
    """Look for mains lines in a windowed spectrum whose tone was taken out. None: there is no hum to be told apart.

    tone_lines : (n,) places of DC and the tone's lines in bins; mains lines that fall on them can't be told apart.
    least_per_bin : mean-square value per bin below which nothing is known (the rounding of the samples).
    """
    best: tuple[float, MainsFound] | None = None
    for nominal_hz in NOMINAL_HZ:
        nominal = nominal_hz / bin_hz
        if nominal < _LEAST_SPACING_BINS:
            continue
        size = min(len(cleaned), int(nominal * (MULTIPLES + 1)) + 64)
        power = np.abs(cleaned[:size]) ** 2 * (2.0 / (float(frames) ** 2 * WINDOW_MEAN_SQUARE))
        found = _search(power, lobes(tone_lines, size, LOBE_BINS + 2), cleaned, nominal, least_per_bin)
        if found is not None and (best is None or found[0] > best[0]):
            best = found
    return None if best is None else best[1]


def _search(
    power: FloatArray, taken: NDArray[np.bool_], cleaned: ComplexArray, nominal: float, least: float
) -> tuple[float, MainsFound] | None:
    ratio = _over_noise(power, taken, nominal, least)
    step = 0.25 / MULTIPLES
    candidates = np.arange(nominal * (1 - TOLERANCE), nominal * (1 + TOLERANCE) + step, step)
    multiples = np.arange(1, MULTIPLES + 1)
    places = np.rint(np.multiply.outer(candidates, multiples)).astype(np.intp)
    inside = places < len(ratio)
    seen = np.where(inside, ratio[np.minimum(places, len(ratio) - 1)], 0.0)
    score = np.sum(np.log1p(seen), axis=1)
    at = int(np.argmax(score))
    standing = _hum_among(seen[at], power[np.minimum(places[at], len(power) - 1)])
    if not standing:
        return None
    strongest = max(standing, key=lambda m: seen[at][m - 1])
    place = _interpolated(cleaned, int(places[at][strongest - 1]))
    return float(score[at]), MainsFound(fundamental_bins=place / strongest, multiples=tuple(standing))


def _hum_among(seen: FloatArray, power: FloatArray) -> list[int]:
    """Return which multiples are hum; none when the lines may be anything.

    seen, power : (multiples,) over the noise, and as they are.  A line at a high multiple alone may be anything, and
    so may lines at every fourth multiple (those of 121 Hz); hum shows at the mains itself or its first multiples.
    """
    standing = [n + 1 for n in range(len(seen)) if seen[n] > _SIGNIFICANT]
    first = [m for m in standing if m in FIRST_MULTIPLES]
    if not first:
        return []
    strongest = max(power[m - 1] for m in first)
    standing = [m for m in standing if power[m - 1] <= NOT_HUM * strongest]
    if len(first) >= 2 or (first == [1] and len(standing) >= 2):
        return standing
    lone = first[0] <= 3 and len(standing) == 1 and seen[first[0] - 1] > _LONE
    return standing if lone else []


def _over_noise(power: FloatArray, taken: NDArray[np.bool_], nominal: float, least: float) -> FloatArray:
    """Return each bin's power over the median of its surroundings; 0 under the tone's own lines."""
    ratio = np.zeros(len(power))
    width = max(16, int(nominal))
    for start in range(0, len(power), width):
        piece = slice(start, min(start + width, len(power)))
        free = power[piece][~taken[piece]]
        floor = max(float(np.median(free)) / np.log(2.0) if len(free) else 0.0, least)
        if floor > 0:
            ratio[piece] = np.where(taken[piece], 0.0, power[piece] / floor)
    return ratio


def _interpolated(cleaned: ComplexArray, peak: int) -> float:
    """Return the place of a line in an already windowed spectrum, in bins (see `lines.interpolated_bin`)."""
    peak = peak - 1 + int(np.argmax(np.abs(cleaned[peak - 1 : peak + 2])))
    below, top, above = np.abs(cleaned[peak - 1 : peak + 2])
    side = 1 if above >= below else -1
    ratio = float(max(above, below) / top)
    return peak + side * (3.0 * ratio - 2.0) / (1.0 + ratio)
