"""Tables and charts of stepped distortion, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.figure_table import cell, told_cell
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.views import ChartView, Column, Limited, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

Row = Mapping[str, Any]
#: A value at a step, and whether it is a bound; None: not known.
Pick = Callable[[Row], tuple[float, bool] | None]

#: key, heading, unit of the table's columns; those that no step knows are left out.
_COLUMNS = (
    ("frequency_hz", "Frequency", "Hz"),
    ("input_v_rms", "Input", "V"),
    ("level_v_rms", "Output", "V"),
    ("level_w", "Power", "W"),
    ("level_dbfs", "Level", "dBFS"),
    ("gain_db", "Gain", "dB"),
    ("thd_percent", "THD", "%"),
    ("thd_n_percent", "THD+N", "%"),
)
_ORDERS = {2: "2nd", 3: "3rd", 4: "4th", 5: "5th"}
#: Harmonics that are drawn beside THD; the table has the others.
_DRAWN_ORDERS = (2, 3)
#: Levels closer than this are one.
_SAME_DB = 0.01
#: From this many points on, a curve is drawn.
_FEWEST_POINTS = 2
#: Key of a level and the label of its axis, the most telling first.
UNITS_OF_LEVEL = (
    ("level_w", "Output power into the load (W)"),
    ("level_v_rms", "Output voltage (V r.m.s.)"),
)


def step_words(frequency_hz: float, fall_db: float) -> str:
    """Return which step: '1 kHz', or '1 kHz, 10 dB below the highest level'."""
    below = f", {fall_db:.3g} dB below the highest level" if fall_db > _SAME_DB else ""
    return f"{hertz(frequency_hz)}{below}"


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the largest figures, and a table a channel with one row a step."""
    return (_largest(result), *(_steps(result, channel) for channel in result.channels if channel.values["steps"]))


def _largest(result: Result) -> TableView:
    columns, rows, widths = [Column(heading="Channel")], [], []
    for name in ("THD", "THD+N"):
        columns += [Column(heading=f"Largest {name}", unit="%"), Column(heading="at", unit="Hz"), _level_column(result)]
    key_of_level = _level_key(result)
    for channel in result.channels:
        row: list[str | float | None] = [str(channel.channel)]
        wide: list[float | None] = [None]
        for figure in ("largest_thd", "largest_thd_n"):
            row += [cell(channel, f"{figure}_percent"), channel.values[f"{figure}_at_hz"]]
            row.append(channel.values[f"{figure}_at_{key_of_level.removeprefix('level_')}"])
            wide += [channel.uncertainty.get(f"{figure}_percent"), None, None]
        rows.append(tuple(row))
        widths.append(tuple(wide))
    return TableView(
        title="Largest distortion of all steps",
        columns=tuple(columns),
        rows=tuple(rows),
        uncertainties=tuple(widths),
        notes=(_definitions(result),),
    )


def _level_key(result: Result) -> str:
    """Return what levels are told in: watts where every channel knows them, else volts, else dBFS."""
    rows = [row for channel in result.channels for row in channel.values["steps"] if row["level_dbfs"] is not None]
    known = (key for key, _ in UNITS_OF_LEVEL if rows and all(row[key] is not None for row in rows))
    return next(known, "level_dbfs")


def _level_column(result: Result) -> Column:
    return Column(heading="at", unit={"level_w": "W", "level_v_rms": "V"}.get(_level_key(result), "dBFS"))


def _steps(result: Result, channel: ChannelResult) -> TableView:
    steps: Sequence[Row] = channel.values["steps"]
    in_volts = any(row["level_v_rms"] is not None for row in steps)
    shown = [
        one
        for one in _COLUMNS
        if any(row[one[0]] is not None for row in steps) and not (one[0] == "level_dbfs" and in_volts)
    ]
    orders = [order for order in _ORDERS if any(_harmonic(row, order) is not None for row in steps)]
    rows, widths = [], []
    for row in steps:
        found = [_harmonic(row, order) for order in orders]
        rows.append(
            (
                *(told_cell(row[key], row["bound"].get(key)) for key, _, _ in shown),
                *(_harmonic_cell(one) for one in found),
            )
        )
        own = (row["uncertainty"].get(key) for key, _, _ in shown)
        widths.append((*own, *(None if one is None else one.get("uncertainty_db") for one in found)))
    return TableView(
        title=f"Distortion at each step, channel {channel.channel}",
        columns=(
            *(Column(heading=heading, unit=unit) for _, heading, unit in shown),
            *(Column(heading=_ORDERS[order], unit="dB", decimals=1) for order in orders),
        ),
        rows=tuple(rows),
        uncertainties=tuple(widths),
        notes=("Harmonics relative to the fundamental.",) if orders else (),
    )


def _harmonic(row: Row, order: int) -> Row | None:
    return next((one for one in row["harmonics"] if one["order"] == order and one["level_db"] is not None), None)


