"""The search for clipping on the simulated bench. Truth: the unit's file through Fourier sums of the test's own."""

from __future__ import annotations

import dataclasses
import json
import math
import re

import numpy as np
import pytest
import soundfile
from array_amplifiers import captures_of, context
from benches import Meddling, bench_file
from limited_axes import drawn_limits
from scipy.optimize import brentq

import audiomeas
from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.errors import EXIT_BENCH, EXIT_REQUEST, CaptureError, InterlockRefusal, RequestError, SignalError
from audiomeas.measurement import registry
from audiomeas.measurement.api import CaptureFolder
from audiomeas.measurement.clipping import MEASUREMENT as CLIPPING
from audiomeas.measurement.clipping_bursts import BurstSearch
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import clean, result_from_json
from audiomeas.measurement.session import Session
from audiomeas.present.tables import render_table
from audiomeas.recording import read_recording
from audiomeas.stimulus import BurstSeries, Sine

RATE_HZ = 48_000
LOAD_OHM = 8.0
#: Harmonics of 1 kHz that a capture at 48 kHz holds (below half the rate).
HIGHEST_ORDER = 23

#: A unit with too little idle current and unequal rails: distortion falls with level until it clips, the negative half
#: of the right channel first. Volts at the open output.
UNIT = """# SIMULATED. A test's own.
kind = "power amplifier"
maker = "Demo"
model = "Test amplifier"
serial = "D-9998"

[[channel]]
gain_db = 27.0
dead_band_v = 0.006
positive_clip_v = 20.0
negative_clip_v = -20.0
output_impedance_ohm = 0.16
output_noise_v_rms = 3e-5

[[channel]]
gain_db = 25.0
dead_band_v = 0.006
positive_clip_v = 20.0
negative_clip_v = -18.5
output_impedance_ohm = 0.16
output_noise_v_rms = 3e-5
"""
#: One that never clips (and so is simulated fast), for searches that end early.
LINEAR = "\n".join(line for line in UNIT.splitlines() if not line.startswith(("dead", "positive", "negative")))
CHANNELS = {1: (27.0, 20.0, 20.0), 2: (25.0, 20.0, 18.5)}


def bench_of(folder, *changes, text=UNIT, more=""):
    """A bench at 48 kHz with a unit of the test's own; its highest gain is near the unit's: few steps lead up."""
    (folder / "unit.toml").write_text(text + more)
    return bench_file(
        folder,
        ('unit = "amplifier-healthy"', 'unit = "unit.toml"'),
        ("highest_gain_db = 40", "highest_gain_db = 28"),
        ("sample_format =", "block_frames = 1024\nsample_format ="),
        *changes,
        rate_hz=RATE_HZ,
    )


def wave(channel, input_v_rms):
    """One period of the loaded output by the unit's file: dead band, then rails, then the divider."""
    gain_db, upper_v, lower_v = CHANNELS[channel]
    phase = 2.0 * np.pi * (np.arange(1 << 14) + 0.5) / (1 << 14)
    asked = 10.0 ** (gain_db / 20.0) * input_v_rms * math.sqrt(2.0) * np.cos(phase)
    bridged = np.sign(asked) * np.maximum(np.abs(asked) - 0.006, 0.0)
    return np.clip(bridged, -lower_v, upper_v) * LOAD_OHM / (LOAD_OHM + 0.16)


def thd_and_level(channel, input_v_rms):
    """THD relative to the fundamental, and r.m.s. of fundamental and harmonics, by a Fourier sum over one period."""
    lines = np.abs(np.fft.rfft(wave(channel, input_v_rms)))[1 : HIGHEST_ORDER + 1] * math.sqrt(2.0) / (1 << 14)
    return math.hypot(*lines[1:]) / lines[0], math.hypot(*lines)


def clips_at(channel):
    """Input at which the lower rail is just reached."""
    gain_db, upper_v, lower_v = CHANNELS[channel]
    return (min(upper_v, lower_v) + 0.006) / math.sqrt(2.0) / 10.0 ** (gain_db / 20.0)


def truth(channel, ratio):
    """Input and output level at which THD is a ratio, above the rails."""
    knee = clips_at(channel)
    input_v_rms = brentq(lambda level: thd_and_level(channel, level)[0] - ratio, knee, 2.0 * knee, xtol=1e-9)
    return input_v_rms, thd_and_level(channel, input_v_rms)[1]


def db(ratio):
    return 20.0 * math.log10(ratio)


@pytest.fixture(scope="module")
def searched(tmp_path_factory):
    """One search with all its captures: (result, folder, recordings as they were kept)."""
    folder = tmp_path_factory.mktemp("clipping")
    kept = []
    with Session(open_bench_file(bench_of(folder))) as session:
        into = CaptureFolder(folder / "captures", "clipping")

        def keep(capture, recording):
            kept.append(recording)
            return into(capture, recording)

        result = session.measure(CLIPPING, {"rated_percent": 0.5}, keep=keep)
    return result, folder, kept


