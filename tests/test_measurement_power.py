"""Power at a rated distortion: hard clipping in closed form, levels that are kept, protection, plan, captures again."""

from __future__ import annotations

import dataclasses
import json
import math
import re

import numpy as np
import pytest
from array_amplifiers import LOAD_OHM, RAIL_V, SCALE, captures_of, clipped, context, hard, thd
from benches import bench_file
from limited_axes import drawn_limits
from scipy.optimize import brentq

from audiomeas.errors import CaptureError, InterlockRefusal, RequestError, SignalError
from audiomeas.measurement import power_search
from audiomeas.measurement.api import analyze, measure
from audiomeas.measurement.attached import AttachedResult
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.bounded_series import with_bounds
from audiomeas.measurement.options import complete
from audiomeas.measurement.power_search import PowerSearch, frequencies_of, joined, levels_v_rms, read_part
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import result_from_json
from audiomeas.plan.run import run

POWER = find("power")
UNIT = """# SIMULATED. An amplifier for tests: nothing but gain and hard rails.
kind = "power amplifier"
maker = "Demo"
model = "Test amplifier"
serial = "D-9998"

[[channel]]
gain_db = 20.0
positive_clip_v = 12.0
negative_clip_v = -12.0

[[channel]]
gain_db = 20.0
positive_clip_v = 12.0
negative_clip_v = -12.0
"""
SHORT = {
    "rated_level": "11 W",
    "frequencies_hz": (1000.0,),
    "lowest_level": "2 W",
    "hold_s": 0.02,
    "window_s": 0.1,
    "criterion": "thd",
}


def _watts_at(percent):
    """Power of the fundamental at which a hard clipper has a THD."""
    overdrive = brentq(lambda one: 100.0 * thd(clipped(one)) - percent, 1.01, 2.0)
    return (RAIL_V * clipped(overdrive)[0]) ** 2 / 2.0 / LOAD_OHM


def _searched(unit=hard, *, bench=None, balance=1.0, **options):
    """Let a search find its levels on an amplifier made of arrays; return its result and the captures."""
    filled = complete(POWER, {**SHORT, **options})
    captured = captures_of(PowerSearch(bench or context(), filled), unit, balance=balance)
    return POWER.analyse(joined(captured), filled), captured


def test_power_of_a_hard_clipper():
    truth_w = _watts_at(1.0)
    found, captured = _searched()
    for channel in found.channels:
        power_w, half_w = channel.values["least_power_w"], channel.uncertainty["least_power_w"]
        # The largest level that keeps 1 % was played, within 0.1 dB (2.3 % of power) below the true one; 0.1 % of
        # that for what noise and the fit may add.
        assert truth_w / 10.0**0.01 * 0.999 <= power_w <= truth_w * 1.001
        # Volts count twice: a rectangular part (95 % of its limits) of 0.2 %.
        assert half_w == pytest.approx(2.0 * SCALE * power_w, rel=0.02)
        assert channel.values["largest_distortion_percent"] > 1.0
        assert channel.values["power"][0]["more_played"]
        levels_w = [row["level_w"] for row in channel.values["steps"]]
        # From the lowest level (by a first look that is 0.2 dB off, 4.5 % of power) up to the rated one at most.
        assert min(levels_w) == pytest.approx(2.0, rel=0.05)
        assert max(levels_w) <= 11.0
        # One tone has no band.
        assert channel.values["power_band_low_hz"] is None
    assert len(captured) <= 10
    as_read = result_from_json(json.loads(json.dumps(found.as_json())))
    assert POWER.tables(as_read) == POWER.tables(found)


