"""A batch that is killed (SIGKILL) at random moments and taken up again: nothing lost, nothing twice, all verified."""

from __future__ import annotations

import json
import random
import subprocess
import time
from pathlib import Path

import pytest
from stacks import UNITS, name_of, program, stack_file, visit_folders

from audiomeas.plan.batch_folder import BatchFolder
from audiomeas.record.verify import verify
from audiomeas.record.visit import read_visit

#: A batch takes a few seconds on the simulated bench; kills fall anywhere in them, and in what is taken up after.
_LONGEST_S = 300.0


def through(folder, stack, rng, longest_s, kills):
    """Run a batch to its end, killed so many times; return the number of kills that came in time."""
    killed = 0
    for number in range(kills + 1):
        begun = [BatchFolder(file.parent) for file in folder.glob("records/batches/*/batch.json")]
        if any(each.finished for each in begun):  # killed behind its last line, while it told what it came to
            return killed
        more = ("--resume",) if begun else ()
        process = program(folder, stack, *more)
        if number < kills:
            try:
                process.wait(rng.uniform(0.0, longest_s))
            except subprocess.TimeoutExpired:
                process.kill()
                killed += 1
        out, err = process.communicate(timeout=_LONGEST_S)
        if process.returncode != -9:
            assert process.returncode == 0, out + err
            return killed
    raise AssertionError("the batch never came to its end")


def assert_whole(folder):
    """Each unit has one visit, finished, verified, with each step once."""
    records = folder / "records"
    visits = [read_visit(path).verified() for path in visit_folders(records)]
    assert sorted(visit.unit.name for visit in visits) == sorted(name_of(letter) for letter in UNITS)
    for visit in visits:
        assert visit.complete and visit.verdict == "pass"
        assert [step.name for step in visit.steps] == list(visit.planned_steps)
        finished = [line["name"] for line in visit.journal if line["event"] == "step started"]
        assert set(finished) == set(visit.planned_steps)
        ended = [line["step"] for line in visit.journal if line["event"] == "step finished"]
        assert sorted(ended) == sorted(step.folder.name for step in visit.steps)  # none measured twice to its end
        for step in (*visit.steps, *visit.broken_off):
            for capture in step.captures:
                assert capture.with_name(capture.name + ".json").exists() or step in visit.broken_off
    (batch,) = records.glob("batches/*")
    events = [json.loads(line) for line in (batch / "journal.jsonl").read_text().splitlines()]
    assert [event["number"] for event in events if event["event"] == "unit done"] == [1, 2, 3, 4, 5]
    assert not verify(records).problems


@pytest.mark.wide
@pytest.mark.parametrize("seed", range(20))
def test_killed_at_ten_random_moments_and_taken_up(tmp_path: Path, seed):
    """The issue asks for 200 moments of a batch of 5 units on the simulated bench."""
    rng = random.Random(seed)
    stack = stack_file(tmp_path)
    began_s = time.monotonic()
    killed = through(tmp_path, stack, rng, longest_s=8.0, kills=10)
    print(f"seed {seed}: {killed} kills, {time.monotonic() - began_s:.1f} s")
    assert_whole(tmp_path)
