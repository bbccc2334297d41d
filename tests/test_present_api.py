"""`audiomeas.chart` and `audiomeas.report`: from results, files and records; and what a visit's facts become."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import present_cases as cases
import pytest
from click.testing import CliRunner
from coverage_truth import of_two

import audiomeas
from audiomeas.cli.present import report as report_command
from audiomeas.errors import FileProblem, RequestError
from audiomeas.measurement import registry
from audiomeas.measurement.base import Figure
from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.present.content import content_of
from audiomeas.present.sentences import topics
from audiomeas.record import visit as visits
from audiomeas.record.unit import Unit
from audiomeas.record.verdict_row import Verdict
from audiomeas.record.visit import StepRecord, Visit


@pytest.fixture(autouse=True)
def two_measurements(monkeypatch):
    """Stand-ins for measurements: what is tested here is the way from a result to a picture, whatever it measures."""
    charts = {
        "response": (cases.response_view(),),
        "distortion": (cases.VIEWS["harmonics"], cases.VIEWS["two curves of a channel"]),
    }
    figures = (
        Figure(key="level_v_rms", unit="V", words="level"),
        Figure(key="level_dbfs", unit="dBFS", words="level in dBFS"),
        Figure(key="thd_percent", unit="%", words="total harmonic distortion"),
        Figure(key="thd_db", unit="dB", words="total harmonic distortion in dB"),
        Figure(key="gain_db", unit="dB", words="gain"),
    )

    def find(word: str) -> Any:
        if word not in charts:
            raise RequestError(f"unknown measurement {word!r}")
        return SimpleNamespace(word=word, charts=lambda result: charts[word], told_figures=lambda result: figures)

    monkeypatch.setattr(registry, "find", find)


def _undrawn(figures: tuple[Figure, ...]) -> Callable[[str], Any]:
    """Return a registry of measurements that have these figures and no chart."""
    return lambda _: SimpleNamespace(told_figures=lambda result: figures, charts=lambda result: ())


def distortion(**changes: Any) -> Result:
    facts: dict[str, Any] = {
        "measurement": "distortion", "sample_rate_hz": 96_000.0, "simulated": True,
        "conditions": {"load_ohm": {"1": 8.0, "2": 4.0}, "load_uncertainty": {"1": 0.01, "2": 0.01},
                       "driven_channels": [1, 2]},
        "channels": tuple(
            ChannelResult(
                channel=n,
                values={
                    "level_v_rms": 4.0, "level_dbfs": -3.0, "thd_percent": 0.02, "thd_db": -74.0, "gain_db": 26.0 + n,
                },
                uncertainty={"level_v_rms": 0.02, "gain_db": 0.03},
            )
            for n in (1, 2)
        ),
        "provenance": {"interface": "simulated card"},
    }  # fmt: skip
    return Result(**{**facts, **changes})


RESPONSE = distortion(measurement="response", channels=(ChannelResult(channel=1, values={"frequency_hz": [1.0]}),))


def step(
    number: int, name: str, result: Result | None, verdicts: tuple[Verdict, ...] = (), **changes: Any
) -> StepRecord:
    facts: dict[str, Any] = {
        "number": number, "name": name, "measurement": "distortion", "conditions": {}, "folder": Path("x"),
        "status": "finished" if result else "failed", "reason": "", "captures": (), "result": result,
        "verdicts": verdicts,
    }  # fmt: skip
    return StepRecord(**{**facts, **changes})


def verdict(**changes: Any) -> Verdict:
    facts: dict[str, Any] = {
        "step": "Distortion at 1 W", "quantity": "thd_percent", "unit": "%", "words": "total harmonic distortion",
        "channel": 1, "value": 0.02, "uncertainty": 0.001, "bound": "", "at_least": None, "at_most": 0.1,
        "difference_at_most": None, "source": "maker", "verdict": "pass",
    }  # fmt: skip
    return Verdict(**{**facts, **changes})


def visit(*steps: StepRecord, **changes: Any) -> Visit:
    facts: dict[str, Any] = {
        "path": Path("records/unit/visit"), "unit": Unit(maker="Demo", model="amplifier A", serial="D-0001"),
        "stage": "as-found", "opened_at": datetime(2024, 5, 1, 12, tzinfo=UTC), "version": "0.1.0", "simulated": True,
        "plan_title": "Power amplifier", "plan_text": "", "planned_steps": tuple(each.name for each in steps),
        "bench": {"name": "simulated bench", "calibration": {"made": "2024-01-01", "valid_until": "2025-01-01",
                                                             "instrument": "Demo meter"}},
        "hashes": {}, "warnings": ("the calibration is young",), "facts": {}, "journal": (), "finished": True,
        "first_look": None, "steps": steps,
    }  # fmt: skip
    return Visit(**{**facts, **changes})


USUAL = visit(step(1, "Distortion at 1 W", distortion(), (verdict(),)), step(2, "Response", RESPONSE))


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder that reads as the usual visit."""
    place = tmp_path / "visit"
    place.mkdir()
    monkeypatch.setattr(visits, "read_visit", lambda path: USUAL)
    return place


