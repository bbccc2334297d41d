"""Tables and charts of a response by stepped sines: those of a response, without the steps that could not be told."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from audiomeas.measurement import response_views
from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.measurement.views import ChartView, Column, TableView


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the tables of a response, and one of the steps that could not be told."""
    return (*response_views.tables(_whole(result), gains=_gains(result)), *_missing_table(result))


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the charts of a response, each step marked."""
    return tuple(
        dataclasses.replace(chart, series=tuple(dataclasses.replace(one, each_point=True) for one in chart.series))
        for chart in response_views.charts(_whole(result))
    )


def _whole(result: Result) -> Result:
    """Return the result with those steps only that all channels that have any can tell: no hole, one grid for all."""
    told = [{hz for hz, gain_db in _points(one) if gain_db is not None} for one in result.channels if any(_points(one))]
    if not told:
        return result
    common_hz = set.intersection(*told)
    channels = tuple(dataclasses.replace(one, values=_at(one, common_hz)) for one in result.channels)
    return dataclasses.replace(result, channels=channels)


def _points(one: ChannelResult) -> list[tuple[float, float | None]]:
    return list(zip(one.values["frequency_hz"], one.values["gain_db"], strict=True))


def _at(one: ChannelResult, wanted_hz: set[float]) -> Mapping[str, Any]:
    """Return a channel's values, each list that has one place for each step thinned to the steps that are wanted."""
    frequency_hz = one.values["frequency_hz"]
    keep = [place for place, hz in enumerate(frequency_hz) if hz in wanted_hz]
    return {
        key: [value[place] for place in keep] if _is_curve(key, value, len(frequency_hz)) else value
        for key, value in one.values.items()
    }


def _is_curve(key: str, value: Any, steps: int) -> bool:
    return isinstance(value, (list, tuple)) and len(value) == steps and key not in ("harmonics", "missing")


def _gains(result: Result) -> TableView:
    """Return the gain at each step that was played, empty where it could not be told."""
    every = sorted({hz for one in result.channels for hz in one.values["frequency_hz"]})

    def column(key: str) -> list[dict[float, float | None]]:
        return [dict(zip(one.values["frequency_hz"], one.values[key], strict=True)) for one in result.channels]

    gains, uncertainties = column("gain_db"), column("gain_uncertainty_db")
    return TableView(
        title=f"{response_views.gain_words(result)} at each step",
        columns=(
            Column(heading="Frequency", unit="Hz"),
            *(Column(heading=f"Channel {one.channel}", unit="dB") for one in result.channels),
        ),
        rows=tuple((hz, *(found.get(hz) for found in gains)) for hz in every),
        uncertainties=tuple((None, *(found.get(hz) for found in uncertainties)) for hz in every),
    )


def _missing_table(result: Result) -> tuple[TableView, ...]:
    rows = tuple(
        (f"{one.channel}", float(step["frequency_hz"]), str(step["reason"]))
        for one in result.channels
        for step in one.values.get("missing") or []
    )
    if not rows:
        return ()
    return (
        TableView(
            title="Steps that could not be told",
            columns=(Column(heading="Channel"), Column(heading="Frequency", unit="Hz"), Column(heading="Why")),
            rows=rows,
        ),
    )