def test_rated_power_is_kept_and_shown():
    found, _ = _searched(rated_level="6 W", frequencies_hz=(100.0, 1000.0), balance=10.0 ** (-0.1 / 20.0))
    weaker = found.channel(2)
    # The level is set so that the weaker channel's interval lies above 6 W, and little higher: 0.02 dB and 1.02 of it.
    assert 6.0 <= weaker.values["least_power_w"] - 0.99 * weaker.uncertainty["least_power_w"] <= 6.0 * 1.01
    # Nothing louder was played: shown is what lies below that interval, which a limit is not held against.
    assert re.fullmatch(r"at least 6(\.0\d)?", str(POWER.tables(found)[0].rows[0][3]))
    assert "least_power_w" not in weaker.bound
    # Half of it is given from the one frequency to the other, and maybe further.
    assert (weaker.values["power_band_low_hz"], weaker.bound["power_band_low_hz"]) == (100.0, "at most")
    assert (weaker.values["power_band_high_hz"], weaker.bound["power_band_high_hz"]) == (1000.0, "at least")
    # The other one gets 0.1 dB more: 2.3 % of power.
    more = found.channel(1).values["least_power_w"] / weaker.values["least_power_w"]
    assert more == pytest.approx(10.0**0.01, rel=1e-3)
    assert not any(row["more_played"] for row in weaker.values["power"])
    assert drawn_limits(POWER, found) == {
        "power-frequency": {"least_power_w"}, "power-distortion": {"largest_distortion_percent"},
    }  # fmt: skip
    assert any("at least" in one.label for one in POWER.charts(found)[0].series)
    # Rails that are nowhere reached: noise hides the harmonics, and the curve of distortion says so.
    assert all(row["bound"]["distortion_percent"] == "at most" for row in weaker.values["power"])
    assert [one.label for one in POWER.charts(found)[1].series if one.hollow] == [
        "channel 1, at most",
        "channel 2, at most",
    ]
    # Nothing louder was played: watts and volts are the least that the unit gives, in the cell too.
    at_each = POWER.tables(found)[1]
    at_100_hz = found.channel(1).values["power"][0]
    power_w = at_100_hz["power_w"] - at_100_hz["uncertainty"]["power_w"]
    said_w = float(str(at_each.rows[0][1]).removeprefix("at least "))
    assert 0.0 <= power_w - said_w < 0.01
    assert at_each.rows[0][2].startswith("at least 7.0")
    assert at_each.uncertainties[0][1:3] == (None, None)


def test_power_at_half_the_load_resistance():
    """The same rails give twice the power, 3.01 dB, into half the resistance."""
    half_ohm = LOAD_OHM / 2.0
    first, _ = _searched()
    filled = complete(POWER, {**SHORT, "rated_level": "22 W", "lowest_level": "4 W"})
    captured = captures_of(PowerSearch(context(load_ohm=half_ohm), filled), load_ohm=half_ohm)
    other = AttachedResult(name="first.json", sha256="0" * 64, result=first)
    found = POWER.analyse(joined(captured), {**filled, "other_load": other})
    for channel in found.channels:
        # Both lie up to 0.1 dB below what the rails give.
        assert channel.values["power_over_other_db"] == pytest.approx(10.0 * math.log10(2.0), abs=0.1)
        assert 0.05 < channel.uncertainty["power_over_other_db"] < 0.12
    kept, _ = _searched(rated_level="6 W")
    told = POWER.analyse(
        joined(captured), {**filled, "other_load": AttachedResult(name="kept.json", sha256="0" * 64, result=kept)}
    )
    assert told.channel(1).values.get("power_over_other_db") is None
    assert any("not the most that the unit gives" in line for line in told.warnings)


def test_overload_of_an_input_in_volts():
    """A stage without a load, rated in volts: the input at which 1 % is reached, as a phono stage is told."""
    truth_v_rms = math.sqrt(_watts_at(1.0) * LOAD_OHM)
    found, _ = _searched(rated_level="10 V", lowest_level="2 V", frequencies_hz=(100.0, 1000.0))
    for channel in found.channels:
        # Input volts: a tenth of the open output's, which clipping leaves behind by 0.1 dB; found to 0.1 dB.
        overdriven = RAIL_V / math.sqrt(2.0) / 10.0
        assert overdriven < channel.values["least_input_v_rms"] < 1.04 * overdriven
        assert channel.values["least_power_v_rms"] == pytest.approx(truth_v_rms, rel=0.012)