def titles(monkeypatch) -> list[Any]:
    """Collect the views that are drawn."""
    from audiomeas.present import charts

    drawn: list[Any] = []
    real = charts.chart_figure
    monkeypatch.setattr(charts, "chart_figure", lambda view: drawn.append(view) or real(view))
    return drawn


# ---------------------------------------------------------------- chart


def test_a_chart_of_a_result(tmp_path):
    file = audiomeas.chart(distortion(), tmp_path / "a.svg")
    assert file == tmp_path / "a.svg"
    assert "Harmonics" in file.read_text(encoding="utf-8")


def test_a_chart_of_a_result_file_by_its_name(tmp_path):
    (tmp_path / "result.json").write_text(json.dumps(distortion().as_json()), encoding="utf-8")
    audiomeas.chart(str(tmp_path / "result.json"), str(tmp_path / "a.svg"), name="n")
    assert "THD and noise" in (tmp_path / "a.svg").read_text(encoding="utf-8")


def test_the_usual_chart_of_a_visit_is_its_response_with_the_unit_in_the_title(tmp_path, folder, monkeypatch):
    drawn = titles(monkeypatch)
    audiomeas.chart(folder, tmp_path / "a.png")
    assert drawn[0].name == "response"
    assert "Demo, amplifier A, serial D-0001, as found 2024-05-01" in drawn[0].title


@pytest.mark.parametrize(
    ("how", "name"),
    [({"measurement": "distortion"}, "harmonics"), ({"name": "Distortion at 1 W"}, "harmonics"), ({"name": "n"}, "n")],
)
def test_charts_of_a_visit_by_measurement_step_or_name(tmp_path, folder, monkeypatch, how, name):
    drawn = titles(monkeypatch)
    audiomeas.chart(folder, tmp_path / "a.svg", **how)
    assert drawn[0].name == name


def test_an_unknown_chart_is_refused_with_the_valid_names(tmp_path, folder):
    with pytest.raises(RequestError, match=r"charts: harmonics, n$"):
        audiomeas.chart(distortion(), tmp_path / "a.svg", name="hamronics")
    with pytest.raises(RequestError, match=r"charts: harmonics, n, response; steps: Distortion at 1 W, Response$"):
        audiomeas.chart(folder, tmp_path / "a.svg", name="no such chart")
    assert not (tmp_path / "a.svg").exists()


def test_a_measurement_that_is_not_there_is_said(tmp_path, monkeypatch, folder):
    with pytest.raises(RequestError, match="result of distortion, not of response"):
        audiomeas.chart(distortion(), tmp_path / "a.svg", measurement="response")
    monkeypatch.setattr(visits, "read_visit", lambda path: visit(step(1, "Response", RESPONSE)))
    with pytest.raises(RequestError, match="no result of distortion to draw; measured: response"):
        audiomeas.chart(folder, tmp_path / "a.svg", measurement="distortion")


