"""Charts of several visits over each other: every curve is there, called after its visit, none like another."""

from __future__ import annotations

import dataclasses
import gc
from types import SimpleNamespace

import present_cases as cases
import pytest
from archive_fakes import STEP, gain_result, written
from plan_fakes import GOOD
from visits_made import made, opened

import audiomeas
from audiomeas.errors import FileProblem, RequestError
from audiomeas.measurement import registry
from audiomeas.measurement.result import result_from_json
from audiomeas.measurement.views import ChartView, Series
from audiomeas.present import api
from audiomeas.present.overlay import laid_over
from audiomeas.record import visit
from audiomeas.record.visit import read_visit


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


def test_bands_stand_around_the_zeros_of_all_charts():
    """What lies outside of the first visit's limit may be inside of another's, whose channel has another zero."""
    first = cases.response_view()
    band = first.bands[0]
    others = [dataclasses.replace(first, bands=(dataclasses.replace(band, zeros=(0.0, -n / 2)),)) for n in range(9)]
    assert laid_over([first, others[3]], ["a", "b"], title="t").bands[0].zeros == (0.0, -1.5)
    assert laid_over(others, list("abcdefghi"), title="t").bands == ()  # nine bands would leave nothing to see


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


@pytest.fixture
def stand_ins(monkeypatch):
    """Let results of two measurements have a chart, whatever is in them."""
    charts = {"distortion": (cases.VIEWS["harmonics"],), "response": (cases.response_view(),)}
    monkeypatch.setattr(registry, "find", lambda word: SimpleNamespace(word=word, charts=lambda result: charts[word]))


def test_of_many_visits_only_the_step_that_is_drawn_is_read(tmp_path, stand_ins, monkeypatch):
    """The first visit is read whole, to choose; of it and the others the one step, which can't make a verdict pass."""
    paths = [made(tmp_path, stage) for stage in ("as-found", "as-left")]
    assert read_visit(paths[0]).verdict == "pass"
    alone = read_visit(paths[0], of_step="Response")
    assert ([step.name for step in alone.steps], alone.verdict) == (["Response"], "undecided")
    read = []
    monkeypatch.setattr(visit, "result_from_json", lambda data: read.append(data["measurement"]) or whole(data))
    whole = result_from_json
    step, _, views = api._shared_chart(paths, "distortion", None)
    assert (step, len(views)) == ("THD", 2)
    assert sorted(read) == ["distortion"] * 3 + ["response"]


def test_a_chart_that_not_all_have_gives_way_to_one_that_they_share(tmp_path, stand_ins):
    first = made(tmp_path)
    writer = opened(tmp_path, "as-left")
    step = writer.begin_step("THD", "distortion", {})
    step.finish(GOOD["distortion"], [])
    writer.finish(None)
    assert audiomeas.overlay([first, writer.path], tmp_path / "both.png").is_file()
    with pytest.raises(RequestError, match="no chart 'response'"):
        audiomeas.overlay([first, writer.path], tmp_path / "x.png", name="response")


def test_a_result_that_lacks_what_is_drawn_is_said_in_one_line(tmp_path):
    """The results of these visits have no curves, as those of another version might."""
    told = []
    with pytest.raises(RequestError, match="no chart"):
        audiomeas.chart(made(tmp_path), tmp_path / "x.png", say=told.append)
    assert any("Response: its result can't be drawn (it lacks 'frequency_hz')" in line for line in told)


def test_python_searches_for_cycles_again_behind_an_overlay_that_failed(tmp_path):
    assert gc.isenabled()
    with pytest.raises(FileProblem, match="not the folder of a visit"):
        audiomeas.overlay([tmp_path / "one", tmp_path / "other"], tmp_path / "o.png")
    assert gc.isenabled()
