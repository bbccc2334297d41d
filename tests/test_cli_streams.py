"""Streams, signals and the edges of the command line: what happens around a command rather than in it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections import namedtuple
from pathlib import Path

import pytest
from benches import bench_file
from test_cli import refused, run

from audiomeas import files
from audiomeas.errors import FileProblem, RequestError
from audiomeas.units import parse_level


def command(*arguments, **how):
    """Run the command as a process of its own; return the finished process."""
    how = {"capture_output": True, "text": True, "timeout": 60, "check": False, **how}
    return subprocess.run([sys.executable, "-m", "audiomeas", *map(str, arguments)], **how)


@pytest.mark.parametrize("arguments", [[], ["measure"], ["analyze"], ["generate"], ["bench"]])
def test_a_command_without_its_word_shows_its_help(arguments):
    status, out, err = run(*arguments)
    assert status == 0
    assert "Commands:" in out
    assert err == ""


@pytest.mark.parametrize("encoding", ["cp1252", "latin-1"])
def test_streams_that_lack_our_signs_get_plain_words(encoding):
    done = command("bench", "show", env={**os.environ, "PYTHONIOENCODING": encoding}, encoding=encoding)
    assert done.returncode == 0, done.stderr
    assert "+- 0.5 %" in done.stdout or "± 0.5 %" in done.stdout
    assert "8 ohm" in done.stdout
    assert "internal error" not in done.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_output_that_cannot_be_written_is_one_line():
    with Path("/dev/full").open("w") as full:
        done = command("bench", "show", capture_output=False, stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 2
    assert done.stderr.count("audiomeas: ") == 1
    assert "can't write the output" in done.stderr


def test_a_reader_that_goes_is_no_verdict():
    reader, writer = os.pipe()
    os.close(reader)
    try:
        done = command("bench", "units", capture_output=False, stdout=writer, stderr=subprocess.PIPE)
    finally:
        os.close(writer)
    assert done.returncode == 0
    assert done.stderr == ""


@pytest.mark.wide
def test_closed_streams_decide_nothing(tmp_path):
    """stderr closed, full, or read by nobody: the measurement ends as it would have."""
    bench = bench_file(tmp_path, rate_hz=48_000)
    shell = f"'{sys.executable}' -m audiomeas measure distortion --bench '{bench}' --no-captures"
    for redirect in (">&-", "2>&-", "2>/dev/full"):
        done = subprocess.run(
            f"{shell} {redirect}", shell=True, cwd=tmp_path, timeout=60, capture_output=True, text=True
        )
        assert done.returncode == 0, (redirect, done.stderr)
        assert "Traceback" not in done.stderr


def _as_from_a_terminal():
    """Undo what a shell does to a job in the background: it starts with SIGINT ignored, and so would the command."""
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


def asked_to_stop(arguments, signals, *, after_s, cwd):
    """Start a command, send it signals, and return (status, stderr)."""
    process = subprocess.Popen(
        [sys.executable, "-m", "audiomeas", *map(str, arguments)],
        cwd=cwd, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, start_new_session=True,
        preexec_fn=_as_from_a_terminal,
    )  # fmt: skip
    try:
        time.sleep(after_s)
        for number in signals:
            process.send_signal(number)
            time.sleep(0.01)
        _, err = process.communicate(timeout=60)
    finally:
        process.kill()
    return process.returncode, err


def moments():
    """Return signals and when they come: each while it starts and each while it measures; all others only if asked."""
    for number, names in enumerate((["SIGTERM"], ["SIGHUP"], ["SIGINT", "SIGINT"], ["SIGTERM", "SIGINT"])):
        for after_s in (0.8, 1.5, 2.5, 3.5):
            always = after_s in (0.8, (2.5, 1.5)[number % 2])
            marks = () if always else pytest.mark.wide
            yield pytest.param(names, after_s, marks=marks, id=f"{'-'.join(names)}-{after_s}")


@pytest.mark.parametrize(("names", "after_s"), [*moments()])
def test_signals_at_any_moment_end_in_one_line_and_130(tmp_path, names, after_s):
    plan = tmp_path / "p.toml"
    step = '[[step]]\nname = "d{n}"\nmeasure = "distortion"\ninput_level = "0.1 V"\nwindow_s = 4.0\n'
    plan.write_text('title = "t"\nkind = "power amplifier"\n' + "".join(step.format(n=n) for n in range(20)))
    bench = bench_file(tmp_path, rate_hz=48_000)
    arguments = ["run", plan, "--unit", "A, serial 1", "--bench", bench]
    status, err = asked_to_stop(arguments, [getattr(signal, name) for name in names], after_s=after_s, cwd=tmp_path)
    assert status == 130, err
    assert "Traceback" not in err
    assert len([line for line in err.splitlines() if line.startswith("audiomeas: ")]) == 1
    assert "\n\n" not in err


def test_room_is_looked_for_before_anything_is_played(tmp_path, monkeypatch):
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(files.shutil, "disk_usage", lambda _: usage(10**9, 10**9 - 10**6, 10**6))
    with pytest.raises(FileProblem, match="only 1 MB are free"):
        files.refuse_full_disk(tmp_path)
    bench = bench_file(tmp_path, rate_hz=48_000)
    refused("measure", "distortion", "--bench", bench, words="nothing was played", cwd=tmp_path)
    assert not list((tmp_path / "audiomeas-captures").iterdir())


def test_a_bench_can_be_proof_read_away_from_it(tmp_path):
    shutil.copy(bench_file(tmp_path), tmp_path / "b.toml")
    text = (tmp_path / "b.toml").read_text().replace('kind = "simulated"', 'kind = "soundcard"\nname = "My card"')
    lines = [line for line in text.splitlines() if not line.startswith(("unit = ", "card = "))]
    (tmp_path / "b.toml").write_text("\n".join(lines))
    status, out, err = run("bench", "show", "--bench", tmp_path / "b.toml")
    assert status == 0
    assert "My card" in out
    assert "not there now" in out
    assert err.startswith("warning: ")


def test_files_that_never_end_or_hold_endless_numbers(tmp_path):
    if Path("/dev/zero").exists():
        refused("bench", "show", "--bench", "/dev/zero", words="no regular file")
        refused("run", "/dev/zero", "--unit", "A, serial 1", words="no regular file")
    bench = bench_file(tmp_path, ("sample_rate_hz = 96000", "sample_rate_hz = " + "9" * 400))
    refused("bench", "show", "--bench", bench, words="too large")


def test_a_calibration_that_is_not_there_names_the_bench_file(tmp_path):
    bench = bench_file(tmp_path, ('calibration = "', 'calibration = "no/'))
    refused("bench", "show", "--bench", bench, words=["bench.toml, line", "was not found"])


def test_a_missing_key_points_at_what_stands_there_instead(tmp_path):
    bench = bench_file(tmp_path, ("highest_gain_db", "highest_gain_dbb"))
    refused("bench", "show", "--bench", bench, words="'highest_gain_db' is missing (there is 'highest_gain_dbb')")


def test_a_missing_folder_is_called_a_folder(tmp_path):
    refused("generate", "sine", "no/x.wav", words="there is no folder no", cwd=tmp_path)


@pytest.mark.parametrize("text", ["1,000 mV", "12,345 V"])
def test_a_comma_that_can_be_read_in_two_ways(text):
    with pytest.raises(RequestError, match="two ways"):
        parse_level(text)
    assert parse_level("1,25 V").value == 1.25


@pytest.mark.parametrize(
    "arguments",
    [
        ["--low-hz", "5000", "--high-hz", "100"],
        ["--frequency-hz", "47990"],
        ["--frequency-hz", "0.6"],
    ],
)
def test_what_can_never_be_played_is_refused_before_any_sound(tmp_path, arguments):
    refused("measure", "distortion", *arguments, cwd=tmp_path)
    assert not list(tmp_path.glob("audiomeas-captures/*"))