@pytest.mark.parametrize(
    "text", ["", "{}", "[]", "[1, 2]", "null", '"text"', "{", '{"measurement": 1}', '{"sample_rate_hz": NaN}']
)
def test_a_file_that_holds_no_result_is_named(tmp_path, text):
    source = tmp_path / "result.json"
    source.write_text(text)
    with pytest.raises(FileProblem, match=r"result\.json"):
        audiomeas.chart(source, tmp_path / "a.svg")


def test_a_capture_is_no_result_and_the_way_to_its_chart_is_said(tmp_path):
    (tmp_path / "good.wav").write_bytes(b"RIFF")
    with pytest.raises(FileProblem, match=r"is a capture: .*analyze WORD .*good\.wav --chart"):
        audiomeas.chart(tmp_path / "good.wav", tmp_path / "x.png")


def test_a_missing_source_and_a_folder_without_a_visit_are_said(tmp_path):
    with pytest.raises(FileProblem, match="not found"):
        audiomeas.chart(tmp_path / "none.json", tmp_path / "a.svg")
    with pytest.raises(FileProblem, match=r"visit\.json"):
        audiomeas.chart(tmp_path, tmp_path / "a.svg")


def test_a_wrong_name_is_refused_before_anything_is_read(tmp_path):
    with pytest.raises(FileProblem, match=r"\.png, \.svg or \.pdf"):
        audiomeas.chart(tmp_path / "none.json", tmp_path / "a.jpg")
    with pytest.raises(FileProblem, match=r"\.pdf, \.png or \.html"):
        audiomeas.report(tmp_path / "none", tmp_path / "a.svg")


# ---------------------------------------------------------------- report


