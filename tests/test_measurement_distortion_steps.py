"""Stepped distortion: what is played, closed forms of a polynomial unit, foreign captures, nulls, bounds, hum, views.

The unit: y = g·(x + a₂x² + a₃x³). A sine of amplitude A gives the fundamental g·A·(1 + ¾a₃A²), the second harmonic
½g·a₂A² and the third ¼g·a₃A³ (product formulas of the cosine).
"""

from __future__ import annotations

import dataclasses
import json
import math
import subprocess
import sys
from typing import Any

import numpy as np
import pytest
import scipy.signal
from benches import bench_file
from coverage_truth import of_two
from limited_axes import drawn_limits
from numpy.typing import NDArray
from sweep_chains import start_of, through_polynomial
from tone_signals import db, sine

from audiomeas.bench.opened import open_bench_file
from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import ChannelResult, Result, result_from_json
from audiomeas.measurement.session import Session
from audiomeas.recording import Recording
from audiomeas.stimulus import Silence, SteppedSines, read_stimulus
from audiomeas.units import Level

STEPS = find("distortion-steps")
RATE_HZ = 48_000.0
LEVEL_V_RMS = 0.5
GAIN, A2, A3 = 10.0, 4e-3, -2e-3
FULL_SCALE_V_RMS = 20.0
LEAD = 3217


def _stimulus(rate_hz: float = RATE_HZ, channels: tuple[int, ...] = (1, 2), **options: Any) -> SteppedSines:
    context = PlayContext(sample_rate_hz=rate_hz, channels=channels, input_level_v_rms=LEVEL_V_RMS)
    made = STEPS.stimulus(context, complete(STEPS, options))
    assert isinstance(made, SteppedSines)
    return made


