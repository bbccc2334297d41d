"""Tables and charts of a tape, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from audiomeas.measurement.curves import list_curve
from audiomeas.measurement.figure_table import figures_table, row_cell
from audiomeas.measurement.views import ChartView, Column, Limited, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

_QUANTITIES = (
    ("level_v_rms", "level at the reference", "V"),
    ("level_dbfs", "level at the reference", "dBFS"),
    ("balance_db", "balance, re channel 1", "dB"),
    ("speed_error_percent", "speed error", "%"),
    ("speed_drift_percent", "  drift over its part", "%"),
    ("side_drift_percent", "  drift, begin to end of the side", "%"),
    ("weighted_percent", "wow and flutter, weighted, 2-sigma", "%"),
    ("weighted_rms_percent", "wow and flutter, weighted, r.m.s.", "%"),
    ("quasi_peak_percent", "wow and flutter, weighted, quasi-peak", "%"),
    ("unweighted_percent", "wow and flutter, unweighted, 2-sigma", "%"),
    ("drop_outs_per_minute", "drop-outs per minute", "1/min"),
    ("azimuth_deg", "phase against channel 1", "°"),
    ("azimuth_hz", "  at", "Hz"),
    ("azimuth_wander_deg", "  it wanders by, 95 % of the time", "°"),
    ("azimuth_us", "later than channel 1", "µs"),
    ("azimuth_arcmin", "azimuth", "arcmin"),
    ("azimuth_loss_db", "  it takes off at 10 kHz", "dB"),
    ("deviation_low_db", "response, lowest", "dB"),
    ("deviation_high_db", "response, highest", "dB"),
    ("treble_db", "10 kHz over 1 kHz", "dB"),
    ("treble_unsteady_db", "level of the treble varies by", "dB"),
    ("spacing_um", "distance from the head", "µm"),
    ("gap_um", "gap of the head", "µm"),
    ("h2_percent", "second harmonic at the reference", "%"),
    ("h3_percent", "third harmonic at the reference", "%"),
    ("thd_percent", "THD at the reference", "%"),
    ("mol_db", "level at 3 % third harmonic, re reference", "dB"),
    ("mol_recorded_db", "  recorded at", "dB"),
    ("snr_db", "S/N re that, unweighted", "dB"),
    ("snr_a_db", "S/N re that, A", "dB"),
    ("snr_468_db", "S/N re that, ITU-R BS.468", "dB"),
    ("snr_arm_db", "S/N re that, ITU-R ARM", "dB"),
    ("crosstalk_db", "crosstalk from the other channel", "dB"),
    ("side_crosstalk_db", "what the tape's other side lets through", "dB"),
    ("erasure_db", "erasing lowers a tone by", "dB"),
    ("nr_tracking_db", "largest change by noise reduction", "dB"),
    ("nr_gain_db", "noise reduction lowers noise by", "dB"),
)

CURVES = (list_curve("gain_db", unit="dB", words="response, re its reference", uncertainty_key="gain_uncertainty_db"),)


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, the parts, and by channel phases, steps of level, and noise reduction."""
    return (
        _figures(result),
        _parts(result),
        *(_phases(channel) for channel in result.channels if channel.values["azimuth"]),
        *(_steps(channel) for channel in result.channels if channel.values["steps"]),
        *(_noise_reduction(channel) for channel in result.channels if channel.values["noise_reduction"]),
    )


def _figures(result: Result) -> TableView:
    conditions = result.conditions
    notes = (
        f"Recorded {conditions['recorded']}.",
        f"Response: re {conditions['reference_hz']:g} Hz, {conditions['band_hz'][0]:g} to "
        f"{conditions['band_hz'][1]:g} Hz; {conditions['equalization']}.",
        f"Phase: {conditions['phase']}. Crosstalk: {conditions['separation']}.",
        f"Gap and distance: {conditions['losses']}.",
    )
    return figures_table(result, _QUANTITIES, title="Tape", notes=notes)


def _parts(result: Result) -> TableView:
    rows: list[tuple[Any, ...]] = []
    widths: list[tuple[None, ...]] = []
    for number, row in enumerate(result.conditions["parts"], start=1):
        begins = "missing" if row["begins_s"] is None else float(row["begins_s"])
        silent, speed = row["level_db"] is None, row["speed_percent"]
        tone = ("", "") if silent else (row["frequency_hz"], row["level_db"])
        rows.append((float(number), row["name"], *tone, begins, "" if speed is None else speed))
        widths.append((None,) * 6)
    return TableView(
        title=f"Parts of {result.conditions['side']}",
        columns=(
            Column(heading="No.", decimals=0),
            Column(heading="part"),
            Column(heading="tone", unit="Hz", decimals=1),
            Column(heading="level", unit="dB", decimals=0),
            Column(heading="begins at", unit="s", decimals=1),
            Column(heading="speed off by", unit="%", decimals=3),
        ),
        rows=tuple(rows),
        uncertainties=tuple(widths),
    )


