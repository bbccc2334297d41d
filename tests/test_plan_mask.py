"""Masks in plans: read with every key checked, held against results, kept in the record, and drawn as a band."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benches import bench_file

import audiomeas
from audiomeas.errors import FileProblem, TomlProblem
from audiomeas.measurement import registry
from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.measurement.views import ChartView, Series
from audiomeas.plan.file import Step, read_plan
from audiomeas.plan.run import RunOutcome
from audiomeas.plan.verdict import judge_step
from audiomeas.present.content import content_of
from audiomeas.present.masks import with_masks
from audiomeas.present.outcome import visit_text
from audiomeas.present.sentences import topics, verdict_lines
from audiomeas.record.verdict_row import Verdict
from audiomeas.record.visit import read_visit

MASK = """\
  [[step.mask]]
  name = "Line stages"
  quantity = "gain_db"
  frequency_hz = [20.0, 40.0, 16000.0, 20000.0]
  lower_db = [-3.0, -1.0, -1.0, -3.0]
  upper_db = [1.0, 1.0, 1.0, 1.0]
  placement = "reference"
  source = "maker"
"""
PLAN = f"""\
title = "Masks"
kind = "power amplifier"

[[step]]
name = "Response"
measure = "response"
output_level = "1 W"

{MASK}"""


def _write(folder: Path, text: str) -> Path:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_mask_is_read_as_it_is_written(tmp_path: Path) -> None:
    (step,) = read_plan(_write(tmp_path, PLAN)).steps
    (limit,) = step.masks
    assert (limit.curve.key, limit.curve.unit, limit.source, limit.channel) == ("gain_db", "dB", "maker", None)
    assert limit.mask.frequency_hz == (20.0, 40.0, 16_000.0, 20_000.0)
    assert (limit.mask.lower, limit.mask.upper) == ((-3.0, -1.0, -1.0, -3.0), (1.0,) * 4)
    assert (limit.mask.placement, limit.mask.reference_hz) == ("reference", 1000.0)


def test_one_edge_another_unit_and_a_step_are_read(tmp_path: Path) -> None:
    text = (
        PLAN.replace('"response"', '"distortion-steps"')
        .replace('"gain_db"', '"thd_percent"')
        .replace("  lower_db = [-3.0, -1.0, -1.0, -3.0]\n", "")
        .replace("upper_db = [1.0, 1.0, 1.0, 1.0]", "upper_percent = [1.0, 1.0, 0.1, 0.1]")
        .replace("[20.0, 40.0, 16000.0, 20000.0]", "[40.0, 100.0, 100.0, 6000.0]")
        .replace('"reference"', '"absolute"')
    )
    (limit,) = read_plan(_write(tmp_path, text)).steps[0].masks
    assert (limit.mask.lower, limit.mask.upper) == (None, (1.0, 1.0, 0.1, 0.1))
    assert limit.mask.reference_hz is None


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ("20.0, 40.0, 16000.0", "20.0, 16000.0, 40.0", 12, "frequency_hz: must rise: 40 Hz stands behind 16000 Hz"),
        ("20.0, 40.0, 16000.0, 20000.0", "20.0, 20.0, 20.0, 40.0", 12, "may stand twice"),
        ("20.0, 40.0, 16000.0, 20000.0", "20.0, 20.0", 12, "needs two frequencies or more"),
        ("20.0, 40.0", "0.0, 40.0", 12, "must be above 0"),
        ("16000.0, 20000.0", "16000.0, 20e6", 12, "must be at most 1e+06 Hz"),
        ("20.0, 40.0", '"20 Hz", 40.0', 12, "must be a number"),
        ("lower_db = [-3.0", "lower_db = [3.0", 13, "3 dB at 20 Hz does not lie below upper_db there (1 dB)"),
        ("lower_db = [-3.0, -1.0, ", "lower_db = [-3.0, ", 13, "has 3 values for the 4 frequencies of frequency_hz"),
        ("lower_db = [-3.0", "lower_db = [nan", 13, "must be a finite number"),
        ("lower_db", "lower", 13, "has no unit: write lower_db, as gain_db is in dB"),
        ("upper_db", "upper_percent", 14, "unknown key (did you mean 'upper_db'?)"),
        ("frequency_hz", "frequency", 12, "has no unit: write frequency_hz"),
        ('"gain_db"', '"gain_dB"', 11, "did you mean 'gain_db'?"),
        ('"gain_db"', '"deviation_db"', 11, "'deviation_db' is not one of"),
        ('placement = "reference"', 'placement = "referense"', 15, "did you mean 'reference'?"),
        ('  placement = "reference"\n', "", None, "the key 'placement' is missing"),
        ('placement = "reference"', 'placement = "best fit"\n  reference_hz = 1000.0', 16, "means nothing with"),
        ('placement = "reference"', 'placement = "reference"\n  reference_hz = -1.0', 16, "must be above 0"),
        ('source = "maker"', 'source = "somebody"', 16, "is not one of maker, house, era"),
        ('source = "maker"', 'source = "maker"\n  channel = 3', 17, "must be at most 2"),
        ('name = "Line stages"', "name = 3", 10, "must be a text in quotes"),
        ('name = "Line stages"', 'name = "a\\nb"', 10, "control character"),
        ('name = "Line stages"', f'name = "{"m" * 61}"', 10, "61 characters are too long for a mask"),
        ('"response"', '"intermodulation"', 11, "intermodulation has no curve that a mask could hold"),
    ],
)
def test_what_is_wrong_is_named_with_file_and_line(
    tmp_path: Path, old: str, new: str, line: int | None, said: str
) -> None:
    assert old in PLAN
    path = _write(tmp_path, PLAN.replace(old, new, 1))
    with pytest.raises(TomlProblem) as caught:
        read_plan(path)
    message = str(caught.value)
    assert said in message
    assert "\n" not in message
    assert message.startswith(f"{path}, line {line}: " if line else str(path))


def test_a_best_fit_needs_two_edges_and_a_mask_one(tmp_path: Path) -> None:
    lower, upper = "  lower_db = [-3.0, -1.0, -1.0, -3.0]\n", "  upper_db = [1.0, 1.0, 1.0, 1.0]\n"
    with pytest.raises(TomlProblem, match="placement: a best fit needs a lower and an upper edge"):
        read_plan(_write(tmp_path, PLAN.replace(lower, "").replace('"reference"', '"best fit"')))
    with pytest.raises(TomlProblem, match="a mask needs lower_db, upper_db or both"):
        read_plan(_write(tmp_path, PLAN.replace(lower, "").replace(upper, "")))


def test_two_masks_of_one_name_and_a_channel_that_is_not_measured_are_refused(tmp_path: Path) -> None:
    with pytest.raises(TomlProblem, match="two masks are named 'Line stages'"):
        read_plan(_write(tmp_path, PLAN + MASK))
    text = PLAN.replace('"1 W"', '"1 W"\nchannels = 1').replace('"maker"', '"maker"\n  channel = 2')
    with pytest.raises(TomlProblem, match="channel 2 is not measured"):
        read_plan(_write(tmp_path, text))


# ---------------------------------------------------------------- held against results

_HZ = [20.0 * 2.0 ** (n / 3) for n in range(31)]  # thirds of octaves from 20 Hz to 20.48 kHz


def _response(gain_db: list[float], *, wide_db: float = 0.3, shape_db: float = 0.01, absolute: bool = True) -> Result:
    values = {
        "frequency_hz": _HZ,
        "gain_db": gain_db,
        "gain_uncertainty_db": [wide_db] * len(_HZ),
        "gain_shape_uncertainty_db": [shape_db] * len(_HZ),
    }
    return Result(
        measurement="response",
        sample_rate_hz=48e3,
        conditions={"gain_reference": "absolute" if absolute else "0 dB at 1000 Hz"},
        channels=(ChannelResult(channel=1, values=values),),
    )


def _judged(folder: Path, result: Result | None, *changes: tuple[str, str], reason: str = "") -> tuple[Step, Verdict]:
    text = PLAN.replace('"1 W"', '"1 W"\nchannels = 1')
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (step,) = read_plan(_write(folder, text)).steps
    (row,) = judge_step(step, result, reason=reason)
    return step, row


def test_a_calibration_is_no_part_of_a_shape_but_of_an_absolute_gain(tmp_path: Path) -> None:
    flat = _response([26.9] * len(_HZ))
    # Relative to 1 kHz: 1 dB ± 0.01 dB·√2 away from the upper edge. Absolute, in 25 to 27 dB: 0.1 ± 0.3 dB.
    _, row = _judged(tmp_path, flat)
    assert (row.verdict, row.reason) == ("pass", "least at 20 Hz, from the upper edge")
    assert row.value == pytest.approx(1.0, abs=1e-12)
    assert row.uncertainty == pytest.approx(0.01 * 2**0.5, abs=1e-12)
    absolute = (
        ("[-3.0, -1.0, -1.0, -3.0]", "[25, 25, 25, 25]"),
        ("[1.0, 1.0, 1.0, 1.0]", "[27, 27, 27, 27]"),
        ('"reference"', '"absolute"'),
    )
    _, row = _judged(tmp_path, flat, *absolute)
    assert (row.verdict, row.uncertainty) == ("undecided", 0.3)
    assert row.reason == "the edge lies inside the uncertainty at 20 Hz, from the upper edge"
    assert row.value == pytest.approx(0.1, abs=1e-12)
    _, row = _judged(tmp_path, _response([0.0] * len(_HZ), absolute=False), *absolute)
    assert row.verdict == "undecided"
    assert "no known uncertainty" in row.reason


def test_what_is_missing_is_undecided_with_its_reason(tmp_path: Path) -> None:
    _, row = _judged(tmp_path, None, reason="the bench refused")
    assert (row.verdict, row.value, row.reason) == ("undecided", None, "missing: the bench refused")
    other = Result(measurement="response", sample_rate_hz=48e3, conditions={}, channels=())
    _, row = _judged(tmp_path, other)
    assert (row.verdict, row.reason) == ("undecided", "missing: channel 1 was not measured")
    _, row = _judged(tmp_path, _response([0.0] * len(_HZ)), ("[20.0, 40.0", "[5.0, 40.0"))
    assert (row.verdict, row.reason) == (
        "undecided",
        "nothing was measured from 5 Hz to 20 Hz; elsewhere least at 20 Hz, from the upper edge",
    )


def test_steps_of_distortion_can_be_held_each_with_its_own_uncertainty_and_bounds(tmp_path: Path) -> None:
    def rows(percent: dict[float, float], bound: dict[float, str] | None = None) -> Result:
        steps = [
            {
                "frequency_hz": hz,
                "thd_percent": value,
                "uncertainty": {"thd_percent": 0.01},
                "bound": {"thd_percent": (bound or {})[hz]} if hz in (bound or {}) else {},
            }
            for hz, value in percent.items()
        ]
        channel = ChannelResult(channel=1, values={"steps": steps})
        return Result(measurement="distortion-steps", sample_rate_hz=48e3, conditions={}, channels=(channel,))

    changes = (
        ('"response"', '"distortion-steps"'),
        ('"gain_db"', '"thd_percent"'),
        ("  lower_db = [-3.0, -1.0, -1.0, -3.0]\n", ""),
        ("upper_db = [1.0, 1.0, 1.0, 1.0]", "upper_percent = [0.5, 0.1]"),
        ("[20.0, 40.0, 16000.0, 20000.0]", "[500.0, 2000.0]"),
        ('"reference"', '"absolute"'),
    )
    # The edge at 1 kHz lies in the middle of 0.5 and 0.1 %: 0.3 %.
    _, row = _judged(tmp_path, rows({500.0: 0.1, 1000.0: 0.25, 2000.0: 0.02}), *changes)
    assert (row.verdict, row.unit, row.reason) == ("pass", "%", "least at 1 kHz, from the upper edge")
    assert row.value == pytest.approx(0.05, abs=1e-12)
    _, row = _judged(tmp_path, rows({500.0: 0.1, 1000.0: 0.25, 2000.0: 0.2}), *changes)
    assert (row.verdict, row.reason) == ("fail", "furthest outside at 2 kHz, from the upper edge")
    # At most 0.02 % can't come nearer to 0.1 % than 1 kHz does to its edge; at most 0.08 %, or 0.2 %, may.
    for at_most, word in ((0.02, "pass"), (0.08, "undecided"), (0.2, "undecided")):
        measured = rows({500.0: 0.1, 1000.0: 0.25, 2000.0: at_most}, {2000.0: "at most"})
        _, row = _judged(tmp_path, measured, *changes)
        assert row.verdict == word
        assert row.value == pytest.approx(0.05, abs=1e-12)
        assert ("a bound that the bench itself sets comes nearest at 2 kHz" in row.reason) == (word == "undecided")
    _, row = _judged(tmp_path, rows({500.0: 0.1, 2000.0: 0.02}, {500.0: "at most", 2000.0: "at most"}), *changes)
    assert (row.verdict, row.value) == ("undecided", None)
    # With a lower edge too, a bound tells nothing.
    both = (*changes[:2], ("lower_db = [-3.0, -1.0, -1.0, -3.0]", "lower_percent = [0.001, 0.001]"), *changes[3:])
    _, row = _judged(tmp_path, rows({500.0: 0.1, 1000.0: 0.25, 2000.0: 0.02}, {2000.0: "at most"}), *both)
    assert row.verdict == "undecided"
    assert "a bound that the bench itself sets at 1 of 3 frequencies" in row.reason


# ---------------------------------------------------------------- the whole road


#: The amplifier's and the card's filters, as their TOML files have them: first-order corners below and above.
LOW_CUTS_HZ, HIGH_CUT_HZ = (1.6, 3.0, 0.8, 0.5), 110_000.0


def _gain_db(hz: float) -> float:
    """The whole path in closed form: first-order low cuts and one high cut."""
    low = np.prod([1.0 / (1.0 + corner_hz / (1j * hz)) for corner_hz in LOW_CUTS_HZ])
    return float(20.0 * np.log10(abs(low / (1.0 + 1j * hz / HIGH_CUT_HZ))))


#: The last two points of the curve lie 0.0003 dB apart: noise puts the one or the other further out.
AT_THE_END = r"at (20|19\.95) kHz, from the lower edge"


def _masked(name: str, low: float, high: float, *, hz: str = "[40.0, 20000.0]", placement: str = "reference") -> str:
    return (
        f'  [[step.mask]]\n  name = "{name}"\n  quantity = "gain_db"\n  frequency_hz = {hz}\n'
        f"  lower_db = [{low}, {low}]\n  upper_db = [{high}, {high}]\n"
        f'  placement = "{placement}"\n  source = "house"\n\n'
    )


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> RunOutcome:
    """One run of a plan whose masks pass, fail and stay open on the simulated amplifier.

    From 40 Hz: at 20 Hz the bench's coupling capacitors leave 0.01 dB open, and that point would be the least sure one.
    """
    folder = tmp_path_factory.mktemp("mask")
    at_20_khz = _gain_db(20_000.0) - _gain_db(1000.0)  # the curve's lowest point
    masks = (
        _masked("Wide", -0.5, 0.5)
        + _masked("Narrow", -0.1, 0.1)
        + _masked("Touching", round(at_20_khz, 4), 0.5)
        + _masked("Fitted", -0.08, 0.08, placement="best fit")
        + _masked("Beyond", -3.0, 3.0, hz="[5.0, 20000.0]")
    )
    plan = _write(folder, PLAN.replace(MASK, masks).replace('"1 W"', '"1 W"\nchannels = 1'))
    bench = bench_file(folder, rate_hz=48_000)
    return audiomeas.run(plan, unit="Demo amplifier A, serial D-0001", bench=bench, records=folder / "records")


def _of(outcome: RunOutcome, name: str) -> Verdict:
    (row,) = [row for row in outcome.verdicts if row.mask is not None and row.mask.mask.name == name]
    return row


def test_pass_fail_and_undecided_on_the_simulated_amplifier(outcome: RunOutcome) -> None:
    low_db, high_db = (_gain_db(hz) - _gain_db(1000.0) for hz in (20.0, 20_000.0))
    assert high_db < low_db
    found = {name: _of(outcome, name) for name in ("Wide", "Narrow", "Touching", "Fitted", "Beyond")}
    words = {name: row.verdict for name, row in found.items()}
    assert words == {"Wide": "pass", "Narrow": "fail", "Touching": "undecided", "Fitted": "pass", "Beyond": "undecided"}
    assert (outcome.verdict, outcome.exit_status) == ("fail", 1)
    # 0.003 dB: what a sweep has to reach from 40 Hz on, against the exact response.
    assert found["Wide"].value == pytest.approx(high_db + 0.5, abs=0.003)
    assert re.fullmatch(f"least {AT_THE_END}", found["Wide"].reason)
    assert found["Narrow"].value == pytest.approx(high_db + 0.1, abs=0.003)
    assert re.fullmatch(f"furthest outside {AT_THE_END}", found["Narrow"].reason)
    # The band of 0.16 dB holds a curve that spans from 20 kHz to its top.
    top_db = max(_gain_db(hz) for hz in np.geomspace(20.0, 20_000.0, 2000)) - _gain_db(1000.0)
    assert found["Fitted"].value == pytest.approx((0.16 - (top_db - high_db)) / 2, abs=0.003)
    assert "nothing was measured from 5 Hz to " in found["Beyond"].reason


def test_the_record_keeps_what_the_verdict_was_made_of(outcome: RunOutcome) -> None:
    again = read_visit(outcome.visit.path)
    assert again.verdicts == outcome.verdicts
    row = _of(outcome, "Wide")
    assert row.mask is not None
    result = again.steps[0].result
    assert result is not None
    assert list(row.mask.curve.values) == result.channel(1).values["gain_db"]


def test_a_changed_curve_in_a_record_is_refused(outcome: RunOutcome, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(outcome.visit.path, copy)
    (file,) = copy.glob("*/verdict.json")
    data = json.loads(file.read_text())
    (narrow,) = [row for row in data["rows"] if row["mask"]["mask"]["name"] == "Narrow"]
    narrow["mask"]["mask"]["lower"] = [-1.0, -1.0]  # the limit that was not kept, made wide
    narrow["verdict"] = "pass"
    file.write_text(json.dumps(data))
    with pytest.raises(FileProblem, match="Narrow"):
        read_visit(copy)


def test_the_terminal_and_the_report_name_the_frequency_and_the_margin(outcome: RunOutcome) -> None:
    text = " ".join(visit_text(outcome.visit, width=500).split())
    assert "margin of the gain in the mask “Narrow”: −0.04" in text
    assert re.search(f"inside the mask “Narrow”, relative to 1 kHz \\(house\\); furthest outside {AT_THE_END}", text)
    content = content_of(outcome.visit)
    lines = " ".join(verdict_lines(content))
    assert "Margin of the gain in the mask “Narrow”" in lines
    assert re.search(rf"\(furthest outside {AT_THE_END}\)", lines)
    words = [topic.words for topic in topics(content)]
    assert [word for word in words if "mask" in word] == [
        f"Margin of the gain in the mask “{name}”" for name in ("Wide", "Narrow", "Touching", "Fitted", "Beyond")
    ]


def test_the_customers_chart_shows_the_bands_as_they_were_placed(outcome: RunOutcome) -> None:
    chart = content_of(outcome.visit).chart
    assert chart is not None
    assert chart.name == "response"
    # The fitted mask has another zero: it is not drawn on this axis.
    assert [band.label for band in chart.bands] == [
        f"outside the mask “{name}”" for name in ("Wide", "Narrow", "Touching", "Beyond")
    ]
    assert (chart.bands[0].x, chart.bands[0].low, chart.bands[0].high) == ((40.0, 20_000.0), (-0.5, -0.5), (0.5, 0.5))
    (series,) = chart.series
    at_reference = np.interp(np.log(1000.0), np.log(series.x), series.y)
    assert at_reference == pytest.approx(0.0, abs=1e-6)  # values are kept to 1e-6 dB
    assert chart.y_label == "Gain (dB re 1 kHz)"
    assert chart.caption.endswith("Each channel relative to its own value at 1 kHz.")


def test_a_masked_chart_is_drawn(outcome: RunOutcome, tmp_path: Path) -> None:
    import matplotlib.image

    path = audiomeas.chart(outcome.visit.path, tmp_path / "masked.png")
    pixels = np.rint(255.0 * matplotlib.image.imread(path)[:, :, :3]).astype(int)
    assert np.mean(np.all(pixels == 0xEB, axis=2)) > 0.2  # the shade of what lies outside (style.BAND)
    assert audiomeas.report(outcome.visit.path, tmp_path / "report.pdf").stat().st_size > 10_000


def _view(*series: Series, curve_key: str = "thd_percent") -> ChartView:
    return ChartView(
        name="c", title="t", x_label="Frequency (Hz)", y_label="Distortion (% of the fundamental)", series=series,
        curve_key=curve_key,
    )  # fmt: skip


def test_a_chart_of_more_than_the_curve_keeps_all_and_gets_absolute_bands_only(outcome: RunOutcome) -> None:
    row = _of(outcome, "Wide")
    assert row.mask is not None
    lines = [Series(label=name, x=[20.0, 20_000.0], y=[0.1, 0.1], channel=1) for name in ("THD", "2nd")]
    view = _view(*lines, curve_key="gain_db")
    assert with_masks([view], [row]) == (view,)  # a relative mask has another zero than what is drawn
    assert with_masks([_view(*lines, curve_key="other")], [row])[0].bands == ()
    absolute = replace(row.mask, mask=replace(row.mask.mask, placement="absolute", reference_hz=None))
    (drawn,) = with_masks([view], [replace(row, mask=absolute)])
    assert [band.label for band in drawn.bands] == ["outside the mask “Wide”"]
    assert drawn.series == view.series


@pytest.mark.parametrize("word", ["crosstalk", "multitone"])
def test_crosstalk_is_held_with_its_bounds(tmp_path: Path, word: str) -> None:
    key = {"crosstalk": "frequency_hz", "multitone": "crosstalk_frequency_hz"}[word]
    values = {
        key: [100.0, 180.0, 320.0, 560.0, 1000.0],
        "crosstalk_db": [-90.0, -75.0, -70.0, -65.0, -60.0],
        "crosstalk_bound": ["at most", None, None, None, None],
        "crosstalk_uncertainty_db": [None, 0.5, 0.5, 0.5, 0.5],
    }
    channel = ChannelResult(channel=1, values=values)
    result = Result(
        measurement=word, sample_rate_hz=48e3, conditions={"gain_reference": "absolute"}, channels=(channel,)
    )
    changes = (
        ('"response"', f'"{word}"'),
        ('"gain_db"', '"crosstalk_db"'),
        ("  lower_db = [-3.0, -1.0, -1.0, -3.0]\n", ""),
        ("[1.0, 1.0, 1.0, 1.0]", "[-55.0, -55.0]"),
        ("[20.0, 40.0, 16000.0, 20000.0]", "[100.0, 1000.0]"),
        ('"reference"', '"absolute"'),
    )
    _, row = _judged(tmp_path, result, *changes)
    assert (row.verdict, row.value, row.uncertainty) == ("pass", 5.0, 0.5)
    assert row.reason == "least at 1 kHz, from the upper edge"


def test_every_curve_is_named_by_its_unit() -> None:
    suffixes = {"dB": "db", "dBFS": "dbfs", "%": "percent", "Ω": "ohm", "": "factor"}
    curves = [curve for word in registry.words() for curve in registry.find(word).curves]
    assert len(curves) >= 8
    assert all(curve.unit_word == suffixes[curve.unit] for curve in curves)
