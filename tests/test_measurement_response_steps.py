"""Response by stepped sines: closed forms, noise, another clock, hum, damaged steps, the sweep on the same unit."""

from __future__ import annotations

import dataclasses
import json
import math
import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from benches import bench_file
from numpy.typing import NDArray
from sweep_chains import LEAD_S, chain, start_of, through, through_polynomial

from audiomeas.bench.opened import open_bench_file
from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import Result, result_from_json
from audiomeas.measurement.session import Session
from audiomeas.recording import Recording
from audiomeas.stimulus import Silence, SteppedSines, Sweep

STEPS = find("response-steps")
RATE_HZ = 48_000.0
LEVEL_V_RMS = 0.1
FULL_SCALE_V_RMS = 100.0
#: An amplifier of gain 20 with −3 dB at 30 Hz and 15 kHz.
AMPLIFIER = chain(30.0, 15_000.0, gain=20.0)
#: 20 dB below a tone of 0.1 V r.m.s. through it the noise of the tests is quiet: 60 µV r.m.s. in 24 kHz, −90 dB of 2 V.
NOISE_V_RMS = 2.0 * 10.0 ** (-90.0 / 20.0)


def _stimulus(rate_hz: float = RATE_HZ, channels: tuple[int, ...] = (1, 2), **options: Any) -> SteppedSines:
    context = PlayContext(sample_rate_hz=rate_hz, channels=channels, input_level_v_rms=LEVEL_V_RMS)
    made = STEPS.stimulus(context, complete(STEPS, options))
    assert isinstance(made, SteppedSines)
    return made


def _recording(stimulus: SteppedSines, /, *captured_v: NDArray[np.float64], **changes: Any) -> Recording:
    facts: dict[str, Any] = {
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


def _analysed(recording: Recording, **options: Any) -> Result:
    return STEPS.analyse(recording, complete(STEPS, options))


def _gain_db(frequency_hz: Any, response: Any = AMPLIFIER) -> NDArray[np.float64]:
    return np.asarray(20.0 * np.log10(np.abs(response(np.asarray(frequency_hz, dtype=float)))))


def _noise(seed: int, like: NDArray[np.float64]) -> NDArray[np.float64]:
    return NOISE_V_RMS * np.random.default_rng(seed).normal(size=len(like))


THIRDS = _stimulus()
CLEAN = through(THIRDS, AMPLIFIER)
FEW = _stimulus(frequencies_hz=(40.0, 200.0, 1000.0, 3150.0, 10_000.0), window_s=0.25)
FEW_CLEAN = through(FEW, AMPLIFIER)


@pytest.fixture(scope="module")
def clean() -> Result:
    second = -(10.0 ** (-0.5 / 20.0)) * through(THIRDS, AMPLIFIER, delay_s=0.3e-3)
    return _analysed(_recording(THIRDS, CLEAN, second))


# ---------------------------------------------------------------- what is played


def test_without_frequencies_the_nominal_third_octaves_are_played_just_as_they_are_called() -> None:
    """ISO 266: 31 third octaves from 20 Hz to 20 kHz."""
    frequencies = [hz for hz, _ in THIRDS.steps]
    assert len(frequencies) == 31
    assert [frequencies[place] for place in (0, 2, 17, 30)] == [20.0, 31.5, 1000.0, 20_000.0]
    assert {level for _, level in THIRDS.steps} == {LEVEL_V_RMS}


def test_each_step_settles_and_is_measured_as_the_rule_says() -> None:
    stimulus = _stimulus(frequencies_hz=(20.0, 1000.0), settle_s=0.15, settle_periods=8.0, window_s=0.3)
    low, high = stimulus.windows()
    start_low, start_high = stimulus.starts()
    # Ramp of 20 ms, then 8 periods of 20 Hz (longer than 0.15 s); 20 periods of 20 Hz (longer than 0.3 s) are measured.
    assert (low.start - start_low, low.frames) == (round(0.42 * RATE_HZ), round(1.0 * RATE_HZ))
    assert (high.start - start_high, high.frames) == (round(0.17 * RATE_HZ), round(0.3 * RATE_HZ))


def test_each_step_may_have_its_own_level() -> None:
    stimulus = _stimulus(frequencies_hz=(10_000.0, 1000.0, 20.0), levels_db=(13.7, 0.0, -19.3))
    assert [hz for hz, _ in stimulus.steps] == [20.0, 1000.0, 10_000.0]
    assert [level for _, level in stimulus.steps] == pytest.approx(
        [LEVEL_V_RMS * 10.0 ** (db / 20.0) for db in (-19.3, 0.0, 13.7)]
    )
    # What the interlock sees is the loudest step.
    assert stimulus.level_v_rms == pytest.approx(LEVEL_V_RMS * 10.0 ** (13.7 / 20.0))
    result = _analysed(_recording(stimulus, through(stimulus, AMPLIFIER)))
    found = result.channel(1).values
    assert found["gain_db"] == pytest.approx(_gain_db(found["frequency_hz"]), abs=1e-4)
    assert "one for each step" in result.conditions["levels"]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"frequencies_hz": (100.0, 1000.0), "levels_db": (1.0, 2.0, 3.0)}, "one for each"),
        ({"levels_db": (1.0, 2.0)}, "levels_db needs frequencies_hz"),
        ({"frequencies_hz": (100.0, 100.0, 1000.0)}, "twice"),
        ({"frequencies_hz": (100.0, 200.0)}, "reference of 1000 Hz is none"),
        ({"frequencies_hz": (1000.0, 30_000.0)}, "can't be played"),
        ({"from_hz": 2000.0}, "reference"),
        ({"from_hz": 30_000.0}, "no steps lie between"),
        ({"from_hz": 1.0, "points_per_octave": 48}, "more than 500"),
        ({"low_hz": 21.0, "high_hz": 24.0}, "no step lies within"),
    ],
)
def test_what_can_never_be_played_or_told_is_refused_before_any_sound(options: dict[str, Any], words: str) -> None:
    context = PlayContext(sample_rate_hz=RATE_HZ, channels=(1, 2), input_level_v_rms=LEVEL_V_RMS)
    assert STEPS.check is not None
    with pytest.raises((RequestError, SignalError), match=words):
        STEPS.check(context, complete(STEPS, options))


