"""Linearity as a measurement: the bench, dithered files, a disc captured by another clock, nulls, bounds, refusals."""

from __future__ import annotations

import dataclasses
import json
import math
from typing import Any

import numpy as np
import pytest
import soundfile
from benches import bench_file
from limited_axes import drawn_limits

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.api import analyze, generate, measure
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import Result, result_from_json
from audiomeas.recording import Recording
from audiomeas.stimulus import SteppedSines, Sweep

LINEARITY = find("linearity")
RATE_HZ = 48_000.0
FULL_16 = 32_767.0


def stimulus(falls_db: tuple[float, ...] = (0.0, 20.0, 60.0, 80.0), **options: Any) -> SteppedSines:
    context = PlayContext(sample_rate_hz=RATE_HZ, channels=(1, 2), input_level_v_rms=1.0)
    made = LINEARITY.stimulus(context, complete(LINEARITY, {"falls_db": falls_db, "window_s": 0.5, **options}))
    assert isinstance(made, SteppedSines)
    return made


def recording(played: SteppedSines, *channels: np.ndarray, **changes: Any) -> Recording:
    facts: dict[str, Any] = {
        "counts_fs": np.stack(channels, axis=1) / (2.0 * math.sqrt(2.0)),
        "sample_rate_hz": RATE_HZ,
        "channels": (1, 2)[: len(channels)],
        "v_rms_at_full_scale": (2.0,) * len(channels),
        "scale_uncertainty": (0.005,) * len(channels),
        "stimulus": played,
        "stimulus_start": 0,
        "stimulus_in_volts": True,
        "shared_clock": True,
        "over_range": (0,) * len(channels),
        "conditions": {"input_level_uncertainty": 0.003},
    }
    return Recording(**{**facts, **changes})


def analysed(one: Recording, **options: Any) -> Result:
    return LINEARITY.analyse(one, complete(LINEARITY, options))


def disc(
    falls_db: list[float], *, ppm: float = 40.0, track_s: float = 1.6, gap_s: float = 0.7, seed: int = 5
) -> np.ndarray:
    """Return the tracks of a disc as a foreign clock captures them, in codes of 16 bits with triangular dither."""
    generator = np.random.default_rng(seed)
    time_s = np.arange(round(track_s * RATE_HZ)) / RATE_HZ
    parts = [np.zeros(round(gap_s * RATE_HZ))]
    for fall_db in falls_db:
        peak = 0.999 * 10.0 ** (-fall_db / 20.0)
        parts += [peak * np.sin(2.0 * np.pi * 1000.0 * (1.0 + ppm * 1e-6) * time_s), parts[0]]
    signal = np.concatenate(parts) * FULL_16
    dither = generator.random(len(signal)) - generator.random(len(signal))
    return np.rint(signal + dither).astype(np.int16)


def test_a_disc_is_read_from_the_list_of_its_levels(tmp_path):
    falls_db = [0.0, 20.0, 40.0, 60.0, 70.0, 80.0, 90.0, 100.0]
    soundfile.write(tmp_path / "disc.wav", disc(falls_db), 48_000, subtype="PCM_16")
    # People write the levels of a disc with their sign.
    result = analyze("linearity", tmp_path / "disc.wav", falls_db=tuple(-fall_db for fall_db in falls_db))
    (channel,) = result.channels
    rows = channel.values["steps"]
    assert [row["played_db"] for row in rows] == [-fall_db for fall_db in falls_db]
    for row in rows:
        # The tracker's figure to −90 dB; at −100 dB noise leaves 0.11 dB (standard deviation) in 1.4 s.
        assert abs(row["deviation_db"]) < (0.3 if row["played_db"] >= -90.0 else 0.45)
        assert abs(row["deviation_db"]) < 2.0 * row["uncertainty"]["deviation_db"]
    assert channel.values["frequency_hz"] == pytest.approx(1000.04, abs=0.001)
    assert channel.values["monotonic"] is True
    assert channel.values["reversals"] == 0
    assert channel.values["largest_deviation_to_90_db"] < 0.3
    assert channel.values["gain_db"] is None
    assert result.conditions["reference_db"] == -20.0


def test_the_order_of_a_disc_is_that_of_its_list(tmp_path):
    soundfile.write(tmp_path / "disc.wav", disc([60.0, 0.0, 20.0]), 48_000, subtype="PCM_16")
    result = analyze("linearity", tmp_path / "disc.wav", falls_db=(60.0, 0.0, 20.0))
    assert [row["played_db"] for row in result.channels[0].values["steps"]] == [0.0, -20.0, -60.0]
    assert abs(result.channels[0].values["largest_deviation_to_60_db"]) < 0.02
    wrong = analyze("linearity", tmp_path / "disc.wav", falls_db=(0.0, 20.0, 60.0))
    assert wrong.channels[0].values["monotonic"] is False


