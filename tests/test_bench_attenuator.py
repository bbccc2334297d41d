"""Attenuators and dummy loads: tables computed outside the project, closed forms, and a circuit solved as equations."""

from __future__ import annotations

import itertools
import json
import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_tables import rows
from test_cli import refused, run

from audiomeas.bench.attenuator import (
    Pad,
    bandwidth_hz,
    common_mode_rejection_db,
    faults,
    heat,
    loading_change_db,
    loss_at_20_khz_db,
    noise,
    rejection_db,
    thermal_noise_v_rms,
    tolerance_db,
)
from audiomeas.bench.attenuator_design import PadRequest, design, objections
from audiomeas.bench.bridged import check_topology, parse_chassis_reading
from audiomeas.bench.dummy_load import DummyLoad, load_point, objection
from audiomeas.bench.resistors import decade, neighbours, parse_ohm, rating_to_choose_w, values_between
from audiomeas.errors import RequestError

LOADED = rows("attenuator_loading.csv")
TABLE = {
    series: {round(float(row["value"]), 6) for row in rows("e_series_iec60063.csv") if row["series"] == series}
    for series in ("E12", "E24", "E48", "E96")
}
REQUEST = {"highest_v_rms": 45.0, "full_scale_v_rms": 1.4, "input_ohm": 10_000.0}


def pad(series_ohm=10_000.0, shunt_ohm=205.0, parts=1):
    return Pad(series_ohm=series_ohm, shunt_ohm=shunt_ohm, series_parts=parts)


def solved(series_ohm, shunt_ohm, input_ohm, volts, *, cable_f=0.0, frequency_hz=0.0):
    """Return the voltage at the card by the node equation, and both resistors' heat: no formula of a divider."""
    admittance = 1 / series_ohm + 1 / shunt_ohm + 1 / input_ohm + 2j * np.pi * frequency_hz * cable_f
    card_v = np.linalg.solve(np.array([[admittance]]), np.array([volts / series_ohm]))[0]
    return card_v, abs(volts - card_v) ** 2 / series_ohm, abs(card_v) ** 2 / shunt_ohm


@pytest.mark.parametrize("row", LOADED, ids=lambda row: f"{row['r1_ohm']}-{row['r2_ohm']}-{row['rin_ohm']}")
def test_ratio_and_tolerance_are_those_of_the_table(row):
    made = pad(float(row["r1_ohm"]), float(row["r2_ohm"]))
    input_ohm = float(row["rin_ohm"])
    # The table has ten digits of the gain and five decimals of the corners.
    assert 1 / made.ratio() == pytest.approx(float(row["k_unloaded"]), rel=1e-8)
    assert 1 / made.ratio(input_ohm) == pytest.approx(float(row["k_loaded"]), rel=1e-8)
    assert made.source_ohm == pytest.approx(float(row["source_ohm"]), rel=1e-7)
    most_db, least_db = tolerance_db(made, input_ohm, float(row["tol_pct"]) / 100)
    assert most_db == pytest.approx(float(row["extreme_plus_db"]), abs=6e-6)
    assert least_db == pytest.approx(float(row["extreme_minus_db"]), abs=6e-6)


def test_the_shown_pad_has_the_figures_of_the_handbook():
    """trade practice, a 50:1 pad of 10.0 kΩ and 205 Ω: 50.8 / 50.0, 0.35 W at 60 V, 0.26 µV, 2.7 MHz with 300 pF."""
    made = pad()
    assert made.ratio(10_000) == pytest.approx(50.8, abs=0.05)  # printed with three digits
    assert made.ratio(50_000) == pytest.approx(50.0, abs=0.05)
    assert heat(made, 10_000, 60.0).series_w == pytest.approx(0.35, abs=0.005)
    assert noise(made, 10_000, None).pad_at_card_v_rms == pytest.approx(0.26e-6, abs=0.01e-6)
    assert bandwidth_hz(made, 10_000, 300e-12) == pytest.approx(2.7e6, abs=0.05e6)
    assert bandwidth_hz(pad(100_000, 2_000), 10_000, 300e-12) == pytest.approx(0.32e6, abs=0.005e6)
    assert loading_change_db(pad(9_090, 1_000)) == pytest.approx(20 * math.log10(11.0 / 10.27), abs=0.01)