def test_a_report_of_a_visit(tmp_path, folder):
    assert audiomeas.report(folder, tmp_path / "a.pdf") == tmp_path / "a.pdf"
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(("name", "paper"), [("a.html", "A4"), ("A.HTML", "letter")])
def test_a_name_that_ends_in_html_makes_the_web_page_with_the_annex(tmp_path, folder, name, paper):
    done = CliRunner().invoke(report_command, [str(folder), str(tmp_path / name), "--paper", paper])
    assert (done.exit_code, done.output) == (0, f"{tmp_path / name}\n")
    page = (tmp_path / name).read_text("utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert f"@page {{ size: {paper};" in page
    # Both parts of it, and what the annex alone has.
    assert ">What was found<" in page and ">Technical annex<" in page
    assert page.count("<table>") >= 1


@pytest.mark.parametrize(
    ("options", "paper"), [([], "A4"), (["--paper", "letter"], "letter"), (["--paper", "a4"], "A4")]
)
def test_the_command_takes_the_paper(tmp_path, folder, monkeypatch, options, paper):
    from audiomeas.present import report as pages

    used = []
    real = pages.write_report
    monkeypatch.setattr(pages, "write_report", lambda *all, **how: used.append(how["paper"]) or real(*all, **how))
    done = CliRunner().invoke(report_command, [str(folder), str(tmp_path / "a.png"), *options])
    assert (done.exit_code, used) == (0, [paper])
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


def test_the_command_says_which_papers_and_files_there_are():
    text = " ".join(CliRunner().invoke(report_command, ["--help"]).output.split())
    assert "--paper A4|letter" in text
    assert ".pdf or .png" in text


def test_a_report_of_no_visit_is_refused(tmp_path):
    with pytest.raises(FileProblem, match=r"visit\.json"):
        audiomeas.report(tmp_path, tmp_path / "a.pdf")


def found(quantity: str, source: Visit = USUAL) -> list[Any]:
    return [each for each in content_of(source).findings if each.quantity == quantity]


def test_power_comes_from_voltage_and_load_with_both_uncertainties():
    one, two = found("level_w")
    assert (one.value, two.value) == (2.0, 4.0)  # 4 V squared over 8 Ω and 4 Ω
    # 0.5 % of voltage counts twice, 1 % of resistance once, uncorrelated; without a budget both are rectangular.
    assert one.uncertainty == pytest.approx(2.0 * of_two(0.01, 0.01), rel=1e-3)
    assert one.verdict is None


def test_power_into_an_inductive_load_needs_the_frequency():
    """8 Ω and 50 µH at 20 kHz: ωL = 2π Ω, so that 4 V give 16·8/(64 + 4π²) W (complex Ohm's law)."""
    conditions = {"load_ohm": {"1": 8.0}, "load_uncertainty": 0.01, "load_inductance_h": {"1": 50e-6}}
    known, unknown = ({"level_v_rms": 4.0, "frequency_hz": hz} for hz in (20_000.0, None))
    one = ChannelResult(channel=1, values=known, uncertainty={"level_v_rms": 0.02})
    (told,) = found("level_w", visit(step(1, "s", distortion(conditions=conditions, channels=(one,)))))
    square = 4.0 * math.pi**2
    assert told.value == pytest.approx(16.0 * 8.0 / (64.0 + square), rel=1e-12)
    # 0.5 % of voltage twice; 1 % of R times (x² − R²)/(R² + x²), by hand; the inductance's own was not stated.
    of_load = 0.01 * (64.0 - square) / (64.0 + square)
    assert told.uncertainty == pytest.approx(told.value * of_two(0.01, of_load), rel=1e-3)
    other = ChannelResult(channel=1, values=unknown)
    assert found("level_w", visit(step(1, "s", distortion(conditions=conditions, channels=(other,))))) == []


@pytest.mark.parametrize("load", [None, {}, {"3": 8.0}, {"1": None, "2": 0.0}, "8"])
def test_without_a_load_no_power_is_claimed(load):
    result = distortion(conditions={"load_ohm": load})
    assert found("level_w", visit(step(1, "Distortion at 1 W", result))) == []


@pytest.mark.parametrize("loads", [{"load_ohm": {"1": 8.0}}, {}])
def test_loudspeakers_are_never_called_resistors(loads):
    speakers = {"loudspeakers": {"nominal_ohm": 4.0, "lowest_ohm": 3.2, "at_most_v_rms": 1.2649}}
    rows = dict(content_of(visit(step(1, "s", distortion(conditions={**loads, **speakers})))).conditions)
    said = "loudspeakers of 4 Ω (down to 3.2 Ω) were connected: no more than 1.26 V was let out to them."
    counted = " Watts are counted as into resistors of 8 Ω on channel 1." if loads else ""
    assert rows["Load"] == said + counted


def test_level_without_a_known_uncertainty_has_none():
    result = distortion(conditions={"load_ohm": {"1": 8.0}})
    assert [each.uncertainty for each in found("level_w", visit(step(1, "s", result)))] == [None]


def test_bands_stand_beside_thd_and_thd_n_so_that_the_larger_is_no_riddle(monkeypatch):
    """THD to 48 kHz may be larger than THD+N to 20 kHz: both say what they count, judged or not."""
    channels = (ChannelResult(channel=1, values={"thd_percent": 0.5, "thd_n_percent": 0.3}),)
    figures = tuple(Figure(key=key, unit="%", words=key) for key in ("thd_percent", "thd_n_percent"))
    monkeypatch.setattr(
        registry, "find", lambda word: SimpleNamespace(told_figures=lambda result: figures, charts=lambda result: ())
    )

    def measured(limit_hz: float) -> Result:
        return distortion(
            channels=channels, conditions={"harmonic_limit_hz": limit_hz, "band_hz": [20.0, 20_000.0]}
        )  # fmt: skip

    one = step(1, "At 1 W", measured(47_996.0), (verdict(step="At 1 W", value=0.5, verdict="fail"),))
    small = {topic.words: [line.text for line in topic.lines if line.small] for topic in topics(content_of(visit(one)))}
    assert small["Total harmonic distortion"][0].startswith("Overtones counted up to 48 kHz. ")
    assert small["Thd_n_percent"][0].startswith("From 20 Hz to 20 kHz. ")
    judged = verdict(step="At 30 W", value=0.5, verdict="fail")
    both = visit(one, step(2, "At 30 W", measured(22_000.0), (judged,)))
    (topic,) = (topic for topic in topics(content_of(both)) if topic.words == "Total harmonic distortion")
    text = next(line.text for line in topic.lines if line.small)
    assert text.startswith("Overtones counted up to 48 kHz (At 1 W); overtones counted up to 22 kHz (At 30 W). ")


def test_balance_is_the_difference_in_gain():
    (balance,) = found("balance_db")
    assert balance.value == pytest.approx(1.0)
    # Two errors of unknown shape: at worst both rectangular, 0.03 dB at 95 % each, so that they end at 0.03 / 0.95 dB.
    # Their sum is triangular over twice that, and 5 % of a triangle lie beyond 1 - √0.05 of it (JCGM 100, 4.3.9).
    assert balance.uncertainty == pytest.approx(2.0 * 0.03 / 0.95 * (1.0 - math.sqrt(0.05)))
    assert balance.channel is None


def test_balance_is_not_said_twice_or_of_one_channel():
    judged = verdict(quantity="gain_db", channel=None, difference_at_most=0.5, at_most=None, unit="dB", value=1.0)
    assert found("balance_db", visit(step(1, "s", distortion(), (judged,)))) == []
    alone = distortion(channels=distortion().channels[:1])
    assert found("balance_db", visit(step(1, "s", alone))) == []


def test_a_judged_quantity_is_told_once_and_each_in_one_unit():
    content = content_of(USUAL)
    assert [(each.channel, each.verdict) for each in found("thd_percent")] == [(1, "pass"), (2, None)]
    keys = {each.quantity for each in content.findings}
    assert not keys & {"thd_db", "level_dbfs"}


def test_what_no_limit_asks_for_is_told_once_but_power_for_each_step():
    source = visit(step(1, "A", distortion()), step(2, "B", distortion()))
    assert [each.step for each in found("gain_db", source)] == ["A", "A"]
    assert [each.step for each in found("level_w", source)] == ["A", "A", "B", "B"]
    assert found("level_v_rms", source) == []


def test_a_limit_on_a_difference_is_worded_as_one():
    judged = verdict(quantity="gain_db", words="gain", channel=None, difference_at_most=0.5, at_most=None, unit="dB")
    (row,) = found("gain_db_difference", visit(step(1, "s", distortion(), (judged,))))
    assert row.words == "difference between the channels in gain"
    assert (row.limit, row.edges) == ("at most 0.5 dB", (0.5,))  # the value is the difference already


def test_gain_and_balance_are_told_once_under_whichever_name_comes_first(monkeypatch):
    channels = tuple(
        ChannelResult(channel=n, values={"gain_at_reference_db": 20.0, "balance_db": 0.1 * (n - 1)}) for n in (1, 2)
    )
    figures = tuple(Figure(key=key, unit="dB", words=key) for key in ("gain_db", "gain_at_reference_db", "balance_db"))
    monkeypatch.setattr(
        registry, "find", lambda word: SimpleNamespace(told_figures=lambda result: figures, charts=lambda result: ())
    )
    judged = verdict(
        step="A", quantity="gain_db", channel=None, difference_at_most=0.5, at_most=None, unit="dB", value=1.0
    )
    response = step(2, "B", distortion(channels=channels))
    alone = {each.quantity for each in content_of(visit(response)).findings}
    assert alone == {"gain_at_reference_db", "balance_db"}
    both = content_of(visit(step(1, "A", distortion(), (judged,)), response)).findings
    assert {each.quantity for each in both} == {"level_w", "gain_db", "gain_db_difference"}
    assert {each.step for each in both} == {"A"}


@pytest.mark.parametrize(("key", "told"), [("balance_db", [(2, 0.1)]), ("balance_largest_db", [])])
def test_the_balance_of_the_first_channel_to_itself_is_not_told(monkeypatch, key, told):
    """Nor, without a limit on it, the largest over frequency: one page says the balance once."""
    channels = tuple(ChannelResult(channel=n, values={key: 0.1 * (n - 1)}) for n in (1, 2))
    figures = (Figure(key=key, unit="dB", words="balance"),)
    monkeypatch.setattr(
        registry, "find", lambda word: SimpleNamespace(told_figures=lambda result: figures, charts=lambda result: ())
    )
    rows = found(key, visit(step(1, "s", distortion(channels=channels))))
    assert [(each.channel, each.value) for each in rows] == told


def test_values_that_are_no_numbers_are_left_out():
    broken = ChannelResult(channel=1, values={"thd_percent": math.nan, "level_v_rms": None, "gain_db": True})
    content = content_of(visit(step(1, "s", distortion(channels=(broken,)))))
    assert content.findings == ()


def test_what_was_not_measured_is_told():
    broken = step(1, "Distortion at 1 W", None, (verdict(value=None, verdict="undecided"),), reason="over-range")
    content = content_of(visit(broken, planned_steps=("Distortion at 1 W", "Response"), finished=False))
    assert content.gaps == ("Distortion at 1 W: failed (over-range)", "Response: not run")
    assert content.verdict == "undecided"
    assert content.chart is None


def test_conditions_are_told():
    conditions = dict(content_of(USUAL).conditions)
    assert conditions["Load"].startswith("8 Ω on channel 1, 4 Ω on channel 2")
    assert conditions["Signal"] == "both channels driven at the same time."
    assert "simulated card" in conditions["Bench"]
    assert "96 kHz" in conditions["Bench"]
    assert conditions["Calibration"] == "made 2024-01-01, valid until 2025-01-01, with Demo meter."
    assert content_of(USUAL).cautions == ("the calibration is young",)


def test_a_calibration_without_an_instrument_says_so():
    bench = {"name": "b", "calibration": {"made": "2024-01-01", "valid_until": "2025-01-01",
                                          "instrument": "none (simulated)"}}  # fmt: skip
    calibration = dict(content_of(visit(bench=bench)).conditions)["Calibration"]
    assert calibration == "made 2024-01-01, without an instrument (simulated)."
    calibration = dict(content_of(visit(bench=bench, simulated=False)).conditions)["Calibration"]
    assert calibration == "made 2024-01-01, valid until 2025-01-01, without an instrument (simulated)."


def test_steps_that_drove_other_channels_are_told_apart():
    one = distortion(conditions={"driven_channels": [1]})
    rows = [text for topic, text in content_of(visit(step(1, "A", one), step(2, "B", distortion()))).conditions
            if topic == "Signal"]  # fmt: skip
    assert rows == ["channel 1 driven (A).", "both channels driven at the same time (B)."]


def test_a_unit_that_played_by_itself_was_sent_no_signal():
    # A turntable's page once said that test signals were sent through it, and both channels driven.
    heard = distortion(conditions={"driven_channels": [1, 2], "listen_only": True})
    told = dict(content_of(visit(step(1, "Rumble", heard))).conditions)
    assert told["Method"].startswith("the unit played by itself") and not {"Signal", "Load"} & set(told)
    both = dict(content_of(visit(step(1, "Rumble", heard), step(2, "Gain", distortion()))).conditions)
    assert "test signals were sent" in both["Method"] and "played by itself" in both["Method"]
    assert both["Signal"] == "both channels driven at the same time."
    assert both["Load"].startswith("8 Ω on channel 1")


def test_simulated_is_kept_from_the_visit_or_any_result():
    assert content_of(visit(step(1, "s", distortion(simulated=False)), simulated=False)).simulated is False
    assert content_of(visit(step(1, "s", distortion(simulated=True)), simulated=False)).simulated is True


def test_a_unit_without_serial_number_is_told_by_its_tag():
    assert content_of(visit(unit=Unit(model="amplifier B", tag="12"))).identity == "tag 12 (no serial number)"


def test_a_result_file_whose_values_dont_fit_one_another_is_damaged(tmp_path, monkeypatch):
    def charts(result: Result) -> Any:
        raise ZeroDivisionError

    monkeypatch.setattr(registry, "find", lambda word: SimpleNamespace(word=word, charts=charts))
    file = tmp_path / "result.json"
    file.write_text(json.dumps(distortion().as_json()))
    with pytest.raises(FileProblem, match=r"result\.json is damaged: its values don't fit"):
        audiomeas.chart(file, tmp_path / "chart.png")
    with pytest.raises(ZeroDivisionError):  # of a program's own result that is its fault
        audiomeas.chart(distortion(), tmp_path / "chart.png")
