"""Hum before and after a change. Truth: the lines that were put in."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile
from captures_in_volts import in_volts
from click.testing import CliRunner
from numpy.typing import NDArray

from audiomeas.cli.main import audiomeas as command
from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement import registry
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import Result
from audiomeas.present.tables import render_table
from audiomeas.recording import Recording

HUM_CHANGE = registry.find("hum-change")
RATE_HZ = 2_000
SECONDS = 12.0
#: (multiple, V before, V after): the motor adds 50 Hz and all of 150 Hz.
LINES = ((1, 1e-3, 4e-4), (2, 2e-4, 2e-4), (3, 1e-4, 0.0))


def capture(*, at: float = 0.5, lines: tuple[tuple[int, float, float], ...] = LINES) -> NDArray[np.float64]:
    """Return (frames, 2) in V, changed at a part of the time; the right channel hums half as much."""
    time_s = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    before = time_s < at * SECONDS
    hum_v = sum(
        np.sqrt(2.0) * np.where(before, first, second) * np.sin(2.0 * np.pi * 50.02 * multiple * time_s)
        for multiple, first, second in lines
    )
    noise = 1e-5 * np.random.default_rng(1).standard_normal((len(time_s), 2))
    return np.asarray(np.stack([hum_v, 0.5 * hum_v], axis=1) + noise)


def recording(volts: NDArray[np.float64], **others: Any) -> Recording:
    return in_volts(volts, RATE_HZ, **others)


def analysed(volts: NDArray[np.float64], **options: Any) -> Result:
    return HUM_CHANGE.analyse(recording(volts), complete(HUM_CHANGE, {"mains_hz": 50.0, **options}))


@pytest.fixture(scope="module")
def result() -> Result:
    return analysed(capture())


def test_sum_and_lines_change_as_what_was_put_in(result: Result) -> None:
    sums = [np.sqrt(sum(line[place] ** 2 for line in LINES)) for place in (1, 2)]
    for channel, gain in zip(result.channels, (1.0, 0.5), strict=True):
        values, half = channel.values, channel.uncertainty
        change_db = 20.0 * np.log10(sums[0] / sums[1])
        # Noise of 1e-5 V in 1 kHz over 4.8 s moves a line of 4e-4 V by 1e-3: 0.01 dB. The scale of 2 % cancels.
        assert values["hum_change_db"] == pytest.approx(change_db, abs=0.05) and half["hum_change_db"] < 0.05
        assert values["hum_first_v_rms"] == pytest.approx(gain * sums[0], rel=3e-3)
        assert half["hum_first_v_rms"] > 0.015 * values["hum_first_v_rms"]
        rows = {row["multiple"]: row for row in values["lines"]}
        assert rows[1]["change_db"] == pytest.approx(20.0 * np.log10(2.5), abs=0.05)
        assert rows[2]["change_db"] == pytest.approx(0.0, abs=0.1)
        assert rows[3]["bound"]["change_db"] == "at least" and rows[3]["change_db"] > 20.0
    assert not result.warnings


def test_two_captures_tell_the_same_as_two_parts_of_one(result: Result) -> None:
    volts = capture()
    half = len(volts) // 2
    before = SimpleNamespace(name="motor-on.wav", sha256="", recording=recording(volts[:half]))
    found = HUM_CHANGE.analyse(recording(volts[half:]), {**complete(HUM_CHANGE, {"mains_hz": 50.0}), "before": before})
    assert found.channel(1).values["hum_change_db"] == pytest.approx(
        result.channel(1).values["hum_change_db"], abs=0.05
    )
    assert found.conditions["first"] == "the capture motor-on.wav"
    for others, words in (
        ({"v_rms_at_full_scale": (2.0, 2.0)}, "other ranges"),
        ({"sample_rate_hz": 3_000}, "sample rate"),
    ):
        other = SimpleNamespace(name="motor-on.wav", sha256="", recording=recording(volts[:half], **others))
        with pytest.raises(RequestError, match=words):
            HUM_CHANGE.analyse(recording(volts[half:]), {**complete(HUM_CHANGE, {"mains_hz": 50.0}), "before": other})


def test_hum_that_is_gone_altogether_is_a_bound() -> None:
    found = analysed(capture(lines=((1, 1e-3, 0.0),))).channel(1)
    assert found.bound["hum_change_db"] == "at least" and found.values["hum_change_db"] > 30.0
    other = analysed(capture(lines=((1, 0.0, 1e-3),))).channel(1)
    assert other.bound["hum_change_db"] == "at most" and other.values["hum_change_db"] < -30.0


def test_what_was_done_wrong_is_said() -> None:
    early = analysed(capture(at=0.2))
    assert any("channel 1: hum changes within the first part" in line for line in early.warnings)
    silent = analysed(1e-5 * np.random.default_rng(1).standard_normal((12 * RATE_HZ, 2)))
    assert "no hum stands out" in silent.warnings[0] and silent.channel(1).values["hum_change_db"] is None
    with pytest.raises(SignalError, match="too short for hum"):
        analysed(capture()[: 5 * RATE_HZ])
    over = HUM_CHANGE.analyse(recording(capture(), over_range=(0, 7)), complete(HUM_CHANGE, {"mains_hz": 50.0}))
    assert over.channel(2).values["hum_change_db"] is None and over.channel(1).values["hum_change_db"] is not None


def test_a_file_and_its_tables(result: Result, tmp_path: Path) -> None:
    path = tmp_path / "hum.wav"
    soundfile.write(path, capture(), RATE_HZ, subtype="PCM_24")
    done = CliRunner().invoke(command, ["analyze", "hum-change", str(path), "--json"])
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["channels"][0]["hum_first_v_rms"] is None
    assert "Lines of the hum, channel 2" in "\n".join(render_table(table) for table in HUM_CHANGE.tables(result))
    (chart,) = HUM_CHANGE.charts(result)
    assert len(chart.series) == 4