@pytest.mark.parametrize("series", ["E12", "E24", "E48", "E96"])
def test_the_series_are_those_of_the_standard(series):
    table = [float(row["value"]) for row in rows("e_series_iec60063.csv") if row["series"] == series]
    assert len(table) == int(series[1:])
    assert list(decade(series)) == pytest.approx(table, abs=1e-9)
    found = values_between(series, 100.0, 999.999)
    assert found == pytest.approx([100 * value for value in table], abs=1e-9)
    assert neighbours(series, 1000.0) == (1000.0,)


@settings(max_examples=50)
@given(st.floats(1.0, 1e6), st.sampled_from(["E12", "E24", "E48", "E96"]))
def test_neighbours_enclose(wanted_ohm, series):
    around = neighbours(series, wanted_ohm)
    mantissas = [float(f"{value:.6e}".split("e")[0]) for value in around]
    assert {round(mantissa, 6) for mantissa in mantissas} <= TABLE[series]
    assert around[0] <= wanted_ohm * (1 + 1e-8)
    assert around[-1] >= wanted_ohm * (1 - 1e-8)
    # The widest step of E12 is 1.25 (1.2 to 1.5, 1.8 to 2.2 …): nothing lies further apart.
    assert around[-1] / around[0] < 1.251


def test_thermal_noise_is_that_of_the_table():
    for row in rows("johnson_noise.csv"):
        found = thermal_noise_v_rms(float(row["resistance_ohm"]), temperature_k=float(row["temperature_k"]))
        assert found * 1e6 == pytest.approx(float(row["rms_20khz_uv"]), rel=1e-6)  # seven digits in the table


@given(st.floats(100, 1e5), st.floats(10, 1e5), st.floats(1e3, 1e6), st.floats(0.01, 60))
def test_heat_and_noise_by_the_node_equation(series_ohm, shunt_ohm, input_ohm, volts):
    made = pad(series_ohm, shunt_ohm, parts=4)
    card_v, series_w, shunt_w = solved(series_ohm, shunt_ohm, input_ohm, volts)
    warm = heat(made, input_ohm, volts)
    # Double precision, less what cancels in the difference of the two voltages.
    assert warm.series_w == pytest.approx(series_w, rel=1e-7)
    assert warm.series_part_w == pytest.approx(series_w / 4, rel=1e-7)
    assert warm.shunt_w == pytest.approx(shunt_w, rel=1e-9)
    # All power that leaves the unit is heat in the three resistances.
    assert warm.series_w + warm.shunt_w + abs(card_v) ** 2 / input_ohm == pytest.approx(
        volts**2 / made.unit_sees_ohm(input_ohm), rel=1e-9
    )
    # Each resistor's own noise, by its current source into the node, at the card; the two add as powers.
    node_ohm = 1 / (1 / series_ohm + 1 / shunt_ohm + 1 / input_ohm)
    four_ktb = 4 * 1.380649e-23 * 293.15 * 20_000
    at_card_v_rms = node_ohm * math.sqrt(four_ktb / series_ohm + four_ktb / shunt_ohm)
    found = noise(made, input_ohm, 20e-6)
    assert found.pad_at_card_v_rms == pytest.approx(at_card_v_rms, rel=1e-9)
    assert found.pad_v_rms == pytest.approx(at_card_v_rms * volts / abs(card_v), rel=1e-9)
    assert found.total_v_rms == pytest.approx(math.hypot(found.pad_v_rms, 20e-6 * volts / abs(card_v)), rel=1e-9)


def test_the_corner_is_3_db_down_and_20_khz_as_the_circuit_says():
    made = pad(47_000, 1_000)
    corner_hz = bandwidth_hz(made, 47_000, 2e-9)
    flat_v = abs(solved(47_000, 1_000, 47_000, 10.0)[0])
    at_corner_v = abs(solved(47_000, 1_000, 47_000, 10.0, cable_f=2e-9, frequency_hz=corner_hz)[0])
    at_20k_v = abs(solved(47_000, 1_000, 47_000, 10.0, cable_f=2e-9, frequency_hz=20_000)[0])
    assert at_corner_v / flat_v == pytest.approx(math.sqrt(0.5), rel=1e-9)
    assert loss_at_20_khz_db(corner_hz) == pytest.approx(20 * math.log10(flat_v / at_20k_v), rel=1e-6)
    assert bandwidth_hz(made, 47_000, 0.0) == math.inf
    assert loss_at_20_khz_db(math.inf) == 0.0


