"""A square wave as a person uses it: on the simulated bench, from files, with a loopback, and with wrong things given.

Truth: the simulated unit's corners are first-order by its file; one pole rises in ln 9/(2π · corner), tops fall between
edges as by the sum of the low corners (each far below the frequency), card and unit together.
"""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benches import bench_file

import audiomeas
from audiomeas.bench.opened import open_bench_file
from audiomeas.errors import InterlockRefusal, RequestError, SignalError
from audiomeas.measurement.api import generate
from audiomeas.measurement.attached import Attached
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import Result, result_from_json
from audiomeas.measurement.session import Session
from audiomeas.present.charts import chart_figure
from audiomeas.present.tables import render_table
from audiomeas.recording import Recording, read_recording
from audiomeas.stimulus.marker import between_markers
from audiomeas.stimulus.periodic import SquareWave
from audiomeas.units import Level

SQUARE = find("square-wave")
RATE_HZ = 48_000.0
HIGH_HZ, LOW_HZ = 4_000.0, 20.0
#: An amplifier that is slow and nothing else: one pole, one low corner.
UNIT = (
    """
kind = "power amplifier"
maker = "Demo"
model = "Slow amplifier"
serial = "D-0009"
"""
    + 2
    * (
        f"[[channel]]\ngain_db = 27.0\nlow_cuts_hz = [{LOW_HZ}]\nhigh_cuts_hz = [{HIGH_HZ}]\n"
        "output_impedance_ohm = 0.16\noutput_noise_v_rms = 3e-5\n"
    )
)


def _slow_unit(folder: Path) -> Path:
    """Return a bench on which the slow amplifier stands."""
    (folder / "slow.toml").write_text(UNIT, encoding="utf-8")
    return bench_file(folder, unit="slow.toml", rate_hz=48_000)


def _measured(bench: Path, **options: Any) -> tuple[Result, Recording]:
    captures: list[Recording] = []

    def keep(_: Any, recording: Recording) -> None:
        captures.append(recording)

    with Session(open_bench_file(bench)) as session:
        result = session.measure(SQUARE, options, input_level=Level(0.1, "V"), channels=(1,), keep=keep)
    return result, captures[-1]


@pytest.fixture(scope="module")
def slow(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Recording]:
    return _measured(_slow_unit(tmp_path_factory.mktemp("slow")), frequency_hz=500.0, window_s=0.4)


def test_the_poles_of_a_simulated_unit(slow: tuple[Result, Recording]) -> None:
    result, recording = slow
    driven, idle = result.channels
    values, wide = driven.values, driven.uncertainty
    assert (
        abs(values["unit_rise_time_us"] - 1e6 * math.log(9.0) / (2.0 * math.pi * HIGH_HZ)) < wide["unit_rise_time_us"]
    )
    assert wide["unit_rise_time_us"] < 0.06 * values["unit_rise_time_us"]
    # The card's couplings, 0.8 Hz and 0.5 Hz, are in it.
    assert abs(values["low_corner_hz"] - (LOW_HZ + 0.8 + 0.5)) < wide["low_corner_hz"] + 0.02 * LOW_HZ
    assert abs(values["tilt_percent"] - 200.0 * math.tanh(0.5 * math.pi * values["low_corner_hz"] / 500.0)) < 0.05
    assert driven.bound["overshoot_percent"] == "at most"
    assert values["ringing_hz"] is None
    assert abs(values["rise_growth_percent"]) < wide["rise_growth_percent"] + 0.1
    # 0.1 V r.m.s. of a sine have a peak of 0.1414 V; the square's top is 1/1.179 of it (Gibbs; 22 odd orders: 0.1 %),
    # twice that is its step, times 27 dB and 8/(8 + 0.16); the high cut rounds no top.
    step_v = 2.0 * 0.1 * math.sqrt(2.0) / 1.1790 * 10 ** (27.0 / 20.0) * 8.0 / 8.16
    assert values["step_v"] == pytest.approx(step_v, rel=0.02)  # by half the tilt of 13 %, of which steps are made
    assert driven.bound["slew_v_per_us"] == "at least"
    assert result.conditions["input_level_v_rms"] > 0.1  # a square has more than the sine of its peak
    assert idle.values["rise_time_us"] is None
    assert result.simulated
    assert recording.stimulus is not None


def test_the_capture_gives_the_same_again_and_the_result_its_views(slow: tuple[Result, Recording]) -> None:
    result, recording = slow
    again = SQUARE.analyse(recording, complete(SQUARE, {}))
    assert again.as_json() == result.as_json()
    stored = result_from_json(json.loads(json.dumps(result.as_json())))
    text = render_table(SQUARE.tables(stored)[0], width=100)
    assert "rise time of the unit alone" in text
    assert "No ringing was found" in text
    edge, whole = SQUARE.charts(stored)
    assert (edge.name, whole.name) == ("edge", "wave")
    assert edge.simulated
    # The middle of the edge is at 0 s, in the middle of its step.
    at_zero = float(np.interp(0.0, edge.series[0].x, [y or 0.0 for y in edge.series[0].y]))
    assert abs(at_zero) < 0.05 * result.channels[0].values["step_v"]
    assert chart_figure(edge).axes


