"""Tables and charts of wow and flutter, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.views import ChartView, Column, Limited, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: Key, words, unit: the rows of the first table, and the figures that limits can hold.
QUANTITIES = (
    ("carrier_hz", "tone", "Hz"),
    ("speed_error_percent", "speed error", "%"),
    ("speed_error_cents", "speed error as pitch", "cents"),
    ("speed_begin_percent", "speed error at the beginning", "%"),
    ("speed_middle_percent", "speed error in the middle", "%"),
    ("speed_end_percent", "speed error at the end", "%"),
    ("speed_drift_percent", "drift of the speed, beginning to end", "%"),
    ("weighted_percent", "wow and flutter, weighted, 2-sigma", "%"),
    ("weighted_rms_percent", "wow and flutter, weighted, r.m.s.", "%"),
    ("quasi_peak_percent", "wow and flutter, weighted, quasi-peak", "%"),
    ("unweighted_percent", "wow and flutter, unweighted, 2-sigma", "%"),
    ("unweighted_rms_percent", "wow and flutter, unweighted, r.m.s.", "%"),
    ("nab_rms_percent", "wow and flutter, unweighted from 0.5 Hz, r.m.s. (NAB)", "%"),
    ("wow_percent", "wow, up to 6 Hz, 2-sigma", "%"),
    ("flutter_percent", "flutter, from 6 Hz, 2-sigma", "%"),
    ("scrape_rms_percent", "scrape flutter, 200 to 700 Hz, r.m.s.", "%"),
    ("drop_outs", "drop-outs", ""),
    ("drop_outs_per_minute", "drop-outs per minute", "1/min"),
    ("leaps", "leaps of the tone's phase", ""),
)
#: Rows that say something although nothing was found.
_ALWAYS = ("speed_error_percent", "weighted_percent")
_MOST_BREAKS = 20


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, and by channel the lines of the modulation and what broke the tone."""
    return (
        figures_table(result, QUANTITIES, title="Wow and flutter", always=_ALWAYS, notes=_notes(result)),
        *(_lines(channel) for channel in result.channels if channel.values["lines"]),
        *(_breaks(channel) for channel in result.channels if channel.values["breaks"]),
    )


def _notes(result: Result) -> tuple[str, ...]:
    return (
        f"{_caption(result)}.",
        "Half of peak to peak (±) where it says 2-sigma or quasi-peak. The flutter of the test tape or record itself "
        "is in all figures.",
    )


def _caption(result: Result) -> str:
    conditions = result.conditions
    nominal_hz = conditions["nominal_hz"]
    tone = "a tone of unknown origin" if nominal_hz is None else f"a tone of {nominal_hz:g} Hz"
    begin_s, end_s = conditions["span_s"]
    return f"{tone[0].upper()}{tone[1:]}, {begin_s:.1f} to {end_s:.1f} s; weighting of IEC 60386"


def _lines(channel: ChannelResult) -> TableView:
    rows = channel.values["lines"]
    known = any(row["consistent_with"] for row in rows)
    return TableView(
        title=f"Lines of the modulation, channel {channel.channel}",
        columns=(
            Column(heading="Frequency", unit="Hz", decimals=2),
            Column(heading="Deviation, r.m.s.", unit="%"),
            *((Column(heading="Consistent with"),) if known else ()),
        ),
        rows=tuple(
            (row["frequency_hz"], row["rms_percent"], *((row["consistent_with"] or "",) if known else ()))
            for row in rows
        ),
        uncertainties=tuple((None, row["uncertainty"]["rms_percent"], *((None,) if known else ())) for row in rows),
        notes=()
        if known
        else ("Which part turns at such a rate is told where its size is given (--capstan-mm and so on).",),
    )


def _breaks(channel: ChannelResult) -> TableView:
    rows = channel.values["breaks"]
    more = len(rows) - _MOST_BREAKS
    return TableView(
        title=f"Breaks of the tone, channel {channel.channel}",
        columns=(
            Column(heading="At", unit="s", decimals=2),
            Column(heading="What"),
            Column(heading="Length", unit="ms", decimals=0),
        ),
        rows=tuple(
            (row["at_s"], row["kind"], 1e3 * row["length_s"] if row["length_s"] else None)
            for row in rows[:_MOST_BREAKS]
        ),
        notes=(f"And {more} more (--json has all).",) if more > 0 else (),
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the modulation against time, its spectrum, and the speed against time."""
    found = [channel for channel in result.channels if channel.values["course_s"]]
    return (_course(result, found), _spectrum(result, found), _speed(result, found))


def _course(result: Result, found: list[ChannelResult]) -> ChartView:
    # Both channels of a medium turn alike: one over the other would only hide it.
    drawn = max(found, key=lambda channel: channel.values["weighted_percent"])
    return ChartView(
        name="modulation",
        title="Wow and flutter, weighted",
        x_label="Time in the capture (s)",
        y_label="Deviation of the frequency (%)",
        x_scale="linear",
        series=(
            Series(
                label=f"channel {drawn.channel}",
                x=drawn.values["course_s"],
                y=drawn.values["course_percent"],
                channel=drawn.channel,
            ),
        ),
        caption=f"{_caption(result)}. The channel that has most; highest and lowest of each short while",
        simulated=result.simulated,
        limited=(Limited(key="weighted_percent", both_ways=True, words="for all but 5 % of the time"),),
    )


def _spectrum(result: Result, found: list[ChannelResult]) -> ChartView:
    curves = tuple(
        Series(
            label=f"channel {channel.channel}",
            x=channel.values["spectrum"]["frequency_hz"],
            y=[value or None for value in channel.values["spectrum"]["rms_percent"]],
            channel=channel.channel,
        )
        for channel in found
    )
    return ChartView(
        name="modulation-spectrum",
        title="Spectrum of wow and flutter, unweighted",
        x_label="Frequency of the modulation (Hz)",
        y_label="Deviation, as a line has it (% r.m.s.)",
        y_scale="log",
        series=(*curves, *(series for channel in found for series in _named(channel))),
        caption=f"{_caption(result)}. Hollow points: lines consistent with a part of the machine",
        simulated=result.simulated,
    )


def _named(channel: ChannelResult) -> tuple[Series, ...]:
    rows = [row for row in channel.values["lines"] if row["consistent_with"]]
    if not rows:
        return ()
    return (
        Series(
            label=f"parts that turn so, channel {channel.channel}",
            x=[row["frequency_hz"] for row in rows],
            y=[row["rms_percent"] for row in rows],
            role="points",
            channel=channel.channel,
            labels=tuple(row["consistent_with"].split(",")[0] for row in rows),
            hollow=True,
        ),
    )


def _speed(result: Result, found: list[ChannelResult]) -> ChartView:
    known = result.conditions["nominal_hz"] is not None
    return ChartView(
        name="speed",
        title="Speed over the time",
        x_label="Time in the capture (s)",
        y_label="Speed error, mean of each second (%)" if known else "Speed re its mean, mean of each second (%)",
        x_scale="linear",
        series=tuple(
            Series(
                label=f"channel {channel.channel}",
                x=channel.values["speed_s"],
                y=channel.values["speed_percent"],
                channel=channel.channel,
            )
            for channel in found
        ),
        caption=_caption(result),
        simulated=result.simulated,
        y_smallest_span=0.2,
        limited=(Limited(key="speed_error_percent"),) if known else (),
    )