def test_faults_are_what_is_left_of_the_circuit():
    """Closed form: 10 kΩ and 205 Ω into 10 kΩ at 60 V (84.85 V peak); trade practice says 8.5 mA peak."""
    opened, shorted, bridged = faults(pad(), 10_000, 60.0)
    assert (opened.what, shorted.what, bridged.what) == ("shunt open", "shunt short", "series short")
    assert opened.card_v_rms == pytest.approx(30.0)  # halved by 10 kΩ and 10 kΩ
    assert opened.current_a_peak == shorted.current_a_peak == pytest.approx(60 * math.sqrt(2) / 10_000)
    assert opened.heat_w == shorted.heat_w == pytest.approx(0.36)
    assert shorted.card_v_rms == 0.0
    assert bridged.card_v_rms == 60.0
    assert bridged.heat_w == pytest.approx(3600 / 205)
    assert bridged.current_a_peak == pytest.approx(60 * math.sqrt(2) * (1 / 205 + 1 / 10_000))


def test_mismatch_limits_the_rejection():
    assert rejection_db(0.01) == pytest.approx(40.0)  # trade practice: 1 % = 40 dB, 0.1 % = 60 dB
    assert rejection_db(0.001) == pytest.approx(60.0)
    assert common_mode_rejection_db(pad(), 10_000, 0.0) == math.inf
    # All pairs of corners, each gain by the node equation.
    worst_db = math.inf
    corners = list(itertools.product((0.99, 1.01), repeat=2))
    for first, second in itertools.combinations(corners, 2):
        plus, minus = (abs(solved(10_000 * a, 205 * b, 10_000, 1.0)[0]) for a, b in (first, second))
        if plus != minus:
            worst_db = min(worst_db, 20 * math.log10((plus + minus) / 2 / abs(plus - minus)))
    assert common_mode_rejection_db(pad(), 10_000, 0.01) == pytest.approx(worst_db, abs=1e-6)


@settings(max_examples=50)  # a design tries some dozens of pairs
@given(
    st.floats(2.5, 60),
    st.floats(0.7, 2.0),
    st.floats(5e3, 1e6),
    st.sampled_from(["E12", "E24", "E96"]),
    st.integers(1, 4),
)
def test_a_designed_pad_serves(highest_v, full_scale_v, input_ohm, series, parts):
    request = PadRequest(highest_v_rms=highest_v, full_scale_v_rms=full_scale_v, input_ohm=input_ohm)
    try:
        made = design(request, series=series, series_parts=parts)
    except RequestError as error:
        assert series != "E96", error  # a coarse series of several parts may have no value in the span
        assert "finer series" in str(error)
        return
    # The widest step over both arms, one half to each side, less the 3 dB that keep it from overload.
    allowed_db = {"E12": 3.0, "E24": 1.2, "E96": 0.3}[series]
    for one in made:
        card_v = abs(solved(one.series_ohm, one.shunt_ohm, input_ohm, highest_v)[0])
        assert card_v <= full_scale_v * (1 + 1e-9)
        wished_v = full_scale_v * 10 ** (-3 / 20)
        assert abs(20 * math.log10(card_v / wished_v)) <= allowed_db
        assert highest_v * math.sqrt(2) / one.series_ohm <= 0.010 * (1 + 1e-9)
        assert not objections(request, one)
    for value in (made[0].series_ohm / parts, made[0].shunt_ohm):
        assert round(value / 10 ** math.floor(math.log10(value) + 1e-9), 6) in TABLE[series]


def test_a_wished_ratio_is_met():
    request = PadRequest(highest_v_rms=60.0, full_scale_v_rms=1.4, input_ohm=10_000, ratio=50.0)
    best = design(request)[0]
    # 1 % steps of E96 in one arm: half a step is 0.1 dB; the other arm's choice makes it less.
    assert abs(20 * math.log10(best.ratio(10_000) / 50)) < 0.1
    assert 9_000 <= best.series_ohm <= 16_200


