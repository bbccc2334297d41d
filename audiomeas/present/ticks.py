"""Where the ticks of a chart stand and what they say: the trade's steps (20, 50, 100 … 20k) on logarithmic scales."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Room in points that a tick label with its air needs along the axis.
_X_LABEL_ROOM_PT = 30.0
_Y_LABEL_ROOM_PT = 26.0


def frequency_text(frequency_hz: float) -> str:
    """Return a frequency as the trade writes it on an axis: 50, 1k, 2.5k, 20k."""
    if abs(frequency_hz) >= 1000.0:
        return f"{frequency_hz / 1000.0:.6g}k".replace("-", "−")
    return number_text(frequency_hz)


def number_text(value: float) -> str:
    """Return a plain number for a tick, with a true minus sign; very small ones as a power of ten."""
    if value != 0.0 and not 1e-5 <= abs(value) < 1e7:
        mantissa, exponent = f"{value:.3e}".split("e")
        text = f"{float(mantissa):g}e{int(exponent)}"
    else:
        text = f"{value:.10g}" if abs(value) >= 1e-4 or value == 0.0 else f"{value:.7f}".rstrip("0")
    return text.replace("-", "−")


def steps_in(low: float, high: float, mantissas: Sequence[int] = (1, 2, 5)) -> list[float]:
    """Return the values m × 10ⁿ from low to high, both included (positive limits)."""
    found = []
    for exponent in range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1):
        for mantissa in mantissas:
            value = float(f"{mantissa}e{exponent}")
            if low * (1 - 1e-9) <= value <= high * (1 + 1e-9):
                found.append(value)
    return found


def logarithmic_ticks(low: float, high: float, most: int) -> list[float]:
    """Return at most about `most` ticks for a logarithmic axis.

    1-2-5 steps where they fit, else decades, else each nth decade; on less than a decade, even steps.
    """
    steps = steps_in(low, high)
    if len(steps) < 3:
        return even_ticks(low, high, min(most, 6))
    if len(steps) <= most:
        return steps
    decades = steps_in(low, high, (1,))
    return decades[:: max(1, math.ceil(len(decades) / most))]


def even_ticks(low: float, high: float, most: int, *, whole: bool = False) -> list[float]:
    """Return even, round ticks within the limits. whole : of what is counted (orders of harmonics) no halves."""
    from matplotlib.ticker import MaxNLocator

    values = MaxNLocator(nbins=max(2, most), steps=[1, 2, 5, 10], integer=whole).tick_values(low, high)
    slack = 1e-9 * max(abs(low), abs(high))
    return [round(float(value), 12) + 0.0 for value in values if low - slack <= value <= high + slack]


def set_ticks(
    ax: Axes, which: Literal["x", "y"], *, scale: str, is_frequency: bool, room_pt: float, whole: bool = False
) -> None:
    """Put ticks, their texts and a fine grid on one axis, whose limits stand already. whole : see `even_ticks`."""
    from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

    axis = ax.xaxis if which == "x" else ax.yaxis
    low, high = sorted(ax.get_xlim() if which == "x" else ax.get_ylim())
    most = max(3, int(room_pt / (_X_LABEL_ROOM_PT if which == "x" else _Y_LABEL_ROOM_PT)))
    text = frequency_text if is_frequency else number_text
    if scale == "log":
        ticks = logarithmic_ticks(low, high, most)
        axis.set_minor_locator(FixedLocator(steps_in(low, high, range(1, 10)) if high / low < 1e7 else []))
    else:
        ticks = even_ticks(low, high, min(most, 12), whole=whole)
        axis.set_minor_locator(NullLocator())
    axis.set_major_locator(FixedLocator(ticks))
    axis.set_minor_formatter(NullFormatter())
    axis.set_ticklabels([text(value) for value in ticks])