def _rows(
    channel: ChannelResult, key: str, title: str, columns: tuple[tuple[str, str, str, int | None], ...]
) -> TableView:
    """Return a table of a channel's rows. columns : (key, heading, unit, decimals)."""
    rows = channel.values[key]
    return TableView(
        title=f"{title}, channel {channel.channel}",
        columns=tuple(Column(heading=heading, unit=unit, decimals=decimals) for _, heading, unit, decimals in columns),
        rows=tuple(tuple(row_cell({"bound": {}, **row}, name) for name, _, _, _ in columns) for row in rows),
        uncertainties=tuple(tuple(row["uncertainty"].get(name) for name, _, _, _ in columns) for row in rows),
    )


def _phases(channel: ChannelResult) -> TableView:
    return _rows(
        channel,
        "azimuth",
        "Phase against channel 1",
        (("frequency_hz", "tone", "Hz", 1), ("phase_deg", "mean phase", "°", None), ("wander_deg", "wander", "°", 1)),
    )


def _steps(channel: ChannelResult) -> TableView:
    return _rows(
        channel,
        "steps",
        "Steps of level",
        (
            ("recorded_db", "recorded", "dB", 0),
            ("level_db", "played, re reference", "dB", 2),
            ("h3_percent", "third harmonic", "%", None),
        ),
    )


def _noise_reduction(channel: ChannelResult) -> TableView:
    return _rows(
        channel,
        "noise_reduction",
        "With noise reduction less without",
        (
            ("frequency_hz", "tone", "Hz", 1),
            ("recorded_db", "recorded", "dB", 0),
            ("change_db", "change of level", "dB", None),
        ),
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return response, third harmonic against level, phase against frequency, and the course of the phase."""
    return (*_response(result), *_harmonic(result), *_phase(result), *_course(result))


def _series(channels: list[ChannelResult], x: Any, y: Any, *, each_point: bool) -> tuple[Series, ...]:
    return tuple(
        Series(
            label=f"channel {channel.channel}",
            x=x(channel.values),
            y=y(channel.values),
            channel=channel.channel,
            each_point=each_point,
        )
        for channel in channels
    )


def _response(result: Result) -> tuple[ChartView, ...]:
    shown = [channel for channel in result.channels if channel.values["frequency_hz"]]
    if not shown:
        return ()
    band_hz = tuple(result.conditions["band_hz"])
    return (
        ChartView(
            name="response",
            title="Response of the tape",
            x_label="Frequency (Hz)",
            y_label=f"Level re {result.conditions['reference_hz']:g} Hz (dB)",
            series=_series(shown, lambda v: v["frequency_hz"], lambda v: v["gain_db"], each_point=True),
            caption=f"Recorded {result.conditions['recorded'].partition(':')[0]}; {result.conditions['equalization']}.",
            y_smallest_span=6.0,
            simulated=result.simulated,
            curve_key="gain_db",
            limited=tuple(Limited(key=key, span=band_hz) for key in ("deviation_low_db", "deviation_high_db")),
        ),
    )


def _harmonic(result: Result) -> tuple[ChartView, ...]:
    shown = [channel for channel in result.channels if channel.values["steps"]]
    if not shown:
        return ()

    def told(values: Any) -> list[float | None]:
        return [None if row["bound"] else row["h3_percent"] for row in values["steps"]]

    return (
        ChartView(
            name="third-harmonic",
            title="Third harmonic against level",
            x_label="Level played (dB re reference)",
            y_label="Third harmonic (%)",
            series=_series(shown, lambda v: [row["level_db"] for row in v["steps"]], told, each_point=True),
            x_scale="linear",
            y_scale="log",
            caption="Steps of one tone; 3 % is where the trade tells the largest level.",
            simulated=result.simulated,
        ),
    )


def _phase(result: Result) -> tuple[ChartView, ...]:
    shown = [channel for channel in result.channels if channel.values["azimuth"]]
    if not shown:
        return ()
    rows = shown[0].values["azimuth"]
    hz = [row["frequency_hz"] for row in rows]
    ends = [[row["phase_deg"] + side * row["wander_deg"] for row in rows] for side in (-0.5, 0.5)]
    return (
        ChartView(
            name="phase",
            title="Phase of channel 2 against channel 1",
            x_label="Frequency (Hz)",
            y_label="Phase (degrees)",
            series=(
                Series(label="mean", x=hz, y=[row["phase_deg"] for row in rows], channel=2, each_point=True),
                Series(label="wander, 95 % of the time", x=hz + hz, y=ends[0] + ends[1], role="points"),
            ),
            x_scale="linear",
            caption="A straight line through zero is azimuth: channel 2 comes later where it falls.",
            y_smallest_span=20.0,
            simulated=result.simulated,
        ),
    )


def _course(result: Result) -> tuple[ChartView, ...]:
    shown = [channel for channel in result.channels if channel.values["azimuth_course_s"]]
    if not shown:
        return ()
    values = shown[0].values
    return (
        ChartView(
            name="phase-course",
            title=f"Phase at {1e-3 * values['azimuth_hz']:g} kHz over time",
            x_label="Time (s)",
            y_label="Phase of channel 2 against channel 1 (degrees)",
            series=(Series(label="phase", x=values["azimuth_course_s"], y=values["azimuth_course_deg"], channel=2),),
            x_scale="linear",
            caption="Wander belongs to the tape and its guides, the mean to the head.",
            y_smallest_span=20.0,
            simulated=result.simulated,
        ),
    )
