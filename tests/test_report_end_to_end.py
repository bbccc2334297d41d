"""The customer's report of the whole shipped plan on the simulated bench: measured, judged, stored, printed."""

from __future__ import annotations

import math
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import present_cases as cases
import pytest
from benches import bench_file
from test_cli import refused, run

import audiomeas
from audiomeas.present.content import content_of
from audiomeas.present.report import report_pages
from audiomeas.present.style import PAPERS_PT
from audiomeas.record.visit import read_visit


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run all five steps once, as a person does, on the amplifier whose second channel is weak: four limits fail."""
    folder = tmp_path_factory.mktemp("whole-plan")
    bench = bench_file(folder, unit="amplifier-weak-channel", rate_hz=48_000)
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("AUDIOMEAS_BENCH", raising=False)
        words = ("run", "power-amplifier", "--unit", "Demo amplifier C, serial D-0003", "--bench", bench)
        status, out, err = run(*words, cwd=folder)
    assert status == 1, err
    assert "SIMULATED" in out
    assert "fail" in out
    (path,) = (folder / "records").glob("*/*-as-found")
    return path


def test_the_visit_of_a_run_makes_a_report_and_charts(visit: Path, tmp_path: Path) -> None:
    status, _, err = run("report", visit, "page.pdf", cwd=tmp_path)
    assert status == 0, err
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF")
    for name in ("r.png", "r.svg", "r.pdf"):
        assert run("chart", visit, name, cwd=tmp_path)[0] == 0
        assert (tmp_path / name).stat().st_size > 1000
    refused("chart", visit, "r.png", words="never overwritten", cwd=tmp_path)
    refused("chart", visit, "r.gif", words=".png", cwd=tmp_path)


def _watts(text: str) -> list[float]:
    """Return the watts of channels 1 and 2 that stand first in a report."""
    found = re.search(r"([\d.]+) ± [\d.]+ W on channel 1, ([\d.]+) ± [\d.]+ W on channel 2", text)
    assert found is not None
    return [float(number) for number in found.groups()]


def _check_words(text: str) -> None:
    for words in ("Demo amplifier C", "serial D-0003", "SIMULATED", "Verdict: fail", "page 1 of 1"):
        assert words in text
    assert "Of 24 values with a limit, 20 kept their limit, 4 did not keep their limit." in text
    # The unit's file: 27.0 dB and 0.16 Ω against 25.4 dB and 0.17 Ω, each into 8 Ω (a voltage divider). The level is
    # set on the louder channel to within 0.02 dB, 0.5 % of power; a report rounds to 0.01 W.
    weaker_db = 27.0 - 25.4 + 20.0 * math.log10(8.17 / 8.16)
    one, two = _watts(text)
    assert one == pytest.approx(30.0, rel=0.005)
    assert two == pytest.approx(one * 10.0 ** (-weaker_db / 10.0), rel=0.002)


@pytest.mark.parametrize("paper", PAPERS_PT)
def test_the_shipped_plan_makes_one_page(visit: Path, paper: str) -> None:
    pages = report_pages(content_of(read_visit(visit)), paper=paper)
    assert len(pages) == 1
    assert cases.outside(pages[0]) == []
    assert cases.overlapping(pages[0]) == []
    _check_words(" ".join(text for text, _ in cases.drawn_texts(pages[0])))


@pytest.mark.poppler
@pytest.mark.parametrize("paper", PAPERS_PT)
def test_other_programs_find_one_page_with_the_unit_and_its_watts(
    visit: Path, tmp_path: Path, need: Callable[[str], str], paper: str
) -> None:
    file = audiomeas.report(visit, tmp_path / "report.pdf", paper=paper)

    def said_by(*words: str | Path) -> str:
        return subprocess.run(words, capture_output=True, text=True, check=True).stdout

    facts = said_by(need("pdfinfo"), file)
    assert re.search(r"^Pages:\s+1$", facts, re.MULTILINE)
    _check_words(" ".join(said_by(need("pdftotext"), "-layout", file, "-").split()))
