"""Charts of several visits over each other: every curve is there, called after its visit, none like another."""

from __future__ import annotations

import dataclasses

import present_cases as cases
import pytest
from archive_fakes import STEP, gain_result, written

import audiomeas
from audiomeas.errors import RequestError
from audiomeas.measurement.views import ChartView, Series
from audiomeas.present import api
from audiomeas.present.overlay import laid_over


def test_all_curves_are_kept_each_with_its_visit_and_a_look_of_its_own():
    first = cases.response_view()
    second = dataclasses.replace(first, caption="Other conditions.", simulated=True, x_range=(5.0, 50_000.0))
    both = laid_over([first, second], ["as found", "as left"], title="Response: Demo amplifier A")
    assert len(both.series) == 2 * len(first.series)
    assert [one.y for one in both.series] == [one.y for view in (first, second) for one in view.series]
    assert {one.label.partition(", ")[0] for one in both.series} == {"as found", "as left"}
    channels = [
        [one.channel for one in part] for part in (both.series[: len(first.series)], both.series[len(first.series) :])
    ]
    assert not set(channels[0]) & set(channels[1])  # a channel's number chooses its colour, dashes and mark
    assert both.simulated and both.title == "Response: Demo amplifier A"
    assert "as left: Other conditions." in both.caption


def test_bounds_stay_hollow_and_texts_stand_at_one_visit_alone():
    points = Series(label="", x=[1.0], y=[2.0], role="points", channel=1, labels=("2nd",), hollow=True)
    view = ChartView(name="n", title="t", x_label="x", y_label="y", series=(points,))
    both = laid_over([view, view], ["a", "b"], title="t")
    assert [(one.label, one.hollow, one.labels) for one in both.series] == [("a", True, ("2nd",)), ("b", True, ())]


def test_other_axes_are_refused():
    first = cases.response_view()
    other = dataclasses.replace(first, y_label="Gain (dB re channel 1)")
    with pytest.raises(RequestError, match="not the same axes"):
        laid_over([first, other], ["a", "b"], title="t")


def test_visits_are_told_apart_by_as_little_as_it_takes(tmp_path, monkeypatch):
    found, left = (written(tmp_path, {STEP: gain_result(26.0)}, stage=stage) for stage in ("as-found", "as-left"))
    assert api._told_apart([found, left]) == ["as found", "as left"]
    later = dataclasses.replace(found, opened_at=found.opened_at.replace(year=2030))
    assert [words[: len("as found 20")] for words in api._told_apart([found, later])] == ["as found 20"] * 2
    other = dataclasses.replace(found, unit=dataclasses.replace(found.unit, serial="D-0002"))
    assert api._told_apart([found, other]) == ["D-0001 as found", "D-0002 as found"]
    with pytest.raises(RequestError, match="at least two visits"):
        audiomeas.overlay([found.path], tmp_path / "x.png")
