"""Conversions against IEC 60027-3 (tests/reference/level_conversions.csv) and P = U²/R (power_in_load.csv)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference_tables import rows

from audiomeas import units
from audiomeas.errors import RequestError
from audiomeas.shown_units import shown_in


@pytest.mark.parametrize("row", rows("level_conversions.csv"), ids=lambda row: row["label"])
def test_levels_match_the_table(row):
    v_rms = float(row["v_rms"])
    # The table prints four decimals.
    assert units.v_rms_to_dbv(v_rms) == pytest.approx(float(row["dbv"]), abs=6e-5)
    assert units.v_rms_to_dbu(v_rms) == pytest.approx(float(row["dbu"]), abs=6e-5)
    assert units.dbu_to_v_rms(float(row["dbu"])) == pytest.approx(v_rms, rel=6e-6)
    assert units.dbv_to_v_rms(float(row["dbv"])) == pytest.approx(v_rms, rel=6e-6)


@pytest.mark.parametrize("row", rows("power_in_load.csv"), ids=lambda row: row["v_rms"])
def test_watts_match_the_table(row):
    for ohm in (2, 4, 8, 600):
        watts = float(row[f"p_{ohm}ohm_w"])
        # The table prints eight digits.
        assert units.v_rms_to_w(float(row["v_rms"]), ohm) == pytest.approx(watts, rel=1e-7)
        assert units.w_to_v_rms(watts, ohm) == pytest.approx(float(row["v_rms"]), rel=1e-7)


@given(st.floats(min_value=-200, max_value=200))
def test_decibels_there_and_back(decibels):
    assert units.amplitude_ratio_to_db(units.db_to_amplitude_ratio(decibels)) == pytest.approx(decibels, abs=1e-9)
    assert units.power_ratio_to_db(units.db_to_power_ratio(decibels)) == pytest.approx(decibels, abs=1e-9)


@pytest.mark.parametrize("wrong", [-1.0, math.nan, math.inf, np.array([1.0, math.nan]), np.array([-1e-9])])
def test_what_is_no_ratio_never_becomes_decibels(wrong):
    with pytest.raises(ValueError, match="finite"):
        units.amplitude_ratio_to_db(wrong)
    with pytest.raises(ValueError, match="finite"):
        units.power_ratio_to_db(wrong)


def test_zero_is_minus_infinity_and_arrays_keep_their_shape():
    assert units.amplitude_ratio_to_db(0.0) == -math.inf
    assert units.amplitude_ratio_to_db(np.array([[1.0, 10.0]])).tolist() == [[0.0, 20.0]]


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("2.83 V", 2.83, "V"),
        ("2,83 V", 2.83, "V"),
        ("5 mV", 5e-3, "V"),
        ("5mv", 5e-3, "V"),
        ("500 µV", 5e-4, "V"),
        ("500uV", 5e-4, "V"),
        ("1 W", 1.0, "W"),
        ("250 mW", 0.25, "W"),
        ("0 dBu", math.sqrt(0.6), "V"),  # 1 mW in 600 Ω
        ("-10 dBV", 10**-0.5, "V"),
        ("−20 dBFS", 0.1, "FS"),
    ],
)
def test_levels_as_people_write_them(text, value, unit):
    level = units.parse_level(text)
    assert level.value == pytest.approx(value, rel=1e-12)
    assert level.unit == unit


@pytest.mark.parametrize(
    "text", ["", "1", "V", "one V", "0 V", "-1 V", "1 MV", "1 MW", "1 A", "1e999 V", "nan V", "1 V V"]
)
def test_levels_that_are_none(text):
    with pytest.raises(RequestError):
        units.parse_level(text)


def test_watts_need_a_load():
    with pytest.raises(RequestError, match="load"):
        units.Level(1.0, "W").v_rms()
    assert units.Level(60.0, "W").v_rms(load_ohm=8.0) == pytest.approx(21.9089, abs=1e-4)  # trade notes 7, row 1
    with pytest.raises(ValueError, match="resistance"):
        units.w_to_v_rms(1.0, 0.0)


@pytest.mark.parametrize(
    ("unit", "values", "shown"),
    [
        ("V", (0.000136,), ("µV", 1e6)),
        ("V", (-0.0021, 0.0000001), ("mV", 1e3)),  # the largest decides, whatever its sign
        ("V", (0.1,), ("V", 1.0)),
        ("V", (0.0999,), ("mV", 1e3)),
        ("V", (4.4e-7,), ("µV", 1e6)),
        ("V", (2.5e-9,), ("nV", 1e9)),
        ("V", (0.0, None), ("V", 1.0)),
        ("s", (1.369e-6,), ("µs", 1e6)),
        ("s", (0.0451, 1.369e-6), ("s", 1.0)),
        ("s", (0.001,), ("s", 1.0)),
        ("s", (0.0,), ("s", 1.0)),
        ("%", (0.000136,), ("%", 1.0)),
        ("dBFS", (-100.0,), ("dBFS", 1.0)),
    ],
)
def test_volts_and_microseconds_are_shown_with_the_prefix_of_the_largest(unit, values, shown):
    assert shown_in(unit, *values) == shown