@pytest.mark.parametrize("criterion", ["thd", "thd-n"])
def test_what_the_rate_hides_is_not_told(criterion):
    found, _ = _searched(rated_level="6 W", frequencies_hz=(1000.0, 9000.0), criterion=criterion)
    channel = found.channel(1)
    # Three times 9 kHz is beyond 24 kHz.
    assert channel.values["least_power_w"] is None
    assert channel.bound["largest_distortion_percent"] == "at least"
    assert any("third harmonic can't be captured" in line for line in found.warnings)
    # 27 kHz asks for more than 54 kHz; a third of 24 kHz is 8 kHz, whose harmonic lies at the very edge.
    assert "use a bench at 96 kHz, or state the power up to 7 kHz only (highest_hz = 7000)" in found.warnings[-1]


def test_the_smaller_band_that_is_proposed_is_told():
    found, _ = _searched(rated_level="6 W", frequencies_hz=(1000.0, 7000.0))
    assert found.channel(1).values["least_power_w"] is not None
    assert not any("third harmonic" in line for line in found.warnings)


def test_one_channel_that_decides_leaves_the_other_open():
    """Channel 2 has 2 dB more gain: 8 W of channel 1 are beyond its rails, which are the same."""
    found, _ = _searched(rated_level="8 W", balance=10.0 ** (2.0 / 20.0))
    open_ended, reached = found.channel(1), found.channel(2)
    figures = POWER.tables(found)[0]
    assert str(figures.rows[0][2]).startswith("at least 7.9")
    assert figures.rows[0][3] == reached.values["least_power_w"]
    # The search knows channel 2 to 0.1 dB; channel 1 had 8 W (found to 0.005 dB, 0.4 % for volts), and no more.
    assert reached.values["least_power_w"] == pytest.approx(_watts_at(1.0), rel=0.03)
    assert open_ended.values["least_power_w"] == pytest.approx(8.0, rel=0.01)
    assert "(--channels 1)" in POWER.tables(found)[0].notes[-1]


def _held(monkeypatch, unit=hard, **options):
    """Hold 6 W for 3 s, in parts of 1 s."""
    monkeypatch.setattr(power_search, "_PART_S", 1.0)
    return _searched(unit, rated_level="6 W", rated_hold_s=3.0, **options)


def test_the_rated_level_is_held_and_then_the_levels_below_it_are_looked_at_again(monkeypatch):
    found, captured = _held(monkeypatch)
    seconds = [one.frames / 48_000.0 for one in captured]
    # The level below, the rated one (twice: the first look was off), three parts, the level below again. A part
    # stands for as long as asked and less than a window (0.1 s) longer; ramps come on top.
    assert len(captured) == 7
    assert all(1.0 < each < 1.2 for each in seconds[-4:-1])
    assert seconds[-1] == seconds[0] < 0.3
    (held_s,) = found.conditions["rated_held_s"].values()
    assert held_s == pytest.approx(3.0)
    levels_w = [row["level_w"] for row in found.channel(1).values["steps"]]
    assert levels_w[-4:] == pytest.approx([6.1, 6.1, 6.1, 2.0], rel=0.05)
    assert not any("not held" in line for line in found.warnings)
    caption = POWER.tables(found)[0].notes[0]
    assert caption.startswith("At 1 kHz, with")
    assert "the rated one 3 s before it was measured" in caption
    # What is kept of a part is a step like any other: minutes fit into the memory.
    assert read_part(captured[-3]).frames == captured[-5].frames


def test_what_distorts_only_when_it_is_hot_is_found(monkeypatch):
    """From the third part on the rails are at 9 V, below the 9.8 V of 6 W: what 1 % leaves of them is told."""
    count = iter(range(10_000))

    def sags(volts):
        return np.clip(volts, -9.0, 9.0) if next(count) >= 2 * 5 else hard(volts)

    found, _ = _held(monkeypatch, sags)
    for channel in found.channels:
        truth_w = _watts_at(1.0) * (9.0 / RAIL_V) ** 2
        # To 0.1 dB below, 2.3 %; 0.4 % for volts.
        assert truth_w * 0.97 < channel.values["least_power_w"] < truth_w * 1.005
        assert channel.values["largest_distortion_percent"] > 1.0


def test_a_level_that_distorts_is_not_held_and_that_is_said(monkeypatch):
    found, _ = _held(monkeypatch, lambda volts: np.clip(volts, -9.0, 9.0))
    assert found.conditions["rated_held_s"] is None
    assert any("not held for 3 s at 1 kHz" in line for line in found.warnings)


