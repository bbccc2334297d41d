"""Dynamic headroom: hard rails in closed form, a supply that gives more for a moment, the shape of what is played."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from array_amplifiers import GAIN_DB, LOAD_OHM, RAIL_V, RATE_HZ, SCALE, captures_of, clipped, context, hard, thd
from benches import bench_file
from limited_axes import drawn_limits
from scipy.optimize import brentq

from audiomeas.errors import CaptureError, SignalError
from audiomeas.measurement.api import analyze, measure
from audiomeas.measurement.headroom import _HeadroomSearch, joined
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import result_from_json
from audiomeas.stimulus import PulsedTone, read_stimulus

HEADROOM = find("headroom")
OPTIONS = {"rated_level": "6 W", "rounds": 2}


def _watts_at(percent):
    """Power, harmonics included, at which rails of 12 V distort so much."""
    overdrive = brentq(lambda one: 100.0 * thd(clipped(one)) - percent, 1.01, 2.0)
    return RAIL_V**2 * float(np.sum(clipped(overdrive) ** 2)) / 2.0 / LOAD_OHM


def _searched(unit=hard, *, bench=None, **options):
    filled = complete(HEADROOM, {**OPTIONS, **options})
    captured = captures_of(_HeadroomSearch(bench or context(), filled), unit, balance=10.0 ** (-0.3 / 20.0))
    return HEADROOM.analyse(joined(captured), filled), captured


def test_headroom_of_hard_rails():
    truth_w = _watts_at(1.0)
    found, captured = _searched()
    for channel in found.channels:
        # 0.02 dB is what a search for clipping reaches on hard rails.
        assert channel.values["headroom_db"] == pytest.approx(10.0 * math.log10(truth_w / 6.0), abs=0.02)
        assert channel.values["burst_w"] == pytest.approx(truth_w, rel=10.0**0.002 - 1.0)
        # Power in dB carries the relative half-width of volts twice: 8.686 · 0.2 %.
        assert channel.uncertainty["headroom_db"] == pytest.approx(8.686 * SCALE, rel=0.15)
        assert channel.budget["headroom_db"]
    # The weaker channel has 0.3 dB less gain: it needs that much more at its input.
    inputs = [channel.values["burst_input_v_rms"] for channel in found.channels]
    assert 20.0 * math.log10(inputs[1] / inputs[0]) == pytest.approx(0.3, abs=0.02)
    highest = max(one.stimulus.level_v_rms for one in captured)
    at_rails = inputs[1]
    assert 20.0 * math.log10(highest / at_rails) < 3.0
    as_read = result_from_json(json.loads(json.dumps(found.as_json())))
    assert HEADROOM.tables(as_read) == HEADROOM.tables(found)
    assert HEADROOM.charts(as_read) == HEADROOM.charts(found)
    assert drawn_limits(HEADROOM, found) == {"headroom": {"burst_v_rms"}}


@pytest.mark.wide
def test_a_tone_that_lasts_gives_less_than_a_swell():
    """Rails that fall when more than 30 ms of the last 200 ms were loud: a swell of 20 ms never sees it."""
    window = round(0.2 * RATE_HZ)

    def sagging(volts):
        loud_s = np.cumsum(np.abs(volts) > 5.0) / RATE_HZ
        loud_s -= np.concatenate([np.zeros(window), loud_s])[: len(loud_s)]
        rail = np.where(loud_s > 0.03, 0.7 * RAIL_V, RAIL_V)
        return np.clip(volts, -rail, rail)

    found, _ = _searched(sagging)
    assert found.channel(1).values["burst_w"] == pytest.approx(_watts_at(1.0), rel=0.005)


def test_a_unit_that_distorts_even_the_quietest_swell_is_said():
    """A squared tone has 48 % of harmonics at any level, and so has no power that just clips."""
    found, _ = _searched(lambda volts: 0.1 * np.sign(volts))
    for channel in found.channels:
        assert channel.bound["headroom_db"] == "at most"
    assert ["even the quietest swell has 1 % of distortion" in line for line in found.warnings] == [True, True]
    assert not [line for line in _searched()[0].warnings if "quietest" in line]


def test_more_than_the_bench_allows_is_a_bound():
    found, _ = _searched(bench=context(highest_v_rms=0.5))
    channel = found.channel(1)
    # 0.5 V at the input are 5 V, 3.1 W: not clipped.
    assert channel.bound["headroom_db"] == "at least"
    assert channel.values["burst_w"] == pytest.approx((0.5 * 10.0 ** (GAIN_DB / 20.0)) ** 2 / LOAD_OHM, rel=1e-3)


def test_refusals():
    with pytest.raises(CaptureError, match="channel 1 did not answer"):
        _searched(bench=context(silent=(1,)))
    with pytest.raises(SignalError, match="no search for headroom"):
        joined([])


def test_what_is_played():
    """20 ms in every 500 ms, 20 dB lower between, changes at crossings of zero."""
    tone = PulsedTone(
        frequency_hz=1000.0, levels_v_rms=((1.0, 0.5), (2.0, 1.0)), sample_rate_hz=RATE_HZ, markers_v=0.1, rounds=3
    )
    first, second = (tone.channel_samples_v(channel) for channel in (1, 2))
    assert np.array_equal(first, 2.0 * second)
    assert len(first) == tone.frames == 2 * round((3 * 0.5 + 0.05) * RATE_HZ)
    blocks = first[: round(1.5 * RATE_HZ)].reshape(-1, round(0.02 * RATE_HZ))
    level_v_rms = np.sqrt(np.mean(blocks**2, axis=1))
    loud = np.flatnonzero(level_v_rms > 0.5)
    assert loud.tolist() == [24, 49, 74]
    assert level_v_rms[loud] == pytest.approx([1.0] * 3)
    # The first block rises from silence.
    assert np.delete(level_v_rms, [0, *loud]) == pytest.approx([0.1] * 71)
    # The longest step between samples is that of the loud sine at its zero, 2π·1/48 of its peak.
    assert np.max(np.abs(np.diff(first[: round(1.5 * RATE_HZ)]))) <= math.sqrt(2.0) * 2.0 * math.pi / 48.0
    start, stop = tone.last_swell(1)
    assert np.sqrt(np.mean(first[start:stop] ** 2)) == pytest.approx(2.0)
    assert read_stimulus(json.loads(json.dumps(tone.facts()))) == tone


@pytest.mark.wide
def test_on_the_simulated_bench(tmp_path):
    bench = bench_file(tmp_path, unit="amplifier-soft-supply", rate_hz=48_000)
    kept = tmp_path / "captures"
    found = measure("headroom", bench=bench, captures=kept, rated_level="50 W")
    lasting = measure("clipping", bench=bench, captures=None, highest_percent=1.0)
    for channel in (1, 2):
        swell_w = found.channel(channel).values["burst_w"]
        # Its store is empty within 12 ms: what 20 ms give lies near what 100 ms give, and not below it.
        assert swell_w > 0.99 * lasting.channel(channel).values["at_1_percent_w"]
    again = analyze("headroom", kept, rated_level="50 W")
    assert [one.values for one in again.channels] == [one.values for one in found.channels]
