"""The measurement `response`: keys, figures, conditions, views, and what it refuses."""

from __future__ import annotations

import dataclasses
import json
import math
import subprocess

import numpy as np
import pytest
from coverage_truth import of_two
from limited_axes import drawn_limits
from sweep_chains import chain, padded, start_of, through

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.response_views import at_frequency, nominal_frequencies
from audiomeas.measurement.result import result_from_json
from audiomeas.recording import Recording
from audiomeas.stimulus import Silence

RESPONSE = find("response")
FULL_SCALE_V_RMS = 100.0


def played(rate_hz=48_000.0, channels=(1, 2), **options):
    context = PlayContext(sample_rate_hz=rate_hz, channels=channels, input_level_v_rms=0.1)
    return RESPONSE.stimulus(context, complete(RESPONSE, options))


def recording_of(stimulus, *captured_v, **changes):
    facts = {
        "counts_fs": np.stack(captured_v, axis=1) / (FULL_SCALE_V_RMS * math.sqrt(2.0)),
        "sample_rate_hz": stimulus.sample_rate_hz,
        "channels": tuple(range(1, len(captured_v) + 1)),
        "v_rms_at_full_scale": (FULL_SCALE_V_RMS,) * len(captured_v),
        "scale_uncertainty": (0.001,) * len(captured_v),
        "conditions": {"input_level_uncertainty": 0.0},
        "stimulus": stimulus,
        "stimulus_start": start_of(stimulus),
        "stimulus_in_volts": True,
        "shared_clock": True,
        "over_range": (0,) * len(captured_v),
    }
    return Recording(**{**facts, **changes})


def analysed(recording, **options):
    return RESPONSE.analyse(recording, complete(RESPONSE, options))


STIMULUS = played()
#: An amplifier of gain 20 with −3 dB at 30 Hz and 15 kHz, and a second channel 0.5 dB lower, inverted, 1 ms later.
AMPLIFIER = chain(30.0, 15_000.0, gain=20.0)
WEAKER = 10.0 ** (-0.5 / 20.0)


@pytest.fixture(scope="module")
def stereo():
    first = through(STIMULUS, AMPLIFIER)
    second = -WEAKER * through(STIMULUS, AMPLIFIER, delay_s=0.001)
    return recording_of(STIMULUS, first, second)


@pytest.fixture(scope="module")
def result(stereo):
    return analysed(stereo)


def gain_db(frequency_hz):
    return 20.0 * np.log10(np.abs(AMPLIFIER(np.asarray(frequency_hz))))


def test_gain_is_absolute_and_exact(result):
    one = result.channel(1).values
    assert result.conditions["gain_reference"] == "absolute"
    # Issue 2: within 0.01 dB of closed form; the method leaves less than 0.001 dB from 20 Hz on, twice that at 17 Hz.
    assert np.max(np.abs(np.array(one["gain_db"]) - gain_db(one["frequency_hz"]))) < 0.002
    assert one["gain_at_reference_db"] == pytest.approx(float(gain_db(1000.0)), abs=0.0005)
    # 0.1 % of the scale is 8.686 × 0.001 dB.
    assert result.channel(1).uncertainty["gain_at_reference_db"] == pytest.approx(0.008686, rel=0.01)
    assert one["gain_uncertainty_db"][100] == pytest.approx(0.008686, rel=0.01)
    # What is relative to the reference does not carry the scale.
    assert result.channel(1).uncertainty["deviation_db"] < 0.002


def test_lists_have_one_length(result):
    for one in result.channels:
        lengths = {key: len(one.values[key]) for key in ("frequency_hz", "gain_db", "phase_deg", "gain_uncertainty_db")}
        assert len(set(lengths.values())) == 1, lengths
        assert 1000.0 in one.values["frequency_hz"] and one.values["reference_hz"] == 1000.0


def test_corners_are_those_of_the_poles(result):
    one = result.channel(1)
    fine = np.geomspace(10.0, 20_000.0, 400_001)
    relative = gain_db(fine) - float(gain_db(1000.0))
    fallen = relative <= 10.0 * math.log10(0.5)
    low_hz, high_hz = fine[np.argmin(fallen)], fine[np.argmax(fallen & (fine > 1000.0))]
    # A straight line between points 1/24 octave apart: the curve's bend there is worth 0.0007 dB, 0.03 % of frequency.
    assert one.values["corner_low_hz"] == pytest.approx(low_hz, rel=5e-4)
    assert one.values["corner_high_hz"] == pytest.approx(high_hz, rel=5e-4)
    assert one.uncertainty["corner_low_hz"] < 0.02


