"""Listening with nothing sent: closed inputs, units that play by themselves. Truth: the unit's own file."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benches import CALIBRATION, Meddling

from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.errors import CaptureError
from audiomeas.files import shipped
from audiomeas.interface import listening
from audiomeas.interface.protocol import InterfaceIdentity, StreamFormat
from audiomeas.interface.transport import Capture, play
from audiomeas.measurement import api, registry
from audiomeas.measurement.api import CaptureFolder
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import Result
from audiomeas.measurement.session import Session
from audiomeas.measurement.trust import over_range_frames
from audiomeas.plan.check import check_plan
from audiomeas.plan.file import read_plan
from audiomeas.plan.steps import sounds
from audiomeas.recording import Recording, read_recording
from audiomeas.recording_blocks import RecordingOnDisk, open_recording
from audiomeas.simulation.unit import shipped_units

PLAN = """\
title = "Only listens"
kind = "tuner"

[[step]]
name = "Noise"
measure = "noise"
listen_only = true
duration_s = 1.0

  [[step.limit]]
  quantity = "unweighted_v_rms"
  at_most = 1e-3
  source = "house"
"""

#: The file of the simulated player: 19 and 20 µV of white noise, hum of 1.5 and 1 µV; the card's own is taken off. 20
#: kHz and 1 s are 40,000 independent values: r.m.s. within 0.35 % (standard deviation), three of them and a bit for the
#: band's edge.
TRUTH_V_RMS = {channel: math.hypot(noise_v_rms, 1.5e-6, 1e-6) for channel, noise_v_rms in ((1, 1.9e-5), (2, 2.0e-5))}


def _line_bench(folder: Path, unit: str) -> Path:
    """The shipped bench at line level with another unit on it."""
    text = shipped("examples", "benches", "simulated-line.toml").read_text(encoding="utf-8")
    for old, new in (
        ("../../calibrations/", ""),
        ('unit = "preamplifier"', f'unit = "{unit}"'),
        ("sample_rate_hz = 96000", "sample_rate_hz = 48000"),
    ):
        assert old in text
        text = text.replace(old, new)
    (folder / CALIBRATION.name).write_text(CALIBRATION.read_text(encoding="utf-8"), encoding="utf-8")
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


def _listening(path: Path, kept: list[Recording]) -> tuple[Result | CaptureError, Meddling]:
    bench = open_bench_file(path)
    between = Meddling(bench.interface)
    options = {"duration_s": 1.0, "listen_only": True}
    with Session(Bench(bench.file, between)) as session:
        try:
            return session.measure(registry.find("noise"), options, keep=lambda _, one: kept.append(one)), between
        except CaptureError as error:
            return error, between


def test_a_unit_that_answers_nothing_is_heard_and_nothing_is_sent(tmp_path: Path) -> None:
    kept: list[Recording] = []
    result, between = _listening(_line_bench(tmp_path, "cd-player"), kept)
    assert isinstance(result, Result)
    assert between.streams == 1  # no first look
    assert not any(np.any(block) for stream in between.played for block in stream)
    for channel, truth_v_rms in TRUTH_V_RMS.items():
        assert result.channel(channel).values["unweighted_v_rms"] == pytest.approx(truth_v_rms, rel=0.015)
    assert any("rests on your word" in line for line in result.warnings)
    (recording,) = kept
    assert recording.conditions["listen_only"] is True
    assert "latency_frames" not in recording.conditions
    again = registry.find("noise").analyse(recording, complete(registry.find("noise"), {"listen_only": True}))
    assert again.channel(1).values["a_weighted_v_rms"] == result.channel(1).values["a_weighted_v_rms"]


def test_what_is_louder_than_the_card_takes_is_kept_and_gives_no_number(tmp_path: Path) -> None:
    """3 V of noise at a card that takes 2 V r.m.s. of a sine."""
    text = shipped_units()["cd-player"].read_text().replace("= 1.9e-5", "= 3.0")
    assert "= 3.0" in text
    (tmp_path / "loud.toml").write_text(text)
    kept: list[Recording] = []
    error, _ = _listening(_line_bench(tmp_path, "loud.toml"), kept)
    assert isinstance(error, CaptureError)
    assert len(kept) == 1
    assert str(error) in kept[0].warnings[-1]


def test_a_plan_that_only_listens_needs_no_first_look(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN)
    assert [sounds(step) for step in read_plan(path).steps] == [False]
    found = check_plan(path, bench=_line_bench(tmp_path, "tuner"))
    assert (found.before_s, found.missing) == (0.0, ())
    assert found.steps[0].foreseen is not None
    assert found.steps[0].foreseen.plays == "nothing at all, listening"
    path.write_text(PLAN.replace("listen_only = true\n", ""))
    assert [sounds(step) for step in read_plan(path).steps] == [True]
    assert check_plan(path, bench=_line_bench(tmp_path, "tuner")).before_s > 0.0


@pytest.mark.wide
def test_what_it_plays_by_itself_is_not_referred_to_its_input(tmp_path: Path) -> None:
    """A deck that was looked at with its monitor at source plays a tape then."""
    with Session(open_bench_file(_line_bench(tmp_path, "cassette-deck"))) as session:
        through = session.measure(registry.find("noise"), {"duration_s": 1.0})
        heard = session.measure(registry.find("noise"), {"duration_s": 1.0, "listen_only": True})
    assert through.channel(1).values["gain_db"] == pytest.approx(0.0, abs=0.2)  # the unit's file; noise of a quiet look
    assert heard.channel(1).values["gain_db"] is None
    assert heard.channel(1).values["unweighted_input_v_rms"] is None


@pytest.mark.wide
def test_a_plain_request_says_the_way_out(tmp_path: Path) -> None:
    with (
        Session(open_bench_file(_line_bench(tmp_path, "tuner"))) as session,
        pytest.raises(CaptureError, match=r"a player.*listen_only"),
    ):
        session.measure(registry.find("noise"), {"duration_s": 1.0})


def _short_is_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """What stays on the disk from a minute on does so from half a second on, in many blocks."""
    monkeypatch.setattr("audiomeas.measurement.session._LONG_S", 0.5)
    monkeypatch.setattr(listening, "BLOCK_FRAMES", 7_001)
    monkeypatch.setattr(listening.sample_blocks, "__defaults__", (7_001,))


def _kept_in(folder: Path) -> CaptureFolder:
    return CaptureFolder(folder / "kept", "noise")


def test_a_long_capture_stays_on_the_disk_and_gives_the_same_numbers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _short_is_long(monkeypatch)
    between = Meddling(open_bench_file(path := _line_bench(tmp_path, "cd-player")).interface)
    keep = _kept_in(tmp_path)
    with Session(Bench(open_bench_file(path).file, between)) as session:
        result = session.measure(registry.find("noise"), {"duration_s": 1.0, "listen_only": True}, keep=keep)
    assert not any(np.any(block) for stream in between.played for block in stream)
    (file,) = keep.written
    recording = open_recording(file)
    assert isinstance(recording, RecordingOnDisk) and recording.frames == recording.stimulus.frames
    assert recording.conditions["listen_only"] is True and recording.stimulus_start == 0
    in_memory = registry.find("noise").analyse(read_recording(file), complete(registry.find("noise"), {}))
    assert [one.values for one in in_memory.channels] == [one.values for one in result.channels]
    assert result.channel(1).values["unweighted_v_rms"] == pytest.approx(TRUTH_V_RMS[1], rel=0.015)
    assert any("rests on your word" in line for line in result.warnings)


def test_a_long_capture_that_is_not_kept_goes_to_the_disk_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twenty minutes at 96 kHz in memory ended in a MemoryError (found by tests/fuzz.py)."""
    _short_is_long(monkeypatch)
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr("audiomeas.interface.listening._SCRATCH", tmp_path / "temporary")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "in memory, on many systems"))  # none: nothing may go there
    read: list[type] = []
    noise = registry.find("noise")

    def watched(recording: Recording, options: Mapping[str, Any]) -> Result:
        read.append(type(recording))
        return noise.analyse(recording, options)

    monkeypatch.setattr(api, "find", lambda _: dataclasses.replace(noise, analyse=watched))
    result = api.measure("noise", bench=_line_bench(tmp_path, "cd-player"), duration_s=1.0, listen_only=True)
    assert read == [RecordingOnDisk]
    assert result.channel(1).values["unweighted_v_rms"] == pytest.approx(TRUTH_V_RMS[1], rel=0.015)
    assert not list((tmp_path / "temporary").iterdir())