# ---------------------------------------------------------------- closed forms


def test_gain_and_phase_are_the_closed_form_of_the_chain(clean: Result) -> None:
    """No noise: what is left is what the chain still rings from the ramp (30 Hz: e^(−2π·30·0.1) after 0.1 s) and the
    rounding of what is told (1e-6 dB, 1e-5 degrees)."""
    for channel, level_db in ((1, 0.0), (2, -0.5)):
        found = clean.channel(channel).values
        wanted = AMPLIFIER(np.array(found["frequency_hz"]))
        assert np.max(np.abs(np.array(found["gain_db"]) - 20.0 * np.log10(np.abs(wanted)) - level_db)) < 2e-5
        error_deg = np.array(found["phase_deg"]) - np.degrees(np.unwrap(np.angle(wanted)))
        straight = np.polynomial.Polynomial.fit(found["frequency_hz"], error_deg, 1).convert()
        assert np.max(np.abs(error_deg - straight(np.array(found["frequency_hz"])))) < 0.001
        # Through zero, or through half a turn for the inverted channel: a pure delay and a sign, nothing else.
        assert abs(math.remainder(straight.coef[0] - (180.0 if channel == 2 else 0.0), 360.0)) < 0.001


def test_delay_and_polarity_come_from_the_steps_together(clean: Result) -> None:
    one, two = clean.channel(1).values, clean.channel(2).values
    assert (one["polarity"], two["polarity"]) == (1, -1)
    # Same chain, so that the delays differ by just what the second has more; 0.1 ns is 0.001 degrees at 20 kHz.
    assert two["interchannel_delay_s"] == pytest.approx(0.3e-3, abs=1e-10)
    # A pole at 15 kHz delays its impulse by less than its own time constant (10.6 µs).
    assert 0.0 < one["delay_s"] < 11e-6


