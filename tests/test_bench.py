"""Bench and calibration files, and the interlock's arithmetic against hand calculation."""

from __future__ import annotations

import math
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audiomeas.bench.calibration import read_calibration
from audiomeas.bench.file import read_bench
from audiomeas.bench.interlock import Ceiling, first_look_v_rms, predict, refuse_beyond
from audiomeas.bench.opened import open_bench_file
from audiomeas.errors import InterlockRefusal, TomlProblem
from audiomeas.files import shipped

BENCH = shipped("examples", "benches", "simulated-bench.toml")
CALIBRATION = shipped("calibrations", "simulated-card.toml")


@pytest.fixture
def copy(tmp_path):
    """Return a function that copies the shipped bench with one text replaced, and gives its path."""

    def change(old="", new="", *, in_calibration=False):
        calibration, bench = CALIBRATION.read_text(), BENCH.read_text()
        bench = bench.replace("../../calibrations/", "")
        if in_calibration:
            assert old in calibration
            calibration = calibration.replace(old, new, 1)
        else:
            assert old in bench
            bench = bench.replace(old, new, 1)
        (tmp_path / "simulated-card.toml").write_text(calibration)
        path = tmp_path / "bench.toml"
        path.write_text(bench)
        return path

    return change


def test_the_shipped_bench_reads():
    bench = read_bench(BENCH)
    assert bench.channels == (1, 2)
    assert bench.load(1).resistance_ohm == 8.0
    assert bench.calibration.input(1, "50:1").v_rms_at_full_scale == 100.0
    assert bench.load(3) is None


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("resistance_ohm = 8.0", "resistance_ohm = -8.0", r"line \d+: load\[1\]\.resistance_ohm: must be above 0"),
        ("resistance_ohm = 8.0", "resistance = 8.0", "resistance_ohm"),
        ("rated_w = 200", "rated_w = '200 W'", "must be a number, not a text"),
        ("[usual]", "[usuall]", "did you mean 'usual'"),
        ('range = "50:1"', 'range = "51:1"', "has no range '51:1' for channel 1; it has: direct, 10:1, 50:1"),
        ('kind = "simulated"', 'kind = "simulation"', "did you mean 'simulated'"),
        ('output_level = "1 W"', 'output_level = "1"', "number with a unit"),
        ("sample_rate_hz = 96000", "sample_rate_hz = 96000\nblock_frames = 9600", "block_frames: must be at most 2880"),
        ("input_v_rms = 2.0", "input_v_rms = 0", "must be above 0"),
        ("output_v_rms = 40.0", "output_v_rms = 400.0", "must be at most 60"),
        ("channel = 2\nrange", "channel = 1\nrange", "there twice"),
    ],
)
def test_what_is_wrong_in_a_bench_file_is_named(copy, old, new, words):
    with pytest.raises(TomlProblem, match=words) as caught:
        read_bench(copy(old, new))
    assert "bench.toml" in str(caught.value)


def test_a_low_rate_is_not_blamed_on_a_block_that_nobody_gave(copy):
    # 30 ms is the longest block: 370 frames at 12,345 Hz; the usual 512 where they fit.
    assert read_bench(copy("sample_rate_hz = 96000", "sample_rate_hz = 12345")).interface.block_frames == 370
    assert read_bench(BENCH).interface.block_frames == 512


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("v_rms_at_full_scale = 2.0", "v_rms_at_full_scale = 0", "must be at least 0.0001"),
        ("made = 2026-11-01", 'made = "2026-11-01"', "no quotes"),
        ("valid_until = 2099-12-31", "valid_until = 2020-12-31", "before the day"),
        ("uncertainty_percent = 0.5", "uncertainty = 0.5", "missing"),
        ('range = "10:1"', 'range = "direct"', "there twice"),
    ],
)
def test_what_is_wrong_in_a_calibration_is_named(copy, old, new, words):
    with pytest.raises(TomlProblem, match=words) as caught:
        read_bench(copy(old, new, in_calibration=True))
    assert "simulated-card.toml" in str(caught.value)


@pytest.mark.parametrize(("ohm", "said"), [("0.008", True), ("804.0", True), ("4.0", False), ("16.0", False)])
def test_a_load_that_no_loudspeaker_has_is_said_with_every_result(copy, ohm, said):
    warnings = open_bench_file(copy("resistance_ohm = 8.0", f"resistance_ohm = {ohm}")).warnings()
    assert [f"is entered with {float(ohm):g} Ω, which is no usual load" in line for line in warnings] == [True] * said