def test_a_corner_outside_is_null_and_says_on_which_side():
    found = analysed(recording_of(STIMULUS, through(STIMULUS, chain(3.0, 100_000.0)))).channel(1)
    assert found.values["corner_low_hz"] is None and found.values["corner_high_hz"] is None
    assert found.values["corner_low_note"].startswith("below 1")
    assert found.values["corner_high_note"].startswith("above 20")
    assert "corner_low_hz" not in found.uncertainty


@pytest.mark.parametrize(("drop_db", "name"), [(0.5, "0_5_db_"), (1.0, "1_db_"), (10.0 * math.log10(2.0), "")])
def test_corners_at_each_drop_are_those_of_the_chain(result, drop_db, name):
    one = result.channel(1)
    fine = np.geomspace(17.5, 19_900.0, 400_001)
    fallen = gain_db(fine) - float(gain_db(1000.0)) <= -drop_db
    low_hz, high_hz = fine[np.argmin(fallen)], fine[np.argmax(fallen & (fine > 1000.0))]
    # As above: the line between points stands 0.0007 dB off the curve, which at −0.5 dB is 0.1 % of frequency.
    assert one.values[f"corner_low_{name}hz"] == pytest.approx(low_hz, rel=1e-3)
    assert one.values[f"corner_high_{name}hz"] == pytest.approx(high_hz, rel=1e-3)
    assert one.uncertainty[f"corner_low_{name}hz"] < 0.1
    assert one.values[f"corner_low_{name}note"] is None
    assert result.conditions["corners"].startswith("0.5, 1 and 3.01 dB")


def test_each_corner_says_on_its_own_when_it_lies_beyond():
    """3 Hz falls 0.13 dB at 17 Hz, 8 Hz 0.86 dB, 12 Hz 1.7 dB (10·lg(1 + (f1/f)²))."""
    expected = {3.0: (False, False, False), 8.0: (True, False, False), 12.0: (True, True, False)}
    for corner_hz, reached in expected.items():
        values = analysed(recording_of(STIMULUS, through(STIMULUS, chain(corner_hz, 200_000.0)))).channel(1).values
        keys = ("corner_low_0_5_db_", "corner_low_1_db_", "corner_low_")
        assert tuple(values[f"{key}hz"] is not None for key in keys) == reached
        for key in keys:
            assert (values[f"{key}note"] is None) == (values[f"{key}hz"] is not None)


def test_time_constants_are_those_of_the_poles(result):
    one = result.channel(1)
    # Closed form: τ = 1/(2πf), 30 Hz and 15 kHz. The gain is good to 0.0002 of itself at 17 Hz, where it falls by half.
    assert one.values["time_constant_low_s"] == pytest.approx(1.0 / (2.0 * math.pi * 30.0), rel=1e-3)
    assert one.values["time_constant_high_s"] == pytest.approx(1.0 / (2.0 * math.pi * 15_000.0), rel=1e-3)
    for key, truth in (("first_order_low_hz", 30.0), ("first_order_high_hz", 15_000.0)):
        assert abs(one.values[key] - truth) < one.uncertainty[key] < 0.01 * truth


def test_what_is_not_first_order_has_no_time_constant():
    def two_poles(frequency_hz):
        return chain(25.0, 200_000.0)(frequency_hz) * chain(25.0, 12_000.0)(frequency_hz)

    one = analysed(recording_of(STIMULUS, through(STIMULUS, two_poles))).channel(1)
    assert one.values["time_constant_low_s"] is None
    assert one.values["first_order_low_note"].startswith("falls, and not as one")
    assert one.values["time_constant_high_s"] is not None