def test_figures_are_those_of_a_response(clean: Result) -> None:
    one, two = clean.channel(1), clean.channel(2)
    assert one.values["gain_at_reference_db"] == pytest.approx(float(_gain_db(1000.0)), abs=2e-5)
    assert one.uncertainty["gain_at_reference_db"] == pytest.approx(0.008686, rel=0.01)  # 0.1 % of the scale
    assert two.values["balance_db"] == pytest.approx(-0.5, abs=1e-5)
    lowest_db = float(_gain_db(20.0) - _gain_db(1000.0))
    assert one.values["deviation_low_db"] == pytest.approx(min(lowest_db, -4.44), abs=0.02)
    assert clean.conditions["gain_reference"] == "absolute"
    assert one.values["missing"] == []
    assert one.values["harmonics"] == [] or all(
        value is None or value < 1e-5
        for harmonic in one.values["harmonics"]
        for value in harmonic["distortion_percent"]
    )


def test_corners_lie_where_half_the_power_is_left() -> None:
    """One pole at each end. Straight lines between steps a twelfth of an octave apart err by (Δ²/8)·d²G/dlnf²: at −3 dB
    the second derivative is 8.7·0.5 dB, so 0.002 dB, which is 0.05 % of frequency at the slope of 4.3 dB; and 1 kHz is
    itself 0.0039 dB and 0.019 dB below the flat part, which moves the corners by 0.6 %."""
    # Only where the corners are, and the reference: the flat part between takes time and tells nothing.
    twelfths = [start_hz * 2.0 ** (k / 12.0) for start_hz, count in ((20.0, 20), (8000.0, 16)) for k in range(count)]
    stimulus = _stimulus(frequencies_hz=(1000.0, *twelfths), window_s=0.05, channels=(1,))
    found = _analysed(_recording(stimulus, through(stimulus, AMPLIFIER))).channel(1)
    top = abs(AMPLIFIER(np.array([1000.0]))[0]) ** 2
    for key, low_hz, high_hz in (("corner_low_hz", 20.0, 60.0), ("corner_high_hz", 8000.0, 20_000.0)):
        fine_hz = np.geomspace(low_hz, high_hz, 200_001)
        half = np.abs(np.abs(AMPLIFIER(fine_hz)) ** 2 - top / 2.0)
        assert found.values[key] == pytest.approx(float(fine_hz[np.argmin(half)]), rel=1e-3)


@pytest.mark.parametrize(("rate_hz", "to_hz"), [(44_100.0, 20_000.0), (192_000.0, 80_000.0)])
def test_it_holds_at_other_rates(rate_hz: float, to_hz: float) -> None:
    wide = chain(2.0, 200_000.0, gain=0.5)
    stimulus = _stimulus(rate_hz, (1,), to_hz=to_hz, points_per_octave=1, window_s=0.1)
    found = _analysed(_recording(stimulus, through(stimulus, wide))).channel(1).values
    assert found["frequency_hz"][-1] > 0.5 * to_hz
    assert np.max(np.abs(np.array(found["gain_db"]) - _gain_db(found["frequency_hz"], wide))) < 1e-4


def test_a_slow_coupling_still_settling_is_within_the_uncertainty() -> None:
    """0.5 Hz: a time constant of 0.32 s, longer than each step; what still settles is DC and no part of the tone."""
    slow = chain(0.5, 50_000.0)
    found = _analysed(_recording(THIRDS, through(THIRDS, slow))).channel(1).values
    assert found["missing"] == []
    assert np.max(np.abs(np.array(found["gain_db"]) - _gain_db(found["frequency_hz"], slow))) < 5e-4


