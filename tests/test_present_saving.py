"""A disk that gets full while a picture is written: one line of ours, and nothing left behind."""

from __future__ import annotations

import resource
import signal
from pathlib import Path

import present_cases as cases
import pytest
from plan_fakes import in_fork

from audiomeas.errors import FileProblem
from audiomeas.present.charts import chart_figure
from audiomeas.present.report import report_pages
from audiomeas.present.saving import save_pages


@pytest.mark.parametrize(("suffix", "room_bytes"), [
    (".pdf", 0), (".png", 0), (".svg", 0), (".pdf", 4096),
    pytest.param(".png", 4096, marks=pytest.mark.wide), pytest.param(".svg", 4096, marks=pytest.mark.wide),
])  # fmt: skip
def test_a_file_that_finds_no_room_is_said_and_leaves_nothing(tmp_path: Path, suffix: str, room_bytes: int) -> None:
    """The system refuses to let any file grow (setrlimit, POSIX): as on a full disk, each write fails."""
    figure = chart_figure(cases.response_view())
    pages = [figure] if suffix == ".svg" else [figure, *report_pages(cases.PLAIN)]

    def written() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (room_bytes, room_bytes))
        with pytest.raises(FileProblem, match=r"can't write .*a\."):
            save_pages(pages, tmp_path / f"a{suffix}", title="t")

    assert in_fork(written) == 0
    assert list(tmp_path.iterdir()) == []
