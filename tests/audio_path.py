"""A real audio path without a sound card: sound servers with drivers that need no hardware, started for the tests.

`jack_server` (exact: JACK with its dummy driver) and `unit_in_loop` (tests/audio_unit.py, seen by PortAudio as the
duplex device 'unit'); `pulse_server` (what a desktop does: resampling, changing latency, glitches). Everything is
ended by its own process handle. Servers have names of their own, so that runs beside each other don't meet.
"""

from __future__ import annotations

import contextlib
import ctypes
import functools
import itertools
import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from tests_support import missing, require

from audiomeas.interface.protocol import Interface, StreamFormat
from audiomeas.interface.transport import Capture, play

HERE = Path(__file__).parent
#: JACK's period at 48 kHz; at other rates it lasts as long.
PERIOD_FRAMES = 1024
_number = itertools.count()


def end(process: subprocess.Popen[Any]) -> None:
    """End a process that the tests started: ask first, insist after 5 s."""
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(5)
    for pipe in (process.stdout, process.stderr, process.stdin):
        if pipe is not None:
            pipe.close()


def _end_with_us() -> None:
    """In the child: be ended when the test run ends, even when it crashes (Linux, prctl's PR_SET_PDEATHSIG = 1)."""
    ctypes.CDLL(None).prctl(1, signal.SIGTERM)


@contextlib.contextmanager
def in_a_hurry() -> Iterator[None]:
    """Give this process and the threads and children that it starts priority, where it may (as root in CI)."""
    former = os.getpriority(os.PRIO_PROCESS, 0)
    with contextlib.suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, 0, -15)
    try:
        yield
    finally:
        os.setpriority(os.PRIO_PROCESS, 0, former)


@contextlib.contextmanager
def environment(**values: str) -> Iterator[None]:
    """Set environment variables of this process (C libraries see them too) and put them back."""
    former = {key: os.environ.get(key) for key in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for key, value in former.items():
            if value is None:
                os.environ.pop(key, None)
            else:
                os.environ[key] = value


@contextlib.contextmanager
def portaudio_ended() -> Iterator[None]:
    """End PortAudio in this process on the way in and out: it keeps to the servers that it met when it started."""
    _end_portaudio()
    try:
        yield
    finally:
        _end_portaudio()


def _end_portaudio() -> None:
    sounddevice = sys.modules.pop("sounddevice", None)
    if sounddevice is None:
        return
    # Its own exit handler would end it a second time.
    import atexit

    while sounddevice._initialized > 0:
        sounddevice._terminate()
    atexit.unregister(sounddevice._exit_handler)


@dataclass
class Jack:
    """A running JACK server. environment : what a process needs to meet it."""

    name: str
    rate_hz: int
    period_frames: int
    process: subprocess.Popen[bytes]
    environment: dict[str, str] = field(default_factory=dict)


@contextlib.contextmanager
def jack_server(rate_hz: int) -> Iterator[Jack]:
    """Run JACK with its dummy driver; this process' PortAudio meets this server while the context lasts."""
    # libjack can talk to one server at a time in one process, so PortAudio is ended before the new one is asked.
    with portaudio_ended(), in_a_hurry():
        server = next(filter(None, (_started_jack(rate_hz) for _ in range(3))), None)
        if server is None:
            missing("no JACK server started in three tries")
        try:
            with environment(**server.environment):
                yield server
                _end_portaudio()  # while the server is still there
        finally:
            _end_jack(server.process, server.name)


def _end_jack(process: subprocess.Popen[bytes], name: str) -> None:
    end(process)
    for left in Path("/dev/shm").glob(f"jack_*{name}*"):  # a server that was killed can't tidy up
        left.unlink(missing_ok=True)


@functools.cache  # once a process: later, this process has the register open
def _forget_dead_servers() -> None:
    """Remove JACK's register of servers when none is alive.

    It holds eight, and one that was killed keeps its place for as long as another process has its number.
    """
    commands = (entry / "comm" for entry in Path("/proc").glob("[0-9]*"))
    with contextlib.suppress(OSError):
        if not any(command.exists() and command.read_text().startswith("jackd") for command in commands):
            Path("/dev/shm/jack-shm-registry").unlink(missing_ok=True)


def _started_jack(rate_hz: int) -> Jack | None:
    """Start a server under a name of its own; None when it does not answer (a very busy machine)."""
    jackd = require("jackd")
    _forget_dead_servers()
    period_frames = round(PERIOD_FRAMES * rate_hz / 48_000)
    name = f"audiomeas-{os.getpid()}-{next(_number)}"
    variables = {"JACK_DEFAULT_SERVER": name, "JACK_NO_AUDIO_RESERVATION": "1", "JACK_NO_START_SERVER": "1"}
    # -S: the server waits for its clients, so that a busy machine loses fewer blocks; -t (ms): it throws none out.
    command = [jackd, "-S", "-r", "-t", "10000", "-n", name, "-d", "dummy"]
    command += ["-r", str(rate_hz), "-p", str(period_frames)]
    with environment(**variables):
        process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, preexec_fn=_end_with_us
        )
        if _jack_answers(name):
            return Jack(name, rate_hz, period_frames, process, variables)
    _end_jack(process, name)
    return None