def test_balance_against_frequency_is_the_ratio_of_the_chains():
    first, second = chain(20.0, 40_000.0, gain=20.0), chain(35.0, 25_000.0, gain=19.0)
    found = analysed(recording_of(STIMULUS, through(STIMULUS, first), through(STIMULUS, second)))
    one = found.channel(2)
    frequency_hz = np.array(one.values["frequency_hz"])
    truth_db = 20.0 * np.log10(np.abs(second(frequency_hz) / first(frequency_hz)))
    # Twice the method's 0.002 dB at 17 Hz.
    assert np.max(np.abs(np.array(one.values["balance_curve_db"]) - truth_db)) < 0.004
    inside = (frequency_hz >= 20.0) & (frequency_hz <= 20_000.0)
    worst = np.argmax(np.abs(truth_db) * inside)
    assert one.values["balance_largest_db"] == pytest.approx(abs(truth_db[worst]), abs=0.003)
    assert one.values["balance_largest_hz"] == pytest.approx(frequency_hz[worst])
    assert one.values["balance_curve_uncertainty_db"][100] == pytest.approx(of_two(1.0, 1.0) * 0.008686, rel=0.01)
    assert set(found.channel(1).values["balance_curve_db"]) == {0.0}
    unscaled = analysed(recording_of(STIMULUS, through(STIMULUS, first), through(STIMULUS, second),
                                     stimulus_in_volts=False)).channel(2)  # fmt: skip
    assert unscaled.values["balance_largest_db"] is None
    assert set(unscaled.values["balance_curve_db"]) == {None}


@pytest.mark.parametrize(("factor", "delay_s"), [
    pytest.param(-1.0, 0.0, marks=pytest.mark.wide), (3.0, 0.0),
    pytest.param(1.0, 0.0123, marks=pytest.mark.wide), (-0.2, 0.001_003),
])  # fmt: skip
def test_gain_polarity_and_delay_change_nothing_they_should_not(result, factor, delay_s):
    changed = analysed(recording_of(STIMULUS, factor * through(STIMULUS, AMPLIFIER, delay_s=delay_s))).channel(1)
    plain = result.channel(1)
    shape = [key for key in plain.values if key.startswith(("deviation_", "corner_", "time_constant_", "first_order_"))]
    assert len(shape) > 15
    for key in shape:
        if isinstance(plain.values[key], float):
            # Corners at the same place: a part of a frame of delay moves the window, worth 1e-5 of the gain.
            assert changed.values[key] == pytest.approx(plain.values[key], rel=1e-3, abs=1e-4), key
        else:
            assert changed.values[key] == plain.values[key], key
    assert changed.values["polarity"] == (1 if factor > 0 else -1)
    moved_db = 20.0 * math.log10(abs(factor))
    difference_db = np.array(changed.values["gain_db"]) - np.array(plain.values["gain_db"]) - moved_db
    assert np.max(np.abs(difference_db)) < 0.001
    if factor > 0:
        turned_deg = np.array(changed.values["phase_deg"]) - np.array(plain.values["phase_deg"])
        assert np.max(np.abs(turned_deg)) < 0.05  # issue 4
    assert changed.values["delay_s"] - plain.values["delay_s"] == pytest.approx(delay_s, abs=2e-7)


def test_deviation_is_the_largest_within_the_band(stereo, result):
    at_ends = gain_db([20.0, 20_000.0]) - gain_db(1000.0)
    assert result.channel(1).values["deviation_db"] == pytest.approx(np.max(np.abs(at_ends)), abs=0.001)
    narrow = analysed(stereo, low_hz=100.0, high_hz=10_000.0).channel(1).values
    assert narrow["deviation_low_db"] == pytest.approx(float(gain_db(10_000.0) - gain_db(1000.0)), abs=0.001)
    assert narrow["deviation_high_db"] < 0.05


def test_balance_polarity_and_delay(result):
    first, second = (result.channel(channel) for channel in (1, 2))
    assert first.values["balance_db"] == 0.0
    assert second.values["balance_db"] == pytest.approx(-0.5, abs=1e-4)
    # Both scales at 0.1 %, independent.
    assert second.uncertainty["balance_db"] == pytest.approx(of_two(1.0, 1.0) * 0.008686, rel=0.01)
    assert (first.values["polarity"], second.values["polarity"]) == (1, -1)
    assert second.values["interchannel_delay_s"] == pytest.approx(0.001, abs=1e-9)


