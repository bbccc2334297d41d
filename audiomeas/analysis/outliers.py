"""Which of several like values stands out from the others, by median and median absolute deviation.

Neither moves when one or two values are far off, so a faulty unit can't hide itself. For few values the usual fixed
threshold of 3.5 calls one of healthy values an outlier in every fifth stack; here it depends on how many there are.

Source: B. Iglewicz and D. C. Hoaglin, How to Detect and Handle Outliers (1993): the modified z-score.
"""

from __future__ import annotations

import bisect
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from audiomeas.errors import RequestError

#: 1 / 0.6745: turns the median absolute deviation of normal values into their standard deviation.
MAD_TO_SIGMA = 1.482602
#: Of fewer values none can be told to stand out.
FEWEST = 5
#: Number of values → the distance that the largest of as many normal values passes in 1 of 100 stacks. By drawing four
#: million to twenty thousand stacks each; odd numbers of few values reach farther than even ones.
_FARTHEST = {
    5: 18.65, 6: 10.08, 7: 10.69, 8: 7.95, 9: 8.23, 10: 6.89, 11: 7.06, 12: 6.29, 13: 6.43, 14: 5.88, 15: 5.96,
    16: 5.60, 17: 5.64, 18: 5.40, 19: 5.44, 20: 5.22, 25: 5.03, 30: 4.80, 40: 4.59, 50: 4.48,
}  # fmt: skip
_STEPS = sorted(_FARTHEST)


@dataclass(frozen=True, kw_only=True)
class Spread:
    """How values lie about their median.

    median, sigma : in the values' unit; sigma is the robust standard deviation.  distances : of each value from the
    median, signed, in what scatter and its own uncertainty explain together (standard deviations); NaN where the value
    is not known.  farthest : distances beyond it stand out.  out : whether each does.
    """

    median: float
    sigma: float
    distances: NDArray[np.float64]
    farthest: float
    out: NDArray[np.bool_]


def spread_of(values: ArrayLike, uncertainties: ArrayLike) -> Spread | None:
    """Return how values lie about their median, and which of them stand out.

    values : (values,), NaN where not known.   uncertainties : their 95 % half-widths, in the same unit; NaN counts as
    zero. A value whose uncertainty explains its distance does not stand out.
    Returns None for fewer than `FEWEST` known values. Raises RequestError for lists of two lengths, infinite values.
    """
    values, halves = np.asarray(values, float), np.nan_to_num(np.asarray(uncertainties, float))
    if values.shape != halves.shape or values.ndim != 1:
        raise RequestError("values and uncertainties must be two lists of one length")
    known = values[~np.isnan(values)]
    if not np.all(np.isfinite(known)) or not np.all(np.isfinite(halves)):
        raise RequestError("values and uncertainties must be finite")
    if len(known) < FEWEST:
        return None
    median = float(np.median(known))
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(known - median)))
    scale = np.hypot(sigma, halves / 2.0)  # 95 % of a normal distribution lie within two standard deviations
    away = values - median
    distances = np.divide(away, scale, out=np.where(away == 0.0, 0.0, np.copysign(np.inf, away)), where=scale > 0.0)
    distances[np.isnan(values)] = np.nan
    farthest = _FARTHEST[_STEPS[bisect.bisect_right(_STEPS, len(known)) - 1]]
    return Spread(median=median, sigma=sigma, distances=distances, farthest=farthest, out=np.abs(distances) > farthest)
