"""Tables and charts of the arm's resonance, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.views import ChartView, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: Endings of keys, behind 'lateral_' and 'vertical_'.
KINDS = ("resonance_hz", "height_db", "quality")
_DIRECTIONS = ("lateral", "vertical")
_KINDS = (("resonance", "Hz"), ("height of the resonance", "dB"), ("Q of the resonance", ""))
#: Key, words, unit: the rows of the first table, and the figures that limits can hold.
QUANTITIES = tuple(
    (f"{direction}_{kind}", f"{direction} {words}", unit)
    for direction in _DIRECTIONS
    for kind, (words, unit) in zip(KINDS, _KINDS, strict=True)
)
_ALWAYS = tuple(f"{direction}_{KINDS[0]}" for direction in _DIRECTIONS)


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures of both directions."""
    told_by = result.conditions["told_by"]
    by = "; ".join(f"{name}: {one or 'nothing was played'}" for name, one in told_by.items())
    return (
        figures_table(
            result,
            QUANTITIES,
            title="Resonance of the arm",
            always=_ALWAYS,
            notes=(
                f"Told by {by}.",
                "Common practice: 8 to 12 Hz; below 7 Hz warps are amplified, above 15 Hz music is.",
            ),
        ),
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return one chart a direction: what was captured, and the fit."""
    views = (_chart(result, direction) for direction in _DIRECTIONS)
    return tuple(view for view in views if view is not None)


def _chart(result: Result, direction: str) -> ChartView | None:
    series = [curve for channel in result.channels for curve in _curves(channel, direction)]
    if not series:
        return None
    return ChartView(
        name=f"{direction}-resonance",
        title=f"Resonance of the arm, {direction}",
        x_label="Frequency (Hz)",
        y_label="Level (dB re far above the resonance)",
        series=tuple(series),
        caption=f"By {result.conditions['told_by'][direction]}; cut: {result.conditions['cut']}",
        simulated=result.simulated,
        y_smallest_span=20.0,
    )


def _curves(channel: ChannelResult, direction: str) -> tuple[Series, ...]:
    found = channel.values["curves"].get(direction)
    if found is None:
        return ()
    order = sorted(range(len(found["frequency_hz"])), key=lambda place: found["frequency_hz"][place])
    hz = [found["frequency_hz"][place] for place in order]
    return (
        Series(
            label=f"channel {channel.channel}",
            x=hz,
            y=[found["level_db"][place] for place in order],
            role="points",
            channel=channel.channel,
        ),
        Series(
            label=f"fitted, channel {channel.channel}",
            x=hz,
            y=[found["fitted_db"][place] for place in order],
            channel=channel.channel,
        ),
    )
