"""Charts on the screen: a window where there is one, else the system's viewer, else one line that says so."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path
from urllib.parse import unquote, urlparse

import present_cases as cases
import pytest
from test_cli import refused
from tests_support import missing

from audiomeas.present import showing

#: Shows a chart in a real window, looks at it half a second later, and closes it as a person would.
WINDOW = """
import matplotlib.pyplot as plt
from present_cases import VIEWS
from audiomeas.present import showing
showing._WINDOWS = ("tkagg",)
wait, seen = showing._wait_for_closing, []
def closing():
    window = plt.gcf().canvas.manager.window
    def look():
        seen.extend((bool(window.winfo_viewable()), len(plt.gcf().axes)))
        plt.close("all")
    window.after(500, look)
    wait()
showing._wait_for_closing = closing
words = showing.show_chart(VIEWS["one point"])
assert words == "", words
print(*seen)
"""


@pytest.fixture(autouse=True)
def nothing_opens(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Let no window and no viewer open in earnest; return the addresses that a viewer was asked for."""
    asked: list[str] = []
    monkeypatch.setattr(showing.webbrowser, "open", lambda address: asked.append(address) or True)
    monkeypatch.setattr(showing, "_WINDOWS", ("a window that nobody has",))
    return asked


def screen(monkeypatch: pytest.MonkeyPatch, display: str | None) -> None:
    monkeypatch.setattr(showing.sys, "platform", "linux")
    for name in showing._SCREENS:
        monkeypatch.delenv(name, raising=False)
    if display is not None:
        monkeypatch.setenv(showing._SCREENS[0], display)


def test_without_a_screen_one_line_says_so_and_nothing_opens(monkeypatch, nothing_opens) -> None:
    screen(monkeypatch, None)
    words = showing.show_chart(cases.response_view())
    assert words.startswith("no screen here")
    assert "\n" not in words
    assert nothing_opens == []


def test_without_a_window_the_system_s_viewer_gets_the_picture(monkeypatch, nothing_opens) -> None:
    screen(monkeypatch, ":0")
    words = showing.show_chart(cases.VIEWS["one point"])
    (address,) = nothing_opens
    file = Path(unquote(urlparse(address).path))
    assert file.read_bytes().startswith(b"\x89PNG")
    assert str(file) in words


def test_without_any_viewer_the_picture_is_named(monkeypatch) -> None:
    screen(monkeypatch, ":0")
    monkeypatch.setattr(showing.webbrowser, "open", lambda _: False)
    assert "no window and no viewer" in showing.show_chart(cases.VIEWS["one point"])


def test_a_window_holds_the_chart_until_it_is_closed(monkeypatch, nothing_opens) -> None:
    """With matplotlib's own canvas without a screen in the place of a window."""
    import matplotlib.pyplot as plt

    screen(monkeypatch, ":0")
    monkeypatch.setattr(showing, "_WINDOWS", ("a window that nobody has", "agg"))
    seen = []
    monkeypatch.setattr(showing, "_wait_for_closing", lambda: seen.append(len(plt.gcf().axes)))
    assert showing.show_chart(cases.VIEWS["one point"]) == ""
    assert seen == [1]
    assert nothing_opens == []
    assert plt.get_fignums() == []


def test_a_chart_needs_a_file_or_a_screen() -> None:
    refused("chart", "no-record", words="--show")


@pytest.mark.parametrize(("file", "show", "calls"), [
    ("a.png", False, ["chart"]), ("a.png", True, ["chart", "show"]), (None, True, ["show"]), (None, False, []),
])  # fmt: skip
def test_measure_draws_and_shows_what_was_asked_for(monkeypatch, file, show, calls) -> None:
    from audiomeas.cli import measure
    from audiomeas.present import api

    made: list[str] = []
    monkeypatch.setattr(api, "chart", lambda *_, **__: made.append("chart"))
    monkeypatch.setattr(api, "show", lambda *_, **__: made.append("show"))
    measure._chart(object(), file, show=show)
    assert made == calls


@pytest.mark.wide
def test_a_real_window_opens_on_a_screen_and_closes() -> None:
    """On a screen without glass (Xvfb), in tkinter's window: it is seen there, with its axes, until it is closed."""
    if shutil.which("Xvfb") is None or importlib.util.find_spec("tkinter") is None:
        missing("Xvfb (Debian: xvfb) and tkinter (Debian: python3-tk)")
    reading, writing = os.pipe()
    command = ["Xvfb", "-displayfd", str(writing), "-screen", "0", "1280x1024x24"]
    virtual = subprocess.Popen(command, pass_fds=[writing], stderr=subprocess.DEVNULL)
    try:
        os.close(writing)
        with os.fdopen(reading) as told:
            display = f":{told.readline().strip()}"
        done = subprocess.run(
            [sys.executable, "-c", WINDOW], env={**os.environ, "DISPLAY": display}, capture_output=True, text=True,
            timeout=120, cwd=Path(__file__).parent,
        )  # fmt: skip
    finally:
        virtual.terminate()
        virtual.wait(timeout=30)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["True", "1"]