def test_phase_and_delay_together_are_the_chain(result):
    one = result.channel(1).values
    frequency_hz = np.array(one["frequency_hz"])
    total = np.radians(one["phase_deg"]) - 2.0 * np.pi * frequency_hz * one["delay_s"]
    error_deg = np.degrees(np.angle(np.exp(1j * total) / AMPLIFIER(frequency_hz)))
    assert np.max(np.abs(error_deg[frequency_hz >= 20.0])) < 0.05  # issue 4


def test_without_volts_gain_is_relative(stereo):
    for changes in ({"v_rms_at_full_scale": (None, None)}, {"stimulus_in_volts": False}):
        found = analysed(dataclasses.replace(stereo, **changes))
        assert found.conditions["gain_reference"] == "0 dB at 1000 Hz"
        one = found.channel(2).values
        assert one["gain_db"][one["frequency_hz"].index(1000.0)] == 0.0
        assert one["gain_uncertainty_db"][100] < 0.001
        assert one["gain_at_reference_db"] is None and one["balance_db"] is None
        assert one["deviation_db"] is not None


def test_a_foreign_capture_has_gain_but_no_phase(stereo):
    foreign = dataclasses.replace(
        stereo, v_rms_at_full_scale=(None, None), stimulus_start=None, shared_clock=False, stimulus_in_volts=False
    )
    found = analysed(foreign)
    one = found.channel(1).values
    assert set(one["phase_deg"]) == {None} and len(one["phase_deg"]) == len(one["frequency_hz"])
    assert one["delay_s"] is None
    relative = gain_db(one["frequency_hz"]) - gain_db(1000.0)
    assert np.max(np.abs(np.array(one["gain_db"]) - relative)) < 0.003
    assert "not known" in found.conditions["phase"]
    known = analysed(foreign, same_clock=True).channel(1).values
    assert None not in known["phase_deg"]


def test_harmonics_are_listed_by_order():
    tone = padded(STIMULUS)  # 0.1 V r.m.s.; it does not fold where it is looked at: up to 10 kHz fundamental
    amplitude = 0.1 * math.sqrt(2.0)
    bent = 20.0 * (tone + 0.02 / amplitude * tone**2)
    noisy = bent + 1e-5 * np.random.default_rng(5).standard_normal(len(bent))
    harmonics = {one["order"]: one for one in analysed(recording_of(STIMULUS, noisy)).channel(1).values["harmonics"]}
    second = harmonics[2]
    there = [
        percent
        for hz, percent in zip(second["frequency_hz"], second["distortion_percent"], strict=True)
        if 20.0 <= hz <= 10_000.0
    ]
    # x² of a sine of amplitude A is A²/2 at twice the frequency: 0.02/2 = 1 %.
    assert there == pytest.approx([1.0] * len(there), rel=0.006)  # 0.05 dB
    fourth = harmonics.get(4)
    assert fourth is None or all(value is None or value < 0.01 for value in fourth["distortion_percent"])


def test_noise_alone_makes_no_harmonics():
    captured = through(STIMULUS, AMPLIFIER)
    for seed in (1, 2, 3):
        noisy = captured + 1e-3 * np.random.default_rng(seed).standard_normal(len(captured))
        found = analysed(recording_of(STIMULUS, noisy))
        # Some 140 points over the orders, and one in 8,000 by chance: two are as good as impossible.
        listed = [value for one in found.channel(1).values["harmonics"] for value in one["distortion_percent"]]
        assert sum(value is not None for value in listed) <= 1
        assert "harmonics" not in {chart.name for chart in RESPONSE.charts(found)}


def test_undriven_channels_are_left_out():
    stimulus = played(channels=(2,))
    captured = through(stimulus, AMPLIFIER)
    found = analysed(recording_of(stimulus, np.zeros(len(captured)), captured))
    assert [one.channel for one in found.channels] == [2]
    with pytest.raises(SignalError, match="none of the captured channels was driven"):
        analysed(recording_of(played(channels=(3,)), captured))


def test_over_range_is_said_and_null(stereo):
    found = analysed(dataclasses.replace(stereo, over_range=(0, 7)))
    assert any("channel 2 was over-range in 7 frames" in warning for warning in found.warnings)
    assert found.channel(2).values["gain_at_reference_db"] is None and found.channel(2).values["gain_db"] == []
    assert found.channel(1).values["gain_at_reference_db"] is not None
    with pytest.raises(SignalError, match="over-range"):
        analysed(dataclasses.replace(stereo, over_range=(3, 7)))