def test_a_long_capture_that_is_too_loud_is_kept_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _short_is_long(monkeypatch)
    (tmp_path / "loud.toml").write_text(shipped_units()["cd-player"].read_text().replace("= 1.9e-5", "= 3.0"))
    keep = _kept_in(tmp_path)
    bench = open_bench_file(_line_bench(tmp_path, "loud.toml"))
    with Session(bench) as session, pytest.raises(CaptureError) as refused:
        session.measure(registry.find("noise"), {"duration_s": 1.0, "listen_only": True}, keep=keep)
    (file,) = keep.written
    assert str(refused.value) in read_recording(file).warnings[-1]


def test_what_is_listened_to_is_what_a_plain_capture_of_silence_has(tmp_path: Path) -> None:
    """The same simulated stream twice, whose noise is the same: through memory, and through the disk."""
    path, frames = _line_bench(tmp_path, "cd-player"), 30_011
    plain, heard = open_bench_file(path), open_bench_file(path)
    wanted = play(plain.interface, np.zeros((frames, 2)), plain.form)
    found = heard.listen(frames)
    assert np.array_equal(found.samples, wanted.samples)
    assert (found.stopped, found.played_frames, found.signal_number) == ("", frames, None)


@pytest.mark.parametrize("block_frames", [1, 2, 5, 64])
def test_over_range_is_counted_across_the_seams_of_blocks(block_frames: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A frame counts where it and a neighbour stand at an end code: runs of at least two, counted by hand here."""
    monkeypatch.setattr(listening.sample_blocks, "__defaults__", (block_frames,))
    at_end = np.random.default_rng(2).random((60, 2)) < 0.5
    samples = np.where(at_end, 2**31 - 256, 0).astype(np.int32)
    form = StreamFormat(
        sample_rate_hz=48_000, output_channels=2, input_channels=2, block_frames=64, sample_format="int24"
    )
    identity = InterfaceIdentity(
        name="none", host_api="none", simulated=True, max_output_channels=2, max_input_channels=2
    )
    capture = Capture(samples=samples, form=form, identity=identity, started_at=datetime.now(UTC))
    runs = [[len(list(run)) for is_at, run in itertools.groupby(column) if is_at] for column in at_end.T]
    assert over_range_frames(capture, (1, 2)) == tuple(sum(run for run in column if run > 1) for column in runs)
