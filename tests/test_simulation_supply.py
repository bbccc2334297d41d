"""Soft knee, sagging supply and protection relay against closed forms and a numerical integration of the test's own."""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulation_support import db, lines, through, tone, unit

from audiomeas.errors import FileProblem
from audiomeas.simulation.unit import ProtectionModel, SupplyModel, read_unit, shipped_units

RATE_HZ = 48_000.0
WINDOW = 4800  # 0.1 s: 100 periods of 1 kHz
LOAD_OHM = 8.0


def amplitudes(shape, peak_v, orders=9):
    """Peak amplitudes of the harmonics of a memoryless shape, by the midpoint rule over one period (exact to 1e-9)."""
    phase = 2.0 * np.pi * (np.arange(1 << 16) + 0.5) / (1 << 16)
    output = shape(peak_v * np.cos(phase))
    return np.array([2.0 * np.mean(output * np.cos(order * phase)) for order in range(1, orders + 1)])


def knee(volts, rail_v, knee_v):
    """The parabola of the unit's description, written down again: (R − k, R + k) is bent, above stands the rail."""
    bent = rail_v - (rail_v + knee_v - volts) ** 2 / (4.0 * knee_v)
    return np.where(volts < rail_v - knee_v, volts, np.where(volts > rail_v + knee_v, rail_v, bent))


@pytest.mark.parametrize("peak_v", [8.5, 10.0, 12.0])
def test_a_soft_knee_makes_the_harmonics_of_its_parabola(peak_v):
    model = unit({"gain_db": 20.0, "positive_clip_v": 10.0, "negative_clip_v": -9.0, "knee_v": 1.5})
    captured = through(model, tone(1000.0, peak_v / 10.0, RATE_HZ, 3 * WINDOW), rate_hz=RATE_HZ)
    found = np.abs(lines(captured[:, 0], window=WINDOW))[100 * np.arange(1, 10)]
    expected = np.abs(amplitudes(lambda v: -knee(-knee(v, 10.0, 1.5), 9.0, 1.5), peak_v))
    assert db(found[0] / expected[0]) == pytest.approx(0.0, abs=0.001)
    # Harmonics to 1e-6 of the fundamental: what the filters of the oversampling leave.
    assert np.max(np.abs(found - expected)) < 1e-6 * expected[0]


def test_a_knee_of_nothing_is_a_hard_rail():
    drive = tone(1000.0, 1.2, RATE_HZ, 2 * WINDOW)
    rails = {"gain_db": 20.0, "positive_clip_v": 10.0, "negative_clip_v": -10.0}
    hard, narrow = (through(unit({**rails, **more}), drive, rate_hz=RATE_HZ) for more in ({}, {"knee_v": 1e-6}))
    assert np.max(np.abs(hard - narrow)) < 2e-6  # a parabola of 1 µV half-width is at most k/4 away from its corner


def sagging(peak_v, *, channels, resistance_ohm, time_constant_s, duration_s, rail_v=10.0):
    """Open output over time of the circuit equation, by explicit steps at 1.92 MHz, 40 times the sample rate.

    Each step changes the fall by its length over the time constant, so the error of the steps stays below 1e-4 of it.
    """
    step_s = 1.0 / 1.92e6
    asked = (peak_v * np.cos(2.0 * np.pi * 1000.0 * step_s * np.arange(round(duration_s / step_s)))).tolist()
    fall, output = 0.0, []
    for volts in asked:
        rail = rail_v - fall
        out = min(max(volts, -rail), rail)
        output.append(out)
        fall += step_s / time_constant_s * (resistance_ohm * channels * abs(out) / LOAD_OHM - fall)
    return np.array(output)


@pytest.mark.parametrize("channels", [1, 2])
def test_rails_fall_with_the_current_of_both_channels(channels):
    supply = SupplyModel(resistance_ohm=0.5, time_constant_s=0.02)
    model = unit({"gain_db": 20.0, "positive_clip_v": 10.0, "negative_clip_v": -10.0}, supply=supply)
    drive = tone(1000.0, 1.1, RATE_HZ, 2 * WINDOW)
    captured = through(
        model, drive, drive if channels == 2 else None, rate_hz=RATE_HZ, load_ohm=(LOAD_OHM, LOAD_OHM), delay_frames=400
    )
    truth = sagging(11.0, channels=channels, resistance_ohm=0.5, time_constant_s=0.02, duration_s=0.2)
    # Period by period from the delay on: the fundamental of both, over 40 periods of the way down and after.
    for period in range(1, 150, 4):
        start, exact = 400 + 48 * period, 1920 * period
        found = np.fft.rfft(captured[start : start + 48, 0])[1] / 48
        expected = np.fft.rfft(truth[exact : exact + 1920])[1] / 1920
        assert db(found / expected) == pytest.approx(0.0, abs=0.002)
    # Closed form of where it ends up: fall = R · n · mean |i|, and the mean of a hard-clipped sine lies between that of
    # a sine (2/π) and that of a square (1) of its peak.
    end_v = float(np.max(captured[-480:, 0]))
    assert 10.0 / (1.0 + 0.5 * channels / LOAD_OHM) < end_v < 10.0 / (1.0 + 0.5 * channels / LOAD_OHM * 2.0 / math.pi)


