"""Switching as a person uses it: on the simulated bench while a simulated hand switches, and on other files."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benches import bench_file
from limited_axes import drawn_limits

import audiomeas
from audiomeas.bench.opened import open_bench_file
from audiomeas.errors import RequestError, SignalError, TomlProblem
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import Result, result_from_json
from audiomeas.measurement.session import Session
from audiomeas.plan.file import read_plan
from audiomeas.plan.verdict import judge_step
from audiomeas.present.charts import chart_figure
from audiomeas.present.tables import render_table
from audiomeas.recording import Recording
from audiomeas.simulation.unit import read_unit
from audiomeas.stimulus import Sine, read_stimulus
from audiomeas.stimulus.switched import SwitchedSilence

SWITCHING = find("switching")
RATE_HZ = 48_000.0
#: What the hand does, as the unit's file says it; the stream begins with silence and marker.
UNIT = """
kind = "power amplifier"
maker = "Demo"
model = "Switched amplifier"
serial = "D-0007"

[switch]
off_s = 3.0
on_s = 7.0
relay_delay_s = {delay}
off_thump_v = -0.3
click_v = 0.05
on_thump_v = 0.8
thump_decay_s = 0.005
"""
CHANNEL = "[[channel]]\ngain_db = 27.0\noutput_noise_v_rms = 3e-5\n"


def _bench(folder: Path, delay: float = 2.25) -> Path:
    text = UNIT.format(delay=delay) + 2 * CHANNEL
    (folder / "switched.toml").write_text(text, encoding="utf-8")
    return bench_file(folder, unit="switched.toml", rate_hz=48_000)


def _measured(bench: Path) -> tuple[Result, list[str], list[Recording]]:
    said: list[str] = []
    captures: list[Recording] = []

    def keep(_: Any, recording: Recording) -> None:
        captures.append(recording)

    with Session(open_bench_file(bench), say=said.append) as session:
        return session.measure(SWITCHING, {"duration_s": 10.0}, keep=keep), said, captures


@pytest.fixture(scope="module")
def switched(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, list[str], list[Recording]]:
    return _measured(_bench(tmp_path_factory.mktemp("switched")))


Switched = tuple[Result, list[str], list[Recording]]


def test_thumps_and_relay_of_a_simulated_unit(switched: Switched) -> None:
    result, said, _ = switched
    assert "switch the unit off; in the second half of the 10 s switch it on again" in said[0]
    for channel in result.channels:
        values, wide = channel.values, channel.uncertainty
        # The scale is exact here; its stated half-width (0.7 %) and the noise are far wider than what is left.
        assert abs(values["turn_off_peak_v"] - 0.3) < wide["turn_off_peak_v"] < 0.01
        assert abs(values["turn_on_peak_v"] - 0.8) < wide["turn_on_peak_v"] < 0.02
        assert abs(values["relay_delay_s"] - 2.25) < wide["relay_delay_s"] < 0.01
        # 0.8 V · 5 ms over 0.1 s, of which the card's coupling of 0.5 Hz takes up to exp(−2π · 0.5 · 0.1) = 27 % away.
        assert 0.73 * 0.04 * 0.98 < values["turn_on_dc_v"] < 0.04
        # Likewise 0.3 V downwards: how far, not which way. The card's noise of 0.2 mV in peaks hardly moves a mean.
        assert 0.73 * 0.015 * 0.98 < values["turn_off_dc_v"] < 0.0152
        assert channel.bound["turn_on_dc_v"] == channel.bound["turn_off_dc_v"] == "at least"
        assert [row["peak_v"] > 0 for row in values["thumps"]] == [False, True, True]
        assert channel.bound["noise_off_v_rms"] == "at most"
        # What the card's own 4 µV in 20 kHz make in 24 kHz, times 50: nothing is heard of a unit that is off.
        assert values["noise_off_v_rms"] == pytest.approx(50 * 4e-6 * (24 / 20) ** 0.5, rel=0.15)
    assert result.simulated


def test_the_capture_gives_the_same_again_and_the_result_its_views(switched: Switched) -> None:
    result, _, captures = switched
    options = complete(SWITCHING, {"duration_s": 10.0})
    assert SWITCHING.analyse(captures[-1], options).as_json() == result.as_json()
    stored = result_from_json(json.loads(json.dumps(result.as_json())))
    figures, first, _ = SWITCHING.tables(stored)
    assert "highest thump, switched on" in render_table(figures, width=100)
    assert "stands out for" in render_table(first)
    (chart,) = SWITCHING.charts(stored)
    assert drawn_limits(SWITCHING, stored) == {"switching": {"turn_off_peak_v", "turn_on_peak_v"}}
    assert chart.simulated
    assert max(y or 0.0 for y in chart.series[0].y) == pytest.approx(0.8, rel=0.01)
    assert chart_figure(chart).axes


@pytest.mark.wide
def test_a_unit_that_is_still_silent_at_the_end_is_no_lost_capture(tmp_path: Path) -> None:
    """Its relay has not closed by the last marker; what was heard is told."""
    result, _, captures = _measured(_bench(tmp_path, delay=60.0))
    assert captures[-1].stimulus_start is not None
    for channel in result.channels:
        assert channel.values["turn_on_peak_v"] == pytest.approx(0.05, rel=0.05)  # the click alone
        assert channel.values["relay_delay_s"] is None
    assert any("switched_on_s" in line for line in result.warnings)


def test_limits_of_a_plan_hold(switched: Switched, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(
        'title = "t"\nkind = "power amplifier"\n[[step]]\nname = "Switching"\nmeasure = "switching"\n'
        "duration_s = 10.0\n"
        '[[step.limit]]\nquantity = "turn_on_peak_v"\nat_most = 0.05\nsource = "house"\n'
        '[[step.limit]]\nquantity = "relay_delay_s"\nat_most = 8.0\nsource = "house"\n'
    )
    (step,) = read_plan(path, sample_rate_hz=RATE_HZ).steps
    rows = judge_step(step, switched[0])
    assert [(row.quantity, row.verdict) for row in rows if row.channel == 1] == [
        ("turn_on_peak_v", "fail"),
        ("relay_delay_s", "pass"),
    ]


def _file(*, seconds: float = 8.0, volts: float | None = 20.0, over: int = 0) -> Recording:
    """A capture made elsewhere: switched on at 2 s, unheard; the relay thumps at 5 s, hum and noise from 5.2 s on."""
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    draw = np.random.default_rng(4)
    counts = 1e-5 * draw.standard_normal((len(time), 1))
    counts[:, 0] += np.where(time >= 5.2, 5e-5 * draw.standard_normal(len(time)), 0.0)
    counts[:, 0] += np.where(time >= 5.0, 0.1 * np.exp(-np.maximum(time - 5.0, 0.0) / 0.003), 0.0)
    return Recording(
        counts_fs=counts,
        sample_rate_hz=RATE_HZ,
        channels=(1,),
        v_rms_at_full_scale=(volts,),
        scale_uncertainty=(0.01,) if volts else (None,),
        over_range=(over,),
    )


def test_a_capture_made_elsewhere_of_switching_on() -> None:
    options = complete(SWITCHING, {"order": "on"}, stage="analyse")
    (values,) = (channel.values for channel in SWITCHING.analyse(_file(), options).channels)
    assert values["turn_on_peak_v"] == pytest.approx(0.1 * 20.0 * 2**0.5, rel=1e-3)
    assert values["turn_on_peak_fs"] == pytest.approx(0.1, rel=1e-3)
    assert values["turn_off_peak_v"] is None
    assert values["relay_delay_s"] is None
    assert values["relay_to_signal_s"] == pytest.approx(0.2, abs=0.01)
    assert values["noise_on_v_rms"] == pytest.approx(20.0 * 2**0.5 * np.hypot(1e-5, 5e-5), rel=0.02)
    told = SWITCHING.analyse(_file(), options | {"switched_on_s": 2.0})
    assert told.channels[0].values["relay_delay_s"] == pytest.approx(3.0, abs=0.001)
    assert "relay_delay_s" not in told.channels[0].uncertainty  # of a moment that a person has said


def test_without_volts_and_over_range() -> None:
    options = complete(SWITCHING, {"order": "on"}, stage="analyse")
    plain = SWITCHING.analyse(_file(volts=None), options).channels[0]
    assert plain.values["turn_on_peak_v"] is None
    assert plain.values["turn_on_peak_fs"] == pytest.approx(0.1, rel=1e-3)
    assert plain.values["noise_on_v_rms"] is None
    over = SWITCHING.analyse(_file(over=3), options)
    assert over.channels[0].bound["turn_on_peak_v"] == "at least"
    assert any("over-range in 3 frames" in line for line in over.warnings)


def test_nothing_heard_is_a_bound_and_said() -> None:
    quiet = dataclasses.replace(_file(), counts_fs=1e-5 * np.random.default_rng(1).standard_normal((400_000, 1)))
    result = SWITCHING.analyse(quiet, complete(SWITCHING, {"order": "on"}))
    assert result.channels[0].bound["turn_on_peak_v"] == "at most"
    assert result.channels[0].values["turn_on_peak_v"] < 0.01
    assert any("no sign of switching on" in line for line in result.warnings)


def test_a_coarse_silent_capture_claims_what_its_step_hides() -> None:
    """16 bit: the signal is one value before and behind the thump; nothing of it is said to be 0 V."""
    step_fs = 2.0**-15
    coarse = dataclasses.replace(
        _file(), counts_fs=np.rint(_file().counts_fs / step_fs * 0.02) * step_fs, resolution_fs=step_fs
    )
    (channel,) = SWITCHING.analyse(coarse, complete(SWITCHING, {"order": "off-on"}, stage="analyse")).channels
    step_v = step_fs * 20.0 * 2**0.5
    assert channel.bound["turn_off_peak_v"] == "at most"
    assert channel.values["turn_off_peak_v"] == pytest.approx(2.0 * step_v)
    for key in ("noise_on_v_rms", "noise_off_v_rms"):
        assert channel.bound[key] == "at most"
        assert channel.values[key] == pytest.approx(step_v / 12**0.5)
    flat = dataclasses.replace(coarse, counts_fs=np.full_like(coarse.counts_fs, step_fs))
    with pytest.raises(SignalError, match="one value throughout"):
        SWITCHING.analyse(flat, complete(SWITCHING, {"order": "on"}, stage="analyse"))


def test_wrong_requests_are_refused(tmp_path: Path) -> None:
    options = complete(SWITCHING, {"order": "on"})
    with pytest.raises(RequestError, match="lies outside the capture"):
        SWITCHING.analyse(_file(), options | {"switched_on_s": 9.0})
    with pytest.raises(SignalError, match="at least 3 s"):
        SWITCHING.analyse(_file().window(0, 48_000), options)
    tone = Sine(frequency_hz=1000.0, level_v_rms=1.0, sample_rate_hz=RATE_HZ)
    with pytest.raises(SignalError, match="play nothing"):
        SWITCHING.analyse(dataclasses.replace(_file(), stimulus=tone, stimulus_start=0), options)
    with pytest.raises(RequestError, match="goes with order on"):
        audiomeas.measure("switching", bench=bench_file(tmp_path), order="off", switched_on_s=5.0)
    with pytest.raises(RequestError, match="takes no level"):
        audiomeas.measure("switching", bench=bench_file(tmp_path), input_level="1 V")


def test_the_stimulus_and_the_unit_file_read_back(tmp_path: Path) -> None:
    silence = SwitchedSilence(duration_s=3.0, sample_rate_hz=RATE_HZ, driven_channels=(1, 2))
    assert read_stimulus(json.loads(json.dumps(silence.facts()))) == silence
    _bench(tmp_path)
    unit = read_unit(tmp_path / "switched.toml")
    assert unit.switch is not None
    assert unit.switch.thumps == ((3.0, -0.3), (7.0, 0.05), (9.25, 0.8))
    broken = (tmp_path / "switched.toml").read_text().replace("on_s = 7.0", "on_s = 2.0")
    (tmp_path / "switched.toml").write_text(broken)
    with pytest.raises(TomlProblem, match="on_s"):
        read_unit(tmp_path / "switched.toml")
