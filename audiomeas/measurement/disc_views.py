"""Tables and charts of a disc, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from audiomeas.measurement.curves import list_curve
from audiomeas.measurement.disc_values import LINEARITY_DB
from audiomeas.measurement.figure_table import figures_table, row_cell
from audiomeas.measurement.views import ChartView, Column, Limited, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: A limit at one level alone is drawn so far to either side.
_HALF_STEP_DB = 2.0
_QUANTITIES = (
    ("level_v_rms", "level at 0 dB", "V"),
    ("level_dbfs", "  of the capture's full scale", "dBFS"),
    ("balance_db", "balance, re channel 1", "dB"),
    ("deviation_low_db", "response, lowest re 1 kHz", "dB"),
    ("deviation_high_db", "response, highest re 1 kHz", "dB"),
    ("thd_percent", "THD at 0 dB, 997 Hz", "%"),
    ("thd_n_percent", "THD+N at 0 dB, 997 Hz", "%"),
    ("quiet_thd_n_percent", "THD+N at -20 dB, 997 Hz", "%"),
    ("imd_percent", "intermodulation, 19 + 20 kHz", "%"),
    ("crosstalk_at_1khz_db", "crosstalk at 1 kHz", "dB"),
    ("crosstalk_at_10khz_db", "crosstalk at 10 kHz", "dB"),
    ("crosstalk_at_20khz_db", "crosstalk at 20 kHz", "dB"),
    ("dynamic_range_db", "dynamic range, CCIR-RMS", "dB"),
    ("dynamic_range_a_db", "dynamic range, A", "dB"),
    ("snr_a_db", "S/N of digital silence, A", "dB"),
    ("snr_held_a_db", "S/N with one step held, A", "dB"),
    ("mute_depth_db", "one step held over silence", "dB"),
    ("mute_after_s", "mute closes after", "s"),
    ("de_emphasis_error_db", "largest error of de-emphasis", "dB"),
    ("interchannel_delay_us", "later than channel 1", "µs"),
    ("clock_offset_ppm", "player's clock over the card's", "ppm"),
    ("largest_jitter_ns", "largest line of jitter, peak", "ns"),
    ("largest_jitter_rate_hz", "  at a rate of", "Hz"),
    ("largest_sideband_db", "  its sidebands, re 11,025 Hz", "dB"),
    ("all_jitter_ns_rms", "all jitter and noise, r.m.s.", "ns"),
)

CURVES = (
    list_curve(
        "gain_db",
        unit="dB",
        words="response, re 1 kHz",
        uncertainty_key="gain_uncertainty_db",
    ),
)


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, the tracks, and per channel linearity and jitter."""
    return (
        _figures(result),
        _tracks(result),
        *(_linearity(channel) for channel in result.channels if channel.values["linearity"]),
        *(_jitter(channel) for channel in result.channels if channel.values["jitter"]),
    )


def _figures(result: Result) -> TableView:
    conditions = result.conditions
    notes = [
        f"S/N: {conditions['snr']}.",
        f"Crosstalk: {conditions['separation']}.",
        f"Jitter: {conditions['jitter']}.",
    ]
    emphasis = {channel.values["de_emphasis"] for channel in result.channels} - {None}
    if emphasis:
        notes.append(
            f"De-emphasis: {'on' if emphasis == {True} else 'off' if emphasis == {False} else 'on one channel'}."
        )
    return figures_table(result, _QUANTITIES, title="Disc player", notes=tuple(notes))


def _tracks(result: Result) -> TableView:
    rows: list[tuple[Any, ...]] = [
        (float(row["number"]), row["title"], "missing" if row["begins_s"] is None else float(row["begins_s"]))
        for row in result.conditions["tracks"]
    ]
    return TableView(
        title=f"Tracks of {result.conditions['disc']}",
        columns=(
            Column(heading="No.", decimals=0),
            Column(heading="track"),
            Column(heading="begins at", unit="s", decimals=2),
        ),
        rows=tuple(rows),
    )


def _linearity(channel: ChannelResult) -> TableView:
    rows = channel.values["linearity"]
    return TableView(
        title=f"Linearity of channel {channel.channel}",
        columns=(Column(heading="played", unit="dB", decimals=0), Column(heading="error of the level", unit="dB")),
        rows=tuple((row["played_db"], row_cell(row, "deviation_db")) for row in rows),
        uncertainties=tuple((None, row["uncertainty"].get("deviation_db")) for row in rows),
    )


def _jitter(channel: ChannelResult) -> TableView:
    rows = channel.values["jitter"]
    return TableView(
        title=f"Lines of jitter, channel {channel.channel}",
        columns=(
            Column(heading="rate", unit="Hz", decimals=1),
            Column(heading="peak", unit="ns"),
            Column(heading="each sideband", unit="dB"),
        ),
        rows=tuple((row["rate_hz"], row["peak_ns"], row["sideband_db"]) for row in rows),
        uncertainties=tuple((None, row["uncertainty"]["peak_ns"], row["uncertainty"]["sideband_db"]) for row in rows),
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the response, and the linearity."""
    return (*_response_chart(result), *_linearity_chart(result))


def _response_chart(result: Result) -> tuple[ChartView, ...]:
    shown = [channel for channel in result.channels if channel.values["frequency_hz"]]
    if not shown:
        return ()
    return (
        ChartView(
            name="response",
            title="Response of the player",
            x_label="Frequency (Hz)",
            y_label="Level re 1 kHz (dB)",
            series=tuple(
                Series(
                    label=f"channel {channel.channel}",
                    x=channel.values["frequency_hz"],
                    y=channel.values["gain_db"],
                    channel=channel.channel,
                )
                for channel in shown
            ),
            caption="Sweep of the disc at -3 dB, both channels.",
            y_smallest_span=2.0,
            simulated=result.simulated,
            curve_key="gain_db",
            limited=(Limited(key="deviation_low_db"), Limited(key="deviation_high_db")),
        ),
    )


def _linearity_chart(result: Result) -> tuple[ChartView, ...]:
    shown = [channel for channel in result.channels if channel.values["linearity"]]
    if not shown:
        return ()
    series = []
    for channel in shown:
        rows = [row for row in channel.values["linearity"] if row["deviation_db"] is not None and not row["bound"]]
        series.append(
            Series(
                label=f"channel {channel.channel}",
                x=[row["played_db"] for row in rows],
                y=[row["deviation_db"] for row in rows],
                channel=channel.channel,
                each_point=True,
            )
        )
    return (
        ChartView(
            name="linearity",
            title="Linearity of the player",
            x_label="Level on the disc (dB re full scale)",
            y_label="Error of the level (dB)",
            series=tuple(series),
            x_scale="linear",
            caption="997 Hz with dither, in a narrow band, re the level at 0 dB.",
            y_smallest_span=2.0,
            simulated=result.simulated,
            limited=tuple(
                Limited(
                    key=f"deviation_at_{below_db}_db",
                    span=(-below_db - _HALF_STEP_DB, -below_db + _HALF_STEP_DB),
                    words=f"at −{below_db} dB",
                )
                for below_db in LINEARITY_DB
            ),
        ),
    )