def test_what_the_loads_do_not_stand_is_refused_before_any_of_it_is_played():
    asked = []

    def refuse(tone, duration_s):
        asked.append((tone.level_v_rms, duration_s))
        raise InterlockRefusal("too hot")

    filled = complete(POWER, {**SHORT, "rated_level": "6 W", "frequencies_hz": (500.0, 1000.0), "rated_hold_s": 300.0})
    with pytest.raises(InterlockRefusal):
        PowerSearch(context(refuse_held=refuse), filled)
    # 6 W in 8 Ω are 6.93 V; gain of the first look 20.2 dB. Both frequencies heat one load.
    assert asked == [(pytest.approx(math.sqrt(48.0) / 10.0**1.01), 600.0)]


def test_a_smaller_band_is_stated():
    filled = complete(POWER, {**SHORT, "frequencies_hz": None, "highest_hz": 7000.0})
    assert frequencies_of(filled) == [20.0, 50.0, 1000.0, 5000.0, 7000.0]
    with pytest.raises(RequestError, match="not both"):
        POWER.check(PlayContext(sample_rate_hz=48_000.0, channels=(1,), input_level_v_rms=1.0),
                    complete(POWER, {**SHORT, "highest_hz": 7000.0}))  # fmt: skip


def test_a_unit_that_falls_ends_the_search():
    def protected(volts):
        return hard(volts) if np.max(np.abs(volts)) < 9.0 else 0.3 * volts

    found, captured = _searched(protected, rated_level="6 W", frequencies_hz=(500.0, 1000.0))
    # One capture of the quiet levels, one of the rated level at the first frequency: nothing after it.
    assert len(captured) == 2
    # 20 · lg 0.3 = −10.5 dB.
    assert any("fell by 10.5 dB" in line for line in found.warnings)


def test_a_channel_that_falls_silent_ends_the_search():
    """A relay that opens in one channel: the other one's markers still come back, and what was read before is told."""
    count = iter(range(100))

    def relay(volts):
        # Both channels of the quiet levels, then the first channel of the rated one.
        return 0.0 * volts if next(count) == 2 else hard(volts)

    found, captured = _searched(relay, rated_level="6 W", frequencies_hz=(500.0, 1000.0))
    assert len(captured) == 2
    assert any(
        "channel 1: nothing of it was to be read any more at 500 Hz, and nothing more" in line
        for line in found.warnings
    )
    first, second = (channel.values["power"][0] for channel in found.channels)
    # The quiet level below 6 W that was read, and 6 W on the channel that gave them.
    assert first["power_w"] < 3.0
    assert second["power_w"] == pytest.approx(6.0, rel=0.05)


def test_a_refused_last_capture_says_why_the_search_ended():
    """What fell silent for good is kept and not analysed; what came before is told."""
    filled = complete(POWER, {**SHORT, "rated_level": "6 W"})
    captured = captures_of(PowerSearch(context(), filled), hard)
    refused = dataclasses.replace(captured[1], stimulus_start=None, warnings=("channel 1 fell silent",))
    found = POWER.analyse(joined([captured[0], refused]), filled)
    assert found.warnings[-1] == "the search ended early: channel 1 fell silent"
    assert found.channel(1).values["least_power_w"] < 3.0
    # A second try that was good ends nothing early.
    again = POWER.analyse(joined([captured[0], refused, *captured[1:]]), filled)
    assert not any("ended early" in line for line in again.warnings)


@pytest.mark.wide
@pytest.mark.parametrize("word", ["power", "precondition"])
def test_a_relay_that_opens_at_the_rated_level_is_asked_once(tmp_path, word):
    """8 V of peak lie between 2 W (5.7 V) and 6 W (9.8 V): the relay opens 0.1 s into the rated level."""
    (tmp_path / "relay.toml").write_text(f"{UNIT}\n[protection]\nabove_v_peak = 8.0\nafter_s = 0.1\n")
    bench = bench_file(tmp_path, unit="relay.toml", rate_hz=48_000)
    if word == "precondition":
        with pytest.raises(CaptureError, match=r"fell silent .* protection may have opened"):
            measure(word, bench=bench, captures=tmp_path / "c", rated_level="6 W", power_share=1.0, minutes=0.1)
    else:
        options = {**SHORT, "rated_level": "6 W", "hold_s": 0.3}
        found = measure(word, bench=bench, captures=tmp_path / "c", **options)
        assert any("ended early: channel 1 fell silent" in line for line in found.warnings)
        assert all(channel.values["least_power_w"] == pytest.approx(2.0, rel=0.1) for channel in found.channels)
    # The first look, the quiet levels of power, and the rated level once.
    assert len(list((tmp_path / "c").glob("*.flac"))) == (3 if word == "power" else 2)