#: libjack talks to one server at a time in one process, so another process asks whether a server answers.
_PROBE = """
import sys, time, jack
jack.set_error_function(lambda _: None)
jack.set_info_function(lambda _: None)
for _ in range(300):
    try:
        jack.Client("probe", servername=sys.argv[1], no_start_server=True).close()
        sys.exit(0)
    except jack.JackError:
        time.sleep(0.05)
sys.exit(1)
"""


def _jack_answers(name: str) -> bool:
    command = [sys.executable, "-c", _PROBE, name]
    try:
        return subprocess.run(command, capture_output=True, timeout=30, check=False).returncode == 0
    except subprocess.TimeoutExpired:
        return False


@dataclass
class Unit:
    """A running unit in the loop. `heard()` ends it and returns what it was given, (frames, 2) float32."""

    name: str
    process: subprocess.Popen[str]
    file: Path | None

    def heard(self) -> NDArray[np.float32]:
        assert self.file is not None
        end(self.process)
        return np.fromfile(self.file, np.float32).reshape(-1, 2)


@contextlib.contextmanager
def unit_in_loop(server: Jack, *, name: str = "unit", heard: Path | None = None, **law: Any) -> Iterator[Unit]:
    """Run a unit (see tests/audio_unit.py for the law: gain, swap, clip_fs, noise_rms_fs, lost_block …)."""
    command = [sys.executable, str(HERE / "audio_unit.py"), "--server", server.name, "--name", name]
    command += ["--law", json.dumps(law)] + (["--heard", str(heard)] if heard else [])
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, preexec_fn=_end_with_us)
    try:
        assert process.stdout is not None
        readable, _, _ = select.select([process.stdout], [], [], 20)
        if not readable or process.stdout.readline().strip() != "ready":
            missing(f"the unit {name} did not join the JACK server")
        with portaudio_ended():  # PortAudio lists only the units that were there when it started
            yield Unit(name, process, heard)
    finally:
        end(process)


def played_unflagged(card: Interface, played: NDArray[np.float64], form: StreamFormat, tail_frames: int) -> Capture:
    """Play and capture, again while the driver raises flags: on a busy machine a block may be late, as at any bench."""
    for _ in range(8):
        capture = play(card, played, form, tail_frames=tail_frames)
        assert capture.stopped == ""
        if not capture.flags:
            return capture
    raise AssertionError(f"eight captures in a row were flagged: {capture.flags}")


def latency_frames(played: NDArray[np.float64], captured: NDArray[np.float64]) -> int:
    """Return by how many frames a capture lags, from the highest point of the cross-correlation by FFT (numpy only)."""
    size = 1 << (len(played) + len(captured) - 1).bit_length()
    product = np.fft.irfft(np.fft.rfft(captured, size) * np.conj(np.fft.rfft(played, size)), size)
    lag = int(np.argmax(np.abs(product)))
    return lag if lag < size // 2 else lag - size


@dataclass
class Pulse:
    """A running PulseAudio with one null sink; its monitor is the default source. environment : how to meet it."""

    process: subprocess.Popen[bytes]
    environment: dict[str, str]


@contextlib.contextmanager
def pulse_server(
    folder: Path, *, rate_hz: int, sample_format: str = "float32le", channels: int = 2, more: str = ""
) -> Iterator[Pulse]:
    """Run a private PulseAudio whose sink keeps one rate, as ALSA's (and so PortAudio's) device 'pulse'.

    more : further lines of its start-up script.
    Programs meet it through the returned environment only: PortAudio of this process never does.
    """
    pulseaudio = require("pulseaudio")
    home = folder / "pulse"
    home.mkdir(mode=0o700)
    (home / "daemon.conf").write_text(
        f"default-sample-rate = {rate_hz}\nalternate-sample-rate = {rate_hz}\nexit-idle-time = -1\nflat-volumes = no\n"
    )
    socket = home / "native"
    (home / "server.pa").write_text(
        f"load-module module-native-protocol-unix auth-anonymous=1 socket={socket}\n"
        f"load-module module-null-sink sink_name=loop rate={rate_hz} format={sample_format} channels={channels}\n"
        f"set-default-sink loop\nset-default-source loop.monitor\n{more}\n"
    )
    variables = {
        "HOME": str(home),
        "XDG_RUNTIME_DIR": str(home),
        "XDG_CONFIG_HOME": str(home),
        "PULSE_CONFIG_PATH": str(home),
        "PULSE_SERVER": f"unix:{socket}",
        "JACK_NO_START_SERVER": "1",
    }
    process = subprocess.Popen(
        [pulseaudio, "-n", "-F", str(home / "server.pa"), "--daemonize=no", "--use-pid-file=no", "--disable-shm=yes"],
        env=os.environ | variables,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        preexec_fn=_end_with_us,
    )
    try:
        until_s = time.monotonic() + 10
        while not socket.exists():
            if time.monotonic() > until_s or process.poll() is not None:
                missing("PulseAudio did not start")
            time.sleep(0.05)
        yield Pulse(process, variables)
    finally:
        end(process)
