"""The whole road over a real full-duplex path: PortAudio, JACK, and a unit in the loop whose law is known."""

from __future__ import annotations

import contextlib
import functools
import json
import math
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from audio_path import jack_server, pulse_server, unit_in_loop
from benches import CALIBRATION

import audiomeas
from audiomeas.bench.opened import open_bench_file
from audiomeas.errors import CaptureError
from audiomeas.measurement.session import Session
from audiomeas.stimulus import Sine

pytestmark = pytest.mark.audio

BENCH = """
name = "Loop through the sound server"
calibration = "loop.toml"
[interface]
kind = "soundcard"
name = "{name}"
host_api = "JACK Audio Connection Kit"
sample_rate_hz = {rate_hz}
sample_format = "float32"
block_frames = 1024
[[input]]
channel = 1
range = "direct"
[[input]]
channel = 2
range = "direct"
[limits]
input_v_rms = 2.0
output_v_rms = 2.0
highest_gain_db = 10
[usual]
input_level = "0.5 V"
"""


def bench_on(folder: Path, rate_hz: int, name: str = "unit") -> Path:
    """Write a bench for the loop: 2 V r.m.s. at full scale both ways, so volts out are volts in times the gain."""
    text = CALIBRATION.read_text().replace('"Simulated card"', f'"{name}"')
    (folder / "loop.toml").write_text(text.replace('"simulation"', '"JACK Audio Connection Kit"'))
    path = folder / "bench.toml"
    path.write_text(BENCH.format(name=name, rate_hz=rate_hz))
    return path


def tone(rate_hz, level_v_rms=0.5, window_s=0.1):
    return Sine.bin_centred(
        frequency_hz=997.0, level_v_rms=level_v_rms, sample_rate_hz=float(rate_hz), window_s=window_s, settle_s=0.1
    )


def window_of(recording, column):
    (window,) = recording.stimulus.windows()
    start = recording.stimulus_start
    return recording.signal(column)[start + window.start : start + window.stop]


@pytest.fixture(scope="module")
def jack_48k():
    with jack_server(48_000) as server:
        yield server


def unbroken(act, times=4):
    """Return act(). Where a busy machine lost blocks in all three tries of a capture, it is done again, as by hand."""
    for left in reversed(range(times)):
        try:
            return act()
        except CaptureError as error:  # the refusal is right
            if left == 0 or "tries" not in str(error):
                raise
    raise AssertionError("not reached")


#: Starts at each rate: in each run, and (as the issue asks) when the wider tests are asked for.
STARTS = [(48_000, 3), *(pytest.param(rate, 20, marks=pytest.mark.wide) for rate in (48_000, 96_000))]


@pytest.mark.parametrize(("rate_hz", "number"), STARTS)
def test_level_residual_and_alignment(tmp_path, rate_hz, number):
    gains = (0.5, -0.8)
    path = bench_on(tmp_path, rate_hz)
    with jack_server(rate_hz) as server, unit_in_loop(server, gain=list(gains)):
        session = Session(open_bench_file(path))
        look = unbroken(session.first_look)
        assert look.polarity == {1: 1, 2: -1}
        stimulus = tone(rate_hz)
        starts = []
        for _ in range(number):
            recording = unbroken(lambda: session.record(stimulus))
            latency = recording.conditions["latency_frames"]
            assert latency == pytest.approx(round(latency), abs=0.01)
            starts.append(round(latency))
            wanted = stimulus.samples_v()
            for column, gain in enumerate(gains):
                got = recording.signal(column)[recording.stimulus_start :][: len(wanted)]
                # Exact to the frame: the difference from the law itself is rounding to float32 only, below −120 dB.
                residual = np.sqrt(np.mean((got - gain * wanted) ** 2)) / (abs(gain) * 0.5)
                assert 20 * math.log10(residual) < -120
                level = np.sqrt(np.mean(window_of(recording, column) ** 2))
                # 0.001 dB is 0.0115 %: the figure.
                assert 20 * math.log10(level / (0.5 * abs(gain))) == pytest.approx(0.0, abs=0.001)
        assert len(starts) == number
        print(f"latencies of {number} starts at {rate_hz} Hz: {sorted(set(starts))}")


def test_response_watts_and_a_chart_over_the_sound_server(jack_48k, tmp_path):
    """The main job itself: the unit in the loop is flat by construction, so gain and watts are known."""
    gains = (0.5, 0.4)
    path = bench_on(tmp_path, 48_000)
    loads = "".join(f"[[load]]\nchannel = {n}\nresistance_ohm = 8.0\nrated_w = 5\n" for n in (1, 2))
    path.write_text(path.read_text().replace("[limits]", loads + "[limits]"))
    with unit_in_loop(jack_48k, gain=list(gains)):
        response, tone_result = (
            unbroken(functools.partial(audiomeas.measure, word, bench=path, input_level="0.5 V"))
            for word in ("response", "distortion")
        )
    for channel, gain in enumerate(gains, start=1):
        gain_db = np.array(response.channel(channel).values["gain_db"])
        # Flat within the 0.003 dB that a clean capture through a linear chain must reach (issue 3).
        assert np.max(np.abs(gain_db - 20 * math.log10(gain))) < 0.003
        # P = U²/R of the unit's own volts; 0.001 dB of level is 0.023 % of power.
        expected_w = (0.5 * gain) ** 2 / 8.0
        assert tone_result.channel(channel).values["level_w"] == pytest.approx(expected_w, rel=2.3e-4)
    assert not response.simulated
    chart = audiomeas.chart(response, tmp_path / "response.svg")
    assert "SIMULATED" not in chart.read_text()