def _harmonic_cell(found: Row | None) -> str | float | None:
    return None if found is None else told_cell(found["level_db"], found.get("bound"))


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return distortion against frequency and against level, each with harmonics and with noise, where known."""
    views = (
        _against_frequency(result, "thd-frequency", "Harmonic distortion against frequency", _traces),
        _against_frequency(result, "thd-n-frequency", "Distortion and noise against frequency", _thd_n),
        _against_level(result, "thd-level", "Harmonic distortion against", _traces),
        _against_level(result, "thd-n-level", "Distortion and noise against", _thd_n),
    )
    return tuple(view for view in views if view is not None)


def _ratio(key: str) -> Pick:
    def pick(row: Row) -> tuple[float, bool] | None:
        return None if not row[key] else (float(row[key]), key in row["bound"])

    return pick


def _percent_of(order: int) -> Pick:
    def pick(row: Row) -> tuple[float, bool] | None:
        found = _harmonic(row, order)
        return None if found is None else (100.0 * 10.0 ** (float(found["level_db"]) / 20.0), bool(found.get("bound")))

    return pick


def _traces() -> Iterator[tuple[str, Pick]]:
    """Yield what is drawn of a channel: THD, then harmonics."""
    yield "THD", _ratio("thd_percent")
    for order in _DRAWN_ORDERS:
        yield f"{_ORDERS[order]} harmonic", _percent_of(order)


def _thd_n() -> Iterator[tuple[str, Pick]]:
    yield "THD+N", _ratio("thd_n_percent")


Traces = Callable[[], Iterator[tuple[str, Pick]]]


def _against_frequency(result: Result, name: str, title: str, traces: Traces) -> ChartView | None:
    fall_db = min((row["fall_db"] for row in _all_rows(result)), default=0.0)

    def chosen(row: Row) -> bool:
        return abs(float(row["fall_db"]) - fall_db) < _SAME_DB

    at = "" if _levels(result) < 2 else " At the highest level; the table has the others."
    return _chart(
        result,
        name=name,
        title=title,
        series=_series(result, "frequency_hz", chosen, traces),
        x_label="Frequency (Hz)",
        more=f"{_input_words(result)}{at}",
        curve_key=name.replace("-frequency", "_percent").replace("-", "_"),
    )


def _against_level(result: Result, name: str, title: str, traces: Traces) -> ChartView | None:
    frequencies = sorted({float(row["frequency_hz"]) for row in _all_rows(result)})
    if not frequencies or _levels(result) < _FEWEST_POINTS:
        return None
    frequency_hz = min(frequencies, key=lambda hz: abs(math.log(hz / 1000.0)))
    key = _level_key(result)
    x_label = dict(UNITS_OF_LEVEL).get(key, "Level of the capture (dBFS)")
    what = {"level_w": "power", "level_v_rms": "voltage"}.get(key, "level")
    others = " The table has the other frequencies." if len(frequencies) > 1 else ""
    return _chart(
        result,
        name=name,
        title=f"{title} {what}",
        series=_series(result, key, lambda row: row["frequency_hz"] == frequency_hz, traces),
        x_label=x_label,
        more=f" At {hertz(frequency_hz)}.{others}",
        x_scale="linear" if key == "level_dbfs" else "log",
    )


def _all_rows(result: Result) -> list[Row]:
    return [row for channel in result.channels for row in channel.values["steps"]]


def _levels(result: Result) -> int:
    return len({round(float(row["fall_db"]) / _SAME_DB) for row in _all_rows(result)})


def _series(result: Result, x_key: str, chosen: Callable[[Row], bool], traces: Traces) -> list[Series]:
    """Return a curve a trace, with gaps where there is only a bound, and the bounds of a channel as points."""
    series: list[Series] = []
    for channel in result.channels:
        rows = sorted(
            (row for row in channel.values["steps"] if chosen(row) and row[x_key] is not None),
            key=lambda row: float(row[x_key]),
        )
        bounds: list[tuple[float, float, str]] = []
        for name, pick in traces():
            found = [(float(row[x_key]), pick(row)) for row in rows]
            known = [math.nan if one is None or one[1] else one[0] for _, one in found]
            # A single step is a point that a line would not show; bounds stand apart from what is known.
            if not all(math.isnan(value) for value in known):
                x = [x for x, _ in found]
                label = f"channel {channel.channel}, {name}"
                series.append(Series(label=label, x=x, y=known, channel=channel.channel))
            mark = f"≤ {name.removesuffix(' harmonic')}" if name.endswith("harmonic") else "≤"
            bounds += [(x, one[0], mark) for x, one in found if one is not None and one[1]]
        if bounds:
            series.append(
                Series(
                    label=f"channel {channel.channel}, at most",
                    x=[x for x, _, _ in bounds],
                    y=[y for _, y, _ in bounds],
                    role="points",
                    hollow=True,
                    channel=channel.channel,
                    labels=tuple(mark for _, _, mark in bounds),
                )
            )
    return series


def _chart(
    result: Result,
    *,
    name: str,
    title: str,
    series: list[Series],
    x_label: str,
    more: str,
    x_scale: Any = "log",
    curve_key: str = "",
) -> ChartView | None:
    if len({x for one in series for x in one.x}) < _FEWEST_POINTS:
        return None
    what = "% of the total" if name.startswith("thd-n") else "% of the fundamental"
    return ChartView(
        name=name,
        title=title,
        x_label=x_label,
        y_label=f"Distortion ({what})",
        series=tuple(series),
        x_scale=x_scale,
        y_scale="log",
        caption=f"{_definitions(result)}{more}",
        simulated=result.simulated,
        curve_key=curve_key,
        limited=(Limited(key=f"largest_{name.rpartition('-')[0].replace('-', '_')}_percent"),),
    )


def _input_words(result: Result) -> str:
    level_v_rms = result.conditions.get("input_level_v_rms")
    return "" if level_v_rms is None else f" Input {1000.0 * level_v_rms:.4g} mV r.m.s."


def _definitions(result: Result) -> str:
    conditions = result.conditions
    low_hz, high_hz = conditions["band_hz"]
    limit_hz = conditions["harmonic_limit_hz"]
    upto = f"up to {hertz(limit_hz)}" if limit_hz is not None else "as far as the sample rate reaches"
    return (
        f"Stepped sines; THD with harmonics {upto}; THD+N from {hertz(low_hz)} to {hertz(high_hz)}, r.m.s., unweighted."
    )
