"""Preconditioning: its power and time, what is told of a unit that warms up or falls, and how it is waived."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from array_amplifiers import SCALE, captures_of, context, hard
from limited_axes import drawn_limits
from scipy.optimize import minimize_scalar

from audiomeas.analysis.class_b import heat_share
from audiomeas.errors import CaptureError, RequestError, SignalError
from audiomeas.measurement.options import complete
from audiomeas.measurement.precondition import _Hour, joined, read_part
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import result_from_json

PRECONDITION = find("precondition")
#: 6 s: a short part, that sets the level, and the rest.
OPTIONS = {"rated_level": "6 W", "minutes": 0.1}


class Warming:
    """An amplifier whose gain changes by so many dB from its n-th capture of a channel on."""

    def __init__(self, change_db, *, at):
        self._factor, self._at, self._count = 10.0 ** (change_db / 20.0), at, 0

    def __call__(self, volts):
        self._count += 1
        return hard(volts) if (self._count - 1) // 2 < self._at else self._factor * hard(volts)


def _hour(unit=hard, *, bench=None, **options):
    filled = complete(PRECONDITION, {**OPTIONS, **options})
    captured = captures_of(_Hour(bench or context(), filled), unit)
    return PRECONDITION.analyse(joined(captured), filled), captured


#: Heat of an ideal class-B stage over its largest, by share of the full power (trade notes, 7.5, computed).
HEATS = {1.0 / 3.0: 0.99, 1.0 / 8.0: 0.80, 1.0: 0.67}


@pytest.mark.parametrize("share", HEATS)
def test_heat_of_class_b(share):
    assert heat_share(share) == pytest.approx(HEATS[share], abs=0.005)


def test_heat_is_largest_at_two_fifths_of_full_power():
    found = minimize_scalar(lambda share: -heat_share(share), bounds=(0.0, 1.0), method="bounded")
    # 4/π² = 0.405, and the share of the largest heat is 1 there.
    assert found.x == pytest.approx(4.0 / np.pi**2, abs=1e-4)
    assert heat_share(4.0 / np.pi**2) == pytest.approx(1.0, abs=1e-12)
    with pytest.raises(ValueError, match="between 0 and 1"):
        heat_share(1.5)


@pytest.mark.parametrize(
    ("minutes", "stood_s"),
    [(0.1, [2.0, 6.0]), pytest.param(0.6, [2.0, 32.0, 36.0], marks=pytest.mark.wide)],
)
def test_an_eighth_of_the_rated_power_for_the_time_asked_for(minutes, stood_s):
    found, captured = _hour(Warming(-0.1, at=len(stood_s) - 1), minutes=minutes)
    assert len(captured) == len(stood_s)
    for channel in found.channels:
        # 0.75 W; the last part comes out 0.1 dB lower, 2.3 % of power.
        assert channel.values["end_w"] == pytest.approx(6.0 / 8.0 * 10.0**-0.01, rel=1e-3)
        assert channel.values["gain_change_db"] == pytest.approx(-0.1, abs=1e-3)
        # Scales without a source are not known to be the same: two rectangular ones of 0.2 % at most.
        assert 0.0 < channel.uncertainty["gain_change_db"] < 2.0 * 8.686 * SCALE
        assert [row["stood_s"] for row in channel.values["parts"]] == pytest.approx(stood_s)
    assert found.conditions["stood_s"] == pytest.approx(60.0 * minutes)
    assert found.warnings == ()
    as_read = result_from_json(json.loads(json.dumps(found.as_json())))
    assert PRECONDITION.tables(as_read) == PRECONDITION.tables(found)
    assert PRECONDITION.charts(as_read) == PRECONDITION.charts(found)
    assert drawn_limits(PRECONDITION, found) == {"precondition": {"gain_change_db"}}


def test_a_part_is_small_in_memory_and_tells_the_same():
    _, captured = _hour()
    small = [read_part(one) for one in captured]
    assert max(one.frames for one in small) == 48_000
    filled = complete(PRECONDITION, OPTIONS)
    assert PRECONDITION.analyse(joined(small), filled) == PRECONDITION.analyse(joined(captured), filled)


def test_a_unit_that_falls_ends_it():
    found, captured = _hour(Warming(-10.0, at=1), minutes=5.0)
    # The short part and one more, of the eleven that five minutes take.
    assert len(captured) == 2
    assert "ended after 0.533 of 5 minutes" in found.warnings[-1]


def test_a_channel_that_falls_silent_ends_it():
    count = iter(range(100))

    def relay(volts):
        return 0.0 * volts if next(count) == 2 else hard(volts)

    found, captured = _hour(relay, minutes=5.0)
    assert len(captured) == 2
    assert "fell silent" in found.warnings[-1]
    assert found.channel(1).values["end_w"] is None
    assert found.channel(2).values["end_w"] == pytest.approx(6.0 / 8.0, rel=1e-3)


def test_waived_is_told_with_its_reason():
    found, captured = _hour(waived="the owner waits")
    assert len(captured) == 1
    assert found.conditions["waived"] == "the owner waits"
    assert found.conditions["stood_s"] == pytest.approx(2.0)
    assert found.warnings[-1] == "preconditioning was waived: the owner waits"
    assert found.channel(1).values["gain_change_db"] is None
    assert "Waived: the owner waits" in PRECONDITION.tables(found)[0].notes[0]


def test_refusals():
    with pytest.raises(CaptureError, match="channel 2 did not answer"):
        _hour(bench=context(silent=(2,)))
    with pytest.raises(RequestError, match="allowed by the ceiling of the load"):
        _hour(bench=context(highest_v_rms=0.1))
    with pytest.raises(SignalError, match="no search for preconditioning"):
        joined([])
    _, (first, _) = _hour()
    hour = _Hour(context(), complete(PRECONDITION, OPTIONS))
    hour.next()
    with pytest.raises(SignalError, match="precondition needs volts of each step: calibrate"):
        hour.take(dataclasses.replace(first, v_rms_at_full_scale=(None, None)))
