"""A tone burst as a person uses it: on the simulated bench, from its file, and with wrong things given."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import pytest
from benches import bench_file

import audiomeas
from audiomeas.bench.opened import open_bench_file
from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import result_from_json
from audiomeas.measurement.session import Session
from audiomeas.present.charts import chart_figure
from audiomeas.present.tables import render_table
from audiomeas.recording import Recording
from audiomeas.units import Level

BURST = find("tone-burst")
#: A unit that has a gain of 20 dB, bends by 1 % of the square at 1 V, and nothing else.
UNIT = (
    """
kind = "power amplifier"
maker = "Demo"
model = "Bent amplifier"
serial = "D-0008"
"""
    + 2 * "[[channel]]\ngain_db = 20.0\nsecond_order_per_v = 0.01\noutput_noise_v_rms = 3e-5\n"
)


def test_a_simulated_unit_and_its_capture_again(tmp_path: Path) -> None:
    (tmp_path / "bent.toml").write_text(UNIT)
    bench = bench_file(tmp_path, unit="bent.toml", rate_hz=48_000)
    said: list[str] = []
    captures: list[Recording] = []

    def keep(_: Any, recording: Recording) -> None:
        captures.append(recording)

    options = {"window_s": 0.3}
    with Session(open_bench_file(bench), say=said.append) as session:
        result = session.measure(BURST, options, input_level=Level(0.1 / 2**0.5, "V"), keep=keep)
    assert said == []  # no more gain than at first look: a burst is as loud as its tone
    for channel in result.channels:
        values, wide = channel.values, channel.uncertainty
        # A sine of 1 V peak out; 0.2 % is what the edges of the series add to its peak.
        assert values["level_v_rms"] == pytest.approx(1.0 / 2**0.5, rel=0.005)
        assert abs(values["fall_db"]) < wide["fall_db"]
        # Half of 1 % of the square's mean, less what the card's couplings (0.8 and 0.5 Hz) take in 10 ms (8 %), and
        # less a tenth of it, which the quiet burst has.
        assert values["dc_shift_percent"] == pytest.approx(0.45, abs=0.06)
        assert values["settling_ms"] == 0.0
        # Its r.m.s.: sin⁴ has a mean of 3/8, sin² of 1/2, in 10 of 37 periods; without the mean of all, against the
        # sine's; 0.5 dB for what the couplings take of the slow part.
        share = 10.0 / 37.0
        added = 0.9 * 0.01 * ((share * 3.0 / 8.0 - (share / 2.0) ** 2) / (share / 2.0)) ** 0.5
        assert values["added_by_level_db"] == pytest.approx(20.0 * math.log10(added), abs=0.5)
    again = BURST.analyse(captures[-1], complete(BURST, options))
    assert again.as_json() == result.as_json()
    stored = result_from_json(json.loads(json.dumps(result.as_json())))
    assert "added by the level alone" in render_table(BURST.tables(stored)[0], width=100)
    (chart,) = BURST.charts(stored)
    assert chart_figure(chart).axes
    assert len(chart.series[0].x) == 37
    with pytest.raises(SignalError, match="generate tone-burst"):
        BURST.analyse(dataclasses.replace(captures[-1], stimulus=None), complete(BURST, {}))
    with pytest.raises(SignalError, match="over-range"):
        BURST.analyse(dataclasses.replace(captures[-1], over_range=(2, 3)), complete(BURST, {}))


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"frequency_hz": 15_000.0}, "too near to"),
        ({"frequency_hz": 20.0}, "needs a window of at least"),
        ({"rest_periods": 2000}, "at most 1000"),
    ],
)
def test_what_can_never_be_played_is_refused_before_any_sound(
    tmp_path: Path, options: dict[str, Any], said: str
) -> None:
    with pytest.raises(RequestError, match=said):
        audiomeas.measure("tone-burst", bench=bench_file(tmp_path, rate_hz=48_000), input_level="10 mV", **options)
