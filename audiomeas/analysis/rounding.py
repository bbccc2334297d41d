"""What the finite step of the samples adds: as noise where it is spread, on the tone's own lines where it repeats.

Rounding to a step q adds q²/12 (W. R. Bennett, Bell Syst. Tech. J. 27, 1948). With dither or noise it is white; without
on a tone of k whole periods in N frames, it repeats after N/gcd(N, k) frames and stands on few lines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

#: Periods are whole when they miss it by less than this, relative to one frame's turn; then rounding repeats.
_WHOLE = 1e-6
#: Lines that stand so close that their lobes meet are as good as noise; then the median bin has more than this part.
_SPREAD = 0.1


@dataclass(frozen=True, kw_only=True)
class Rounding:
    """What rounding adds to a capture. All mean-square values.

    variance : per sample.  per_bin : of one bin, when spread evenly.  on_a_line : of one line, as it is (spread or
    repeating).  repeats : it is not spread.
    """

    variance: float
    per_bin: float
    on_a_line: float
    repeats: bool


NO_ROUNDING = Rounding(variance=0.0, per_bin=0.0, on_a_line=0.0, repeats=False)


def rounding_of(step: float | None, frames: int, periods: float, peak: float, seen_per_bin: float) -> Rounding:
    """Return what rounding to a step adds.

    step : between neighbouring values, in the signal's unit; None: unknown, nothing is claimed.   periods : of the tone
    in the capture.   peak : of the tone.   seen_per_bin : the noise that was read, from its median.
    """
    if step is None or step <= 0.0:
        return NO_ROUNDING
    variance = step**2 / 12.0
    per_bin = 2.0 * variance / frames
    if seen_per_bin >= _SPREAD * per_bin:
        return Rounding(variance=variance, per_bin=per_bin, on_a_line=per_bin, repeats=False)
    lines = min(_pattern_lines(frames, periods), max(1.0, 2.0 * math.pi * peak / step))
    return Rounding(variance=variance, per_bin=per_bin, on_a_line=max(variance / lines, per_bin), repeats=True)


def _pattern_lines(frames: int, periods: float) -> float:
    """Return on how many lines rounding stands.

    In a pattern of even length the second half is the first one's negative: only odd orders are there.
    """
    pattern = _pattern_frames(frames, periods)
    return pattern / 4.0 if pattern % 2 == 0 else pattern / 2.0


def _pattern_frames(frames: int, periods: float) -> int:
    """Return after how many frames a tone meets the same samples again; all of them when it does not.

    A sine rounded to a step has lines up to the order 2π·peak/step; beyond, its rounding is spread all the same.
    """
    whole = round(periods)
    if whole < 1 or abs(periods - whole) > _WHOLE * max(1.0, periods):
        return frames
    return frames // math.gcd(frames, whole)
