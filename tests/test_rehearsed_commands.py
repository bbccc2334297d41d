"""Commands beside `measure` meet every fault of a card: sound ends in one line, and what was made until then holds.

Truth: the faults themselves, whose effect on samples `test_rehearsed_faults.py` checks with numpy alone.
"""

from __future__ import annotations

import io
import json

import pytest
from benches import bench_file
from test_cli import run

from audiomeas.interface import transport
from audiomeas.interface.faulty import KINDS, SIZES
from audiomeas.record.soak_log import LOG_FILE

_UNIT = "Demo amplifier A, serial D-0001"
#: A unit may step in its gain too: the figures tell it, and nobody says that the capture is bad.
_MAY_BE_THE_UNITS = ("gain step",)
#: A loop cable on the range that needs no divider.
_LOOP = (('range = "50:1"', 'range = "direct"'), ('output_level = "1 W"', 'input_level = "0.5 V"'))


def faulty(folder, kind, *, at_s, stream=2, loop=False):
    """Write a bench at 48 kHz that rehearses a fault from a stream on, at each of some times after its beginning."""
    replace = [('sample_format = "int24"', 'sample_format = "float32"')] if kind == "not a number" else []
    unit = {"unit": "loop"} if loop else {}
    path = bench_file(folder, *replace, *(_LOOP if loop else ()), rate_hz=48_000, **unit)
    facts = f'kind = "{kind}"\nstream = {stream}\ntimes = 0\n' + (f"size = {SIZES[kind]}\n" if kind in SIZES else "")
    path.write_text(path.read_text() + "".join(f"\n[[rehearsed_fault]]\nat_s = {when_s:g}\n{facts}" for when_s in at_s))
    return path


@pytest.fixture(autouse=True)
def quick_to_give_up(monkeypatch, request):
    """Wait less for a driver that hangs, and for that one alone: on a busy machine any other is late, too."""
    if request.node.callspec.params["kind"] == "hangs":
        monkeypatch.setattr(transport, "DRIVER_HANGS_S", 0.3)


def ran(*arguments):
    """Run a command; assert that it ended as one of ours does, and return status, stdout, stderr."""
    status, out, err = run(*arguments)
    assert "Traceback" not in err and "internal error" not in err, err
    return status, out, err


@pytest.mark.wide
@pytest.mark.parametrize("stream", [2, 3])
@pytest.mark.parametrize("kind", KINDS)
def test_a_check_of_the_bench_meets_every_fault(tmp_path, kind, stream):
    bench = faulty(tmp_path, kind, at_s=(0.6, 0.8, 1.2), stream=stream, loop=True)
    status, out, err = ran("bench", "check", "--connected", "cable", "--json", "--bench", bench)
    assert status in (0, 1, 3), (status, err)
    if status == 3:
        assert err.splitlines()[-1].startswith("audiomeas: "), err
    elif status == 0 and stream == 2 and kind not in _MAY_BE_THE_UNITS:
        assert [line for line in json.loads(out)["warnings"] if "rehearsed" not in line], out


@pytest.mark.parametrize("kind", [pytest.param(k, marks=() if k == "lost" else pytest.mark.wide) for k in KINDS])
@pytest.mark.parametrize("stream", [2, pytest.param(3, marks=pytest.mark.wide)])
def test_a_calibration_meets_every_fault(tmp_path, kind, stream):
    """A capture that can't be trusted writes no file. Stream 2 is the quiet tone."""
    bench = faulty(tmp_path, kind, at_s=(0.5, 0.9, 1.3), stream=stream, loop=True)
    meter = ["--meter", "Demo multimeter, M-0001", "--meter-accuracy", "0.8 % + 3 digits", "--meter-high-hz", "1000"]
    read = ["--quiet-reading", "0.1000 V", "--loud-reading", "1.000 V", "--duration-s", "1", "--play", "--json"]
    where = ["--bench", bench, "--channel", "1", "--captures", tmp_path / "captures", "--write", tmp_path / "new.toml"]
    status, _, err = ran("calibrate", "output", *meter, *read, *where)
    assert status == 3, (status, err)
    assert err.splitlines()[-1].startswith("audiomeas: "), err
    assert not (tmp_path / "new.toml").exists()
    assert list((tmp_path / "captures").iterdir())


#: What can't come again in one stream.
_ONCE = ("hangs", "gone", "other rate", "clock step")


@pytest.mark.wide
@pytest.mark.parametrize("kind", KINDS)
def test_a_tone_in_the_hand_meets_every_fault(tmp_path, kind, monkeypatch):
    """What is taken lies over a fault or more. The sound ends, or the take is refused or says what it has."""
    bench = faulty(tmp_path, kind, at_s=[0.4 + 0.25 * n for n in range(1 if kind in _ONCE else 12)])
    monkeypatch.setattr("sys.stdin", io.StringIO("unmute\nwait 1.0\ntake\nwait 0.2\nquit\n"))
    more = ["--input-level", "20 mV", "--take-seconds", "0.6", "--captures", tmp_path / "captures"]
    status, out, err = ran("live", "--lines", "--json", "--bench", bench, *more)
    assert status in (0, 2, 3), (status, err)
    lines = [json.loads(line) for line in out.splitlines()]
    assert all(line["simulated"] for line in lines if "reading" in line)
    if status == 0:
        (taken,) = (line["result"] for line in lines if "taken" in line)
        said = [line for line in taken["warnings"] if "rehearsed" not in line]
        assert said or kind in _MAY_BE_THE_UNITS, taken["warnings"]
    else:
        assert any(line.startswith(("audiomeas: ", "refused: ")) for line in err.splitlines()), err


#: What a soak tells of a fault, by the event in its log; None: it ends, and says in one line why.
_OF_A_SOAK = {
    "lost": "samples lost",
    "repeated": "samples lost",
    "swapped": "click",
    "delayed": "samples lost",
    "zeros": "samples lost",
    "over-range": "ceiling passed",
    "not a number": None,
    "gain step": "level step",
    "clock step": "samples lost",
    "other rate": "signal gone",
    "hangs": None,
    "gone": None,
    "flag": "driver",
}


@pytest.mark.wide
@pytest.mark.parametrize("kind", KINDS)
def test_a_soak_meets_every_fault(tmp_path, kind, monkeypatch):
    bench, records = faulty(tmp_path, kind, at_s=(4.3,)), tmp_path / "records"
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    more = ["--hours", "0.0025", "--spot-minutes", "0", "--input-level", "20 mV", "--records", records, "--json"]
    status, _, err = ran("soak", "--unit", _UNIT, "--bench", bench, *more)
    log = next(records.rglob(LOG_FILE)).read_text().splitlines()
    events = {line["kind"] for line in map(json.loads, log) if line["line"] == "event"}
    if _OF_A_SOAK[kind] is None:
        assert status == 3, (status, err)
        assert err.splitlines()[-1].startswith("audiomeas: "), err
    else:
        assert status == 1, (status, err)
        assert _OF_A_SOAK[kind] in events, (events, err)
    verified, _, problems = run("record", "verify", records)
    assert verified == 0, problems