def test_harmonics_are_the_closed_form_of_a_polynomial() -> None:
    """y = x + a₂x² + a₃x³, product formulas: 2nd ½a₂A at −90°, 3rd ¼a₃A² at 180°, fundamental 1 + ¾a₃A²."""
    a2, a3, peak = 0.02, 0.03, LEVEL_V_RMS * math.sqrt(2.0)
    stimulus = _stimulus(frequencies_hz=(100.0, 1000.0, 5000.0), channels=(1,))
    found = _analysed(_recording(stimulus, through_polynomial(stimulus, (0.0, 1.0, a2, a3)))).channel(1).values
    fundamental = 1.0 + 0.75 * a3 * peak**2
    second, third = found["harmonics"][:2]
    assert (second["order"], third["order"]) == (2, 3)
    assert second["distortion_percent"] == pytest.approx([50.0 * a2 * peak / fundamental] * 3, rel=1e-4)
    assert third["distortion_percent"] == pytest.approx([25.0 * a3 * peak**2 / fundamental] * 3, rel=1e-4)
    assert second["phase_deg"] == pytest.approx([-90.0] * 3, abs=0.05)
    assert [abs(value) for value in third["phase_deg"]] == pytest.approx([180.0] * 3, abs=0.05)
    assert found["gain_db"] == pytest.approx([20.0 * math.log10(fundamental)] * 3, abs=2e-5)


def test_gain_phase_and_delay_keep_their_places_whatever_the_order_of_the_steps() -> None:
    backwards = dataclasses.replace(FEW, steps=FEW.steps[::-1])
    one = _analysed(_recording(FEW, FEW_CLEAN)).channel(1).values
    other = _analysed(_recording(backwards, through(backwards, AMPLIFIER))).channel(1).values
    assert other["frequency_hz"] == one["frequency_hz"]
    assert other["gain_db"] == pytest.approx(one["gain_db"], abs=2e-5)
    assert other["phase_deg"] == pytest.approx(one["phase_deg"], abs=1e-3)


# ---------------------------------------------------------------- noise


def test_what_noise_does_lies_within_the_stated_uncertainty() -> None:
    """White noise 50 dB down; 31 steps, two captures: of 62 errors 95 % lie within (binomial: 52 at least, 4 σ),
    and their r.m.s. is 1/1.96 of the half-width (± 36 %, four standard deviations of an r.m.s. of 62)."""
    parts, phases = [], []
    wanted = AMPLIFIER(np.array([hz for hz, _ in THIRDS.steps]))
    for seed in range(2):
        found = _analysed(_recording(THIRDS, CLEAN + 100.0 * _noise(seed, CLEAN))).channel(1).values
        error_db = np.array(found["gain_db"]) - 20.0 * np.log10(np.abs(wanted))
        parts += list(error_db / np.array(found["gain_shape_uncertainty_db"]))
        delay = 360.0 * np.array(found["frequency_hz"]) * (found["delay_s"] or 0.0)
        error_deg = np.array(found["phase_deg"]) - delay - np.degrees(np.angle(wanted))
        phases += list(error_deg / np.array(found["phase_uncertainty_deg"]))
    for ratios in (np.array(parts), np.array(phases)):
        assert np.count_nonzero(np.abs(ratios) < 1.0) >= 52
        assert 1.0 / 1.96 / 1.36 < np.sqrt(np.mean(ratios**2)) < 1.36 / 1.96


def test_hum_on_a_step_is_in_its_uncertainty_and_said() -> None:
    """Hum of 0.1 % at 50 Hz adds straight to the step at 50 Hz: 0.0087 dB, which no other step has."""
    stimulus = _stimulus(frequencies_hz=(50.0, 200.0, 1000.0, 5000.0), channels=(1,))
    captured = through(stimulus, lambda hz: np.full(len(hz), 20.0 + 0j))
    time_s = np.arange(len(captured)) / RATE_HZ
    begin_s = start_of(stimulus) / RATE_HZ
    hum = 0.002 * math.sqrt(2.0) * np.sin(2.0 * np.pi * 50.0 * (time_s - begin_s))
    result = _analysed(_recording(stimulus, captured + hum + 0.1 * _noise(5, captured)))
    found = result.channel(1).values
    error_db = np.abs(np.array(found["gain_db"]) - 20.0 * math.log10(20.0))
    assert error_db[0] > 0.008
    assert found["gain_shape_uncertainty_db"][0] >= error_db[0] * 0.999
    assert max(found["gain_shape_uncertainty_db"][1:]) < 0.0005
    assert any("hum falls on a step" in words and "50 Hz" in words for words in result.warnings)