def _unit(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return GAIN * (x + A2 * x**2 + A3 * x**3)


def _closed_form(input_v_rms: float) -> tuple[float, float, float]:
    """Return the level of the fundamental (V r.m.s.) and the second and third harmonic relative to it."""
    a = input_v_rms * math.sqrt(2)
    fundamental = 1 + 0.75 * A3 * a**2
    return GAIN * input_v_rms * fundamental, abs(0.5 * A2 * a / fundamental), abs(0.25 * A3 * a**2 / fundamental)


def _recording(stimulus: SteppedSines, /, *captured_v: NDArray[np.float64], **changes: Any) -> Recording:
    facts: dict[str, Any] = {
        "counts_fs": np.stack(captured_v, axis=1) / (FULL_SCALE_V_RMS * math.sqrt(2)),
        "sample_rate_hz": stimulus.sample_rate_hz,
        "channels": tuple(range(1, len(captured_v) + 1)),
        "v_rms_at_full_scale": (FULL_SCALE_V_RMS,) * len(captured_v),
        "scale_uncertainty": (0.002,) * len(captured_v),
        "stimulus": stimulus,
        "stimulus_start": LEAD,
        "stimulus_in_volts": True,
        "shared_clock": True,
        "over_range": (0,) * len(captured_v),
        "conditions": {"load_ohm": 8.0, "load_uncertainty": 0.01, "input_level_uncertainty": 0.003},
    }
    return Recording(**{**facts, **changes})


def _captured(stimulus: SteppedSines, noise_v_rms: float = 1e-5, seed: int = 1) -> NDArray[np.float64]:
    played = np.concatenate([np.zeros(LEAD), stimulus.samples_v(), np.zeros(4000)])
    return _unit(played) + noise_v_rms * np.random.default_rng(seed).normal(size=len(played))


def _analysed(recording: Recording, **options: Any) -> Result:
    return STEPS.analyse(recording, complete(STEPS, options))


def _steps(result: Result, channel: int = 1) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = result.channel(channel).values["steps"]
    return rows


GRID = _stimulus(frequencies_hz=(6300.0, 40.0, 1000.0), falls_db=(0.0, 20.0, 10.0))


@pytest.fixture(scope="module")
def grid() -> Result:
    return _analysed(_recording(GRID, _captured(GRID, 1e-6), _captured(GRID, 1e-4, seed=2)))


# ---------------------------------------------------------------- what is played


def test_without_frequencies_third_octaves_are_played_as_far_as_the_third_harmonic_fits() -> None:
    for rate_hz, highest_hz in ((44_100.0, 6300.0), (48_000.0, 6300.0), (96_000.0, 12_500.0), (192_000.0, 20_000.0)):
        frequencies = [hz for hz, _ in _stimulus(rate_hz).steps]
        assert frequencies[0] == pytest.approx(20.0, abs=0.1)
        assert frequencies[-1] == pytest.approx(highest_hz, rel=1e-3)
        assert len(frequencies) in (26, 29, 31)
    assert _stimulus(harmonic_limit_hz=10_000.0).steps[-1][0] == pytest.approx(3150.0, rel=1e-3)
    assert {hz for hz, _ in _stimulus(falls_db=(0.0, 10.0)).steps} == {1000.0}


def test_steps_have_whole_periods_and_quiet_ones_come_first() -> None:
    assert [round(db(level / LEVEL_V_RMS)) for _, level in GRID.steps] == [-20] * 3 + [-10] * 3 + [0] * 3
    assert GRID.level_v_rms == LEVEL_V_RMS
    for window in (*GRID.windows(), *_stimulus().windows()):
        assert window.frequency_hz is not None
        periods = window.frequency_hz * window.frames / RATE_HZ
        assert periods == pytest.approx(round(periods), abs=1e-8)
        assert round(periods) >= 20
        assert window.frames >= 0.3 * RATE_HZ
    assert GRID.windows()[0].frames == 24_000  # 20 periods of 40 Hz


def test_the_steps_are_made_again_from_their_facts_also_from_older_ones() -> None:
    facts = json.loads(json.dumps(GRID.facts()))
    assert read_stimulus(facts) == GRID
    del facts["window_periods"]
    assert isinstance(read_stimulus(facts), SteppedSines)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"frequencies_hz": (1000.0, 30_000.0)}, "can't be played"),
        ({"frequencies_hz": tuple(np.arange(100.0, 200.0)), "falls_db": tuple(np.arange(6.0))}, "500 steps"),
    ],
)
def test_steps_that_make_no_sense_are_refused(options: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        _stimulus(**options)
    with pytest.raises(RequestError, match="falls_db"):
        _stimulus(falls_db=(-3.0,))


# ---------------------------------------------------------------- closed forms


def test_each_step_is_the_closed_form_of_the_polynomial(grid: Result) -> None:
    """1 µV of noise: σ·√(ENBW/N) of a line's amplitude moves its level, the THD by that of the second; three times."""
    rows = _steps(grid)
    assert len(rows) == 9
    for row, (frequency_hz, input_v_rms) in zip(rows, GRID.steps, strict=True):
        level, second, third = _closed_form(input_v_rms)
        # 0.3 s at least.
        moved = 3 * 1e-6 * math.sqrt(35 / 18 / (0.3 * RATE_HZ)) / level
        assert row["frequency_hz"] == frequency_hz
        assert row["input_v_rms"] == input_v_rms
        assert row["level_v_rms"] == pytest.approx(level, rel=1e-6)
        assert row["level_w"] == pytest.approx(level**2 / 8.0, rel=2e-6)
        assert row["gain_db"] == pytest.approx(db(level / input_v_rms), abs=1e-5)
        assert row["thd_percent"] == pytest.approx(100 * math.hypot(second, third), rel=moved / second)
        by_order = {one["order"]: one for one in row["harmonics"]}
        assert by_order[2]["level_db"] == pytest.approx(db(second), abs=8.686 * moved / second)
        assert by_order[3]["level_db"] == pytest.approx(db(third), abs=8.686 * moved / third)
        assert not row["bound"]
        assert max(by_order) <= 5
        # 0.2 % of the scale, twice, and 1 % of the load: √(0.4² + 1²) %.
        assert row["uncertainty"]["level_w"] == pytest.approx(of_two(0.004, 0.01) * row["level_w"], rel=1e-3)
    assert not grid.warnings


def test_thd_n_is_harmonics_and_noise_of_the_band(grid: Result) -> None:
    for row in _steps(grid, 2):
        if row["frequency_hz"] > 1000.0:
            continue  # its harmonics leave the band
        level, second, third = _closed_form(row["input_v_rms"])
        noise = (1e-4 / level) ** 2 * 19_980 / 24_000
        part = second**2 + third**2 + noise
        # Noise in 6,000 bins is known to √(2.1/6,000) = 2 %, 1 % of an amplitude; three times.
        assert row["thd_n_percent"] == pytest.approx(100 * math.sqrt(part / (1 + part)), rel=0.03)


def test_the_largest_figures_say_where(grid: Result) -> None:
    values = grid.channel(1).values
    rows = _steps(grid)
    assert values["largest_thd_percent"] == max(row["thd_percent"] for row in rows)
    at = next(row for row in rows if row["thd_percent"] == values["largest_thd_percent"])
    assert values["largest_thd_at_hz"] == at["frequency_hz"]
    assert values["largest_thd_at_w"] == at["level_w"] == pytest.approx(3.125, rel=3e-3)
    assert grid.channel(1).uncertainty["largest_thd_percent"] == at["uncertainty"]["thd_percent"]
    for figure in STEPS.figures:
        assert isinstance(values[figure.key], float)


def test_the_sweep_tells_the_same_distortion_against_frequency(grid: Result) -> None:
    """Both against the closed form: steps within their uncertainty, the sweep within its noise and 0.05 dB (0.6 %)."""
    response = find("response")
    context = PlayContext(sample_rate_hz=RATE_HZ, channels=(1,), input_level_v_rms=LEVEL_V_RMS)
    sweep: Any = response.stimulus(context, complete(response, {}))
    captured = GAIN * through_polynomial(sweep, (0.0, 1.0, A2, A3))
    captured = captured + 1e-5 * np.random.default_rng(9).normal(size=len(captured))
    recording = _recording(GRID, captured, stimulus=sweep, stimulus_start=start_of(sweep))
    found = response.analyse(recording, complete(response, {}))
    _, second, third = _closed_form(LEVEL_V_RMS)
    for one, truth in zip(found.channel(1).values["harmonics"][:2], (second, third), strict=True):
        points = zip(one["frequency_hz"], one["distortion_percent"], one["noise_percent"], strict=True)
        heard = [point for point in points if point[1] is not None and 25.0 <= point[0] <= 6000.0]
        assert len(heard) > 35
        for _, percent, noise in heard:
            assert abs(percent - 100 * truth) <= noise + 0.006 * 100 * truth
    (table,) = [table for table in response.tables(found) if table.title == "Harmonic distortion from the sweep"]
    assert [row[0] for row in table.rows][:3] == [31.5, 63.0, 125.0]
    row = next(row for row in table.rows if row[0] == 1000.0)
    assert row[1:] == pytest.approx((100 * second, 100 * third), rel=0.01)
    assert "harmonics" in {chart.name for chart in response.charts(found)}
    for step in _steps(grid):
        if step["fall_db"] < 0.01:
            truth = 100 * math.hypot(second, third)
            assert abs(step["thd_percent"] - truth) <= 2 * step["uncertainty"]["thd_percent"]


def test_on_the_simulated_amplifier_through_the_session(tmp_path: Any) -> None:
    """Its file: a₂ = 4e-5/V and a₃ = −6e-7/V² at the open output, 0.16 Ω before the load of 8 Ω."""
    bench = open_bench_file(bench_file(tmp_path, rate_hz=48_000))
    options = {"frequencies_hz": (440.0, 3000.0), "falls_db": (0.0, 6.0)}
    with Session(bench) as session:
        result = session.measure(STEPS, options, output_level=Level(value=10.0, unit="W"))
    assert result.simulated
    rows = _steps(result)
    assert [round(row["fall_db"]) for row in rows] == [6, 6, 0, 0]
    assert rows[2]["level_w"] == pytest.approx(10.0, rel=0.01)
    for row in rows:
        a = row["level_v_rms"] * math.sqrt(2) * 8.16 / 8.0
        truth = 100 * math.hypot(0.5 * 4e-5 * a, 0.25 * 6e-7 * a**2)
        # Volts of the card's calibration to 0.5 %, which the closed form carries on.
        assert abs(row["thd_percent"] - truth) <= 2 * row["uncertainty"]["thd_percent"] + 0.005 * truth


# ---------------------------------------------------------------- captures made elsewhere


@pytest.mark.parametrize("ppm", [0.0, 150.0, -150.0])
def test_a_foreign_capture_is_found_by_its_steps(ppm: float) -> None:
    """Another clock, inverted, quieter, 0.7 s late, no calibration: the ratios are those of the closed form."""
    captured = np.concatenate([np.zeros(33_600), -0.5 * _unit(GRID.samples_v()), np.zeros(20_000)])
    frames = round(len(captured) * (1 + ppm * 1e-6))
    captured = np.asarray(scipy.signal.resample(captured, frames), dtype=np.float64)
    captured += 1e-6 * np.random.default_rng(3).normal(size=len(captured))
    unknown = {"stimulus_start": None, "shared_clock": False, "stimulus_in_volts": False}
    found = _analysed(_recording(GRID, captured, v_rms_at_full_scale=(None,), **unknown))
    assert not found.warnings
    assert found.conditions["alignment"] == "found by the stimulus itself"
    for row, (_, input_v_rms) in zip(_steps(found), GRID.steps, strict=True):
        _, second, third = _closed_form(input_v_rms)
        assert row["thd_db"] == pytest.approx(db(math.hypot(second, third)), abs=0.02)
        assert row["level_v_rms"] is None and row["gain_db"] is None and row["input_v_rms"] is None
    assert {chart.name for chart in STEPS.charts(found)} >= {"thd-frequency", "thd-level"}


def test_one_frequency_at_many_levels_is_found_too() -> None:
    stimulus = _stimulus(falls_db=tuple(np.arange(0.0, 30.0, 3.0)))
    captured = np.concatenate([np.zeros(50_000), _unit(stimulus.samples_v()), np.zeros(9_000)])
    captured += 1e-6 * np.random.default_rng(4).normal(size=len(captured))
    found = _analysed(_recording(stimulus, captured, stimulus_start=None, shared_clock=False))
    assert not found.warnings
    for row, (_, input_v_rms) in zip(_steps(found), stimulus.steps, strict=True):
        assert row["level_v_rms"] == pytest.approx(_closed_form(input_v_rms)[0], rel=1e-5)


def test_what_does_not_fit_is_refused_with_the_way_out() -> None:
    captured = _captured(GRID)
    foreign = {"stimulus_start": None, "shared_clock": False}
    for changes, words in (
        ({"stimulus": None}, "with stimulus FILE"),
        ({"stimulus": Silence(duration_s=1.0, sample_rate_hz=RATE_HZ)}, "'silence'"),
        ({"sample_rate_hz": 44_100.0}, "44100 Hz"),
        ({"stimulus_start": -20_000}, "cut"),
    ):
        with pytest.raises(SignalError, match=words) as error:
            _analysed(_recording(GRID, captured, **changes))
        assert "\n" not in str(error.value)
    with pytest.raises(SignalError, match="cut"):
        _analysed(_recording(GRID, captured[:90_000], **foreign))
    noise = np.random.default_rng(1).normal(size=len(captured))
    with pytest.raises(SignalError, match="not found"):
        _analysed(_recording(GRID, noise, **foreign))
    with pytest.raises(SignalError, match="silence"):
        _analysed(_recording(GRID, np.zeros(len(captured))))


# ---------------------------------------------------------------- nulls, bounds, hum


def test_no_third_harmonic_is_null_at_that_step_alone() -> None:
    stimulus = _stimulus(frequencies_hz=(1000.0, 9000.0), channels=(1,))
    found = _analysed(_recording(stimulus, _captured(stimulus), _captured(stimulus)))
    low, high = _steps(found)
    assert low["thd_percent"] is not None
    assert high["thd_percent"] is None and "use a higher rate" in high["note"]
    assert high["thd_n_percent"] is not None and [one["order"] for one in high["harmonics"]] == [2]
    assert any("9 kHz" in line and "intermodulation" in line for line in found.warnings)
    assert found.channel(1).values["largest_thd_at_hz"] == 1000.0
    assert _steps(found, 2) == []
    assert any("channel 2 was not driven" in line for line in found.warnings)


def test_an_over_range_step_of_a_file_is_null_alone() -> None:
    stimulus = _stimulus(frequencies_hz=(1000.0,), falls_db=(0.0, 20.0))
    captured = np.clip(_captured(stimulus) / 6.0, -1.0, 1.0) * FULL_SCALE_V_RMS * math.sqrt(2)
    found = _analysed(_recording(stimulus, captured, over_range=(99,)))
    quiet, loud = _steps(found)
    assert quiet["thd_percent"] is not None
    assert loud["thd_percent"] is None and loud["level_v_rms"] is None
    assert any("over-range" in line and "1 kHz" in line for line in found.warnings)


def test_what_drowns_in_noise_is_a_bound_and_drawn_hollow() -> None:
    stimulus = _stimulus(frequencies_hz=(1000.0,), falls_db=(0.0, 40.0, 60.0))
    found = _analysed(_recording(stimulus, _captured(stimulus, noise_v_rms=3e-4)))
    rows = _steps(found)
    assert [row["bound"].get("thd_percent") for row in rows] == ["at most", "at most", None]
    for row in rows[:2]:
        _, second, third = _closed_form(row["input_v_rms"])
        assert row["thd_percent"] > 100 * math.hypot(second, third)
    chart = next(chart for chart in STEPS.charts(found) if chart.name == "thd-level")
    hollow = next(one for one in chart.series if one.hollow)
    assert hollow.role == "points"
    assert list(hollow.y[:2]) == [row["thd_percent"] for row in rows[:2]]
    assert hollow.labels[:2] == ("≤", "≤")
    line = next(one for one in chart.series if one.label == "channel 1, THD")
    assert [math.isnan(value) for value in line.y] == [True, True, False]
    table = next(table for table in STEPS.tables(found) if "each step" in table.title)
    at = [column.heading for column in table.columns].index("THD")
    assert str(table.rows[0][at]).startswith("at most")
    # The largest is a bound when nothing that is known exceeds it.
    assert found.channel(1).bound["largest_thd_percent"] == "at most"


@pytest.mark.parametrize("phase_deg", [0.0, 90.0, 180.0, 270.0])
def test_hum_on_a_harmonic_widens_what_is_said(phase_deg: float) -> None:
    """100 Hz of hum, three quarters of the second harmonic of 50 Hz; the other step shows that it is there."""
    stimulus = _stimulus(frequencies_hz=(50.0, 1000.0))
    captured = _captured(stimulus)
    _, second, third = _closed_form(LEVEL_V_RMS)
    captured += sine(100.0, RATE_HZ, len(captured), peak=0.75 * second * 5.0 * math.sqrt(2), phase_deg=phase_deg)
    found = _analysed(_recording(stimulus, captured))
    at_50, at_1000 = _steps(found)
    truth = 100 * math.hypot(second, third)
    assert abs(at_50["thd_percent"] - truth) <= at_50["uncertainty"]["thd_percent"] / 0.95
    assert at_50["uncertainty"]["thd_percent"] > 0.5 * truth
    assert "hum" in at_50["note"] and at_1000["note"] is None
    assert at_1000["thd_percent"] == pytest.approx(truth, rel=2e-3)
    assert any("hum" in line and "50 Hz" in line for line in found.warnings)


def test_near_the_bench_itself_steps_are_bounds() -> None:
    stimulus = _stimulus(frequencies_hz=(1000.0,), falls_db=(0.0, 20.0))
    recording = _recording(stimulus, _captured(stimulus))
    conditions = {**recording.conditions, "bench_residual_db": {"1": -75.0}}
    quiet, loud = _steps(_analysed(dataclasses.replace(recording, conditions=conditions)))
    assert quiet["bound"]["thd_percent"] == "at most"  # −77 dB
    assert "thd_percent" not in loud["bound"]  # −57 dB


# ---------------------------------------------------------------- views


def test_views_come_from_the_stored_result_alone(grid: Result) -> None:
    text = json.dumps(grid.as_json(), allow_nan=False)
    again = result_from_json(json.loads(text))
    assert STEPS.tables(again) == STEPS.tables(grid)
    charts = {chart.name: chart for chart in STEPS.charts(again)}
    assert drawn_limits(STEPS, again) == {
        name: {f"largest_{name.rpartition('-')[0].replace('-', '_')}_percent"} for name in charts
    }
    assert set(charts) == {"thd-frequency", "thd-n-frequency", "thd-level", "thd-n-level"}
    frequency, level = charts["thd-frequency"], charts["thd-level"]
    assert frequency.x_label == "Frequency (Hz)" and level.x_label == "Output power into the load (W)"
    assert (frequency.x_scale, frequency.y_scale) == ("log", "log")
    assert [one.label for one in frequency.series[:3]] == [
        "channel 1, THD", "channel 1, 2nd harmonic", "channel 1, 3rd harmonic",
    ]  # fmt: skip
    _, second, _ = _closed_form(LEVEL_V_RMS)
    assert frequency.series[1].y == pytest.approx([100 * second] * 3, rel=2e-3)
    assert len(level.series[0].x) == 3 and list(level.series[0].x) == sorted(level.series[0].x)
    largest, first, _ = STEPS.tables(again)
    assert len(first.rows) == 9
    assert len(largest.rows) == 2
    for table in STEPS.tables(again):
        assert all(
            len(row) == len(table.columns) == len(wide)
            for row, wide in zip(table.rows, table.uncertainties, strict=True)
        )


def test_levels_are_in_volts_without_a_load_and_in_dbfs_without_volts() -> None:
    stimulus = _stimulus(frequencies_hz=(1000.0,), falls_db=(0.0, 20.0))
    recording = _recording(stimulus, _captured(stimulus), conditions={})
    (level, _) = STEPS.charts(_analysed(recording))
    assert level.x_label == "Output voltage (V r.m.s.)" and level.title.endswith("voltage")
    bare = dataclasses.replace(recording, v_rms_at_full_scale=(None,), stimulus_in_volts=False)
    (level, _) = STEPS.charts(_analysed(bare))
    assert "dBFS" in level.x_label and level.x_scale == "linear"


def test_views_of_nothing_known(grid: Result) -> None:
    empty = ChannelResult(channel=1, values={**dict.fromkeys(grid.channel(1).values), "steps": []})
    result = dataclasses.replace(grid, channels=(empty,))
    assert STEPS.charts(result) == ()
    assert STEPS.tables(result)[0].rows


def test_the_module_loads_without_numpy() -> None:
    code = "import sys, audiomeas.measurement.distortion_steps; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], timeout=60).returncode == 0


# ---------------------------------------------------------------- what spoils a step


def test_a_click_and_a_lost_frame_in_a_step_are_said_there_and_nowhere_else() -> None:
    stimulus = _stimulus(channels=(1,), frequencies_hz=(400.0, 1000.0, 2500.0))
    windows = stimulus.windows()
    captured = _captured(stimulus, 1e-5)
    captured[LEAD + windows[0].start + 5000] += 0.5
    late = LEAD + windows[2].start + 7000
    captured[late:-1] = captured[late + 1 :]
    rows = _steps(_analysed(_recording(stimulus, captured, shared_clock=False)))
    assert "a click during the step" in rows[0]["note"] and rows[0]["thd_n_percent"] is not None
    assert rows[1]["note"] is None
    # One frame of 2.5 kHz at 48 kHz is 19 degrees.
    assert "phase jumps" in rows[2]["note"] and rows[2]["thd_percent"] is None
    early = _captured(stimulus, 1e-5)
    low = LEAD + windows[0].start + 7000
    early[low:-1] = early[low + 1 :]
    # 3 degrees: less than the 0.05 rad of a live capture's check, which has its markers besides.
    first = _steps(_analysed(_recording(stimulus, early, shared_clock=False)))[0]
    assert "phase jumps" in first["note"] and first["thd_percent"] is None


def test_steps_know_the_rounding_of_their_file_and_say_what_their_uncertainty_covers() -> None:
    """16 bit without dither, 1 kHz at 48 kHz: all rounding stands on harmonics; with the step known it is a bound."""
    stimulus = _stimulus(channels=(1,), frequencies_hz=(1000.0,))
    played = np.concatenate([np.zeros(LEAD), stimulus.samples_v(), np.zeros(4000)])
    codes = np.rint(GAIN * played / (FULL_SCALE_V_RMS * math.sqrt(2)) * 32_767) / 32_767
    facts = {"counts_fs": codes[:, None], "resolution_fs": 1 / 32_767}
    result = _analysed(_recording(stimulus, played, **facts))
    (row,) = _steps(result)
    assert row["bound"]["thd_percent"] == row["bound"]["thd_n_percent"] == "at most"
    assert "not dithered" in row["note"]
    assert result.conditions["uncertainty_covers"].endswith("not the distortion of the bench itself")
