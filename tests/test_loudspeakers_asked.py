"""`run` asks whether loudspeakers are connected: on a terminal (a pseudo-terminal of the system), and only there."""

from __future__ import annotations

import contextlib
import io
import os
import re
import sys
import termios
from contextlib import contextmanager

import pytest
from benches import bench_file

from audiomeas.cli.main import status_of

END = "(the end)\n"
QUESTION = "Are loudspeakers connected to the unit?"


@contextmanager
def terminal(typed):
    """Stand on a terminal where this was typed ahead; yield a call that returns what it shows, up to `END`."""
    keyboard, screen = os.openpty()
    settings = termios.tcgetattr(screen)
    settings[3] &= ~termios.ECHO  # what is typed is no part of what is shown
    termios.tcsetattr(screen, termios.TCSANOW, settings)
    os.write(keyboard, typed)
    before = sys.stdin, sys.stderr

    def shown():
        text = b""
        while END.strip().encode() not in text:
            text += os.read(keyboard, 65_536)
        return text.decode()

    with open(screen, closefd=False) as sys.stdin, open(screen, "w", buffering=1, closefd=False) as sys.stderr:
        try:
            yield shown
        finally:
            sys.stdin, sys.stderr = before
            os.close(screen)
            os.close(keyboard)


@pytest.fixture
def real(tmp_path, monkeypatch):
    """A bench on a sound card that this computer has not: it asks, and then can't be opened."""
    monkeypatch.chdir(tmp_path)
    path = bench_file(tmp_path)
    card = 'kind = "soundcard"\nname = "no card of this name"\n'
    path.write_text(re.sub(r"(?ms)^kind = .*?^card = [^\n]*\n", card, path.read_text()))
    return path


def on_terminal(bench, typed, *said):
    """Run a plan on a terminal; return (status, what it showed, what `run` wrote to its output)."""
    words = ["run", "power-amplifier", "--unit", "Demo amplifier A, serial D-0001", "--bench", str(bench), *said]
    out = io.StringIO()
    with contextlib.redirect_stdout(out), terminal(typed) as shown:
        status = status_of(words)
        sys.stderr.write(END)
        return status, shown()


def test_it_asks_until_the_answer_says_something(real):
    status, shown = on_terminal(real, b"loud\n8 ohm\n")
    assert shown.count(QUESTION) == 2
    assert "loudspeakers 'loud': give their nominal impedance" in shown
    assert shown.index("'loud'") < shown.rindex(QUESTION) < shown.index("LOUDSPEAKERS CONNECTED, 8 Ω")
    assert status == 3  # no such card: nothing was played


def test_none_is_an_answer(real):
    status, shown = on_terminal(real, b"none\n")
    assert shown.count(QUESTION) == 1
    assert "LOUDSPEAKERS CONNECTED" not in shown
    assert status == 3


def test_who_goes_away_instead_of_answering_starts_nothing(real):
    status, shown = on_terminal(real, b"\x04")
    assert QUESTION in shown
    assert status == 130
    assert not (real.parent / "records").exists()


def test_nobody_is_asked_who_said_it_already(real):
    assert QUESTION not in on_terminal(real, b"", "--loudspeakers", "none")[1]
    real.write_text(real.read_text() + "[loudspeakers]\nconnected = false\n")
    assert QUESTION not in on_terminal(real, b"")[1]