def test_blocks_of_any_size_sag_alike():
    supply = SupplyModel(resistance_ohm=0.5, time_constant_s=0.005)
    model = unit({"gain_db": 20.0, "positive_clip_v": 10.0, "negative_clip_v": -10.0, "knee_v": 0.5}, supply=supply)
    drive = tone(1000.0, 1.2, RATE_HZ, WINDOW)
    one, other = (
        through(model, drive, 0.8 * drive, rate_hz=RATE_HZ, load_ohm=(8.0, 4.0), block=block) for block in (37, 1024)
    )
    assert np.max(np.abs(one - other)) < 1e-9  # rounds of each block end below 1e-12 V


def test_without_load_nothing_sags():
    supply = SupplyModel(resistance_ohm=5.0, time_constant_s=0.01)
    rails = {"gain_db": 20.0, "positive_clip_v": 10.0, "negative_clip_v": -10.0}
    drive = tone(1000.0, 1.2, RATE_HZ, WINDOW)
    sagged, stiff = (through(unit(rails, supply=one), drive, rate_hz=RATE_HZ) for one in (supply, None))
    assert np.max(np.abs(sagged - stiff)) < 1e-9


def test_the_relay_opens_after_the_time_above_its_limit_and_stays_open():
    model = unit({"gain_db": 20.0}, protection=ProtectionModel(above_v_peak=8.0, after_s=0.02))
    drive = tone(997.3, 1.0, RATE_HZ, 3 * WINDOW)  # no whole number of frames a period: the share is met on average
    quiet = 0.5 * drive
    captured = through(model, np.concatenate([drive, quiet]), quiet.repeat(2), rate_hz=RATE_HZ, delay_frames=400)
    # |cos| > 0.8 for (2/π)·acos 0.8 of the time: 0.02 s above are reached after 0.02 s over that, to a period.
    opens_s = 0.02 / (2.0 / math.pi * math.acos(0.8))
    last = np.flatnonzero(np.abs(captured[:, 0]) > 0.0)[-1]
    assert (last - 400) / RATE_HZ == pytest.approx(opens_s, abs=0.001)
    assert not np.any(captured[last + 1 :])  # both channels, and the quiet part after it too


def unit_file(folder, *more):
    text = shipped_units()["amplifier-healthy"].read_text() + "".join(more)
    path = folder / "unit.toml"
    path.write_text(text)
    return path


def test_a_unit_file_states_supply_and_protection(tmp_path):
    model = read_unit(
        unit_file(
            tmp_path,
            "[supply]\nresistance_ohm = 0.4\ntime_constant_s = 0.05\n",
            "[protection]\nabove_v_peak = 30\nafter_s = 0.01\n",
        )
    )
    assert model.supply == SupplyModel(resistance_ohm=0.4, time_constant_s=0.05)
    assert model.protection == ProtectionModel(above_v_peak=30.0, after_s=0.01)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("[supply]\nresistance_ohm = -1\ntime_constant_s = 0.1\n", "resistance_ohm"),
        ("[supply]\nresistance = 1\ntime_constant_s = 0.1\n", "resistance"),
        ("[protection]\nabove_v_peak = 0\nafter_s = 0.1\n", "above_v_peak"),
    ],
)
def test_wrong_ones_are_refused_with_their_place(tmp_path, more, words):
    with pytest.raises(FileProblem, match=words):
        read_unit(unit_file(tmp_path, more))


def test_a_knee_wider_than_its_rails_and_a_supply_without_rails_are_no_units():
    with pytest.raises(ValueError, match="narrower"):
        unit({"positive_clip_v": 1.0, "negative_clip_v": -1.0, "knee_v": 1.0})
    with pytest.raises(ValueError, match="both rails"):
        unit({}, supply=SupplyModel(resistance_ohm=1.0, time_constant_s=0.1))
