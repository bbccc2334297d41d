"""`live` over a real full-duplex path, JACK with a unit in the loop: through a terminal, in lines, and in Python.

What the unit was given to hear is the truth: its samples as they came, judged by numpy and scipy alone.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import math
import os
import shlex
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from audio_path import jack_server, unit_in_loop
from scipy.signal import windows
from test_session_audio import bench_on
from tests_support import require

from audiomeas.bench.opened import open_bench_file
from audiomeas.interface.transport import FADE_S
from audiomeas.measurement.live import opened_knob
from audiomeas.measurement.session import Session

pytestmark = pytest.mark.audio

RATE_HZ = 48_000
#: So long a test waits for what comes within two seconds, on a busy machine.
LONGEST_S = 60.0
_number = itertools.count()


@pytest.fixture(scope="module")
def jack_48k():
    with jack_server(RATE_HZ) as server:
        yield server


class Terminal:
    """A terminal of its own (tmux): keys in, text out. `shown` says what stands on its screen."""

    def __init__(self, folder: Path, command: list[str]) -> None:
        self._tmux = [require("tmux"), "-L", f"audiomeas-{os.getpid()}-{next(_number)}", "-f", "/dev/null"]
        number = next(_number)
        self.said, self._status = folder / f"said-{number}", folder / f"status-{number}"
        # The shell gets Ctrl-C too, and must live to write the status down.
        runs = f"{shlex.join(command)} 2>{self.said.name}; echo $? >{self._status.name}"
        line = f"trap : INT; cd {shlex.quote(str(folder))}; {runs}; sleep 600"
        self._run("new-session", "-d", "-x", "100", "-y", "40", f"sh -c {shlex.quote(line)}")

    def _run(self, *arguments: str) -> str:
        return subprocess.run([*self._tmux, *arguments], check=True, capture_output=True, text=True).stdout

    def press(self, *keys: str) -> None:
        self._run("send-keys", *keys)

    def shown(self) -> str:
        return self._run("capture-pane", "-p")

    @property
    def ended(self) -> bool:
        return self._status.exists() and bool(self._status.read_text())

    def wait_for(self, words: str) -> None:
        until(lambda: self.ended or words in self.shown(), f"{words!r} on the screen")
        assert not self.ended, self.said.read_text()

    def status(self) -> int:
        """Wait for its end, and return the exit status."""
        until(lambda: self.ended, "its end")
        return int(self._status.read_text())

    def end(self) -> None:
        with contextlib.suppress(subprocess.CalledProcessError):  # it may have ended by itself
            self._run("kill-server")


@contextlib.contextmanager
def terminal(folder: Path, command: list[str]):
    """Run a command in a terminal until it stands there muted.

    A busy machine may lose blocks in all three tries of the first look: then the refusal is right, and it starts again.
    """
    for _ in range(3):
        shown = Terminal(folder, command)
        try:
            until(lambda: shown.ended or "MUTED" in shown.shown(), "the first screen")  # noqa: B023 – used at once
            if shown.ended and "tries" in shown.said.read_text():
                continue
            assert not shown.ended, shown.said.read_text()
            yield shown
            return
        finally:
            shown.end()
    pytest.fail("three starts in a row were refused for lost blocks")


def until(found, what: str):
    """Wait until a function returns something, and return that."""
    until_s = time.monotonic() + LONGEST_S
    while not (it := found()):
        assert time.monotonic() < until_s, f"waited in vain for {what}"
        time.sleep(0.05)
    return it


def live_command(path: Path, *more: str) -> list[str]:
    return ["live", "--bench", str(path), "--input-level", "0.2 V", "--loudspeakers", "none", *more]


def level_over_time(samples, frequency_hz=1000.0):
    """R.m.s. of a tone over 10 ms (whole periods), frame by frame: moving means of its two projections."""
    turning = np.exp(-2j * np.pi * np.arange(len(samples)) * frequency_hz / RATE_HZ)
    frames = RATE_HZ // 100
    sums = np.concatenate([[0.0], np.cumsum(samples * turning)])
    return np.abs(sums[frames:] - sums[:-frames]) / frames * math.sqrt(2.0)


def outside_db(samples, frequency_hz=1000.0, width_hz=25.0):
    """Power farther than width_hz from a tone, relative to the tone's (see tests/test_live_tone.py)."""
    power = np.abs(np.fft.rfft(samples * windows.kaiser(len(samples), 24.0))) ** 2
    near = np.abs(np.fft.rfftfreq(len(samples), 1.0 / RATE_HZ) - frequency_hz) <= width_hz
    return 10.0 * np.log10(np.sum(power[~near]) / np.sum(power[near]))


