"""Listening with nothing sent: closed inputs, units that play by themselves. Truth: the unit's own file."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from benches import CALIBRATION, Meddling

from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.errors import CaptureError
from audiomeas.files import shipped
from audiomeas.measurement import registry
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import Result
from audiomeas.measurement.session import Session
from audiomeas.plan.check import check_plan
from audiomeas.plan.file import read_plan
from audiomeas.plan.steps import sounds
from audiomeas.recording import Recording
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
    result, between = _listening(_line_bench(tmp_path, "tuner"), kept)
    assert isinstance(result, Result)
    assert between.streams == 1  # no first look
    assert not any(np.any(block) for stream in between.played for block in stream)
    # The unit's file: 200 and 210 µV of white noise, hum of 40 and 30 µV; the card adds 4 µV. 20 kHz and 1 s are 40,000
    # independent values: r.m.s. within 0.35 % (standard deviation), three of them and a bit for the band's edge.
    for channel, noise_v_rms in ((1, 2.0e-4), (2, 2.1e-4)):
        truth = math.sqrt(noise_v_rms**2 + 4e-5**2 + 3e-5**2 + 4e-6**2)
        assert result.channel(channel).values["unweighted_v_rms"] == pytest.approx(truth, rel=0.015)
    assert any("rests on your word" in line for line in result.warnings)
    (recording,) = kept
    assert recording.conditions["listen_only"] is True
    assert "latency_frames" not in recording.conditions
    again = registry.find("noise").analyse(recording, complete(registry.find("noise"), {"listen_only": True}))
    assert again.channel(1).values["a_weighted_v_rms"] == result.channel(1).values["a_weighted_v_rms"]


def test_what_is_louder_than_the_card_takes_is_kept_and_gives_no_number(tmp_path: Path) -> None:
    """3 V of noise at a card that takes 2 V r.m.s. of a sine."""
    text = shipped_units()["tuner"].read_text().replace("= 2.0e-4", "= 3.0")
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
