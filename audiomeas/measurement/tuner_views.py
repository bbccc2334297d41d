"""Tables and charts of a tuner, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.curves import row_curve
from audiomeas.measurement.figure_table import figures_table, frequency_table, row_cell
from audiomeas.measurement.views import ChartView, Column, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: Key, words, unit: the rows of the first table, and the figures that limits can hold.
QUANTITIES = (
    ("level_v_rms", "output level, 1 kHz mono at 100 %", "V"),
    ("level_dbfs", "output level, re the capture's full scale", "dBFS"),
    ("balance_db", "balance, channel 2 over channel 1, mono", "dB"),
    ("separation_db", "separation, 1 kHz", "dB"),
    ("thd_mono_percent", "harmonic distortion, mono", "%"),
    ("thd_n_mono_percent", "distortion and noise, mono", "%"),
    ("thd_stereo_percent", "harmonic distortion, stereo", "%"),
    ("thd_n_stereo_percent", "distortion and noise, stereo", "%"),
    ("thd_stereo_over_mono", "harmonic distortion, stereo over mono", ""),
    ("thd_low_percent", "harmonic distortion, mono, at less modulation", "%"),
    ("snr_mono_db", "signal to noise, mono", "dB"),
    ("snr_a_mono_db", "signal to noise, mono, A-weighted", "dB"),
    ("snr_stereo_db", "signal to noise, stereo", "dB"),
    ("snr_a_stereo_db", "signal to noise, stereo, A-weighted", "dB"),
    ("pilot_residue_db", "rest of the pilot, 19 kHz, re 75 kHz", "dB"),
    ("subcarrier_residue_db", "rest of the subcarrier, 38 kHz, re 75 kHz", "dB"),
    ("high_residue_db", "strongest rest above 53 kHz, re 75 kHz", "dB"),
    ("high_residue_hz", "  at", "Hz"),
    ("deviation_low_db", "response, lowest re what it ought to be", "dB"),
    ("deviation_high_db", "response, highest re what it ought to be", "dB"),
    ("de_emphasis_us", "time constant of the de-emphasis", "µs"),
)
#: Values of a state; null where it has none.
ROW_KEYS = (
    "level_dbfs", "level_v_rms", "thd_percent", "thd_n_percent", "separation_db", "noise_dbfs", "noise_a_dbfs",
)  # fmt: skip
_ALWAYS = ("level_dbfs", "separation_db", "snr_mono_db", "snr_stereo_db")
CURVES = (
    row_curve("deviation_db", unit="dB", words="response, re what it ought to be", rows="response"),
    row_curve("separation_db", unit="dB", words="separation", rows="states"),
)
_MODES = {"carrier": "mono", "pilot": "stereo"}


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, what the generator was to be set to, and by channel its states and the response."""
    return (
        figures_table(result, QUANTITIES, title="FM tuner, audio", always=_ALWAYS, notes=_notes(result)),
        _settings(result),
        *(table for channel in result.channels for table in (_tones(channel), _silences(channel)) if table.rows),
        *(_response(channel) for channel in result.channels if channel.values["response"]),
    )


def _notes(result: Result) -> tuple[str, ...]:
    conditions = result.conditions
    return (
        f"100 %: {conditions['modulation']}. Distortion and noise: {conditions['band']}.",
        f"Separation: {conditions['separation']}.",
        f"S/N: {conditions['snr']}.",
        *_not_held(result),
        "The generator's own distortion, noise and separation are in all figures.",
    )


def _not_held(result: Result) -> tuple[str, ...]:
    """Return what is said of rests of the pilot that the capture can't hold."""
    known = [channel.values for channel in result.channels if channel.values["pilot_residue_db"] is not None]
    for key, needed in (("subcarrier_residue_db", "96 kHz"), ("high_residue_db", "192 kHz")):
        if known and all(values[key] is None for values in known):
            return (f"For rests of the pilot's multiples beyond half the sample rate capture at {needed}.",)
    return ()


def _settings(result: Result) -> TableView:
    rows = result.conditions["generator"]
    return TableView(
        title="What the generator must be set to",
        columns=(
            Column(heading="State"),
            Column(heading="Deviation by audio", unit="kHz"),
            Column(heading="By the pilot", unit="kHz"),
            Column(heading="All, behind pre-emphasis", unit="kHz"),
            Column(heading="Heard from", unit="s", decimals=1),
            Column(heading="to", unit="s", decimals=1),
        ),
        rows=tuple(
            (
                row["state"],
                row["audio_khz"],
                row["pilot_khz"],
                row["all_khz"],
                "missing" if row["begin_s"] is None else row["begin_s"],
                row["end_s"],
            )
            for row in rows
        ),
        notes=(f"Pre-emphasis of the generator: {result.conditions['pre_emphasis']}.",),
    )


def _tones(channel: ChannelResult) -> TableView:
    columns = (
        ("level_v_rms", "Level", "V"),
        ("level_dbfs", "Level", "dBFS"),
        ("thd_percent", "THD", "%"),
        ("thd_n_percent", "THD+N", "%"),
        ("separation_db", "Separation", "dB"),
    )
    return _states(channel, f"Tones, channel {channel.channel}", columns, of="level_dbfs")


