"""What the README shows is true: its Python runs, its plan is a plan, its commands exist, its paths are there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from audiomeas.cli.main import audiomeas
from audiomeas.plan.file import read_plan

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language):
    return re.findall(rf"```{language}\n(.*?)```", README, flags=re.S)


def test_the_python_example_runs(tmp_path, monkeypatch, capsys):
    (code,) = blocks("python")
    monkeypatch.chdir(tmp_path)
    exec(compile(code, "README.md", "exec"), {})
    out = capsys.readouterr().out
    assert re.search(r"channel 1: 2\.8\d\d V, 1\.0\d W, THD 0\.00\d+ %, THD\+N 0\.0\d+ %", out), out
    assert "SIMULATED" in out
    assert (tmp_path / "response.png").stat().st_size > 1000
    assert len(code.strip().splitlines()) <= 13  # 'ten lines of Python', give or take the line breaks


def test_the_plan_example_is_a_plan(tmp_path):
    (text,) = (block for block in blocks("toml") if "[[step]]" in block)
    (tmp_path / "p.toml").write_text(text)
    plan = read_plan(tmp_path / "p.toml")
    before = ["instruction"] * 4 + ["reading"]  # ohms from minus to chassis twice, wiring, checklist
    assert [step.measure for step in plan.steps] == [
        *before,
        "reading",
        "instruction",
        "distortion",
        "response",
        "power",
    ]


def commands():
    found = []
    for block in blocks("sh"):
        for line in block.splitlines():
            words = shlex.split(line.split("  #")[0])
            if words and words[0] == "audiomeas":
                found.append(words[1:])
    return found


@pytest.mark.parametrize("words", commands(), ids=" ".join)
def test_commands_and_options_exist(words):
    """Each shown command line parses: its sub-command is there and has the options shown (asked by --help)."""
    names = [word for word in words if not word.startswith("-")]
    path = names[:2] if words[0] in ("measure", "analyze", "bench", "generate") else names[:1]
    if words == ["--help"]:
        path = []
    result = CliRunner().invoke(audiomeas, [*path, "--help"])
    assert result.exit_code == 0, result.output
    for option in (word for word in words if word.startswith("--")):
        assert option in result.output


def test_the_two_commands_are_there():
    first, second = (block for block in blocks("sh") if block.startswith("python3 -m venv"))
    assert first.strip() == "python3 -m venv .venv && .venv/bin/pip install -q . && .venv/bin/audiomeas demo"
    assert second.strip() == "python3 -m venv .venv && .venv/bin/pip install -q '.[test]' && .venv/bin/pytest"
    assert second.strip() in (ROOT / ".ci" / "run").read_text(encoding="utf-8").replace('"', "'")


@pytest.mark.parametrize("path", sorted(set(re.findall(r"`((?:examples|calibrations)/[\w./-]+)`", README))))
def test_files_that_it_names_are_there(path):
    assert (ROOT / path).exists()


@pytest.mark.parametrize("path", sorted((ROOT / "examples" / "plans").glob("*.toml")), ids=lambda p: p.name)
def test_shipped_plans_read(path):
    assert read_plan(path).steps


@pytest.mark.parametrize("path", sorted((ROOT / "examples" / "benches").glob("*.toml")), ids=lambda p: p.name)
def test_shipped_benches_read(path):
    from audiomeas.bench.file import read_bench

    assert read_bench(path).channels == (1, 2)
