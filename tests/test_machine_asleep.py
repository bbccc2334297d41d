"""The machine sleeps while something sounds: it fades or is measured again, and what was captured is kept.

Two kinds of system: on Linux the clock that programs wait by stands still in a sleep (clock_gettime(2): CLOCK_MONOTONIC
"does not count time that the system is suspended"), on others it goes on. Both are made here by a clock that can jump.
What a card loses meanwhile is cut out of what it captures.
"""

from __future__ import annotations

import io
import json
import time

import numpy as np
import pytest
from benches import Meddling, bench_file
from test_cli import run

from audiomeas.bench import opened

NIGHT_S = 8 * 3600.0
LOOP = (('range = "50:1"', 'range = "direct"'), ('output_level = "1 W"', 'input_level = "0.5 V"'))
#: The first stream of a command is the first look, the second what it is for.
SOUND = 2


class Asleep:
    """A machine that sleeps once, at a frame of a stream; the card goes on so many frames later."""

    def __init__(self, monkeypatch, *, clock_goes_on, lost_frames, at_frame=24_000):
        self._slept_s, self._goes_on, self._lost, self._at = 0.0, clock_goes_on, lost_frames, at_frame
        self._held, self.woke, self.between = np.zeros((lost_frames, 2), np.int32), False, None
        awake_s, make = time.monotonic, opened.make_interface
        monkeypatch.setattr(time, "monotonic", lambda: awake_s() + self._slept_s)
        monkeypatch.setattr(opened, "make_interface", lambda bench: self._around(make(bench)))

    def _around(self, interface):
        self.between = Meddling(interface, meddle=self._captured)
        return self.between

    def _captured(self, captured, frame, stream):
        if stream != SOUND:
            return captured
        if not self.woke and frame >= self._at:
            self.woke = True
            self._slept_s = NIGHT_S if self._goes_on else 0.0
        if self._lost == 0:
            return captured
        # All comes late by as much as will be lost; from the sleep on it does not: what was held back is never seen.
        self._held = np.concatenate([self._held, captured])
        stop = len(self._held) - (0 if self.woke else self._lost)
        return self._held[stop - len(captured) : stop]


@pytest.fixture
def cable(tmp_path):
    return bench_file(tmp_path, *LOOP, unit="loop", rate_hz=48_000)


SYSTEMS = [
    pytest.param(True, 0, id="the clock goes on"),
    pytest.param(False, 4_000, id="frames are lost"),
    pytest.param(True, 4_000, id="both", marks=pytest.mark.wide),
]


@pytest.mark.parametrize(("clock_goes_on", "lost_frames"), SYSTEMS)
def test_a_measurement_is_told_and_made_again(tmp_path, monkeypatch, cable, clock_goes_on, lost_frames):
    machine = Asleep(monkeypatch, clock_goes_on=clock_goes_on, lost_frames=lost_frames)
    more = ["--input-level", "0.3 V", "--window-s", "0.6", "--captures", tmp_path / "kept", "--json"]
    status, out, err = run("measure", "distortion", "--bench", cable, *more)
    assert machine.woke
    assert status == 0, err
    told = json.loads(out)
    assert any("try 1 was refused" in line for line in told["warnings"]), told["warnings"]
    # The loop cable's gain is 1 by construction, and what slept is not in the figure.
    assert told["channels"][0]["level_v_rms"] == pytest.approx(0.3, rel=1e-3)
    # The first look, the try that slept, and the one after it.
    assert len(list((tmp_path / "kept").glob("*.flac"))) == 3
    if clock_goes_on:  # it was faded: what the card was given last is silence
        assert not np.any(machine.between.played_samples(SOUND - 1)[-1])


@pytest.mark.parametrize("clock_goes_on", [True, False])
def test_a_tone_in_the_hand_ends_or_goes_on_and_says_which(tmp_path, monkeypatch, cable, clock_goes_on):
    machine = Asleep(monkeypatch, clock_goes_on=clock_goes_on, lost_frames=0 if clock_goes_on else 4_000)
    monkeypatch.setattr("sys.stdin", io.StringIO("unmute\nwait 2\nquit\n"))
    status, out, err = run("live", "--lines", "--json", "--bench", cable, "--input-level", "0.3 V")
    assert "Traceback" not in err, err
    assert machine.woke
    lines = [json.loads(line) for line in out.splitlines()]
    assert not np.any(machine.between.played_samples(SOUND - 1)[-1])
    if clock_goes_on:
        assert status == 3, err
        assert "faded to silence" in err.splitlines()[-1], err
    else:
        assert status == 0, err
        # It is the tone again: what the newest readings are made of came after the sleep.
        last = [line for line in lines if line.get("settled") and not line.get("muted")][-1]
        assert last["channels"][0]["level_v_rms"] == pytest.approx(0.3, rel=1e-2)
