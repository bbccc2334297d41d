"""Unit and card files: what they may say, what is refused and how, and what ships."""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulation_support import db
from simulation_support import unit as perfect

from audiomeas.errors import FileProblem, RequestError, TomlProblem
from audiomeas.simulation.card import LEAST_LATENCY_FRAMES, read_card
from audiomeas.simulation.unit import (
    ChannelModel,
    HumLine,
    find_card,
    find_unit,
    read_unit,
    shipped_cards,
    shipped_units,
)

CHANNEL = """[[channel]]
gain_db = 26.0
low_cuts_hz = [3, 1.6]
high_cuts_hz = [80000]
inverted = true
dead_band_v = 0.01
second_order_per_v = 1e-5
third_order_per_v2 = -1e-6
positive_clip_v = 30
negative_clip_v = -29
output_impedance_ohm = 0.1
leakage_db = -60
leakage_corner_hz = 100000
hum = [[1, 1e-4], [2.5, 0.0]]
input_noise_v_rms = 1e-6
output_noise_v_rms = 2e-6
"""
UNIT = f"""kind = "power amplifier"
maker = "Demo"
model = "Amplifier A"
serial = "D-0001"
mains_hz = 60
equalization = "riaa"
{CHANNEL}
[[channel]]
gain_db = 0
"""
CARD = """v_rms_at_full_scale_out = 2.0
v_rms_at_full_scale_in = 1.5
sample_rates_hz = [96000, 48000]
latency_frames = 500
input_noise_v_rms = 1e-6
output_noise_v_rms = 2e-6
adc_dither = true
output_low_cut_hz = 1.0
input_low_cut_hz = 2.0
clock_error_ppm = -20
output_second_order = 1e-4
output_third_order = -2e-4
input_second_order = -3e-4
input_third_order = 4e-4
[[range]]
name = "direct"
ratio = 1
[[range]]
name = "50:1"
ratio = 50.0
"""


