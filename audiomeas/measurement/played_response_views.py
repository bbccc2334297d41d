"""Tables and charts of a played response, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.figure_table import figures_table, frequency_table
from audiomeas.measurement.views import ChartView, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: Key, words, unit: the rows of the first table, and the figures that limits can hold.
QUANTITIES = (
    ("deviation_high_db", "highest place of the response in the band", "dB"),
    ("deviation_high_at_hz", "  at", "Hz"),
    ("deviation_low_db", "lowest place of the response in the band", "dB"),
    ("deviation_low_at_hz", "  at", "Hz"),
    ("level_v_rms", "level at the reference", "V"),
    ("level_dbfs", "level at the reference", "dBFS"),
)
_ALWAYS = ("deviation_high_db", "deviation_low_db")
#: A sweep has more points than a table should: those nearest to a third of an octave apart.
_MOST_ROWS = 40
_PER_OCTAVE = 3
_SMALLEST_SPAN_DB = 12.0


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, and the response of each channel."""
    return (
        figures_table(result, QUANTITIES, title="Response as played", always=_ALWAYS, notes=_notes(result)),
        *(_points(channel) for channel in result.channels if channel.values["points"]),
    )


def _notes(result: Result) -> tuple[str, ...]:
    conditions = result.conditions
    low_hz, high_hz = conditions["band_hz"]
    return (
        f"{_caption(result)}.",
        f"Band: {low_hz:g} to {high_hz:g} Hz. How true the record or tape is, is in all figures.",
    )


def _caption(result: Result) -> str:
    conditions = result.conditions
    stage = conditions["stage_from"]
    by = f"the stage by {stage['file']}" if stage else f"an ideal stage ({conditions['equalization']})"
    return (
        f"By {conditions['told_by']}, recorded {conditions['recorded']}; {by} divided out; 0 dB at "
        f"{conditions['reference_hz']:g} Hz"
    )


def _points(channel: ChannelResult) -> TableView:
    return frequency_table(
        _fewer(channel.values["points"]),
        (("response_db", "Response", "dB"), ("level_db", "Level as captured", "dB")),
        title=f"By frequency, channel {channel.channel}",
    )


def _fewer(points: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return all points, or where they are many about one a third of an octave."""
    if len(points) <= _MOST_ROWS:
        return points
    shown: dict[int, dict[str, Any]] = {}
    for row in points:
        place = _PER_OCTAVE * math.log2(row["frequency_hz"] / 1000.0)
        best = shown.get(round(place))
        if best is None or abs(place - round(place)) < abs(
            _PER_OCTAVE * math.log2(best["frequency_hz"] / 1000.0) - round(place)
        ):
            shown[round(place)] = row
    return [shown[place] for place in sorted(shown)]


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the response of both channels against frequency."""
    series = []
    for channel in result.channels:
        rows = [row for row in channel.values["points"] if row["response_db"] is not None]
        if rows:
            series.append(
                Series(
                    label=f"channel {channel.channel}",
                    x=[row["frequency_hz"] for row in rows],
                    y=[row["response_db"] for row in rows],
                    channel=channel.channel,
                    each_point=len(rows) <= _MOST_ROWS,
                )
            )
    if not series:
        return ()
    return (
        ChartView(
            name="played-response",
            title="Response as played",
            x_label="Frequency (Hz)",
            y_label=f"Response (dB re {result.conditions['reference_hz']:g} Hz)",
            series=tuple(series),
            caption=_caption(result),
            simulated=result.simulated,
            y_smallest_span=_SMALLEST_SPAN_DB,
            curve_key="response_db",
        ),
    )