@pytest.mark.parametrize("channel", [1, 2])
def test_levels_are_those_of_the_unit_by_closed_form(searched, channel):
    result, _, _ = searched
    values = result.channel(channel).values
    minimum, _ = thd_and_level(channel, clips_at(channel))
    wanted = {"onset": 2.0 * minimum, "at_rated": 0.005, "at_1_percent": 0.01}
    for name, ratio in wanted.items():
        input_v_rms, level_v_rms = truth(channel, ratio)
        # 0.02 dB is what is asked for (tracker 7).
        assert db(values[f"{name}_v_rms"] / level_v_rms) == pytest.approx(0.0, abs=0.02), name
        assert db(values[f"{name}_input_v_rms"] / input_v_rms) == pytest.approx(0.0, abs=0.02), name
        assert values[f"{name}_w"] == pytest.approx(values[f"{name}_v_rms"] ** 2 / LOAD_OHM, rel=1e-9)
    assert values["criterion_percent"] == pytest.approx(200.0 * minimum, rel=0.05)


def test_the_half_that_clips_first_is_told(searched):
    result, _, _ = searched
    left, right = result.channel(1).values, result.channel(2).values
    assert left["asymmetry_db"] == pytest.approx(0.0, abs=0.05)
    # Rails of 20 and 18.5 V: 0.68 dB; to what a fit through a few bursts of a rounded corner holds.
    assert right["asymmetry_db"] == pytest.approx(db(20.0 / 18.5), abs=0.05)
    assert abs(right["asymmetry_db"] - db(20.0 / 18.5)) <= result.channel(2).uncertainty["asymmetry_db"] < 0.3
    assert left["asymmetry_db"] <= result.channel(1).uncertainty["asymmetry_db"]
    assert left["first_half"] is None
    assert right["first_half"] == "negative"


def test_the_search_is_short_and_hardly_goes_beyond(searched):
    result, _, kept = searched
    bursts = [one.stimulus for one in kept if isinstance(one.stimulus, BurstSeries)]
    first_v_rms = bursts[0].level_v_rms
    onset_v_rms = max(result.channel(channel).values["onset_input_v_rms"] for channel in (1, 2))
    assert len(bursts) <= db(onset_v_rms / first_v_rms) / 3.0 + 5.0
    for series in bursts:
        assert max(series.durations_s) <= 0.1
        for channel, level_v_rms in zip(series.driven_channels, series.levels_v_rms[0], strict=True):
            assert db(level_v_rms / truth(channel, 0.01)[0]) <= 3.0
        # Markers never above the onset: so they are whole where the burst is not.
        assert series.markers_peak_v <= math.sqrt(2.0) * min(truth(channel, 0.01)[0] for channel in (1, 2))


def test_the_result_comes_again_from_its_captures_to_the_last_bit(searched):
    result, folder, _ = searched
    again = audiomeas.analyze("clipping", folder / "captures", rated_percent=0.5)
    assert [clean(dict(one.values)) for one in again.channels] == [clean(dict(one.values)) for one in result.channels]
    assert [dict(one.uncertainty) for one in again.channels] == [dict(one.uncertainty) for one in result.channels]


def test_the_json_holds_the_words_of_the_contract(searched):
    result, _, _ = searched
    facts = json.loads(json.dumps(result.as_json(), allow_nan=False))
    for channel in facts["channels"]:
        keys = {"onset_v_rms", "onset_w", "onset_input_v_rms", "criterion_percent", "curve", "levels"}
        assert keys <= channel.keys()
        assert all({"input_v_rms", "level_v_rms", "thd_n_percent"} <= point.keys() for point in channel["curve"])
        assert [row["percent"] for row in channel["levels"]] == [0.1, 0.5, 1.0]
        assert {"onset_v_rms", "onset_w", "at_1_percent_w"} <= channel["uncertainty"].keys()
    assert facts["simulated"] is True


def test_watts_have_as_many_digits_as_their_uncertainty_allows_and_tables_fit_80_columns(searched):
    result, _, _ = searched
    for one in (result, result_from_json(json.loads(json.dumps(result.as_json())))):
        text = "\n".join(render_table(table) for table in CLIPPING.tables(one))
        assert max(map(len, text.splitlines())) <= 80
        # 0.5 % of scale (twice) and 0.5 % of load are 0.3 W of 25 W: two digits of that, and no more, are said.
        watts = result.channel(1).values["at_1_percent_w"]
        assert f" {watts:.2f} ± 0.3" in text