def written(folder, text, name="file.toml"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_every_key_of_a_unit_arrives(tmp_path):
    unit = read_unit(written(tmp_path, UNIT))
    assert (unit.kind, unit.maker, unit.model, unit.serial) == ("power amplifier", "Demo", "Amplifier A", "D-0001")
    assert (unit.mains_hz, unit.equalization) == (60.0, "riaa")
    assert unit.channels[0] == ChannelModel(
        gain_db=26.0,
        inverted=True,
        low_cuts_hz=(3.0, 1.6),
        high_cuts_hz=(80_000.0,),
        dead_band_v=0.01,
        second_order_per_v=1e-5,
        third_order_per_v2=-1e-6,
        positive_clip_v=30.0,
        negative_clip_v=-29.0,
        output_impedance_ohm=0.1,
        leakage_db=-60.0,
        leakage_corner_hz=100_000.0,
        hum=(HumLine(multiple=1.0, level_v_rms=1e-4), HumLine(multiple=2.5, level_v_rms=0.0)),
        input_noise_v_rms=1e-6,
        output_noise_v_rms=2e-6,
    )
    assert unit.channels[1] == ChannelModel(gain_db=0.0)


def test_every_key_of_a_card_arrives(tmp_path):
    card = read_card(written(tmp_path, CARD))
    assert (card.name, card.host_api) == ("Simulated card", "simulation")
    assert card.sample_rates_hz == (48_000.0, 96_000.0)
    assert (card.v_rms_at_full_scale_out, card.v_rms_at_full_scale_in) == (2.0, 1.5)
    assert (card.input_noise_v_rms, card.output_noise_v_rms, card.adc_dither) == (1e-6, 2e-6, True)
    assert (card.output_low_cut_hz, card.input_low_cut_hz, card.latency_frames) == (1.0, 2.0, 500)
    assert (card.output_curve.second_order, card.output_curve.third_order) == (1e-4, -2e-4)
    assert (card.input_curve.second_order, card.input_curve.third_order) == (-3e-4, 4e-4)
    assert card.true_rate_hz(48_000.0) == pytest.approx(48_000.0 * 0.99998, rel=1e-15)
    assert (card.ratio("direct"), card.ratio("50:1")) == (1.0, 50.0)
    with pytest.raises(RequestError, match=r"no range '50' \(did you mean '50:1'\?\); it has direct, 50:1"):
        card.ratio("50")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "inverted = true",
            "invertd = true",
            r"line 11.*unknown key \(did you mean 'inverted'\?\); valid keys: gain_db",
        ),
        ('kind = "power', 'kindd = "x"\nkind = "power', r"line 1.*kindd: unknown key \(did you mean 'kind'\?\)"),
        ("gain_db = 26.0\n", "", "'gain_db' is missing"),
        ("gain_db = 26.0", 'gain_db = "26"', "gain_db: must be a number, not a text"),
        ("gain_db = 26.0", "gain_db = nan", "gain_db: must be a finite number"),
        ("gain_db = 26.0", "gain_db = true", "gain_db: must be a number, not true/false"),
        ("inverted = true", "inverted = 1", "inverted: must be true or false"),
        ("low_cuts_hz = [3, 1.6]", "low_cuts_hz = [30000]", "from 0.01 to 20000 Hz, not 30000"),
        ("low_cuts_hz = [3, 1.6]", "low_cuts_hz = 3", "must be a list of numbers"),
        ("high_cuts_hz = [80000]", "high_cuts_hz = [-1]", "must be above 0"),
        ("dead_band_v = 0.01", "dead_band_v = -0.01", "at least 0"),
        ("positive_clip_v = 30", "positive_clip_v = -30", "must be above 0"),
        ("negative_clip_v = -29", "negative_clip_v = 29", "negative_clip_v: must be at most"),
        ("third_order_per_v2 = -1e-6", "third_order_per_v2 = -1e-3", "turns back before it reaches the rail"),
        ("leakage_db = -60", "leakage_db = 3", "at most 0"),
        ("leakage_corner_hz = 100000", "leakage_corner_hz = 100", "at least 20000"),
        ("hum = [[1, 1e-4], [2.5, 0.0]]", "hum = [1, 1e-4]", "hum: must be a list of"),
        ("hum = [[1, 1e-4], [2.5, 0.0]]", "hum = [[1, -1e-4]]", "hum: must be a list of"),
        ("hum = [[1, 1e-4], [2.5, 0.0]]", "hum = [[1, inf]]", "hum: must be a list of"),
        ("hum = [[1, 1e-4], [2.5, 0.0]]", "hum = [[1000, 1e-4]]", "hum: must be a list of"),
        ('equalization = "riaa"', 'equalization = "riia"', r"not one of flat, riaa \(did you mean 'riaa'\?\)"),
        ("mains_hz = 60", "mains_hz = 400", "at most 70"),
        ("[[channel]]\ngain_db = 0\n", "", "two .*channel.* tables, not 1"),
        ("[[channel]]\ngain_db = 0\n", f"{CHANNEL}{CHANNEL}", "two .*channel.* tables, not 3"),
    ],
)
def test_a_wrong_unit_file_is_refused_in_one_line_that_names_the_key(tmp_path, old, new, message):
    assert old in UNIT
    path = written(tmp_path, UNIT.replace(old, new, 1))
    with pytest.raises(TomlProblem, match=message) as caught:
        read_unit(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("adc_dither", "adc_diter", r"unknown key \(did you mean 'adc_dither'\?\)"),
        ("latency_frames = 500", f"latency_frames = {LEAST_LATENCY_FRAMES - 1}", f"at least {LEAST_LATENCY_FRAMES}"),
        ("latency_frames = 500", "latency_frames = 500.5", "must be a whole number"),
        ("v_rms_at_full_scale_in = 1.5", "v_rms_at_full_scale_in = 0", "must be above 0"),
        ("sample_rates_hz = [96000, 48000]", "sample_rates_hz = []", "must be a list of numbers"),
        ("sample_rates_hz = [96000, 48000]", "sample_rates_hz = [96]", "from 8000 to 768000 Hz, not 96"),
        ("input_third_order = 4e-4", "input_third_order = 0.2", "at most 0.1"),
        ("input_low_cut_hz = 2.0", "input_low_cut_hz = 200", "at most 100"),
        ("ratio = 50.0", "ratio = 0", "must be above 0"),
        ("ratio = 50.0", "ratio = 50.0\nvalue = 1", r"value: unknown key; valid keys: name, ratio"),
        ('name = "50:1"', 'name = "direct"', "'direct' is there twice"),
        (CARD[CARD.index("[[range]]") :], "", "'range' is missing"),
        (CARD[CARD.index("[[range]]") :], "range = []", "at least one .*range"),
    ],
)
def test_a_wrong_card_file_is_refused_in_one_line_that_names_the_key(tmp_path, old, new, message):
    assert old in CARD
    path = written(tmp_path, CARD.replace(old, new, 1))
    with pytest.raises(TomlProblem, match=message) as caught:
        read_card(path)
    assert str(path) in str(caught.value)


