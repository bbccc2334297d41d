"""Tables and charts of linearity, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.figure_table import figures_table, told_cell
from audiomeas.measurement.views import ChartView, Column, Limited, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: Down to which levels, in dB below the highest, the largest deviation is told.
RANGES_DB = (60, 80, 90, 100)
_QUANTITIES = (
    *(
        row
        for range_db in RANGES_DB
        for row in (
            (f"largest_deviation_to_{range_db}_db", f"largest deviation down to −{range_db} dB", "dB"),
            (f"largest_deviation_to_{range_db}_at_db", "  at", "dB"),
        )
    ),
    ("reversals", "levels that read lower although played higher", ""),
    ("reference_level_v_rms", "level at the reference", "V"),
    ("reference_level_dbfs", "level at the reference", "dBFS"),
    ("gain_db", "gain at the reference", "dB"),
    ("frequency_hz", "frequency", "Hz"),
)
#: key, heading, unit of the table's columns; those that no step knows are left out.
_COLUMNS = (
    ("played_db", "Played", "dB"),
    ("level_v_rms", "Read", "V"),
    ("level_dbfs", "Read", "dBFS"),
    ("deviation_db", "Deviation", "dB"),
    ("noise_db", "Noise there", "dB"),
)


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, and a table a channel with one row a level."""
    return (
        figures_table(
            result,
            _QUANTITIES,
            title="Linearity",
            always=("largest_deviation_to_60_db",),
            notes=(f"Deviation: {_signed(result.conditions['deviation'])}.", *_monotonic_notes(result)),
        ),
        *(_steps(channel) for channel in result.channels if channel.values["steps"]),
    )


def _signed(words: str) -> str:
    return words.replace("-", "−")


def _monotonic_notes(result: Result) -> list[str]:
    """Return whether higher levels read higher, a line a channel."""
    words = {
        True: "monotonic: every higher level reads higher",
        False: "not monotonic: a higher level reads lower",
        None: "monotonic or not can't be told: neighbouring levels differ by less than their uncertainty",
    }
    return [
        f"Channel {channel.channel}: {words[channel.values['monotonic']]}."
        for channel in result.channels
        if channel.values["steps"]
    ]


def _steps(channel: ChannelResult) -> TableView:
    rows = channel.values["steps"]
    in_volts = any(row["level_v_rms"] is not None for row in rows)
    shown = [
        one
        for one in _COLUMNS
        if any(row[one[0]] is not None for row in rows) and not (one[0] == "level_dbfs" and in_volts)
    ]
    return TableView(
        title=f"Level by level, channel {channel.channel}",
        columns=tuple(
            Column(heading=heading, unit=unit, decimals=1 if key in ("played_db", "noise_db") else None)
            for key, heading, unit in shown
        ),
        rows=tuple(tuple(told_cell(row[key], row["bound"].get(key)) for key, _, _ in shown) for row in rows),
        uncertainties=tuple(tuple(row["uncertainty"].get(key) for key, _, _ in shown) for row in rows),
        notes=("Played and noise: relative to the highest level. Noise: of the narrow band that the tone is read in.",),
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the deviation against the level played, with its uncertainty."""
    series = [one for channel in result.channels for one in _series(channel)]
    if not series:
        return ()
    conditions = result.conditions
    return (
        ChartView(
            name="linearity",
            title="Deviation of the level",
            x_label="Level played (dB re the highest)",
            y_label="Deviation (dB)",
            series=tuple(series),
            x_scale="linear",
            caption=(
                f"Tone of {conditions['frequency_hz']:.5g} Hz, read in a narrow band, less noise. Deviation: "
                f"{_signed(conditions['deviation'])}. Thin: both edges of the 95 % interval."
            ),
            simulated=result.simulated,
            y_smallest_span=1.0,
            limited=tuple(
                Limited(
                    key=f"largest_deviation_to_{range_db}_db",
                    span=(-range_db, math.inf),
                    both_ways=True,
                    words=f"down to −{range_db} dB",
                )
                for range_db in RANGES_DB
            ),
        ),
    )


def _series(channel: ChannelResult) -> list[Series]:
    rows = sorted((row for row in channel.values["steps"]), key=lambda row: float(row["played_db"]))
    known = [row for row in rows if row["deviation_db"] is not None and not row["bound"]]
    bounds = [row for row in rows if row["deviation_db"] is not None and row["bound"]]
    number, series = channel.channel, []
    if known:
        series.append(
            Series(
                label=f"channel {number}",
                x=[row["played_db"] for row in known],
                y=[row["deviation_db"] for row in known],
                channel=number,
                each_point=True,
            )
        )
        series.append(_interval(number, known))
    if bounds:
        series.append(
            Series(
                label=f"channel {number}, at most",
                x=[row["played_db"] for row in bounds],
                y=[row["deviation_db"] for row in bounds],
                role="points",
                hollow=True,
                channel=number,
            )
        )
    return series


def _interval(number: int, known: list[Mapping[str, Any]]) -> Series:
    """Return both edges of the 95 % interval as one curve with a gap between them."""
    x = [float(row["played_db"]) for row in known]
    low: list[float | None] = [row["deviation_db"] - row["uncertainty"]["deviation_db"] for row in known]
    high: list[float | None] = [row["deviation_db"] + row["uncertainty"]["deviation_db"] for row in known]
    return Series(label=f"channel {number}, 95 % interval", x=[*x, x[-1], *x], y=[*low, None, *high], channel=number)