def test_no_designed_pad_overloads_the_card_without_headroom():
    """Half of all pairs lie on the wrong side of an exact fit: with no headroom those are left out."""
    for highest_v in (10.0, 20.0, 30.0, 45.0, 60.0):
        request = PadRequest(highest_v_rms=highest_v, full_scale_v_rms=1.4, input_ohm=20_000, headroom_db=0.0)
        for one in design(request, series="E24", count=10):
            assert abs(solved(one.series_ohm, one.shunt_ohm, 20_000, highest_v)[0]) <= 1.4 * (1 + 1e-12)


def test_a_small_ratio_at_a_high_voltage_still_limits_the_fault():
    """60 V into a full scale of 40 V wants little division; 84.85 V peak through 10 mA is 8485 Ω all the same."""
    request = PadRequest(highest_v_rms=60.0, full_scale_v_rms=40.0, input_ohm=10_000)
    assert all(one.series_ohm >= 60 * math.sqrt(2) / 0.010 for one in design(request))
    low = design(PadRequest(highest_v_rms=2.0, full_scale_v_rms=2.0, input_ohm=10_000))[0]
    assert low.series_ohm < 2_000  # a tenfold arm would leave the ratio to the card's own resistance
    assert low.shunt_ohm < 10_000


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"highest_v_rms": 61.0}, "60 V is the limit"),
        ({"highest_v_rms": math.nan}, "highest voltage"),
        ({"full_scale_v_rms": 0.0}, "full scale"),
        ({"input_ohm": -10_000.0}, "input resistance"),
        ({"input_ohm": 0.0}, "input resistance"),
        ({"headroom_db": -1.0}, "headroom"),
        ({"headroom_db": math.nan}, "headroom"),
        ({"ratio": 1.0}, "ratio"),
        ({"ratio": math.inf}, "ratio"),
        ({"ratio": 20.0}, "use 32.15 or more"),
        ({"ratio": 1001.0}, "up to 1000"),
        ({"full_scale_v_rms": 0.001}, "is the full scale right"),
        ({"full_scale_v_rms": 70.0}, "no attenuator is needed"),
    ],
)
def test_impossible_requests_are_refused(change, words):
    with pytest.raises(RequestError, match=words):
        design(PadRequest(**REQUEST | change))


@pytest.mark.parametrize("wrong", [0.0, -1.0, math.nan, math.inf, 1e9])
def test_resistances_that_are_none(wrong):
    with pytest.raises(RequestError, match="no resistance"):
        pad(wrong)
    with pytest.raises(RequestError, match="no resistance"):
        pad(10_000, wrong)


def test_a_given_pad_is_objected_to():
    request = PadRequest(highest_v_rms=60.0, full_scale_v_rms=1.4, input_ohm=10_000)
    assert objections(request, pad()) == ()
    (overload,) = objections(request, pad(9_090, 1_000))
    assert "15.4 V is the most" in overload  # 1.4 V × 11.0 (the table of the handbook: about 15 V)
    found = objections(request, pad(100, 2))
    assert any("mA peak" in line and "8486 Ω or more" in line for line in found)  # 84.853 V through 10 mA
    assert any("series arm" in line and "heat" in line for line in found)  # 35 W, three times that has no rating


def test_ratings_are_three_times_the_heat():
    assert rating_to_choose_w(0.19) == 0.6
    assert rating_to_choose_w(0.21) == 1.0
    assert rating_to_choose_w(20.0) is None


@pytest.mark.parametrize(
    ("text", "ohm"), [("332", 332), ("2.49k", 2490), ("10 kΩ", 1e4), ("1M", 1e6), ("8 ohm", 8), ("0.5", 0.5)]
)
def test_a_resistance_is_read(text, ohm):
    assert parse_ohm(text, "a resistance") == pytest.approx(ohm)


@pytest.mark.parametrize("text", ["", "k", "4k7", "-5", "10 V", "1,000", "nan", "5m", "0"])
def test_what_is_no_resistance_is_refused(text):
    with pytest.raises(RequestError):
        parse_ohm(text, "a resistance")


