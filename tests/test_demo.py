"""The demo on one of its units (.ci/run runs the whole): what it leaves, what it says, what it refuses."""

from __future__ import annotations

import pytest

import audiomeas.demo as module
from audiomeas.errors import FileProblem, RequestError


def test_it_leaves_records_charts_and_reports_and_says_what_next(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "STACK", {"amplifier-under-biased": "Demo amplifier B, serial D-0002"})
    monkeypatch.setenv("AUDIOMEAS_BENCH", str(tmp_path / "none.toml"))  # takes no part
    monkeypatch.chdir(tmp_path)
    said, parts = [], []
    outcome = module.demo(say=said.append, progress=lambda doing, part: parts.append(part))
    folder = tmp_path / "audiomeas-demo"
    assert (folder / "power-amplifier.toml").exists()
    (report,) = outcome.reports
    assert report.read_bytes().startswith(b"%PDF")
    assert {path.suffix for path in outcome.charts} == {".png"}
    assert all(path.stat().st_size > 10_000 for path in outcome.charts)
    (run,) = outcome.runs
    assert run.verdict == "fail"
    assert run.visit.simulated
    text = outcome.text()
    assert "SIMULATED" in text
    assert text.index("Look at") < text.index("Try next")
    assert parts[-1] == 1.0
    assert any("step 5 of 5" in line for line in said)
    with pytest.raises(RequestError, match="exists already"):
        module.demo("audiomeas-demo")


def test_a_place_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(FileProblem, match="file"):
        module.demo(tmp_path / "file" / "demo")
