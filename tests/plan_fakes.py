"""A bench session and measurements that plan and record tests can steer. No analysis: results are said beforehand."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from audiomeas.interface.protocol import InterfaceIdentity, StreamFormat
from audiomeas.interface.transport import Capture
from audiomeas.measurement import registry
from audiomeas.measurement.base import Figure, Measurement, Option
from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.recording import Provenance, Recording

RATE_HZ = 48_000.0

PLAN = """\
title = "Power amplifier, short"
kind = "power amplifier"

[[step]]
name = "Distortion at 1 W"
measure = "distortion"
output_level = "1 W"
channels = "both"
frequency_hz = 1000.0

  [[step.limit]]
  quantity = "thd_percent"
  at_most = 0.1
  source = "maker"

  [[step.limit]]
  quantity = "gain_db"
  difference_at_most = 0.5
  source = "house"

[[step]]
name = "Response"
measure = "response"
input_level = "100 mV"

  [[step.limit]]
  quantity = "deviation_db"
  at_most = 0.5
  source = "era"
"""


def _unused(*_: Any) -> Any:
    raise AssertionError("the fake session measures by itself")


def _measurement(word: str, options: tuple[Option, ...], figures: tuple[Figure, ...]) -> Measurement:
    return Measurement(
        word=word,
        summary="for tests",
        example="",
        options=options,
        figures=figures,
        stimulus=_unused,
        analyse=_unused,
        tables=_unused,
        charts=_unused,
    )


MEASUREMENTS = {
    "distortion": _measurement(
        "distortion",
        (
            Option(name="frequency_hz", kind="number", help="tone", default=1000.0, above=0.0, at_most=100_000.0),
            Option(name="averages", kind="integer", help="how many", above=0.0, at_most=64.0),
            Option(name="band_hz", kind="numbers", help="band", above=0.0),
            Option(name="method", kind="choice", help="how", choices=("residual", "notch")),
            Option(name="warm", kind="truth", help="warm up first"),
            Option(name="reference_level", kind="level", help="reference"),
            Option(name="note", kind="text", help="a word"),
        ),
        (
            Figure(key="thd_percent", unit="%", words="distortion"),
            Figure(key="gain_db", unit="dB", words="gain"),
            Figure(key="speed_error_percent", unit="%", words="an error that may be negative"),
        ),
    ),
    "response": _measurement("response", (), (Figure(key="deviation_db", unit="dB", words="deviation from flat"),)),
}


def use_fakes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Put the measurements above in the place of the registry's."""
    monkeypatch.setattr(registry, "words", lambda: list(MEASUREMENTS))
    monkeypatch.setattr(registry, "find", MEASUREMENTS.__getitem__)


def capture_of(samples: np.ndarray | None = None) -> tuple[Capture, Recording]:
    """Return a small 24-bit capture and its recording, as a session hands them over."""
    if samples is None:
        samples = np.random.default_rng(7).integers(-(2**22), 2**22, size=(960, 2)).astype(np.int32) * 256
    form = StreamFormat(sample_rate_hz=RATE_HZ, sample_format="int24")
    identity = InterfaceIdentity(
        name="fake", host_api="none", simulated=True, max_output_channels=2, max_input_channels=2
    )
    capture = Capture(samples=samples, form=form, identity=identity, started_at=datetime(2026, 1, 1, tzinfo=UTC))
    recording = Recording(
        counts_fs=capture.fractions(),
        sample_rate_hz=RATE_HZ,
        channels=(1, 2),
        v_rms_at_full_scale=(2.0, 2.1),
        scale_uncertainty=(0.01, 0.01),
        conditions={"range": "1:1"},
        provenance=Provenance(interface="fake", simulated=True),
    )
    return capture, recording


def result_of(word: str, **keys: tuple[float | None, float]) -> Result:
    """Return a result whose two channels have the same values: key=(value, uncertainty)."""
    channels = tuple(
        ChannelResult(
            channel=channel,
            values={key: value for key, (value, _) in keys.items()},
            uncertainty={key: uncertainty for key, (_, uncertainty) in keys.items()},
        )
        for channel in (1, 2)
    )
    return Result(measurement=word, sample_rate_hz=RATE_HZ, conditions={}, channels=channels, simulated=True)


GOOD = {
    "distortion": result_of("distortion", thd_percent=(0.02, 0.001), gain_db=(26.0, 0.05)),
    "response": result_of("response", deviation_db=(0.2, 0.05)),
}


class Look:
    """What the fake first look gives back."""

    def facts(self) -> dict[str, Any]:
        return {"silent_channels": []}

    def lines(self, load_ohm: Mapping[int, float]) -> tuple[str, ...]:
        return tuple(f"channel {channel}: 26.0 dB at 1 kHz" for channel in (1, 2))


class FakeSession:
    """A bench session: keeps a capture, then gives (or raises) what was said beforehand for a measurement word."""

    def __init__(
        self,
        outcomes: Mapping[str, Result | BaseException] | None = None,
        *,
        look_error: BaseException | None = None,
        on_measure: Callable[[], None] = lambda: None,
    ) -> None:
        self.outcomes = {**GOOD, **(outcomes or {})}
        self.look_error = look_error
        self.on_measure = on_measure
        self.asked: list[dict[str, Any]] = []
        self.simulated = True
        self.warnings = ("calibration expired on 2026-01-01",)

    def facts(self) -> dict[str, Any]:
        return {
            "bench": {"name": "fake bench"},
            "hashes": {"bench.toml": "ab" * 32},
            "texts": {"bench.toml": 'name = "fake bench"\n', "../../outside.toml": "# elsewhere\n"},
        }

    def first_look(self, *, keep: Any = None) -> Look:
        keep(*capture_of())
        if self.look_error is not None:
            raise self.look_error
        return Look()

    def measure(self, measurement: Measurement, options: Any = None, **asked: Any) -> Result:
        keep = asked.pop("keep")
        self.asked.append({"measure": measurement.word, "options": dict(options or {}), **asked})
        self.on_measure()
        keep(*capture_of())
        outcome = self.outcomes[measurement.word]
        if isinstance(outcome, BaseException):
            raise outcome
        return outcome


def in_fork(action: Callable[[], None]) -> int:
    """Run something in a process of its own; returns how that ended (0: well)."""
    import os

    child = os.fork()
    if child == 0:
        status = 1
        try:
            action()
            status = 0
        finally:
            os._exit(status)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def checked_by_sha256sum(folder: Path) -> bool:
    """Let the system's own tool check a record's checksums."""
    import subprocess

    tool = shutil.which("sha256sum")
    if tool is None:
        pytest.skip("sha256sum (coreutils) is not there")
    return subprocess.run([tool, "--check", "--quiet", "checksums.sha256"], cwd=folder, check=False).returncode == 0