# ---------------------------------------------------------------- another clock


def _by_another_clock(stimulus: SteppedSines, ppm: float, gain: float) -> NDArray[np.float64]:
    """Return what a second clock captures of the steps: their closed form, ramps and all, at stretched times."""
    total = stimulus.frames + round(2.0 * LEAD_S * RATE_HZ)
    played = (np.arange(total) - start_of(stimulus)) * (1.0 + ppm * 1e-6)  # in frames of the player
    captured = np.zeros(total)
    edges = (*stimulus.starts(), stimulus.frames)
    ramp = stimulus.ramp_s * RATE_HZ
    for (frequency_hz, level), first, last in zip(stimulus.steps, edges[:-1], edges[1:], strict=True):
        here = (played >= first) & (played <= last - 1)
        inside = np.minimum(played[here] - first, last - 1 - played[here])
        envelope = 0.5 * (1.0 - np.cos(np.pi * np.minimum((inside + 0.5) / ramp, 1.0)))
        captured[here] = level * envelope * np.sin(2.0 * np.pi * frequency_hz / RATE_HZ * (played[here] - first))
    return gain * math.sqrt(2.0) * captured


@pytest.mark.parametrize("ppm", [pytest.param(37.0, marks=pytest.mark.wide), -200.0, 500.0])
def test_another_clock_moves_no_gain_and_its_phase_is_not_told(ppm: float) -> None:
    captured = _by_another_clock(THIRDS, ppm, 3.0)
    recording = _recording(THIRDS, captured + _noise(6, captured), stimulus_start=None, shared_clock=False)
    result = _analysed(recording)
    found = result.channel(1).values
    # 90 dB below 0.3 V, 0.2 s: half-widths of 0.0002 dB, twice that for what one of 31 may do. The issue allows 0.02.
    assert np.max(np.abs(np.array(found["gain_db"]) - 20.0 * math.log10(3.0))) < 0.003
    assert found["phase_deg"] == [None] * 31
    assert found["delay_s"] is None
    assert found["polarity"] is None
    assert result.conditions["clock_offset_ppm"] == pytest.approx(ppm, abs=0.02)
    assert abs(result.conditions["clock_offset_ppm"] - ppm) < 2.0 * result.conditions["clock_offset_uncertainty_ppm"]
    assert "another clock" in result.conditions["clock"]


def test_a_clock_that_is_said_to_be_one_and_is_not_is_found_out() -> None:
    captured = _by_another_clock(FEW, 3.0, 3.0)
    recording = _recording(FEW, captured, stimulus_start=None, shared_clock=False)
    band = {"low_hz": 40.0, "high_hz": 10_000.0}
    result = _analysed(recording, same_clock=True, **band)
    assert any("ppm off" in words for words in result.warnings)
    assert result.channel(1).values["phase_deg"] == [None] * 5
    told = _analysed(
        dataclasses.replace(recording, counts_fs=_recording(FEW, FEW_CLEAN).counts_fs), same_clock=True, **band
    )
    assert told.warnings == ()
    assert None not in told.channel(1).values["phase_deg"]


# ---------------------------------------------------------------- damaged steps


def _middle(stimulus: SteppedSines, step: int) -> int:
    window = stimulus.windows()[step]
    return start_of(stimulus) + (window.start + window.stop) // 2


def _lose_frames(captured: NDArray[np.float64], at: int) -> NDArray[np.float64]:
    return np.concatenate([captured[:at], captured[at + 100 :], np.zeros(100)])


