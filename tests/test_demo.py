"""The demo on one of its units (.ci/run runs the whole): what it leaves, what it says, what it refuses.

With the plan's first step alone, to be quick; with all of its steps among the wider tests.
"""

from __future__ import annotations

import shlex

import pytest

import audiomeas.demo as module
from audiomeas.cli.main import status_of
from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import shipped
from audiomeas.record.store import find_visits


def _with_the_first_step_alone(tmp_path, monkeypatch):
    head, first, *_ = shipped("examples", "plans", module.PLAN).read_text(encoding="utf-8").split("[[step]]")
    short = tmp_path / module.PLAN
    short.write_text(f"{head}[[step]]{first}", encoding="utf-8")
    monkeypatch.setattr(module, "shipped", lambda *parts: short if parts[-1] == module.PLAN else shipped(*parts))


@pytest.mark.parametrize("steps", [1, pytest.param(5, marks=pytest.mark.wide)])
def test_it_leaves_records_charts_and_reports_and_says_what_next(tmp_path, monkeypatch, steps):
    if steps == 1:
        _with_the_first_step_alone(tmp_path, monkeypatch)
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
    assert any(f"step {steps} of {steps}" in line for line in said)
    with pytest.raises(RequestError, match="exists already"):
        module.demo("audiomeas-demo")


def _commands(text: str) -> list[list[str]]:
    """Return the words of each line below 'Try next', as a shell (POSIX) would take them."""
    lines = text.partition("Try next\n")[2].replace("\\\n", " ").splitlines()
    return [shlex.split(line) for line in lines]


@pytest.mark.wide
def test_what_it_says_to_try_next_works_when_it_is_copied(tmp_path, monkeypatch, capsys):
    """In a folder whose name a shell would part."""
    _with_the_first_step_alone(tmp_path, monkeypatch)
    monkeypatch.setattr(module, "STACK", {"amplifier-healthy": "Demo amplifier A, serial D-0001"})
    monkeypatch.chdir(tmp_path)
    commands = _commands(module.demo("my demo").text())
    assert [words[:2] for words in commands] == [
        ["audiomeas", word] for word in ("report", "chart", "run", "measure")
    ]  # fmt: skip
    for _, *arguments in commands:
        assert status_of(arguments) == 0, capsys.readouterr().err
    assert (tmp_path / "another.pdf").exists()
    assert (tmp_path / "harmonics.png").exists()
    stages = sorted(visit.stage for visit in find_visits(tmp_path / "my demo" / "records"))
    assert stages == ["as-found", "as-left"]  # both visits of the unit stand in one place


def test_a_place_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(FileProblem, match="file"):
        module.demo(tmp_path / "file" / "demo")