def test_what_the_bench_adds_is_divided_out(slow: tuple[Result, Recording]) -> None:
    """A loopback of the same poles leaves an ideal edge: nothing but the band is left."""
    _, recording = slow
    loop = dataclasses.replace(recording, counts_fs=_through_card(recording), v_rms_at_full_scale=(2.0, 2.0))
    attached = Attached(name="loop.wav", sha256="0" * 64, recording=loop)
    taken = SQUARE.analyse(dataclasses.replace(loop), complete(SQUARE, {}) | {"loopback": attached})
    values = taken.channels[0].values
    assert values["rise_time_us"] == pytest.approx(values["band_rise_time_us"], rel=1e-3)
    assert taken.channels[0].bound["tilt_percent"] == "at most"
    assert taken.conditions["loopback"]["file"] == "loop.wav"
    with pytest.raises(SignalError, match="no loopback"):
        SQUARE.analyse(
            recording, complete(SQUARE, {}) | {"loopback": dataclasses.replace(attached, recording=recording)}
        )


def _through_card(recording: Recording) -> Any:
    """What was played, through one pole of 30 kHz and a coupling of 5 Hz (lines of the whole capture), with noise."""
    stimulus, start = recording.stimulus, recording.stimulus_start
    assert isinstance(stimulus, SquareWave)
    assert start is not None
    played = np.zeros(recording.frames)
    played[start : start + stimulus.frames] = stimulus.samples_v()
    hz = np.fft.rfftfreq(len(played), 1.0 / RATE_HZ)
    response = 1.0 / (1.0 + 1j * hz / 30_000.0) * (1j * hz / 5.0) / (1.0 + 1j * hz / 5.0)
    captured = np.fft.irfft(np.fft.rfft(played) * response, len(played)) / (2.0 * math.sqrt(2.0))
    noise = 1e-6 * np.random.default_rng(5).standard_normal((len(played), 2))
    return captured[:, None] + noise


def test_a_capture_by_another_clock(tmp_path: Path) -> None:
    """Written with markers, captured 80 ppm off at other moments: the spectrum of the whole, evaluated there."""
    wave = SquareWave.at_level(
        frequency_hz=1000.0, level_v_rms=0.5, sample_rate_hz=RATE_HZ, window_s=0.2, driven_channels=(1,)
    )
    path = generate(wave, tmp_path / "s.wav", markers=True)
    played = read_recording(path)
    playlist = between_markers(wave.samples_v(), RATE_HZ, marker_peak=wave.peak_v)
    hz = np.fft.rfftfreq(len(playlist.samples), 1.0 / RATE_HZ)
    pole = np.fft.irfft(np.fft.rfft(playlist.samples) / (1.0 + 1j * hz / 4_000.0), len(playlist.samples))
    # A spline of the seventh degree through four times the rate (scipy) errs by 7e-8 there (see foreign_clocks).
    from scipy.interpolate import make_interp_spline
    from scipy.signal import resample

    dense = resample(pole, 4 * len(pole))
    ticks = 0.3 + np.arange(len(pole) - 8) * (1.0 + 80e-6)
    heard = make_interp_spline(np.arange(len(dense)) / 4.0, dense, k=7)(ticks[ticks < len(pole) - 1])
    counts = np.concatenate([np.zeros(5000), heard / (2.0 * math.sqrt(2.0)), np.zeros(5000)])
    counts += 1e-6 * np.random.default_rng(3).standard_normal(len(counts))
    foreign = dataclasses.replace(
        played,
        counts_fs=np.stack([counts, 0.0 * counts], axis=1),
        stimulus_start=None,
        shared_clock=False,
    )
    result = SQUARE.analyse(foreign, complete(SQUARE, {}))
    values = result.channels[0].values
    # The playing clock is faster by 80 ppm, so its tones come higher.
    assert result.conditions["clock_offset_ppm"] == pytest.approx(80.0, abs=0.5)
    assert values["unit_rise_time_us"] == pytest.approx(1e6 * math.log(9.0) / (2.0 * math.pi * 4_000.0), rel=0.05)
    assert values["step_v"] is None
    with pytest.raises(SignalError, match="play it with its markers"):
        SQUARE.analyse(dataclasses.replace(foreign, markers=None), complete(SQUARE, {}))
    with pytest.raises(SignalError, match=r"marker before the wave was not found|cut"):
        SQUARE.analyse(foreign.window(30_000, foreign.frames), complete(SQUARE, {}))


def test_wrong_captures_give_no_number(slow: tuple[Result, Recording]) -> None:
    _, recording = slow
    options = complete(SQUARE, {})
    with pytest.raises(SignalError, match="generate square-wave"):
        SQUARE.analyse(dataclasses.replace(recording, stimulus=None), options)
    with pytest.raises(SignalError, match="over-range"):
        SQUARE.analyse(dataclasses.replace(recording, over_range=(5, 0)), options)
    with pytest.raises(SignalError, match="cut"):
        SQUARE.analyse(recording.window(0, recording.frames // 2), options)
    noise = np.random.default_rng(1).standard_normal(recording.counts_fs.shape)
    with pytest.raises(SignalError, match="stands clear of the noise"):
        SQUARE.analyse(dataclasses.replace(recording, counts_fs=1e-2 * noise), options)


def test_the_true_level_meets_the_ceiling(tmp_path: Path) -> None:
    """150 mV of a sine may go into this unit, which allows 160; its square has the same peak and 178 mV r.m.s."""
    bench = _slow_unit(tmp_path)
    bench.write_text(bench.read_text().replace("input_v_rms = 2.0", "input_v_rms = 0.16"))
    with (
        Session(open_bench_file(bench)) as session,
        pytest.raises(InterlockRefusal, match=r"0\.178 V.*ceiling 0\.16 V"),
    ):
        session.measure(SQUARE, {}, input_level=Level(0.15, "V"))


def test_what_can_never_be_played_is_refused_before_any_sound(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="fewer than 5 odd harmonics"):
        audiomeas.measure("square-wave", bench=bench_file(tmp_path), input_level="10 mV", frequency_hz=12_000.0)