def test_a_list_that_does_not_fit_the_capture_is_refused(tmp_path):
    soundfile.write(tmp_path / "disc.wav", disc([0.0, 20.0, 40.0]), 48_000, subtype="PCM_16")
    with pytest.raises(SignalError, match=r"2 levels are listed, and 3 steady steps .* \(at 0\.8, 3\.1, 5\.4 s\)"):
        analyze("linearity", tmp_path / "disc.wav", falls_db=(0.0, 20.0))
    with pytest.raises(RequestError, match="with falls_db"):
        analyze("linearity", tmp_path / "disc.wav")


def test_generated_steps_in_16_bits_with_dither_read_true(tmp_path):
    path = generate(
        stimulus((0.0, 20.0, 60.0, 80.0, 90.0), window_s=1.0), tmp_path / "s.wav", sample_format="int16", dither=True
    )
    result = analyze("linearity", path)
    for channel in result.channels:
        assert channel.values["largest_deviation_to_90_db"] < 0.3  # the tracker's figure
        assert channel.values["largest_deviation_to_100_db"] is None  # not stepped that far down
    without = generate(stimulus((0.0, 20.0, 92.0)), tmp_path / "hard.wav", sample_format="int16")
    # Half a step is 96.3 dB below full scale: a tone of −92 dB, 0.82 steps, becomes pulses, (4/π)·√(1 − (0.5/0.82)²)
    # steps at the fundamental: closed form of the quantizer.
    steps = FULL_16 * 10.0 ** (-92.0 / 20.0)
    expected_db = 20.0 * math.log10(4.0 / math.pi * math.sqrt(1.0 - (0.5 / steps) ** 2) / steps)
    quiet = analyze("linearity", without).channels[0].values["steps"][-1]
    # 500 periods know the threshold to a sample each.
    assert quiet["deviation_db"] == pytest.approx(expected_db, abs=0.02)


def test_on_the_bench_levels_are_in_volts_and_the_gain_is_the_units(tmp_path):
    bench = bench_file(tmp_path, rate_hz=48_000)
    result = measure("linearity", bench=bench, input_level="20 mV", falls_db=(0.0, 20.0, 50.0), window_s=0.3)
    assert result.simulated
    first, second = result.channels
    # The demo amplifier: 27.0 dB and 26.95 dB of its open output, 0.16 Ω and 0.17 Ω into 8 Ω (its description).
    assert first.values["gain_db"] == pytest.approx(27.0 - 20.0 * math.log10(8.16 / 8.0), abs=0.07)
    assert second.values["gain_db"] == pytest.approx(26.95 - 20.0 * math.log10(8.17 / 8.0), abs=0.07)
    for channel in result.channels:
        assert channel.values["steps"][0]["input_v_rms"] == pytest.approx(0.02)
        # Its third-order term changes the gain by 1e-5 here; the rest is noise.
        worst = max(abs(row["deviation_db"]) - row["uncertainty"]["deviation_db"] for row in channel.values["steps"])
        assert worst < 0.05
        assert channel.values["monotonic"] is True


def test_a_law_error_reads_as_its_closed_form_in_deviation():
    played = stimulus()
    clean = played.samples_v()
    bent = clean + 5e-5 * np.sign(clean)  # the highest bit weighs too much: 4d/π at the fundamental
    result = analysed(recording(played, clean, bent))
    base = 1.0 + 4.0 * 5e-5 / math.pi / (0.1 * math.sqrt(2.0))
    for row in result.channel(2).values["steps"]:
        peak = math.sqrt(2.0) * 10.0 ** (row["played_db"] / 20.0)
        expected_db = 20.0 * math.log10((1.0 + 4.0 * 5e-5 / math.pi / peak) / base)
        # sign() knows its zeros to a sample.
        assert row["deviation_db"] == pytest.approx(expected_db, abs=0.01 + 0.02 * expected_db)
    assert result.channel(1).values["largest_deviation_to_80_db"] < 1e-4
    assert result.channel(2).values["largest_deviation_to_80_at_db"] == -80.0


def test_a_converter_that_turns_back_is_not_monotonic():
    played = stimulus((0.0, 20.0, 60.0, 80.0))
    samples = played.samples_v()
    window = played.windows()[0]  # the quietest step plays first
    samples[: window.stop] *= 30.0  # −80 dB reads as −50.5 dB, above the −60 dB step
    result = analysed(recording(played, samples))
    assert result.channels[0].values["monotonic"] is False
    assert result.channels[0].values["reversals"] == 1


def test_an_over_range_step_is_null_and_the_rest_stays():
    played = stimulus()
    samples = np.clip(played.samples_v(), -1.2, 1.2)
    counts = samples / 1.2
    one = recording(played, samples)
    hot = dataclasses.replace(one, counts_fs=counts[:, None], over_range=(4000,))
    result = analysed(hot)
    first = result.channels[0].values["steps"][0]
    assert first["level_v_rms"] is None
    assert first["deviation_db"] is None
    assert result.channels[0].bound["largest_deviation_to_60_db"] == "at least"
    assert any("over-range" in words and "0 dB" in words for words in result.warnings)


