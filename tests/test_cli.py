"""The command line as its user meets it: exit status, one line of error, JSON that is JSON, nothing lost."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile
from benches import bench_file
from click.testing import CliRunner

from audiomeas.cli.main import audiomeas, status_of
from audiomeas.errors import StopAsked


def run(*arguments, cwd=None):
    """Run a command in this process; return (status, stdout, stderr)."""
    import contextlib
    import io

    out, err = io.StringIO(), io.StringIO()
    before = os.getcwd()  # noqa: PTH109
    try:
        if cwd is not None:
            os.chdir(cwd)
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = status_of([str(a) for a in arguments])
    finally:
        os.chdir(before)
    return status, out.getvalue(), err.getvalue()


def refused(*arguments, status=2, words="", cwd=None):
    """Assert that a command ends with one clear line and the right status."""
    got, out, err = run(*arguments, cwd=cwd)
    lines = [line for line in err.splitlines() if line.startswith("audiomeas: ")]
    assert got == status, (got, err)
    assert len(lines) == 1, err
    assert "Traceback" not in err
    assert "internal error" not in err, err
    for word in [words] if isinstance(words, str) else words:
        assert word in lines[0], lines[0]
    return out, err


@pytest.fixture
def bench(tmp_path):
    """The simulated bench at 48 kHz: half the work of the default."""
    return bench_file(tmp_path, rate_hz=48_000)


def test_no_arguments_shows_help():
    result = CliRunner().invoke(audiomeas, [])
    assert "measure" in result.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["mesure"], "did you mean 'measure'"),
        (["measure", "distorsion"], "did you mean 'distortion'"),
        (["analyze", "distortion"], "Missing argument"),
        (["analyze", "distortion", "none.wav"], "none.wav was not found"),
        (["measure", "distortion", "--frequency", "1000"], "No such option"),
        (["measure", "distortion", "--frequency-hz", "loud"], "write '997'"),
        (["measure", "distortion", "--frequency-hz", "nan"], "write '997'"),
        (["measure", "distortion", "--frequency-hz", "-3"], "--frequency-hz must be above 0"),
        (["measure", "distortion", "--frequency-hz", "1e9"], "Hz"),
        (["measure", "distortion", "--output-level", "1"], "number with a unit"),
        (["measure", "distortion", "--input-level", "1 V", "--output-level", "1 W"], "not both"),
        (["measure", "distortion", "--bench", "none.toml"], "none.toml was not found"),
        (["measure", "gain", "--bench", "none.toml", "--chart", "x.png"], "gain gives no chart"),
        (["analyze", "gain", "none.wav", "--chart", "x.png"], "gain gives no chart"),
        (["generate", "sine", "x.mp3"], ".wav or .flac"),
        (["generate", "sine", "x.wav", "--level", "1 V"], "--full-scale"),
        (["generate", "sine", "x.wav", "--level", "3 dBFS"], "more than full scale"),
        (["generate", "sine", "x.wav", "--frequency-hz", "30000"], "30000 Hz"),
        (["generate", "sine", "x.flac", "--format", "float32"], "float samples"),
        (["generate", "sine", "no/such/folder/x.wav"], "there is no folder"),
        (["generate", "sweep", "x.wav", "--duration-s", "-1"], "duration"),
        (["generate", "burst", "x.wav", "--duration-s", "0"], "a duration of 0 s"),
        (["generate", "burst", "x.wav", "--duration-s", "nan"], "a duration of nan s"),
        (["generate", "sine", "x.wav", "--duration-s", "1e-9"], "a duration of 1e-09 s"),
        (["generate", "steps", "x.wav", "--frequencies-hz", "100,loud"], "list of numbers"),
        (["run", "none.toml", "--unit", "A, serial 1"], "none.toml"),
        (["chart", "nowhere", "x.png"], "nowhere"),
        (["report", "nowhere", "x.pdf"], "nowhere"),
        (["bench", "show", "--bench", "none.toml"], "none.toml was not found"),
        (["analyze", "noise", "x.wav", "--mains-hz", "50", "--mains-hz", "60"], "--mains-hz is given 2 times"),
        (["measure", "noise", "--captures", "a", "--captures", "b"], "--captures is given 2 times"),
        (["generate", "sine", "x.wav", "--level", "-3 dBFS", "--level", "-6 dBFS"], "--level is given 2 times"),
        (["run", "a.toml", "--unit", "A, serial 1", "--unit", "B, serial 2"], "--unit is given 2 times"),
    ],
)
def test_wrong_requests(tmp_path, arguments, words):
    refused(*arguments, words=words, cwd=tmp_path)
    assert not list(tmp_path.glob("x.*"))


@pytest.mark.parametrize("content", [b"", b"RIFF", b"not audio at all", b"\x00" * 100, b"fLaC" + b"\xff" * 60])
@pytest.mark.parametrize("measurement", ["distortion", "response"])
def test_files_that_are_no_audio(tmp_path, content, measurement):
    (tmp_path / "x.wav").write_bytes(content)
    refused("analyze", measurement, "x.wav", words="x.wav", cwd=tmp_path)


@pytest.mark.parametrize("name", ["silence", "dc", "noise", "one frame"])
def test_captures_that_hold_no_tone(tmp_path, name):
    rng = np.random.default_rng(1)
    samples = {
        "silence": np.zeros(48_000),
        "dc": np.full(48_000, 0.25),
        "noise": 0.1 * rng.normal(size=48_000),
        "one frame": np.array([0.5]),
    }[name]
    soundfile.write(tmp_path / "x.wav", samples, 48_000, subtype="PCM_24")
    status, out, err = run("analyze", "distortion", "x.wav", "--json", cwd=tmp_path)
    # A refusal, or a result in which nothing is a number that could be believed.
    assert "Traceback" not in err
    if status == 0:
        (channel,) = json.loads(out)["channels"]
        assert channel["thd_percent"] is None
        assert json.loads(out)["warnings"]
    else:
        assert status == 2
        assert len(err.strip().splitlines()) == 1


def test_distortion_as_json_keeps_the_contract(tmp_path, bench):
    status, out, err = run("measure", "distortion", "--bench", bench, "--output-level", "1 W", "--json", cwd=tmp_path)
    assert status == 0, err
    data = json.loads(out)
    assert {"audiomeas", "measurement", "sample_rate_hz", "conditions", "warnings", "channels"} <= set(data)
    assert data["simulated"] is True
    for channel in data["channels"]:
        assert {
            "channel", "frequency_hz", "level_v_rms", "level_dbfs", "thd_percent", "thd_db", "thd_n_percent",
            "thd_n_db", "sinad_db", "harmonics", "uncertainty", "bound",
        } <= set(channel)  # fmt: skip
        assert {"order", "frequency_hz", "level_db", "phase_deg"} <= set(channel["harmonics"][0])
    captures = sorted((tmp_path / "audiomeas-captures").glob("*.flac"))
    assert any("measuring" in p.name or "distortion" in p.name for p in captures)


def test_analyze_gives_the_same_figures_as_measure(tmp_path, bench):
    """The capture on disk and the live one are one recording: equal to the last bit."""
    _, out, _ = run("measure", "distortion", "--bench", bench, "--json", cwd=tmp_path)
    capture = next((tmp_path / "audiomeas-captures").glob("*distortion*.flac"))
    status, again, err = run("analyze", "distortion", capture, "--json", cwd=tmp_path)
    assert status == 0, err
    assert json.loads(again)["channels"] == json.loads(out)["channels"]


def test_response_as_json_keeps_the_contract(tmp_path, bench):
    status, out, err = run("measure", "response", "--bench", bench, "--json", "--no-captures", cwd=tmp_path)
    assert status == 0, err
    for channel in json.loads(out)["channels"]:
        assert len(channel["frequency_hz"]) == len(channel["gain_db"]) == len(channel["phase_deg"]) > 50
        assert channel["reference_hz"] == 1000
    assert not (tmp_path / "audiomeas-captures").exists()


def test_text_says_simulated_and_carries_units(tmp_path, bench):
    status, out, _ = run("measure", "distortion", "--bench", bench, "--no-captures", cwd=tmp_path)
    assert status == 0
    assert out.startswith("SIMULATED")
    assert "%" in out
    assert max(len(line) for line in out.splitlines()) <= 80
    assert "\x1b" not in out  # no colour: this is no terminal


def test_interlock_is_status_3_and_silent(tmp_path):
    bench = bench_file(tmp_path, ("rated_w = 200", "rated_w = 5"), rate_hz=48_000)
    refused(
        "measure", "distortion", "--bench", bench, "--output-level", "20 W", status=3, words=["load", "dB too much"]
    )


def test_absent_device_is_status_3(tmp_path):
    text = bench_file(tmp_path).read_text()
    text = text.replace(
        'kind = "simulated"\nunit = "amplifier-healthy" # a shipped unit (see `audiomeas bench units`), a TOML file of '
        'your own, or "loop" for a cable\ncard = "card"',
        'kind = "soundcard"\nname = "No such card"',
    )
    (tmp_path / "b.toml").write_text(text)
    _, err = refused("measure", "distortion", "--bench", tmp_path / "b.toml", status=3, cwd=tmp_path)
    assert "No such card" in err or "PortAudio" in err  # the second where PortAudio itself is missing


def test_generate_and_analyze_a_loop_by_file(tmp_path):
    """A sweep written, 'played' through a known gain by numpy, and analysed with --stimulus."""
    assert run("generate", "sweep", "s.wav", "--level", "-6 dBFS", "--duration-s", 2, cwd=tmp_path)[0] == 0
    samples, rate = soundfile.read(tmp_path / "s.wav", always_2d=True)
    soundfile.write(tmp_path / "c.wav", np.vstack([np.zeros((777, 2)), 0.5 * samples]), rate, subtype="PCM_24")
    status, out, err = run("analyze", "response", "c.wav", "--stimulus", "s.wav", "--json", cwd=tmp_path)
    assert status == 0, err
    channel = json.loads(out)["channels"][0]
    gain = np.array(channel["gain_db"])[(np.array(channel["frequency_hz"]) > 25)]
    assert np.max(np.abs(gain - gain[0])) < 0.01
    refused("analyze", "response", "c.wav", words="--stimulus", cwd=tmp_path)
    refused("generate", "sweep", "s.wav", words="never overwritten", cwd=tmp_path)
    run("generate", "sine", "t.wav", cwd=tmp_path)
    refused("analyze", "response", "c.wav", "--stimulus", "t.wav", words="sweep", cwd=tmp_path)
    run("generate", "sweep", "o.wav", "--rate", 44100, cwd=tmp_path)
    refused("analyze", "response", "c.wav", "--stimulus", "o.wav", words="44100", cwd=tmp_path)


def test_calibration_gives_volts(tmp_path):
    from benches import CALIBRATION

    tone = 10 ** (-6 / 20) * np.sin(2 * np.pi * 997 / 48_000 * np.arange(48_000))
    soundfile.write(tmp_path / "c.wav", np.stack([tone, tone], axis=1), 48_000, subtype="PCM_24")
    run_ = ["analyze", "distortion", "c.wav", "--json"]
    without = json.loads(run(*run_, cwd=tmp_path)[1])["channels"][0]
    assert without["level_v_rms"] is None
    # AES17: a sine of peak 10^(−6/20) is −6 dBFS; the code of full scale is 2^23 − 1, which is 1e-6 dB away.
    assert without["level_dbfs"] == pytest.approx(-6.0, abs=1e-4)
    status, out, err = run(*run_, "--calibration", CALIBRATION, "--range", "50:1", cwd=tmp_path)
    assert status == 0, err
    assert json.loads(out)["channels"][0]["level_v_rms"] == pytest.approx(100 * 10 ** (-6 / 20), rel=1e-5)
    refused(*run_, "--calibration", CALIBRATION, words="--range", cwd=tmp_path)
    refused(*run_, "--calibration", CALIBRATION, "--range", "9:1", words="'9:1'", cwd=tmp_path)


def test_over_range_capture_warns_and_nulls(tmp_path):
    tone = np.clip(1.3 * np.sin(2 * np.pi * 997 / 48_000 * np.arange(48_000)), -1, 1)
    soundfile.write(tmp_path / "c.wav", tone, 48_000, subtype="PCM_16")
    status, out, _ = run("analyze", "distortion", "c.wav", "--json", cwd=tmp_path)
    data = json.loads(out)
    assert status == 0
    assert data["channels"][0]["thd_percent"] is None
    assert any("over-range" in line for line in data["warnings"])


@pytest.mark.parametrize(
    "unit",
    [
        "",
        "no serial here",
        "A, serial ../../../x",
        "A\x07, serial 1",
        '\'; drop, serial "1"',
        "A/B\\C, serial .",
        "ア, serial 1",
    ],
)
def test_units_that_mean_trouble(tmp_path, bench, unit):
    plan = tmp_path / "p.toml"
    plan.write_text(
        'title = "t"\nkind = "power amplifier"\n[[step]]\nname = "d"\nmeasure = "distortion"\nwindow_s = 0.2\n'
        'input_level = "0.1 V"\n'
    )
    status, _, err = run("run", plan, "--unit", unit, "--bench", bench, cwd=tmp_path)
    assert status in (0, 2), err
    assert "Traceback" not in err
    outside = [p for p in tmp_path.parent.rglob("visit.json") if tmp_path / "records" not in p.parents]
    assert not [p for p in outside if p.is_relative_to(tmp_path)]
    if status == 0:
        (visit,) = (tmp_path / "records").rglob("visit.json")
        assert visit.parent.parent.parent == tmp_path / "records"


def test_a_full_disk_is_one_line(tmp_path, bench, monkeypatch):
    import errno

    import audiomeas.files as files

    def full(path):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(files, "_sync", full)
    refused("measure", "distortion", "--bench", bench, words="disk is full", cwd=tmp_path)


def test_captures_folder_that_cannot_be_made(tmp_path, bench):
    (tmp_path / "file").write_text("")
    refused("measure", "distortion", "--bench", bench, "--captures", "file/x", words="file", cwd=tmp_path)


def test_bench_variable_is_used_and_demo_would_ignore_it(tmp_path, monkeypatch):
    monkeypatch.setenv("AUDIOMEAS_BENCH", str(tmp_path / "none.toml"))
    refused("measure", "distortion", words="none.toml", cwd=tmp_path)


@pytest.mark.parametrize("came", [StopAsked("SIGTERM"), KeyboardInterrupt()])
def test_a_stop_that_python_wraps_while_it_makes_a_class_is_a_stop(tmp_path, monkeypatch, came):
    """`__set_name__` runs while modules load: before Python 3.12 what comes up in it comes out as a RuntimeError."""

    class Asked:
        def __set_name__(self, *_):
            raise came

    def loading(*_):
        type("Loaded", (), {"value": Asked()})

    monkeypatch.setattr("audiomeas.bench.opened.default_bench_file", loading)
    assert run("bench", "show", cwd=tmp_path)[0] == 130
    # A fault of its own stays one.
    monkeypatch.setattr("audiomeas.bench.opened.default_bench_file", lambda *_: 1 / 0)
    assert run("bench", "show", cwd=tmp_path)[0] == 2


def test_ctrl_c_in_a_real_process_is_130_with_the_capture_kept(tmp_path):
    """The command as a process of its own, interrupted as soon as it starts to measure."""
    bench = bench_file(tmp_path)
    plan = tmp_path / "p.toml"
    step = '[[step]]\nname = "d{n}"\nmeasure = "distortion"\ninput_level = "0.1 V"\nwindow_s = 5.0\n'
    plan.write_text('title = "t"\nkind = "power amplifier"\n' + "".join(step.format(n=n) for n in range(10)))
    process = subprocess.Popen(
        [sys.executable, "-m", "audiomeas", "run", str(plan), "--unit", "A, serial 1", "--bench", str(bench)],
        cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    try:
        deadline = time.monotonic() + 60
        while not list(tmp_path.glob("records/*/*/*/*.flac")) and time.monotonic() < deadline:
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
    finally:
        process.kill()
    assert process.returncode == 130, err
    assert "Traceback" not in err
    for path in tmp_path.glob("records/*/*/*/*.flac"):
        soundfile.info(path)  # whole
        assert path.with_name(path.name + ".json").exists()
    journal = next(tmp_path.glob("records/*/*/journal.jsonl")).read_text().splitlines()
    assert all(json.loads(line) for line in journal)


def test_a_stimulus_that_memory_would_not_hold_is_refused_before_it_is_made(tmp_path):
    refused("generate", "sine", tmp_path / "long.wav", "--duration-s", 36_000, words="4 hours")
