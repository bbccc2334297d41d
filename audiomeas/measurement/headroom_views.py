"""Tables and charts of dynamic headroom, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audiomeas.measurement.bounded_series import row_series
from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.views import ChartView, Limited, Passed, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import Result

_QUANTITIES = (
    ("headroom_db", "dynamic headroom", "dB"),
    ("burst_w", "power of the swells", "W"),
    ("burst_v_rms", "voltage of the swells", "V"),
    ("burst_input_v_rms", "input there", "V"),
)


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures."""
    return (
        figures_table(result, _QUANTITIES, title="Dynamic headroom", always={"headroom_db"}, notes=(_caption(result),)),
    )


def _caption(result: Result) -> str:
    conditions = result.conditions
    return (
        f"{conditions['method'][0].upper()}{conditions['method'][1:]}, at {conditions['rated_percent']:g} % harmonic "
        f"distortion, over {conditions['rated_level']}."
    )


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the distortion of the swells against their voltage."""
    series = row_series(result, "curve", "thd_percent", x="level_v_rms")
    if not series:
        return ()
    return (
        ChartView(
            name="headroom",
            title="Distortion of short swells",
            x_label="Output voltage of the swells (V r.m.s.)",
            y_label="Distortion (% of the fundamental)",
            series=tuple(series),
            y_scale="log",
            caption=_caption(result),
            simulated=result.simulated,
            limited=(
                Limited(
                    key="burst_v_rms",
                    passed=Passed(height=float(result.conditions["rated_percent"]), edge="high", sense="at least"),
                ),
            ),
        ),
    )
