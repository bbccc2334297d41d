"""What the bench's own response leaves open where no loop has shown it: benches on paper, closed forms."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from benches import CALIBRATION, bench_file
from paper_benches import Desk, drawn

from audiomeas.bench.calibration import read_calibration
from audiomeas.bench.calibration_text import calibration_text
from audiomeas.bench.parts import Part, of_limits
from audiomeas.errors import TomlProblem
from audiomeas.measurement.budget import Told
from audiomeas.measurement.noise_gain import gain_at_1_khz
from audiomeas.measurement.noise_levels import Reading
from audiomeas.measurement.noise_references import Gain, Reference, refer
from audiomeas.measurement.noise_unit import SampleUnit
from audiomeas.measurement.noise_values import tell_input_referred, tell_levels, tell_ratios
from audiomeas.measurement.registry import find
from audiomeas.units import parse_level

NOT_MEASURED = "response of the bench, not measured"
#: Common practice, from memory: how far a card is off from where it was calibrated.
COMMON_HZ, COMMON_DB = (20, 100, 315, 400, 1e3, 1e4, 2e4), (0.5, 0.05, 0.0, 0.0, 0.05, 0.2, 0.5)
DB_PER_NEPER = 20.0 / math.log(10.0)
STATED = "response_limit = [\n    [20, 0.3],\n    [20000, 0.3],\n]"


def one_meter_bench(folder, *, stated="", loop=False):
    """A bench whose output and input one meter has calibrated, so that its error cancels in a gain."""
    desk = Desk(folder, dataclasses.replace(drawn(3), way="one meter"))
    file = folder / "simulated-card.toml"
    begin, rest = file.read_text().split("response_limit = [", 1)
    file.write_text(begin + stated + rest.split("\n]\n", 1)[1])
    desk.calibrate(loop=loop)
    return desk


def measured(desk, word, **options):
    level = parse_level(f"{desk.truth.input_level_v_rms} V")
    return desk.session(seed=11).measure(find(word), options, input_level=level)


@pytest.fixture(scope="module")
def not_measured(tmp_path_factory):
    return one_meter_bench(tmp_path_factory.mktemp("bench"))


def parts_of(result, key):
    return {part.component: part.half_width for part in result.channel(1).budget[key]}


def test_a_gain_whose_scales_cancel_is_as_open_as_the_response(not_measured):
    result = measured(not_measured, "distortion", frequency_hz=1000.0, window_s=0.1)
    one = result.channel(1)
    # 0.05 dB at 1 kHz is the limit of what is common (common practice); 95 % of a rectangle lie within 0.95 of it.
    assert parts_of(result, "gain_db")[NOT_MEASURED] == pytest.approx(0.95 * 0.05, rel=1e-3)
    assert parts_of(result, "level_v_rms")[NOT_MEASURED] == pytest.approx(
        0.95 * 0.05 / DB_PER_NEPER * one.values["level_v_rms"], rel=1e-3
    )
    # Readings of two digits' places leave a few thousandths of a decibel beside it.
    assert 0.0475 <= one.uncertainty["gain_db"] <= 0.1
    assert abs(one.values["gain_db"] - not_measured.true_figures()["gain_db"]) <= one.uncertainty["gain_db"]
    assert "which no loopback tells, within limits that are common practice" in result.conditions["uncertainty_covers"]


def test_at_the_frequency_of_calibration_nothing_of_it_is_open(not_measured):
    result = measured(not_measured, "distortion", frequency_hz=330.0, window_s=0.1)
    assert NOT_MEASURED not in parts_of(result, "gain_db")


@pytest.mark.parametrize(
    ("word", "options", "key"),
    [
        ("linearity", {"falls_db": (0.0, 20.0), "window_s": 0.1, "frequency_hz": 1000.0}, "gain_db"),
        ("intermodulation", {"window_s": 0.2}, "high_level_v_rms"),
    ],
)
def test_other_words_have_the_same_part_and_say_so(not_measured, word, options, key):
    result = measured(not_measured, word, **options)
    assert parts_of(result, key)[NOT_MEASURED] > 0.0
    assert "which no loopback tells" in result.conditions["uncertainty_covers"]
    if word == "intermodulation":
        # 7 kHz stands between 1 kHz (0.05 dB) and 10 kHz (0.2 dB): straight over log frequency.
        limit_db = 0.05 + 0.15 * math.log10(7.0)
        found = parts_of(result, key)[NOT_MEASURED] / result.channel(1).values[key] * DB_PER_NEPER
        assert found == pytest.approx(0.95 * limit_db, rel=1e-3)
        assert result.conditions["uncertainty_covers"].endswith("not the distortion of the bench itself")


def test_each_tone_of_many_is_as_open_as_its_frequency(not_measured):
    result = measured(not_measured, "multitone", window_s=0.5, tones=5)
    one = result.channel(1).values
    halves = dict(zip(one["frequency_hz"], one["gain_uncertainty_db"], strict=True))
    assert len(halves) == 5 and min(halves) < 40.0 and max(halves) > 15_000.0
    for hz, half_db in halves.items():
        # Straight over log frequency between the figures of common practice; what else is open is below 0.01 dB.
        limit_db = np.interp(
            math.log(hz), np.log([20, 100, 315, 400, 1e3, 1e4, 2e4]), [0.5, 0.05, 0, 0, 0.05, 0.2, 0.5]
        )
        assert half_db == pytest.approx(0.95 * limit_db, abs=0.01), hz
    assert "which no loopback tells" in result.conditions["uncertainty_covers"]


def test_what_a_file_states_goes_before_what_is_common_and_a_loopback_before_both(tmp_path):
    desk = one_meter_bench(tmp_path, stated=STATED)
    result = measured(desk, "distortion", frequency_hz=1000.0, window_s=0.1)
    # Kept through two calibrations, each of which wrote the file anew.
    assert parts_of(result, "gain_db")[NOT_MEASURED] == pytest.approx(0.95 * 0.3, rel=1e-3)
    assert "within what its calibration states" in result.conditions["uncertainty_covers"]
    shown = measured(one_meter_bench(tmp_path, stated=STATED, loop=True), "distortion", window_s=0.1)
    assert NOT_MEASURED not in parts_of(shown, "gain_db")
    assert "which is taken off gain and level" in shown.conditions["uncertainty_covers"]


def test_the_simulated_card_lies_within_what_its_calibration_states():
    """Two coupling capacitors (simulation/cards/card.toml) in closed form: |H|² = 1/(1 + (f_c/f)²)."""

    def response_db(hz):
        return -sum(10.0 * np.log10(1.0 + (corner_hz / hz) ** 2) for corner_hz in (0.8, 0.5))

    hz, limit_db = np.array(read_calibration(CALIBRATION).response_limit).T
    every = np.geomspace(1.0, 20_000.0, 400)
    off_db = np.abs(response_db(every) - response_db(330.0))
    limits = np.interp(np.log(every), np.log(hz), limit_db)
    assert np.all(off_db <= limits)
    # And no wider than it has to be for rows that stand an octave apart.
    assert np.all(limits[every < 100.0] < 2.0 * off_db[every < 100.0] + 1e-4)


@pytest.mark.parametrize(
    "rows", ["0.05", "[]", "[[20, 0.1, 3]]", "[[20, -0.1]]", "[[20, 0.1], [20, 0.2]]", "[[0, 0.1]]"]
)
def test_wrong_rows_are_refused_with_an_example(tmp_path, rows):
    bench_file(tmp_path)
    file = tmp_path / "simulated-card.toml"
    begin, rest = file.read_text().split("response_limit = [", 1)
    file.write_text(f"{begin}response_limit = {rows}\n{rest.split(chr(10) + ']' + chr(10), 1)[1]}")
    with pytest.raises(TomlProblem, match=r"response_limit.*such as"):
        read_calibration(file)


def test_the_text_holds_the_limits(tmp_path):
    calibration = read_calibration(CALIBRATION)
    copy = tmp_path / "copy.toml"
    copy.write_text(calibration_text(calibration, simulated=True))
    assert read_calibration(copy).response_limit == calibration.response_limit


# S/N of a level at the input: source × gain / noise, gain = captured / played. Of the input's scale (1 + a) and the
# output's (1 + b) is left source × (1 + a)/(1 + b) / (1 + a): b alone.
INPUT, OUTPUT = (
    of_limits("input calibration", 0.02, source="input"),
    of_limits("output calibration", 0.01, source="output"),
)


def told_noise(gain):
    told = Told({})
    unit = SampleUnit(reference=1.0, in_volts=True, scale=(INPUT,))
    tell_levels(told, {"unweighted": Reading(level=1e-4), "a_weighted": Reading(level=1e-4)}, unit)
    reference = Reference(words="5 mV in", source=parse_level("5 mV"))
    found = refer(reference, full_scale=1.0, in_volts=True, gain=gain, load_ohm=None, load=None)
    tell_ratios(told, (found,), unit)
    tell_input_referred(told, gain, ("unweighted",))
    return told


def test_of_a_level_at_the_input_the_output_calibration_alone_is_left():
    parts = tuple(
        dataclasses.replace(part, half_width=DB_PER_NEPER * part.half_width)
        for part in (INPUT, dataclasses.replace(OUTPUT, half_width=-OUTPUT.half_width))
    )
    told = told_noise(Gain(db=40.0, uncertainty_db=0.3, origin="test", parts=parts))
    assert told.values["snr_db"] == pytest.approx(20.0 * math.log10(0.5 / 1e-4), abs=1e-9)
    # The method's own least part (1e-5 relative, about) stands beside it.
    assert told.uncertainty["snr_db"] == pytest.approx(0.95 * 0.01 * DB_PER_NEPER, rel=0.01)
    assert told.uncertainty["unweighted_input_v_rms"] == pytest.approx(0.95 * 0.01 * 1e-6, rel=0.01)


def test_without_parts_the_gain_counts_as_one_more_error():
    told = told_noise(Gain(db=40.0, uncertainty_db=0.3, origin="test"))
    # A normal 0.3 dB beside a rectangular 0.95 · 0.174 dB: between the sum of squares and the plain sum.
    assert math.hypot(0.3, 0.165) * 0.97 < told.uncertainty["snr_db"] < 0.3 + 0.165


def test_the_gain_of_the_first_look_rests_on_both_calibrations():
    conditions = {"first_look_gain_db": {"1": 20.0}, "first_look_noise_db": {"1": 0.0}}
    options = {"gain_db": None, "gain_from": None}
    found = gain_at_1_khz(1, options, conditions, calibrations=(INPUT, OUTPUT))
    assert {part.component for part in found.parts} == {"gain", "input calibration", "output calibration"}
    exact = gain_at_1_khz(1, options, conditions, calibrations=(Part("input calibration", 0.0),))
    assert found.uncertainty_db > exact.uncertainty_db == pytest.approx(0.1, rel=1e-6)  # what a first look is good for
    assert gain_at_1_khz(1, options, conditions, calibrations=None).uncertainty_db is None