def _click(captured: NDArray[np.float64], at: int) -> NDArray[np.float64]:
    captured[at] += 1.0
    return captured


def _level_step(captured: NDArray[np.float64], at: int) -> NDArray[np.float64]:
    captured[at : at + 7_000] *= 0.9
    return captured


def _drift(captured: NDArray[np.float64], at: int) -> NDArray[np.float64]:
    part = slice(at - 6_000, at + 6_000)
    captured[part] *= np.linspace(1.03, 0.97, 12_000)
    return captured


def _silence(captured: NDArray[np.float64], at: int) -> NDArray[np.float64]:
    captured[at - 9_000 : at + 9_000] = 0.0
    return captured


@pytest.mark.parametrize(
    ("damage", "step", "words"),
    [
        (_lose_frames, 4, "phase jumps"),
        (_click, 2, "click"),
        (_level_step, 1, "level steps"),
        (_drift, 2, "settled"),
        (_silence, 3, "silence"),
    ],
)
def test_a_damaged_step_is_null_and_the_others_stay(damage: Any, step: int, words: str) -> None:
    steps = (
        dataclasses.replace(FEW, steps=FEW.steps)
        if step != 2
        else _stimulus(frequencies_hz=(40.0, 1000.0, 3150.0, 10_000.0), window_s=0.25)
    )
    clean = through(steps, AMPLIFIER)
    first = clean + 0.1 * _noise(7, clean)
    second = damage(first.copy(), _middle(steps, step))
    result = _analysed(_recording(steps, first, second))
    whole, hurt = result.channel(1).values, result.channel(2).values
    frequency_hz = steps.steps[step][0]
    assert None not in whole["gain_db"]
    assert [hz for hz, gain in zip(hurt["frequency_hz"], hurt["gain_db"], strict=True) if gain is None] == [
        frequency_hz
    ]
    assert hurt["gain_uncertainty_db"][step] is None
    assert hurt["phase_deg"][step] is None
    assert hurt["missing"] == [{"frequency_hz": frequency_hz, "reason": hurt["missing"][0]["reason"]}]
    assert words in hurt["missing"][0]["reason"]
    assert any("channel 2" in said and words in said for said in result.warnings)
    others = [place for place in range(len(steps.steps)) if place != step]
    assert [hurt["gain_db"][place] for place in others] == pytest.approx(
        [float(_gain_db(hurt["frequency_hz"][place])) for place in others], abs=1e-3
    )
    assert hurt["balance_db"] == pytest.approx(0.0, abs=1e-3)
    assert any("could not be told" in table.title for table in STEPS.tables(result))


def test_an_over_range_step_is_null_and_the_others_stay() -> None:
    captured = FEW_CLEAN / (FULL_SCALE_V_RMS * math.sqrt(2.0))
    at = _middle(FEW, 3)
    captured = captured * 35.0
    flat = np.clip(captured, -1.0, 1.0)
    assert np.count_nonzero(np.abs(flat[at - 3000 : at + 3000]) == 1.0) == 0
    flat[at - 50 : at - 40] = 1.0
    recording = dataclasses.replace(_recording(FEW, FEW_CLEAN), counts_fs=flat[:, np.newaxis], over_range=(9,))
    found = _analysed(recording).channel(1).values
    assert [gain is None for gain in found["gain_db"]] == [False, False, False, True, False]
    assert "over-range" in found["missing"][0]["reason"]


def test_without_the_step_at_the_reference_nothing_is_told_of_a_channel() -> None:
    hurt = _silence(FEW_CLEAN.copy(), _middle(FEW, 2))
    result = _analysed(_recording(FEW, FEW_CLEAN, hurt))
    assert result.channel(2).values["gain_db"] == []
    assert result.channel(2).values["corner_low_hz"] is None
    assert any("channel 2" in words and "reference" in words for words in result.warnings)
    assert result.channel(1).values["gain_at_reference_db"] is not None


