"""A soak in real time over a real full-duplex path, JACK with a unit in the loop. Truth: the unit's own law."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest
from audio_path import jack_server, unit_in_loop
from test_session_audio import bench_on

import audiomeas
from audiomeas.measurement.soak_lines import is_of_bench
from audiomeas.record.soak_log import LOG_FILE, read_log

pytestmark = [pytest.mark.audio, pytest.mark.wide]

RATE_HZ = 48_000
GAINS = (0.9, 0.8)
#: Of sound; half an hour of it is run by hand.
SECONDS = 20.0


def test_each_second_of_a_real_stream_is_in_the_log(tmp_path):
    with jack_server(RATE_HZ) as server, unit_in_loop(server, gain=list(GAINS)):
        outcome = audiomeas.soak(
            unit="Demo amplifier A, serial D-0001",
            hours=SECONDS / 3600.0,
            input_level="0.2 V",
            spot_minutes=0.0,
            bench=bench_on(tmp_path, RATE_HZ),
            records=tmp_path / "records",
        )
    lines = list(read_log(outcome.visit.step("Soak").folder / LOG_FILE))
    seconds = [one for one in lines if one["line"] == "second"]
    assert sum(one["state"] == "playing" for one in seconds) == SECONDS
    playing = [one for one in seconds if one["state"] == "playing"]
    # Volts out are volts in times the gain; float32 rounds by 6e-8. A flagged second on a busy machine may hold a gap.
    for channel, gain in enumerate(GAINS):
        levels = sorted(one["channels"][channel]["level_v_rms"] for one in playing)
        assert levels[len(levels) // 2] == pytest.approx(0.2 * gain, rel=1e-5)
    # What happened is the busy machine's alone, and told as such; lost samples may look like a drop-out.
    found = {one["kind"] for one in lines if one["line"] == "event"}
    assert not any(is_of_bench(kind) for kind in found) or outcome.verdict != "pass"
    if not found:
        assert [one["after_s"] for one in seconds] == [float(n) for n in range(1, len(seconds) + 1)]


def test_memory_is_flat_over_spot_measurements(tmp_path):
    """Of the command, from the first second of sound to the last one. Issue 10's limit; the kernel says what it holds.

    Twelve minutes and half an hour are run by hand (minutes, and spots of minutes, instead of these).
    """
    records = tmp_path / "records"
    with jack_server(RATE_HZ) as server, unit_in_loop(server, gain=list(GAINS), noise_rms_fs=1e-6):
        command = [sys.executable, "-m", "audiomeas", "soak", "--bench", str(bench_on(tmp_path, RATE_HZ))]
        command += ["--unit", "Demo amplifier A, serial D-0001", "--hours", "0.015", "--input-level", "0.2 V"]
        command += ["--spot-minutes", "0.3", "--loudspeakers", "none", "--records", str(records)]
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE)
        held_mb = []
        while process.poll() is None and (log := _newest_log(records)) is None:
            time.sleep(0.1)
        while process.poll() is None and '"line": "end"' not in log.read_text():
            if '"line": "second"' in log.read_text():
                status = Path(f"/proc/{process.pid}/status").read_text()
                held_mb.append(float(status.split("VmRSS:")[1].split()[0]) / 1024.0)
            time.sleep(0.1)
        process.communicate()
    spots = [one for one in read_log(log) if "spots" in one]
    assert len(spots) >= 3
    assert len(held_mb) > 100
    assert max(held_mb) - min(held_mb) < 5.0


def _newest_log(records):
    return next(iter(records.glob(f"*/2*/*/{LOG_FILE}")), None)