def test_missing_empty_and_foreign_files_are_refused(tmp_path):
    with pytest.raises(FileProblem, match="not found"):
        read_unit(tmp_path / "absent.toml")
    with pytest.raises(FileProblem, match="is empty"):
        read_unit(written(tmp_path, " \n"))
    with pytest.raises(TomlProblem, match="not valid TOML"):
        read_card(written(tmp_path, "RIFF\x01"))
    with pytest.raises(TomlProblem, match="'channel' is missing"):
        read_unit(written(tmp_path, CARD))


def test_units_are_found_by_name_or_by_path(tmp_path):
    assert find_unit("phono-stage") == shipped_units()["phono-stage"]
    assert find_card("card") == shipped_cards()["card"]
    assert find_unit("mine.toml", folder=tmp_path) == tmp_path / "mine.toml"
    assert find_unit(tmp_path / "mine.toml") == tmp_path / "mine.toml"
    with pytest.raises(
        RequestError, match=r"'phono-stag' \(did you mean 'phono-stage'\?\); there are amplifier-bulb-left-in"
    ):
        find_unit("phono-stag")
    with pytest.raises(RequestError, match="no simulated card 'x'"):
        find_card("x")


# --- the rail in the domain of the drive ------------------------------------------------------------------------


@pytest.mark.parametrize(("second", "third"), [(0.0, 0.0), (1e-3, 0.0), (-2e-3, -1e-5), (1e-3, 1e-3), (0.0, -1e-4)])
def test_drive_limits_are_where_the_polynomial_meets_the_rails(second, third):
    channel = ChannelModel(
        second_order_per_v=second, third_order_per_v2=third, positive_clip_v=20.0, negative_clip_v=-25.0
    )
    for drive_v, rail_v in zip(channel.drive_limits_v(), (-25.0, 20.0), strict=True):
        assert math.copysign(1.0, drive_v) == math.copysign(1.0, rail_v)
        assert drive_v + second * drive_v**2 + third * drive_v**3 == pytest.approx(rail_v, rel=1e-9)


def test_without_rails_there_is_no_limit():
    assert ChannelModel(third_order_per_v2=-1.0).drive_limits_v() == (-math.inf, math.inf)
    assert ChannelModel(positive_clip_v=5.0).drive_limits_v() == (-math.inf, 5.0)


@pytest.mark.parametrize("rails", [{"positive_clip_v": -1.0}, {"negative_clip_v": 0.0}, {"positive_clip_v": math.nan}])
def test_impossible_rails_are_refused(rails):
    with pytest.raises(ValueError, match="rails"):
        ChannelModel(**rails)


# --- what ships -------------------------------------------------------------------------------------------------


def test_the_shipped_files_are_read_and_say_simulated():
    assert set(shipped_units()) == {
        "amplifier-healthy",
        "amplifier-load-changed",
        "amplifier-soft-supply",
        "amplifier-bulb-left-in",
        "amplifier-switched",
        "amplifier-tube",
        "amplifier-under-biased",
        "amplifier-volume-turned",
        "amplifier-weak-channel",
        "cassette-deck",
        "cassette-deck-worn",
        "cd-player",
        "cd-player-early",
        "phono-stage",
        "preamplifier",
        "reel-deck",
        "cassette-deck-side",
        "reel-deck-side",
        "reel-deck-three-heads",
        "tuner",
        "turntable",
    }
    serials = set()
    for path in shipped_units().values():
        unit = read_unit(path)
        assert unit.maker == "Demo"
        serials.add(unit.serial)
        assert path.read_text(encoding="utf-8").startswith("# SIMULATED.")
    assert len(serials) == len(shipped_units())  # no two of them pass for one unit
    card = read_card(shipped_cards()["card"])
    assert [entry.name for entry in card.ranges] == ["direct", "10:1", "50:1"]
    assert shipped_cards()["card"].read_text(encoding="utf-8").startswith("# SIMULATED.")


