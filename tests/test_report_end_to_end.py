"""The customer's report of the whole shipped plan on the simulated bench: measured, judged, stored, printed."""

from __future__ import annotations

import math
import re
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import present_cases as cases
import pytest
from benches import bench_file

import audiomeas
from audiomeas.files import shipped
from audiomeas.plan.run import RunOutcome
from audiomeas.present.content import content_of
from audiomeas.present.report import report_pages
from audiomeas.present.style import PAPERS_PT
from audiomeas.record.visit import read_visit


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunOutcome]:
    """Run all five steps once, on the amplifier whose second channel is weak: four limits fail."""
    folder = tmp_path_factory.mktemp("whole-plan")
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("AUDIOMEAS_BENCH", raising=False)
        yield audiomeas.run(
            shipped("examples", "plans", "power-amplifier.toml"),
            unit="Demo amplifier C, serial D-0003",
            bench=bench_file(folder, unit="amplifier-weak-channel"),
            records=folder / "records",
        )


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
def test_the_shipped_plan_makes_one_page(outcome: RunOutcome, paper: str) -> None:
    pages = report_pages(content_of(read_visit(outcome.visit.path)), paper=paper)
    assert len(pages) == 1
    assert cases.outside(pages[0]) == []
    assert cases.overlapping(pages[0]) == []
    _check_words(" ".join(text for text, _ in cases.drawn_texts(pages[0])))


@pytest.mark.poppler
@pytest.mark.parametrize("paper", PAPERS_PT)
def test_other_programs_find_one_page_with_the_unit_and_its_watts(
    outcome: RunOutcome, tmp_path: Path, need: Callable[[str], str], paper: str
) -> None:
    file = audiomeas.report(outcome.visit.path, tmp_path / "report.pdf", paper=paper)

    def run(*words: str | Path) -> str:
        return subprocess.run(words, capture_output=True, text=True, check=True).stdout

    facts = run(need("pdfinfo"), file)
    assert re.search(r"^Pages:\s+1$", facts, re.MULTILINE)
    _check_words(" ".join(run(need("pdftotext"), "-layout", file, "-").split()))