@pytest.mark.parametrize("damage", ["one frame lost", "half the level"])
def test_a_damaged_capture_has_no_figures(damage):
    """Its response would look fine, with tight uncertainty: 7.38 ± 0.0002 dB and the like."""
    captured = through(STIMULUS, AMPLIFIER)
    place = start_of(STIMULUS) + 60_000
    broken = captured.copy()
    if damage == "half the level":
        broken[place:] *= 0.5
    else:
        broken[place:-1] = captured[place + 1 :]
    found = analysed(recording_of(STIMULUS, broken, captured))
    assert any(line.startswith("channel 1: ") and "capture it again" in line for line in found.warnings)
    one = found.channel(1)
    assert one.values["gain_db"] == [] and one.values["deviation_db"] is None and not one.uncertainty
    assert found.channel(2).values["deviation_db"] is not None
    assert found.channel(2).values["balance_db"] is None
    for view in (*RESPONSE.tables(found), *RESPONSE.charts(found)):
        assert view.title
    alone = analysed(recording_of(STIMULUS, broken, broken))
    assert [one.values["corner_low_hz"] for one in alone.channels] == [None, None]


def test_a_dead_channel_is_named_beside_a_good_one():
    captured = through(STIMULUS, AMPLIFIER)
    found = analysed(recording_of(STIMULUS, captured, np.zeros(len(captured))))
    assert any(warning.startswith("channel 2: the captured channel is silent") for warning in found.warnings)
    assert found.channel(2).values["polarity"] is None
    for view in (*RESPONSE.tables(found), *RESPONSE.charts(found)):
        assert view.title


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"stimulus": None}, "with stimulus FILE"),
        ({"stimulus": Silence(duration_s=1.0, sample_rate_hz=48_000.0)}, "with stimulus FILE"),
        ({"sample_rate_hz": 44_100.0}, "44100 Hz"),
    ],
)
def test_refused(stereo, changes, words):
    with pytest.raises(SignalError, match=words) as error:
        analysed(dataclasses.replace(stereo, **changes))
    assert "\n" not in str(error.value)


def test_a_reference_or_band_outside_the_sweep_is_refused(stereo):
    with pytest.raises(SignalError, match="reference"):
        analysed(stereo, reference_hz=30_000.0)
    with pytest.raises(SignalError, match="low_hz"):
        analysed(stereo, low_hz=30_000.0, high_hz=40_000.0)
    with pytest.raises(RequestError, match="points_per_octave"):
        analysed(stereo, points_per_octave=0)


def test_a_rate_that_carries_less_is_said():
    stimulus = played(rate_hz=32_000.0)
    assert stimulus.full_to_hz < 0.46 * 32_000.0
    found = analysed(recording_of(stimulus, through(stimulus, AMPLIFIER)))
    assert any("choose a higher rate" in warning for warning in found.warnings)
    assert any("deviation is taken from 20 to" in warning for warning in found.warnings)


@pytest.mark.parametrize("rate_hz", [44_100.0, 48_000.0, 96_000.0, 192_000.0])
@pytest.mark.parametrize("duration_s", [0.5, 1.0, 2.0, 3.3, 10.0])
def test_the_sweep_is_full_over_the_band_asked_for(rate_hz, duration_s):
    stimulus = played(rate_hz=rate_hz, duration_s=duration_s)
    assert stimulus.full_from_hz <= 20.0 and stimulus.full_to_hz >= 20_000.0
    # Synchronized: a whole number of turns in L (Novak 2015, eq. 49); as long as asked for.
    turns = stimulus.start_hz * stimulus.growth_s
    assert turns == pytest.approx(round(turns), abs=1e-9)
    assert stimulus.frames / rate_hz == pytest.approx(duration_s, rel=1e-3)
    assert np.max(np.abs(stimulus.samples_v())) <= stimulus.peak_v * (1.0 + 1e-12)