def test_a_bridged_output_needs_a_reading_that_agrees():
    assert parse_chassis_reading("0.0") == 0.0
    assert parse_chassis_reading("open") == math.inf
    assert parse_chassis_reading("0.4 Ω") == pytest.approx(0.4)
    with pytest.raises(RequestError):
        parse_chassis_reading("yes")
    check_topology(bridged=True, minus_to_chassis_ohm=math.inf)
    check_topology(bridged=False, minus_to_chassis_ohm=0.3)
    check_topology(bridged=False, minus_to_chassis_ohm=None)
    for bridged, reading, words in (
        (True, None, "power off"),
        (True, 0.3, "not bridged"),
        (False, 1.0, "short circuit"),
    ):
        with pytest.raises(RequestError, match=words):
            check_topology(bridged=bridged, minus_to_chassis_ohm=reading)


def test_watts_in_a_load_are_those_of_the_table():
    for row in rows("power_in_load.csv"):
        for ohm in (2, 4, 6, 8, 16, 32, 300, 600):
            made = DummyLoad(resistance_ohm=ohm, inductance_h=0.0, rated_w=1000, on_heatsink=True)
            found = load_point(made, frequency_hz=1000, level_v_rms=float(row["v_rms"]))
            assert found.power_w == pytest.approx(float(row[f"p_{ohm}ohm_w"]), rel=1e-7)  # eight digits in the table
            assert found.overstated_percent == 0.0


def test_an_inductive_load_takes_less_than_it_seems():
    """Published loads: 8 Ω with 20 µH and 4 Ω with 14.5 µH: U²/R says 9.9 % and 20.8 % too much at 20 kHz."""
    for ohm, henry, percent in ((8.0, 20e-6, 9.9), (4.0, 14.5e-6, 20.8)):
        made = DummyLoad(resistance_ohm=ohm, inductance_h=henry, rated_w=200)
        point = load_point(made, frequency_hz=20_000, level_v_rms=20.0)
        assert point.overstated_percent == pytest.approx(percent, abs=0.05)
        # By complex current: the real part of voltage times current.
        impedance = ohm + 2j * np.pi * 20_000 * henry
        assert point.power_w == pytest.approx((20.0 * np.conj(20.0 / impedance)).real, rel=1e-12)
        assert point.impedance_ohm == pytest.approx(abs(impedance), rel=1e-12)
        assert point.phase_deg == pytest.approx(np.degrees(np.angle(impedance)), rel=1e-12)
        assert point.v_squared_over_r_w / point.power_w - 1 == pytest.approx(point.overstated_percent / 100)


def test_a_load_without_its_heatsink_stands_less():
    bare = DummyLoad(resistance_ohm=8.0, inductance_h=0.0, rated_w=100)
    mounted = DummyLoad(resistance_ohm=8.0, inductance_h=0.0, rated_w=100, on_heatsink=True)
    assert (bare.usable_w, mounted.usable_w) == (40.0, 100.0)  # trade practice: 40 % or less
    level_v_rms = math.sqrt(60 * 8.0)
    assert "1.5 times" in objection(bare, level_v_rms)
    assert objection(mounted, level_v_rms) is None
    assert objection(bare, math.sqrt(40 * 8.0)) is None
    for wrong in ({"inductance_h": -1e-6}, {"inductance_h": math.nan}, {"rated_w": 0.0}, {"resistance_ohm": 0.0}):
        with pytest.raises(RequestError):
            DummyLoad(**{"resistance_ohm": 8.0, "inductance_h": 0.0, "rated_w": 100.0} | wrong)
    for frequency_hz in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(RequestError, match="Hz can't be used"):
            load_point(bare, frequency_hz=frequency_hz, level_v_rms=1.0)


COMMAND = ["bench", "attenuator", "--highest", "45 V", "--full-scale", "1.4 V", "--input-resistance", "10k"]
LOAD = ["bench", "load", "--resistance", "8", "--rated-w", "200"]