def test_a_step_in_the_noise_is_a_bound():
    played = stimulus((0.0, 20.0, 60.0, 100.0))
    noise = 1e-2 * np.random.default_rng(6).standard_normal(played.frames)
    result = analysed(recording(played, played.samples_v() + noise))
    last = result.channels[0].values["steps"][-1]
    assert last["bound"] == {"level_v_rms": "at most", "level_dbfs": "at most", "deviation_db": "at most"}
    assert result.channels[0].bound["largest_deviation_to_100_db"] == "at least"
    assert any("can't be told from noise" in words for words in result.warnings)


def test_an_undriven_channel_and_other_stimuli_are_told_nothing_of():
    played = dataclasses.replace(stimulus(), driven_channels=(1,))
    result = analysed(recording(played, played.samples_v(), 1e-3 * played.samples_v()))
    assert result.channel(2).values["steps"] == []
    assert result.channel(2).values["largest_deviation_to_60_db"] is None
    assert any("channel 2 was not driven" in words for words in result.warnings)
    sweep = Sweep.covering(from_hz=20.0, to_hz=20_000.0, duration_s=1.0, level_v_rms=1.0, sample_rate_hz=RATE_HZ)
    with pytest.raises(SignalError, match="needs stepped sines"):
        analysed(recording(played, sweep.samples_v(), stimulus=sweep))
    several = SteppedSines.bin_centred(steps=((500.0, 1.0), (1000.0, 0.1)), sample_rate_hz=RATE_HZ)
    with pytest.raises(SignalError, match="one frequency"):
        analysed(recording(several, several.samples_v(), stimulus=several))


def test_lost_samples_in_a_foreign_capture_null_the_step():
    played = stimulus((0.0, 20.0, 40.0))
    samples = np.concatenate([np.zeros(500), played.samples_v(), np.zeros(500)])
    at = played.windows()[1].start + 500 + 9000
    samples = np.concatenate([samples[:at], samples[at + 37 :], np.zeros(37)])
    samples += 1e-5 * np.random.default_rng(1).standard_normal(len(samples))
    with pytest.raises(SignalError, match="reference"):  # the step at −20 dB is the reference
        analysed(recording(played, samples, stimulus_start=None, shared_clock=False))
    result = analysed(recording(played, samples, stimulus_start=None, shared_clock=False), reference_db=-40.0)
    assert result.channels[0].values["steps"][1]["deviation_db"] is None
    assert result.channels[0].values["steps"][0]["deviation_db"] == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"falls_db": (0.0,)}, "at least two"),
        ({"falls_db": (10.0, 20.0)}, "needs 0"),
        ({"frequency_hz": 30_000.0}, "can't be played"),
    ],
)
def test_what_can_never_be_played_is_refused_before_any_sound(options, words):
    context = PlayContext(sample_rate_hz=RATE_HZ, channels=(1, 2), input_level_v_rms=1.0)
    with pytest.raises(RequestError, match=words):
        LINEARITY.check(context, complete(LINEARITY, options))


def test_views_are_the_same_from_a_stored_result():
    played = stimulus((0.0, 20.0, 60.0, 100.0))
    noise = 1e-2 * np.random.default_rng(6).standard_normal(played.frames)
    result = analysed(recording(played, played.samples_v() + noise, 0.5 * played.samples_v()))
    stored = result_from_json(json.loads(json.dumps(result.as_json(), allow_nan=False)))
    assert LINEARITY.tables(stored) == LINEARITY.tables(result)
    assert LINEARITY.charts(stored) == LINEARITY.charts(result)
    (chart,) = LINEARITY.charts(result)
    ranges = {f"largest_deviation_to_{down}_db" for down in (60, 80, 90, 100)}
    assert drawn_limits(LINEARITY, result) == {"linearity": ranges}
    assert {one.label for one in chart.series} >= {"channel 1", "channel 1, at most", "channel 2, 95 % interval"}


def test_dither_is_for_samples_that_are_rounded(tmp_path):
    with pytest.raises(RequestError, match="int16 and int24"):
        generate(stimulus(), tmp_path / "s.wav", sample_format="float32", dither=True)
    assert not (tmp_path / "s.wav").exists()


def test_dither_makes_noise_of_a_quarter_step_squared_on_driven_channels_alone(tmp_path):
    played = dataclasses.replace(stimulus((0.0, 20.0)), driven_channels=(1,))
    path = generate(played, tmp_path / "s.wav", sample_format="int16", dither=True)
    codes, _ = soundfile.read(path, dtype="int16")
    exact = np.concatenate([np.zeros(24_000), played.samples_v(), np.zeros(24_000)]) / math.sqrt(2.0) * FULL_16
    error = codes[:, 0] - exact
    # Triangular dither of 2 steps and rounding: q²/4 in all (quantizer_snr.csv), also where nothing plays.
    assert np.mean(error[:20_000] ** 2) == pytest.approx(0.25, rel=0.05)
    assert np.mean(error[np.abs(exact) < 0.99 * FULL_16] ** 2) == pytest.approx(0.25, rel=0.05)
    assert not np.any(codes[:, 1])
    again = generate(played, tmp_path / "again.wav", sample_format="int16", dither=True)
    assert np.array_equal(soundfile.read(again, dtype="int16")[0], codes)