def test_json_and_back_gives_the_same_views(result):
    read = result_from_json(json.loads(json.dumps(result.as_json(), allow_nan=False)))
    assert RESPONSE.tables(read) == RESPONSE.tables(result)
    assert RESPONSE.charts(read) == RESPONSE.charts(result)
    drops = ("", "1_db_", "0_5_db_")
    assert drawn_limits(RESPONSE, read) == {
        "response": {"deviation_db", *(f"corner_{end}_{drop}hz" for end in ("low", "high") for drop in drops)},
        "balance": {"balance_db", "balance_largest_db"},
    }
    assert {chart.name for chart in RESPONSE.charts(read)} >= {"response", "phase", "balance"}


def test_figures_are_keys_of_the_result(result):
    for figure in RESPONSE.figures:
        assert figure.key in result.channel(1).values


def test_chart_shows_the_imbalance(result):
    chart = next(chart for chart in RESPONSE.charts(result) if chart.name == "response")
    first, second = chart.series
    at = list(first.x).index(1000.0)
    assert first.y[at] == pytest.approx(0.0, abs=1e-6)
    assert second.y[at] == pytest.approx(-0.5, abs=1e-3)
    assert "dB re 1 kHz" in chart.y_label


def test_table_gives_the_standard_frequencies(result):
    table = RESPONSE.tables(result)[1]
    frequencies = [row[0] for row in table.rows]
    assert frequencies[:3] == [20.0, 25.0, 31.5] and frequencies[-1] == 20_000.0 and len(frequencies) == 31
    for hz, first, _ in table.rows:
        assert first == pytest.approx(float(gain_db(hz)), abs=0.002)  # the straight line between two points


def test_nominal_frequencies_and_interpolation():
    assert nominal_frequencies(20.0, 100.0) == [20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0]
    assert at_frequency([100.0, 400.0], [0.0, 2.0], 200.0) == pytest.approx(1.0)
    assert at_frequency([100.0, 400.0], [0.0, 2.0], 99.0) is None


#: A passive RIAA network with ideal source: R1 in series, across the output (R2 in series with C1) and C2.
#: Parts from memory of the textbook form (Lipshitz, J. Audio Eng. Soc. 27, 1979); any values would do here.
NETWORK = {"r1": 75e3, "r2": 10.6e3, "c1": 30e-9, "c2": 10.2e-9}
NETLIST = """passive equalizer
v1 in 0 ac 1
r1 in out {r1}
r2 out mid {r2}
c1 mid 0 {c1}
c2 out 0 {c2}
.control
set numdgt=12
ac dec 80 17.782794100389228 19952.623149688795
wrdata table.txt vdb(out) vp(out)
quit
.endc
.end
"""


def _divider(frequency_hz):
    """Return the network's transfer function by the rule of the voltage divider."""
    s = 2j * np.pi * np.asarray(frequency_hz)
    admittance = s * NETWORK["c2"] + s * NETWORK["c1"] / (1.0 + s * NETWORK["r2"] * NETWORK["c1"])
    return 1.0 / (1.0 + NETWORK["r1"] * admittance)


@pytest.mark.spice
def test_an_equalizer_reads_as_the_circuit_simulator_says(tmp_path, need):
    (tmp_path / "riaa.cir").write_text(NETLIST.format(**NETWORK))
    subprocess.run([need("ngspice"), "-b", "riaa.cir"], cwd=tmp_path, check=True, capture_output=True, timeout=60)
    table = np.loadtxt(tmp_path / "table.txt")
    stimulus = played()
    one = analysed(recording_of(stimulus, through(stimulus, _divider))).channel(1).values
    compared = 0
    for hz, want_db in table[:, :2]:
        if 20.0 < hz < 19_999.0:
            # Both grids are 1000·10^(k/80).
            at = int(np.argmin(np.abs(np.array(one["frequency_hz"]) / hz - 1.0)))
            assert one["frequency_hz"][at] == pytest.approx(hz, rel=1e-6)
            assert one["gain_db"][at] == pytest.approx(want_db, abs=0.01)  # issue 4
            compared += 1
    assert compared > 230