def test_a_capture_in_which_no_step_can_be_told_is_refused() -> None:
    with pytest.raises(SignalError, match="channel 1"):
        _analysed(_recording(FEW, 0.0 * FEW_CLEAN))
    noise = np.random.default_rng(8).normal(size=len(FEW_CLEAN))
    with pytest.raises(SignalError, match="not found"):
        _analysed(_recording(FEW, noise, stimulus_start=None))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"stimulus": None}, "stimulus FILE"),
        ({"stimulus": Silence(duration_s=1.0, sample_rate_hz=RATE_HZ)}, "'silence'"),
        ({"sample_rate_hz": 44_100.0}, "sample rate"),
        ({"stimulus": dataclasses.replace(FEW, driven_channels=(2,))}, "driven"),
        ({"stimulus": dataclasses.replace(FEW, steps=(FEW.steps[0], *FEW.steps))}, "each frequency once"),
        ({"stimulus": dataclasses.replace(FEW, steps=FEW.steps[:2])}, "no step stands at the reference of 1 kHz"),
    ],
)
def test_what_is_no_response_by_steps_is_refused(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(SignalError, match=words):
        _analysed(_recording(FEW, FEW_CLEAN, **changes))


def test_a_cut_capture_is_refused() -> None:
    with pytest.raises(SignalError, match="cut"):
        _analysed(_recording(FEW, FEW_CLEAN[: FEW.frames - 1000], stimulus_start=None))


def test_without_calibration_the_gain_is_relative_to_the_reference() -> None:
    recording = _recording(FEW, FEW_CLEAN, v_rms_at_full_scale=(None,), scale_uncertainty=(None,))
    result = _analysed(recording)
    found = result.channel(1).values
    assert result.conditions["gain_reference"] == "0 dB at 1000 Hz"
    assert found["gain_db"] == pytest.approx(_gain_db(found["frequency_hz"]) - _gain_db(1000.0), abs=2e-5)
    assert found["gain_at_reference_db"] is None


# ---------------------------------------------------------------- views


def test_views_are_those_of_a_response_and_survive_json(clean: Result) -> None:
    again = result_from_json(json.loads(json.dumps(clean.as_json())))
    assert [view.name for view in STEPS.charts(again)][:3] == ["response", "phase", "balance"]
    for made, read in ((STEPS.charts(clean), STEPS.charts(again)), (STEPS.tables(clean), STEPS.tables(again))):
        assert [view.title for view in made] == [view.title for view in read]
    (response, *_) = STEPS.charts(again)
    assert len(response.series[0].x) == 31
    assert all(series.each_point for series in response.series)
    assert "31 steps" in response.caption
    assert not any("weep" in view.title for view in (*STEPS.charts(again), *STEPS.tables(again)))


def test_no_gain_is_drawn_or_listed_at_a_step_that_could_not_be_told() -> None:
    hurt = _silence(FEW_CLEAN.copy(), _middle(FEW, 3))
    result = _analysed(_recording(FEW, FEW_CLEAN, hurt))
    for chart in STEPS.charts(result):
        for series in chart.series:
            assert 3150.0 not in series.x
    (gains,) = [table for table in STEPS.tables(result) if table.title.startswith("Gain")]
    rows = {row[0]: row[1:] for row in gains.rows}
    assert rows[3150.0][0] == pytest.approx(float(_gain_db(3150.0)), abs=1e-3)
    assert rows[3150.0][1] is None


# ---------------------------------------------------------------- the sweep, on one unit


@pytest.fixture(scope="module")
def on_one_unit(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Result]:
    """A simulated healthy amplifier, measured by steps and by a sweep of 4 s, one after the other."""
    path = bench_file(tmp_path_factory.mktemp("bench"), rate_hz=48_000)
    found = []
    sweep = find("response")
    with Session(open_bench_file(path)) as session:
        for word, options in ((STEPS, {"window_s": 0.3}), (sweep, {"duration_s": 4.0})):
            chosen = complete(word, options)
            context = PlayContext(sample_rate_hz=RATE_HZ, channels=(1, 2), input_level_v_rms=LEVEL_V_RMS)
            found.append(word.analyse(session.record(word.stimulus(context, chosen)), chosen))
    return found[0], found[1]


def test_the_sweep_agrees_with_the_steps_on_the_same_unit(on_one_unit: tuple[Result, Result]) -> None:
    """20 Hz to 20 kHz: within 0.003 dB and within what both state (shape: the calibration is common to both).

    The sweep's points lie 1/24 octave apart; straight lines between them err by less than 5e-5 dB on this unit.
    """
    by_steps, by_sweep = on_one_unit
    for channel in (1, 2):
        steps, swept = by_steps.channel(channel).values, by_sweep.channel(channel).values
        at = np.log(steps["frequency_hz"])
        grid = np.log(swept["frequency_hz"])
        difference_db = np.array(steps["gain_db"]) - np.interp(at, grid, swept["gain_db"])
        stated_db = np.hypot(
            steps["gain_shape_uncertainty_db"], np.interp(at, grid, swept["gain_shape_uncertainty_db"])
        )
        assert len(difference_db) == 31
        assert np.max(np.abs(difference_db)) < 0.003
        # 95 % each; of 31 points three outside are rare, and none may lie at twice the half-width.
        assert np.count_nonzero(np.abs(difference_db) > stated_db + 5e-5) <= 3
        assert np.all(np.abs(difference_db) < 2.0 * stated_db + 5e-5)
        phase_deg = np.array(steps["phase_deg"]) - np.interp(at, grid, swept["phase_deg"])
        hz = np.array(steps["frequency_hz"])
        left = phase_deg - (phase_deg @ hz) / (hz @ hz) * hz
        # After one pure delay; the sweep's own phase is good to 0.05 degrees (issue 3).
        assert np.max(np.abs(left)) < 0.05


def test_both_are_right_about_the_unit(on_one_unit: tuple[Result, Result]) -> None:
    """The unit's description: 27 dB, two first-order cuts at 1.6 and 3 Hz, one at 110 kHz (relative to 1 kHz)."""

    def unit(hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        return (1j * hz / (1j * hz + 1.6)) * (1j * hz / (1j * hz + 3.0)) / (1.0 + 1j * hz / 110_000.0)

    by_steps, _ = on_one_unit
    found = by_steps.channel(1).values
    wanted = _gain_db(found["frequency_hz"], unit) - _gain_db(1000.0, unit)
    relative = np.array(found["gain_db"]) - found["gain_at_reference_db"]
    # The card of the bench has a response of its own (it is not compensated here): 0.05 dB from 20 Hz to 20 kHz.
    assert np.max(np.abs(relative - wanted)) < 0.05
    assert by_steps.simulated


# ---------------------------------------------------------------- the commands


@pytest.mark.wide
def test_steps_that_were_generated_are_analysed_from_a_file(tmp_path: Any) -> None:
    command = [sys.executable, "-m", "audiomeas"]
    path = tmp_path / "steps.wav"
    arguments = ["generate", "steps", str(path), "--frequencies-hz", "100,1000,5000,10000", "--step-s", "0.2"]
    subprocess.run([*command, *arguments], check=True, capture_output=True, cwd=tmp_path)
    done = subprocess.run(
        [*command, "analyze", "response-steps", str(path), "--stimulus", str(path), "--json"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["measurement"] == "response-steps"
    # A file analysed against itself: 24 bit rounding, 0 dB everywhere.
    assert found["channels"][0]["gain_db"] == pytest.approx([0.0] * 4, abs=1e-4)
    assert found["channels"][0]["phase_deg"] == [None] * 4


def test_a_sweep_is_no_steps() -> None:
    sweep = Sweep.covering(from_hz=20.0, to_hz=20_000.0, sample_rate_hz=RATE_HZ, duration_s=2.0, level_v_rms=0.1)
    with pytest.raises(SignalError, match="'sweep'"):
        _analysed(_recording(FEW, FEW_CLEAN, stimulus=sweep))