def test_charts_mark_the_knee_and_the_wave_is_the_clipped_one(searched):
    result, _, _ = searched
    charts = {chart.name: chart for chart in CLIPPING.charts(result)}
    assert drawn_limits(CLIPPING, result)["clipping"] == {
        "at_0_1_percent_w", "at_1_percent_w", "at_rated_w", "onset_w",
    }  # fmt: skip
    assert set(charts) == {"clipping", "clipping-knee", "waveform-onset", "waveform"}
    marks = [series for series in charts["clipping"].series if series.labels]
    assert [series.labels for series in marks] == [("onset", "0.1 %", "0.5 %", "1 %")] * 2
    assert all(chart.simulated for chart in charts.values())
    loudest = result.channel(2).values["waveforms"][-1]
    # The rails behind the divider of 0.16 Ω; the rounding of the card's filters leaves ripples beside a flat top.
    assert min(loudest["level"]) == pytest.approx(-18.5 * LOAD_OHM / 8.16, rel=0.02)


# --- searches that end early: short, because nothing clips ------------------------------------------------------


def measured(path, meddle=None, **options):
    bench = open_bench_file(path)
    between = Meddling(bench.interface, meddle=meddle)
    with Session(Bench(bench.file, between)) as session:
        return session.measure(CLIPPING, options), between


def test_a_ceiling_before_clipping_gives_bounds_and_says_so(tmp_path):
    result, _ = measured(bench_of(tmp_path, text=LINEAR), highest_level="0.5 W")
    for channel in result.channels:
        assert channel.bound["onset_w"] == channel.bound["at_1_percent_w"] == "at least"
        assert channel.values["criterion_percent"] is None
        # As far as the gain of the first look is known: noise of the sweep, some hundredths of a dB.
        assert channel.values["onset_w"] == pytest.approx(0.5, rel=0.02)
    assert any("highest_level, 0.5 W" in line and "at least" in line for line in result.warnings)


def test_without_load_volts_are_told_and_no_watts(tmp_path):
    path = bench_of(tmp_path, text=LINEAR)
    head, *rest = path.read_text().split("[[load]]")
    path.write_text(head + "[limits]" + rest[-1].split("[limits]")[1])
    with Session(open_bench_file(path)) as session:
        result = session.measure(CLIPPING, {"highest_level": "1 V"})
        with pytest.raises(RequestError, match="needs a load"):
            session.measure(CLIPPING, {"highest_level": "1 W"})
    assert [channel.values["onset_w"] for channel in result.channels] == [None, None]
    assert all(channel.values["onset_v_rms"] is not None for channel in result.channels)
    assert any("no load is entered" in line for line in result.warnings)


def test_one_channel_alone_leaves_the_other_silent(tmp_path):
    bench = open_bench_file(bench_of(tmp_path, text=LINEAR))
    kept = []
    with Session(bench) as session:
        result = session.measure(
            CLIPPING, {"highest_level": "0.1 W"}, channels=(2,), keep=lambda _, one: kept.append(one)
        )
    assert all(one.stimulus.driven_channels == (2,) for one in kept if isinstance(one.stimulus, BurstSeries))
    assert result.channel(1).values["onset_v_rms"] is None
    assert result.channel(2).values["onset_v_rms"] is not None


def test_protection_that_opens_within_a_burst_ends_the_search(tmp_path):
    path = bench_of(tmp_path, text=LINEAR, more="\n[protection]\nabove_v_peak = 2.0\nafter_s = 0.01\n")
    result, between = measured(path)
    assert any("protection has opened" in line for line in result.warnings)
    assert all(channel.bound["onset_v_rms"] == "at least" for channel in result.channels)
    # It opens above 2 V peak, and 3 dB more is the largest step.
    played_v = max(float(np.max(np.abs(between.played_samples(n)))) for n in range(between.streams)) / 2**31 * 2.0
    assert played_v * math.sqrt(2.0) * 10.0 ** (27.0 / 20.0) < 2.0 * 10.0 ** (3.1 / 20.0)


def after(stream, change):
    """Meddle from a stream on (the first one is the first look)."""
    return lambda captured, _, number: change(captured) if number >= stream else captured


def test_protection_that_opens_between_two_bursts_ends_the_search_with_what_there_is(tmp_path):
    result, between = measured(bench_of(tmp_path, text=LINEAR), meddle=after(5, lambda captured: captured * 0))
    assert any("nothing came back of its last burst" in line for line in result.warnings)
    assert all(channel.bound["onset_v_rms"] == "at least" for channel in result.channels)
    assert between.streams == 5  # it is not tried again