def test_the_impulse_is_that_of_a_band_limited_chain():
    """A flat chain that inverts: its impulse is −1 at the peak, at both sides even, and small away from it."""
    one = analysed(recording_of(STIMULUS, -through(STIMULUS, chain(0.01, 1e9, gain=3.0)))).channel(1).values["impulse"]
    time_s, relative = np.array(one["time_s"]), np.array(one["relative"])
    assert time_s[0] == pytest.approx(-0.001, abs=3e-5) and time_s[-1] == pytest.approx(0.004, abs=3e-5)
    peak = int(np.argmax(np.abs(relative)))
    assert relative[peak] == -1.0 and abs(time_s[peak]) < 0.5 / 48_000.0
    # Even: the band's upper end is a zero-phase fall; its low-cut at 7 Hz moves the sides by 2π·7 Hz·1 ms/… < 0.5 %.
    assert np.max(np.abs(relative[peak - 40 : peak] - relative[peak + 40 : peak : -1])) < 0.005
    # The band ends at 20.2 kHz of 24: sinc(2·20.2 kHz·t) falls below 1/(π·0.84·100) = 0.4 % after 100 frames.
    assert np.max(np.abs(relative[peak + 100 :])) < 0.01


def test_group_delay_and_impulse_have_charts_and_the_window_is_said(result):
    charts = {chart.name: chart for chart in RESPONSE.charts(result)}
    delay = charts["group-delay"].series[0]
    # −dφ/dω of 1/(1 + f/f2) at 1 kHz beside 1 + f1/(jf), in closed form, relative to the delay of the peak.
    at = delay.x.index(1000.0)
    low, high = 30.0, 15_000.0
    closed_ms = 1000.0 * (low / (1000.0**2 + low**2) + high / (1000.0**2 + high**2)) / (2.0 * math.pi)
    # The quotient of two sums over the impulse response: exact to 1 µs here.
    removed_ms = 1000.0 * result.channel(1).values["delay_s"]
    assert delay.y[at] + removed_ms == pytest.approx(closed_ms, abs=0.001)
    assert charts["impulse"].x_scale == "linear" and len(charts["impulse"].series) == 2
    assert max(charts["impulse"].series[1].y, key=abs) == -1.0
    shortest_s, longest_s = result.conditions["impulse_kept_s"]
    assert result.conditions["resolution_hz"] == [pytest.approx(1.0 / longest_s), pytest.approx(1.0 / shortest_s)]
    assert "noise does not tell from that of a longer one" in result.conditions["impulse_window"]


def test_more_noise_shortens_the_window():
    """What was kept of the impulse follows the noise found: it never grows with more of it."""
    rng = np.random.default_rng(7)
    clean = through(STIMULUS, chain(30.0, 15_000.0, gain=1.0))
    noise = rng.standard_normal(len(clean))
    kept = [
        sum(analysed(recording_of(STIMULUS, clean + size_v * noise)).conditions["impulse_kept_s"])
        for size_v in (0.0, 1e-2)
    ]
    assert kept[1] < kept[0]


@pytest.mark.parametrize(("rate_hz", "part"), [(44_100.0, 0.45), pytest.param(96_000.0, 0.45, marks=pytest.mark.wide)])
def test_ten_hertz_to_the_end_of_the_rate(rate_hz, part):
    """Issue 4: flat from 10 Hz to 0.45 of the rate to the stated 0.003 dB and 0.05 degrees, without being asked longer.

    192 kHz gave 0.0004 dB and 0.003 degrees by the same way (run by hand: it takes 10 s).
    """
    stimulus = played(rate_hz, channels=(1,), from_hz=10.0, to_hz=part * rate_hz)
    assert stimulus.duration_s == 4.0
    truth = chain(1.0, 50_000.0)
    one = analysed(recording_of(stimulus, through(stimulus, truth))).channel(1).values
    frequency_hz = np.array(one["frequency_hz"])
    there = (frequency_hz >= 10.0) & (frequency_hz <= part * rate_hz)
    error_db = np.array(one["gain_db"]) - 20.0 * np.log10(np.abs(truth(frequency_hz)))
    assert np.max(np.abs(error_db[there])) < 0.003
    total = np.radians(one["phase_deg"]) - 2.0 * np.pi * frequency_hz * one["delay_s"]
    error_deg = np.degrees(np.angle(np.exp(1j * total) / truth(frequency_hz)))
    assert np.max(np.abs(error_deg[there])) < 0.05