def test_the_attenuator_at_the_command_line():
    status, out, _ = run(*COMMAND)
    assert status == 0
    assert out.splitlines()[0].startswith("caution")  # before any figure
    assert out.index("60 V r.m.s.") < out.index("pad 1")
    for word in ("ratio", "tolerance", "heat", "noise", "shunt open", "shunt short", "series short", "bandwidth"):
        assert word in out
    # 1.4 V through the ratio printed with pad 1: what to enter until it is measured (the ratio has four digits).
    ratio = float(re.search(r"^ratio +([0-9.]+):1 with the card", out, re.M)[1])
    start = float(re.search(r"^start +v_rms_at_full_scale = ([0-9.]+) ", out, re.M)[1])
    assert start == pytest.approx(1.4 * ratio, rel=1e-3)
    status, out, _ = run(*COMMAND, "--check", "10k", "205", "--card-noise", "20 uV", "--json")
    facts = json.loads(out)
    (found,) = facts["pads"]
    assert status == 0
    assert found["ratio"] == pytest.approx(1 + 10_000 * (1 / 205 + 1 / 10_000))
    assert found["noise"]["card_v_rms"] == pytest.approx(20e-6 * found["ratio"])
    assert facts["request"]["minus_to_chassis_ohm"] is None
    assert facts["cautions"]
    status, out, _ = run(*COMMAND, "--check", "100k", "2k", "--cable-pf", "1500")  # closed form: 64.72 kHz, 0.396 dB
    assert "the cable takes 0.40 dB" in out
    status, out, _ = run(*COMMAND, "--check", "9.09k", "1000")
    assert status == 1
    assert "objection" in out


def test_a_bridged_output_at_the_command_line():
    refused(*COMMAND, "--bridged", words="--minus-to-chassis")
    refused(*COMMAND, "--minus-to-chassis", "open", words="--bridged")
    refused(*COMMAND, "--bridged", "--minus-to-chassis", "0.2", words="not bridged")
    status, out, _ = run(*COMMAND, "--bridged", "--minus-to-chassis", "open", "--json")
    facts = json.loads(out)
    assert status == 0
    assert facts["request"]["minus_to_chassis_ohm"] == "open"
    assert 27 < facts["pads"][0]["common_mode_rejection_db"] < 29  # 1 % in four resistors: 3.9 % of mismatch at worst
    status, out, _ = run(*COMMAND, "--bridged", "--minus-to-chassis", "12", "--tolerance-percent", "0", "--json")
    assert json.loads(out)["pads"][0]["common_mode_rejection_db"] is None  # exact resistors: without limit


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--highest", "100 V"], "60 V is the limit"),
        (["--highest", "100 W"], "no voltage"),
        (["--highest", "45"], "unit"),
        (["--full-scale", "-3 dBFS"], "no voltage"),
        (["--input-resistance", "-10000"], "no resistance"),
        (["--input-resistance", "4k7"], "2.49k"),
        (["--card-noise", "14 V"], "can't be"),
        (["--tolerance-percent", "nan"], "tolerance"),
        (["--tolerance-percent", "-1"], "tolerance"),
        (["--cable-pf", "nan"], "cable"),
        (["--series-parts", "0"], "parts"),
        (["--check", "0", "205"], "no resistance"),
        (["--check", "10k"], "2 arguments"),
        (["--check", "10k", "205", "--series", "E12"], "leave it out"),
    ],
)
def test_wrong_attenuators_are_refused_in_a_line(more, words):
    given = list(COMMAND)
    if more[0] in given:  # each option stands once
        place = given.index(more[0])
        del given[place : place + 2]
    refused(*given, *more, words=words)


def test_the_load_at_the_command_line():
    status, out, _ = run(*LOAD, "--inductance-uh", "20", "--level", "60 W", "--on-heatsink", "--json")
    facts = json.loads(out)
    assert status == 0
    assert facts["level_v_rms"] == pytest.approx(math.sqrt(480))
    assert facts["points"][-1]["overstated_percent"] == pytest.approx(9.9, abs=0.05)
    status, out, _ = run(*LOAD, "--level", "100 W")
    assert status == 1
    assert "objection" in out
    assert out.startswith("caution")
    refused(*LOAD, "--level", "-6 dBFS", words="dBFS")
    refused(*LOAD, "--level", "10 V", "--frequency-hz", "nan", words="Hz can't be used")
    refused(*LOAD, "--level", "10 V", "--inductance-uh", "-1", words="inductance")