def _silences(channel: ChannelResult) -> TableView:
    columns = (("noise_dbfs", "Unweighted", "dBFS"), ("noise_a_dbfs", "A-weighted", "dBFS"))
    return _states(channel, f"Noise, channel {channel.channel}", columns, of="noise_dbfs")


def _states(channel: ChannelResult, title: str, columns: Sequence[tuple[str, str, str]], *, of: str) -> TableView:
    """Return the states that tell a value; what a state has nothing of is left empty."""
    rows = [row for row in channel.values["states"] if row[of] is not None]
    known = [one for one in columns if any(row[one[0]] is not None for row in rows)]
    in_volts = any(key == "level_v_rms" for key, _, _ in known)
    shown = [one for one in known if not (in_volts and one[0] == "level_dbfs")]
    return TableView(
        title=title,
        columns=(Column(heading="State"), *(Column(heading=words, unit=unit) for _, words, unit in shown)),
        rows=tuple(
            (row["state"], *("" if row[key] is None else row_cell(row, key) for key, _, _ in shown)) for row in rows
        ),
        uncertainties=tuple((None, *(_half(row, key) for key, _, _ in shown)) for row in rows),
    )


def _half(row: Mapping[str, Any], key: str) -> float | None:
    half: float | None = None if key in row["bound"] else row["uncertainty"].get(key)
    return half


def _response(channel: ChannelResult) -> TableView:
    return frequency_table(
        channel.values["response"],
        (
            ("level_db", "Level", "dB"),
            ("expected_db", "Ought to be", "dB"),
            ("deviation_db", "Off by", "dB"),
        ),
        title=f"Response, mono, channel {channel.channel}",
        notes=("Relative to 1 kHz.",),
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the response, the separation against frequency, and the noise in mono and stereo."""
    shown = (_response_chart(result), _separation_chart(result), _noise_chart(result))
    return tuple(view for view in shown if view is not None)


def _response_chart(result: Result) -> ChartView | None:
    return _by_frequency(
        result,
        "response",
        "deviation_db",
        title="Response of the tuner",
        y_label="Level re what it ought to be (dB)",
        caption=f"{result.conditions['response']}; 0 dB at 1 kHz",
        smallest_span=6.0,
    )


def _separation_chart(result: Result) -> ChartView | None:
    return _by_frequency(
        result,
        "states",
        "separation_db",
        title="Separation of each channel, played alone",
        y_label="Separation (dB)",
        caption=f"100 %: {result.conditions['modulation']}",
        smallest_span=20.0,
    )


def _by_frequency(
    result: Result, rows: str, key: str, *, title: str, y_label: str, caption: str, smallest_span: float
) -> ChartView | None:
    """Return values against frequency; bounds as hollow points. None where no channel knows two."""
    series: list[Series] = []
    for channel in result.channels:
        known = sorted((row for row in channel.values[rows] if row[key] is not None), key=_frequency)
        told = [row for row in known if key not in row["bound"]]
        bounds = [row for row in known if key in row["bound"]]
        label = f"channel {channel.channel}"
        series.append(_series(told, key, label, channel.channel))
        if bounds:
            series.append(_series(bounds, key, f"{label}, at least", channel.channel, hollow=True))
    if all(len(one.x) < 2 for one in series):
        return None
    return ChartView(
        name=key.removesuffix("_db") if rows != "response" else rows,
        title=title,
        x_label="Frequency (Hz)",
        y_label=y_label,
        series=tuple(one for one in series if one.x),
        caption=caption,
        simulated=result.simulated,
        y_smallest_span=smallest_span,
        curve_key=key,
    )


def _frequency(row: Mapping[str, Any]) -> float:
    return float(row["frequency_hz"])


def _series(rows: Sequence[Mapping[str, Any]], key: str, label: str, channel: int, *, hollow: bool = False) -> Series:
    x, y = [row["frequency_hz"] for row in rows], [row[key] for row in rows]
    if hollow:
        return Series(label=label, x=x, y=y, role="points", channel=channel, hollow=True)
    return Series(label=label, x=x, y=y, channel=channel, each_point=True)


def _noise_chart(result: Result) -> ChartView | None:
    """Return the density of noise in both modes, of the channel that has more of it: the two would hide one another."""
    known = [channel for channel in result.channels if channel.values["noise"]]
    if not known:
        return None
    drawn = max(known, key=lambda channel: -min(channel.values[key] or 0.0 for key in ("snr_stereo_db", "snr_mono_db")))
    series = [
        Series(label=_MODES[kind], x=density["frequency_hz"], y=density["dbfs_per_root_hz"])
        for kind, density in drawn.values["noise"].items()
        if density is not None
    ]
    if not series:
        return None
    return ChartView(
        name="noise",
        title="Noise of the tuner, carrier alone and with the pilot",
        x_label="Frequency (Hz)",
        y_label="Density (dBFS in 1 Hz)",
        series=tuple(series),
        caption=f"Channel {drawn.channel}, which has more of it",
        simulated=result.simulated,
    )
