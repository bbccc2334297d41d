"""Results made again from their captures: the same to the last bit, and every other number found and named."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from archive_fakes import SNAPSHOT, UNIT
from plan_fakes import capture_of
from tests_support import missing

import audiomeas
from audiomeas.cli.main import status_of
from audiomeas.errors import FileProblem, RequestError
from audiomeas.measurement import registry
from audiomeas.measurement.entered import instruction_result
from audiomeas.measurement.options import complete
from audiomeas.record.checksums import CHECKSUM_FILE, write_checksums
from audiomeas.record.store import PlanAsRun, open_visit

TONE, ASKED = "Tone", "Asked"


def write_visit(records: Path) -> Path:
    """Write a visit with a captured tone (0.25 s of 1 kHz and noise), analysed as a run does, and an answer."""
    times_s = np.arange(12_000) / 48_000.0
    rng = np.random.default_rng(11)
    tone = 0.4 * np.sin(2 * np.pi * 1000.0 * times_s)[:, None] + rng.normal(0.0, 1e-4, (len(times_s), 2))
    capture, recording = capture_of(np.round(tone * 2**23).astype(np.int32) * 256)
    plan = PlanAsRun(title="Short", kind=UNIT.kind, file="short.toml", text="title = 'Short'\n", steps=(TONE, ASKED))
    visit = open_visit(records, UNIT, plan=plan, snapshot=SNAPSHOT)
    step = visit.begin_step(TONE, "distortion", {"output_level": "1 W", "not_stated": ["load"]})
    step.keep(capture, recording)
    measurement = registry.find("distortion")
    step.finish(measurement.analyse(recording, complete(measurement, {})), ())
    asked = visit.begin_step(ASKED, "instruction", {})
    asked.finish(instruction_result("Look", "Clean?", "yes", expected="", right=None, simulated=True), ())
    visit.finish(None)
    return visit.path


@pytest.fixture(scope="module")
def visit(tmp_path_factory) -> Path:
    return write_visit(tmp_path_factory.mktemp("again") / "records")


@pytest.fixture
def changed(visit, tmp_path) -> Path:
    """A copy of the visit that may be changed, and then be closed again (`closed_again`)."""
    home = tmp_path / "records" / visit.parent.name
    shutil.copytree(visit.parent, home)
    return home / visit.name


def closed_again(folder: Path) -> None:
    (folder / CHECKSUM_FILE).unlink()
    write_checksums(folder)


def edited(file: Path, change) -> None:
    facts = json.loads(file.read_text(encoding="utf-8"))
    change(facts)
    file.write_text(json.dumps(facts), encoding="utf-8")


def outcomes(found) -> list[tuple[str, str]]:
    return [(step.step, step.outcome) for step in found.steps]


def test_the_same_version_gives_the_same_bits_and_writes_nothing(visit):
    before = {file: file.stat().st_mtime_ns for file in visit.rglob("*")}
    for source in (visit, visit.parent, visit.parent.parent):
        found = audiomeas.reanalyze(source)
        assert outcomes(found) == [(TONE, "the same"), (ASKED, "not from a capture")]
        assert found.proven
    assert {file: file.stat().st_mtime_ns for file in visit.rglob("*")} == before


def test_a_number_that_is_another_one_is_named_with_both(changed, capsys):
    result = changed / "01-tone" / "result.json"
    edited(result, lambda facts: facts["channels"][1].update(thd_percent=1.0))
    closed_again(changed)
    found = audiomeas.reanalyze(changed)
    (moved,) = found.steps[0].moved
    assert (moved.where, moved.before) == ("channels/2/thd_percent", 1.0)
    assert 0.0 < moved.after < 1.0
    assert not found.proven
    assert status_of(["reanalyze", str(changed)]) == 2
    assert "channels/2/thd_percent: 1, now 0." in capsys.readouterr().out


def test_what_another_version_moved_is_listed_and_no_fault(changed, capsys):
    def older(facts):
        facts["channels"][0].update(thd_percent=1.0)
        facts["audiomeas"] = "0.0.9"

    edited(changed / "01-tone" / "result.json", older)
    edited(changed / "visit.json", lambda facts: facts.update(audiomeas="0.0.9"))
    closed_again(changed)
    assert status_of(["reanalyze", str(changed)]) == 0
    assert f"then audiomeas 0.0.9, now {audiomeas.__version__}" in " ".join(capsys.readouterr().out.split())


def test_another_rounding_is_told_apart_from_another_result(changed):
    def last_bit(facts):
        facts["channels"][0]["level_v_rms"] = float(np.nextafter(facts["channels"][0]["level_v_rms"], np.inf))

    edited(changed / "01-tone" / "result.json", last_bit)
    closed_again(changed)
    found = audiomeas.reanalyze(changed)
    assert outcomes(found)[0] == (TONE, "the same within rounding")
    assert found.proven and not found.steps[0].moved


def test_a_key_that_came_or_went_is_a_difference(changed):
    edited(changed / "01-tone" / "result.json", lambda facts: facts["channels"][0].update(new_figure=None, other=2))
    closed_again(changed)
    (step, _) = audiomeas.reanalyze(changed).steps
    assert [(moved.where, moved.before, moved.after) for moved in step.moved] == [("channels/1/other", 2, None)]


def test_a_changed_record_is_left_out_and_said(changed):
    (changed / "plan.toml").write_text("title = 'Changed'\n")
    said = []
    found = audiomeas.reanalyze(changed, say=said.append)
    assert not found.steps and not found.proven
    assert "proves nothing" in said[0]


def test_a_capture_that_was_changed_is_not_analysed(changed):
    """Its samples are held against their own checksum, although the visit was closed again."""
    capture = next((changed / "01-tone").glob("*.flac"))
    data = bytearray(capture.read_bytes())
    data[len(data) // 2] ^= 1
    capture.write_bytes(data)
    closed_again(changed)
    found = audiomeas.reanalyze(changed)
    assert outcomes(found)[0] == (TONE, "not analysed")
    assert capture.name in found.steps[0].reason
    assert not found.proven


def test_a_capture_that_is_missing_or_an_option_of_a_file_elsewhere_is_told(changed):
    step = changed / "01-tone"
    edited(step / "step.json", lambda facts: facts.update(measurement="response", conditions={"loopback": "gone.flac"}))
    closed_again(changed)
    assert "loopback is gone.flac, which is not in the record" in audiomeas.reanalyze(changed).steps[0].reason
    for file in step.glob("*.flac*"):
        file.unlink()
    closed_again(changed)
    assert "holds no capture" in audiomeas.reanalyze(changed).steps[0].reason


def test_wrong_sources_are_refused(tmp_path):
    with pytest.raises(FileProblem, match="holds no visits"):
        audiomeas.reanalyze(tmp_path)
    with pytest.raises(FileProblem, match="nowhere"):
        audiomeas.reanalyze(tmp_path / "nowhere")


def test_any_executor_gives_the_same(visit):
    with ThreadPoolExecutor(2) as executor:
        found = audiomeas.reanalyze(visit, executor=executor)
    assert outcomes(found) == [(TONE, "the same"), (ASKED, "not from a capture")]
    with pytest.raises(RequestError, match="at least one worker"):
        audiomeas.reanalyze(visit, workers=0)


@pytest.mark.wide
def test_processes_give_the_same(visit):
    assert audiomeas.reanalyze(visit, workers=2).proven
    with ProcessPoolExecutor(2) as executor:
        assert outcomes(audiomeas.reanalyze(visit, executor=executor))[0] == (TONE, "the same")


@pytest.mark.wide
def test_the_example_runs_on_a_dask_cluster(visit):
    """dask.distributed is no dependency, not even of tests: 20 packages for one example."""
    if find_spec("distributed") is None:
        missing("dask.distributed is not installed (pip install distributed)")
    example = Path(__file__).parent.parent / "examples" / "reanalyze_on_a_cluster.py"
    done = subprocess.run(
        [sys.executable, str(example), str(visit.parent.parent)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == "1 the same, 1 not from a capture"