def test_a_unit_that_gets_more_gain_meanwhile_ends_the_search_with_what_there_is(tmp_path):
    """0.8 dB more from the third burst on: the burst at the ceiling, by the gain of the first look, is refused."""
    path = bench_of(tmp_path, text=LINEAR)
    path.write_text(re.sub(r"output_v_rms = [0-9.]+", "output_v_rms = 2.0", path.read_text()))
    result, _ = measured(path, meddle=after(4, lambda captured: (captured * 1.1).astype(np.int32) // 256 * 256))
    assert any("the search ended where the unit's gain had risen" in line for line in result.warnings)
    assert all(channel.bound["onset_v_rms"] == "at least" for channel in result.channels)
    # No burst has passed the ceiling of 2 V, and the search came within its steps of 3 dB and its margin of 3 dB.
    assert all(0.9 < channel.values["onset_v_rms"] < 2.0 / math.sqrt(2.0) for channel in result.channels)


def test_a_unit_that_is_dead_from_the_first_burst_on_is_refused(tmp_path):
    with pytest.raises(CaptureError, match="nothing of what was played came back"):
        measured(bench_of(tmp_path, text=LINEAR), meddle=after(2, lambda captured: captured * 0))


def _one_channel_down(captured):
    captured[:, 1] //= 100
    return captured


def test_a_channel_far_below_the_other_is_refused_before_any_power(tmp_path):
    between = None
    with pytest.raises(CaptureError, match=r"channel 2 gives .* dB less than the other"):
        _, between = measured(bench_of(tmp_path, text=LINEAR), meddle=lambda captured, *_: _one_channel_down(captured))
    assert between is None


def test_a_unit_of_which_no_burst_can_be_read_fails_as_the_bench_does(tmp_path):
    """Its markers come back, its bursts don't: something gates what is steady. The request was right."""
    path = bench_of(tmp_path, text=LINEAR)
    chance = np.random.default_rng(11)

    def gated(captured, frame, number):
        at_s = (frame + np.arange(len(captured))) / RATE_HZ
        # From the middle of the silence behind the first marker to that before the last: noise of 5 steps of 24 bits.
        inside = (at_s > 0.37) & (at_s < 0.77)
        if number >= 2:
            captured[inside] = 256 * np.round(5.0 * chance.standard_normal((int(np.sum(inside)), 2)))
        return captured

    with pytest.raises(CaptureError, match="gives nothing at the first burst: check power") as caught:
        measured(path, meddle=gated)
    assert caught.value.exit_status == EXIT_BENCH


def test_a_shorted_load_is_named_before_any_power(tmp_path):
    """0.01 Ω behind 0.16 Ω: 24 dB below 8 Ω, by the divider. Mute, dead or short can't be told apart: all are said."""
    short = LINEAR.replace("gain_db = 27.0", "gain_db = 27.0\nload_change = [[0, 0.01]]")
    with pytest.raises(CaptureError, match=r"channel 1 gives 2\d dB less .* or its load is shorted") as caught:
        measured(bench_of(tmp_path, text=short))
    assert caught.value.exit_status == EXIT_BENCH


def test_each_channel_alone_and_then_both_are_searched_and_told():
    """An amplifier of arrays that does not clip below the ceiling: which channels are driven, and what is told."""
    options = complete(CLIPPING, {"driving": "alone"})
    captured = captures_of(BurstSearch(context(), options), unit=lambda volts: volts)
    driven = [one.stimulus.driven_channels for one in captured]
    assert list(dict.fromkeys(driven)) == [(1,), (2,), (1, 2)]
    for channel in CLIPPING.analyse(CLIPPING.join(captured), options).channels:
        assert {point["input_v_rms"] for point in channel.values["alone"]["curve"]} == {
            point["input_v_rms"] for point in channel.values["curve"]
        }
        # 2 V, the ceiling, through 20 dB: neither alone nor together has it clipped.
        for levels in (channel.values["alone"]["levels"], channel.values["levels"]):
            assert [row["bound"]["level_v_rms"] for row in levels] == ["at least"] * 2
            assert levels[-1]["level_v_rms"] == pytest.approx(20.0, rel=1e-3)
        assert channel.values["sag_db"] is None  # bounds tell no difference


def test_short_bursts_of_a_low_tone_lead_up_and_only_long_ones_are_told():
    options = complete(CLIPPING, {"frequency_hz": 20.0})
    captured = captures_of(BurstSearch(context(), options), unit=lambda volts: volts)
    lengths_s = [one.stimulus.durations_s[0] for one in captured]
    # From 10 mV to 2 V in steps of 3 dB: 46 dB, 16 steps; then the last 20 dB, seven steps and one beside the ceiling.
    assert lengths_s[:17] == [0.1] * 17
    assert set(lengths_s[17:]) == {0.6}
    result = CLIPPING.analyse(CLIPPING.join(captured), options)
    assert result.conditions["bursts"] == len(captured) - 17
    for channel in result.channels:
        assert len(channel.values["curve"]) == len(captured) - 17
        assert channel.bound["at_1_percent_v_rms"] == "at least"
        assert channel.values["at_1_percent_v_rms"] == pytest.approx(20.0, rel=1e-3)


def test_a_low_tone_that_falls_on_its_way_up_ends_the_search():
    search = BurstSearch(context(), complete(CLIPPING, {"frequency_hz": 20.0}))
    with pytest.raises(SignalError, match="channel 1 came out far lower than its gain says: its protection"):
        captures_of(search, unit=lambda volts: volts if np.max(np.abs(volts)) < 5.0 else 0.1 * volts)


#: Rails of a unit, (upper, lower) of each channel at its loaded output: what clips there on every range.
OF_UNIT_V = ((12.0, 12.0), (12.0, 11.0))
#: A card whose input stage clips well below its converter's full scale (its gain knob turned down): 9 V peak at 10:1.
OF_CARD_V = ((9.0, 9.0), (9.0, 9.0))


def clipping_at(rails_v, ratio):
    """Clip what is captured at volts of the unit's output. ratio : of the range; the card's full scale is 2 V r.m.s."""
    code = 2.0**31 / (2.0 * ratio * math.sqrt(2.0))

    def clip(captured, *_):
        for column, (upper_v, lower_v) in enumerate(rails_v):
            captured[:, column] = np.clip(captured[:, column], round(-lower_v * code), round(upper_v * code))
        return captured // 256 * 256

    return clip


def ranges_compared(folder, rails_v, other):
    """Search at 10:1 where what is captured clips at rails; return the lines about the other range, one a channel."""
    (folder / "other.json").write_text(json.dumps(other.as_json()))
    path = bench_of(folder, ('range = "50:1"', 'range = "10:1"'), text=LINEAR)
    result, _ = measured(path, meddle=clipping_at(rails_v, 10.0), other_range=str(folder / "other.json"))
    # A sine that is just cut: at 1 % it would be 0.33 dB higher uncut.
    assert result.channel(1).values["at_1_percent_v_rms"] * math.sqrt(2.0) == pytest.approx(rails_v[0][0], rel=0.05)
    lines = [line for line in result.warnings if "two ranges differ" in line]
    assert len(lines) == 2
    return lines


def test_a_card_that_clips_by_itself_is_told_by_another_range(searched, tmp_path):
    on_50, _, _ = searched  # there the unit's own rails were found, 20 V
    lines = ranges_compared(tmp_path, OF_CARD_V, on_50)
    assert all("the card clips on one of them: use the higher range" in line for line in lines)


@pytest.mark.wide
def test_a_unit_that_clips_does_so_on_another_range_too(tmp_path):
    on_50, _ = measured(bench_of(tmp_path, text=LINEAR), meddle=clipping_at(OF_UNIT_V, 50.0))
    lines = ranges_compared(tmp_path, OF_UNIT_V, on_50)
    assert all("it is the unit that clips, not the card" in line for line in lines)


def test_loudspeakers_and_levels_are_refused_before_any_sound(tmp_path):
    path = bench_of(tmp_path, text=LINEAR)
    between = Meddling(open_bench_file(path).interface)
    with (
        Session(Bench(open_bench_file(path, loudspeakers="8 ohm").file, between)) as session,
        pytest.raises(InterlockRefusal, match="no search for the largest power"),
    ):
        session.measure(CLIPPING, {})
    with Session(Bench(open_bench_file(path).file, between)) as session:
        with pytest.raises(RequestError, match="finds its levels by itself"):
            session.measure(CLIPPING, {}, output_level=audiomeas.units.parse_level("1 W"))
        with pytest.raises(RequestError, match="too short for 200 Hz"):
            session.measure(CLIPPING, {"frequency_hz": 200.0, "burst_s": 0.03})
        with pytest.raises(RequestError, match=r"hold too little of 12 Hz: use 15\.8 Hz or more"):
            session.measure(CLIPPING, {"frequency_hz": 12.0})
        with pytest.raises(RequestError, match="harmonic 3 of"):
            session.measure(CLIPPING, {"frequency_hz": 9000.0})
    assert between.streams == 0


def test_the_registry_offers_it():
    assert registry.find("clipping") is CLIPPING


PLAN = """title = "Where it clips"
kind = "power amplifier"

[[step]]
name = "Clipping"
measure = "clipping"
highest_level = "0.5 W"

  [[step.limit]]
  quantity = "onset_w"
  at_least = 0.3
  source = "house"

  [[step.limit]]
  quantity = "at_1_percent_w"
  at_least = 60
  source = "maker"
"""


def test_a_record_keeps_every_burst_and_gives_its_result_again(tmp_path):
    (tmp_path / "plan.toml").write_text(PLAN)
    outcome = audiomeas.run(
        tmp_path / "plan.toml",
        unit="Test amplifier, serial D-9998",
        bench=bench_of(tmp_path, text=LINEAR),
        records=tmp_path / "records",
        without_check="a test of the search alone",
    )
    (step,) = outcome.visit.steps
    again = audiomeas.analyze("clipping", step.folder)
    assert [clean(dict(one.values)) for one in again.channels] == [
        clean(dict(one.values)) for one in step.result.channels
    ]
    joined = CLIPPING.join([read_recording(path) for path in step.captures])
    assert joined.stimulus.frames == joined.frames
    assert len(joined.stimulus.levels_v_rms) == len(step.captures)
    # What is only bounded stays undecided (corrections, 6), here because nothing louder was played.
    verdicts = {row.quantity: row.verdict for row in outcome.verdicts if row.channel == 1}
    assert verdicts == {"onset_w": "undecided", "at_1_percent_w": "undecided"}


def test_a_burst_that_is_missing_is_noticed(searched):
    _, _, kept = searched
    bursts = [one for one in kept if isinstance(one.stimulus, BurstSeries)]
    with pytest.raises(SignalError, match="a burst of this search is missing"):
        CLIPPING.join(bursts[:3] + bursts[4:])
    with pytest.raises(SignalError, match="from its first burst on"):
        CLIPPING.join(bursts[1:])
    # An earlier search that stands before it is left alone.
    assert CLIPPING.join(bursts[:4] + bursts).frames == CLIPPING.join(bursts).frames


# --- captures made elsewhere ------------------------------------------------------------------------------------


def clipped(samples, upper_fs=0.6, lower_fs=0.55):
    """A capture of an amplifier that clips at fractions of the card's full scale, with a little noise (seeded)."""
    noise = 3e-6 * np.random.default_rng(7).standard_normal(samples.shape)
    return np.clip(samples, -lower_fs, upper_fs) + noise


def level_dbfs_at(ratio, upper_fs=0.6, lower_fs=0.55):
    """Level of fundamental and harmonics, re a full-scale sine, at which such a clipper's THD is a ratio."""
    phase = 2.0 * np.pi * (np.arange(1 << 13) + 0.5) / (1 << 13)

    def lines(peak_fs):
        wave = np.clip(peak_fs * np.cos(phase), -lower_fs, upper_fs)
        return 2.0 * np.abs(np.fft.rfft(wave))[1 : HIGHEST_ORDER + 1] / len(wave)

    peak_fs = brentq(lambda peak: math.hypot(*lines(peak)[1:]) / lines(peak)[0] - ratio, lower_fs, 1.0)
    return db(math.hypot(*lines(peak_fs)))


def test_a_slow_ramp_captured_elsewhere_is_found_by_its_envelope(tmp_path):
    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    ramp = 0.15 * 10.0 ** (2.4 * time_s / 20.0) * np.sin(2.0 * np.pi * 1000.0 * time_s)  # -16 to -2 dBFS in 6 s
    path = tmp_path / "ramp.wav"
    soundfile.write(path, clipped(ramp), RATE_HZ, subtype="PCM_24")
    (channel,) = audiomeas.analyze("clipping", path).channels
    # Windows of 0.1 s, in which the ramp climbs by 0.24 dB: their middle tells their level to a few hundredths.
    assert channel.values["at_1_percent_dbfs"] == pytest.approx(level_dbfs_at(0.01), abs=0.05)
    assert channel.values["first_half"] == "negative"
    assert channel.values["onset_v_rms"] is channel.values["onset_w"] is None  # no calibration: no volts
    assert all(row["input_v_rms"] is None for row in channel.values["curve"])


def test_bursts_captured_elsewhere_are_found_by_their_stimulus(tmp_path):
    series = BurstSeries.falling(
        frequency_hz=1000.0, level_v_rms=0.7, falls_db=(12, 9, 6, 4, 3, 2.5, 2, 1.5, 1, 0.5), duration_s=0.1,
        sample_rate_hz=float(RATE_HZ), driven_channels=(1, 2),
    )  # fmt: skip
    audiomeas.generate(series, tmp_path / "played.wav", markers=True)
    played, _ = soundfile.read(tmp_path / "played.wav")
    late = np.concatenate([np.zeros((4321, 2)), 1.2 * played, np.zeros((3000, 2))])
    soundfile.write(tmp_path / "captured.wav", clipped(late), RATE_HZ, subtype="PCM_24")
    result = audiomeas.analyze("clipping", tmp_path / "captured.wav", stimulus=tmp_path / "played.wav")
    for channel in result.channels:
        # Bursts 0.5 dB apart: between two of them the knee is read from their waves.
        assert channel.values["at_1_percent_dbfs"] == pytest.approx(level_dbfs_at(0.01), abs=0.05)
        assert channel.values["recovery_s"] <= 0.001  # a clipper without a memory is back within a period
        assert len(channel.values["curve"]) == 10


def test_bursts_that_are_all_too_short_are_refused_with_the_length_that_they_need(tmp_path):
    series = BurstSeries.falling(
        frequency_hz=50.0, level_v_rms=0.7, falls_db=(6, 3, 0), duration_s=0.1,
        sample_rate_hz=float(RATE_HZ), driven_channels=(1, 2),
    )  # fmt: skip
    audiomeas.generate(series, tmp_path / "played.wav", markers=True)
    # Eight periods, 10 ms to settle, and a rise of 5 ms.
    with pytest.raises(SignalError, match=r"bursts of 50 Hz are read from 0\.175 s on, and none is so long"):
        audiomeas.analyze("clipping", tmp_path / "played.wav", stimulus=tmp_path / "played.wav")


def test_what_comes_after_the_card_was_at_its_end_is_left_out(tmp_path):
    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    ramp = 0.3 * 10.0 ** (2.4 * time_s / 20.0) * np.sin(2.0 * np.pi * 1000.0 * time_s)
    soundfile.write(tmp_path / "ramp.wav", np.clip(ramp, -1.0, 1.0), RATE_HZ, subtype="PCM_24")
    result = audiomeas.analyze("clipping", tmp_path / "ramp.wav")
    (channel,) = result.channels
    assert channel.bound["at_1_percent_dbfs"] == "at least"
    assert any("converter is at its end from 4." in line for line in result.warnings)  # 20·lg(1/0.3)/2.4 = 4.36 s
    assert any("range-swap" in line for line in result.warnings)


@pytest.mark.parametrize(
    ("samples", "said"),
    [
        (np.zeros(RATE_HZ), None),
        (0.5 * np.sin(2.0 * np.pi * 1000.0 * np.arange(2 * RATE_HZ) / RATE_HZ), "the level hardly changes"),
        (0.1 * np.random.default_rng(3).standard_normal(2 * RATE_HZ), None),
    ],
    ids=["silence", "a steady tone", "noise"],
)
def test_captures_that_are_no_ramp_are_refused_in_one_line(tmp_path, samples, said):
    soundfile.write(tmp_path / "other.wav", samples, RATE_HZ, subtype="PCM_24")
    with pytest.raises(SignalError, match=said) as caught:
        audiomeas.analyze("clipping", tmp_path / "other.wav")
    assert "\n" not in str(caught.value)


def test_a_stimulus_of_another_kind_is_refused(tmp_path):
    audiomeas.generate(
        Sine.bin_centred(frequency_hz=1000.0, level_v_rms=0.5, sample_rate_hz=48_000.0), tmp_path / "s.wav"
    )
    with pytest.raises(SignalError, match="stimulus of this capture is 'sine'"):
        audiomeas.analyze("clipping", tmp_path / "s.wav")
    with pytest.raises(RequestError, match="is a folder: distortion analyses one capture"):
        audiomeas.analyze("distortion", tmp_path)
    with pytest.raises(SignalError, match="no search for clipping"):
        audiomeas.analyze("clipping", tmp_path)


# --- both channels against one ----------------------------------------------------------------------------------

SAG_OHM, SAG_S, RAIL_V = 0.5, 0.005, 20.0
SAGGING = f"""{
    LINEAR.replace("gain_db = 25.0", "gain_db = 27.0")
    .replace("output_impedance_ohm = 0.16", "")
    .replace(
        "gain_db = 27.0",
        f"gain_db = 27.0{chr(10)}dead_band_v = 0.006{chr(10)}positive_clip_v = {RAIL_V}{chr(10)}"
        f"negative_clip_v = -{RAIL_V}",
    )
}
[supply]
resistance_ohm = {SAG_OHM}
time_constant_s = {SAG_S}
"""


def sagged(asked_peak_v, channels):
    """THD and level of the last 20 ms of 80 ms, by explicit steps of 2.1 µs of the circuit equation.

    A step is 1/2400 of the time constant: its error stays below 0.001 dB. Bursts last 100 ms, 20 time constants.
    """
    step_s = 1.0 / 480_000.0
    asked = (asked_peak_v * np.sin(2.0 * np.pi * 1000.0 * step_s * np.arange(round(0.08 / step_s)))).tolist()
    fall, output = 0.0, []
    for volts in asked:
        bridged = math.copysign(max(abs(volts) - 0.006, 0.0), volts)
        out = min(max(bridged, fall - RAIL_V), RAIL_V - fall)
        output.append(out)
        fall += step_s / SAG_S * (SAG_OHM * channels * abs(out) / LOAD_OHM - fall)
    last = np.array(output[-round(0.02 / step_s) :])
    lines = np.abs(np.fft.rfft(last))[20 : 20 * HIGHEST_ORDER + 1 : 20] * math.sqrt(2.0) / len(last)
    return math.hypot(*lines[1:]) / lines[0], math.hypot(*lines)


def sagged_level(channels):
    """Output level at which THD is 1 %."""
    peak_v = brentq(lambda peak: sagged(peak, channels)[0] - 0.01, 17.0, 22.0, xtol=1e-4)
    return sagged(peak_v, channels)[1]


@pytest.mark.wide
def test_what_a_supply_loses_with_both_channels_is_told_in_db_and_watts(tmp_path):
    with Session(open_bench_file(bench_of(tmp_path, text=SAGGING))) as session:
        result = session.measure(CLIPPING, {"driving": "alone"})
    one_v, both_v = sagged_level(1), sagged_level(2)
    for channel in result.channels:
        alone = channel.values["alone"]["levels"][-1]["level_v_rms"]
        assert db(alone / one_v) == pytest.approx(0.0, abs=0.02)
        assert db(channel.values["at_1_percent_v_rms"] / both_v) == pytest.approx(0.0, abs=0.02)
        assert channel.values["sag_db"] == pytest.approx(db(both_v / one_v), abs=0.02)
        assert channel.values["sag_w"] == pytest.approx((both_v**2 - one_v**2) / LOAD_OHM, abs=0.15)  # 0.02 dB of 25 W
    bursts = result.conditions["bursts"]
    assert bursts <= 3 * (db(max(one.values["onset_input_v_rms"] for one in result.channels) / 0.0225) / 3.0 + 5.0)


def test_a_unit_that_begins_to_oscillate_is_refused_and_driven_no_further(tmp_path):
    bench = open_bench_file(bench_of(tmp_path, text=LINEAR))
    # 0.1 V at 19.3 kHz on channel 1, from the third burst on: int32 carrier, 100 V full scale on this range.
    peak = round(0.1 * 2**31 / 100.0)

    def howl(captured, frame, number):
        if number >= 4:
            turn = 2.0 * np.pi * 19_300.0 / RATE_HZ * (frame + np.arange(len(captured)))
            captured[:, 0] += np.round(peak * np.sin(turn)).astype(captured.dtype)
        return captured

    between = Meddling(bench.interface, meddle=howl)
    into = CaptureFolder(tmp_path / "captures", "clipping")
    with Session(Bench(bench.file, between)) as session:
        with pytest.raises(CaptureError, match=r"channel 1 .* oscillates") as caught:
            session.measure(CLIPPING, {"highest_level": "4 W"}, keep=into)
        # What was asked for was right: it is the bench that fails.
        assert caught.value.exit_status == EXIT_BENCH
    assert between.streams == 4
    # Of its captures alone the same is said, and `analyze` never ends with the bench's status.
    with pytest.raises(SignalError, match=r"channel 1 .* oscillates") as caught:
        audiomeas.analyze("clipping", tmp_path / "captures")
    assert caught.value.exit_status == EXIT_REQUEST


def test_a_minimum_that_the_bench_hides_bounds_the_onset_and_leaves_the_levels(searched):
    result, _, kept = searched
    joined = CLIPPING.join(kept)
    known = {"1": -70.0, "2": -70.0}  # the bench adds 0.03 %, more than the unit's own minimum
    limited = dataclasses.replace(joined, conditions={**joined.conditions, "bench_residual_db": known})
    again = CLIPPING.analyse(limited, complete(CLIPPING, {"rated_percent": 0.5}))
    for channel in again.channels:
        assert channel.bound["onset_w"] == channel.bound["minimum_thd_percent"] == "at most"
        assert "at_1_percent_w" not in channel.bound  # 1 % is far above 0.03 %
        before = result.channel(channel.channel).values["at_1_percent_w"]
        assert channel.values["at_1_percent_w"] == pytest.approx(before, rel=1e-9)
    assert sum("bench-limited" in line for line in again.warnings) == 2


def test_bursts_that_the_card_itself_clips_are_left_out(tmp_path):
    series = BurstSeries.falling(
        frequency_hz=1000.0, level_v_rms=0.7, falls_db=(12, 9, 6, 3, 1, 0), duration_s=0.1,
        sample_rate_hz=float(RATE_HZ), driven_channels=(1, 2),
    )  # fmt: skip
    audiomeas.generate(series, tmp_path / "played.wav", markers=True)
    played, _ = soundfile.read(tmp_path / "played.wav")
    played /= np.max(np.abs(played))
    # The unit is a wire. At 1.2 times full scale (1.6 dB) the last two bursts are cut on channel 1, at half of it none.
    noise = 3e-6 * np.random.default_rng(7).standard_normal(played.shape)
    captured = np.clip(1.2 * played * [1.0, 0.5] + noise, -1, 1)
    soundfile.write(tmp_path / "captured.wav", captured, RATE_HZ, subtype="PCM_24")
    result = audiomeas.analyze("clipping", tmp_path / "captured.wav", stimulus=tmp_path / "played.wav")
    assert [len(channel.values["curve"]) for channel in result.channels] == [4, 6]
    assert all(channel.bound["at_1_percent_dbfs"] == "at least" for channel in result.channels)
    (line,) = [line for line in result.warnings if "converter is at its end" in line]
    assert line.startswith("channel 1: ")
    assert "in 2 of 6 bursts" in line
    hot = np.clip(8.0 * played, -1, 1)
    soundfile.write(tmp_path / "hot.wav", hot, RATE_HZ, subtype="PCM_24")
    with pytest.raises(SignalError, match="in 6 of 6 bursts"):
        audiomeas.analyze("clipping", tmp_path / "hot.wav", stimulus=tmp_path / "played.wav")


@pytest.mark.wide
def test_a_limiter_bulb_left_in_the_mains_is_named(tmp_path):
    """The unit is rated 60 W; through the bulb's resistance both rails sink alike (trade notes 4, row 36)."""
    path = bench_file(tmp_path, unit="amplifier-bulb-left-in", rate_hz=48_000)
    found, _ = measured(path, rated_level="60 W")
    assert any("consistent with a limiter bulb left in the mains" in line for line in found.warnings)
    healthy, _ = measured(bench_file(tmp_path, rate_hz=48_000, name="healthy.toml"), rated_level="60 W")
    assert not any("bulb" in line for line in healthy.warnings)