def test_more_than_the_bench_allows_is_refused_before_it_plays():
    with pytest.raises(RequestError, match="allowed by the ceiling of the load"):
        _searched(rated_level="6 W", bench=context(highest_v_rms=0.5))


def test_a_silent_channel_is_refused():
    with pytest.raises(CaptureError, match="channel 2 did not answer"):
        _searched(bench=context(silent=(2,)))


@pytest.fixture
def bench(tmp_path):
    (tmp_path / "rails.toml").write_text(UNIT)
    exact = ("uncertainty_percent = 0.5", "uncertainty_percent = 0.1")
    return bench_file(tmp_path, exact, unit="rails.toml", rate_hz=48_000)


@pytest.mark.wide
def test_captures_of_a_search_tell_the_same_again(bench, tmp_path):
    kept = tmp_path / "captures"
    found = measure("power", bench=bench, captures=kept, **SHORT)
    shaping = {option.name for option in POWER.options if option.stage == "play"}
    again = analyze("power", kept, **{key: value for key, value in SHORT.items() if key not in shaping})
    assert [one.values for one in again.channels] == [one.values for one in found.channels]
    for channel in found.channels:
        # In the simulated bench nothing folds back: the 23 harmonics of a true clipped sine, over 4,800 samples.
        assert channel.values["least_power_w"] == pytest.approx(_watts_at(1.0), rel=0.03)


@pytest.mark.wide
def test_a_plan_holds_power_to_its_limits(bench, tmp_path):
    plan = tmp_path / "power.toml"
    plan.write_text(
        """title = "Power"
kind = "power amplifier"

[[step]]
name = "6 W at 1 kHz"
measure = "power"
rated_level = "6 W"
lowest_level = "5 W"
frequencies_hz = [1000.0]
hold_s = 0.02
window_s = 0.1

  [[step.limit]]
  quantity = "least_power_w"
  at_least = 6.0
  source = "maker"

  [[step.limit]]
  quantity = "largest_distortion_percent"
  at_most = 1.0
  source = "maker"
"""
    )
    done = run(
        plan,
        unit="Demo test amplifier, serial D-9998",
        bench=bench,
        records=tmp_path / "records",
        without_check="a test",
    )
    assert not done.failures
    assert [row.verdict for row in done.verdicts if row.quantity == "largest_distortion_percent"] == ["pass", "pass"]
    power = [row for row in done.verdicts if row.quantity == "least_power_w"]
    # Volts are good for 0.5 % here (1 % of power): the level goes that much higher, and the limit is passed.
    assert [row.verdict for row in power] == ["pass", "pass"]


def test_levels_from_the_lowest_up():
    levels = levels_v_rms(21.9, math.sqrt(2.0))
    # 60 W and 0.25 W of 8 Ω lie 23.8 dB apart: four steps of 5.95 dB, the rated one left out.
    assert len(levels) == 4
    assert levels[0] == pytest.approx(math.sqrt(2.0))
    assert np.diff(20.0 * np.log10([*levels, 21.9])) == pytest.approx([23.8 / 4] * 4, abs=0.01)
    assert levels_v_rms(1.0, 1.0) == []


def test_captures_that_are_no_search_are_refused():
    with pytest.raises(SignalError, match="no search for power"):
        joined([])


def test_a_line_through_bounds_alone_has_no_marks_of_values():
    """What no point shows stands in no legend; one value among the bounds brings the marks back."""
    for words, marked in ((("at least", "at least"), False), (("at least", ""), True)):
        points = [(20.0, 60.0, words[0]), (1000.0, 61.0, words[1])]
        assert with_bounds(1, points, through=True)[0].each_point is marked
