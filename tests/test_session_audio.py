"""The whole road over a real full-duplex path: PortAudio, JACK, and a unit in the loop whose law is known."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from audio_path import jack_server, unit_in_loop
from benches import CALIBRATION

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


def tone(rate_hz, level_v_rms=0.5, window_s=0.5):
    return Sine.bin_centred(
        frequency_hz=997.0, level_v_rms=level_v_rms, sample_rate_hz=float(rate_hz), window_s=window_s, settle_s=0.1
    )


def window_of(recording, column):
    (window,) = recording.stimulus.windows()
    start = recording.stimulus_start
    return recording.signal(column)[start + window.start : start + window.stop]


@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
def test_level_residual_and_alignment(tmp_path, rate_hz):
    gains = (0.5, -0.8)
    path = bench_on(tmp_path, rate_hz)
    with jack_server(rate_hz) as server, unit_in_loop(server, gain=list(gains)):
        session = Session(open_bench_file(path))
        look = session.first_look()
        assert look.polarity == {1: 1, 2: -1}
        stimulus = tone(rate_hz)
        starts = []
        for _ in range(20):
            recording = session.record(stimulus)
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
        assert len(starts) == 20
        print(f"latencies of 20 starts at {rate_hz} Hz: {sorted(set(starts))}")


def test_a_dead_unit_and_a_lost_block(tmp_path):
    path = bench_on(tmp_path, 48_000)
    with jack_server(48_000) as server:
        with unit_in_loop(server, gain=[0.0, 0.0]), pytest.raises(CaptureError, match="nothing of what was played"):
            Session(open_bench_file(path)).first_look()
        with unit_in_loop(server, lost_block=20):
            session = Session(open_bench_file(path))
            # The first look loses a block of its own, is refused, and taken again: the unit loses only one.
            session.first_look()
            assert session.record(tone(48_000)).stimulus_start is not None


def test_buffers_that_are_no_numbers_are_refused(tmp_path):
    path = bench_on(tmp_path, 48_000)
    with jack_server(48_000) as server, unit_in_loop(server, not_a_number_block=20):
        said = []
        session = Session(open_bench_file(path), say=said.append)
        session.first_look()  # the second try is clean
        assert any("no numbers" in line for line in said), said


def test_an_absent_unit_is_named_with_what_is_there(tmp_path):
    from audiomeas.errors import DeviceError

    path = bench_on(tmp_path, 48_000, name="another")
    with jack_server(48_000) as server, unit_in_loop(server), pytest.raises(DeviceError, match="another"):
        Session(open_bench_file(path)).first_look()


def test_the_wrong_rate_is_refused(tmp_path):
    from audiomeas.errors import DeviceError

    path = bench_on(tmp_path, 44_100)
    with jack_server(48_000) as server, unit_in_loop(server), pytest.raises(DeviceError, match="44100"):
        Session(open_bench_file(path)).first_look()