def gain_db_at(unit, channel, frequency_hz, load_ohm=None):
    return float(db(unit.gain_at_hz(channel, np.array([frequency_hz]), load_ohm=load_ohm))[0])


def sine_power_w(unit, channel, load_ohm=8.0):
    """Power of the largest sine that meets no rail: (V·R/(R+Zo))²/2R."""
    model = unit.channels[channel - 1]
    peak_v = min(model.positive_clip_v, -model.negative_clip_v) * load_ohm / (load_ohm + model.output_impedance_ohm)
    return peak_v**2 / (2.0 * load_ohm)


def test_the_healthy_amplifier_is_what_its_comment_says():
    unit = read_unit(find_unit("amplifier-healthy"))
    assert 60.0 < sine_power_w(unit, 1) < 75.0
    assert 60.0 < sine_power_w(unit, 2) < 75.0
    left, right = (gain_db_at(unit, channel, 1_000.0, 8.0) for channel in (1, 2))
    assert 26.0 <= left <= 29.0
    assert abs(left - right) < 0.1
    for model in unit.channels:
        for power_w, limit_percent in ((1.0, 0.02), (60.0, 0.1)):
            peak_v = math.sqrt(2.0 * power_w * 8.0)
            second = model.second_order_per_v * peak_v / 2.0  # ratios to the fundamental, cos² and cos³
            third = model.third_order_per_v2 * peak_v**2 / 4.0
            assert 0.003 < 100.0 * math.hypot(second, third) < limit_percent


def test_the_under_biased_amplifier_shows_it_at_low_power():
    # Third harmonic of a narrow dead band d on a sine A: 4d/(3πA) (limit of the table's series for small d/A).
    unit = read_unit(find_unit("amplifier-under-biased"))
    third_percent = [100.0 * 4.0 * model.dead_band_v / (3.0 * math.pi * 4.0) for model in unit.channels]
    assert third_percent[0] > 0.2
    assert third_percent[1] > 0.1


def test_the_weak_channel_is_the_right_one():
    unit = read_unit(find_unit("amplifier-weak-channel"))
    left, right = (gain_db_at(unit, channel, 1_000.0) for channel in (1, 2))
    assert left - right == pytest.approx(1.6, abs=0.01)
    assert sine_power_w(unit, 1) > 60.0
    assert 30.0 < sine_power_w(unit, 2) < 40.0


def test_the_phono_stage_has_its_gain_at_1_khz_and_the_riaa_shape():
    unit = read_unit(find_unit("phono-stage"))
    assert gain_db_at(unit, 1, 1_000.0) == pytest.approx(36.0, abs=0.001)
    # 20 Hz +19.274, 10 kHz −13.734 (eq_riaa.csv); the stage's own corners at 2 Hz and 300 kHz take 0.043 and 0.005 dB.
    assert gain_db_at(unit, 1, 20.0) == pytest.approx(36.0 + 19.274 - 0.0432, abs=0.002)
    assert gain_db_at(unit, 1, 10_000.0) == pytest.approx(36.0 - 13.734 - 0.0048, abs=0.002)


def test_further_time_constants_leave_1_khz_and_shape_the_rest():
    """50 µs fall and 15 µs rise, IEC 60908's de-emphasis: −7.60 dB at 10 kHz against 1 kHz, by √(1 + (2πfτ)²)."""
    shaped = perfect({"fall_us": (50.0,), "rise_us": (15.0,), "gain_db": 6.0})
    gain = np.abs(shaped.gain_at_hz(1, np.array([1_000.0, 10_000.0])))

    def size(hz, tau_us):
        return math.hypot(1.0, 2.0 * math.pi * hz * 1e-6 * tau_us)

    expected = size(10e3, 15.0) / size(10e3, 50.0) * size(1e3, 50.0) / size(1e3, 15.0)
    assert 20.0 * math.log10(gain[0]) == pytest.approx(6.0, abs=1e-9)
    assert gain[1] / gain[0] == pytest.approx(expected, rel=1e-9)