def test_a_dead_unit_and_a_lost_block(jack_48k, tmp_path):
    path = bench_on(tmp_path, 48_000)
    with unit_in_loop(jack_48k, gain=[0.0, 0.0]), pytest.raises(CaptureError, match="nothing of what was played"):
        unbroken(Session(open_bench_file(path)).first_look)
    with unit_in_loop(jack_48k, lost_block=20):
        session = Session(open_bench_file(path))
        # The first look loses a block of its own, is refused, and taken again: the unit loses only one.
        unbroken(session.first_look)
        assert unbroken(lambda: session.record(tone(48_000))).stimulus_start is not None


def test_buffers_that_are_no_numbers_are_refused(jack_48k, tmp_path):
    path = bench_on(tmp_path, 48_000)
    with unit_in_loop(jack_48k, not_a_number_block=20):
        said = []
        session = Session(open_bench_file(path), say=said.append)
        unbroken(session.first_look)  # the second try is clean
        assert any("no numbers" in line for line in said), said


def test_an_absent_unit_is_named_with_what_is_there(jack_48k, tmp_path):
    from audiomeas.errors import DeviceError

    path = bench_on(tmp_path, 48_000, name="another")
    with unit_in_loop(jack_48k), pytest.raises(DeviceError, match="another"):
        Session(open_bench_file(path)).first_look()


def test_the_wrong_rate_is_refused(jack_48k, tmp_path):
    from audiomeas.errors import DeviceError

    path = bench_on(tmp_path, 44_100)
    with unit_in_loop(jack_48k), pytest.raises(DeviceError, match="44100"):
        Session(open_bench_file(path)).first_look()


def command_over_pulse(folder, sink_rate_hz, *arguments, beside=None, **server):
    """Run `audiomeas` as a process of its own on a private PulseAudio; return (status, stdout, stderr).

    beside : a context manager on the server's environment, alive meanwhile (another program).
    """
    path = bench_on(folder, 48_000, name="pulse")
    text = path.read_text().replace("JACK Audio Connection Kit", "ALSA").replace("block_frames = 1024", "")
    path.write_text(text)
    (folder / "loop.toml").write_text((folder / "loop.toml").read_text().replace("JACK Audio Connection Kit", "ALSA"))
    with (
        pulse_server(folder, rate_hz=sink_rate_hz, **server) as pulse,
        (beside or (lambda _: contextlib.nullcontext()))(pulse.environment),
    ):
        done = subprocess.run(
            [sys.executable, "-m", "audiomeas", *arguments, "--bench", str(path)],
            capture_output=True, text=True, cwd=folder, timeout=120, env={**os.environ, **pulse.environment},
        )  # fmt: skip
    return done.returncode, done.stdout, done.stderr


def test_a_desktops_sound_server_at_equal_rates(tmp_path):
    """Start-up flags and an unknown latency are survived; the monitor of a null sink gives back what was played."""
    command = ["measure", "distortion", "--input-level", "0.5 V", "--json"]
    for _ in range(
        3
    ):  # a busy machine may lose blocks three times in a row, as at any bench: then the refusal is right
        status, out, err = command_over_pulse(tmp_path, 48_000, *command)
        if status == 0:
            break
        assert status == 3
        assert "tries" in err or "stayed so" in err  # all that was still to come may be what it lost
        shutil.rmtree(tmp_path / "pulse", ignore_errors=True)
    assert status == 0, err
    for channel in json.loads(out)["channels"]:
        # 0.5 V within 0.001 dB: the figure.
        assert 20 * math.log10(channel["level_v_rms"] / 0.5) == pytest.approx(0.0, abs=0.001)
        assert channel["thd_n_db"] < -120


def test_a_resampling_sound_server_is_refused_or_said(tmp_path):
    """A 44.1 kHz sink under a 48 kHz request: lost audio, NaN, garbage. Never a number without a word, never a mess."""
    command = ["measure", "distortion", "--input-level", "0.5 V", "--json"]
    status, out, err = command_over_pulse(tmp_path, 44_100, *command)
    lines = [line for line in err.splitlines() if line.startswith("audiomeas: ")]
    assert "Traceback" not in err
    assert "ALSA lib" not in err
    assert "PaAlsa" not in err
    if status == 0:  # it may hold together long enough: then the level is right, or a warning stands beside it
        data = json.loads(out)
        for channel in data["channels"]:
            right = abs(20 * math.log10(channel["level_v_rms"] / 0.5)) < 0.05
            assert right or data["warnings"]
    else:
        assert status == 3
        assert len(lines) == 1