def last_tone(heard):
    """The last stretch of sound in what was heard: the tone, with the silence that ends it."""
    loud = np.flatnonzero(np.abs(heard[:, 0]) > 0.0)
    assert len(loud), "nothing was heard"
    gaps = np.flatnonzero(np.diff(loud) > RATE_HZ // 10)
    return heard[loud[gaps[-1] + 1] if len(gaps) else loud[0] : loud[-1] + RATE_HZ // 100, 0].astype(np.float64)


def assert_ends_in_silence(heard):
    """It ends before the unit does, and falls like a fade of 20 ms: no step larger than tone and fade make."""
    assert not np.any(heard[-RATE_HZ // 20 :])
    tone = last_tone(heard)
    peak = np.max(np.abs(tone))
    largest = peak * (2 * np.pi * 1_000 / RATE_HZ + np.pi / 2 / (FADE_S * RATE_HZ)) * 1.01
    assert np.max(np.abs(np.diff(tone))) < largest
    return tone


def test_the_knob_on_the_screen(jack_48k, tmp_path):
    """Keys through a terminal: what the unit hears steps by 0.1 dB without a click, and Ctrl-C ends in silence."""
    path, heard_file = bench_on(tmp_path, RATE_HZ), tmp_path / "heard"
    command = [sys.executable, "-m", "audiomeas", *live_command(path)]
    with unit_in_loop(jack_48k, gain=[0.5, 0.5], heard=heard_file) as unit:
        with terminal(tmp_path, command) as screen:
            screen.press("Space")
            screen.wait_for("SOUNDING on channels 1 and 2")
            screen.wait_for("gain −6.02 dB")  # half, by the unit's law
            time.sleep(1.0)
            screen.press("Up")
            time.sleep(0.25)
            screen.press("C-c")
            assert screen.status() == 130
        heard = unit.heard()
    tone = assert_ends_in_silence(heard)
    level = level_over_time(tone)
    # 0.2 V of 2 V r.m.s. at full scale (peak 1): 0.1 · 0.7071.
    before, after = 0.1 * math.sqrt(0.5), 0.1 * math.sqrt(0.5) * 10 ** (0.1 / 20)
    steps = np.flatnonzero(level > math.sqrt(before * after))
    assert len(steps), "the step was not heard before Ctrl-C, 250 ms later"
    middle = steps[0]
    assert np.max(level) == pytest.approx(after, rel=1e-4)
    assert level[middle - RATE_HZ // 4] == pytest.approx(before, rel=1e-4)
    # Half a second around the step, without the end: nothing above −90 dB outside the tone.
    fades = np.flatnonzero(level > 0.999 * after)[-1]
    reach = min(fades - middle, RATE_HZ // 4)
    assert reach > RATE_HZ // 20
    assert outside_db(tone[middle - RATE_HZ // 4 : middle + reach]) < -90.0


@pytest.mark.wide
def test_a_level_change_comes_back_within_250_ms(jack_48k, tmp_path):
    """Counted in frames of the stream, so that a slow machine changes nothing: the whole loop, unit and all."""
    path = bench_on(tmp_path, RATE_HZ)
    lags_s = []
    with (
        unit_in_loop(jack_48k),
        Session(open_bench_file(path)) as session,
        opened_knob(session, level_v_rms=0.2) as knob,
    ):
        knob.unmute()
        until(lambda: (reading := knob.reading()) is not None and reading.settled, "a settled reading")
        for step_db in (0.1, -0.1, 1.0, -1.0):
            start, wanted = knob._transport.position, knob.wish.level_v_rms * 10 ** (step_db / 20) / 2.0
            knob.raise_db(step_db)
            knob.wait(0.6)
            heard = knob._transport.newest(RATE_HZ)
            level = level_over_time(heard.samples[:, 0].astype(np.float64)) / math.sqrt(0.5)
            # There for good: within a hundredth of the step.
            away = np.abs(20 * np.log10(level / wanted)) > 0.01 * abs(step_db)
            lags_s.append((heard.start + np.flatnonzero(away)[-1] + RATE_HZ // 100 - start) / RATE_HZ)
    print(f"level changes came back after {', '.join(f'{1000 * lag:.0f}' for lag in lags_s)} ms")
    assert max(lags_s) < 0.25


@pytest.mark.wide
@pytest.mark.parametrize("key", ["q", "C-c", "C-z"])
def test_each_way_out_of_the_screen_is_silent(jack_48k, tmp_path, key):
    path, heard_file = bench_on(tmp_path, RATE_HZ), tmp_path / "heard"
    command = [sys.executable, "-m", "audiomeas", *live_command(path)]
    with unit_in_loop(jack_48k, heard=heard_file) as unit:
        with terminal(tmp_path, command) as screen:
            screen.press("Space")
            screen.wait_for("gain 0.00 dB")
            screen.press(key)
            if key != "C-z":
                assert screen.status() == {"q": 0, "C-c": 130}[key]
            time.sleep(0.5)
        heard = unit.heard()
    assert_ends_in_silence(heard)


@pytest.mark.wide  # tests/test_live.py does it on the simulated bench
def test_a_killed_reader_ends_in_silence(jack_48k, tmp_path):
    """The thread that analyses is killed without a word: within a second the tone fades, and the command says why."""
    path, heard_file, strike = bench_on(tmp_path, RATE_HZ), tmp_path / "heard", tmp_path / "strike"
    command = [sys.executable, str(Path(__file__).with_name("live_struck.py")), str(strike), *live_command(path)]
    with unit_in_loop(jack_48k, heard=heard_file) as unit:
        with terminal(tmp_path, command) as screen:
            screen.press("Space")
            screen.wait_for("gain 0.00 dB")
            strike.touch()
            assert screen.status() == 3
        heard = unit.heard()
    assert "did not answer for 1 s: the output was faded to silence" in screen.said.read_text()
    assert_ends_in_silence(heard)


def in_lines(path, script, *more):
    process = subprocess.Popen(
        [sys.executable, "-m", "audiomeas", *live_command(path, "--lines", "--json", *more)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=path.parent,
    )  # fmt: skip
    out, err = process.communicate(script, timeout=LONGEST_S)
    return process.returncode, [json.loads(line) for line in out.splitlines()], err


@pytest.mark.wide
def test_lines_for_scripts(jack_48k, tmp_path):
    path = bench_on(tmp_path, RATE_HZ)
    with unit_in_loop(jack_48k, gain=[0.5, 0.4]):
        script = "unmute\nwait 1.2\nlevel 0.3 V\nwait 0.6\ntake\nlevel 5 V\n"
        status, lines, err = in_lines(path, script, "--take-seconds", "0.3")
    assert status == 3  # the last level was refused
    assert "refused: channel 1: this stimulus could reach" in err
    (taken,) = (line for line in lines if "taken" in line)
    assert Path(tmp_path / taken["taken"]).exists()
    for channel, gain in zip(taken["result"]["channels"], (0.5, 0.4), strict=True):
        # 0.001 dB is 0.0115 %: what the whole road reaches here (test_session_audio).
        assert channel["level_v_rms"] == pytest.approx(0.3 * gain, rel=1.2e-4)
    readings = [line for line in lines if "reading" in line and line["settled"] and not line["muted"]]
    assert readings and not readings[-1]["simulated"]
    balance_db = 20 * math.log10(0.5 / 0.4)
    assert readings[-1]["balance_db"] == pytest.approx(balance_db, abs=1e-3)
    assert readings[-1]["channels"][0]["gain_db"] == pytest.approx(20 * math.log10(0.5), abs=1e-3)


@pytest.mark.wide
def test_a_reader_of_the_lines_that_hangs_falls_silent(jack_48k, tmp_path):
    """Nobody takes the lines: the pipe is full, printing hangs, and the dead-man fades."""
    path, heard_file = bench_on(tmp_path, RATE_HZ), tmp_path / "heard"
    with unit_in_loop(jack_48k, heard=heard_file) as unit:
        process = subprocess.Popen(
            [sys.executable, "-m", "audiomeas", *live_command(path, "--lines", "--json")],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=tmp_path,
        )  # fmt: skip
        try:
            process.stdin.write("unmute\n")
            process.stdin.flush()
            time.sleep(20.0)  # 64 KiB of pipe hold eight seconds of lines
            process.stdout.close()  # the one who reads has gone: it ends by itself
            assert process.wait(LONGEST_S) == 0
        finally:
            process.kill()
        heard = unit.heard()
    tone = assert_ends_in_silence(heard)
    assert len(tone) < 18 * RATE_HZ


@pytest.mark.wide
def test_a_server_that_dies_is_said(tmp_path):
    """The stream is lost: one line, exit status 3, no traceback."""
    path = bench_on(tmp_path, RATE_HZ)
    with jack_server(RATE_HZ) as server, unit_in_loop(server):
        process = subprocess.Popen(
            [sys.executable, "-m", "audiomeas", *live_command(path, "--lines", "--json")],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=tmp_path,
        )  # fmt: skip
        try:
            assert not json.loads(process.stdout.readline())["simulated"]
            assert json.loads(process.stdout.readline())["muted"]
            server.process.kill()
            assert process.wait(LONGEST_S) == 3
        finally:
            process.kill()
            _, err = process.communicate()
    assert "Traceback" not in err
    (line,) = (line for line in err.splitlines() if line.startswith("audiomeas: "))
    assert "faded to silence" in line
