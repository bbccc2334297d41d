"""Where a unit clips, from bursts of a sine at several levels: onset, levels of given distortion, knee, asymmetry, sag.

Onset is where the distortion (noise removed) is twice its minimum over level. Between bursts the levels are found with
the knee that the bursts show (`clipping_knee`), scaled to the two bursts beside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.clipping_burst import BurstReading
from audiomeas.analysis.clipping_search import USUAL_PERCENTAGES

FloatArray = NDArray[np.float64]

#: Onset: this many times the minimum of THD over level.
ONSET_RATIO = 2.0


@dataclass(frozen=True, kw_only=True)
class DistortionLevel:
    """The level at which THD (noise removed) is `percent`.

    level_v_rms : at the unit's output, fundamental and harmonics.   input_v_rms : None when no input level is known.
    uncertainty_db : 95 % half-width of the level, from noise and from reading between bursts.
    bound : None, 'at least' (not reached: the highest level that was played) or 'at most' (reached at the lowest
    already, or the minimum can't be told from noise).
    compression_db : gain there over the gain far below; None where no input level is known, or for a bound.
    h2_db, h3_db : relative to the fundamental, at that level; None for a bound 'at least'.
    """

    percent: float
    level_v_rms: float
    input_v_rms: float | None
    uncertainty_db: float
    bound: str | None
    compression_db: float | None
    h2_db: float | None
    h3_db: float | None


@dataclass(frozen=True, kw_only=True)
class CurvePoint:
    """One burst of the curve. thd_at_most : the harmonics can't be told from noise, the ratio is their upper limit."""

    input_v_rms: float | None
    level_v_rms: float
    thd_ratio: float
    thd_at_most: bool
    thd_n_ratio: float
    peak_asymmetry_db: float


@dataclass(frozen=True, kw_only=True)
class Clipping:
    """Where one channel clips.

    onset : level at which THD is twice its minimum (`percent` is that THD).   levels : at given percentages, rising.
    minimum_thd_ratio : the least THD over level; an upper limit where `minimum_at_most`.   minimum_v_rms : where.
    asymmetry_db : by how much lower the half that clips first does so, ≥ 0; first_half : 'positive', 'negative' or
    None when the bursts don't show it (too symmetrical, or not clipped).
    gain_db : far below clipping; None when no input level is known.   curve : every burst, level rising.
    notes : sentences for the person.
    """

    onset: DistortionLevel
    levels: tuple[DistortionLevel, ...]
    minimum_thd_ratio: float
    minimum_at_most: bool
    minimum_v_rms: float
    asymmetry_db: float | None
    first_half: str | None
    gain_db: float | None
    curve: tuple[CurvePoint, ...]
    notes: tuple[str, ...]


def levels_of(
    readings: Sequence[BurstReading],
    input_v_rms: Sequence[float] | None = None,
    *,
    percentages: Sequence[float] = USUAL_PERCENTAGES,
    highest_percent: float | None = None,
) -> Clipping:
    """Return where one channel clips, from bursts at two levels and more, in any order.

    readings : of one channel, all at one frequency.   input_v_rms : the input level of each; None: not known.
    percentages : of THD, whose levels are told.   highest_percent : those above it are left out; None: none is.
    Raises SignalError: fewer than two levels, readings of different frequencies, percentages out of range.
    """
    raise NotImplementedError


def sag_db(alone: DistortionLevel, together: DistortionLevel) -> float | None:
    """Return how much lower a level is with both channels driven than alone, dB (negative: lower); None for bounds.

    As power into the same load it is the same number of dB.
    """
    raise NotImplementedError
