"""Benches for tests: the shipped simulated bench with some texts replaced, and interfaces that misbehave on purpose."""

from __future__ import annotations

import time
from contextlib import contextmanager
from dataclasses import dataclass, field

import numpy as np

from audiomeas.files import shipped

BENCH = shipped("examples", "benches", "simulated-bench.toml")
CALIBRATION = shipped("calibrations", "simulated-card.toml")


def bench_file(folder, *replacements, unit=None, rate_hz=None, name="bench.toml"):
    """Write a copy of the shipped bench into a folder with (old, new) replaced, and return its path."""
    text = BENCH.read_text().replace("../../calibrations/", "")
    changes = list(replacements)
    if unit is not None:
        changes.append(('unit = "amplifier-healthy"', f'unit = "{unit}"'))
    if rate_hz is not None:
        changes.append(("sample_rate_hz = 96000", f"sample_rate_hz = {rate_hz}"))
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    (folder / "simulated-card.toml").write_text(CALIBRATION.read_text())
    path = folder / name
    path.write_text(text)
    return path


@dataclass
class Meddling:
    """Sits between an interface and its mover, and keeps what was played.

    meddle(captured, frame, stream) : may change what is captured.  flags(frame, stream) : may add flags.
    seconds : slows each block down.
    """

    interface: object
    meddle: object = None
    flags: object = None
    seconds: float = 0.0
    played: list = field(default_factory=list)
    streams: int = 0

    @property
    def identity(self):
        return self.interface.identity

    @contextmanager
    def stream(self, form, mover):
        self.streams += 1
        outer, number = self, self.streams
        self.played.append([])
        state = {"frame": 0}

        class Between:
            def exchange(self, captured, to_play, flags):
                frame = state["frame"]
                if outer.meddle is not None:
                    captured = outer.meddle(captured.copy(), frame, number)
                if outer.flags is not None:
                    flags = (*flags, *outer.flags(frame, number))
                if outer.seconds:
                    time.sleep(outer.seconds)
                more = mover.exchange(captured, to_play, flags)
                outer.played[number - 1].append(to_play.copy())
                state["frame"] += len(to_play)
                return more

        with self.interface.stream(form, Between()):
            yield

    def played_samples(self, stream=-1):
        """Return what was played in a stream, (frames, channels), as delivered."""
        return np.concatenate(self.played[stream])
