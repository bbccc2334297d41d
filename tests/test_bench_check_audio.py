"""`bench check` on a real audio path: each fault is set up in a sound server or a unit in the loop, and found.

PulseAudio makes what desktops do (rate, bits, mono, volume, swapped channels, another program); what a server does not
do by itself, a unit in the loop under JACK does. Everything takes its real time, so most of it is `wide`.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys

import audio_path
import pytest
from audio_path import jack_server, unit_in_loop
from test_session_audio import bench_on, command_over_pulse

from audiomeas.bench.opened import open_bench_file
from audiomeas.measurement.bench_check import check_bench
from audiomeas.measurement.session import Session

pytestmark = pytest.mark.audio


def checked(path):
    with Session(open_bench_file(path)) as session:
        return check_bench(session, connected="cable")


def found_words(report):
    return [f"{finding.check}: {finding.text}" for finding in report.found]


@pytest.fixture(scope="module")
def jack_48k():
    with jack_server(48_000) as server:
        yield server


#: How often the honest path is checked in a wide run; each takes 14 s.
HONEST_RUNS = 6
#: A busy machine may lose blocks three times in a row: then that refusal is right, and says nothing of the check.
LATE = "the driver reported"


@pytest.mark.wide
@pytest.mark.parametrize("rate_hz", [48_000, 96_000, 192_000])
def test_an_honest_path_has_no_finding(tmp_path, rate_hz):
    path = bench_on(tmp_path, rate_hz)
    whole = 0
    with jack_server(rate_hz) as server, unit_in_loop(server, noise_rms_fs=2e-6):
        for _ in range(HONEST_RUNS if rate_hz == 48_000 else 1):
            words = found_words(checked(path))
            assert all(LATE in line for line in words), words
            whole += not words
    print(f"{whole} honest checks at {rate_hz} Hz found nothing")
    assert whole > 0


#: What is set up in the unit: (law, words of which one must be in a finding).
UNITS = {
    "inverted": ({"gain": [-1.0, -1.0]}, ["polarity: channel 1 and 2: inverted"]),
    "swapped": ({"swap": True}, ["channels are swapped"]),
    "gain control": ({"fault": "gain_control"}, ["gain control"]),
    "gate": ({"fault": "gate"}, ["gate"]),
    "limiter": ({"fault": "limiter"}, ["a limiter"]),
    "blocks dropped and repeated": ({"slip_every": 31}, ["samples were lost or repeated", "dropped or repeated"]),
    "buffers of no numbers": ({"broken": "nan"}, ["no numbers"]),
    "buffers of stale memory": ({"broken": "memory"}, ["no numbers", "unwritten memory"]),
}
#: In each run: what is refused at the first look, in seconds.
SHORT = {"buffers of stale memory"}


@pytest.mark.parametrize("fault", [pytest.param(f, marks=[] if f in SHORT else pytest.mark.wide) for f in UNITS])
def test_each_fault_of_a_unit_in_the_loop_is_found(jack_48k, tmp_path, fault):
    law, words = UNITS[fault]
    with unit_in_loop(jack_48k, **{"noise_rms_fs": 2e-6, **law}):
        found = found_words(checked(bench_on(tmp_path, 48_000)))
    print(fault, found)
    assert any(word in line for word in words for line in found), found


@contextlib.contextmanager
def another_program(environment):
    """A program of its own that plays a 1 kHz tone of -6 dBFS into the same sink."""
    command = [
        sys.executable,
        str(audio_path.HERE / "audio_player.py"),
        "pulse",
        "ALSA",
        "--seconds",
        "60",
        "--lead",
        "0",
    ]
    process = subprocess.Popen(
        command, env=os.environ | environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stderr.readline() == "playing\n"
        yield
    finally:
        audio_path.end(process)


SWAPPED_SINK = (
    "load-module module-remap-sink sink_name=swapped master=loop channels=2 channel_map=front-left,front-right "
    "master_channel_map=front-right,front-left remix=no\nset-default-sink swapped"
)
#: What the server is told: (sink's rate, its settings, words of which one must be said; a refusal counts by its own).
SERVERS = {
    "resampler": (
        44_100,
        {},
        ["resampler at 44100", "no numbers", "unwritten memory", "lost", "came back", "moved no"],
    ),
    "16 bits": (48_000, {"sample_format": "s16le"}, ["16 bits"]),
    "mono": (48_000, {"channels": 1}, ["mono"]),
    "volume at 90 %": (48_000, {"more": "set-sink-volume loop 58982"}, ["-2.7 dB of gain", "-2.8 dB of gain"]),
    "swapped": (48_000, {"more": SWAPPED_SINK}, ["channels are swapped"]),
    "another program": (48_000, {"beside": another_program}, ["another program"]),
}


@pytest.mark.wide
@pytest.mark.parametrize("fault", SERVERS)
def test_each_fault_of_a_sound_server_is_found(tmp_path, fault):
    rate_hz, server, words = SERVERS[fault]
    for _ in range(3):
        status, out, err = command_over_pulse(
            tmp_path, rate_hz, "bench", "check", "--connected", "cable", "--json", **server
        )
        rows = json.loads(out)["findings"] if out else []
        found = [f"{row['check']}: {row['text']}" for row in rows if row["state"] == "found"]
        did_not_start = (
            not rows and "moved no samples" in err
        )  # nor does the server start each stream on a busy machine
        if fault == "resampler" or not (did_not_start or any(LATE in line for line in found)):
            break
        shutil.rmtree(tmp_path / "pulse", ignore_errors=True)
    print(fault, status, found, err.splitlines()[-1:])
    assert status == 3
    assert any(word in line for word in words for line in (*found, err)), (found, err)