def test_mismatches_of_a_calibration_are_said():
    calibration = read_calibration(CALIBRATION)
    fits = {
        "interface": "Simulated card",
        "host_api": "simulation",
        "gain_setting": "fixed",
        "sample_rate_hz": 96_000.0,
        "today": date(2026, 12, 1),
    }
    assert calibration.mismatches(**fits) == ()
    for change, words in [
        ({"interface": "Other card"}, "made for 'Simulated card'"),
        ({"gain_setting": "half"}, "gain setting"),
        ({"sample_rate_hz": 32_000.0}, "32000 Hz"),
        ({"today": date(2100, 1, 1)}, "expired"),
        ({"today": date(2020, 1, 1)}, "future"),
    ]:
        (line,) = calibration.mismatches(**{**fits, **change})
        assert words in line
        assert "\n" not in line


def sine_ceiling(v_rms, *, at="unit output", load_ohm=None):
    return Ceiling(
        channel=1, at=at, what="load", v_rms=v_rms, v_peak=v_rms * math.sqrt(2), way_out="lower", load_ohm=load_ohm
    )


def test_refusal_says_by_how_much():
    # 1 V through 26 dB + 3 dB margin is 28.18 V, 99.3 W into 8 Ω; the ceiling of 50 W is 20 V: 2.98 dB too much.
    predictions = predict([sine_ceiling(20.0, load_ohm=8.0)], level_v_rms=1.0, peak_v=math.sqrt(2), gain_db={1: 26.0})
    assert predictions[0].excess_db == pytest.approx(20 * math.log10(10 ** (29 / 20) / 20), abs=1e-9)
    with pytest.raises(InterlockRefusal, match=r"channel 1: .* 99\.3 W .*ceiling 50 W, 3\.0 dB too much"):
        refuse_beyond(predictions)


def test_peak_counts_as_well_as_rms():
    # A burst of low r.m.s. and high peak: refused by its peak.
    predictions = predict([sine_ceiling(10.0)], level_v_rms=0.1, peak_v=2.0, gain_db={1: 20.0})
    with pytest.raises(InterlockRefusal):
        refuse_beyond(predictions)
    refuse_beyond(predict([sine_ceiling(10.0)], level_v_rms=0.1, peak_v=0.9, gain_db={1: 20.0}))


@pytest.mark.parametrize("gain", [{}, {2: 20.0}, {1: float("nan")}, {1: float("inf")}])
def test_nothing_is_played_blind(gain):
    with pytest.raises(InterlockRefusal, match="not known"):
        predict([sine_ceiling(10.0)], level_v_rms=0.1, peak_v=0.1, gain_db=gain)


@given(
    ceilings=st.lists(
        st.tuples(st.floats(0.01, 60), st.sampled_from(["unit input", "unit output"])), min_size=1, max_size=5
    ),
    highest_gain_db=st.floats(-20, 80),
    gain_below_db=st.floats(0, 60),
)
def test_first_look_stays_40_db_below_every_ceiling(ceilings, highest_gain_db, gain_below_db):
    """Whatever gain the unit has, up to the highest allowed: 40 dB of room at each place, in r.m.s. and in peak."""
    listed = [sine_ceiling(v_rms, at=at) for v_rms, at in ceilings]
    level = first_look_v_rms(listed, highest_gain_db=highest_gain_db)
    gain = 10 ** ((highest_gain_db - gain_below_db) / 20)
    for v_rms, at in ceilings:
        assert level * (gain if at == "unit output" else 1.0) <= 0.01 * v_rms * (1 + 1e-9)
    nearest = min(v / (10 ** (highest_gain_db / 20) if at == "unit output" else 1.0) for v, at in ceilings)
    assert level == pytest.approx(0.01 * nearest, rel=1e-9)  # and not needlessly lower


@given(
    level=st.floats(1e-4, 10),
    crest=st.floats(1.0, 10.0),
    gain_db=st.floats(-40, 60),
    limit=st.floats(0.01, 60),
    rise_db=st.floats(0, 3),
)
def test_what_is_let_through_never_passes_a_ceiling(level, crest, gain_db, limit, rise_db):
    """With a gain up to 3 dB above what was found, as the margin promises."""
    try:
        refuse_beyond(predict([sine_ceiling(limit)], level_v_rms=level, peak_v=level * crest, gain_db={1: gain_db}))
    except InterlockRefusal:
        return
    gain = 10 ** ((gain_db + rise_db) / 20)
    assert level * gain <= limit * (1 + 1e-9)
    assert level * crest * gain <= limit * math.sqrt(2) * (1 + 1e-9)
