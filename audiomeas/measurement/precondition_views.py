"""Tables and charts of preconditioning, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.views import ChartView, Limited, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import Result

_QUANTITIES = (
    ("end_w", "power at the end", "W"),
    ("end_v_rms", "voltage at the end", "V"),
    ("gain_change_db", "change of gain since the beginning", "dB"),
    ("end_thd_n_percent", "THD+N at the end", "%"),
)
_FEWEST_POINTS = 2


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures."""
    return (
        figures_table(result, _QUANTITIES, title="Preconditioning", always={"end_v_rms"}, notes=(_caption(result),)),
    )


def _caption(result: Result) -> str:
    conditions = result.conditions
    if conditions["waived"] is not None:
        return f"Waived: {conditions['waived']}. What is told was read cold."
    return (
        f"A tone at {conditions['power_share']:g} of {conditions['rated_level']} stood for "
        f"{conditions['stood_s'] / 60.0:.3g} of {conditions['asked_s'] / 60.0:.3g} minutes; an ideal class-B stage "
        f"makes {conditions['class_b_heat_percent']:.0f} % of its largest heat then."
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return how the gain moved over the time."""
    series = []
    for channel in result.channels:
        rows = [row for row in channel.values["parts"] if row["gain_db"] is not None]
        if len(rows) >= _FEWEST_POINTS:
            series.append(
                Series(
                    label=f"channel {channel.channel}",
                    x=[float(row["stood_s"]) / 60.0 for row in rows],
                    y=[float(row["gain_db"]) - float(rows[0]["gain_db"]) for row in rows],
                    channel=channel.channel,
                    each_point=True,
                )
            )
    if not series:
        return ()
    return (
        ChartView(
            name="precondition",
            title="Gain while the unit gets warm",
            x_label="Time for which the tone stood (minutes)",
            y_label="Gain since the beginning (dB)",
            series=tuple(series),
            x_scale="linear",
            y_smallest_span=0.1,
            caption=_caption(result),
            simulated=result.simulated,
            limited=(Limited(key="gain_change_db", words="at the end"),),
        ),
    )
