"""Which figures of a result have their limits drawn in which of its charts, for the tests of measurements."""

from __future__ import annotations

from audiomeas.measurement.base import Measurement
from audiomeas.measurement.result import Result


def drawn_limits(measurement: Measurement, result: Result) -> dict[str, set[str]]:
    """Return chart → figures; those alone that a plan can hold a limit on."""
    figures = {figure.key for figure in measurement.figures}
    found = {view.name: {one.key for one in view.limited} & figures for view in measurement.charts(result)}
    return {name: keys for name, keys in found.items() if keys}
